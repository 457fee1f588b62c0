"""From the first reading that the water cannot explain until the last: an episode is led.

``bridge.core.episode`` weighs its samples; here it is opened, told what else is known, and ended.
"""

from math import hypot, log, sqrt
from typing import Final

from bridge.core.balance import OVERDUE, Balance
from bridge.core.blocks import quantile
from bridge.core.circumstances import Circumstances
from bridge.core.devices import Devices
from bridge.core.diagnosis_state import DiagnosisState
from bridge.core.episode import Episode, EpisodeState, Model
from bridge.core.estimator import Water
from bridge.core.excursions import EXCURSIONS
from bridge.core.falls import SIPHON_FACTOR, Falls
from bridge.core.findings import Cause
from bridge.core.inflow import Change, Inflow
from bridge.core.pick_up import PickUp

CONFIRMING_SAMPLES: Final = 2
FAR_OFF_PSU: Final = 0.5
"""A single reading so far off is no cause yet, but nothing should act on it."""
CARRIED_PSU_H: Final = 0.01
"""Growth of doubt while the probe is not believed: top-off may do nothing, or too much."""
RETURNING_SAMPLES: Final = 6
RESTING: Final = frozenset({Model.LODGED, Model.STEP, Model.NOISE, Model.UNEXPLAINED})
BY_DEGREES: Final = {Model.STEP: 0.1, Model.LODGED: 0.2, Model.NOISE: 0.3, Model.EXPOSED: 0.3}
POURED_BEFORE: Final = 10.0
POURING_S: Final = 900.0
GRADUAL_SAMPLES: Final = 3
GRADUAL_SHARE: Final = 0.3
LEVEL_AT_REST: Final = 20.0
RESTS_FOR_S: Final = 3600.0
BAND_SLACK_PSU: Final = 0.03
FIRST_DOUBT_PSU: Final = 0.05
HIGH_LEVEL: Final = 2.5
LEVEL_LOG: Final = 1.0
MOST_BY_SWITCHING: Final = 3.5
"""Largest log odds by one coincidence, which proves nothing."""
YOUNG_DOUBT_PSU: Final = 0.02
YOUNG_READINGS: Final = 90
LEAST_READ_AGAIN: Final = 12
UPPER_EDGE: Final = 0.9


