"""An episode: the reading has left what the water can do. Competing explanations are weighed.

Each explanation is a model of how the reading goes on, written as a density of the next sample.
The sums of the log densities, with what is known about switching devices, running additions, level
and thermometer as prior odds, give the probabilities. The models follow the physics:

- passing bubbles: water minus an exponential depth, independent from sample to sample;
- a lodged bubble: one step down, then as quiet as ever, until it lets go;
- pick-up: a step of either sign, then quiet, or symmetrical noise about the water;
- exposed: anywhere between nothing and most of the water's value;
- plume: a smooth dip while fresh water runs in or mixes;
- the water itself: no faster than the plumbing, so a jump rules it out.
"""

from dataclasses import dataclass, field
from enum import IntEnum
from math import exp, hypot, log, sqrt
from typing import Final

from bridge.core.densities import between, normal, one_sided, two_sided


class Model(IntEnum):
    """Competing explanations, in the order of the weights."""

    PASSING = 0
    LODGED = 1
    STEP = 2
    NOISE = 3
    EXPOSED = 4
    PLUME = 5
    WATER = 6
    UNEXPLAINED = 7


PRIORS: Final = {
    Model.PASSING: 0.28,
    Model.LODGED: 0.16,
    Model.STEP: 0.14,
    Model.NOISE: 0.10,
    Model.EXPOSED: 0.08,
    Model.PLUME: 0.10,
    Model.WATER: 0.10,
    Model.UNEXPLAINED: 0.04,
}
"""How often each is behind an implausible reading. Judgement of the trade, no source."""

MEMORY: Final = 40.0
"""Samples after which evidence fades: successive samples are not independent for ever."""
BOUND: Final = 30.0
DEPTH_PSU: Final = 0.7
"""Mean depth of a gas disturbance before one was seen: 1.2 % gas by Maxwell at S = 35."""
DEEP_FACTOR: Final = 5.0
"""A bubble on the electrode itself takes far more than gas in passing (common practice)."""
MOST_GAS: Final = 0.4
"""Share of the water's reading that gas leaves at least: less is a cell in the air."""
BEYOND_GAS: Final = 1e-3
STEP_PSU: Final = 0.6
"""Mean size of a step by pick-up (judgement of the trade)."""
LARGE_STEP_PSU: Final = 1.5
DRY_SHARE: Final = 0.1
LEVEL_LAG: Final = 5.0
LEVEL_SIGMA: Final = 5.0
SAME_LEVEL_SIGMA: Final = 2.5
HAND_PSU_H: Final = 12.0
"""Pace of a water change by hand: a third of the tank, some units off, in ten minutes."""
SLOW_HAND_H: Final = 0.04
LONGEST_HAND_H: Final = 0.1
"""At a slower cadence a bucket and a jump look alike."""
GRADUAL_H: Final = 1.0 / 15.0
SLIDE_SIGMA: Final = 4.0
LEAST_REST_S: Final = 240.0
LONGEST_SLIDE_S: Final = 1200.0
"""A slower slide is evaporation under a resting bubble."""
RESTED_SAMPLES: Final = 8.0
RAMP_RATIO: Final = 0.33
RAMP_LOG: Final = 1.0
LONGEST_RAMP: Final = 8.0
HAND_SHARE: Final = 0.05
CLEAN_SIGMA: Final = 3.5
PLUME_DEPTH_PSU: Final = 0.6
PLUME_DEEPEST_PSU: Final = 3.0
ONSET_H: Final = 1.0 / 60.0
"""It takes the hose some minutes to fill the place of the probe (assumed)."""
SWIRL_H: Final = 1.0 / 60.0
"""Unmixed water passes the probe in swirls of about a minute (assumed)."""
EXPOSED_FROM_PSU: Final = 1.5
EDGE_SAMPLES: Final = 3
EDGE_LOG: Final = 3.0
RETURN_SHARE: Final = 0.4
UNREACHABLE_SIGMA: Final = 4.0
UNREACHABLE_LOG: Final = 5.0
"""Log odds against the water for each sample that it could not have reached."""
SHORTEST_CALM_SAMPLES: Final = 3
PASSING_CALM_SAMPLES: Final = 6
SHORTEST_CALM_S: Final = 300.0
LONGEST_CALM_S: Final = 2400.0
CALM_INTERVALS: Final = 12.0


