"""The calibration command: judge it, question it where it looks wrong, and record it."""

import math
from typing import Any, Final

from bridge.core.calibration_doubts import (
    DAY_S,
    device_questions,
    doubts,
    move_questions,
    shift_psu,
)
from bridge.core.calibration_points import (
    CalibrationRequest,
    StandardPoint,
    derive_correction,
    standard_at_its_temperature_ms_cm,
)
from bridge.core.compensation import Corrector
from bridge.core.errors import OutOfRangeError, UserError
from bridge.core.findings import Assessment
from bridge.core.records import (
    CalibrationRecord,
    Correction,
    Outcome,
    ReferenceState,
    configured_correction,
    correction_in_force,
    history_row,
    probe_in_force,
    standing_calibrations,
    with_calibration,
)
from bridge.core.settings import Probe

# Common practice, no source, where nothing else is said.
STANDARD_EXPANDED_UNCERTAINTY_PSU: Final = 0.1
"""Of a fresh bottle of standard."""
THERMOMETER_EXPANDED_UNCERTAINTY_PSU: Final = 0.15
"""What 0.2 °C of the standard's temperature are worth (PSS-78: 0.77 S per °C)."""
SECOND_POINT_S: Final = 2 * 3600.0
SECOND_POINT_RATIO: Final = 1.2
"""Two standards give an offset only when their conductivities differ this much."""


def handle_calibration(
    request: CalibrationRequest,
    assessment: Assessment | None,
    state: ReferenceState,
    *,
    tank: str,
    probe: Probe,
    now_s: float,
    spread_psu: float | None = None,
) -> Outcome:
    """Judge and record a calibration, or ask back.

    Args:
        request: What the keeper did, or wants done.
        assessment: The tank's present state; None when there is none.
        state: The records so far.
        tank: Which tank, for the history.
        probe: The probe as configured.
        now_s: Unix time. [s]
        spread_psu: Standard deviation of the newest readings; None when not known. [1]

    Returns:
        The result, with what was recorded, or with the questions that stand
        against it, to be answered by sending it again with ``confirm``. The state changes only
        when something was recorded.

    Raises:
        UserError: the request makes no sense as it stands.
    """
    standard_ms_cm = standard_at_its_temperature_ms_cm(request)
    at_s = now_s if request.at_s is None else request.at_s
    if at_s > now_s + DAY_S:
        raise UserError("time lies in the future; accepted is the time of the calibration")
    expanded_psu = request.expanded_uncertainty_psu
    if expanded_psu is not None and not 0 < expanded_psu < math.inf:
        raise UserError(f"expanded_uncertainty is {expanded_psu:g}; it must be above 0")
    standard_psu = STANDARD_EXPANDED_UNCERTAINTY_PSU if expanded_psu is None else expanded_psu
    before = correction_in_force(state, probe, None)
    reading = _reading(request, assessment)
    point = _point(request, reading, standard_ms_cm, state, probe)
    questions, cautions = doubts(request, assessment, spread_psu)
    uncertainty_psu = math.hypot(
        standard_psu, THERMOMETER_EXPANDED_UNCERTAINTY_PSU, 2 * (spread_psu or 0.0)
    )
    if request.apply_in_daemon:
        if point is None:
            raise UserError(
                "there is no reading in the standard; give reading_before, the device's number"
            )
        points = [*_first_point(state, point, now_s, probe), point]
        gain, offset = derive_correction(points)
    else:
        gain, offset = 1.0, 0.0
        questions += device_questions(before, point, uncertainty_psu, request)
    after = Correction(
        gain=gain,
        offset_ms_cm=offset,
        coefficient_pct_per_c=before.coefficient_pct_per_c,
        expanded_uncertainty_psu=uncertainty_psu,
    )
    moved_psu = shift_psu(before, after, standard_ms_cm)
    if request.apply_in_daemon:
        questions += move_questions(moved_psu, before, uncertainty_psu, state, now_s)
    result: dict[str, Any] = {
        "standard_conductivity_ms_cm": round(standard_ms_cm, 4),
        "reading": reading,
        "gain": round(gain, 6),
        "offset_ms_cm": round(offset, 4),
        "moves_reading_by": round(moved_psu, 3),
        "expanded_uncertainty": round(uncertainty_psu, 3),
        "questions": questions,
        "cautions": cautions,
    }
    if questions and not request.confirm:
        result |= {
            "recorded": False,
            "sentence": "Not recorded yet. Answer the questions, then send it again with confirm.",
        }
        return Outcome(result, (), state)
    record = CalibrationRecord(
        number=state.next_number,
        at_s=at_s,
        recorded_at_s=now_s,
        standard=request.standard,
        where="daemon" if request.apply_in_daemon else "device",
        stated_value=request.value,
        stated_unit=request.unit.value,
        temperature_c=request.temperature_c,
        standard_ms_cm=standard_ms_cm,
        standard_expanded_uncertainty_psu=standard_psu,
        reading_before=reading if request.apply_in_daemon else request.reading_before,
        reading_after=request.reading_after,
        by=request.by,
        note=request.note,
        before=before,
        after=after,
        configured=configured_correction(probe),
        questions=questions,
    )
    return _recorded(result, record, state, tank, now_s)


