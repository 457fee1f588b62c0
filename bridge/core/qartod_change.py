"""Spike and rate of change: what happened since the last level that was not in doubt."""

from math import sqrt
from typing import Final

from bridge.core.learning import SensorLearning
from bridge.core.qartod_bounds import PSU_PER_C, Bounds
from bridge.core.qartod_state import FAIL, NOT_EVALUATED, PASS, SUSPECT, QartodState

SUSPECT_SIGMAS: Final = 5.0
"""White noise passes this less than once in a million samples, at 5 s about twice a year."""
FAIL_SIGMAS: Final = 10.0
FAIL_RATES: Final = 3.0
STEP_SAMPLES: Final = 3
"""Samples in a row that agree before a new level counts as a step and not as a long spike."""
RAGGED_STEP_SAMPLES: Final = 12
"""The same, at most, after an excursion whose samples did not agree with each other."""
BLOCK_SAMPLES: Final = 16
BLOCK_S: Final = 600.0
"""Ten minutes average noise away but are short against what a tank takes to change."""
_SUSPECT_DIFFERENCE: Final = SUSPECT_SIGMAS * sqrt(2.0)
_FAIL_DIFFERENCE: Final = FAIL_SIGMAS * sqrt(2.0)
_SALINITY_OF_PSU_PER_C: Final = 35.0


