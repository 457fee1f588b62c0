"""The fit command: what the checks suggest, applied in the daemon on confirmation only."""

from typing import Any, Final

from bridge.core.errors import UserError
from bridge.core.findings import Assessment
from bridge.core.fit import Fit
from bridge.core.judgement import (
    NOTHING_ELSE,
    Surroundings,
    fit_checks,
    undisturbed,
    whereabouts,
)
from bridge.core.records import (
    CalibrationRecord,
    Correction,
    Outcome,
    ReferenceState,
    configured_correction,
    correction_in_force,
    history_row,
    probe_in_force,
    with_calibration,
)
from bridge.core.settings import Probe
from bridge.core.suggestion import Suggestion, shift_psu, suggest

REFERENCE_CHECKS: Final = "reference-checks"
"""What a correction fitted to checks is traced to, in place of a standard."""

_SMALLEST_GAIN, _LARGEST_GAIN = 0.5, 2.0
_LARGEST_COEFFICIENT_PCT: Final = 5.0


def handle_fit(
    state: ReferenceState,
    assessment: Assessment | None,
    *,
    tank: str,
    probe: Probe,
    now_s: float,
    confirm: bool = False,
    by: str = "",
    surroundings: Surroundings = NOTHING_ELSE,
) -> Outcome:
    """Suggest gain and coefficient from the checks; apply them only on confirmation.

    Args:
        state: The records.
        assessment: The tank's present state.
        tank: Which tank, for the history.
        probe: The probe as configured.
        now_s: Unix time. [s]
        confirm: Whether the keeper has seen the suggestion and wants it applied here.
        by: Who.
        surroundings: Disturbances of late, swing estimate, the water's range of temperature.

    Returns:
        The suggestion, and with ``confirm`` the state in which it is in force.

    Raises:
        UserError: there is nothing to fit, or applying it now would be a mistake.
    """
    fit = fit_checks(state, probe, now_s=now_s, swing=surroundings.swing)
    if fit is None:
        raise UserError(
            "there is no reference check to fit; accepted are checks made while the probe is "
            "undisturbed"
        )
    last = next((check for check in reversed(state.checks) if not check.undone), None)
    salinity_psu, temperature_c = whereabouts(assessment, last)
    in_force = probe_in_force(state, probe)
    suggestion = suggest(fit, in_force, salinity_psu=salinity_psu, temperature_c=temperature_c)
    moved = shift_psu(fit, in_force, salinity_psu, temperature_c)
    result = _fit_document(fit, suggestion, moved, in_force)
    if not confirm:
        result |= {"recorded": False, "sentence": "Send it again with confirm to apply it here."}
        return Outcome(result, (), state)
    if assessment is None or not assessment.settled or not undisturbed(assessment):
        cause = "not settled" if assessment is None else assessment.cause.value
        raise UserError(f"not applied: the probe is disturbed at present ({cause}); fix that first")
    if fit.contains(in_force.calibration.gain, in_force.coefficient_pct_per_c or 0.0):
        raise UserError(
            "not applied: what is in force agrees with the checks within their uncertainty; "
            "leave it alone"
        )
    record = _fit_record(fit, state, probe=probe, temperature_c=temperature_c, now_s=now_s, by=by)
    result |= {
        "recorded": True,
        "calibration": record.number,
        "sentence": f"Applied as calibration {record.number}; it can be undone.",
    }
    return Outcome(result, (history_row(tank, now_s, record),), with_calibration(state, record))


def _fit_record(
    fit: Fit,
    state: ReferenceState,
    *,
    probe: Probe,
    temperature_c: float,
    now_s: float,
    by: str,
) -> CalibrationRecord:
    before = correction_in_force(state, probe)
    gain, coefficient = fit.gain, before.coefficient_pct_per_c
    if fit.coefficient_pct_per_c is not None:
        if coefficient is not None:
            coefficient = fit.coefficient_pct_per_c
        else:
            # A device that takes no coefficient is made right where the tank runs.
            away_c = temperature_c - fit.reference_temperature_c
            gain *= 1 + fit.coefficient_pct_per_c / 100 * away_c
    if not _SMALLEST_GAIN < gain < _LARGEST_GAIN or not (
        0 <= (coefficient or 0.0) <= _LARGEST_COEFFICIENT_PCT
    ):
        raise UserError(
            f"not applied: a gain of {gain:.3f} with {coefficient or 0.0:.2f} % per °C is "
            "beyond any working probe; look for a mistake in the checks"
        )
    after = Correction(
        gain=gain,
        offset_ms_cm=before.offset_ms_cm * gain / before.gain,
        coefficient_pct_per_c=coefficient,
        # 39.4 S for a relative change of conductivity at S = 35 (PSS-78).
        expanded_uncertainty_psu=39.4 * fit.conductivity_uncertainty(temperature_c),
    )
    return CalibrationRecord(
        number=state.next_number,
        at_s=now_s,
        recorded_at_s=now_s,
        standard=REFERENCE_CHECKS,
        where="daemon",
        stated_value=None,
        stated_unit=None,
        temperature_c=temperature_c,
        standard_ms_cm=None,
        standard_expanded_uncertainty_psu=None,
        reading_before=None,
        reading_after=None,
        by=by,
        note=f"fitted to {fit.checks} reference checks",
        before=before,
        after=after,
        configured=configured_correction(probe),
    )


def _fit_document(
    fit: Fit, suggestion: Suggestion, moved_psu: float, in_force: Probe
) -> dict[str, Any]:
    return {
        "checks": fit.checks,
        "gain": round(fit.gain, 6),
        "gain_expanded_uncertainty": round(fit.gain_expanded_uncertainty, 6),
        "coefficient_pct_per_c": _rounded(fit.coefficient_pct_per_c),
        "coefficient_expanded_uncertainty_pct_per_c": _rounded(
            fit.coefficient_expanded_uncertainty_pct_per_c
        ),
        "coefficient_in_force_pct_per_c": in_force.coefficient_pct_per_c,
        "device_cell_factor": round(suggestion.device_cell_factor, 6),
        "device_coefficient_pct_per_c": _rounded(suggestion.device_coefficient_pct_per_c),
        "moves_reading_by": round(moved_psu, 3),
        "suspects": list(fit.suspects),
        "missing": list(fit.missing),
        "sentences": list(suggestion.sentences),
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)
