"""The permits of one tank: a gate for each, one call for all."""

from dataclasses import dataclass, field

from bridge.core.outputs import Output
from bridge.core.permit_gate import GateState, PermitStatus
from bridge.core.settings import Tank
from bridge.core.situation import Situation


@dataclass(slots=True)
class GatesState:
    """The persistent part of all gates of one tank."""

    gates: dict[str, GateState] = field(default_factory=dict)


class Gates:
    """All gates of one tank.

    Args:
        name: Identifier of the tank.
        tank: Its settings.
        base_topic: First level(s) of the topics published.
        boot_id: Identifies this run of the daemon; another one than in `state` is a restart.
        at_s: Now; nothing measured earlier counts after a restart.
        state: As saved; None for the first start.
    """

    state: GatesState
    wake_at_s: float
    """When something changes by time alone."""
    status: tuple[PermitStatus, ...]
    """Replaced (never mutated) when anything in it changes, so that `is` finds a change."""

    def __init__(
        self,
        name: str,
        tank: Tank,
        *,
        base_topic: str,
        boot_id: str,
        at_s: float,
        state: GatesState | None = None,
    ) -> None:
        raise NotImplementedError

    def evaluate(self, situation: Situation) -> "list[Output] | tuple[()]":
        """Decide anew; call it after every event that touched the tank, and on every Tick."""
        raise NotImplementedError

    def note_equipment(self, at_s: float, equipment: str, *, on: bool | None) -> None:
        """Take in a report of equipment; None for a report that could not be understood.

        Retained reports may be passed too. `evaluate` afterwards.
        """
        raise NotImplementedError

    def note_litres(self, at_s: float, litres: float) -> None:
        """Take in metered fresh water. `evaluate` afterwards."""
        raise NotImplementedError

    def bypass(self, at_s: float, permit: str, minutes: float, reason: str) -> list[Output]:
        """Start a bypass, or end it with 0 minutes. `evaluate` afterwards.

        Raises:
            UserError: No such permit, or too long.
        """
        raise NotImplementedError

    def acknowledge(self, at_s: float, alarm: str) -> None:
        """Let go of an overrun that was latched, when that was the alarm acknowledged."""
        raise NotImplementedError

    def shut_down(self, at_s: float) -> list[Output]:
        """Hold everything, for good, because the daemon is about to stop."""
        raise NotImplementedError
