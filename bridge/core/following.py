"""The water is carried from reading to reading, through every disturbance."""

from math import hypot, log10
from typing import Final

from bridge.core.balance import Balance
from bridge.core.circumstances import LEAST_DEPARTURE_PSU
from bridge.core.departures import YOUNG_DOUBT_PSU, YOUNG_READINGS, Departures
from bridge.core.devices import Devices
from bridge.core.diagnosis_state import HOUR_S, SETTLED_SAMPLES, DiagnosisState
from bridge.core.episode import Model
from bridge.core.estimator import Physics, Water
from bridge.core.falls import GASSY_DOUBT_PSU, Falls
from bridge.core.findings import Cause
from bridge.core.inflow import Inflow
from bridge.core.pick_up import PickUp
from bridge.core.settings import EquipmentKind, Tank
from bridge.core.slow_trends import SlowTrends

RATED_INTERVAL_S: Final = 30.0
SIGMA_A_DECADE: Final = 0.7
"""The tail of the normal distribution falls by a factor of some thirty over this, near 5."""
DEPARTURE_SIGMA: Final = 4.5
"""Departure that no chance explains: seven in a million, times ten for heavier tails."""
FIRST_SD_PSU: Final = 0.5
"""Doubt about the very first reading, which may already be disturbed."""
CHANGING_PSU_ROOT_H: Final = 1.0
"""Wander of the water while somebody changes it."""
GASSY_SHARE: Final = 0.12
QUIET_SLACK: Final = 1.2
COARSE_FLOORS: Final = 3.0
"""Below this multiple of what rounding makes, quiet steps are rounding and tell no noise."""
LEAST_NOISE_PSU: Final = 0.004
TENTH_OF_STEPS: Final = 0.1257 * 1.4142
"""A tenth of the steps of white noise are smaller than this many standard deviations."""
NEIGHBOUR_NOISE_PSU: Final = 0.03
NEIGHBOUR_MEMORY_SAMPLES: Final = 2000


def departure_sigma(interval_s: float) -> float:
    """Departure that chance makes equally seldom in a day, however often readings come."""
    if interval_s >= RATED_INTERVAL_S:
        return DEPARTURE_SIGMA
    return DEPARTURE_SIGMA + SIGMA_A_DECADE * log10(RATED_INTERVAL_S / max(interval_s, 0.1))