class Departures:
    """Leads the episodes of one tank's probe."""

    __slots__ = (
        "_balance",
        "_circumstances",
        "_devices",
        "_falls",
        "_inflow",
        "_pick_up",
        "_state",
        "episode",
    )

    def __init__(
        self,
        state: DiagnosisState,
        inflow: Inflow,
        devices: Devices,
        balance: Balance,
        circumstances: Circumstances,
        pick_up: PickUp,
        falls: Falls,
    ) -> None:
        self._state = state
        self._inflow, self._devices, self._balance = inflow, devices, balance
        self._circumstances, self._pick_up, self._falls = circumstances, pick_up, falls
        self.episode = Episode(state.episode) if state.episode is not None else None

    @property
    def doubtful(self) -> bool:
        """Whether the newest reading is far off the water, without a second one to confirm it."""
        if self.episode is None:
            return False
        episode = self.episode.state
        return (
            episode.clean_run == 0
            and abs(episode.last_deviation_psu) >= FAR_OFF_PSU
            and not self.confirmed
        )

    @property
    def confirmed(self) -> bool:
        """Whether an episode is more than a single odd sample."""
        return self.episode is not None and self._state.outside >= CONFIRMING_SAMPLES

    def drop(self) -> None:
        """Forget the running episode."""
        self.episode = self._state.episode = None

    def weigh(
        self,
        at_s: float,
        water: Water,
        reading: float,
        noise: float,
        change: Change,
        elapsed_h: float,
        interval_s: float,
    ) -> None:
        """A reading that the water cannot explain, or the time after one.

        Args:
            at_s: When it was taken. [s]
            water: As carried to then.
            reading: Less the known effect of devices. [psu]
            noise: Its standard deviation. [psu]
            change: What the plumbing may have done since the last sample.
            elapsed_h: Time since then. [h]
            interval_s: Usual time between readings. [s]
        """
        state = self._state
        deviation = reading - water.state.salinity_psu
        episode = self.episode
        if episode is None:
            episode = self._open(at_s, water, reading, noise, interval_s)
            state.outside = 0
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
            mixing=self._circumstances.mixing_share(at_s),
            salty=episode.state.salty or self._circumstances.dosing(at_s),
        )
        clean = episode.state.clean_run > 0
        if before[0] > 0 and before[1] != clean:
            self._consult_switching(at_s, interval_s, episode)
        if not clean:
            state.outside += 1
            state.last_outside_s = at_s
        self._consult_level(episode, deviation)
        self._react(at_s, water, episode, reading, noise, elapsed_h, interval_s)

    def _react(
        self,
        at_s: float,
        water: Water,
        episode: Episode,
        reading: float,
        noise: float,
        elapsed_h: float,
        interval_s: float,
    ) -> None:
        """Take the water from a reading as the likeliest explanation has it."""
        state = self._state
        deviation = reading - water.state.salinity_psu
        clean = episode.state.clean_run > 0
        weights = episode.probabilities()
        best = max(range(len(weights)), key=weights.__getitem__)
        if best == Model.PLUME and not clean:
            self._inflow.dipped()
            self._falls.take_back(water)
        # What jumped where no plumbing reaches, and rested there, is not followed for what it does
        # later: water that runs in neither jumps nor rests.
        if (
            best == Model.WATER
            and weights[best] > 0.9  # noqa: PLR2004
            and episode.state.samples >= 6  # noqa: PLR2004
            and not (episode.state.rested and episode.state.unreachable > 0)
        ):
            self._falls.go_on_from(at_s, water, episode.state, noise, interval_s)
            if episode.state.by_hand > 0.5:  # noqa: PLR2004
                state.poured_until_s = at_s + POURING_S
            self._close(at_s)
        elif best in RESTING and self._rests_in_band(at_s, water, episode.state):
            # The estimate is the odd one: a fault that just leads to where this water usually is,
            # and rests there, is less likely than a water that was carried wrongly.
            water.settle_at(episode.state.level_psu, FIRST_DOUBT_PSU)
            self._close(at_s)
        elif clean:
            # What comes back may still be on its way: the first few readings count the less, the
            # further off they are.
            returning = episode.state.clean_run <= RETURNING_SAMPLES
            water.observe(reading, hypot(noise, deviation) if returning else noise)
            gassy = best in {Model.PASSING, Model.LODGED, Model.NOISE, Model.PLUME}
            if episode.over(at_s, interval_s, comes_again=gassy):
                self._close(at_s)
        elif best == Model.PASSING:
            # Given passing bubbles, a good part of the readings holds gas.
            water.expect_gas()
            if state.readings <= YOUNG_READINGS:
                self._read_again(water)
            water.observe(reading, noise)
            self.carry(water, elapsed_h)
        else:
            self.carry(water, elapsed_h)

    def _rests_in_band(self, at_s: float, water: Water, episode: EpisodeState) -> bool:
        """Whether the reading rests in the usual band, while the estimate is out of it."""
        low, high = self._state.balance.low_psu, self._state.balance.high_psu
        if low is None or high is None or episode.level_samples < LEVEL_AT_REST:
            return False
        if at_s - episode.level_since_s < RESTS_FOR_S or at_s < self._state.lingers_until_s:
            return False
        if self._state.cause in EXCURSIONS:
            return False
        room = BAND_SLACK_PSU
        outside = water.state.salinity_psu < low - room or water.state.salinity_psu > high + room
        return outside and low - room <= episode.level_psu <= high + room

    def _gradual(self, water: Water, reading: float, noise: float) -> bool:
        """Whether the readings before this one had left the water already, to the same side."""
        before = list(self._devices.state.readings)[-GRADUAL_SAMPLES:]
        if len(before) < GRADUAL_SAMPLES or self._devices.named():
            # Where a device is known to make steps, those readings hold them.
            return False
        away = reading - water.state.salinity_psu
        on_its_way = sum(before) / GRADUAL_SAMPLES - water.state.salinity_psu
        clear = abs(on_its_way) > 2.0 * noise / sqrt(GRADUAL_SAMPLES)
        return clear and on_its_way / away > GRADUAL_SHARE

    def _open(
        self, at_s: float, water: Water, reading: float, noise: float, interval_s: float
    ) -> Episode:
        factors, device = self._circumstances.factors(
            at_s, interval_s, upward=reading > water.state.salinity_psu
        )
        gradual = self._gradual(water, reading, noise) or at_s < self._state.poured_until_s
        if gradual:
            # What was on its way before did not jump.
            for model, factor in BY_DEGREES.items():
                factors[model] = factor * factors.get(model, 1.0)
            factors[Model.WATER] = max(factors.get(Model.WATER, 1.0), 1.0)
            if at_s < self._state.poured_until_s:
                factors[Model.WATER] = POURED_BEFORE
        episode = Episode.opening(
            at_s,
            water.state.salinity_psu,
            water.state.salinity_variance,
            reading,
            factors,
            gradual=gradual,
        )
        episode.state.edge_device = device
        episode.state.noise_device = self._devices.lately_started(at_s, interval_s) or device
        episode.state.addition = self._inflow.active(at_s)
        episode.state.salty = self._circumstances.dosing(at_s)
        # The follower starts where the last sample left the water.
        episode.state.last_s = self._state.last_probe_s or at_s
        self.episode = episode
        self._state.episode = episode.state
        return episode

    def _consult_switching(self, at_s: float, interval_s: float, episode: Episode) -> None:
        """A reading that leaves or returns at a switching speaks for pick-up, any other against."""
        if not self._devices.names:
            return
        odds, device = self._circumstances.switching_odds(at_s, interval_s)
        change = min(max(log(odds), -MOST_BY_SWITCHING), MOST_BY_SWITCHING)
        state = episode.state
        state.priors[Model.STEP] += change
        state.weights[Model.STEP] += change
        if device is not None and odds > 1.0:
            self._state.suspect = device
            if state.edge_device is None:
                state.edge_device = device

    def _consult_level(self, episode: Episode, deviation: float) -> None:
        """Water in surplus, seen by the level, speaks for a real fall; each sample a little."""
        level = self._balance.level_deviation()
        if level is None or level < HIGH_LEVEL or deviation > 0.0:
            return
        state = episode.state
        if state.priors[Model.WATER] < max(state.priors):
            state.priors[Model.WATER] += LEVEL_LOG
            state.weights[Model.WATER] += LEVEL_LOG
            state.unreachable = max(state.unreachable - 1, 0)

    def _read_again(self, water: Water) -> None:
        """Read the first readings in the light of bubbles: the water is near their upper edge."""
        readings = self._devices.state.readings
        if len(readings) >= LEAST_READ_AGAIN:
            edge_psu = quantile(list(readings), UPPER_EDGE)
            if edge_psu > water.state.salinity_psu:
                water.settle_at(edge_psu, YOUNG_DOUBT_PSU)

    def carry(self, water: Water, hours: float) -> None:
        """Doubt grows in proportion to time while nothing is observed."""
        if hours <= 0.0:
            return
        doubt = sqrt(water.state.salinity_variance) + CARRIED_PSU_H * hours
        water.state.salinity_variance = doubt * doubt
        self._keep_in_band(water, hours)

    def _keep_in_band(self, water: Water, hours: float) -> None:
        """Top-off ends the climb at the top of the band, unless it is seen to stay away."""
        high, at_s = self._state.balance.high_psu, water.state.at_s
        if high is None or self._inflow.overdue(at_s) > OVERDUE or self._balance.missing(at_s):
            return
        if self.episode is not None and self.episode.state.before_psu > high:
            return
        if self.episode is None and self._state.balance.left_high_s is not None:
            return
        if water.state.slope_psu_h > 0.0 and water.state.salinity_psu > high:
            down_psu = 2.0 * water.state.slope_psu_h * hours
            water.state.salinity_psu = max(high, water.state.salinity_psu - down_psu)

    def _close(self, at_s: float) -> None:
        episode = self._state.episode
        if self.confirmed and episode is not None:
            self._state.last_episode_s = at_s
            self._state.last_episode_cause = self._concluded(episode)
            device = self._pick_up.culprit(episode)
            if device is not None and self._state.cause is self._pick_up.cause_of(device):
                self._pick_up.linger(at_s, device, max(episode.highest_psu, -episode.deepest_psu))
        self.drop()
        self._state.outside = 0

    def _concluded(self, episode: EpisodeState) -> Cause:
        """What an episode was, with all that is known at its end."""
        assert self.episode is not None  # noqa: S101 - for the type checker
        weights = self.episode.probabilities()
        if weights[Model.STEP] + weights[Model.NOISE] > 0.5:  # noqa: PLR2004
            return self._pick_up.cause_of(self._pick_up.culprit(episode))
        return self._state.cause
