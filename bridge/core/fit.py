"""Gain and temperature coefficient of a probe, from reference checks at different temperatures.

The device measured C / g and referred it with its coefficient a, so that undone with a trial
coefficient and multiplied by a trial gain it must give the reference's conductivity:

    ln C(S_ref, T) = ln g + ln b + ln(1 + a (T - T_ref)) + common error of the instrument

where b is what the device reported, as conductivity at its reference temperature. In logarithms
the problem is almost linear, so few Gauss-Newton steps suffice. Huber's weights keep one bad check
from spoiling the rest. What the data cannot tell is not fitted, and said to be missing.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from bridge.core.compensation import LINEAR_REPORTS, Corrector
from bridge.core.errors import OutOfRangeError
from bridge.core.seawater import (
    HIGHEST_SALINITY_PSU,
    LOWEST_SALINITY_PSU,
    conductivity_ms_cm,
)
from bridge.core.settings import Probe, Reports

Array = NDArray[np.float64]

SMALLEST_SPAN_C: Final = 2.0
"""Two checks must be this far apart in temperature before they can tell a coefficient."""

LARGEST_COEFFICIENT_UNCERTAINTY_PCT: Final = 1.0
"""Expanded; a coefficient known no better than this is not worth stating."""

LARGEST_CONDITION: Final = 100.0
"""Condition number of the scaled problem above which gain and coefficient cannot be told apart."""

# Huber's threshold in standard uncertainties. Those are known here, not estimated, so 2 costs 1 %
# of efficiency on clean data and still bounds an outlier.
_HUBER: Final = 2.0
_SUSPECT: Final = 3.0
_ITERATIONS: Final = 50
_CONVERGED: Final = 1e-12

# 95 % quantiles of chi-squared, by degrees of freedom (any table; scipy checks them in the tests).
CHI_SQUARED_95: Final = {1: 3.841, 2: 5.991}


@dataclass(frozen=True, slots=True, kw_only=True)
class FitPoint:
    """One reference check, ready for fitting."""

    referred_ms_cm: float
    """What the device reported, as conductivity at its reference temperature (coefficient 0)."""
    temperature_c: float
    reference_psu: float
    independent_psu: float
    """Standard uncertainty that is new in every check, > 0."""
    shared_psu: float = 0.0
    """Standard uncertainty of what all checks with the same instrument share."""
    instrument: str = ""
    """Which instrument; checks with the same name share one error."""
    label: str = ""
    """How the check is called when it does not fit the others, for instance its time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SwingEstimate:
    """How the corrected reading follows the tank's own temperature, as a coefficient."""

    residual_pct_per_c: float
    """What must be added to the coefficient in force, so that the reading follows no longer."""
    standard_uncertainty_pct_per_c: float


@dataclass(frozen=True, slots=True)
class Fit:
    """Gain and, where the data can tell it, temperature coefficient."""

    gain: float
    gain_expanded_uncertainty: float
    coefficient_pct_per_c: float | None
    """None when the data cannot tell it; then the gain holds for the coefficient in force."""
    coefficient_expanded_uncertainty_pct_per_c: float | None
    covariance: tuple[tuple[float, float], tuple[float, float]]
    """Of (ln gain, coefficient in %/°C)."""
    assumed_coefficient_pct_per_c: float
    """The coefficient that goes with the gain: fitted, or in force."""
    reference_temperature_c: float
    checks: int
    chi_squared: float
    """Weighted sum of squares left over."""
    suspects: tuple[str, ...]
    """Labels of checks that do not fit the others."""
    missing: tuple[str, ...]
    """What would let the data tell more."""

    @property
    def dimensions(self) -> int:
        """How many of gain and coefficient were fitted."""
        return 1 if self.coefficient_pct_per_c is None else 2

    def distance_squared(self, gain: float, coefficient_pct_per_c: float) -> float:
        """Squared distance of a pair from the fit, in its covariance (Mahalanobis).

        With a coefficient that was not fitted, the gain alone counts.
        """
        covariance = np.array(self.covariance)
        if self.coefficient_pct_per_c is None:
            return float(math.log(gain / self.gain) ** 2 / covariance[0, 0])
        away = np.array(
            [
                math.log(gain / self.gain),
                coefficient_pct_per_c - self.coefficient_pct_per_c,
            ]
        )
        return float(away @ np.linalg.solve(covariance, away))

    def contains(self, gain: float, coefficient_pct_per_c: float) -> bool:
        """Whether the pair lies in the 95 % region."""
        return (
            self.distance_squared(gain, coefficient_pct_per_c) <= (CHI_SQUARED_95[self.dimensions])
        )

    def conductivity_uncertainty(self, temperature_c: float) -> float:
        """Relative expanded uncertainty of conductivity corrected with this fit."""
        away_c = temperature_c - self.reference_temperature_c
        slope = np.array([1.0, away_c / (100 + self.assumed_coefficient_pct_per_c * away_c)])
        return 2 * math.sqrt(float(slope @ np.array(self.covariance) @ slope))