@dataclass(slots=True)
class EpisodeState:
    """What has been seen since the reading left the water."""

    start_s: float
    start_deviation_psu: float
    """Deviation of the first sample."""
    before_psu: float
    """Water at the start."""
    last_s: float
    last_psu: float
    level_psu: float
    """Where the reading rests since its last jump."""
    level_samples: float
    follower_psu: float
    """Water, if the change were real: as near to the reading as the plumbing allows."""
    follower_variance: float
    weights: list[float]
    priors: list[float]
    ramp: float = 0.0
    """Steps at one pace in one direction: lasting proof against all that jumps or scatters."""
    rested: bool = False
    """Whether the reading has rested since it left: water that moves later is another matter."""
    level_since_s: float = 0.0
    """Since when it rests there."""
    level_first_psu: float = 0.0
    """Where that level was at first."""
    slid: float = 0.0
    """Sign of the last slide of that level."""
    gradual: bool = False
    """Whether the readings before the first were already on their way."""
    by_hand: float = HAND_SHARE
    """How likely it is that the water is poured, given that it is the water."""
    next_level_psu: float | None = None
    """A reading off that level, which may be the first of a new one."""
    last_change_psu: float = 0.0
    last_deviation_psu: float = 0.0
    rate_psu_h: float = 0.0
    """Pace of the follower over the last few samples."""
    samples: int = 0
    low: int = 0
    high: int = 0
    clean_run: int = 0
    deepest_psu: float = 0.0
    highest_psu: float = 0.0
    square_psu2: float = 0.0
    """Running mean square deviation."""
    roughness_psu2: float = 0.0
    depth_psu: float = DEPTH_PSU
    share: float = 0.6
    edge_device: str | None = None
    """Device that switched just before the start."""
    noise_device: str | None = None
    """Device that, if this is noise, most likely makes it."""
    edge_samples: int = 0
    """Samples still to come before the effect of its next switching is looked at."""
    edge_before_psu: float = 0.0
    edge_deviation_psu: float = 0.0
    salty: bool = False
    """Whether a doser ran at the start: its plume may last for longer than it does."""
    addition: bool = False
    """Whether fresh water ran in or mixed at the start."""
    unreachable: int = 0
    """Samples to which the water could not have come in the time: lasting proof against it."""
    last_outside_s: float = 0.0
    longest_pause_s: float = 0.0
    """Longest time between two implausible samples so far."""
    excursions: int = 0
    """How often the reading left the water anew."""
    fastest_fall_psu: float = 0.0
    """Largest fall between two samples."""
    fastest_fall_s: float = 0.0


@dataclass(slots=True)
class Prior:
    """Circumstances at the start of an episode, as factors on the prior odds."""

    factors: dict[Model, float] = field(default_factory=dict)


