"""What the records say together: the fit over all checks, and the advice that follows."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from bridge.core.advice import DISTURBANCES, LIKELY, Advice, Evidence, advise
from bridge.core.agreement import Comparison, Measured, compare
from bridge.core.errors import OutOfRangeError
from bridge.core.findings import Assessment, Cause
from bridge.core.fit import Fit, FitPoint, SwingEstimate, fit_point, fit_probe
from bridge.core.records import (
    CheckRecord,
    ReferenceState,
    calibrated_at_s,
    device_calibrated_at_s,
    probe_in_force,
)
from bridge.core.seawater import (
    HIGHEST_SALINITY_PSU,
    HIGHEST_TEMPERATURE_C,
    LOWEST_SALINITY_PSU,
    LOWEST_TEMPERATURE_C,
)
from bridge.core.settings import Probe
from bridge.core.trends import TemperatureDependence

DAY_S: Final = 86400.0

LONGEST_USE_S: Final = 120 * DAY_S
"""Older checks say little about the probe of today (common practice, no source)."""

# Share of an instrument's variance that is the same in all its checks (scale and zero); the rest
# is reading and handling. Common practice, no source.
_SHARED_SHARE: Final = 0.5
# Standard uncertainty of the probe's own number in a check: one sample, and its thermometer.
_PROBE_PSU: Final = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """What the engine knows beyond the assessment, for advice and fit."""

    last_likely_at_s: Mapping[Cause, float] = field(default_factory=dict)
    swing: SwingEstimate | None = None
    coldest_c: float | None = None
    warmest_c: float | None = None


NOTHING_ELSE: Final = Surroundings()


def swing_estimate(dependence: TemperatureDependence | None) -> SwingEstimate | None:
    """What the tank's own temperature swing says about the coefficient in force.

    Args:
        dependence: Residual dependence of the undisturbed reading; positive means that the
            coefficient in force is too high.
    """
    if dependence is None or not 0 < dependence.uncertainty_pct_per_c < math.inf:
        return None
    return SwingEstimate(
        residual_pct_per_c=-dependence.pct_per_c,
        standard_uncertainty_pct_per_c=dependence.uncertainty_pct_per_c,
    )


def remember_likely(last_likely_at_s: dict[Cause, float], assessment: Assessment) -> None:
    """Note in place which disturbances are likely at this moment.

    Args:
        last_likely_at_s: When each disturbance was last likely; kept by the caller. [s]
        assessment: The tank's present state.
    """
    for cause in likely_disturbances(assessment):
        last_likely_at_s[cause] = assessment.at_s


def likely_disturbances(assessment: Assessment) -> tuple[Cause, ...]:
    """Disturbances that are the cause in force, or probable enough to forbid calibration."""
    probable = {
        finding.cause for finding in assessment.findings if not finding.probability < LIKELY
    }
    return tuple(cause for cause in DISTURBANCES if cause in probable or cause is assessment.cause)


def advice_for(
    state: ReferenceState,
    assessment: Assessment | None,
    *,
    probe: Probe,
    now_s: float,
    surroundings: Surroundings = NOTHING_ELSE,
    newest: Comparison | None = None,
) -> Advice:
    """What to do about the probe, from everything on record.

    Args:
        state: The records.
        assessment: The tank's present state; None counts as not settled.
        probe: The probe as configured.
        now_s: Unix time. [s]
        surroundings: Disturbances of late, swing estimate, the water's range of temperature.
        newest: Comparison of the newest check; left out, made again from its record.
    """
    probabilities: dict[Cause, float] = {}
    if assessment is not None:
        probabilities = {f.cause: f.probability for f in assessment.findings}
        # The cause in force counts even when another hypothesis has just overtaken it.
        if assessment.cause in DISTURBANCES:
            probabilities[assessment.cause] = max(LIKELY, probabilities.get(assessment.cause, 0.0))
    last = next((check for check in reversed(state.checks) if not check.undone), None)
    if newest is None and last is not None:
        newest = _again(last)
    in_force = probe_in_force(state, probe)
    salinity_psu, temperature_c = whereabouts(assessment, last)
    return advise(
        Evidence(
            at_s=now_s,
            probabilities=probabilities,
            last_likely_at_s=surroundings.last_likely_at_s,
            settled=assessment is not None and assessment.settled,
            comparison=newest,
            instrument_checked=last is not None and last.standard_checked,
            fit=fit_checks(state, probe, now_s=now_s, swing=surroundings.swing),
            swing=surroundings.swing,
            probe=in_force,
            salinity_psu=salinity_psu,
            temperature_c=temperature_c,
            coldest_c=surroundings.coldest_c,
            warmest_c=surroundings.warmest_c,
            calibrated_at_s=calibrated_at_s(state),
        )
    )


def advice_document(advice: Advice) -> dict[str, Any]:
    """The advice as it is published."""
    return {
        "action": advice.action.value,
        "sentence": advice.sentence,
        "reasons": [f"{answer.question} {answer.answer}" for answer in advice.answers],
    }


def fit_checks(
    state: ReferenceState, probe: Probe, *, now_s: float, swing: SwingEstimate | None = None
) -> Fit | None:
    """Fit gain and coefficient over the usable checks.

    Only checks of an undisturbed probe count, since the device was last calibrated and not older
    than ``LONGEST_USE_S``.

    Args:
        state: The records.
        probe: The probe as configured.
        now_s: Unix time. [s]
        swing: Residual coefficient from the tank's own temperature swing, against the one in force.

    Returns:
        The fit; None when no check can be used.
    """
    since_s = max(now_s - LONGEST_USE_S, device_calibrated_at_s(state) or -math.inf)
    in_force = probe_in_force(state, probe)
    points = [
        point
        for check in state.checks
        if check.usable and not check.undone and check.at_s >= since_s
        if (point := _fit_point(check, in_force)) is not None
    ]
    return fit_probe(in_force, points, swing=swing)


def undisturbed(assessment: Assessment) -> bool:
    """Whether the reading may be taken to tell about the probe itself."""
    return not likely_disturbances(assessment)


def _again(check: CheckRecord) -> Comparison:
    """The comparison of a recorded check."""
    estimate = None
    if check.estimate_psu is not None and check.estimate_expanded_uncertainty_psu is not None:
        estimate = Measured(check.estimate_psu, check.estimate_expanded_uncertainty_psu)
    return compare(
        estimate, Measured(check.reference_psu, check.reference_expanded_uncertainty_psu)
    )


def _fit_point(check: CheckRecord, probe: Probe) -> FitPoint | None:
    if check.reported is None or check.temperature_c is None:
        return None
    standard = check.reference_expanded_uncertainty_psu / 2
    shared = standard * math.sqrt(_SHARED_SHARE)
    try:
        point = fit_point(
            probe,
            reported=check.reported,
            temperature_c=check.temperature_c,
            reference_psu=check.reference_psu,
            independent_psu=math.hypot(standard * math.sqrt(1 - _SHARED_SHARE), _PROBE_PSU),
            shared_psu=shared,
            instrument=check.instrument,
            label=f"Check {check.number}",
        )
    except OutOfRangeError:
        # The device's number was no sea water at that moment: nothing to learn from.
        return None
    # C = g b f + offset = g (b + offset / (g f)) f: an offset in force is kept while fitting.
    away_c = check.temperature_c - probe.reference_temperature_c
    factor = 1 + (probe.coefficient_pct_per_c or 0.0) / 100 * away_c
    offset_ms_cm = probe.calibration.offset_ms_cm / probe.calibration.gain / factor
    return replace(point, referred_ms_cm=point.referred_ms_cm + offset_ms_cm)


def whereabouts(assessment: Assessment | None, last: CheckRecord | None) -> tuple[float, float]:
    """About which salinity and temperature the talk is; S = 35 and 25 °C when nothing is known."""
    salinity, temperature = None, None
    if assessment is not None:
        salinity, temperature = assessment.salinity_psu, assessment.temperature_c
    if salinity is None and last is not None:
        salinity = last.reference_psu
    if temperature is None and last is not None:
        temperature = last.temperature_c
    salinity = 35.0 if salinity is None else salinity
    temperature = 25.0 if temperature is None else temperature
    return (
        min(max(salinity, LOWEST_SALINITY_PSU), HIGHEST_SALINITY_PSU),
        min(max(temperature, LOWEST_TEMPERATURE_C), HIGHEST_TEMPERATURE_C),
    )
