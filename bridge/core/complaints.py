"""What is wrong with incoming payloads, told sparingly."""

from dataclasses import dataclass
from typing import Final

from bridge.core.outputs import Complaint

EVERY_S: Final = 60.0


@dataclass(slots=True)
class _Told:
    at_s: float
    since: int


class Complaints:
    """Counts rejected payloads of each topic and tells of them once a minute at most.

    Nothing of it survives a restart; the first rejection of a topic is told at once.
    """

    __slots__ = ("_told",)

    def __init__(self) -> None:
        self._told: dict[str, _Told] = {}

    def rejected(self, at_s: float, topic: str, reason: str) -> list[Complaint]:
        """Count one; a complaint when it is time for one."""
        told = self._told.get(topic)
        if told is None:
            self._told[topic] = _Told(at_s, 0)
            return [Complaint(at_s, topic, reason, 1)]
        told.since += 1
        if at_s - told.at_s < EVERY_S:
            return []
        complaint = Complaint(at_s, topic, reason, told.since)
        told.at_s, told.since = at_s, 0
        return [complaint]