class Follower:
    """Follows the water of one tank."""

    __slots__ = (
        "_balance",
        "_departures",
        "_devices",
        "_falls",
        "_inflow",
        "_light",
        "_may_rise",
        "_physics",
        "_pick_up",
        "_state",
        "_trends",
        "water",
    )

    def __init__(
        self,
        tank: Tank,
        state: DiagnosisState,
        physics: Physics,
        inflow: Inflow,
        devices: Devices,
        balance: Balance,
        trends: SlowTrends,
        pick_up: PickUp,
        falls: Falls,
        departures: Departures,
    ) -> None:
        self._state, self._physics = state, physics
        self._inflow, self._devices, self._balance = inflow, devices, balance
        self._trends, self._pick_up = trends, pick_up
        self._falls, self._departures = falls, departures
        self._light = [n for n, e in tank.equipment.items() if e.kind is EquipmentKind.LIGHT]
        plumbing = tank.plumbing
        self._may_rise = plumbing.salt_water_l_h > 0.0 or plumbing.flow_through_psu_h > 0.0
        self.water = Water(physics, state.water) if state.water is not None else None

    def probe(
        self,
        at_s: float,
        probe_psu: float,
        temperature_c: float,
        noise_psu: float,
        interval_s: float,
        floor_psu: float = LEAST_NOISE_PSU,
    ) -> None:
        """Take in one compensated reading.

        Args:
            at_s: When it was taken. [s]
            probe_psu: Compensated and calibrated. [psu]
            temperature_c: Of the water. [°C]
            noise_psu: Standard deviation of a clean reading, as learned. [psu]
            interval_s: Usual time between readings. [s]
            floor_psu: The part of it that rounding and thermometer make, which no calm between
                bubbles can lower. [psu]
        """
        state = self._state
        if self.water is None:
            self._begin(at_s, probe_psu, noise_psu)
            return
        water, departures = self.water, self._departures
        elapsed_h = max(at_s - (state.last_probe_s or at_s), 0.0) / HOUR_S
        change = self._inflow.advance(at_s, water.state.salinity_psu)
        if departures.episode is None:
            # The probe sees the addition itself, when it is mixed and not when it is metered.
            water.predict(at_s)
        else:
            water.predict(at_s, change.known_psu, change.known_sd_psu)
        self._follow_quiet_noise(probe_psu, noise_psu)
        if water.gas_share > GASSY_SHARE or state.cause is Cause.BUBBLES:
            noise_psu = self._noise_between(water, noise_psu, floor_psu)
        reading, noise = self._pick_up.without_devices(at_s, probe_psu, noise_psu, water.state)
        sd = water.sd(noise)
        below = (reading - water.state.salinity_psu) / sd <= -1.0
        deepest = self._falls.deepest_psu(at_s, water, change, elapsed_h, below=below)
        highest = change.fastest_rise_psu_h * elapsed_h if self._may_rise else 0.0
        self._consult_neighbour(at_s, water, reading, noise, interval_s)
        deviation = reading - water.state.salinity_psu
        usual = max(departure_sigma(interval_s) * sd, LEAST_DEPARTURE_PSU)
        inside = -deepest - usual <= deviation <= highest + usual
        if at_s < state.changing_until_s:
            departures.drop()
            water.widen(CHANGING_PSU_ROOT_H**2 * elapsed_h)
            water.observe(reading, noise)
        elif departures.episode is None and inside:
            if deviation < 0.0 and deepest > 0.2 * sd:
                self._falls.follow(
                    at_s, water, reading, noise, deepest, change.fall_prior, elapsed_h, interval_s
                )
            else:
                water.state.falling *= 0.5
                water.observe(reading, noise)
            self._undisturbed(at_s, water, probe_psu, temperature_c)
        else:
            departures.weigh(at_s, water, reading, noise, change, elapsed_h, interval_s)
        self._devices.sample(at_s, probe_psu, noise_psu, interval_s)
        state.last_probe_s = at_s

    def idle(self, at_s: float) -> None:
        """Time passed without a usable reading: carry the water, with growing doubt."""
        if self.water is None:
            return
        before_s = self.water.state.at_s
        change = self._inflow.advance(at_s, self.water.state.salinity_psu)
        self.water.predict(at_s, change.known_psu, change.known_sd_psu)
        self._departures.carry(self.water, (at_s - before_s) / HOUR_S)

    def estimate(self) -> tuple[float, float] | None:
        """The water's salinity and its variance (without calibration and thermometer)."""
        if self.water is None:
            return None
        water = self.water.state
        episode = self._departures.episode
        if episode is None:
            return water.salinity_psu, water.salinity_variance
        weights = episode.probabilities()
        real = weights[Model.WATER]
        follower = episode.state.follower_psu
        apart = follower - water.salinity_psu
        mean = water.salinity_psu + real * apart
        variance = (
            (1.0 - real) * water.salinity_variance
            + real * episode.state.follower_variance
            + real * (1.0 - real) * apart * apart
        )
        return mean, variance

    def _begin(self, at_s: float, probe_psu: float, noise_psu: float) -> None:
        self.water = Water.starting(self._physics, at_s, probe_psu, hypot(FIRST_SD_PSU, noise_psu))
        self._state.water = self.water.state
        self._state.started_s = self._state.last_probe_s = at_s
        self._state.since_s = at_s

    def _follow_quiet_noise(self, probe_psu: float, noise_psu: float) -> None:
        """Follow the lower tenth of the steps between readings, which bubbles hardly touch."""
        state = self._state
        if state.before_psu is None or state.quiet_psu == 0.0:
            state.quiet_psu = noise_psu
        else:
            step = abs(probe_psu - state.before_psu) / TENTH_OF_STEPS
            # Multiplicative quantile follower: one step down weighs nine steps up.
            state.quiet_psu *= 1.01 if step > state.quiet_psu else 0.9143
        state.before_psu = probe_psu
        state.readings += 1

    def _noise_between(self, water: Water, noise_psu: float, floor_psu: float) -> float:
        """The sensor's own noise: of what was learned, bubbles are a part."""
        state = self._state
        quiet_psu = QUIET_SLACK * state.quiet_psu
        if quiet_psu > COARSE_FLOORS * floor_psu:
            noise_psu = min(quiet_psu, noise_psu)
        # What was learned before the bubbles were understood was learned too firmly.
        doubt = GASSY_DOUBT_PSU if state.readings > YOUNG_READINGS else YOUNG_DOUBT_PSU
        water.doubt_at_least(doubt)
        return noise_psu

    def _consult_neighbour(
        self, at_s: float, water: Water, reading: float, noise: float, interval_s: float
    ) -> None:
        """Let the second probe carry the water, and say whose change it is.

        Probes age together, so that agreement is no proof against drift: the usual difference is
        followed within hours, and only quicker changes count.
        """
        neighbour, episode = self._state.neighbour, self._departures.episode
        if neighbour is None or at_s - neighbour.at_s > 3.0 * interval_s:
            return
        noise = max(2.0 * noise, NEIGHBOUR_NOISE_PSU)
        aligned = neighbour.probe_psu - neighbour.offset_psu
        apart = aligned - water.state.salinity_psu
        agrees = abs(apart) < DEPARTURE_SIGMA * water.sd(noise)
        if episode is None:
            neighbour.samples = min(neighbour.samples + 1, NEIGHBOUR_MEMORY_SAMPLES)
            neighbour.offset_psu += (
                neighbour.probe_psu - water.state.salinity_psu - neighbour.offset_psu
            ) / neighbour.samples
            return
        if neighbour.samples < SETTLED_SAMPLES:
            return
        weights = episode.state.weights
        if agrees:
            water.observe(aligned, noise, learn_gas=False)
            weights[Model.WATER] -= 1.0
        elif abs(aligned - reading) < DEPARTURE_SIGMA * noise:
            weights[Model.WATER] += 1.0

    def _undisturbed(
        self, at_s: float, water: Water, probe_psu: float, temperature_c: float
    ) -> None:
        state = self._state
        state.good_samples += 1
        state.outside = 0
        block = self._trends.block(at_s)
        block.add(probe_psu, temperature_c, water.state.salinity_psu)
        if self._light:
            lit = any(self._devices.state.devices[n].on for n in self._light)
            block.lit_share += ((1.0 if lit else 0.0) - block.lit_share) / block.samples
        if state.balance.low_psu is None and state.settled(at_s):
            self._balance.start(water.state.salinity_psu, self._trends.rise_psu_day())
