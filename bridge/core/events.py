"""What can happen to the engine. Time is always an argument.

``at_s`` is engine time: Unix seconds that never step, because the shell derives them from a
monotonic clock. A step of the wall clock arrives as an event of its own.
"""

from dataclasses import dataclass
from typing import NamedTuple


class Message(NamedTuple):
    """An MQTT message, as it came off the wire; by far the most events are this."""

    at_s: float
    topic: str
    payload: bytes
    retained: bool = False


@dataclass(frozen=True, slots=True)
class Tick:
    """Time has passed; sent at or after ``Engine.wake_at_s``."""

    at_s: float


@dataclass(frozen=True, slots=True)
class LinkUp:
    """The broker is connected and every subscription was granted."""

    at_s: float


@dataclass(frozen=True, slots=True)
class LinkDown:
    """The broker is not reachable, or a subscription was refused."""

    at_s: float


@dataclass(frozen=True, slots=True)
class ClockStepped:
    """The wall clock jumped against the monotonic clock."""

    at_s: float
    step_s: float


@dataclass(frozen=True, slots=True)
class Shutdown:
    """The daemon is about to stop."""

    at_s: float


Event = Message | Tick | LinkUp | LinkDown | ClockStepped | Shutdown
