"""From samples to causes: the water is carried, departures are weighed, slow signs are collected.

One object per tank. It keeps the estimate of the water going through every disturbance and gives a
probability to every cause. Sentences about it are written elsewhere, only when somebody reads them.
"""

from dataclasses import dataclass, field
from math import exp, hypot, log, sqrt
from typing import Final

from bridge.core.balance import BAND_HOURS, SKIPPED_HOURS, Added, Balance, BalanceState
from bridge.core.blocks import Block, Blocks, BlocksState, quantile
from bridge.core.devices import Devices, DevicesState, Effect
from bridge.core.episode import Episode, EpisodeState, Model
from bridge.core.estimator import Physics, Water, WaterState
from bridge.core.findings import Cause
from bridge.core.inflow import NO_ADDITION_ODDS, Change, Inflow, InflowState
from bridge.core.settings import EquipmentKind, LevelUnit, Tank
from bridge.core.trends import Drift, TemperatureDependence, drift, temperature_dependence

HOUR_S: Final = 3600.0
DAY_H: Final = 24.0
DEPARTURE_SIGMA: Final = 4.5
"""Departure that no chance explains: seven in a million, times ten for heavier tails."""
LEAST_DEPARTURE_PSU: Final = 0.085
"""Smaller departures move no decision, and a thermometer that lags a heater by 0.1 degrees makes
them (PSS-78: 0.77 a degree)."""
FIRST_SD_PSU: Final = 0.5
"""Doubt about the very first reading, which may already be disturbed."""
TYPICAL_EVAPORATION_PCT_DAY: Final = 1.0
"""Carrier/ASHRAE for usual rooms: 0.5 to 2 % of the volume a day."""
EVAPORATION_SD_PCT_DAY: Final = 0.7
LOWEST_EVAPORATION_PCT_DAY: Final = -1.0
"""A net slope below zero stands for a slow leak or a continuous top-off."""
WANDER_PSU_ROOT_H: Final = 0.008
CARRIED_PSU_H: Final = 0.01
"""Growth of doubt while the probe is not believed: top-off may do nothing, or too much."""
LONGEST_UNSEEN_H: Final = 0.5
LONGEST_PLUME_S: Final = 3600.0
"""Additions that nobody reports mix within the hour (common practice, no source)."""
RUN_SLACK: Final = 1.4
RUN_SLACK_PSU: Final = 0.05
METER_LAG_H: Final = 2.0 / 60.0
RUNNING_ON: Final = 0.9
STILL_RUNNING: Final = 0.3
"""Prior for more fresh water while a fault is known to let it in (assumed)."""
RUNS_ON_S: Final = 1800.0
FALL_LASTS_H: Final = 0.07
"""A run of fresh water lasts some minutes (assumed)."""
CHANGING_PSU_ROOT_H: Final = 1.0
"""Wander of the water while somebody changes it."""
GASSY_SHARE: Final = 0.12
GASSY_DOUBT_PSU: Final = 0.01
YOUNG_DOUBT_PSU: Final = 0.02
YOUNG_READINGS: Final = 90
LEAST_READ_AGAIN: Final = 12
UPPER_EDGE: Final = 0.9
QUIET_SLACK: Final = 1.2
COARSE_FLOORS: Final = 3.0
"""Below this multiple of what rounding makes, quiet steps are rounding and tell no noise."""
LEAST_NOISE_PSU: Final = 0.004
TENTH_OF_STEPS: Final = 0.1257 * 1.4142
"""A tenth of the steps of white noise are smaller than this many standard deviations."""
SETTLED_SAMPLES: Final = 6
SETTLED_S: Final = 60.0
CONFIRMING_SAMPLES: Final = 2
CAUSE_ADVANTAGE: Final = 0.2
"""By how much another cause must be more probable to take over."""
LINGERS_CYCLES: Final = 1.5
"""Pick-up is over when its device has gone through a whole cycle without it."""
LONGEST_LINGER_S: Final = 36 * HOUR_S
LINGERING_LOG_ODDS: Final = 3.0
RECURS_WITHIN_S: Final = 12 * HOUR_S
RECURRING: Final = 4.0
"""Troubles come in flocks: factor for the explanation that was the last one (assumed)."""
COEFFICIENT_THAT_MATTERS_PCT: Final = 0.06
LEAST_DRIFT_PSU: Final = 0.08
SLOW_ADVANTAGE: Final = 0.5
ENDS_AFTER_S: Final = 1800.0
QUIET_LOG_ODDS: Final = -7.0

EXCURSIONS: Final = frozenset({Cause.DILUTION, Cause.CONCENTRATION, Cause.DRIFT})
LEAST_SKIPPED_HOURS: Final = 3
PACE_HOURS: Final = 12
MOVED_HOURS: Final = 3
USUAL_GAP_SLACK: Final = 2.0
"""The time between two top-offs may double with the weather (assumed)."""
DRIFT_REAL_STEP: Final = 0.2
EVAPORATION_DOUBT: Final = 0.3
LEAST_REPLACED: Final = 0.3
UNKNOWN_SHARE: Final = 0.3
"""Slow trends are the probe rather than the water, where nothing tells (judgement of the trade)."""
RECENT_DAYS: Final = 2
LEFT_OVER_SHARE: Final = 0.9
USUAL_SWING_UNITS: Final = 5.0
"""Swing of the level between two top-offs before it was learned, in mm or percent (assumed)."""
USUAL_SWING_SHARE: Final = 0.003
"""The same as a share of the volume, where litres per unit are known (assumed)."""
SIPHON_FACTOR: Final = 2.0
"""A siphon through the top-off hose may run faster than its pump (assumed)."""
HIGH_LEVEL: Final = 2.5
FILL_SLACK: Final = 3.0
"""A rise so much faster than the top-off is water that a pump left, not water that was added."""
REFILL_S: Final = 300.0
"""After the return pump starts, the display needs some minutes to fill (assumed)."""
LONGEST_REST_S: Final = 3600.0
"""A return pump that rests for longer is no feeding break: the level counts again (assumed)."""
LEVEL_LOG: Final = 1.0
UNTOLD_ODDS: Final = 0.1
"""Factor for pick-up from something that is not configured, or tells late."""
GAS_COMES_WITHIN_S: Final = 180.0
"""A pump that starts sends its bubbles within minutes (common practice, no source)."""
USUALLY_SHOWING: Final = 0.25
"""Share of doses that show in the reading, before any was seen (assumed)."""
SUSPECTED: Final = 3.0
"""Factor for a device whose switching coincided before."""
MOST_BY_SWITCHING: Final = 3.5
"""Largest log odds by one coincidence, which proves nothing."""
NAMED_ODDS: Final = 1000.0
"""Factor on the prior odds at a switching of a device whose effect is known."""
NEIGHBOUR_NOISE_PSU: Final = 0.03
NEIGHBOUR_MEMORY_SAMPLES: Final = 2000

CAUSES: Final = tuple(Cause)
NONE: Final = Cause.NONE
"""A local name: looking a member up on an enumeration costs more than a whole comparison."""
INDEX: Final = {cause: index for index, cause in enumerate(CAUSES)}


@dataclass(slots=True)
class CheckEvidence:
    """The newest reference check against the estimate."""

    at_s: float
    difference_psu: float
    """Estimate minus reference."""
    e_n: float
    instrument: str


