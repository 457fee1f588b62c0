"""How far fresh water can have brought the water down, and what of a fall it did."""

from math import exp, sqrt
from typing import Final

from bridge.core.diagnosis_state import HOUR_S, DiagnosisState
from bridge.core.episode import EpisodeState
from bridge.core.estimator import Water
from bridge.core.inflow import Change, Inflow
from bridge.core.settings import Tank
from bridge.core.slow_trends import SlowTrends

LONGEST_UNSEEN_H: Final = 0.5
RUN_SLACK: Final = 1.4
RUN_SLACK_PSU: Final = 0.05
METER_LAG_H: Final = 2.0 / 60.0
RUNNING_ON: Final = 0.9
STILL_RUNNING: Final = 0.3
"""Prior for more fresh water while a fault is known to let it in (assumed)."""
RUNS_ON_S: Final = 1800.0
FALL_LASTS_H: Final = 0.07
"""A run of fresh water lasts some minutes (assumed)."""
SIPHON_FACTOR: Final = 2.0
"""A siphon through the top-off hose may run faster than its pump (assumed)."""
GASSY_DOUBT_PSU: Final = 0.01


class Falls:
    """Follows the water of one tank downwards."""

    __slots__ = ("_inflow", "_state", "_tank", "_trends")

    def __init__(
        self, tank: Tank, state: DiagnosisState, inflow: Inflow, trends: SlowTrends
    ) -> None:
        self._tank, self._state = tank, state
        self._inflow, self._trends = inflow, trends

    def deepest_psu(
        self, at_s: float, water: Water, change: Change, elapsed_h: float, *, below: bool
    ) -> float:
        """Largest healthy fall since the last sample: to the lower edge of the band at most.

        Args:
            at_s: Now. [s]
            water: As carried to now.
            change: What the plumbing may have done since the last sample.
            elapsed_h: Time since then. [h]
            below: Whether the reading is below the water, beyond its noise.
        """
        state = self._state
        if not below or state.at_level_s is None:
            state.at_level_s = at_s - elapsed_h * HOUR_S
        # A fall may have begun when the reading was last seen where the water was.
        hours = min(max((at_s - state.at_level_s) / HOUR_S, elapsed_h), LONGEST_UNSEEN_H)
        possible = change.fastest_fall_psu_h * max(hours, elapsed_h)
        if at_s < state.running_until_s:
            return SIPHON_FACTOR * possible
        if self._tank.plumbing.flow_through_psu_h > 0.0:
            return possible
        if self._inflow.state.pump_on:
            return min(possible, self._left_of_run(at_s, water))
        water_psu = water.state.salinity_psu
        low = state.balance.low_psu
        metered = self._inflow.litres_since(at_s - 3.0 * self._inflow.state.mixing_s)
        room = 0.1 if low is None else max(water_psu - low, 0.0) + 0.05
        room += 1.2 * water_psu * metered / self._tank.volume_l
        return min(possible, room)

    def _left_of_run(self, at_s: float, water: Water) -> float:
        """Fall that the running addition can still make: more is water that is not mixed yet."""
        state = self._state
        start_s = self._inflow.state.run_start_s
        if start_s is None:
            return 0.0
        if state.run_s != start_s:
            state.run_s, state.run_psu = start_s, water.state.salinity_psu
        if state.run_psu == 0.0:
            return RUN_SLACK_PSU
        hours = max(at_s - start_s, 0.0) / HOUR_S
        litres = hours * self._inflow.rate_l_h
        if self._inflow.metered:
            # A meter may tell a minute late, or only at the end: then the usual run counts.
            told = self._inflow.litres_since(start_s - METER_LAG_H * HOUR_S)
            told += told / max(hours, METER_LAG_H) * METER_LAG_H
            told = max(told, self._inflow.usual_run_l())
            litres = min(litres, told) if told > 0.0 else litres
        made_psu = RUN_SLACK * litres / self._tank.volume_l * state.run_psu
        fallen_psu = state.run_psu - water.state.salinity_psu
        return max(made_psu + RUN_SLACK_PSU - fallen_psu, 0.0)

    def follow(
        self,
        at_s: float,
        water: Water,
        reading: float,
        noise: float,
        deepest: float,
        fall_prior: float,
        elapsed_h: float,
        interval_s: float,
    ) -> None:
        """A reading below the water, by no more than fresh water can have done."""
        state = self._state
        before = water.state.salinity_psu
        running = water.state.falling * exp(-elapsed_h / FALL_LASTS_H)
        if at_s < state.running_until_s:
            running = max(running, STILL_RUNNING)
        prior = min(fall_prior + running, RUNNING_ON)
        weight = water.observe_fall(reading, noise, deepest, prior)
        if weight > 0.5:  # noqa: PLR2004
            if at_s < state.running_until_s:
                state.running_until_s = at_s + max(RUNS_ON_S, 6.0 * interval_s)
            self._trends.block(at_s).fallen_psu += max(before - water.state.salinity_psu, 0.0)

    def go_on_from(
        self, at_s: float, water: Water, episode: EpisodeState, noise: float, interval_s: float
    ) -> None:
        """The water itself has moved: go on from where the plumbing can have brought it."""
        follower = episode.follower_psu
        self._trends.block(at_s).fallen_psu += max(episode.before_psu - follower, 0.0)
        water.settle_at(follower, sqrt(episode.follower_variance) + 0.5 * noise)
        if episode.rate_psu_h < 0.0:
            water.state.falling = RUNNING_ON
            self._state.running_until_s = at_s + max(RUNS_ON_S, 6.0 * interval_s)

    def take_back(self, water: Water) -> None:
        """Take back what of a plume was first followed as a fall of the water."""
        state, inflow = self._state, self._inflow.state
        start_s = inflow.run_start_s
        if start_s is None or state.run_s != start_s or state.run_psu == 0.0:
            return
        told = self._inflow.litres_since(start_s - METER_LAG_H * HOUR_S)
        fallen_psu = told / self._tank.volume_l * state.run_psu + inflow.pending_psu
        mixed_psu = state.run_psu - max(fallen_psu, 0.0)
        if mixed_psu > water.state.salinity_psu:
            water.settle_at(mixed_psu, max(sqrt(water.state.salinity_variance), GASSY_DOUBT_PSU))
        state.run_psu = 0.0
