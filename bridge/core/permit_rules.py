"""Which reasons hold which permit, and the table by which a gate moves.

Everything here is data; docs/permits.md shows it, rendered by tests/document_tables.py.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from bridge.core.findings import Cause
from bridge.core.settings import Delivers, Driver


class Reason(StrEnum):
    """Reasons of our own to hold, beside the causes of a disturbed reading."""

    SHUTDOWN = "shutdown"
    LINK = "link"
    CLOCK = "clock"
    ANOTHER_DAEMON = "another-daemon"
    LAPSED = "lapsed"
    UNCOUNTED = "uncounted"
    SERVICE = "service"
    SETTLING = "settling"
    STARTING = "starting"
    STALE = "stale"
    OVERRUN = "overrun"
    RUN_TIME = "run-time"
    LITRES_HOUR = "litres-hour"
    LITRES_DAY = "litres-day"
    LEVEL_HIGH = "level-high"
    LEVEL_SILENT = "level-silent"
    UNCERTAIN = "uncertain"
    OUT_OF_BAND = "out-of-band"
    TEMPERATURE_BAND = "temperature-band"
    PAUSE = "pause"
    MINIMUM_HOLD = "minimum-hold"


@dataclass(frozen=True, slots=True)
class ReasonRule:
    """What a reason of our own means, and whether the keeper may bypass it."""

    when: str
    why: str
    bypass: bool = False
    start_only: bool = False
    """Forbids a start, but does not end a run that is under way."""
    precaution: bool = False
    """Nothing says yet that more of what the actuator delivers does harm."""


REASON_RULES: Final[Mapping[Reason, ReasonRule]] = {
    Reason.SHUTDOWN: ReasonRule(
        "The daemon is stopping.", "Nobody would be left to say hold later.", precaution=True
    ),
    Reason.LINK: ReasonRule(
        "The broker is not connected, or refused a subscription.",
        "A hold could not be delivered, and the inputs are not heard.",
        precaution=True,
    ),
    Reason.CLOCK: ReasonRule(
        "The wall clock has jumped and has not settled yet.",
        "Times in the lease, and times sent by the sensors, cannot be compared.",
        precaution=True,
    ),
    Reason.ANOTHER_DAEMON: ReasonRule(
        "Somebody else publishes signs of life or permits on the daemon's own topics: a second "
        "daemon, or a forger. Lasts until nothing was heard of it for a minute, or for the lease "
        "that it gave.",
        "Two that permit the same actuator bound nothing; both hold instead.",
    ),
    Reason.LAPSED: ReasonRule(
        "The last lease ran out before it was renewed.",
        "The daemon was stalled. What it permitted before the stall proves nothing now.",
        precaution=True,
    ),
    Reason.UNCOUNTED: ReasonRule(
        "A limit is configured that nothing can count.",
        "A run time needs the state of the actuator; litres need a meter, or that state and "
        "a rate. A limit that is silently ignored is worse than a hold.",
    ),
    Reason.SERVICE: ReasonRule(
        "Service mode: hands in the water.", "Safety of the person.", precaution=True
    ),
    Reason.SETTLING: ReasonRule(
        "Service has ended and the tank still settles.",
        "Stirred-up gas, dirt and unmixed water disturb the reading.",
        precaution=True,
    ),
    Reason.STARTING: ReasonRule(
        "No settled judgement of the water has been reached since the start or restart.",
        "Unknown means hold. What was true before a restart may have changed.",
        precaution=True,
    ),
    Reason.STALE: ReasonRule(
        "The newest probe reading (for permits with a temperature band also the temperature) "
        "is too old.",
        "Silence never means permit.",
        precaution=True,
    ),
    Reason.OVERRUN: ReasonRule(
        "The actuator ran on after a hold and its grace, or water was metered while held. "
        "Lasts until it has stopped and the alarm is acknowledged.",
        "An actuator that did not stop when told must be seen by a person first.",
    ),
    Reason.RUN_TIME: ReasonRule(
        "One run was longer than largest_run_s. Lasts until it has stopped and rested as "
        "long as a full run, an hour at most (or smallest_pause_s, when that is longer).",
        "A stuck float or a leak, not thirst, makes a run this long.",
    ),
    Reason.LITRES_HOUR: ReasonRule(
        "More litres than allowed came within an hour.",
        "Bounds the harm whatever else is wrong.",
    ),
    Reason.LITRES_DAY: ReasonRule(
        "More litres than allowed came within 24 hours.",
        "Bounds the harm whatever else is wrong.",
    ),
    Reason.LEVEL_HIGH: ReasonRule(
        "The water level is high, and the permit delivers water.",
        "More water would flood.",
    ),
    Reason.LEVEL_SILENT: ReasonRule(
        "The water level is configured but not heard, and the permit is driven by level.",
        "What drives the actuator cannot be seen.",
        bypass=True,
    ),
    Reason.UNCERTAIN: ReasonRule(
        "The salinity is unknown or its uncertainty past largest_uncertainty_psu (80 % of it "
        "for a start); for salinity-driven permits also any quality but good.",
        "An estimate that may be wrong by more than the keeper accepts decides nothing.",
        bypass=True,
    ),
    Reason.OUT_OF_BAND: ReasonRule(
        "The estimate is outside low_psu to high_psu (0.1 inside it for a start).",
        "Correct a real error by hand and slowly; an automation would hurry it.",
        bypass=True,
    ),
    Reason.TEMPERATURE_BAND: ReasonRule(
        "The water temperature is outside low_c to high_c (0.2 C inside it for a start).",
        "The correction, and the animals, are outside what is normal.",
        bypass=True,
    ),
    Reason.PAUSE: ReasonRule(
        "The actuator stopped less than smallest_pause_s ago.",
        "What was added must mix before more is.",
        start_only=True,
        precaution=True,
    ),
    Reason.MINIMUM_HOLD: ReasonRule(
        "All is well, but not yet for minimum_hold_s.",
        "A permit that flutters wears relays and hides the cause.",
        start_only=True,
        precaution=True,
    ),
}

PRECAUTIONS: Final[frozenset[str]] = frozenset(
    reason for reason, rule in REASON_RULES.items() if rule.precaution
)
"""Reasons that alone make an actuator that runs on no high alarm; no cause is among them."""


@dataclass(frozen=True, slots=True)
class DefaultHold:
    """A cause that holds by default, for which permits, and why."""

    causes: tuple[Cause, ...]
    driven_by: Driver
    delivers: tuple[Delivers, ...]
    why: str


_ALL: Final = tuple(Delivers)
_BLIND: Final = (Cause.EXPOSED, Cause.STUCK, Cause.SILENT, Cause.INVALID)

DEFAULT_HOLDS: Final[tuple[DefaultHold, ...]] = (
    DefaultHold(
        tuple(cause for cause in Cause if cause is not Cause.NONE),
        Driver.SALINITY,
        _ALL,
        "It acts on the number itself. A disturbed number makes it act wrongly, and a real change "
        "that needs a diagnosis needs a person, not a faster correction.",
    ),
    DefaultHold(
        (Cause.DILUTION,),
        Driver.LEVEL,
        (Delivers.FRESH_WATER,),
        "The water really gets fresher. More fresh water makes it worse.",
    ),
    DefaultHold(
        _BLIND,
        Driver.LEVEL,
        _ALL,
        "Salinity is the sanity check of a level-driven actuator. The check is blind, or the water "
        "has left the probe.",
    ),
    DefaultHold(
        (Cause.DILUTION, Cause.CONCENTRATION),
        Driver.LEVEL,
        (Delivers.SALT_WATER, Delivers.DOSE, Delivers.OTHER),
        "The water really changes in a way the plumbing does not explain. This actuator may be "
        "the reason.",
    ),
    DefaultHold(
        (*_BLIND, Cause.DILUTION, Cause.CONCENTRATION),
        Driver.SCHEDULE,
        _ALL,
        "A schedule looks at nothing, so it is stopped while the water really changes or cannot be "
        "seen. A reading disturbed by bubbles or pick-up says nothing against the schedule.",
    ),
)
"""Left out on purpose for a level-driven fresh-water top-off: bubbles, interference, adjacent
probe, compensation, drift, plume, unexplained (the water is not known to be wrong, holding lets
the level fall, and the litres are counted) and concentration (fresh water is the remedy)."""


def default_causes(driven_by: Driver, delivers: Delivers) -> frozenset[Cause]:
    """Causes that hold a permit when ``held_by`` is left out."""
    return frozenset(
        cause
        for hold in DEFAULT_HOLDS
        if hold.driven_by is driven_by and delivers in hold.delivers
        for cause in hold.causes
    )


class Phase(StrEnum):
    """Where a gate stands. Only the last two publish ``permit``."""

    HOLD = "hold"
    MINIMUM_HOLD = "minimum-hold"
    PERMIT = "permit"
    BYPASS = "bypass"


PERMITTED: Final = frozenset({Phase.PERMIT, Phase.BYPASS})


class Verdict(StrEnum):
    """What an evaluation found, as far as the next phase depends on it."""

    BARRED = "barred"
    """A reason that no bypass covers."""
    DISTURBED = "disturbed"
    """A reason that a bypass could cover, but none runs."""
    BYPASSED_SOON = "bypassed-soon"
    """Bypassed, but the minimum hold is not over."""
    BYPASSED = "bypassed"
    """Bypassed."""
    CLEAR_SOON = "clear-soon"
    """No reason, but the minimum hold is not over."""
    CLEAR = "clear"
    """No reason."""


_FROM_HOLD: Final = {
    Verdict.BARRED: Phase.HOLD,
    Verdict.DISTURBED: Phase.HOLD,
    Verdict.BYPASSED_SOON: Phase.MINIMUM_HOLD,
    Verdict.BYPASSED: Phase.BYPASS,
    Verdict.CLEAR_SOON: Phase.MINIMUM_HOLD,
    Verdict.CLEAR: Phase.PERMIT,
}
_FROM_PERMIT: Final = {
    Verdict.BARRED: Phase.HOLD,
    Verdict.DISTURBED: Phase.HOLD,
    # The minimum hold delays the way back only: a bypass that runs carries the permit on.
    Verdict.BYPASSED_SOON: Phase.BYPASS,
    Verdict.BYPASSED: Phase.BYPASS,
    Verdict.CLEAR_SOON: Phase.PERMIT,
    Verdict.CLEAR: Phase.PERMIT,
}

TRANSITIONS: Final[Mapping[Phase, Mapping[Verdict, Phase]]] = {
    Phase.HOLD: _FROM_HOLD,
    Phase.MINIMUM_HOLD: _FROM_HOLD,
    Phase.PERMIT: _FROM_PERMIT,
    Phase.BYPASS: _FROM_PERMIT,
}