def fit_point(
    probe: Probe,
    *,
    reported: float,
    temperature_c: float,
    reference_psu: float,
    independent_psu: float,
    shared_psu: float = 0.0,
    instrument: str = "",
    label: str = "",
) -> FitPoint:
    """Prepare one reference check for fitting, by undoing what the device did.

    Args:
        probe: The probe's settings; coefficient and calibration are ignored.
        reported: The device's number at the moment of the check. [probe.unit]
        temperature_c: Water temperature at the probe. [°C]
        reference_psu: Reference salinity, 2..42. [1]
        independent_psu: Standard uncertainty new in every check, > 0. [1]
        shared_psu: Standard uncertainty shared by one instrument's checks. [1]
        instrument: Which instrument.
        label: How to call the check.

    Raises:
        OutOfRangeError: the reading is no sea water.
        ValueError: an uncertainty is not usable.
    """
    if not 0 < independent_psu < math.inf or not 0 <= shared_psu < math.inf:
        raise ValueError(
            "a check needs an independent uncertainty above 0, and a finite shared one"
        )
    if not LOWEST_SALINITY_PSU <= reference_psu <= HIGHEST_SALINITY_PSU:
        raise OutOfRangeError(f"reference salinity is {reference_psu:g}; valid is 2 to 42")
    bare = probe
    if probe.reports in LINEAR_REPORTS:
        bare = replace(probe, coefficient_pct_per_c=0.0)
    referred = Corrector(bare).uncalibrated_ms_cm(reported, temperature_c)
    if not referred > 0:
        raise OutOfRangeError("the device reported no conductivity; it must be above 0")
    return FitPoint(
        referred_ms_cm=referred,
        temperature_c=temperature_c,
        reference_psu=reference_psu,
        independent_psu=independent_psu,
        shared_psu=shared_psu,
        instrument=instrument,
        label=label,
    )


def fit_probe(
    probe: Probe, points: Sequence[FitPoint], *, swing: SwingEstimate | None = None
) -> Fit | None:
    """Fit gain and temperature coefficient by weighted least squares.

    Args:
        probe: The probe's settings. Its coefficient is what a swing estimate refers to, and what
            is kept where the data cannot tell it. A device with unknown compensation
            (``salinity``) has a residual coefficient instead, ideally 0.
        points: Reference checks, of :func:`fit_point` with the same probe.
        swing: Residual coefficient from the tank's own temperature swing, when known.

    Returns:
        The fit; None without any check. Its 95 % region rests on the stated uncertainties, widened
        when the checks scatter more than those explain.

    Error: on 500 simulated histories (five checks of a 0.5 S instrument, 22 to 29 °C) the region
        holds the truth in 93 to 97 %.

    Source: JCGM 100:2008 (GUM), H.3 for the principle; Huber 1964 for the weights;
        Birge 1932 for the widening.
    """
    if not points:
        return None
    in_force = probe.coefficient_pct_per_c or 0.0
    can_have_coefficient = probe.reports in LINEAR_REPORTS or probe.reports is Reports.SALINITY
    missing = _missing(points, swing) if can_have_coefficient else ()
    free = can_have_coefficient and not missing
    prior: tuple[float, float] | None = None
    if free and swing is not None:
        prior = (in_force + swing.residual_pct_per_c, swing.standard_uncertainty_pct_per_c)
    problem = _Problem(points, probe.reference_temperature_c)
    if free:
        fitted = problem.solve(in_force, prior)
        width = 2 * math.sqrt(fitted.covariance[1, 1])
        if width <= LARGEST_COEFFICIENT_UNCERTAINTY_PCT and (
            fitted.condition <= LARGEST_CONDITION or prior is not None
        ):
            return _result(points, fitted, probe.reference_temperature_c, free=True, missing=())
        told = (
            f"the coefficient would be known to ± {width:.1f} % per °C only: more checks, "
            "farther apart in temperature, or with a better instrument"
        )
        missing = (told,)
    # Not told by the data: the setting in force, as uncertain as it is said to be.
    uncertainty = probe.coefficient_uncertainty_pct_per_c / 2 if can_have_coefficient else 0.0
    fitted = problem.solve(in_force, (in_force, uncertainty))
    return _result(points, fitted, probe.reference_temperature_c, free=False, missing=missing)


