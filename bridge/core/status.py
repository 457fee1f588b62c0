"""How a judgement shows in the standards' status words: OPC UA, QARTOD and NAMUR NE 107."""

from typing import Final

from bridge.core.findings import Cause, Flag, Ne107, Quality
from bridge.core.qartod_state import FAIL, NOT_EVALUATED, SUSPECT

# Local names: looking a member up on an enumeration costs more than a whole comparison.
GOOD: Final = Quality.GOOD
UNCERTAIN: Final = Quality.UNCERTAIN
BAD: Final = Quality.BAD
CHECK: Final = Ne107.CHECK

Status = tuple[Quality, Flag, Ne107]

_HEALTHY: Final = (Quality.GOOD, Flag.PASS, Ne107.NORMAL)
_STRANGE: Final = (Quality.GOOD, Flag.SUSPECT, Ne107.OUT_OF_SPECIFICATION)
_UNSETTLED: Final = (Quality.UNCERTAIN, Flag.NOT_EVALUATED, Ne107.OUT_OF_SPECIFICATION)
_IMPOSSIBLE: Final = (Quality.BAD, Flag.FAIL, Ne107.OUT_OF_SPECIFICATION)
_DISTURBED: Final = (Quality.UNCERTAIN, Flag.SUSPECT, Ne107.OUT_OF_SPECIFICATION)
_WORN: Final = (Quality.UNCERTAIN, Flag.SUSPECT, Ne107.MAINTENANCE)
_FAILED: Final = (Quality.BAD, Flag.FAIL, Ne107.FAILURE)
_MISSING: Final = (Quality.BAD, Flag.MISSING, Ne107.FAILURE)

STATUS: Final[dict[Cause, Status]] = {
    Cause.NONE: _HEALTHY,
    Cause.DILUTION: _HEALTHY,
    Cause.CONCENTRATION: _HEALTHY,
    Cause.BUBBLES: _DISTURBED,
    Cause.INTERFERENCE: _DISTURBED,
    Cause.ADJACENT_PROBE: _DISTURBED,
    Cause.PLUME: _DISTURBED,
    Cause.UNEXPLAINED: _DISTURBED,
    Cause.COMPENSATION: _WORN,
    Cause.DRIFT: _WORN,
    Cause.EXPOSED: _FAILED,
    Cause.STUCK: _FAILED,
    Cause.INVALID: _FAILED,
    Cause.SILENT: _MISSING,
}
"""Of each cause by itself. A real change of the water is no fault of the reading."""

HEALTHY: Final = frozenset(cause for cause, shown in STATUS.items() if shown == _HEALTHY)


def status(
    cause: Cause,
    *,
    gross_range: Flag,
    settled: bool,
    known: bool,
    in_service: bool,
    doubtful: bool = False,
) -> Status:
    """Quality, flag and status signal of one moment.

    Args:
        cause: Why the reading is what it is.
        gross_range: Flag of that plausibility test.
        settled: Whether enough good samples came to rely on the judgement.
        known: Whether a salinity is published.
        in_service: Whether hands are in the water.
        doubtful: Whether the newest reading alone is far off, and no second one has confirmed it.
    """
    found = STATUS[cause]
    if cause in HEALTHY:
        # Without a cause, the range test and the start still count.
        if gross_range is FAIL:
            found = _IMPOSSIBLE
        elif not settled:
            found = _UNSETTLED
        elif doubtful:
            found = _DISTURBED
        elif gross_range is SUSPECT:
            found = _STRANGE
    quality, flag, ne107 = found
    if not known and quality is not BAD:
        quality, flag = UNCERTAIN, max(flag, NOT_EVALUATED)
    if in_service:
        ne107, flag = CHECK, max(flag, NOT_EVALUATED)
        quality = UNCERTAIN if quality is GOOD else quality
    return quality, flag, ne107