def handle_undo(
    number: int, state: ReferenceState, *, tank: str, probe: Probe, now_s: float, by: str = ""
) -> Outcome:
    """Undo the newest standing calibration by a new record.

    Args:
        number: The calibration's number.
        state: The records so far.
        tank: Which tank, for the history.
        probe: The probe as configured.
        now_s: Unix time. [s]
        by: Who.

    Returns:
        The result, and the state with the undoing record.

    Raises:
        UserError: there is no such calibration, or a newer one stands on it.
    """
    standing = standing_calibrations(state)
    undone = next((record for record in standing if record.number == number), None)
    if undone is None:
        numbers = ", ".join(str(record.number) for record in standing) or "none"
        raise UserError(f"calibration {number} is not on record; standing are: {numbers}")
    if undone is not standing[-1]:
        raise UserError(
            f"calibration {number} is not the newest; undo calibration {standing[-1].number} first"
        )
    record = CalibrationRecord(
        number=state.next_number,
        at_s=now_s,
        recorded_at_s=now_s,
        standard=undone.standard,
        where=undone.where,
        stated_value=None,
        stated_unit=None,
        temperature_c=None,
        standard_ms_cm=None,
        standard_expanded_uncertainty_psu=None,
        reading_before=None,
        reading_after=None,
        by=by,
        note=f"undoes calibration {number}",
        before=correction_in_force(state, probe, None),
        after=undone.before,
        configured=configured_correction(probe),
        undoes=number,
    )
    result: dict[str, Any] = {"undone": number}
    if undone.where == "device":
        result["cautions"] = [
            (
                "The device itself was calibrated; this only takes back the record. "
                "Undo it at the device as well."
            )
        ]
    return _recorded(result, record, state, tank, now_s)


def _recorded(
    result: dict[str, Any],
    record: CalibrationRecord,
    state: ReferenceState,
    tank: str,
    now_s: float,
) -> Outcome:
    after = record.after
    result |= {
        "recorded": True,
        "calibration": record.number,
        "gain": round(after.gain, 6),
        "offset_ms_cm": round(after.offset_ms_cm, 4),
        "sentence": (
            f"Recorded as calibration {record.number}. In force from now on: gain "
            f"{after.gain:.4f}, offset {after.offset_ms_cm:.2f} mS/cm."
        ),
    }
    return Outcome(result, (history_row(tank, now_s, record),), with_calibration(state, record))


def _reading(request: CalibrationRequest, assessment: Assessment | None) -> float | None:
    """The device's number in the standard, as far as it is known."""
    stated = request.reading_before if request.apply_in_daemon else request.reading_after
    if stated is not None:
        return stated
    # A calibration reported for an earlier moment has nothing to do with the number now.
    if assessment is None or request.at_s is not None:
        return None
    return assessment.reported


def _point(
    request: CalibrationRequest,
    reading: float | None,
    standard_ms_cm: float,
    state: ReferenceState,
    probe: Probe,
) -> StandardPoint | None:
    if reading is None:
        return None
    try:
        measured = Corrector(probe_in_force(state, probe)).uncalibrated_ms_cm(
            reading, request.temperature_c
        )
    except OutOfRangeError as error:
        if not request.apply_in_daemon:
            return None
        raise UserError(f"the reading in the standard cannot be used: {error}") from error
    return StandardPoint(standard_ms_cm, measured)


def _first_point(
    state: ReferenceState, point: StandardPoint, now_s: float, probe: Probe
) -> list[StandardPoint]:
    """The standard measured just before, when it makes two points of it."""
    standing = standing_calibrations(state)
    if not standing:
        return []
    last = standing[-1]
    if (
        last.where != "daemon"
        or last.standard_ms_cm is None
        or last.reading_before is None
        or last.temperature_c is None
        or now_s - last.recorded_at_s > SECOND_POINT_S
        or last.configured != configured_correction(probe)
    ):
        return []
    ratio = point.standard_ms_cm / last.standard_ms_cm
    if max(ratio, 1 / ratio) < SECOND_POINT_RATIO:
        return []
    measured = Corrector(probe_in_force(state, probe)).uncalibrated_ms_cm(
        last.reading_before, last.temperature_c
    )
    return [StandardPoint(last.standard_ms_cm, measured)]