def _missing(points: Sequence[FitPoint], swing: SwingEstimate | None) -> tuple[str, ...]:
    if swing is not None:
        return ()
    temperatures = [point.temperature_c for point in points]
    span = max(temperatures) - min(temperatures)
    if span >= SMALLEST_SPAN_C:
        return ()
    have = (
        "there is one so far"
        if len(points) == 1
        else f"the {len(points)} so far span {span:.1f} °C"
    )
    return (f"two checks at least {SMALLEST_SPAN_C:g} °C apart ({have})",)


@dataclass(slots=True)
class _Fitted:
    parameters: Array
    covariance: Array
    residuals: Array
    chi_squared: float
    freedom: int
    condition: float


class _Problem:
    """The checks as arrays, in logarithms of conductivity."""

    def __init__(self, points: Sequence[FitPoint], reference_temperature_c: float) -> None:
        temperature_c = np.array([point.temperature_c for point in points])
        salinity = np.array([point.reference_psu for point in points])
        self.away_c = temperature_c - reference_temperature_c
        self.target = np.log(conductivity_ms_cm(salinity, temperature_c)) - np.log(
            [point.referred_ms_cm for point in points]
        )
        # One slope for all: taken at each noisy reference, weights would follow the noise.
        middle = float(np.clip(np.mean(salinity), LOWEST_SALINITY_PSU + 1, 41))
        self.per_psu = math.log(
            conductivity_ms_cm(middle + 0.5, 25.0) / conductivity_ms_cm(middle - 0.5, 25.0)
        )
        self.sigma = self.per_psu * np.array([point.independent_psu for point in points])
        self.names = sorted({point.instrument for point in points if point.shared_psu > 0})
        self.shared = np.array(
            [
                [
                    point.shared_psu * self.per_psu * (point.instrument == name)
                    for name in self.names
                ]
                for point in points
            ]
        ).reshape(len(points), len(self.names))

    def solve(self, start_coefficient: float, prior: tuple[float, float] | None) -> _Fitted:
        """Gauss-Newton with Huber weights on (ln gain, coefficient, one error per instrument).

        A prior of no width holds the coefficient.
        """
        held = prior is not None and prior[1] == 0
        columns = 2 + len(self.names)
        parameters = np.zeros(columns)
        parameters[1] = prior[0] if prior is not None and held else start_coefficient
        residuals, jacobian = self._linearised(parameters)
        parameters[0] = float(np.median(residuals * self.sigma))
        weights = np.ones(len(self.target))
        for _ in range(_ITERATIONS):
            residuals, jacobian = self._linearised(parameters)
            size = np.abs(residuals)
            weights = np.where(size <= _HUBER, 1.0, _HUBER / np.maximum(size, _HUBER))
            rows, right = self._with_priors(jacobian, residuals, weights, parameters, prior)
            if held:
                rows[:, 1] = 0.0
            step = np.linalg.lstsq(rows, right, rcond=None)[0]
            parameters = parameters + step
            if float(np.max(np.abs(step))) < _CONVERGED:
                break
        residuals, jacobian = self._linearised(parameters)
        rows, right = self._with_priors(jacobian, residuals, weights, parameters, prior)
        kept = [index for index in range(columns) if not (held and index == 1)]
        inverse = np.linalg.pinv(rows[:, kept].T @ rows[:, kept])
        covariance = np.zeros((2, 2))
        free = [index for index in kept if index < 2]  # noqa: PLR2004 (gain and coefficient)
        covariance[np.ix_(free, free)] = inverse[: len(free), : len(free)]
        scaled = jacobian[:, :2] / np.linalg.norm(jacobian[:, :2], axis=0).clip(min=1e-300)
        return _Fitted(
            parameters=parameters,
            covariance=covariance,
            residuals=residuals,
            chi_squared=float(right @ right),
            freedom=max(0, len(self.target) + (prior is not None and not held) - len(free)),
            condition=float(np.linalg.cond(scaled)),
        )

    def _linearised(self, parameters: Array) -> tuple[Array, Array]:
        """Residuals in standard uncertainties, and the model's derivatives in the same unit."""
        # Below a tenth the linear device would report ten times too much; the step comes back.
        factor = np.maximum(1 + parameters[1] / 100 * self.away_c, 0.1)
        model = parameters[0] + np.log(factor) + self.shared @ parameters[2:]
        jacobian = np.column_stack(
            [np.ones_like(self.away_c), self.away_c / 100 / factor, self.shared]
        )
        return (self.target - model) / self.sigma, jacobian / self.sigma[:, None]

    def _with_priors(
        self,
        jacobian: Array,
        residuals: Array,
        weights: Array,
        parameters: Array,
        prior: tuple[float, float] | None,
    ) -> tuple[Array, Array]:
        root = np.sqrt(weights)
        rows = [jacobian * root[:, None]]
        right = [residuals * root]
        # Each instrument's common error is 0 with its own (unit) standard uncertainty.
        extra = np.zeros((len(self.names), len(parameters)))
        extra[:, 2:] = np.eye(len(self.names))
        rows.append(extra)
        right.append(-parameters[2:])
        if prior is not None and prior[1] > 0:
            row = np.zeros((1, len(parameters)))
            row[0, 1] = 1 / prior[1]
            rows.append(row)
            right.append(np.array([(prior[0] - parameters[1]) / prior[1]]))
        return np.vstack(rows), np.concatenate(right)