class ChangeTests:
    """The tests ``spike`` and ``rate_of_change``.

    Args:
        state: Memory of the tests, flags included; changed by each sample.
        sensor: Learned noise and resolution.
        limits: Bounds of the tank.
    """

    __slots__ = ("_fall_psu_h", "_limits", "_rise_psu_h", "_sensor", "_state")

    def __init__(self, state: QartodState, sensor: SensorLearning, limits: Bounds) -> None:
        self._state = state
        self._sensor = sensor
        self._limits = limits
        self._fall_psu_h = limits.fall_psu_h
        self._rise_psu_h = limits.rise_psu_h

    def forget_level(self) -> None:
        """Start anew after a gap: nothing before it says what the next change should be."""
        state = self._state
        state.salinity_psu = None
        state.temperature_c = None
        state.earlier_psu = None
        state.excursion_samples = 0
        state.jump = False
        self._forget_blocks()

    def judge(
        self,
        at_s: float,
        salinity_psu: float,
        temperature_c: float | None,
        fall_psu_h: float,
        rise_psu_h: float,
    ) -> None:
        """Set both flags for the newest sample.

        Args:
            at_s: Time of the sample, later than any before. [s]
            salinity_psu: Corrected salinity. [1]
            temperature_c: Water temperature; None when unknown. [C]
            fall_psu_h: Fastest possible fall of the water itself. [1/h]
            rise_psu_h: Fastest possible rise. [1/h]
        """
        state, sensor = self._state, self._sensor
        flags = state.flags
        self._fall_psu_h = fall_psu_h
        self._rise_psu_h = rise_psu_h
        near_s = at_s - state.salinity_at_s
        if state.salinity_psu is not None and near_s > sensor.late_s:
            # Messages came, but no salinity could be computed from them for too long.
            self.forget_level()
        before_psu = state.salinity_psu
        if before_psu is None:
            flags["spike"] = flags["rate_of_change"] = NOT_EVALUATED
            self._extend_block(at_s, salinity_psu)
            return

        # Change against the sample before.
        near_psu = salinity_psu - before_psu
        allowed_psu = (
            _SUSPECT_DIFFERENCE * sensor.effective_noise_psu
            + sensor.rounding_psu
            + (rise_psu_h if near_psu > 0.0 else fall_psu_h) * near_s / 3600.0
        )
        if temperature_c != state.temperature_c:
            allowed_psu += self._thermometer_psu(salinity_psu, temperature_c, state.temperature_c)
        near = -allowed_psu <= near_psu <= allowed_psu
        if state.excursion_samples == 0 and near:
            state.change_psu = near_psu
            state.change_s = near_s
            state.allowed_psu = allowed_psu
            flags["spike"] = PASS
            self._extend_block(at_s, salinity_psu)
            flags["rate_of_change"] = SUSPECT if state.slow_suspect else PASS
            return

        if state.excursion_samples == 0:
            if self._before_was_odd(at_s, salinity_psu, temperature_c):
                self._came_back()
                return
            self._anchor(before_psu, state.salinity_at_s, state.temperature_c)
            state.excursion_at_s = at_s
            state.largest_excursion_psu = 0.0
            state.coherent_samples = 0
        if self._back(at_s, salinity_psu, temperature_c):
            self._came_back()
            return
        state.excursion_samples += 1
        state.coherent_samples = state.coherent_samples + 1 if near else 1
        state.largest_excursion_psu = max(state.largest_excursion_psu, abs(state.change_psu))
        # A ragged burst agrees with itself by chance now and then: ask more of it.
        ragged = state.excursion_samples - state.coherent_samples
        if state.coherent_samples >= min(STEP_SAMPLES + ragged, RAGGED_STEP_SAMPLES):
            state.change_psu, state.change_s, state.allowed_psu = near_psu, near_s, allowed_psu
            self._stayed()
            return
        flags["spike"] = SUSPECT
        flags["rate_of_change"] = FAIL if self._certain() else SUSPECT

    def _anchor(self, salinity_psu: float, at_s: float, temperature_c: float | None) -> None:
        """Remember the last level that was not in doubt."""
        state = self._state
        state.anchor_psu = salinity_psu
        state.anchor_at_s = at_s
        state.anchor_c = temperature_c

    def _before_was_odd(
        self, at_s: float, salinity_psu: float, temperature_c: float | None
    ) -> bool:
        """Whether the sample before, though within its bounds, was the one that strayed.

        Falling is allowed much faster than rising: at a slow cadence a dip may pass as water,
        and only the return from it shows that it was none.
        """
        state, sensor = self._state, self._sensor
        if state.earlier_psu is None or state.salinity_psu is None:
            return False
        strayed_psu = abs(state.salinity_psu - state.earlier_psu)
        noise_psu = _SUSPECT_DIFFERENCE * sensor.effective_noise_psu + sensor.rounding_psu
        # It must have strayed further than noise, and most of that must be undone now; else
        # the newest sample is the one that leaves.
        undone = 2.0 * abs(salinity_psu - state.earlier_psu) < strayed_psu
        if strayed_psu <= noise_psu or not undone:
            return False
        self._anchor(state.earlier_psu, state.earlier_at_s, state.earlier_c)
        state.largest_excursion_psu = strayed_psu
        state.excursion_samples = 1
        back = self._back(at_s, salinity_psu, temperature_c)
        if not back:
            state.excursion_samples = 0
        return back

    def _back(self, at_s: float, salinity_psu: float, temperature_c: float | None) -> bool:
        """Whether the water could have gone from the anchor to here; remembers the numbers."""
        state, sensor = self._state, self._sensor
        change_psu = salinity_psu - state.anchor_psu
        change_s = at_s - state.anchor_at_s
        rate_psu_h = self._rise_psu_h if change_psu > 0.0 else self._fall_psu_h
        allowed_psu = (
            _SUSPECT_DIFFERENCE * sensor.effective_noise_psu
            + sensor.rounding_psu
            + rate_psu_h * change_s / 3600.0
            + self._thermometer_psu(salinity_psu, temperature_c, state.anchor_c)
        )
        state.change_psu = change_psu
        state.change_s = change_s
        state.allowed_psu = allowed_psu
        return -allowed_psu <= change_psu <= allowed_psu

    def _certain(self) -> bool:
        """Whether the change is past any doubt."""
        state = self._state
        rate_psu_h = self._rise_psu_h if state.change_psu > 0.0 else self._fall_psu_h
        certain_psu = (
            state.allowed_psu
            + (_FAIL_DIFFERENCE - _SUSPECT_DIFFERENCE) * self._sensor.effective_noise_psu
            + (FAIL_RATES - 1.0) * rate_psu_h * state.change_s / 3600.0
        )
        return abs(state.change_psu) > certain_psu

    def _came_back(self) -> None:
        state, sensor = self._state, self._sensor
        certain_psu = _FAIL_DIFFERENCE * sensor.effective_noise_psu + sensor.rounding_psu
        state.settled = "spike"
        state.settled_samples = state.excursion_samples
        state.settled_flag = FAIL if state.largest_excursion_psu > certain_psu else SUSPECT
        state.excursion_samples = 0
        state.flags["spike"] = PASS
        state.flags["rate_of_change"] = SUSPECT if state.slow_suspect else PASS

    def _stayed(self) -> None:
        state = self._state
        state.settled = "step"
        state.settled_samples = state.excursion_samples
        state.settled_flag = PASS
        state.excursion_samples = 0
        state.flags["spike"] = state.flags["rate_of_change"] = PASS
        self._forget_blocks()

    def _thermometer_psu(
        self, salinity_psu: float, now_c: float | None, before_c: float | None
    ) -> float:
        """Change of salinity that the thermometer's own uncertainty can feign [1]."""
        if now_c is None or before_c is None:
            return 0.0
        change_c = min(abs(now_c - before_c), self._limits.temperature_jump_c)
        return PSU_PER_C * change_c * salinity_psu / _SALINITY_OF_PSU_PER_C

    def _forget_blocks(self) -> None:
        state = self._state
        state.block_samples = 0
        state.mean_psu = None
        state.slow_suspect = False

    def _extend_block(self, at_s: float, salinity_psu: float) -> None:
        """Compare means of ten minutes, for changes that no two neighbours show."""
        state = self._state
        samples = state.block_samples
        if samples == 0:
            state.block_started_at_s = at_s
            state.block_sum_s = 0.0
            state.block_sum_psu = salinity_psu
            state.block_samples = 1
            return
        elapsed_s = at_s - state.block_started_at_s
        samples += 1
        state.block_samples = samples
        state.block_sum_s += elapsed_s
        state.block_sum_psu += salinity_psu
        if elapsed_s >= BLOCK_S and samples >= BLOCK_SAMPLES:
            self._end_block(salinity_psu)

    def _end_block(self, salinity_psu: float) -> None:
        state, sensor = self._state, self._sensor
        mean_psu = state.block_sum_psu / state.block_samples
        mean_at_s = state.block_started_at_s + state.block_sum_s / state.block_samples
        if state.mean_psu is not None:
            change_psu = mean_psu - state.mean_psu
            change_s = mean_at_s - state.mean_at_s
            rate_psu_h = self._rise_psu_h if change_psu > 0.0 else self._fall_psu_h
            state.slow_allowed_psu = (
                _SUSPECT_DIFFERENCE * sensor.effective_noise_psu / sqrt(BLOCK_SAMPLES)
                + sensor.rounding_psu
                + self._limits.thermometer_psu * salinity_psu / _SALINITY_OF_PSU_PER_C
                + rate_psu_h * change_s / 3600.0
            )
            state.slow_suspect = abs(change_psu) > state.slow_allowed_psu
            state.slow_change_psu = change_psu
            state.slow_s = change_s
        state.mean_psu = mean_psu
        state.mean_at_s = mean_at_s
        state.block_samples = 0
