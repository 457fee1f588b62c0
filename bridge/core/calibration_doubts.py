"""What speaks against a calibration: questions to answer first, and cautions to bear in mind."""

import math
from typing import Final

from bridge.core.advice import DISTURBANCES
from bridge.core.calibration_points import (
    CalibrationRequest,
    StandardPoint,
    standard_at_its_temperature_ms_cm,
)
from bridge.core.findings import Assessment
from bridge.core.records import Correction, ReferenceState, calibrated_at_s
from bridge.core.seawater import conductivity_ms_cm

DAY_S: Final = 86400.0

SETTLED_DRIFT_PSU: Final = 0.3
DRIFT_PSU_PER_DAY: Final = 0.005
LARGEST_DRIFT_PSU: Final = 2.0
"""Explainable between calibrations. Moored sensors drift less (0.065 a year, TRITON) unless fouled
(2 in a week)."""
FIRST_CALIBRATION_PSU: Final = 4.0
"""A cell never calibrated may be 10 % off its nominal constant."""
UNSTABLE_PSU: Final = 0.1
"""Standard deviation of readings in the standard above which they are not stable."""
FAR_TEMPERATURE_C: Final = 2.0
FAR_RATIO: Final = 2.0


def doubts(
    request: CalibrationRequest, assessment: Assessment | None, spread_psu: float | None
) -> tuple[list[str], list[str]]:
    """Questions that must be answered, and cautions that are only said.

    Args:
        request: The calibration.
        assessment: The tank's present state.
        spread_psu: Standard deviation of the newest readings; None when not known. [1]
    """
    questions, cautions = [], []
    if spread_psu is not None and not spread_psu <= UNSTABLE_PSU:
        questions.append(
            f"The readings are not steady: they scatter by {spread_psu:.2f}. "
            "Swish the probe gently, wait, and look for bubbles. Is the reading steady now?"
        )
    if assessment is not None and request.at_s is None:
        if assessment.cause in DISTURBANCES:
            questions.append(
                f"The probe shows {assessment.cause}. A calibration now would build that in. "
                "Is the probe really undisturbed in its standard?"
            )
        tank_c = assessment.temperature_c
        if tank_c is not None and abs(tank_c - request.temperature_c) > FAR_TEMPERATURE_C:
            away_c = abs(tank_c - request.temperature_c)
            cautions.append(
                f"The standard has {request.temperature_c:.1f} °C, the thermometer "
                f"{tank_c:.1f} °C. A coefficient that is 0.1 % per °C wrong would leave an error "
                f"of {0.0394 * away_c:.2f}. Bring the standard to the tank's temperature."
            )
    sea_water = conductivity_ms_cm(35.0, 25.0)
    ratio = standard_at_its_temperature_ms_cm(request) / sea_water
    if max(ratio, 1 / ratio) > FAR_RATIO:
        cautions.append(
            "This standard is far from sea water. A probe that is right here may still be off "
            "there; a sea-water standard tells more."
        )
    return questions, cautions


def device_questions(
    before: Correction,
    point: StandardPoint | None,
    uncertainty_psu: float,
    request: CalibrationRequest,
) -> list[str]:
    """What to ask when the device itself was calibrated."""
    questions = []
    if not before.neutral:
        questions.append(
            f"A gain of {before.gain:.4f} and an offset of {before.offset_ms_cm:.2f} mS/cm are "
            "applied here at present. With the device calibrated they will be set back to 1 "
            "and 0. Is that right?"
        )
    if request.reading_after is not None and point is not None and point.measured_ms_cm > 0:
        off_psu = 39.4 * math.log(point.measured_ms_cm / point.standard_ms_cm)
        if abs(off_psu) > uncertainty_psu:
            questions.append(
                f"After the calibration the device still reads {off_psu:+.2f} off the standard, "
                f"more than the {uncertainty_psu:.2f} explained. Was the temperature right, and "
                "did the device accept the calibration?"
            )
    return questions


def shift_psu(before: Correction, after: Correction, at_ms_cm: float) -> float:
    """By how much the correction moves a reading near the standard, to first order."""
    measured = (at_ms_cm - before.offset_ms_cm) / before.gain
    moved = after.gain * measured + after.offset_ms_cm
    if not moved > 0 or not measured > 0:
        return math.inf
    return 39.4 * math.log(moved / at_ms_cm)


def move_questions(
    moved_psu: float,
    before: Correction,
    uncertainty_psu: float,
    state: ReferenceState,
    now_s: float,
) -> list[str]:
    """Does the calibration move the reading by more than can be explained?"""
    last_s = calibrated_at_s(state)
    if last_s is None and before.neutral:
        drift_psu = FIRST_CALIBRATION_PSU
    else:
        days = 0.0 if last_s is None else max(0.0, now_s - last_s) / DAY_S
        drift_psu = min(LARGEST_DRIFT_PSU, SETTLED_DRIFT_PSU + DRIFT_PSU_PER_DAY * days)
    explained = math.hypot(uncertainty_psu, before.expanded_uncertainty_psu, drift_psu)
    if not abs(moved_psu) > explained:
        return []
    return [
        (
            f"This would move the reading by {moved_psu:+.2f}, more than the {explained:.2f} that "
            "drift and uncertainty explain. Is it the right standard, fresh, at the stated "
            "temperature, and is the probe clean and free of bubbles?"
        )
    ]
