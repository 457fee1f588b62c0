"""From when the probe or its thermometer counts as silent."""

from math import exp, inf, log
from typing import Final

from bridge.core.learning import SensorLearning
from bridge.core.tank_state import TankState
from bridge.core.thermometer import WaterThermometer

FEWEST_INTERVALS: Final = 3.1
MOST_INTERVALS: Final = 8.0
LOG_FALSE_SILENCE: Final = log(1e-7)
"""Accepted chance, at each message, that lost single messages look like silence."""
MISSED_MEMORY: Final = 1.0 / 2000.0
FEW_MISSED: Final = 0.99 * exp(LOG_FALSE_SILENCE / (FEWEST_INTERVALS - 1.0))
"""A share of missed messages for which the fewest intervals are always enough."""
MISSED_INTERVALS: Final = 1.5
SHORTEST_PATIENCE_S: Final = 2.0
STARTING_S: Final = 3.0


class Silence:
    """Expects the messages of one probe and its thermometer.

    Args:
        state: Of the tank; it knows when messages came.
        sensor: The probe's habits.
        thermometer: The thermometer's.
        started_s: When this run began. [s]
    """

    __slots__ = ("_sensor", "_started_s", "_state", "_thermometer", "probe_s", "silent_s")

    def __init__(
        self,
        state: TankState,
        sensor: SensorLearning,
        thermometer: WaterThermometer,
        started_s: float,
    ) -> None:
        self._state, self._sensor, self._thermometer = state, sensor, thermometer
        self._started_s = started_s
        self.probe_s = inf
        """From when the probe counts as silent. [s]"""
        self.silent_s = inf
        """From when the probe or its thermometer does. [s]"""

    def follow(self, interval_s: float) -> None:
        """Learn from the time since the reading before how often one does not come."""
        state = self._state
        missed = 1.0 if interval_s > MISSED_INTERVALS * self._sensor.interval_s else 0.0
        state.missed_share += MISSED_MEMORY * (missed - state.missed_share)

    def expect(self) -> None:
        """Work out both anew, after anything that concerns the probe."""
        state, sensor = self._state, self._sensor
        last_s = state.arrived_at_s
        if state.invalid and state.probe_at_s is not None:
            last_s = max(state.probe_at_s, last_s or 0.0)
        if sensor.cadence_known:
            patience_s = self._intervals() * sensor.interval_s
            if patience_s < SHORTEST_PATIENCE_S:
                patience_s = SHORTEST_PATIENCE_S
        else:
            patience_s = sensor.late_s
        started_s = self._started_s
        heard_s = started_s if last_s is None or last_s < started_s else last_s
        self.probe_s = heard_s + patience_s
        self.expect_thermometer()

    def expect_thermometer(self) -> None:
        """Work out the second anew, after a reading of the thermometer."""
        started_s = self._started_s
        thermometer_s = self._thermometer.silent_at_s(started_s)
        if thermometer_s < started_s + STARTING_S:
            thermometer_s = started_s + STARTING_S
        probe_s = self.probe_s
        self.silent_s = probe_s if probe_s < thermometer_s else thermometer_s

    def _intervals(self) -> float:
        """Intervals of patience: lost messages in a row are rare where single ones are."""
        missed = self._state.missed_share
        if missed < FEW_MISSED:
            return FEWEST_INTERVALS
        needed = 1.0 + LOG_FALSE_SILENCE / log(min(missed, 0.5))
        return min(max(needed, FEWEST_INTERVALS), MOST_INTERVALS)
