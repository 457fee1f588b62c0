"""From when the probe or its thermometer counts as silent."""

from math import ceil, inf, log
from typing import Final

from bridge.core.learning import SensorLearning
from bridge.core.tank_state import TankState
from bridge.core.thermometer import WaterThermometer

FEWEST_MISSED: Final = 2
"""Messages in a row that have to be missing: one is everyday."""
MOST_MISSED: Final = 7
LATE_SHARE: Final = 0.85
"""Part of an interval after the last of them was due; the rest is for jitter."""
FALSE_SILENCE_S: Final = 365.0 * 86400.0
"""Messages that are lost singly may look like a silence once a year."""
MISSED_MEMORY: Final = 1.0 / 2000.0
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
        missed = min(max(self._state.missed_share, 1e-6), 0.5)
        accepted = min(self._sensor.interval_s / FALSE_SILENCE_S, 0.5)
        needed = ceil(log(accepted) / log(missed))
        return min(max(needed, FEWEST_MISSED), MOST_MISSED) + LATE_SHARE