class Episode:
    """Weighs the explanations from sample to sample."""

    __slots__ = ("state",)

    def __init__(self, state: EpisodeState) -> None:
        self.state = state

    @classmethod
    def opening(
        cls,
        at_s: float,
        before_psu: float,
        variance: float,
        probe_psu: float,
        factors: dict[Model, float],
        *,
        gradual: bool = False,
    ) -> "Episode":
        """Open at the first implausible sample; it is to be fed to :meth:`sample` as well."""
        weights = [log(max(PRIORS[m] * factors.get(m, 1.0), 1e-9)) for m in Model]
        return cls(
            EpisodeState(
                start_s=at_s,
                start_deviation_psu=probe_psu - before_psu,
                before_psu=before_psu,
                last_s=at_s,
                last_psu=before_psu,
                level_psu=before_psu,
                level_samples=0.0,
                follower_psu=before_psu,
                follower_variance=variance,
                weights=weights,
                priors=list(weights),
                level_since_s=at_s,
                gradual=gradual,
            )
        )

    def sample(
        self,
        at_s: float,
        probe_psu: float,
        water_psu: float,
        water_variance: float,
        noise_psu: float,
        fall_psu_h: float,
        rise_psu_h: float,
        *,
        shallow_psu: float,
        mixing: float = 1.0,
        salty: bool = False,
    ) -> None:
        """Weigh one sample.

        Args:
            at_s: When. [s]
            probe_psu: Reading. [psu]
            water_psu: Water as carried by the mass balance. [psu]
            water_variance: Its variance. [psu^2]
            noise_psu: Clean noise of the reading. [psu]
            fall_psu_h: Fastest possible fall. [psu/h]
            rise_psu_h: Fastest possible rise. [psu/h]
            shallow_psu: Mean depth of fine bubbles, as learned. [psu]
            salty: Whether something saltier than the water may run in as well.
            mixing: 1 while fresh water runs in, mixes, or nobody knows; less when it does not.
        """
        state = self.state
        hours = max(at_s - state.last_s, 0.0) / 3600.0
        d = probe_psu - water_psu
        noise2 = noise_psu * noise_psu
        sd = sqrt(water_variance + noise2)
        first = state.samples == 0
        # A plume keeps to its side.
        side = -1.0 if salty and (d if first else state.start_deviation_psu) > 0.0 else 1.0
        clean = normal(d, sd)

        level_sd = sqrt(noise2 * (1.3 + 1.0 / max(state.level_samples, 1.0)))
        lag_sd = level_sd
        if state.unreachable > 0 and mixing == 1.0:
            # Water that may run in meanwhile takes the resting level along.
            lag_sd = hypot(level_sd, LEVEL_LAG * fall_psu_h * hours)
        # Heavier than normal: a resting reading still has an odd sample.
        rest = (
            0.0
            if first
            else (
                0.6 * normal(probe_psu - state.level_psu, level_sd)
                + 0.1 * normal(probe_psu - state.level_psu, lag_sd)
                + 0.2 * normal(probe_psu - state.level_psu, 3.0 * level_sd)
                + 0.1 * normal(probe_psu - state.level_psu, 9.0 * level_sd)
            )
        )
        gas = 0.85 * one_sided(d, sd, state.depth_psu) + 0.15 * one_sided(
            d, sd, DEEP_FACTOR * state.depth_psu
        )
        if probe_psu < MOST_GAS * water_psu:
            gas *= BEYOND_GAS
        jump = two_sided(d, STEP_PSU)
        # Cables pick up tenths, seldom units, and never most of the reading.
        far = exp(-max(abs(d) - LARGE_STEP_PSU, 0.0) / STEP_PSU)
        noisy = sqrt(max(state.square_psu2, 16.0 * noise2) + sd * sd)
        densities = (
            (1.0 - state.share) * clean
            + 0.5 * state.share * (gas + one_sided(d, sd, max(shallow_psu, 2.0 * sd))),
            gas
            if first
            else 0.93
            * rest
            * (0.01 if state.level_psu > water_psu else 1.0)
            * (BEYOND_GAS if state.level_psu < MOST_GAS * water_psu else 1.0)
            + 0.04 * clean
            + 0.03 * gas,
            jump * far
            if first
            # Above the water nothing else rests: there the size counts once, at the step.
            else 0.93 * rest * (far if d < 0.0 else 1.0) + 0.04 * clean + 0.03 * jump * far,
            normal(d, noisy),
            self._exposed(d, probe_psu, water_psu, noise2, rest, clean, first=first),
            one_sided(side * d, sd, PLUME_DEPTH_PSU * (1.0 - exp(-hours / ONSET_H)) + 0.05)
            if first
            else mixing * self._plume(side, d, water_psu, noise2, sd, hours),
            self._follow(probe_psu, noise2, hours, fall_psu_h, rise_psu_h),
            two_sided(d, 3.0) * (1.0 if first else 0.6) + 0.4 * rest,
        )
        fade = 1.0 - 1.0 / MEMORY
        weights = state.weights
        for index, density in enumerate(densities):
            prior = state.priors[index]
            weights[index] = prior + (weights[index] - prior) * fade + log(density + 1e-9)
        best = max(weights)
        for index, weight in enumerate(weights):
            weights[index] = max(weight - best, -BOUND)
        self._remember(at_s, probe_psu, d, sd, noise_psu, level_sd)
        self.look_at_edge()

    def _exposed(
        self,
        d: float,
        probe_psu: float,
        water_psu: float,
        noise2: float,
        rest: float,
        clean: float,
        *,
        first: bool,
    ) -> float:
        """Density for a cell that is dry or half dry: any share of the water, restless or not."""
        state = self.state
        # Dry cells read next to nothing, half dry ones anything.
        anywhere = 0.5 / (0.95 * max(water_psu, 5.0)) if probe_psu < 0.97 * water_psu else 1e-6
        if probe_psu < DRY_SHARE * water_psu:
            anywhere += 0.5 / (DRY_SHARE * max(water_psu, 5.0))
        if first:
            return anywhere
        if probe_psu >= 0.97 * water_psu:
            # Back in the water, and wet again within some samples.
            return 0.05 * clean + 0.1 * one_sided(d, sqrt(noise2), DEPTH_PSU) + 1e-6
        restless = 0.0
        if d < -EXPOSED_FROM_PSU:
            sd = sqrt(2.0 * noise2 + (0.15 * (water_psu - 0.5 * probe_psu)) ** 2)
            restless = normal(probe_psu - state.last_psu, sd)
        return 0.45 * rest + 0.3 * restless + 0.25 * anywhere

    def _plume(
        self, side: float, d: float, water_psu: float, noise2: float, sd: float, hours: float
    ) -> float:
        """Density for unmixed water: smooth on the scale of a minute, and never very deep.

        ``side`` is 1 for fresher water, -1 for saltier.
        """
        if side * d > 2.0 * sd:
            return 0.02 * normal(d, 2.0 * sd)
        state = self.state
        before = state.last_psu - water_psu
        swirl = 0.5 * (1.0 - exp(-hours / SWIRL_H)) * (abs(before) + 0.05)
        smooth = normal(d - before, sqrt(2.0 * noise2 + swirl * swirl))
        # A dip that fills or mixes goes on at nearly the pace it had.
        steady = normal(
            d - before - state.last_change_psu,
            sqrt(4.0 * noise2 + (0.4 * state.last_change_psu) ** 2 + (0.02 * before) ** 2),
        )
        # A reading that rests is no water that mixes.
        moving = min(state.last_change_psu**2 / (16.0 * noise2), 1.0)
        density = (
            0.4 * smooth + 0.4 * moving * steady + 0.2 * one_sided(side * d, sd, PLUME_DEPTH_PSU)
        )
        if abs(d) > PLUME_DEEPEST_PSU:
            density *= exp(max((PLUME_DEEPEST_PSU - abs(d)) / PLUME_DEPTH_PSU, -30.0))
        return density

    def _follow(
        self, probe_psu: float, noise2: float, hours: float, fall_psu_h: float, rise_psu_h: float
    ) -> float:
        """Let the follower move as far as the plumbing allows; density of the sample by it."""
        state = self.state
        state.follower_variance += (0.02**2) * hours
        sd = sqrt(state.follower_variance + noise2)
        x = probe_psu - state.follower_psu
        low, high = -fall_psu_h * hours, rise_psu_h * hours
        density = self._moved(x, sd, low, high, hours)
        by_hand_psu = HAND_PSU_H * hours
        if state.samples == 0 and state.gradual:
            # It had been on its way before it was far enough to be told from noise.
            by_hand_psu = max(by_hand_psu, HAND_PSU_H * GRADUAL_H)
        # What jumps from rest between two quick readings was not poured.
        may_pour = state.gradual or SLOW_HAND_H <= hours <= LONGEST_HAND_H
        if may_pour and by_hand_psu > min(-low, high):
            # Somebody pours: paid for once, as a rare thing, and then as likely as any.
            poured = self._moved(x, sd, -by_hand_psu, by_hand_psu, hours)
            mixed = state.by_hand * poured + (1.0 - state.by_hand) * density
            state.by_hand = min(max(state.by_hand * poured / mixed, HAND_SHARE), 0.95)
            density = mixed
            if state.by_hand > 0.5:  # noqa: PLR2004
                low, high = min(low, -by_hand_psu), max(high, by_hand_psu)
        beyond = max(low - x, x - high, 0.0)
        if beyond > UNREACHABLE_SIGMA * sd:
            state.unreachable += 1
        gain = (state.follower_variance + (high - low) ** 2 / 12.0) / (
            state.follower_variance + (high - low) ** 2 / 12.0 + noise2
        )
        moved = min(max(gain * x, low), high)
        state.follower_psu += moved
        if hours > 0.0 and (state.samples or not state.gradual):
            state.rate_psu_h += (0.5 if state.rate_psu_h else 1.0) * (
                moved / hours - state.rate_psu_h
            )
        # What is left over is noise, and tells about the follower as any reading does.
        kalman = state.follower_variance / (state.follower_variance + noise2)
        limit = 2.0 * sqrt(state.follower_variance)
        state.follower_psu += min(max(kalman * (x - moved), -limit), limit)
        state.follower_variance *= 1.0 - 0.5 * kalman
        return density

    def _moved(self, x: float, sd: float, low: float, high: float, hours: float) -> float:
        """Density of a reading by water that moves between two bounds, at its pace rather."""
        density = between(x, sd, low, high)
        rate_psu_h = self.state.rate_psu_h
        if rate_psu_h == 0.0:
            return density
        # Water that runs in goes on running: a steady pace tells it from scattered dips.
        expected = min(max(rate_psu_h * hours, low), high)
        spread = sqrt(sd * sd + (0.3 * expected) ** 2)
        return 0.5 * density + 0.5 * normal(x - expected, spread)

    def _remember(
        self, at_s: float, probe_psu: float, d: float, sd: float, noise_psu: float, level_sd: float
    ) -> None:
        state = self.state
        change = probe_psu - state.last_psu
        state.rested = state.rested or (
            state.level_samples >= RESTED_SAMPLES and at_s - state.level_since_s >= LEAST_REST_S
        )
        if state.samples > 1 and not state.rested and abs(change) > 3.0 * noise_psu:
            self._follow_ramp(change)
        state.last_change_psu = 0.0 if state.samples == 0 else change
        state.last_deviation_psu = d
        if change < state.fastest_fall_psu:
            state.fastest_fall_psu = change
            state.fastest_fall_s = at_s - state.last_s
        step = 1.0 / min(state.samples + 1.0, 12.0)
        state.roughness_psu2 += step * (change * change - state.roughness_psu2)
        state.square_psu2 += step * (d * d - state.square_psu2)
        self._rest_at(at_s, probe_psu, level_sd)
        state.samples += 1
        limit = self.clean_limit(CLEAN_SIGMA * sd, noise_psu)
        # The water may have climbed as it was carried, or top-off may have kept it where it was.
        drifted_psu = probe_psu - d - state.before_psu
        is_low = d < -limit - max(drifted_psu, 0.0)
        is_high = d > limit - min(drifted_psu, 0.0)
        state.low += is_low
        state.high += is_high
        if is_low or is_high:
            self._outside(at_s, d, noise_psu, is_low=is_low)
        else:
            state.clean_run += 1
            state.share = max(state.share - 0.05 * state.share, 0.05)
        state.deepest_psu = min(state.deepest_psu, d)
        state.highest_psu = max(state.highest_psu, d)
        state.last_s, state.last_psu = at_s, probe_psu

    def _follow_ramp(self, change_psu: float) -> None:
        """Count steps at one pace in one direction."""
        state = self.state
        if change_psu * state.last_change_psu <= 0.0:
            state.ramp = max(state.ramp - 0.5, 0.0)
        elif RAMP_RATIO < abs(change_psu / state.last_change_psu) < 1.0 / RAMP_RATIO:
            state.ramp = min(state.ramp + 1.0, LONGEST_RAMP)

    def _outside(self, at_s: float, d: float, noise_psu: float, *, is_low: bool) -> None:
        """Take note of a reading that is not back with the water."""
        state = self.state
        if state.clean_run or state.samples == 1:
            state.excursions += 1
            if state.samples > 1:
                pause_s = at_s - state.last_outside_s
                state.longest_pause_s = max(state.longest_pause_s, pause_s)
        state.clean_run = 0
        state.last_outside_s = at_s
        if is_low:
            state.share += 0.05 * (1.0 - state.share)
            state.depth_psu += 0.1 * (-d - state.depth_psu)
            state.depth_psu = min(max(state.depth_psu, 3.0 * noise_psu, 0.05), 4.0)

    def _rest_at(self, at_s: float, probe_psu: float, level_sd: float) -> None:
        """Follow the level at which the reading rests."""
        state = self.state
        if state.level_samples == 0.0:
            state.level_psu, state.level_samples = probe_psu, 1.0
            state.level_first_psu = probe_psu
        elif abs(probe_psu - state.level_psu) <= LEVEL_SIGMA * level_sd:
            state.next_level_psu = None
            state.level_samples = min(state.level_samples + 1.0, 20.0)
            state.level_psu += (probe_psu - state.level_psu) / state.level_samples
            self._watch_slide(at_s, level_sd)
        elif (
            state.next_level_psu is not None
            and abs(probe_psu - state.next_level_psu) <= SAME_LEVEL_SIGMA * level_sd
        ):
            # Two readings alike are a new level; a reading that runs on has none.
            state.level_psu = 0.5 * (probe_psu + state.next_level_psu)
            state.level_samples, state.next_level_psu = 2.0, None
            state.level_since_s, state.level_first_psu = at_s, state.level_psu
        else:
            state.next_level_psu = probe_psu

    def _watch_slide(self, at_s: float, level_sd: float) -> None:
        """A level that slides on and on is none: between two samples the noise may hide it."""
        state = self.state
        slide = state.level_psu - state.level_first_psu
        if abs(slide) <= SLIDE_SIGMA * level_sd:
            return
        sign = 1.0 if slide > 0.0 else -1.0
        lately = at_s - state.level_since_s < LONGEST_SLIDE_S
        if lately and state.slid != -sign:
            state.ramp = min(state.ramp + 1.0, LONGEST_RAMP)
        elif state.slid == -sign:
            state.ramp = max(state.ramp - 0.5, 0.0)
        state.slid = sign
        state.level_since_s, state.level_first_psu = at_s, state.level_psu
        state.level_samples = min(state.level_samples, 4.0)

    def device_switched(self) -> None:
        """The device that switched at the start switched again."""
        state = self.state
        if 0 < state.edge_samples < EDGE_SAMPLES:
            # It switches faster than is waited for: judge by what has come in between.
            self._judge_edge()
        if state.edge_device is not None:
            state.edge_samples, state.edge_before_psu = EDGE_SAMPLES, state.last_psu
            state.edge_deviation_psu = state.last_deviation_psu

    def look_at_edge(self) -> None:
        """Pick-up steps with every switching of its device; what does not is not pick-up."""
        state = self.state
        if state.edge_samples == 0:
            return
        state.edge_samples -= 1
        if state.edge_samples == 0:
            self._judge_edge()

    def _judge_edge(self) -> None:
        state = self.state
        state.edge_samples = 0
        # All of the departure goes with the device, or, while it rests, the first one comes back.
        offset = max(abs(state.edge_deviation_psu), abs(state.start_deviation_psu))
        moved = abs(state.last_psu - state.edge_before_psu) > 0.5 * offset
        change = EDGE_LOG if moved else -EDGE_LOG
        state.weights[Model.STEP] += change
        state.priors[Model.STEP] += change
        if not moved:
            # Another one may be the maker, and will show it at its own switching.
            state.edge_device = None

    def clean_limit(self, limit_psu: float, noise_psu: float) -> float:
        """Deviation below which the reading counts as back with the water.

        A water carried for hours is in doubt by more and more; a reading that rests off it must
        not be taken for a return because of that.
        """
        state = self.state
        if state.samples == 0:
            return limit_psu
        offset = abs(state.start_deviation_psu)
        return min(limit_psu, max(RETURN_SHARE * offset, CLEAN_SIGMA * noise_psu))

    def probabilities(self) -> list[float]:
        """Probability of each model, in the order of :class:`Model`; sums to 1."""
        weights = list(self.state.weights)
        weights[Model.WATER] -= min(UNREACHABLE_LOG * self.state.unreachable, BOUND)
        ramp = self.state.ramp
        if ramp:
            for model in (Model.PASSING, Model.LODGED, Model.STEP, Model.NOISE):
                weights[model] -= RAMP_LOG * ramp
            weights[Model.UNEXPLAINED] -= 0.5 * RAMP_LOG * ramp
        best = max(weights)
        raw = [exp(max(w - best, -BOUND)) for w in weights]
        total = sum(raw)
        return [r / total for r in raw]

    def over(self, at_s: float, interval_s: float, *, comes_again: bool) -> bool:
        """Whether the reading is back with the water, for longer than a pause between dips.

        Args:
            at_s: Now. [s]
            interval_s: Usual time between readings. [s]
            comes_again: Whether what it looks like comes and goes.
        """
        state = self.state
        if state.clean_run < SHORTEST_CALM_SAMPLES:
            return False
        if state.excursions < 2 and not comes_again:  # noqa: PLR2004
            return True
        calm_s = at_s - state.last_outside_s
        needed_s = max(3.0 * state.longest_pause_s, SHORTEST_CALM_S, CALM_INTERVALS * interval_s)
        needed_s = min(needed_s, max(LONGEST_CALM_S, PASSING_CALM_SAMPLES * interval_s))
        return state.clean_run >= PASSING_CALM_SAMPLES and calm_s >= needed_s
