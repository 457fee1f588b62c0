"""The permits of one tank: a gate for each, and one call for all that is cheap when idle."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from math import inf
from typing import Final

from bridge.core.calm import Calm, Marks
from bridge.core.errors import UserError
from bridge.core.outputs import Output
from bridge.core.permit_gate import Gate, GateState, PermitStatus, Trouble
from bridge.core.permit_reasons import (
    HOLD_PROBABILITY,
    START_MARGIN_C,
    START_MARGIN_PSU,
    START_PROBABILITY,
    START_UNCERTAINTY,
    margin,
)
from bridge.core.settings import Tank
from bridge.core.situation import Situation
from bridge.core.wire.instants import Calendar

MINUTE_S: Final = 60.0


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
        at_s: Now; nothing measured earlier counts after a restart. [Unix s]
        state: As saved; None for the first start.
        calendar: For the moments in the documents; left out, engine time.
    """

    def __init__(
        self,
        name: str,
        tank: Tank,
        *,
        base_topic: str,
        boot_id: str,
        at_s: float,
        state: GatesState | None = None,
        calendar: Calendar | None = None,
    ) -> None:
        calendar = calendar or Calendar()
        saved = {} if state is None else state.gates
        self._gates = tuple(
            Gate(
                name,
                permit_name,
                tank=tank,
                permit=permit,
                base_topic=base_topic,
                boot_id=boot_id,
                at_s=at_s,
                state=saved.get(permit_name),
                calendar=calendar,
            )
            for permit_name, permit in tank.permits.items()
        )
        self._by_name = {gate.name: gate for gate in self._gates}
        # A permit that is configured no longer takes its state with it.
        self.state = GatesState({gate.name: gate.state for gate in self._gates})
        self.status: tuple[PermitStatus, ...] = tuple(gate.status for gate in self._gates)
        """Replaced (never mutated) when anything in it changes, so that `is` finds a change."""
        self.wake_at_s = -inf if self._gates else inf
        """When something changes by time alone."""
        self._situation = Situation(at_s)
        self._awaiting = True
        """Whether the next reading decides something whatever it says."""
        largest_psu = tank.limits.largest_uncertainty_psu
        self._calm = Calm(
            salinity=_band_marks(
                (gate.limits.low_psu, gate.limits.high_psu, START_MARGIN_PSU)
                for gate in self._gates
            ),
            temperature=_band_marks(
                (gate.limits.low_c, gate.limits.high_c, START_MARGIN_C) for gate in self._gates
            ),
            uncertainty=Marks(ceilings=(START_UNCERTAINTY * largest_psu, largest_psu)),
            rivals=(START_PROBABILITY, HOLD_PROBABILITY),
        )

    def evaluate(self, situation: Situation) -> Sequence[Output]:
        """Decide anew; call it after every event that touched the tank, and on every Tick.

        Costs under a microsecond when nothing relevant has changed and nothing is due.
        """
        calm = not self._awaiting and self._calm.lasts(situation)
        if calm and situation.at_s < self.wake_at_s:
            return ()
        if not calm:
            self._calm.remember(situation)
        self._situation = situation
        outputs: list[Output] = []
        for gate in self._gates:
            outputs += gate.evaluate(situation, calm=calm)
        self._awaiting = any(gate.awaits_evidence for gate in self._gates)
        status = tuple(gate.status for gate in self._gates)
        if status != self.status:
            self.status = status
        self.wake_at_s = min((gate.wake_at_s for gate in self._gates), default=inf)
        return outputs

    def note_equipment(self, at_s: float, equipment: str, *, on: bool | None) -> None:
        """Take in a report of equipment; None for a report that could not be understood.

        Retained reports may be passed too: they tell a state, not that a sensor is alive.
        `evaluate` afterwards.
        """
        for gate in self._gates:
            if gate.permit.equipment == equipment:
                gate.note_equipment(at_s, on=on)
                self._calm.disturb()

    def note_litres(self, at_s: float, litres: float) -> None:
        """Take in metered fresh water. `evaluate` afterwards."""
        for gate in self._gates:
            gate.note_litres(at_s, litres)
        self._calm.disturb()

    def bypass(self, at_s: float, permit: str, minutes: float, reason: str) -> list[Output]:
        """Start a bypass, or end it with 0 minutes. `evaluate` afterwards.

        Raises:
            UserError: No such permit, or longer than its largest_bypass_min.
        """
        gate = self._by_name.get(permit)
        if gate is None:
            known = ", ".join(self._by_name) or "none: this tank has no permits"
            raise UserError(f"bypass: there is no permit '{permit}'; accepted are {known}")
        largest_min = gate.permit.largest_bypass_min
        if not 0 <= minutes <= largest_min:
            raise UserError(
                f"bypass: minutes is {minutes:g}; accepted is 0 (end it) up to {largest_min:g}"
            )
        until_s = at_s + minutes * MINUTE_S if minutes > 0 else None
        self._calm.disturb()
        return gate.bypass(at_s, until_s=until_s, reason=reason)

    def say_again(self) -> None:
        """Somebody else wrote over what was said. `evaluate` afterwards."""
        for gate in self._gates:
            gate.say_again()
        self._calm.disturb()

    def acknowledge(self, alarm: str) -> None:
        """Let go of a latched overrun, when that was the alarm acknowledged.

        `evaluate` afterwards.
        """
        for gate in self._gates:
            if alarm == f"{Trouble.OVERRUN}-{gate.name}":
                gate.acknowledge_overrun()
                self._calm.disturb()

    def shut_down(self, at_s: float) -> Sequence[Output]:
        """Hold everything, for good, because the daemon is about to stop."""
        for gate in self._gates:
            gate.shut_down()
        self._calm.disturb()
        return self.evaluate(replace(self._situation, at_s=at_s))


def _band_marks(bands: Iterable[tuple[float, float, float]]) -> Marks:
    floors: list[float] = []
    ceilings: list[float] = []
    for low, high, wanted in bands:
        inside = margin(low, high, wanted)
        floors += [low, low + inside]
        ceilings += [high - inside, high]
    return Marks(floors, ceilings)
