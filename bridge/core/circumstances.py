"""What goes on around an implausible reading: switchings, doses, additions, the level.

It makes the prior odds of the explanations that then compete.
"""

from typing import Final

from bridge.core.balance import Balance
from bridge.core.devices import Devices, Effect
from bridge.core.diagnosis_state import HOUR_S, DiagnosisState
from bridge.core.episode import Model
from bridge.core.findings import Cause
from bridge.core.inflow import NO_ADDITION_ODDS, Inflow
from bridge.core.settings import EquipmentKind, Tank

LEAST_DEPARTURE_PSU: Final = 0.085
"""Smaller departures move no decision, and a thermometer that lags a heater by 0.1 degrees makes
them (PSS-78: 0.77 a degree)."""
LONGEST_PLUME_S: Final = 3600.0
"""Additions that nobody reports mix within the hour (common practice, no source)."""
RECURS_WITHIN_S: Final = 12 * HOUR_S
RECURRING: Final = 4.0
"""Troubles come in flocks: factor for the explanation that was the last one (assumed)."""
UNTOLD_ODDS: Final = 0.1
"""Factor for pick-up from something that is not configured, or tells late."""
GAS_COMES_WITHIN_S: Final = 180.0
"""A pump that starts sends its bubbles within minutes (common practice, no source)."""
USUALLY_SHOWING: Final = 0.25
"""Share of doses that show in the reading, before any was seen (assumed)."""
SUSPECTED: Final = 3.0
"""Factor for a device whose switching coincided before."""
NAMED_ODDS: Final = 1000.0
"""Factor on the prior odds at a switching of a device whose effect is known."""
ELECTRIC: Final = (Model.STEP, Model.NOISE)
RECURRING_MODELS: Final = {
    Cause.BUBBLES: (Model.PASSING, Model.LODGED),
    Cause.INTERFERENCE: ELECTRIC,
    Cause.ADJACENT_PROBE: ELECTRIC,
    Cause.PLUME: (Model.PLUME,),
    Cause.EXPOSED: (Model.EXPOSED,),
}


