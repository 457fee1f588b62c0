"""The water's salinity, carried by the mass balance and observed through a one-sided probe.

State: salinity and its slope (evaporation), two dimensions. The measurement noise is a mixture of
a clean Gaussian and a one-sided exponential part, because gas only ever makes the probe read low.
For such noise the exact first two moments of the posterior are the gradient and the curvature of
the log marginal density (score-function filter). In healthy water it is a Kalman filter; in a
stream of bubbles it rides on the upper envelope; a lone dip moves it by almost nothing.

Source: C. J. Masreliez, IEEE Trans. Automatic Control 20 (1975) 107 (from memory).
"""

from dataclasses import dataclass
from math import exp, sqrt

from bridge.core.densities import TINY, below, normal, one_sided

HOUR_S = 3600.0

OUTLIER_DENSITY = 0.002
"""Density of anything else: 1 % spread over 5 psu. Keeps a wild sample from moving the water."""
RESTING_GAS_SHARE = 0.005
LARGEST_GAS_SHARE = 0.6
PASSING_SHALLOW_SHARE = 0.4
PASSING_DEEP_SHARE = 0.1
RESTING_SHALLOW_PSU = 0.1
RESTING_DEEP_PSU = 0.8
"""Before bubbles were seen: one sample in two hundred dips a little, as many dip deeply (assumed).
Two scales, because fine bubbles dim the reading by tenths and a clinging one by whole units."""
DEEP_FROM_PSU = 0.4
DEEPEST_PSU = 4.0
GAS_MEMORY_SAMPLES = 60.0
SLOPE_MEMORY_H = 24.0
"""Evaporation follows the room and the season: it is forgotten within about a day."""
LONGEST_CARRIED_H = 24.0 * 28.0
"""After four weeks unseen the doubt is larger than any tank's band; longer adds nothing."""


@dataclass(slots=True)
class WaterState:
    """What is believed about the water."""

    at_s: float
    salinity_psu: float
    slope_psu_h: float
    salinity_variance: float
    covariance: float
    slope_variance: float
    shallow_share: float = RESTING_GAS_SHARE
    shallow_psu: float = RESTING_SHALLOW_PSU
    """Mean depth of the fine bubbles' dips."""
    deep_share: float = RESTING_GAS_SHARE
    deep_psu: float = RESTING_DEEP_PSU
    """Mean depth of the deep dips."""
    falling: float = 0.0
    """Probability that unmetered fresh water was running in at the last sample."""


@dataclass(frozen=True, slots=True)
class Physics:
    """What this tank's water can do."""

    slope_psu_h: float
    """Expected rise by evaporation."""
    slope_sd_psu_h: float
    slope_min_psu_h: float
    slope_max_psu_h: float
    wander_psu_root_h: float
    """Random change of the water beyond the slope, per root hour."""
    slope_memory_h: float = SLOPE_MEMORY_H


