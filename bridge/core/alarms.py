"""The alarms of one tank, and those of the whole installation."""

from dataclasses import dataclass

from bridge.core.outputs import Output
from bridge.core.permit_gate import PermitStatus
from bridge.core.settings import Tank
from bridge.core.situation import Situation


@dataclass(slots=True)
class AlarmsState:
    """The persistent part of all alarms of one tank."""


class TankAlarms:
    """All alarms of one tank."""

    state: AlarmsState
    wake_at_s: float

    def __init__(
        self, name: str, tank: Tank, *, base_topic: str, state: AlarmsState | None = None
    ) -> None:
        raise NotImplementedError

    def update(
        self, situation: Situation, permits: tuple[PermitStatus, ...]
    ) -> "list[Output] | tuple[()]":
        """Judge anew, with `Gates.status`; call it after `Gates.evaluate`."""
        raise NotImplementedError

    def acknowledge(self, at_s: float, alarm: str) -> list[Output]:
        """Acknowledge (then call `Gates.acknowledge` with the same name).

        Raises:
            UserError: No such alarm, or nothing to acknowledge.
        """
        raise NotImplementedError

    def shelve(self, at_s: float, alarm: str, minutes: float) -> list[Output]:
        """Silence an alarm for a time; 0 minutes takes it off the shelf.

        Raises:
            UserError: No such alarm, or too long.
        """
        raise NotImplementedError


class PlantAlarms:
    """Alarms that concern every tank: broker, clock, storage."""

    state: AlarmsState
    wake_at_s: float

    def __init__(self, *, base_topic: str, state: AlarmsState | None = None) -> None:
        raise NotImplementedError

    def update(
        self, at_s: float, *, link_up: bool, clock_settled: bool, storage_fault: str | None
    ) -> "list[Output] | tuple[()]":
        """Judge anew; call it on link, clock and storage events and on every Tick."""
        raise NotImplementedError
