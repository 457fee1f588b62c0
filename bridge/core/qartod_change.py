"""Spike and rate of change: what happened since the last level that was not in doubt."""

from math import sqrt
from typing import Final

from bridge.core.findings import Flag
from bridge.core.learning import SensorLearning
from bridge.core.qartod_bounds import PSU_PER_C, Bounds
from bridge.core.qartod_state import QartodState

SUSPECT_SIGMAS: Final = 5.0
"""White noise passes this less than once in a million samples, at 5 s about twice a year."""
FAIL_SIGMAS: Final = 10.0
FAIL_RATES: Final = 3.0
STEP_SAMPLES: Final = 3
"""Samples in a row that agree before a new level counts as a step and not as a long spike."""
BLOCK_SAMPLES: Final = 16
BLOCK_S: Final = 600.0
"""Ten minutes average noise away but are short against what a tank takes to change."""
_SUSPECT_DIFFERENCE: Final = SUSPECT_SIGMAS * sqrt(2.0)
_FAIL_DIFFERENCE: Final = FAIL_SIGMAS * sqrt(2.0)
_SALINITY_OF_PSU_PER_C: Final = 35.0


def forget_level(state: QartodState) -> None:
    """Start anew after a gap: nothing before it says what the next change should be."""
    state.salinity_psu = None
    state.temperature_c = None
    state.earlier_psu = None
    state.excursion_samples = 0
    state.jump = False
    _forget_blocks(state)


def judge_change(
    state: QartodState,
    sensor: SensorLearning,
    limits: Bounds,
    at_s: float,
    salinity_psu: float,
    temperature_c: float | None,
    fall_psu_h: float,
    rise_psu_h: float,
) -> None:
    """Set the flags ``spike`` and ``rate_of_change`` of the newest sample.

    Args:
        state: Memory of the tests; changed.
        sensor: Learned noise and resolution.
        limits: Bounds of the tank.
        at_s: Time of the sample, later than any before. [s]
        salinity_psu: Corrected salinity. [1]
        temperature_c: Water temperature; None when unknown. [C]
        fall_psu_h: Fastest possible fall of the water itself. [1/h]
        rise_psu_h: Fastest possible rise. [1/h]
    """
    flags = state.flags
    before_psu = state.salinity_psu
    if before_psu is not None and at_s - state.salinity_at_s > sensor.late_s:
        # Messages came, but no salinity could be computed from them for too long.
        forget_level(state)
        before_psu = None
    if before_psu is None:
        flags["spike"] = flags["rate_of_change"] = Flag.NOT_EVALUATED
        _extend_block(state, sensor, limits, at_s, salinity_psu, fall_psu_h, rise_psu_h)
        return

    noise_psu = sensor.effective_noise_psu
    step_psu = sensor.rounding_psu
    spread_psu = _SUSPECT_DIFFERENCE * noise_psu + step_psu

    # Change against the sample before.
    near_psu = salinity_psu - before_psu
    near_s = at_s - state.salinity_at_s
    near_allowed_psu = spread_psu + (rise_psu_h if near_psu > 0.0 else fall_psu_h) * near_s / 3600.0
    if temperature_c is not None and temperature_c != state.temperature_c:
        near_allowed_psu += _thermometer_psu(
            limits, salinity_psu, temperature_c, state.temperature_c
        )
    near = -near_allowed_psu <= near_psu <= near_allowed_psu

    if state.excursion_samples == 0:
        if near:
            state.change_psu = near_psu
            state.change_s = near_s
            state.allowed_psu = near_allowed_psu
            flags["spike"] = flags["rate_of_change"] = Flag.PASS
            _extend_block(state, sensor, limits, at_s, salinity_psu, fall_psu_h, rise_psu_h)
            if state.slow_suspect:
                flags["rate_of_change"] = Flag.SUSPECT
            return
        if state.earlier_psu is not None and at_s - state.earlier_at_s <= 2.0 * sensor.late_s:
            # The sample before may have moved just within its bounds and be the odd one.
            _anchor(state, state.earlier_psu, state.earlier_at_s, state.earlier_c)
            if _judge_far(
                state, limits, at_s, salinity_psu, temperature_c,
                spread_psu, fall_psu_h, rise_psu_h,
            ):  # fmt: skip
                state.largest_excursion_psu = abs(before_psu - state.earlier_psu)
                state.excursion_samples = 1
                _came_back(state, noise_psu, step_psu)
                return
        _anchor(state, before_psu, state.salinity_at_s, state.temperature_c)
        state.excursion_at_s = at_s
        state.largest_excursion_psu = 0.0
        state.coherent_samples = 0

    if _judge_far(
        state, limits, at_s, salinity_psu, temperature_c, spread_psu, fall_psu_h, rise_psu_h
    ):
        _came_back(state, noise_psu, step_psu)
        return
    state.excursion_samples += 1
    state.coherent_samples = state.coherent_samples + 1 if near else 1
    far_psu = abs(state.change_psu)
    state.largest_excursion_psu = max(state.largest_excursion_psu, far_psu)
    if state.coherent_samples >= STEP_SAMPLES:
        state.settled = "step"
        state.settled_samples = state.excursion_samples
        state.settled_flag = Flag.PASS
        state.excursion_samples = 0
        state.change_psu, state.change_s, state.allowed_psu = near_psu, near_s, near_allowed_psu
        flags["spike"] = flags["rate_of_change"] = Flag.PASS
        _forget_blocks(state)
        return
    flags["spike"] = Flag.SUSPECT
    rate_psu = (rise_psu_h if state.change_psu > 0.0 else fall_psu_h) * state.change_s / 3600.0
    certain_psu = (
        state.allowed_psu
        + (_FAIL_DIFFERENCE - _SUSPECT_DIFFERENCE) * noise_psu
        + (FAIL_RATES - 1.0) * rate_psu
    )
    flags["rate_of_change"] = Flag.FAIL if far_psu > certain_psu else Flag.SUSPECT


