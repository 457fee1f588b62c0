"""The water thermometer: what it says, whether that can be water, and how old it is."""

from dataclasses import dataclass
from typing import Final

LOWEST_C: Final = -2.0
HIGHEST_C: Final = 45.0
FASTEST_C_MIN: Final = 0.12
"""A 300 W heater in 40 l: 6.5 °C an hour (computed from the heat capacity of water)."""
SUDDEN_C: Final = 0.5
"""Change between two readings that needs no time: a cold water change, a coarse display."""
ACCEPTED_AFTER_S: Final = 2700.0
"""A new temperature that stays this long is taken as the water's: a large cold water change."""
CONFIRMING_READINGS: Final = 2
PRIOR_INTERVAL_S: Final = 60.0
SILENT_INTERVALS: Final = 3.0


@dataclass(slots=True)
class ThermometerState:
    """What has to survive a restart."""

    temperature_c: float | None = None
    """Newest reading that can be water."""
    at_s: float | None = None
    raw_c: float | None = None
    raw_at_s: float | None = None
    arrived_at_s: float | None = None
    odd_since_s: float | None = None
    odd_readings: int = 0
    noise_c: float = 0.03
    interval_s: float | None = None
    intervals: int = 0
    invalid: int = 0


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
        if state.raw_at_s is not None:
            self._learn_interval(at_s - state.raw_at_s)
        state.raw_c, state.raw_at_s, state.arrived_at_s = temperature_c, at_s, at_s
        if state.temperature_c is None or state.at_s is None:
            state.temperature_c, state.at_s = temperature_c, at_s
            return
        change = abs(temperature_c - state.temperature_c)
        minutes = max(at_s - state.at_s, 0.0) / 60.0
        if change <= SUDDEN_C + 6.0 * state.noise_c + FASTEST_C_MIN * minutes:
            state.noise_c += 0.02 * (min(change, 0.3) - state.noise_c)
            self._accept(at_s, temperature_c)
            return
        state.odd_readings += 1
        if state.odd_since_s is None:
            state.odd_since_s = at_s
        elif at_s - state.odd_since_s > ACCEPTED_AFTER_S:
            self._accept(at_s, temperature_c)

    def _accept(self, at_s: float, temperature_c: float) -> None:
        state = self.state
        state.temperature_c, state.at_s = temperature_c, at_s
        state.odd_since_s, state.odd_readings = None, 0

    def _learn_interval(self, interval_s: float) -> None:
        state = self.state
        if interval_s <= 0.0:
            return
        if state.interval_s is None:
            state.interval_s = interval_s
        # A gap teaches little: the step is bounded.
        bounded = min(interval_s, 1.5 * state.interval_s)
        state.intervals = min(state.intervals + 1, 30)
        state.interval_s += (bounded - state.interval_s) / state.intervals

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

    def silent_at_s(self, started_s: float) -> float:
        """From when silence counts."""
        last = self.state.raw_at_s if self.state.raw_at_s is not None else started_s
        return last + max(SILENT_INTERVALS * self.interval_s, 5.0)

    def usable(self, at_s: float) -> float | None:
        """Water temperature fit for compensation, or None when it is too old.

        Water keeps its temperature: the last good one serves for a quarter of an hour.
        """
        state = self.state
        if state.temperature_c is None or state.at_s is None:
            return None
        longest_s = max(900.0, 4.0 * self.interval_s)
        if state.odd_since_s is not None:
            longest_s = max(longest_s, ACCEPTED_AFTER_S + 60.0)
        return state.temperature_c if at_s - state.at_s <= longest_s else None