class Water:
    """Two-state filter for one body of water."""

    __slots__ = ("physics", "state")

    def __init__(self, physics: Physics, state: WaterState) -> None:
        self.physics = physics
        self.state = state

    @classmethod
    def starting(cls, physics: Physics, at_s: float, salinity_psu: float, sd_psu: float) -> "Water":
        """Begin from a first reading that is trusted to ``sd_psu``."""
        return cls(
            physics,
            WaterState(
                at_s=at_s,
                salinity_psu=salinity_psu,
                slope_psu_h=physics.slope_psu_h,
                salinity_variance=sd_psu**2,
                covariance=0.0,
                slope_variance=physics.slope_sd_psu_h**2,
            ),
        )

    def predict(self, at_s: float, change_psu: float = 0.0, change_sd_psu: float = 0.0) -> None:
        """Carry the water to ``at_s`` by evaporation and a known addition.

        Args:
            at_s: Engine time; earlier than the state leaves it alone. [s]
            change_psu: Change by known additions since the last call. [psu]
            change_sd_psu: Standard deviation of that change. [psu]
        """
        state = self.state
        hours = min((at_s - state.at_s) / HOUR_S, LONGEST_CARRIED_H)
        if hours > 0.0:
            physics = self.physics
            fade = exp(-hours / physics.slope_memory_h)
            state.salinity_psu += state.slope_psu_h * hours
            state.salinity_variance += (
                2.0 * state.covariance * hours
                + state.slope_variance * hours * hours
                + physics.wander_psu_root_h**2 * hours
            )
            state.covariance = (state.covariance + state.slope_variance * hours) * fade
            state.slope_psu_h = (
                physics.slope_psu_h + (state.slope_psu_h - physics.slope_psu_h) * fade
            )
            rest = physics.slope_sd_psu_h**2
            state.slope_variance = rest + (state.slope_variance - rest) * fade * fade
            state.at_s = at_s
        if change_psu != 0.0:
            state.salinity_psu += change_psu
            state.salinity_variance += change_sd_psu**2

    def sd(self, noise_psu: float) -> float:
        """Standard deviation of the next reading about the prediction. [psu]."""
        return sqrt(self.state.salinity_variance + noise_psu * noise_psu)

    def observe(self, salinity_psu: float, noise_psu: float, *, learn_gas: bool = True) -> None:
        """Take in a reading through the one-sided mixture.

        Args:
            salinity_psu: Compensated and calibrated reading. [psu]
            noise_psu: Standard deviation of the clean reading, > 0. [psu]
            learn_gas: Whether share and depth of the bubbles follow this sample.
        """
        state = self.state
        x = salinity_psu - state.salinity_psu
        variance = state.salinity_variance + noise_psu * noise_psu
        sd = sqrt(variance)
        clean_share = 1.0 - state.shallow_share - state.deep_share
        clean = normal(x, sd)
        shallow = one_sided(x, sd, state.shallow_psu)
        deep = one_sided(x, sd, state.deep_psu)
        # Value, first and second derivative of the mixture with respect to x.
        clean_1 = -x / variance * clean
        clean_2 = (x * x / variance - 1.0) / variance * clean
        density = clean_share * clean + OUTLIER_DENSITY
        first = clean_share * clean_1
        second = clean_share * clean_2
        for share, gas, depth in (
            (state.shallow_share, shallow, state.shallow_psu),
            (state.deep_share, deep, state.deep_psu),
        ):
            gas_1 = (gas - clean) / depth
            density += share * gas
            first += share * gas_1
            second += share * (gas_1 - clean_1) / depth
        first /= density
        second /= density
        self._apply(-first, second - first * first)
        if learn_gas:
            self._learn_gas(x, sd, shallow / density, deep / density)

    @property
    def gas_share(self) -> float:
        """Share of the samples with gas in them, of late."""
        return self.state.shallow_share + self.state.deep_share

    def _learn_gas(self, x: float, sd: float, shallow: float, deep: float) -> None:
        """Let shares and depths of the bubbles follow the responsibilities (on-line EM)."""
        state = self.state
        step = 1.0 / GAS_MEMORY_SAMPLES
        # A reading above the water holds no gas, whatever the tails say.
        low = 1.0 if x < 0.0 else 0.0
        shallow *= state.shallow_share * low
        deep *= state.deep_share * low
        state.shallow_share += step * (shallow - state.shallow_share)
        state.shallow_share = min(max(state.shallow_share, RESTING_GAS_SHARE), LARGEST_GAS_SHARE)
        state.deep_share += step * (deep - state.deep_share)
        state.deep_share = min(max(state.deep_share, RESTING_GAS_SHARE), 0.5 * LARGEST_GAS_SHARE)
        state.shallow_psu += step * shallow * (-x - state.shallow_psu)
        state.shallow_psu = min(max(state.shallow_psu, 3.0 * sd, 0.03), DEEP_FROM_PSU)
        state.deep_psu += step * deep * (-x - state.deep_psu)
        state.deep_psu = min(max(state.deep_psu, DEEP_FROM_PSU), DEEPEST_PSU)

    def _apply(self, score: float, curvature: float) -> None:
        """Move state and covariance by the score and curvature of the log marginal density."""
        state = self.state
        variance, covariance = state.salinity_variance, state.covariance
        # Ambiguous samples may widen the state, but never below zero nor without bound.
        curvature = min(max(curvature, -0.98 / variance), 0.5 / variance)
        state.salinity_psu += variance * score
        state.slope_psu_h += covariance * score
        physics = self.physics
        if not physics.slope_min_psu_h <= state.slope_psu_h <= physics.slope_max_psu_h:
            state.slope_psu_h = min(
                max(state.slope_psu_h, physics.slope_min_psu_h), physics.slope_max_psu_h
            )
        state.salinity_variance = variance + variance * variance * curvature
        state.covariance = covariance + variance * covariance * curvature
        state.slope_variance = max(
            state.slope_variance + covariance * covariance * curvature, 1e-10
        )

    def observe_fall(
        self, salinity_psu: float, noise_psu: float, deepest_psu: float, prior: float
    ) -> float:
        """Take in a reading that unmetered fresh water may have lowered.

        Two explanations compete: the water went on evaporating, or up to ``deepest_psu`` of fall
        happened since the last sample. Mixed by their posterior weights.

        Args:
            salinity_psu: Reading. [psu]
            noise_psu: Standard deviation of a clean reading. [psu]
            deepest_psu: Largest fall since the last sample, > 0. [psu]
            prior: Probability of inflow before this sample.

        Returns:
            Probability that fresh water ran in.
        """
        state = self.state
        x = salinity_psu - state.salinity_psu
        sd = self.sd(noise_psu)
        quiet = (1.0 - prior) * (normal(x, sd) + OUTLIER_DENSITY)
        low, high = (x / sd), (x + deepest_psu) / sd
        inside = below(high) - below(low)
        fell = prior * (max(inside, 0.0) / deepest_psu + TINY)
        weight = fell / (quiet + fell)
        before, before_variance = state.salinity_psu, state.salinity_variance
        self.observe(salinity_psu, noise_psu, learn_gas=weight < 0.5)  # noqa: PLR2004
        if weight > 0.01:  # noqa: PLR2004
            # The fallen water lies within [before - deepest, before]; the reading places it.
            fallen = min(max(salinity_psu, before - deepest_psu), before)
            spread = min(noise_psu, deepest_psu / 3.0)
            fallen_variance = spread * spread + min(before_variance, 0.25 * spread * spread)
            mean = (1.0 - weight) * state.salinity_psu + weight * fallen
            state.salinity_variance = (1.0 - weight) * (
                state.salinity_variance + (state.salinity_psu - mean) ** 2
            ) + weight * (fallen_variance + (fallen - mean) ** 2)
            state.salinity_psu = mean
            state.covariance *= 1.0 - weight
        state.falling = weight
        return weight

    def expect_gas(self) -> None:
        """Raise the shares of bubbles to what passing bubbles bring at least."""
        self.state.shallow_share = max(self.state.shallow_share, PASSING_SHALLOW_SHARE)
        self.state.deep_share = max(self.state.deep_share, PASSING_DEEP_SHARE)

    def doubt_at_least(self, sd_psu: float) -> None:
        """Keep the standard deviation from falling below a floor."""
        self.state.salinity_variance = max(self.state.salinity_variance, sd_psu * sd_psu)

    def widen(self, variance: float) -> None:
        """Admit more doubt. [psu^2]."""
        self.state.salinity_variance += variance

    def settle_at(self, salinity_psu: float, sd_psu: float) -> None:
        """Put the water where better evidence has it."""
        self.state.salinity_psu = salinity_psu
        self.state.salinity_variance = sd_psu * sd_psu
        self.state.covariance = 0.0