def _anchor(
    state: QartodState, salinity_psu: float, at_s: float, temperature_c: float | None
) -> None:
    state.anchor_psu = salinity_psu
    state.anchor_at_s = at_s
    state.anchor_c = temperature_c


def _judge_far(
    state: QartodState,
    limits: Bounds,
    at_s: float,
    salinity_psu: float,
    temperature_c: float | None,
    spread_psu: float,
    fall_psu_h: float,
    rise_psu_h: float,
) -> bool:
    """Whether the water could have gone from the anchor to here; remembers the numbers."""
    change_psu = salinity_psu - state.anchor_psu
    change_s = at_s - state.anchor_at_s
    allowed_psu = spread_psu + (rise_psu_h if change_psu > 0.0 else fall_psu_h) * change_s / 3600.0
    allowed_psu += _thermometer_psu(limits, salinity_psu, temperature_c, state.anchor_c)
    state.change_psu = change_psu
    state.change_s = change_s
    state.allowed_psu = allowed_psu
    return -allowed_psu <= change_psu <= allowed_psu


def _came_back(state: QartodState, noise_psu: float, step_psu: float) -> None:
    state.settled = "spike"
    state.settled_samples = state.excursion_samples
    certain = state.largest_excursion_psu > _FAIL_DIFFERENCE * noise_psu + step_psu
    state.settled_flag = Flag.FAIL if certain else Flag.SUSPECT
    state.excursion_samples = 0
    state.flags["spike"] = state.flags["rate_of_change"] = Flag.PASS


def _thermometer_psu(
    limits: Bounds, salinity_psu: float, now_c: float | None, before_c: float | None
) -> float:
    """Change of the corrected salinity that the thermometer's own uncertainty can feign. [1]"""
    if now_c is None or before_c is None:
        return 0.0
    change_c = min(abs(now_c - before_c), limits.temperature_jump_c)
    return PSU_PER_C * change_c * salinity_psu / _SALINITY_OF_PSU_PER_C


def _forget_blocks(state: QartodState) -> None:
    state.block_samples = 0
    state.mean_psu = None
    state.slow_suspect = False


def _extend_block(
    state: QartodState,
    sensor: SensorLearning,
    limits: Bounds,
    at_s: float,
    salinity_psu: float,
    fall_psu_h: float,
    rise_psu_h: float,
) -> None:
    """Compare means of ten minutes, for changes that no two neighbours show."""
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
    if elapsed_s < BLOCK_S or samples < BLOCK_SAMPLES:
        return
    mean_psu = state.block_sum_psu / samples
    mean_at_s = state.block_started_at_s + state.block_sum_s / samples
    if state.mean_psu is not None:
        change_psu = mean_psu - state.mean_psu
        change_s = mean_at_s - state.mean_at_s
        rate_psu_h = rise_psu_h if change_psu > 0.0 else fall_psu_h
        allowed_psu = (
            _SUSPECT_DIFFERENCE * sensor.effective_noise_psu / sqrt(BLOCK_SAMPLES)
            + sensor.rounding_psu
            + limits.thermometer_psu * salinity_psu / _SALINITY_OF_PSU_PER_C
            + rate_psu_h * change_s / 3600.0
        )
        state.slow_suspect = abs(change_psu) > allowed_psu
        state.slow_change_psu = change_psu
        state.slow_allowed_psu = allowed_psu
        state.slow_s = change_s
    state.mean_psu = mean_psu
    state.mean_at_s = mean_at_s
    state.block_samples = 0
