"""What permits and alarms are judged by: one tank's circumstances at a moment."""

from dataclasses import dataclass
from enum import StrEnum

from bridge.core.findings import Assessment
from bridge.core.service import ServicePhase


class LevelCondition(StrEnum):
    """What the water level says."""

    ABSENT = "absent"
    """No level is configured."""
    UNKNOWN = "unknown"
    """A level is configured, but nothing usable came in the time it should have."""
    LOW = "low"
    NORMAL = "normal"
    HIGH = "high"


@dataclass(slots=True)
class Situation:
    """The circumstances, kept by the tank and changed in place.

    Every default is the one that holds: a situation nobody has filled in permits nothing.
    """

    at_s: float
    assessment: Assessment | None = None
    link_up: bool = False
    clock_settled: bool = False
    alone: bool = False
    """No other daemon is heard on the topics of this tank."""
    service: ServicePhase = ServicePhase.ACTIVE
    level: LevelCondition = LevelCondition.UNKNOWN
