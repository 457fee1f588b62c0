"""The water thermometer: what it says, whether that can be water, how sure and how old it is.

Salinity follows the thermometer by 0.08 per tenth of a degree, so its steps and noise matter. Water
is heavy: its temperature is followed by a two-state filter (temperature and its rate), and a
reading that water cannot have reached in the time is kept apart.
"""

from dataclasses import dataclass
from math import sqrt
from typing import Final

HOUR_S: Final = 3600.0
LOWEST_C: Final = -2.0
HIGHEST_C: Final = 45.0
FASTEST_C_MIN: Final = 0.12
"""A 300 W heater in 40 l: 6.5 °C an hour (computed from the heat capacity of water)."""
SUDDEN_C: Final = 0.35
"""Deviation that needs no time: a cold water change, a coarse display."""
LARGEST_REACH_C: Final = 1.0
"""What water may have changed in the first hour that its thermometer was away (assumed)."""
DRIFT_C_H: Final = 0.9
"""The usual watt of heating per litre without any loss: 3600 J/h over 4000 J/(l·K)."""
LARGEST_DRIFT_C: Final = 3.0
"""Where heater, cooling and room leave the water in the end (assumed)."""
LEASH_C: Final = 0.1
USABLE_S: Final = 900.0
"""Water keeps its temperature for a quarter of an hour, and longer between slow readings."""
ACCEPTED_AFTER_S: Final = 2700.0
"""A new temperature that stays this long is taken as the water's: a large cold water change."""
ACCEPTED_CHANGE_C: Final = 2.0
"""A quarter of the water, eight degrees colder. A larger change has to stay longer, as the square:
twice that needs another half of the water or two quarters, and a dry thermometer is likelier."""
CONFIRMING_READINGS: Final = 2
SLIPPING_S: Final = 60.0
"""In this time a thermometer that dries within minutes is as far away as needs no other proof."""
PRIOR_INTERVAL_S: Final = 60.0
SILENT_INTERVALS: Final = 3.3
SHORTEST_SILENCE_S: Final = 5.0
FINEST_C: Final = 0.005
UNKNOWN_CADENCE_S: Final = 1800.0
"""Patience before the cadence is known; three times the slowest usual one of ten minutes."""
RATE_WANDER: Final = 4.0
"""Heaters switch between rates of about 1 °C an hour every quarter of an hour. [(°C/h)²/h]"""
RATE_REST_H: Final = 1.0
LARGEST_RATE_VARIANCE: Final = 9.0
LARGEST_INNOVATION_C: Final = 0.2
"""More than this is no noise, and would teach too much at once (assumed)."""
SEEN_TWICE: Final = 3
MOST_INTERVALS: Final = 30
"""Intervals that the cadence is a mean of."""


@dataclass(slots=True)
class ThermometerState:
    """What has to survive a restart."""

    temperature_c: float | None = None
    """Filtered temperature of the water."""
    at_s: float | None = None
    """Time of the newest reading that can be water."""
    rate_c_h: float = 0.0
    variance: float = 0.01
    covariance: float = 0.0
    rate_variance: float = 1.0
    anchor_c: float = 0.0
    """Follows the water no faster than water can warm."""
    raw_c: float | None = None
    raw_at_s: float | None = None
    arrived_at_s: float | None = None
    odd_since_s: float | None = None
    odd_readings: int = 0
    refuted_s: float = -1e18
    """When the probe last contradicted the odd reading."""
    refuted_c: float | None = None
    """The reading that it contradicted."""
    slipping_since_s: float | None = None
    """Since when the readings have run ahead of what water can do."""
    noise_c: float = 0.02
    step_c: float | None = None
    """Smallest step seen, as a candidate for the resolution."""
    step_seen: int = 0
    interval_s: float | None = None
    intervals: int = 0
    invalid: int = 0


UNSEEN_C: Final = 0.25
"""What the water may do while its thermometer is out of it (assumed)."""


