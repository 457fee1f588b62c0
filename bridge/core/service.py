"""Service mode: hands in the water. It holds every permit, and settles before it lets go."""

from dataclasses import dataclass
from enum import StrEnum
from math import inf
from typing import Final

from bridge.core.errors import UserError
from bridge.core.outputs import Output, Record

DEFAULT_MIN: Final = 60.0
"""Common practice, no source: a water change or a cleaning is done within the hour."""
LARGEST_MIN: Final = 480.0
"""Common practice, no source: a working day. Longer, and the mode has been forgotten."""
SMALLEST_SETTLING_S: Final = 600.0
"""Common practice, no source: stirred-up gas and dirt have passed after ten minutes."""


class ServicePhase(StrEnum):
    """Whether somebody works at the tank."""

    IDLE = "idle"
    ACTIVE = "active"
    SETTLING = "settling"


@dataclass(slots=True)
class ServiceState:
    """What survives a restart: hands do not leave the water because the daemon does."""

    phase: ServicePhase = ServicePhase.IDLE
    until_s: float | None = None
    """End of the present phase by time."""


class Service:
    """The service mode of one tank.

    Args:
        tank: Identifier of the tank.
        mixing_s: Time in which the tank mixes, when configured; settling lasts at least as
            long. [s]
        state: As saved; None for the first start.
    """

    def __init__(
        self, tank: str, *, mixing_s: float | None = None, state: ServiceState | None = None
    ) -> None:
        self.state = state or ServiceState()
        self._tank = tank
        self._settling_s = max(SMALLEST_SETTLING_S, mixing_s or 0.0)

    @property
    def phase(self) -> ServicePhase:
        """The present phase, as of the last call of `advance`, `start` or `end`."""
        return self.state.phase

    @property
    def wake_at_s(self) -> float:
        """When the phase ends by time alone; infinite when it does not."""
        return inf if self.state.until_s is None else self.state.until_s

    def start(self, at_s: float, minutes: float | None = None) -> list[Output]:
        """Begin, or prolong, service.

        Raises:
            UserError: The minutes are not in 0..480.
        """
        minutes = DEFAULT_MIN if minutes is None else minutes
        if not 0 < minutes <= LARGEST_MIN:
            raise UserError(
                f"service: minutes is {minutes:g}; accepted is above 0 up to {LARGEST_MIN:g}"
            )
        return self._enter(at_s, ServicePhase.ACTIVE, at_s + minutes * 60)

    def end(self, at_s: float) -> list[Output]:
        """End service by command; the tank settles from now.

        Raises:
            UserError: No service is under way.
        """
        if self.state.phase is not ServicePhase.ACTIVE:
            raise UserError("service: none is under way; start it with phase 'start'")
        return self._enter(at_s, ServicePhase.SETTLING, at_s + self._settling_s)

    def advance(self, at_s: float) -> list[Output]:
        """Let time pass: service ends by itself, and so does settling."""
        outputs: list[Output] = []
        while self.state.until_s is not None and at_s >= self.state.until_s:
            ended_s = self.state.until_s
            if self.state.phase is ServicePhase.ACTIVE:
                outputs += self._enter(ended_s, ServicePhase.SETTLING, ended_s + self._settling_s)
            else:
                outputs += self._enter(ended_s, ServicePhase.IDLE, None)
        return outputs

    def _enter(self, at_s: float, phase: ServicePhase, until_s: float | None) -> list[Output]:
        self.state.phase = phase
        self.state.until_s = until_s
        data = {"phase": phase.value, "until_s": until_s}
        return [Record(at_s, self._tank, "service", data)]
