"""Equal numbers in a row: how long such runs usually get, and when one is far too long."""

from math import log
from typing import Final

from bridge.core.learning import SensorLearning
from bridge.core.tank_state import TankState

SHORTEST_RUN: Final = 10
SHORTEST_S: Final = 300.0
HISTORY: Final = 500
"""Readings in which the usual length of runs shows."""
MOST_HISTORY: Final = 1_000_000
USUAL_RUNS: Final = 2.5
COARSE_HISTORY_S: Final = 2.0 * 86_400.0
"""Where rounding hides the noise, runs follow the tank's day: two of them have to be seen."""
YOUNG_COARSE_RUNS: Final = 5.0
COARSE_RUNS: Final = 4.0
"""Such runs depend on where the water happens to lie between two steps, and vary far more."""
CHANCE: Final = 1e-7
LONGEST_FADES: Final = 0.9995


class Repeats:
    """Follows the runs of equal numbers of one probe."""

    __slots__ = ("_sensor", "_state")

    def __init__(self, state: TankState, sensor: SensorLearning) -> None:
        self._state, self._sensor = state, sensor

    def follow(self, reported: float) -> None:
        """Count equal numbers in a row, and how long such runs usually get.

        Args:
            reported: As it arrived; compared with ``TankState.reported``, the one before.
        """
        state = self._state
        if state.run_history < MOST_HISTORY:
            state.run_history += 1
        if reported == state.reported:
            state.run += 1
            return
        if not self.flat():
            faded = state.longest_run * LONGEST_FADES
            state.longest_run = float(state.run) if state.run > faded else faded
        state.run = 1

    def flat(self) -> bool:
        """Whether the number has not moved for far longer than it ever did."""
        state = self._state
        if state.run < SHORTEST_RUN or state.run_history < HISTORY + state.run:
            return False
        sensor = self._sensor
        usual_runs = USUAL_RUNS
        if sensor.coarse:
            seen_s = (state.run_history - state.run) * sensor.interval_s
            usual_runs = COARSE_RUNS if seen_s > COARSE_HISTORY_S else YOUNG_COARSE_RUNS
        repeats = min(max(sensor.repeat_probability(), 0.01), 0.9999)
        needed = max(log(CHANCE) / log(repeats), usual_runs * state.longest_run)
        return state.run >= needed and state.run * sensor.interval_s >= SHORTEST_S
