"""Moments as the interface writes them: ISO 8601, UTC, milliseconds."""

from datetime import UTC, datetime
from functools import lru_cache
from typing import Final

TWO_DIGITS: Final[tuple[str, ...]] = tuple(f"{number:02d}" for number in range(60))
THREE_DIGITS: Final[tuple[str, ...]] = tuple(f"{number:03d}" for number in range(1000))
"""To look a number up costs a fraction of writing it."""


@lru_cache(maxsize=64)
def _minute(number: int) -> str:
    return datetime.fromtimestamp(number * 60, UTC).isoformat()[:17]


def second_utc(second: int) -> str:
    """Whole Unix seconds as ``2026-03-01T12:00:00``."""
    # Nearly all moments written in a row share their minute, and this is on the hot path.
    return _minute(second // 60) + TWO_DIGITS[second % 60]


# The documents of one moment share their times.
@lru_cache(maxsize=64)
def iso_utc(at_s: float) -> str:
    """Unix seconds as ``2026-03-01T12:00:00.000Z``."""
    milliseconds = round(at_s * 1000.0)
    return f"{second_utc(milliseconds // 1000)}.{THREE_DIGITS[milliseconds % 1000]}Z"


class Calendar:
    """What the wall clock shows at a moment of engine time, for what others read or have written.

    Engine time never steps. When the wall clock is set, this follows; nothing that was decided
    or remembered has to move.
    """

    __slots__ = ("ahead_s", "steps")

    def __init__(self) -> None:
        self.ahead_s = 0.0
        """How far the wall clock is ahead of engine time: the sum of its steps."""
        self.steps = 0
        """How often it was set since the start."""

    def step(self, step_s: float) -> None:
        """The wall clock was set."""
        self.ahead_s += step_s
        self.steps += 1

    def iso_utc(self, at_s: float) -> str:
        """A moment of engine time as a document states it."""
        return iso_utc(at_s + self.ahead_s)

    def engine_s(self, wall_s: float) -> float:
        """The engine time of a moment that somebody else has read off a clock, in Unix seconds."""
        return wall_s - self.ahead_s


def unix_s(text: str) -> float:
    """Unix seconds of an ISO 8601 moment.

    Raises:
        ValueError: Not ISO 8601, or without an offset from UTC: a local time would be guessed.
    """
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is None:
        raise ValueError(f"'{text}' has no offset from UTC; write for instance 2026-03-01T12:00Z")
    return moment.timestamp()
