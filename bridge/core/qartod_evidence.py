"""Tests against other evidence: thermometer, switching devices, own noise, second probe."""

from typing import Final

from bridge.core.findings import Flag
from bridge.core.learning import SensorLearning
from bridge.core.qartod_bounds import PSU_PER_C, Bounds
from bridge.core.qartod_state import (
    FAIL,
    MISSING,
    NOT_EVALUATED,
    PASS,
    SUSPECT,
    QartodState,
)

EXPLAINED_SHARE: Final = 0.3
"""How far a change may miss what the thermometer explains: the factor itself varies with
temperature by 5 %, and thermometer and probe are read at different moments."""
SUSPECT_ATTENUATION: Final = 1 / 3
FAIL_ATTENUATION: Final = 1 / 10
"""Two blocks in a row below these shares of the sensor's own noise. A block's noise, a median
of 25, scatters by about a quarter."""


def judge_evidence(
    state: QartodState,
    sensor: SensorLearning,
    limits: Bounds,
    at_s: float,
    temperature_c: float | None,
) -> Flag:
    """Flag of the multi-variate test; to be called after ``ChangeTests.judge``.

    SUSPECT while the salinity is off by just what a jump of the thermometer explains, and while
    an excursion lasts that began when a device switched. The water cannot have followed such a
    jump: a thermometer that leaves the water or fails moves only the correction.

    Args:
        state: Memory of the tests; changed.
        sensor: Learned noise and cadence.
        limits: Bounds of the tank.
        at_s: Time of the sample; its salinity is ``state.judged_psu``. [s]
        temperature_c: Water temperature; None when unknown. [C]
    """
    switched_at_s = state.switched_at_s
    state.coincident = (
        state.excursion_samples > 0
        and switched_at_s is not None
        and abs(state.excursion_at_s - switched_at_s) <= sensor.late_s
    )
    if state.coincident:
        return SUSPECT
    before_c = state.temperature_c
    salinity_psu, before_psu = state.judged_psu, state.salinity_psu
    if temperature_c is None or before_c is None or salinity_psu is None or before_psu is None:
        return NOT_EVALUATED
    if not state.jump:
        if temperature_c == before_c:
            return PASS
        state.jump_at_s = state.salinity_at_s
        state.jump_from_c = before_c
        state.jump_from_psu = before_psu
    jump_c = temperature_c - state.jump_from_c
    elapsed_h = (at_s - state.jump_at_s) / 3600.0
    if abs(jump_c) <= limits.temperature_jump_c + limits.temperature_change_c_h * elapsed_h:
        state.jump = False
        return PASS
    explained_psu = -PSU_PER_C * jump_c * state.jump_from_psu / 35.0
    missed_psu = abs(salinity_psu - state.jump_from_psu - explained_psu)
    margin_psu = EXPLAINED_SHARE * abs(explained_psu) + 5.0 * sensor.effective_noise_psu
    # Noise alone must not pass for an explanation.
    state.jump = missed_psu <= margin_psu < abs(explained_psu)
    return SUSPECT if state.jump else PASS


def judge_attenuation(sensor: SensorLearning) -> Flag:
    """Flag of the attenuated-signal test.

    Args:
        sensor: Learned noise, of long standing and of late.
    """
    learned = sensor.state
    recent_psu = learned.recent_noise_psu
    before_psu = learned.recent_noise_before_psu
    if recent_psu is None or before_psu is None or not sensor.noise_settled or sensor.coarse:
        return NOT_EVALUATED
    share = max(recent_psu, before_psu) / sensor.noise_psu
    if share >= SUSPECT_ATTENUATION:
        return PASS
    return FAIL if share < FAIL_ATTENUATION else SUSPECT


def judge_neighbour(
    state: QartodState,
    sensor: SensorLearning,
    expanded_psu: float,
    at_s: float,
    salinity_psu: float | None,
) -> Flag:
    """Flag of the neighbour test.

    Two results disagree when their difference passes both expanded uncertainties together.

    Args:
        state: Holds the second probe's newest sample.
        sensor: Its ``late_s`` also bounds the age of the second probe's sample.
        expanded_psu: Both expanded uncertainties (k = 2), as a root sum of squares. [1]
        at_s: Time of the sample. [s]
        salinity_psu: Corrected salinity; None when unknown. [1]

    Source: normalised error of ISO 13528 and ISO/IEC 17043.
    """
    if salinity_psu is None:
        return MISSING
    if state.neighbour_psu is None or abs(at_s - state.neighbour_at_s) > sensor.late_s:
        return NOT_EVALUATED
    apart_psu = abs(salinity_psu - state.neighbour_psu)
    return PASS if apart_psu <= expanded_psu else SUSPECT