class Circumstances:
    """What is known around one tank's probe."""

    __slots__ = ("_balance", "_devices", "_dosers", "_inflow", "_state", "_tank")

    def __init__(
        self, tank: Tank, state: DiagnosisState, inflow: Inflow, devices: Devices, balance: Balance
    ) -> None:
        self._tank, self._state = tank, state
        self._inflow, self._devices, self._balance = inflow, devices, balance
        self._dosers = [n for n, e in tank.equipment.items() if e.kind is EquipmentKind.DOSER]

    def factors(
        self, at_s: float, interval_s: float, *, upward: bool
    ) -> tuple[dict[Model, float], str | None]:
        """Prior odds from what was going on at the start of an episode.

        Args:
            at_s: Its first sample. [s]
            interval_s: Usual time between readings. [s]
            upward: Whether that sample is above the water.

        Returns:
            Factors on the prior odds, and the device most likely to be the maker.
        """
        factors: dict[Model, float] = {}
        device = None
        if self._devices.names:
            device = self._device_factors(at_s, interval_s, factors)
        else:
            factors[Model.STEP] = factors[Model.NOISE] = 0.5
        self._inflow_factors(at_s, factors, upward=upward)
        last_s = self._state.last_episode_s
        if last_s is not None and at_s - last_s < RECURS_WITHIN_S:
            for model in RECURRING_MODELS.get(self._state.last_episode_cause, ()):
                if model not in ELECTRIC or device is not None:
                    factors[model] = RECURRING * factors.get(model, 1.0)
        return factors, device

    def _device_factors(
        self, at_s: float, interval_s: float, factors: dict[Model, float]
    ) -> str | None:
        """Odds by the switchings just before; returns the device most likely to be the maker."""
        before_s = self._state.last_probe_s or at_s
        electric, device = self.switching_odds(at_s, interval_s)
        gas = 1.0
        for name in self._devices.names:
            if self._moves_gas(name):
                ratio = self._devices.coincidence(name, at_s, before_s, interval_s)
                gas += 0.5 * ratio / len(self._devices.names)
        if gas == 1.0 and any(
            self._moves_gas(name)
            and at_s - (self._devices.state.devices[name].edge_s or 0.0) < GAS_COMES_WITHIN_S
            for name in self._devices.names
        ):
            gas = 2.0
        factors[Model.STEP] = factors[Model.NOISE] = electric
        noisy = self._devices.lately_started(at_s, interval_s)
        if noisy is not None:
            shown = self._devices.shown_before(noisy, Effect.NOISE)
            factors[Model.NOISE] = max(electric, UNTOLD_ODDS * shown)
        factors[Model.PASSING] = factors[Model.LODGED] = gas
        return device

    def switching_odds(self, at_s: float, interval_s: float) -> tuple[float, str | None]:
        """Odds that a change at this sample is pick-up, by the switchings just before.

        Returns:
            Factor on the prior odds, and the device most likely to be the maker.
        """
        before_s = self._state.last_probe_s or at_s
        named = {name for name, _ in self._devices.named()}
        odds, likeliest, device = UNTOLD_ODDS, 0.0, None
        for name in self._devices.names:
            ratio = self._devices.coincidence(name, at_s, before_s, interval_s)
            if ratio == 0.0 or name in self._dosers:
                continue
            if name in named:
                ratio = max(ratio, NAMED_ODDS)
            else:
                shown = self._devices.shown_before(name)
                ratio *= max(shown, SUSPECTED if name == self._state.suspect else 1.0)
            odds += ratio / len(self._devices.names)
            if ratio > likeliest:
                likeliest, device = ratio, name
        return odds, device

    def _inflow_factors(self, at_s: float, factors: dict[Model, float], *, upward: bool) -> None:
        dose_odds = self._dose_odds(at_s)
        if self._inflow.watched or self._dosers:
            odds = NO_ADDITION_ODDS
            if self._inflow.watched and not (upward and self._tank.plumbing.salt_water_l_h <= 0.0):
                odds = self._inflow.plume_odds(at_s, self._state.started_s or at_s)
            factors[Model.PLUME] = max(odds, dose_odds)
            factors[Model.WATER] = 2.0 if self._inflow.active(at_s) else 0.15
        if self._tank.plumbing.flow_through_psu_h > 0.0:
            # Water that is always renewed by the same sea has no top-off to mix.
            factors[Model.PLUME] = 1e-6
        level = self._balance.level_deviation()
        if level is not None:
            if level < -3.0:  # noqa: PLR2004
                factors[Model.EXPOSED] = 8.0
            else:
                factors[Model.EXPOSED] = 0.6
                if level < 2.0:  # noqa: PLR2004
                    factors[Model.WATER] = 0.5 * factors.get(Model.WATER, 1.0)
        for name in self._devices.names:
            if self._tank.equipment[name].kind is EquipmentKind.RETURN_PUMP:
                on = self._devices.state.devices[name].on
                if on is False:
                    factors[Model.EXPOSED] = 3.0 * factors.get(Model.EXPOSED, 1.0)

    def _dose_odds(self, at_s: float) -> float:
        """How much likelier a dip or peak now is if a dose makes it; 0 when none can."""
        best = 0.0
        for name in self._dosers:
            device = self._devices.state.devices[name]
            if not self._doses(name, at_s) or device.since_s is None:
                continue
            doses_s = [c.at_s for c in device.steps[-12:] if c.on]
            span_s = max(at_s - doses_s[0], 6 * HOUR_S) if doses_s else 6 * HOUR_S
            chance = (len(doses_s) + 1.0) / span_s * max(at_s - device.since_s, 60.0)
            # Doses that never showed before are not likely to show now.
            doses = [c for c in device.steps[-12:] if c.on]
            showed = sum(abs(c.change) > LEAST_DEPARTURE_PSU for c in doses)
            habit = min((showed + 0.5) / (len(doses) + 2.0) / USUALLY_SHOWING, 4.0)
            best = max(best, min(0.8 / min(chance, 1.0), 15.0) * habit)
        return best

    def _doses(self, name: str, at_s: float) -> bool:
        """Whether a doser runs, or did within the mixing time."""
        device = self._devices.state.devices[name]
        return device.since_s is not None and (
            bool(device.on)
            or (device.switchings > 0 and at_s - device.since_s < self._inflow.state.mixing_s)
        )

    def dosing(self, at_s: float) -> bool:
        """Whether a doser runs, or did within the mixing time."""
        return any(self._doses(name, at_s) for name in self._dosers)

    def _moves_gas(self, name: str) -> bool:
        return self._tank.equipment[name].kind in {
            EquipmentKind.SKIMMER,
            EquipmentKind.RETURN_PUMP,
        } and bool(self._devices.state.devices[name].on)

    def mixing_share(self, at_s: float) -> float:
        """How well a dip now still goes with added water: nothing lasts beyond the mixing."""
        if self._inflow.watched:
            return 1.0 if self._inflow.active(at_s) or self.dosing(at_s) else 0.5
        episode = self._state.episode
        young = episode is None or at_s - episode.start_s < LONGEST_PLUME_S
        return 1.0 if young else 0.5
