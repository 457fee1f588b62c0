"""What the engine wants done: publish, keep, tell. The shell carries it out.

Every reading is published and kept, so these two are named tuples: the cheapest to make of all
records that cannot be changed.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, NamedTuple


class Publish(NamedTuple):
    """An MQTT message to be sent."""

    at_s: float
    topic: str
    payload: bytes
    retain: bool = True
    qos: int = 1
    expires_after_s: float | None = None
    perishable: bool = False
    """Never to be queued while the broker is away (permits: they would arrive late)."""


class Record(NamedTuple):
    """One row for the history."""

    at_s: float
    tank: str
    kind: str
    """``sample``, ``equipment``, ``litres``, ``level``, ``cause``, ``permit``, ``alarm``,
    ``check``, ``calibration``, ``water-change``, ``command`` or ``service``."""
    data: Mapping[str, Any]


class Priority(StrEnum):
    """Alarm priorities."""

    LOW = "low"
    MEDIUM = "medium"
    HIGH = "high"


class NoticeKind(StrEnum):
    """What a notice tells."""

    RAISED = "raised"
    ACKNOWLEDGED = "acknowledged"
    """Somebody has seen it, or it was silenced: no more reminders. Not itself worth a message."""
    CLEARED = "cleared"


@dataclass(frozen=True, slots=True)
class Notice:
    """Something the keeper's phone should be told."""

    at_s: float
    tank: str
    alarm: str
    episode: str
    """Identifies the underlying episode, so that it is told once."""
    kind: NoticeKind
    priority: Priority
    title: str
    body: str
    """Reads well on a lock screen: what, how sure, what is held, what to do first."""


@dataclass(frozen=True, slots=True)
class Complaint:
    """Payloads without a usable value, for the log; at most one a minute for a topic."""

    at_s: float
    topic: str
    reason: str
    times: int
    """How many there were since the last complaint about this topic."""


Output = Publish | Record | Notice | Complaint