@dataclass(slots=True)
class Neighbour:
    """A second probe in the same water, and how it usually differs from the estimate."""

    at_s: float
    probe_psu: float
    offset_psu: float = 0.0
    samples: int = 0


@dataclass(slots=True)
class DiagnosisState:
    """Everything that has to survive a restart."""

    water: WaterState | None = None
    episode: EpisodeState | None = None
    inflow: InflowState = field(default_factory=InflowState)
    devices: DevicesState = field(default_factory=DevicesState)
    balance: BalanceState = field(default_factory=BalanceState)
    blocks: BlocksState = field(default_factory=BlocksState)
    dependence: TemperatureDependence | None = None
    drift: Drift | None = None
    drift_real: float = UNKNOWN_SHARE
    """Share of that drift which is the water rather than the probe."""
    check: CheckEvidence | None = None
    neighbour: Neighbour | None = None
    cause: Cause = Cause.NONE
    since_s: float = 0.0
    doubted_s: float | None = None
    """Since when nothing speaks for the slow cause that is reported any more."""
    lingers_until_s: float = 0.0
    """Until when pick-up counts as going on, although its device rests."""
    good_samples: int = 0
    started_s: float | None = None
    last_probe_s: float | None = None
    outside: int = 0
    """Samples outside within the last few; one alone is provisional."""
    last_outside_s: float | None = None
    readings: int = 0
    """Since the first start."""
    before_psu: float | None = None
    """The reading before."""
    quiet_psu: float = 0.0
    """Noise of the quietest tenth of the readings."""
    interference_psu: float = 0.0
    """Largest departure that was put down to it."""
    suspect: str | None = None
    """Device whose switching last coincided with a change, one coincidence or more."""
    interference_device: str | None = None
    running_until_s: float = 0.0
    """Until when water that was found running in is expected to go on."""
    at_level_s: float | None = None
    """When the reading was last not below the water."""
    run_s: float = 0.0
    run_psu: float = 0.0
    """When the present addition began, and the water then."""
    changing_until_s: float = 0.0
    """Until when the water may change by hand."""
    last_episode_s: float | None = None
    last_episode_cause: Cause = Cause.NONE


@dataclass(slots=True)
class Faults:
    """What the wire and the sensors themselves say, judged outside."""

    silent: bool = False
    invalid: bool = False
    stuck: bool = False
    dry: bool = False
    """The thermometer moves as water cannot."""
    sudden: bool = False
    """Its newest reading alone does; that counts only when the probe moves with it."""
    unreadable: bool = False
    """The reading is outside what sea water can be."""


ELECTRIC: Final = (Model.STEP, Model.NOISE)
RECURRING_MODELS: Final = {
    Cause.BUBBLES: (Model.PASSING, Model.LODGED),
    Cause.INTERFERENCE: ELECTRIC,
    Cause.ADJACENT_PROBE: ELECTRIC,
    Cause.PLUME: (Model.PLUME,),
    Cause.EXPOSED: (Model.EXPOSED,),
}

NO_FAULTS: Final = Faults()
"""To be passed itself when there are none: that is quick to recognise."""
_UNLIKELY: Final = exp(QUIET_LOG_ODDS)
_CALM_TOTAL: Final = 1.0 + (len(CAUSES) - 1) * _UNLIKELY
CALM: Final = [(1.0 if cause is Cause.NONE else _UNLIKELY) / _CALM_TOTAL for cause in CAUSES]
"""Probabilities while nothing speaks against health."""