class WaterThermometer:
    """Follows one thermometer."""

    __slots__ = ("configured_interval_s", "state")

    def __init__(
        self, configured_interval_s: float | None, state: ThermometerState | None = None
    ) -> None:
        self.configured_interval_s = configured_interval_s
        self.state = state or ThermometerState()

    def rejected(self, at_s: float) -> None:
        """A message without a usable number."""
        self.state.invalid += 1
        self.state.arrived_at_s = at_s

    def reading(self, at_s: float, temperature_c: float) -> None:
        """Take in a reading; implausible ones are kept apart."""
        state = self.state
        if not LOWEST_C <= temperature_c <= HIGHEST_C:
            self.rejected(at_s)
            return
        state.invalid = 0
        before_c = state.raw_c
        since_s = 0.0
        if state.raw_at_s is not None:
            since_s = at_s - state.raw_at_s
            self._learn_interval(since_s)
        state.raw_c, state.raw_at_s, state.arrived_at_s = temperature_c, at_s, at_s
        if state.temperature_c is None or state.at_s is None or before_c is None:
            state.temperature_c, state.at_s = temperature_c, at_s
            state.anchor_c = temperature_c
            return
        self._learn_step(abs(temperature_c - before_c))
        step_c = self.resolution_c
        sudden_c = self._sudden_c
        deviation = temperature_c - state.anchor_c
        reach_c = self._reach_c(at_s - state.at_s)
        self._follow_slip(at_s, abs(deviation) - self._reach_c(since_s))
        near = abs(deviation) <= sudden_c + reach_c
        if near and state.odd_readings >= CONFIRMING_READINGS:
            # On its way back into the water a thermometer passes by every temperature.
            at_rest = abs(temperature_c - before_c) <= sudden_c + self._reach_c(since_s)
            near = at_rest and (abs(deviation) <= sudden_c or not self._refuted(sudden_c))
            if near:
                self.accept(at_s)
        elif near:
            state.odd_since_s, state.odd_readings = None, 0
            if -reach_c <= deviation <= reach_c:
                state.anchor_c += deviation
            else:
                state.anchor_c += reach_c if deviation > 0.0 else -reach_c
            self._filter(at_s, temperature_c, step_c)
        if not near:
            self._odd(at_s, abs(deviation))

    def possible(self, at_s: float) -> bool:
        """Whether the water can have reached the newest reading since it was last believed."""
        state = self.state
        if state.raw_c is None or state.at_s is None:
            return False
        away_c = abs(state.raw_c - state.anchor_c)
        return away_c <= self._sudden_c + self._reach_c(at_s - state.at_s)

    def slips(self, at_s: float) -> float:
        """How far the readings just ran ahead of what water can do, too little to prove a fault.

        Zero when they did not, and when that lasts without growing into a fault. [°C].
        """
        state = self.state
        if state.slipping_since_s is None or state.raw_c is None:
            return 0.0
        if at_s - state.slipping_since_s > max(SLIPPING_S, 2.0 * self.interval_s):
            return 0.0
        return state.raw_c - state.anchor_c

    def _follow_slip(self, at_s: float, ahead_c: float) -> None:
        state = self.state
        if ahead_c <= 4.0 * state.noise_c + self.resolution_c:
            state.slipping_since_s = None
        elif state.slipping_since_s is None:
            state.slipping_since_s = at_s

    @staticmethod
    def _reach_c(age_s: float) -> float:
        """How far water may have warmed or cooled in a time. [°C]."""
        if age_s <= 0.0:
            return 0.0
        fast_c = FASTEST_C_MIN * age_s / 60.0
        if fast_c <= LARGEST_REACH_C:
            return fast_c
        return min(max(LARGEST_REACH_C, DRIFT_C_H * age_s / HOUR_S), LARGEST_DRIFT_C)

    @property
    def _sudden_c(self) -> float:
        """Deviation that needs no time, with what noise and steps make of it. [°C]."""
        return SUDDEN_C + 6.0 * self.state.noise_c + 2.0 * self.resolution_c

    def _refuted(self, sudden_c: float) -> bool:
        """Whether the newest reading is still the one that the probe contradicted."""
        state = self.state
        if state.refuted_c is None or state.raw_c is None:
            return False
        return abs(state.raw_c - state.refuted_c) <= sudden_c

    def _odd(self, at_s: float, away_c: float) -> None:
        """Water cannot have reached this reading; if it stays long it is believed in the end."""
        state = self.state
        state.odd_readings += 1
        if state.odd_since_s is None:
            state.odd_since_s, state.refuted_c = at_s, None
            return
        patience_s = ACCEPTED_AFTER_S * max(1.0, away_c / ACCEPTED_CHANGE_C) ** 2
        if at_s - max(state.odd_since_s, state.refuted_s) > patience_s:
            self.accept(at_s)

    def unseen_c(self, at_s: float) -> float:
        """How far the water may be from the temperature held while its thermometer is dry. [°C]."""
        since_s = self.state.at_s
        hours = 0.0 if since_s is None else max(at_s - since_s, 0.0) / HOUR_S
        return min(UNSEEN_C + DRIFT_C_H * hours, LARGEST_DRIFT_C)

    def refute(self, at_s: float, *, confirmed: bool) -> None:
        """The probe makes sense with the temperature held: the thermometer is wrong.

        Args:
            at_s: Now. [s]
            confirmed: Whether the device, too, was misled, so that it is no slip of one message.
        """
        state = self.state
        state.refuted_s, state.refuted_c = at_s, state.raw_c
        if confirmed and state.odd_readings < CONFIRMING_READINGS:
            state.odd_readings = CONFIRMING_READINGS

    def accept(self, at_s: float) -> None:
        """Believe the newest reading, however odd: other evidence speaks for it."""
        state = self.state
        if state.raw_c is None:
            return
        state.odd_since_s, state.odd_readings = None, 0
        state.anchor_c = state.raw_c
        self._start_at(at_s, state.raw_c)

    def _start_at(self, at_s: float, temperature_c: float) -> None:
        """Begin to filter anew from one reading."""
        state = self.state
        state.temperature_c, state.at_s = temperature_c, at_s
        state.rate_c_h, state.variance, state.covariance = 0.0, 0.01, 0.0
        state.rate_variance = 1.0

    def _filter(self, at_s: float, reading_c: float, step_c: float) -> None:
        """Predict and correct temperature and rate (Kalman, constant-rate model)."""
        state = self.state
        age_s = at_s - (state.at_s or at_s)
        hours = age_s / HOUR_S if age_s > 0.0 else 0.0
        if hours > RATE_REST_H:
            # Nothing is left of the rate, and its doubt would outgrow what the filter can hold.
            self._start_at(at_s, reading_c)
            return
        fade = 1.0 / (1.0 + hours / RATE_REST_H)
        predicted_c = (state.temperature_c or reading_c) + state.rate_c_h * hours
        variance = (
            state.variance
            + 2.0 * hours * state.covariance
            + hours * hours * state.rate_variance
            + RATE_WANDER * hours**3 / 3.0
        )
        covariance = (
            state.covariance + hours * state.rate_variance + RATE_WANDER * hours * hours / 2.0
        )
        rate_variance = state.rate_variance + RATE_WANDER * hours
        if rate_variance > LARGEST_RATE_VARIANCE:
            rate_variance = LARGEST_RATE_VARIANCE
        noise_c = state.noise_c
        total = variance + (noise_c**2 + step_c * step_c / 12.0)
        innovation = reading_c - predicted_c
        gain = variance / total
        rate_gain = covariance / total
        state.temperature_c = predicted_c + gain * innovation
        state.rate_c_h = (state.rate_c_h + rate_gain * innovation) * fade
        state.variance = (1.0 - gain) * variance
        state.covariance = (1.0 - gain) * covariance
        state.rate_variance = rate_variance - rate_gain * covariance
        state.at_s = at_s
        seen_c = abs(innovation)
        if seen_c > LARGEST_INNOVATION_C:
            seen_c = LARGEST_INNOVATION_C
        noise_c += 0.01 * (seen_c - noise_c)
        state.noise_c = noise_c if noise_c > FINEST_C else FINEST_C

    def _learn_step(self, change_c: float) -> None:
        """The smallest change seen again and again is the resolution."""
        state = self.state
        if change_c < 1e-4:  # noqa: PLR2004 - float dust of a unit conversion
            return
        if state.step_c is None or change_c < 0.7 * state.step_c:
            state.step_c, state.step_seen = change_c, 1
        elif change_c < 1.3 * state.step_c:
            state.step_seen += 1

    @property
    def resolution_c(self) -> float:
        """Step of the number as sent; 0 while not recognised. [°C]."""
        state = self.state
        if state.step_c is None or state.step_seen < SEEN_TWICE:
            return 0.0
        return state.step_c

    @property
    def sd_c(self) -> float:
        """Standard deviation of the filtered temperature, without calibration. [°C].

        Steps without enough noise to dither them leave up to half a step of error standing.
        """
        state, step = self.state, self.resolution_c
        # While the thermometer is not believed, the water may warm or cool unseen.
        unseen_c = UNSEEN_C if state.odd_readings else 0.0
        return sqrt(state.variance + 0.5 * step * step / 12.0 + unseen_c * unseen_c)

    def _learn_interval(self, interval_s: float) -> None:
        state = self.state
        if interval_s <= 0.0:
            return
        if state.interval_s is None:
            state.interval_s = interval_s
        # A gap teaches little: the step is bounded.
        usual_s = state.interval_s
        bounded_s = 1.5 * usual_s
        if interval_s < bounded_s:
            bounded_s = interval_s
        if state.intervals < MOST_INTERVALS:
            state.intervals += 1
        state.interval_s = usual_s + (bounded_s - usual_s) / state.intervals

    @property
    def interval_s(self) -> float:
        """Usual time between readings, configured or learned."""
        if self.configured_interval_s is not None:
            return self.configured_interval_s
        return self.state.interval_s or PRIOR_INTERVAL_S

    @property
    def dry(self) -> bool:
        """Whether the thermometer moves as water cannot, in more than one reading."""
        return self.state.odd_readings >= CONFIRMING_READINGS

    @property
    def sudden(self) -> bool:
        """Whether the newest reading moved as water cannot."""
        return self.state.odd_readings > 0

    def silent_at_s(self, started_s: float) -> float:
        """From when silence counts."""
        state, interval_s = self.state, self.configured_interval_s
        last_s = started_s if state.raw_at_s is None else state.raw_at_s
        if interval_s is None:
            if state.intervals < SEEN_TWICE:
                return last_s + UNKNOWN_CADENCE_S
            interval_s = state.interval_s or PRIOR_INTERVAL_S
        patience_s = SILENT_INTERVALS * interval_s
        return last_s + (patience_s if patience_s > SHORTEST_SILENCE_S else SHORTEST_SILENCE_S)

    def usable(self, at_s: float) -> float | None:
        """Water temperature fit for compensation, or None when it is too old.

        Water keeps its temperature: the last good one serves for a quarter of an hour, and as long
        as a thermometer that is not believed goes on to send; ``unseen_c`` tells what it is worth.
        """
        state = self.state
        if state.temperature_c is None or state.at_s is None:
            return None
        interval_s = self.interval_s
        age_s = at_s - state.at_s
        if age_s > USABLE_S:
            told_s = state.at_s if state.odd_since_s is None else state.raw_at_s
            if at_s - (told_s or state.at_s) > max(USABLE_S, 4.0 * interval_s):
                return None
        if age_s > interval_s:
            age_s = interval_s
        ahead_h = age_s / HOUR_S if age_s > 0.0 else 0.0
        followed_c = state.temperature_c + state.rate_c_h * ahead_h
        # Water cannot run away from the anchor; a thermometer in the air can, slowly at first.
        anchor_c = state.anchor_c
        if followed_c < anchor_c - LEASH_C:
            return anchor_c - LEASH_C
        return followed_c if followed_c < anchor_c + LEASH_C else anchor_c + LEASH_C