def _result(
    points: Sequence[FitPoint],
    fitted: _Fitted,
    reference_temperature_c: float,
    *,
    free: bool,
    missing: tuple[str, ...],
) -> Fit:
    covariance = fitted.covariance * _birge(fitted)
    gain = math.exp(fitted.parameters[0])
    coefficient = float(fitted.parameters[1])
    suspects = tuple(
        point.label or f"check {number}"
        for number, (point, residual) in enumerate(
            zip(points, fitted.residuals, strict=True), start=1
        )
        if abs(residual) > _SUSPECT
    )
    return Fit(
        gain=gain,
        gain_expanded_uncertainty=2 * gain * math.sqrt(covariance[0, 0]),
        coefficient_pct_per_c=coefficient if free else None,
        coefficient_expanded_uncertainty_pct_per_c=(
            2 * math.sqrt(covariance[1, 1]) if free else None
        ),
        covariance=(
            (float(covariance[0, 0]), float(covariance[0, 1])),
            (float(covariance[1, 0]), float(covariance[1, 1])),
        ),
        assumed_coefficient_pct_per_c=coefficient,
        reference_temperature_c=reference_temperature_c,
        checks=len(points),
        chi_squared=fitted.chi_squared,
        suspects=suspects,
        missing=missing,
    )


def _birge(fitted: _Fitted) -> float:
    """Factor on the covariance when the checks scatter more than their uncertainties explain.

    Only when significantly so (beyond three standard deviations of chi-squared per degree of
    freedom): a ratio that always followed the few residuals would spoil the stated coverage.
    """
    if fitted.freedom == 0:
        return 1.0
    ratio = fitted.chi_squared / fitted.freedom
    return ratio if ratio > 1 + 3 * math.sqrt(2 / fitted.freedom) else 1.0
