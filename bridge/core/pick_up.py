"""Devices that are known to disturb the reading: what they do to it, and whether they still do."""

from math import exp, sqrt
from typing import Final

from bridge.core.devices import Devices, Effect, Verdict
from bridge.core.diagnosis_state import HOUR_S, DiagnosisState
from bridge.core.episode import EpisodeState, Model
from bridge.core.estimator import WaterState
from bridge.core.findings import Cause
from bridge.core.settings import EquipmentKind, Tank

KNOWN_SHARE: Final = 0.25
"""Doubt about the water, as a share of a step, up to which the step can be seen in a reading."""
LINGERS_CYCLES: Final = 1.5
"""Pick-up is over when its device has gone through a whole cycle without it."""
LONGEST_LINGER_S: Final = 36 * HOUR_S
LINGERING_LOG_ODDS: Final = 3.0
LEFT_OVER_SHARE: Final = 0.9


def _absent(verdict: Verdict, probe_psu: float, water: WaterState) -> bool:
    """Whether a known step can be seen not to be there in a reading."""
    if verdict.effect is not Effect.STEP:
        return False
    if water.salinity_variance >= (KNOWN_SHARE * verdict.size) ** 2:
        return False
    apart_psu = probe_psu - water.salinity_psu
    return abs(apart_psu) < abs(apart_psu - verdict.size)


class PickUp:
    """The known disturbers of one tank's probe."""

    __slots__ = ("_devices", "_dosers", "_state", "_tank")

    def __init__(self, tank: Tank, state: DiagnosisState, devices: Devices) -> None:
        self._tank, self._state, self._devices = tank, state, devices
        self._dosers = [n for n, e in tank.equipment.items() if e.kind is EquipmentKind.DOSER]

    def without_devices(
        self, at_s: float, probe_psu: float, noise_psu: float, water: WaterState
    ) -> tuple[float, float]:
        """Take the known effect of running devices out of a reading.

        Where the water is known well enough to see that a step is not there now (its cable was
        moved, or it lags), nothing is taken out.
        """
        if not self._devices.names or not (named := self._devices.named()):
            return probe_psu, noise_psu
        noise2 = noise_psu * noise_psu
        seen: set[str] = set()
        known = self._state.interference_device
        if known is not None and named[0][0] != known:
            # The first one named stays it, until it is no longer named at all.
            named.sort(key=lambda item: item[0] != known)
        for name, verdict in named:
            if not self._devices.state.devices[name].on or name in seen:
                continue
            seen.add(name)
            if name in self._dosers:
                continue
            if self._devices.fading(name, verdict) or _absent(verdict, probe_psu, water):
                continue
            if name == named[0][0]:
                # The strongest evidence names the device.
                size = abs(verdict.size) if verdict.effect is Effect.STEP else 0.0
                self.linger(at_s, name, size)
            if verdict.effect is Effect.STEP:
                probe_psu -= verdict.size
                noise2 += (0.25 * verdict.size) ** 2
            else:
                noise2 *= exp(2.0 * verdict.size)
        return probe_psu, sqrt(noise2)

    def linger(self, at_s: float, device: str, size_psu: float) -> None:
        """Take pick-up as going on until its device has had the time to show otherwise."""
        if device != self._state.interference_device or at_s > self._state.lingers_until_s:
            self._state.interference_psu = 0.0
        self._state.interference_psu = max(self._state.interference_psu, size_psu)
        lasting_s = LINGERS_CYCLES * self._devices.cycle_s(device) + 60.0
        self._state.interference_device = device
        self._state.lingers_until_s = at_s + min(lasting_s, LONGEST_LINGER_S)

    def weigh(self, at_s: float, odds: dict[Cause, float]) -> None:
        """Give its log odds to pick-up that was found and is not over."""
        device = self._state.interference_device
        if device is None or at_s >= self._state.lingers_until_s:
            return
        strength = LINGERING_LOG_ODDS
        for name, verdict in self._devices.named():
            if name == device:
                strength = min(verdict.log_odds, 8.0)
        cause = self.cause_of(device)
        odds[cause] = max(odds[cause], strength)

    def cause_of(self, name: str | None) -> Cause:
        """What pick-up is called, by the device that makes it."""
        if name is not None and self._tank.equipment[name].kind is EquipmentKind.OTHER_PROBE:
            return Cause.ADJACENT_PROBE
        return Cause.INTERFERENCE

    def culprit(self, state: EpisodeState) -> str | None:
        """The device that pick-up is put down to: one known to disturb, or the likeliest now."""
        if state.last_s < self._state.lingers_until_s:
            return self._state.interference_device
        weights = state.weights
        if weights[Model.NOISE] > weights[Model.STEP]:
            return state.noise_device
        return state.edge_device

    def attribute(self, spread: dict[Cause, float]) -> None:
        """What is left over while a device of known effect switches is most likely its doing."""
        name, episode = self._state.interference_device, self._state.episode
        if name is None or episode is None or episode.last_s >= self._state.lingers_until_s:
            return
        if max(episode.highest_psu, -episode.deepest_psu) > 2.0 * self._state.interference_psu:
            return
        cause = self.cause_of(name)
        for other in (Cause.BUBBLES, Cause.UNEXPLAINED, Cause.PLUME):
            moved = LEFT_OVER_SHARE * spread.get(other, 0.0)
            spread[other] = spread.get(other, 0.0) - moved
            spread[cause] = spread.get(cause, 0.0) + moved