class Diagnosis:
    """One tank's estimate and causes."""

    __slots__ = (
        "_change",
        "_deviation",
        "_deviation_sigma",
        "_dosers",
        "_episode",
        "_light",
        "_return_pumps",
        "_trending",
        "balance",
        "blocks",
        "devices",
        "inflow",
        "physics",
        "probabilities",
        "state",
        "tank",
        "water",
    )

    def __init__(self, tank: Tank, state: DiagnosisState | None = None) -> None:
        self.tank = tank
        fresh = state is None
        self.state = state or DiagnosisState()
        self.physics = physics_of(tank, tank.limits.target_psu)
        self.water = Water(self.physics, self.state.water) if self.state.water is not None else None
        self._episode = Episode(self.state.episode) if self.state.episode is not None else None
        self.inflow = Inflow(tank, None if fresh else self.state.inflow)
        self.state.inflow = self.inflow.state
        self.devices = Devices(
            [n for n, e in tank.equipment.items() if e.kind is not EquipmentKind.TOP_OFF_PUMP],
            self.state.devices,
        )
        self.balance = Balance(self.state.balance)
        self._expect_level()
        self.blocks = Blocks(self.state.blocks)
        self.probabilities = [0.0] * len(CAUSES)
        self.probabilities[INDEX[Cause.NONE]] = 1.0
        self._dosers = [n for n, e in tank.equipment.items() if e.kind is EquipmentKind.DOSER]
        self._return_pumps = [
            n for n, e in tank.equipment.items() if e.kind is EquipmentKind.RETURN_PUMP
        ]
        self._light = [n for n, e in tank.equipment.items() if e.kind is EquipmentKind.LIGHT]
        self._change = Change()
        self._deviation = 0.0
        self._deviation_sigma = 0.0
        self._trending = self._trends()

    def _expect_level(self) -> None:
        """Start from the normal level where it is configured, so that it counts at once."""
        level, state = self.tank.level, self.state.balance
        if level is None or level.normal is None or state.level_normal is not None:
            return
        factor = level_factor(level.unit)
        state.level_normal = level.normal * factor
        state.level_spread = self._usual_swing()

    def _usual_swing(self) -> float:
        """Swing of the level to assume before it was seen, in its unit."""
        level = self.tank.level
        if level is None or level.litres_per_unit is None:
            return USUAL_SWING_UNITS
        swing = USUAL_SWING_SHARE * self.tank.volume_l / level.litres_per_unit
        return swing * level_factor(level.unit)

    # ------------------------------------------------------------------ evidence coming in

    def equipment(self, at_s: float, name: str, *, on: bool) -> None:
        """A device reported its state."""
        if self.tank.equipment[name].kind is EquipmentKind.TOP_OFF_PUMP:
            self._block(at_s).litres += self.inflow.pump(at_s, on=on)
            return
        switched = self.devices.switched(name, at_s, on=on)
        episode = self._episode
        if switched and episode is not None and episode.state.edge_device == name:
            episode.device_switched()

    def litres(self, at_s: float, litres: float) -> None:
        """Fresh water was metered."""
        water_psu = self.water.state.salinity_psu if self.water else self.tank.limits.target_psu
        self.inflow.litres(at_s, litres, water_psu)
        self._block(at_s).litres += litres

    def level(self, at_s: float, level: float) -> None:
        """A water level arrived."""
        if self._drained_back(at_s):
            return
        self.balance.level(at_s, level, self._fill_units_h())
        self._block(at_s).level = level

    def _fill_units_h(self) -> float:
        """How fast the top-off can raise the level, in its unit per hour.

        Where the litres of a unit are not configured, the usual swing of the level stands for the
        litres of a usual run.
        """
        rate_l_h = FILL_SLACK * self.inflow.rate_l_h
        settings, state = self.tank.level, self.state.balance
        if settings is not None and settings.litres_per_unit is not None:
            return rate_l_h / settings.litres_per_unit * level_factor(settings.unit)
        run_l = self.inflow.usual_run_l() or USUAL_SWING_SHARE * self.tank.volume_l
        return rate_l_h / run_l * max(state.level_spread, 1e-6)

    def _drained_back(self, at_s: float) -> bool:
        """Whether the return pump rests, or did just now: its water stands in the sump then."""
        for name in self._return_pumps:
            device = self.devices.state.devices[name]
            if device.since_s is None:
                continue
            rested_s = at_s - device.since_s
            if rested_s < (REFILL_S if device.on else LONGEST_REST_S) and (
                not device.on or device.switchings > 0
            ):
                return True
        return False

    def neighbour_reading(self, at_s: float, probe_psu: float) -> None:
        """The second probe's compensated reading; used with the next reading of the first."""
        neighbour = self.state.neighbour
        if neighbour is None:
            self.state.neighbour = Neighbour(at_s, probe_psu)
        else:
            neighbour.at_s, neighbour.probe_psu = at_s, probe_psu

    def known_change(self, change_psu: float, sd_psu: float, before_psu: float) -> None:
        """The water was changed on purpose, by an announced water change."""
        if self.water is not None:
            self.water.state.salinity_psu = before_psu + change_psu
            self.water.widen(sd_psu * sd_psu)
        moved_psu = change_psu - self.balance.brought_back(before_psu, change_psu)
        self.balance.shift(moved_psu)
        self.blocks.shift(moved_psu)
        # What was found before is to be found anew: no wait until it may end.
        self.state.doubted_s = 0.0

    def hands_in(self, until_s: float) -> None:
        """Work on the water began: until it is reported done, the reading is no evidence."""
        self.state.changing_until_s = until_s

    def water_changed(
        self, at_s: float, change_psu: float | None, before_psu: float | None
    ) -> None:
        """A water change is done; for the mixing time the reading may go where it will.

        Args:
            at_s: When. [s]
            change_psu: What it should make; None when litres or salinity were not told. [psu]
            before_psu: The water when it began. [psu]
        """
        if change_psu is not None and before_psu is not None:
            self.known_change(change_psu, 0.3 * abs(change_psu) + 0.1, before_psu)
        else:
            self.state.balance.low_psu = self.state.balance.high_psu = None
            self.state.blocks.finished.clear()
        if self.water is not None:
            self.water.widen(0.2**2)
        self.state.changing_until_s = at_s + max(3.0 * self.inflow.state.mixing_s, 1800.0)

    def trust_probe(self) -> None:
        """Take the next readings as the water again: after calibration, or a check that agrees."""
        self._episode = self.state.episode = None
        if self.water is not None:
            self.water.widen(FIRST_SD_PSU**2)
        self.state.outside = 0
        self.state.check = None
        self.state.balance.low_psu = self.state.balance.high_psu = None
        self.state.blocks.finished.clear()
        self.state.good_samples = 0
        self.state.dependence = self.state.drift = None
        self._trending = False

    # ------------------------------------------------------------------ samples

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
        state = self.state
        if self.water is None:
            self._begin(at_s, probe_psu, noise_psu)
            return
        water = self.water
        elapsed_h = max(at_s - (state.last_probe_s or at_s), 0.0) / HOUR_S
        change = self._change = self.inflow.advance(at_s, water.state.salinity_psu)
        if self._episode is None:
            # The probe sees the addition itself, when it is mixed and not when it is metered.
            water.predict(at_s)
        else:
            water.predict(at_s, change.known_psu, change.known_sd_psu)
        self._follow_quiet_noise(probe_psu, noise_psu)
        if water.gas_share > GASSY_SHARE or state.cause is Cause.BUBBLES:
            noise_psu = self._noise_between(water, noise_psu, floor_psu)
        reading, noise = self._without_devices(at_s, probe_psu, noise_psu)
        sd = water.sd(noise)
        self._deviation_sigma = (reading - water.state.salinity_psu) / sd
        deepest = self._deepest_fall(at_s, change, elapsed_h)
        highest = change.fastest_rise_psu_h * elapsed_h if self._may_rise else 0.0
        self._consult_neighbour(at_s, reading, noise, interval_s)
        deviation = self._deviation = reading - water.state.salinity_psu
        usual = max(DEPARTURE_SIGMA * sd, LEAST_DEPARTURE_PSU)
        inside = -deepest - usual <= deviation <= highest + usual
        if at_s < state.changing_until_s:
            self._episode = state.episode = None
            water.widen(CHANGING_PSU_ROOT_H**2 * elapsed_h)
            water.observe(reading, noise)
        elif self._episode is None and inside:
            if deviation < 0.0 and deepest > 0.2 * sd:
                self._follow_fall(at_s, reading, noise, deepest, elapsed_h, interval_s)
            else:
                water.state.falling *= 0.5
                water.observe(reading, noise)
            self._undisturbed(at_s, probe_psu, temperature_c)
        else:
            self._disturbed(at_s, reading, noise, elapsed_h, interval_s)
        self.devices.sample(at_s, probe_psu, noise_psu, interval_s)
        state.last_probe_s = at_s

    def _follow_fall(
        self,
        at_s: float,
        reading: float,
        noise: float,
        deepest: float,
        elapsed_h: float,
        interval_s: float,
    ) -> None:
        """A reading below the water, by no more than fresh water can have done."""
        state, water = self.state, self.water
        assert water is not None  # noqa: S101 - for the type checker; set by the caller
        before = water.state.salinity_psu
        running = water.state.falling * exp(-elapsed_h / FALL_LASTS_H)
        if at_s < state.running_until_s:
            running = max(running, STILL_RUNNING)
        prior = min(self._change.fall_prior + running, RUNNING_ON)
        weight = water.observe_fall(reading, noise, deepest, prior)
        if weight > 0.5:  # noqa: PLR2004
            if at_s < state.running_until_s:
                state.running_until_s = at_s + max(RUNS_ON_S, 6.0 * interval_s)
            self._block(at_s).fallen_psu += max(before - water.state.salinity_psu, 0.0)

    def _follow_quiet_noise(self, probe_psu: float, noise_psu: float) -> None:
        """Follow the lower tenth of the steps between readings, which bubbles hardly touch."""
        state = self.state
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
        state = self.state
        quiet_psu = QUIET_SLACK * state.quiet_psu
        if quiet_psu > COARSE_FLOORS * floor_psu:
            noise_psu = min(quiet_psu, noise_psu)
        # What was learned before the bubbles were understood was learned too firmly.
        doubt = GASSY_DOUBT_PSU if state.readings > YOUNG_READINGS else YOUNG_DOUBT_PSU
        water.doubt_at_least(doubt)
        return noise_psu

    def idle(self, at_s: float) -> None:
        """Time passed without a usable reading: carry the water, with growing doubt."""
        if self.water is None:
            return
        before_s = self.water.state.at_s
        change = self.inflow.advance(at_s, self.water.state.salinity_psu)
        self.water.predict(at_s, change.known_psu, change.known_sd_psu)
        self._carry((at_s - before_s) / HOUR_S)

    @property
    def _may_rise(self) -> bool:
        plumbing = self.tank.plumbing
        return plumbing.salt_water_l_h > 0.0 or plumbing.flow_through_psu_h > 0.0

    def _begin(self, at_s: float, probe_psu: float, noise_psu: float) -> None:
        self.water = Water.starting(self.physics, at_s, probe_psu, hypot(FIRST_SD_PSU, noise_psu))
        self.state.water = self.water.state
        self.state.started_s = self.state.last_probe_s = at_s
        self.state.since_s = at_s

    def _consult_neighbour(
        self, at_s: float, reading: float, noise: float, interval_s: float
    ) -> None:
        """Let the second probe carry the water, and say whose change it is.

        Probes age together, so that agreement is no proof against drift: the usual difference is
        followed within hours, and only quicker changes count.
        """
        neighbour, water = self.state.neighbour, self.water
        if neighbour is None or water is None or at_s - neighbour.at_s > 3.0 * interval_s:
            return
        noise = max(2.0 * noise, NEIGHBOUR_NOISE_PSU)
        aligned = neighbour.probe_psu - neighbour.offset_psu
        apart = aligned - water.state.salinity_psu
        agrees = abs(apart) < DEPARTURE_SIGMA * water.sd(noise)
        if self._episode is None:
            neighbour.samples = min(neighbour.samples + 1, NEIGHBOUR_MEMORY_SAMPLES)
            neighbour.offset_psu += (
                neighbour.probe_psu - water.state.salinity_psu - neighbour.offset_psu
            ) / neighbour.samples
            return
        if neighbour.samples < SETTLED_SAMPLES:
            return
        weights = self._episode.state.weights
        if agrees:
            water.observe(aligned, noise, learn_gas=False)
            weights[Model.WATER] -= 1.0
        elif abs(aligned - reading) < DEPARTURE_SIGMA * noise:
            weights[Model.WATER] += 1.0

    def _without_devices(
        self, at_s: float, probe_psu: float, noise_psu: float
    ) -> tuple[float, float]:
        """Take the known effect of running devices out of a reading."""
        if not self.devices.names or not (named := self.devices.named()):
            return probe_psu, noise_psu
        noise2 = noise_psu * noise_psu
        seen: set[str] = set()
        known = self.state.interference_device
        if known is not None and named[0][0] != known:
            # The first one named stays it, until it is no longer named at all.
            named.sort(key=lambda item: item[0] != known)
        for name, verdict in named:
            if not self.devices.state.devices[name].on or name in seen:
                continue
            seen.add(name)
            if name in self._dosers:
                continue
            if self.devices.fading(name, verdict):
                continue
            if name == named[0][0]:
                # The strongest evidence names the device.
                size = abs(verdict.size) if verdict.effect is Effect.STEP else 0.0
                self._linger(at_s, name, size)
            if verdict.effect is Effect.STEP:
                probe_psu -= verdict.size
                noise2 += (0.25 * verdict.size) ** 2
            else:
                noise2 *= exp(2.0 * verdict.size)
        return probe_psu, sqrt(noise2)

    def _deepest_fall(self, at_s: float, change: Change, elapsed_h: float) -> float:
        """Largest healthy fall since the last sample: to the lower edge of the band at most."""
        state = self.state
        if self._deviation_sigma > -1.0 or state.at_level_s is None:
            state.at_level_s = at_s - elapsed_h * HOUR_S
        # A fall may have begun when the reading was last seen where the water was.
        hours = min(max((at_s - state.at_level_s) / HOUR_S, elapsed_h), LONGEST_UNSEEN_H)
        possible = change.fastest_fall_psu_h * max(hours, elapsed_h)
        if at_s < self.state.running_until_s:
            return SIPHON_FACTOR * possible
        if self.tank.plumbing.flow_through_psu_h > 0.0:
            return possible
        if self.inflow.state.pump_on:
            return min(possible, self._left_of_run(at_s))
        water_psu = self.water.state.salinity_psu if self.water else 0.0
        low = self.state.balance.low_psu
        metered = self.inflow.litres_since(at_s - 3.0 * self.inflow.state.mixing_s)
        room = 0.1 if low is None else max(water_psu - low, 0.0) + 0.05
        room += 1.2 * water_psu * metered / self.tank.volume_l
        return min(possible, room)

    def _left_of_run(self, at_s: float) -> float:
        """Fall that the running addition can still make: more is water that is not mixed yet."""
        state, water = self.state, self.water
        start_s = self.inflow.state.run_start_s
        if water is None or start_s is None:
            return 0.0
        if state.run_s != start_s:
            state.run_s, state.run_psu = start_s, water.state.salinity_psu
        if state.run_psu == 0.0:
            return RUN_SLACK_PSU
        hours = max(at_s - start_s, 0.0) / HOUR_S
        litres = hours * self.inflow.rate_l_h
        if self.inflow.metered:
            # A meter may tell a minute late, or only at the end: then the usual run counts.
            told = self.inflow.litres_since(start_s - METER_LAG_H * HOUR_S)
            told += told / max(hours, METER_LAG_H) * METER_LAG_H
            told = max(told, self.inflow.usual_run_l())
            litres = min(litres, told) if told > 0.0 else litres
        made_psu = RUN_SLACK * litres / self.tank.volume_l * state.run_psu
        fallen_psu = state.run_psu - water.state.salinity_psu
        return max(made_psu + RUN_SLACK_PSU - fallen_psu, 0.0)

    def _undisturbed(self, at_s: float, probe_psu: float, temperature_c: float) -> None:
        state = self.state
        assert self.water is not None  # noqa: S101 - for the type checker; set by every caller
        state.good_samples += 1
        state.outside = 0
        block = self._block(at_s)
        block.add(probe_psu, temperature_c, self.water.state.salinity_psu)
        if self._light:
            lit = any(self.devices.state.devices[n].on for n in self._light)
            block.lit_share += ((1.0 if lit else 0.0) - block.lit_share) / block.samples
        if state.balance.low_psu is None and self.settled(at_s):
            self.balance.start(self.water.state.salinity_psu, self._rise_psu_day())

    def _rise_psu_day(self) -> float:
        learned = self.water.state.slope_psu_h if self.water else 0.0
        return max(learned, self.physics.slope_psu_h) * DAY_H

    def _dependence_that_matters(self) -> TemperatureDependence | None:
        found = self.state.dependence
        matters = found is not None and abs(found.pct_per_c) > COEFFICIENT_THAT_MATTERS_PCT
        return found if matters else None

    def _drift_that_matters(self) -> Drift | None:
        found = self.state.drift
        return found if found is not None and abs(found.total_psu) > LEAST_DRIFT_PSU else None

    def _trends(self) -> bool:
        """Whether a trend is worth to be weighed with every reading."""
        return self._dependence_that_matters() is not None or self._drift_that_matters() is not None

    def _usual_rise_psu(self) -> float:
        """Rise between two top-offs: of a day, or of the usual time between the runs seen."""
        gap_s = self.inflow.state.usual_gap_s
        share = 1.0 if gap_s is None else min(USUAL_GAP_SLACK * gap_s / HOUR_S / DAY_H, 1.0)
        return self._rise_psu_day() * share

    def _tooth_psu(self, salinity_psu: float) -> float:
        """Fall by a usual run of the top-off, half as much again; 0 when nobody tells. [psu]."""
        return 1.5 * self.inflow.usual_run_l() / self.tank.volume_l * salinity_psu

    def _moved_psu(self, salinity_psu: float) -> float:
        """How far the estimate moved over the last two or three hours. [psu]."""
        blocks = self.blocks.recent(MOVED_HOURS)
        return salinity_psu - blocks[0].middle_psu if blocks else 0.0

    def _pace_psu_h(self, at_s: float, salinity_psu: float) -> float:
        """How fast the estimate moved over the last few hours. [psu/h]."""
        blocks = self.blocks.recent(PACE_HOURS)
        if not blocks:
            return 0.0
        hours = at_s / HOUR_S - (blocks[0].hour + 0.5)
        return (salinity_psu - blocks[0].middle_psu) / hours if hours >= 1.0 else 0.0

    def _block(self, at_s: float) -> Block:
        """The running hour; whoever comes first in a new one has the last one judged."""
        block, rolled = self.blocks.at(at_s)
        if rolled:
            self._hourly()
        return block

    def _hourly(self) -> None:
        state = self.state
        if self.water is None:
            return
        seen = len(self.blocks.recent(BAND_HOURS))
        skipped = min(max(seen // 2, LEAST_SKIPPED_HOURS), SKIPPED_HOURS)
        self.balance.hourly(
            self.water.state.at_s,
            self.water.state.salinity_psu,
            self.blocks.recent(BAND_HOURS + skipped, skip=skipped),
            self._usual_rise_psu(),
            self._usual_swing(),
        )
        if self.inflow.watched:
            self.balance.usual_litres(self.blocks.litres_by_day())
        if self.tank.plumbing.flow_through_psu_h > 0.0:
            return
        salinity_psu = self.water.state.salinity_psu
        state.dependence = temperature_dependence(self.blocks.recent(240), salinity_psu)
        known = state.drift is not None
        state.drift = drift(self.blocks.recent(14 * 24), state.dependence)
        if state.drift is not None:
            # Litres come in lumps: the share is followed from hour to hour.
            share = self._real_share_of_drift(state.drift)
            step = DRIFT_REAL_STEP if known else 1.0
            state.drift_real += step * (share - state.drift_real)
        self._trending = self._trends()

    def _disturbed(
        self, at_s: float, reading: float, noise: float, elapsed_h: float, interval_s: float
    ) -> None:
        """A reading that the water cannot explain, or the time after one."""
        state, water, change = self.state, self.water, self._change
        assert water is not None  # noqa: S101
        if self._episode is None:
            self._open(at_s, reading, interval_s)
            state.outside = 0
        episode = self._episode
        assert episode is not None  # noqa: S101
        before = (episode.state.samples, episode.state.clean_run > 0)
        episode.sample(
            at_s,
            reading,
            water.state.salinity_psu,
            water.state.salinity_variance,
            noise,
            SIPHON_FACTOR * change.fastest_fall_psu_h,
            change.fastest_rise_psu_h,
            shallow_psu=water.state.shallow_psu,
            mixing=self._mixing_share(at_s),
            salty=episode.state.salty or self._dosing(at_s),
        )
        clean = episode.state.clean_run > 0
        if before[0] > 0 and before[1] != clean:
            self._consult_switching(at_s, interval_s, episode)
        if not clean:
            state.outside += 1
            state.last_outside_s = at_s
        self._consult_level(episode)
        weights = episode.probabilities()
        best = max(range(len(weights)), key=weights.__getitem__)
        if best == Model.PLUME and not clean:
            self.inflow.dipped()
            self._take_back()
        # What jumped where no plumbing reaches, and rested there, is not followed for what it does
        # later: water that runs in neither jumps nor rests.
        if (
            best == Model.WATER
            and weights[best] > 0.9  # noqa: PLR2004
            and episode.state.samples >= 6  # noqa: PLR2004
            and not (episode.state.rested and episode.state.unreachable > 0)
        ):
            self._go_on_from(at_s, water, episode.state, noise, interval_s)
        elif clean:
            water.observe(reading, noise)
            gassy = best in {Model.PASSING, Model.LODGED, Model.NOISE, Model.PLUME}
            if episode.over(at_s, interval_s, comes_again=gassy):
                self._close(at_s)
        elif best == Model.PASSING:
            # Given passing bubbles, a good part of the readings holds gas.
            water.expect_gas()
            if state.readings <= YOUNG_READINGS:
                self._read_again(water)
            water.observe(reading, noise)
            self._carry(elapsed_h)
        else:
            self._carry(elapsed_h)

    def _go_on_from(
        self, at_s: float, water: Water, episode: EpisodeState, noise: float, interval_s: float
    ) -> None:
        """The water itself has moved: go on from where the plumbing can have brought it."""
        follower = episode.follower_psu
        self._block(at_s).fallen_psu += max(episode.before_psu - follower, 0.0)
        water.settle_at(follower, sqrt(episode.follower_variance) + 0.5 * noise)
        if episode.rate_psu_h < 0.0:
            water.state.falling = RUNNING_ON
            self.state.running_until_s = at_s + max(RUNS_ON_S, 6.0 * interval_s)
        self._close(at_s)

    def _take_back(self) -> None:
        """Take back what of a plume was first followed as a fall of the water."""
        state, water, inflow = self.state, self.water, self.inflow.state
        start_s = inflow.run_start_s
        if water is None or start_s is None or state.run_s != start_s or state.run_psu == 0.0:
            return
        told = self.inflow.litres_since(start_s - METER_LAG_H * HOUR_S)
        fallen_psu = told / self.tank.volume_l * state.run_psu + inflow.pending_psu
        mixed_psu = state.run_psu - max(fallen_psu, 0.0)
        if mixed_psu > water.state.salinity_psu:
            water.settle_at(mixed_psu, max(sqrt(water.state.salinity_variance), GASSY_DOUBT_PSU))
        state.run_psu = 0.0

    def _consult_switching(self, at_s: float, interval_s: float, episode: Episode) -> None:
        """A reading that leaves or returns at a switching speaks for pick-up, any other against."""
        if not self.devices.names:
            return
        odds, device = self._switching_odds(at_s, interval_s)
        change = min(max(log(odds), -MOST_BY_SWITCHING), MOST_BY_SWITCHING)
        state = episode.state
        state.priors[Model.STEP] += change
        state.weights[Model.STEP] += change
        if device is not None and odds > 1.0:
            self.state.suspect = device
            if state.edge_device is None:
                state.edge_device = device

    def _consult_level(self, episode: Episode) -> None:
        """Water in surplus, seen by the level, speaks for a real fall; each sample a little."""
        level = self.balance.level_deviation()
        if level is None or level < HIGH_LEVEL or self._deviation > 0.0:
            return
        state = episode.state
        if state.priors[Model.WATER] < max(state.priors):
            state.priors[Model.WATER] += LEVEL_LOG
            state.weights[Model.WATER] += LEVEL_LOG
            state.unreachable = max(state.unreachable - 1, 0)

    def _read_again(self, water: Water) -> None:
        """Read the first readings in the light of bubbles: the water is near their upper edge."""
        readings = self.devices.state.readings
        if len(readings) >= LEAST_READ_AGAIN:
            edge_psu = quantile(list(readings), UPPER_EDGE)
            if edge_psu > water.state.salinity_psu:
                water.settle_at(edge_psu, YOUNG_DOUBT_PSU)

    def _mixing_share(self, at_s: float) -> float:
        """How well a dip now still goes with added water: nothing lasts beyond the mixing."""
        if self.inflow.watched:
            return 1.0 if self.inflow.active(at_s) or self._dosing(at_s) else 0.5
        episode = self.state.episode
        young = episode is None or at_s - episode.start_s < LONGEST_PLUME_S
        return 1.0 if young else 0.5

    def _carry(self, hours: float) -> None:
        """Doubt grows in proportion to time while nothing is observed."""
        if self.water is None or hours <= 0.0:
            return
        doubt = sqrt(self.water.state.salinity_variance) + CARRIED_PSU_H * hours
        self.water.state.salinity_variance = doubt * doubt
        self._keep_in_band()

    def _keep_in_band(self) -> None:
        """Top-off ends the climb at the top of the band; unseen, it is taken to go on working."""
        high, water = self.state.balance.high_psu, self.water
        if water is None or high is None or self.inflow.watched:
            return
        if water.state.slope_psu_h > 0.0 and water.state.salinity_psu > high:
            self.water = water
            water.state.salinity_psu = max(high, water.state.salinity_psu - 0.02)

    def _open(self, at_s: float, reading: float, interval_s: float) -> None:
        water = self.water
        assert water is not None  # noqa: S101
        factors, device = self._circumstances(at_s, interval_s)
        episode = Episode.opening(
            at_s, water.state.salinity_psu, water.state.salinity_variance, reading, factors
        )
        episode.state.edge_device = device
        episode.state.noise_device = self.devices.lately_started(at_s, interval_s) or device
        episode.state.addition = self.inflow.active(at_s)
        episode.state.salty = self._dosing(at_s)
        # The follower starts where the last sample left the water.
        episode.state.last_s = self.state.last_probe_s or at_s
        self._episode = episode
        self.state.episode = episode.state

    def _circumstances(
        self, at_s: float, interval_s: float
    ) -> tuple[dict[Model, float], str | None]:
        """Prior odds from what was going on at the start of an episode."""
        factors: dict[Model, float] = {}
        device = None
        if self.devices.names:
            device = self._device_factors(at_s, interval_s, factors)
        else:
            factors[Model.STEP] = factors[Model.NOISE] = 0.5
        self._inflow_factors(at_s, factors, upward=self._deviation > 0.0)
        last_s = self.state.last_episode_s
        if last_s is not None and at_s - last_s < RECURS_WITHIN_S:
            for model in RECURRING_MODELS.get(self.state.last_episode_cause, ()):
                if model not in ELECTRIC or device is not None:
                    factors[model] = RECURRING * factors.get(model, 1.0)
        return factors, device

    def _device_factors(
        self, at_s: float, interval_s: float, factors: dict[Model, float]
    ) -> str | None:
        """Odds by the switchings just before; returns the device most likely to be the maker."""
        before_s = self.state.last_probe_s or at_s
        electric, device = self._switching_odds(at_s, interval_s)
        gas = 1.0
        for name in self.devices.names:
            if self._moves_gas(name):
                ratio = self.devices.coincidence(name, at_s, before_s, interval_s)
                gas += 0.5 * ratio / len(self.devices.names)
        if gas == 1.0 and any(
            self._moves_gas(name)
            and at_s - (self.devices.state.devices[name].edge_s or 0.0) < GAS_COMES_WITHIN_S
            for name in self.devices.names
        ):
            gas = 2.0
        factors[Model.STEP] = factors[Model.NOISE] = electric
        factors[Model.PASSING] = factors[Model.LODGED] = gas
        return device

    def _switching_odds(self, at_s: float, interval_s: float) -> tuple[float, str | None]:
        """Odds that a change at this sample is pick-up, by the switchings just before.

        Returns:
            Factor on the prior odds, and the device most likely to be the maker.
        """
        before_s = self.state.last_probe_s or at_s
        named = {name for name, _ in self.devices.named()}
        odds, likeliest, device = UNTOLD_ODDS, 0.0, None
        for name in self.devices.names:
            ratio = self.devices.coincidence(name, at_s, before_s, interval_s)
            if ratio == 0.0 or name in self._dosers:
                continue
            if name in named:
                ratio = max(ratio, NAMED_ODDS)
            elif name == self.state.suspect:
                ratio *= SUSPECTED
            odds += ratio / len(self.devices.names)
            if ratio > likeliest:
                likeliest, device = ratio, name
        return odds, device

    def _inflow_factors(self, at_s: float, factors: dict[Model, float], *, upward: bool) -> None:
        dose_odds = self._dose_odds(at_s)
        if self.inflow.watched or self._dosers:
            odds = NO_ADDITION_ODDS
            if self.inflow.watched and not (upward and self.tank.plumbing.salt_water_l_h <= 0.0):
                odds = self.inflow.plume_odds(at_s, self.state.started_s or at_s)
            factors[Model.PLUME] = max(odds, dose_odds)
            factors[Model.WATER] = 2.0 if self.inflow.active(at_s) else 0.15
        if self.tank.plumbing.flow_through_psu_h > 0.0:
            # Water that is always renewed by the same sea has no top-off to mix.
            factors[Model.PLUME] = 1e-6
        level = self.balance.level_deviation()
        if level is not None:
            if level < -3.0:  # noqa: PLR2004
                factors[Model.EXPOSED] = 8.0
            else:
                factors[Model.EXPOSED] = 0.6
                if level < 2.0:  # noqa: PLR2004
                    factors[Model.WATER] = 0.5 * factors.get(Model.WATER, 1.0)
        for name in self.devices.names:
            if self.tank.equipment[name].kind is EquipmentKind.RETURN_PUMP:
                on = self.devices.state.devices[name].on
                if on is False:
                    factors[Model.EXPOSED] = 3.0 * factors.get(Model.EXPOSED, 1.0)

    def _dose_odds(self, at_s: float) -> float:
        """How much likelier a dip or peak now is if a dose makes it; 0 when none can."""
        best = 0.0
        for name in self._dosers:
            device = self.devices.state.devices[name]
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
        device = self.devices.state.devices[name]
        return device.since_s is not None and (
            bool(device.on)
            or (device.switchings > 0 and at_s - device.since_s < self.inflow.state.mixing_s)
        )

    def _dosing(self, at_s: float) -> bool:
        """Whether a doser runs, or did within the mixing time."""
        return any(self._doses(name, at_s) for name in self._dosers)

    def _moves_gas(self, name: str) -> bool:
        return self.tank.equipment[name].kind in {
            EquipmentKind.SKIMMER,
            EquipmentKind.RETURN_PUMP,
        } and bool(self.devices.state.devices[name].on)

    def _close(self, at_s: float) -> None:
        episode = self.state.episode
        if self.confirmed and episode is not None:
            self.state.last_episode_s = at_s
            self.state.last_episode_cause = self._concluded(episode)
            device = self._culprit(episode)
            if device is not None and self.state.cause is self._device_cause(device):
                self._linger(at_s, device, max(episode.highest_psu, -episode.deepest_psu))
        self._episode = self.state.episode = None
        self.state.outside = 0

    def _concluded(self, episode: EpisodeState) -> Cause:
        """What an episode was, with all that is known at its end."""
        assert self._episode is not None  # noqa: S101 - for the type checker
        weights = self._episode.probabilities()
        if weights[Model.STEP] + weights[Model.NOISE] > 0.5:  # noqa: PLR2004
            return self._device_cause(self._culprit(episode))
        return self.state.cause

    # ------------------------------------------------------------------ conclusions

    @property
    def episode(self) -> EpisodeState | None:
        """The running episode, confirmed or not."""
        return self.state.episode

    @property
    def confirmed(self) -> bool:
        """Whether an episode is more than a single odd sample."""
        return self._episode is not None and self.state.outside >= CONFIRMING_SAMPLES

    def settled(self, at_s: float) -> bool:
        """Whether enough good samples came since the start to rely on the estimate."""
        state = self.state
        if state.started_s is None:
            return False
        return state.good_samples >= SETTLED_SAMPLES and at_s - state.started_s >= SETTLED_S

    def estimate(self) -> tuple[float, float] | None:
        """The water's salinity and its variance (without calibration and thermometer)."""
        if self.water is None:
            return None
        water = self.water.state
        if self._episode is None:
            return water.salinity_psu, water.salinity_variance
        weights = self._episode.probabilities()
        real = weights[Model.WATER]
        follower = self._episode.state.follower_psu
        apart = follower - water.salinity_psu
        mean = water.salinity_psu + real * apart
        variance = (
            (1.0 - real) * water.salinity_variance
            + real * self._episode.state.follower_variance
            + real * (1.0 - real) * apart * apart
        )
        return mean, variance

    def conclude(self, at_s: float, faults: Faults) -> Cause:
        """Give every cause its probability and pick the one that is reported."""
        if self._calm(at_s, faults):
            self.balance.inside()
            self.probabilities = CALM
            return NONE if self.state.cause is NONE else self._choose(at_s)
        probabilities = self._slow(at_s, corrected=not (faults.dry or faults.sudden))
        if self.confirmed and self._episode is not None:
            self._mix_episode(probabilities, faults)
        self._mix_faults(probabilities, faults)
        total = sum(probabilities)
        self.probabilities = [p / total for p in probabilities]
        return self._choose(at_s)

    def _calm(self, at_s: float, faults: Faults) -> bool:
        """Whether there is nothing to weigh: by far the most moments, so this is quick."""
        state = self.state
        if self._episode is not None or faults is not NO_FAULTS or state.check is not None:
            return False
        if at_s < state.lingers_until_s:
            return False
        if self._trending:
            return False
        water, balance = self.water, state.balance
        if water is None or balance.low_psu is None or balance.high_psu is None:
            return water is None or balance.low_psu is None
        return balance.low_psu <= water.state.salinity_psu <= balance.high_psu

    def _choose(self, at_s: float) -> Cause:
        state, probabilities = self.state, self.probabilities
        best = max(range(len(CAUSES)), key=probabilities.__getitem__)
        present = INDEX[state.cause]
        advantage = CAUSE_ADVANTAGE
        if CAUSES[best] in EXCURSIONS and state.cause in EXCURSIONS:
            # Which of them it is comes out slowly: to and fro helps nobody.
            advantage = SLOW_ADVANTAGE
        lasted = at_s - state.since_s > ENDS_AFTER_S
        if CAUSES[best] is NONE and state.cause in EXCURSIONS and lasted:
            # A finding about hours and days is not over with one reading.
            if state.doubted_s is None:
                state.doubted_s = at_s
            if at_s - state.doubted_s < ENDS_AFTER_S:
                return state.cause
        else:
            state.doubted_s = None
        if best != present and probabilities[best] > probabilities[present] + advantage:
            state.cause, state.since_s = CAUSES[best], at_s
        return state.cause

    def _slow(self, at_s: float, *, corrected: bool) -> list[float]:
        """Probabilities without regard to a running episode.

        ``corrected`` is whether the readings could be corrected by a temperature of the water.
        """
        odds = dict.fromkeys(CAUSES, QUIET_LOG_ODDS)
        odds[Cause.NONE] = 0.0
        odds[Cause.UNEXPLAINED] = QUIET_LOG_ODDS
        if self.tank.plumbing.flow_through_psu_h <= 0.0:
            if corrected:
                self._excursions(at_s, odds)
            self._slow_trends(odds)
        self._interference(at_s, odds)
        return [exp(odds[cause]) for cause in CAUSES]

    def _slow_trends(self, odds: dict[Cause, float]) -> None:
        dependence, slope = self._dependence_that_matters(), self._drift_that_matters()
        check = self.state.check
        if dependence is not None:
            odds[Cause.COMPENSATION] = min(2.0 * (abs(dependence.z) - 4.0), 6.0)
        if slope is not None:
            strength = min(1.5 * (abs(slope.z) - 5.0), 5.0)
            direction = Cause.DILUTION if slope.psu_per_day < 0.0 else Cause.CONCENTRATION
            excursion = self.balance.excursion
            away = max(excursion.dilution, excursion.concentration) > 0.5  # noqa: PLR2004
            # While the water is out of its band, that is judged by all there is.
            real = excursion.real_share if away else self.state.drift_real
            odds[Cause.DRIFT] = max(odds[Cause.DRIFT], strength + log(max(1.0 - real, 0.02)))
            odds[direction] = max(odds[direction], strength + log(max(real, 0.02)))
        if check is not None and abs(check.e_n) > 1.0:
            odds[Cause.DRIFT] = max(odds[Cause.DRIFT], min(1.0 + 4.0 * (abs(check.e_n) - 1.0), 5.0))

    def _real_share_of_drift(self, slope: Drift) -> float:
        """Share of a slow trend that is the water, by litres and level.

        The slope learned for evaporation holds the trend itself, so it proves nothing here: only
        litres that have changed against what was usual, or water that is missing, do.
        """
        if self.water is None:
            return UNKNOWN_SHARE
        rising = slope.psu_per_day > 0.0
        level = self.balance.level_deviation()
        missing = level is not None and level < -2.0  # noqa: PLR2004
        days = self.blocks.litres_by_day()[:RECENT_DAYS]
        if not self.inflow.watched or not days:
            if rising and level is not None:
                return 0.9 if missing else 0.1
            return UNKNOWN_SHARE
        litres_day = sum(days) / len(days)
        usual_day = self.state.balance.litres_day or 0.0
        per_litre = self.water.state.salinity_psu / self.tank.volume_l
        if usual_day * per_litre < LEAST_REPLACED * self._rise_psu_day():
            # Next to nothing was ever added: a rise is evaporation.
            return 0.9 if rising and litres_day <= usual_day else 0.1
        excess = litres_day - usual_day
        if abs(excess) < EVAPORATION_DOUBT * usual_day:
            return 0.1
        explained = -excess * per_litre / slope.psu_per_day
        return 0.9 if 0.5 < explained < 3.0 else 0.1  # noqa: PLR2004

    def _excursions(self, at_s: float, odds: dict[Cause, float]) -> None:
        water, balance = self.water, self.state.balance
        if water is None or self._still_mixing(at_s):
            return
        left_s = balance.left_low_s or balance.left_high_s
        added = None
        if self.inflow.watched and left_s is not None:
            if balance.left_high_s is not None:
                # Whether top-off fails shows only over a whole usual pause.
                gap_s = self.inflow.state.usual_gap_s or 0.0
                left_s = min(left_s, at_s - min(1.2 * gap_s, DAY_H * HOUR_S))
            added = self._added_since(at_s, left_s, water)
        excursion = self.balance.judge(
            at_s,
            water.state.salinity_psu,
            water.state.salinity_variance,
            max(water.state.slope_psu_h, 0.3 * self.physics.slope_psu_h),
            self._pace_psu_h(at_s, water.state.salinity_psu),
            self._moved_psu(water.state.salinity_psu),
            self._tooth_psu(water.state.salinity_psu),
            added,
            reported=self.state.cause in EXCURSIONS,
        )
        for share, cause in (
            (excursion.dilution, Cause.DILUTION),
            (excursion.concentration, Cause.CONCENTRATION),
        ):
            if share > 0.05:  # noqa: PLR2004
                strength = log(share / max(1.0 - share, 0.005))
                odds[cause] = max(odds[cause], strength + log(max(excursion.real_share, 0.02)))
                odds[Cause.DRIFT] = max(
                    odds[Cause.DRIFT], strength + log(max(1.0 - excursion.real_share, 0.02))
                )

    def _still_mixing(self, at_s: float) -> bool:
        """Whether the probe's corner was unmixed just now: it says little about the tank yet."""
        last_s = self.state.last_episode_s
        return (
            last_s is not None
            and self.state.last_episode_cause is Cause.PLUME
            and at_s - last_s < 3.0 * self.inflow.state.mixing_s
        )

    def _added_since(self, at_s: float, left_s: float, water: Water) -> Added:
        """Fresh water since the water left its band, against what is usual here."""
        per_litre = water.state.salinity_psu / self.tank.volume_l
        litres = self.inflow.litres_since(left_s - HOUR_S / 4.0)
        hours = (at_s - left_s) / HOUR_S + 0.25
        usual_day = self.state.balance.litres_day
        evaporated_day = max(water.state.slope_psu_h, 0.0) * DAY_H
        if usual_day is None or usual_day * per_litre < LEAST_REPLACED * evaporated_day:
            # Days without a drop are no habit to measure by.
            usual_psu = evaporated_day / DAY_H * hours
            sd = 0.5 * usual_psu + 0.02
        else:
            usual_psu = usual_day / DAY_H * hours * per_litre
            # One run more or less than usual, and a fifth for the weather.
            sd = 0.2 * usual_psu + per_litre * self.inflow.usual_run_l()
        if not self.inflow.metered:
            sd += 0.2 * litres * per_litre
        else:
            # A meter may tell only when the run is over.
            running_h = self.inflow.running_s(at_s) / HOUR_S
            sd += 0.5 * per_litre * self.inflow.rate_l_h * min(running_h, hours)
        return Added(litres * per_litre, usual_psu, sd)

    def _interference(self, at_s: float, odds: dict[Cause, float]) -> None:
        device = self.state.interference_device
        if device is None or at_s >= self.state.lingers_until_s:
            return
        strength = LINGERING_LOG_ODDS
        for name, verdict in self.devices.named():
            if name == device:
                strength = min(verdict.log_odds, 8.0)
        cause = self._device_cause(device)
        odds[cause] = max(odds[cause], strength)

    def _linger(self, at_s: float, device: str, size_psu: float) -> None:
        """Take pick-up as going on until its device has had the time to show otherwise."""
        if device != self.state.interference_device or at_s > self.state.lingers_until_s:
            self.state.interference_psu = 0.0
        self.state.interference_psu = max(self.state.interference_psu, size_psu)
        lasting_s = LINGERS_CYCLES * self.devices.cycle_s(device) + 60.0
        self.state.interference_device = device
        self.state.lingers_until_s = at_s + min(lasting_s, LONGEST_LINGER_S)

    def _device_cause(self, name: str | None) -> Cause:
        if name is not None and self.tank.equipment[name].kind is EquipmentKind.OTHER_PROBE:
            return Cause.ADJACENT_PROBE
        return Cause.INTERFERENCE

    def _mix_episode(self, probabilities: list[float], faults: Faults) -> None:
        """Spread 97 % over the explanations of the running episode."""
        assert self._episode is not None  # noqa: S101
        weights = self._episode.probabilities()
        state = self._episode.state
        total = sum(probabilities)
        shares = [0.03 * p / total for p in probabilities]
        step, noise = weights[Model.STEP], weights[Model.NOISE]
        device = self._culprit(state)
        # Without any device that switched, a step is only in part likely to be pick-up; noise to
        # either side is hardly anything else.
        known_step = 0.9 if device is not None else 0.2
        known_noise = 0.9 if device is not None else 0.6
        fallen = state.follower_psu < state.before_psu
        spread = {
            Cause.BUBBLES: weights[Model.PASSING] + weights[Model.LODGED],
            self._device_cause(device): known_step * step + known_noise * noise,
            Cause.UNEXPLAINED: weights[Model.UNEXPLAINED]
            + (1.0 - known_step) * step
            + (1.0 - known_noise) * noise,
            Cause.EXPOSED: weights[Model.EXPOSED],
            Cause.PLUME: weights[Model.PLUME],
            (Cause.DILUTION if fallen else Cause.CONCENTRATION): weights[Model.WATER],
        }
        self._attribute_to_named(spread)
        for cause, weight in spread.items():
            shares[INDEX[cause]] += 0.97 * weight
        probabilities[:] = shares
        if faults.dry or faults.unreadable or faults.sudden:
            probabilities[INDEX[Cause.EXPOSED]] += 9.0

    def _culprit(self, state: EpisodeState) -> str | None:
        """The device that pick-up is put down to: one known to disturb, or the likeliest now."""
        if state.last_s < self.state.lingers_until_s:
            return self.state.interference_device
        weights = state.weights
        if weights[Model.NOISE] > weights[Model.STEP]:
            return state.noise_device
        return state.edge_device

    def _attribute_to_named(self, spread: dict[Cause, float]) -> None:
        """What is left over while a device of known effect switches is most likely its doing."""
        name, episode = self.state.interference_device, self.state.episode
        if name is None or episode is None or episode.last_s >= self.state.lingers_until_s:
            return
        if max(episode.highest_psu, -episode.deepest_psu) > 2.0 * self.state.interference_psu:
            return
        cause = self._device_cause(name)
        for other in (Cause.BUBBLES, Cause.UNEXPLAINED, Cause.PLUME):
            moved = LEFT_OVER_SHARE * spread.get(other, 0.0)
            spread[other] = spread.get(other, 0.0) - moved
            spread[cause] = spread.get(cause, 0.0) + moved

    @staticmethod
    def _mix_faults(probabilities: list[float], faults: Faults) -> None:
        """What the wire says outweighs what the numbers say."""
        for present, cause in (
            (faults.stuck, Cause.STUCK),
            (faults.invalid, Cause.INVALID),
            (faults.silent, Cause.SILENT),
        ):
            if present:
                total = sum(probabilities)
                probabilities[INDEX[cause]] += 40.0 * total
        if faults.dry:
            probabilities[INDEX[Cause.EXPOSED]] += 9.0 * sum(probabilities)


def level_factor(unit: LevelUnit) -> float:
    """Millimetres in a unit of level; percent stay what they are."""
    return 10.0 if unit is LevelUnit.CM else 1.0


def physics_of(tank: Tank, salinity_psu: float) -> Physics:
    """What the water of a tank can do, from its plumbing.

    Source of the evaporation: Carrier/ASHRAE for usual rooms, see ``bridge.core.evaporation``.
    """
    flow = tank.plumbing.flow_through_psu_h
    if flow > 0.0:
        return Physics(
            slope_psu_h=0.0,
            slope_sd_psu_h=0.5 * flow,
            slope_min_psu_h=-flow,
            slope_max_psu_h=flow,
            wander_psu_root_h=0.1 * flow,
            slope_memory_h=0.5,
        )
    per_pct_day = salinity_psu / 100.0 / DAY_H
    return Physics(
        slope_psu_h=TYPICAL_EVAPORATION_PCT_DAY * per_pct_day,
        slope_sd_psu_h=EVAPORATION_SD_PCT_DAY * per_pct_day,
        slope_min_psu_h=LOWEST_EVAPORATION_PCT_DAY * per_pct_day,
        slope_max_psu_h=tank.plumbing.largest_evaporation_pct_day * per_pct_day,
        wander_psu_root_h=WANDER_PSU_ROOT_H,
    )
