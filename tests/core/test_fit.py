"""Gain and coefficient from reference checks: coverage, robustness, refusals."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import optimize, stats

from bridge.core import seawater
from bridge.core.errors import OutOfRangeError
from bridge.core.fit import CHI_SQUARED_95, FitPoint, SwingEstimate, fit_point, fit_probe
from bridge.core.settings import GravityReference, Probe, ProbeUnit, Reports

PROBE = Probe(
    topic="invented/probe",
    unit=ProbeUnit.MS_CM,
    reports=Reports.CONDUCTIVITY_LINEAR,
    coefficient_pct_per_c=2.0,
)


def simulated_check(  # one line of an invented history
    salinity: float,
    temperature_c: float,
    *,
    gain: float,
    coefficient: float,
    error_psu: float = 0.0,
    independent_psu: float = 0.5,
    shared_psu: float = 0.0,
) -> FitPoint:
    """A check of a device that measures C / gain and refers it with the coefficient."""
    reported = (
        seawater.conductivity_ms_cm(salinity, temperature_c)
        / gain
        / (1 + coefficient / 100 * (temperature_c - 25))
    )
    return fit_point(
        PROBE,
        reported=reported,
        temperature_c=temperature_c,
        reference_psu=salinity + error_psu,
        independent_psu=independent_psu,
        shared_psu=shared_psu,
        instrument="refractometer",
    )


@pytest.mark.parametrize("shared_psu", [0.0, 0.4])
@pytest.mark.parametrize("spread", ["even", "random"])
def test_the_region_holds_the_truth_as_often_as_it_says(shared_psu: float, spread: str) -> None:
    """In 500 histories of five checks of a 0.5 S instrument, 93-97 % of regions hold the truth."""
    random = np.random.default_rng(20260301)
    independent = math.sqrt(0.5**2 - shared_psu**2)
    inside = fitted = 0
    while fitted < 500:
        gain, coefficient = random.uniform(0.9, 1.1), random.uniform(1.8, 2.4)
        temperatures = np.linspace(22, 29, 5) if spread == "even" else random.uniform(22, 29, 5)
        common = random.normal() * shared_psu
        fit = fit_probe(
            PROBE,
            [
                simulated_check(
                    random.uniform(33, 37),
                    float(temperature),
                    gain=gain,
                    coefficient=coefficient,
                    error_psu=common + random.normal(0, independent),
                    independent_psu=independent,
                    shared_psu=shared_psu,
                )
                for temperature in temperatures
            ],
        )
        assert fit is not None
        if fit.coefficient_pct_per_c is None:
            assert spread == "random"
            continue
        fitted += 1
        inside += fit.contains(gain, coefficient)

    assert 0.93 <= inside / fitted <= 0.97


@given(gain=st.floats(0.8, 1.2), coefficient=st.floats(1.6, 2.6))
def test_exact_checks_give_back_the_truth(gain: float, coefficient: float) -> None:
    """Without errors, gain and coefficient are recovered to many digits."""
    points = [
        simulated_check(35, t, gain=gain, coefficient=coefficient, independent_psu=0.05)
        for t in (22.0, 25.0, 28.0)
    ]

    fit = fit_probe(PROBE, points)

    assert fit is not None
    assert fit.gain == pytest.approx(gain, rel=1e-9)
    assert fit.coefficient_pct_per_c == pytest.approx(coefficient, rel=1e-8)


def test_estimate_and_covariance_match_scipy_on_the_same_problem() -> None:
    """Weighted least squares agrees with scipy.optimize.curve_fit (absolute_sigma)."""
    random = np.random.default_rng(3)
    temperatures = np.array([22.0, 23.5, 25.0, 27.0, 29.0])
    uncertainties = [0.3, 0.5, 0.4, 0.6, 0.3]
    points = [
        simulated_check(
            35,
            float(t),
            gain=1.04,
            coefficient=2.2,
            error_psu=float(random.normal(0, u / 2)),
            independent_psu=u,
        )
        for t, u in zip(temperatures, uncertainties, strict=True)
    ]
    target = [
        math.log(seawater.conductivity_ms_cm(p.reference_psu, p.temperature_c) / p.referred_ms_cm)
        for p in points
    ]
    # One salinity's worth of ln C at the mean reference, as the fit documents.
    mean = sum(p.reference_psu for p in points) / len(points)
    per_psu = math.log(
        seawater.conductivity_ms_cm(mean + 0.5, 25) / seawater.conductivity_ms_cm(mean - 0.5, 25)
    )
    expected, covariance = optimize.curve_fit(
        lambda t, log_gain, a: log_gain + np.log(1 + a / 100 * (t - 25)),
        temperatures,
        target,
        p0=(0, 2),
        sigma=[per_psu * u for u in uncertainties],
        absolute_sigma=True,
    )

    fit = fit_probe(PROBE, points)

    assert fit is not None
    assert math.log(fit.gain) == pytest.approx(expected[0], abs=1e-7)
    assert fit.coefficient_pct_per_c == pytest.approx(expected[1], abs=1e-6)
    assert np.array(fit.covariance) == pytest.approx(covariance, rel=1e-4)


@pytest.mark.parametrize("dimensions", [1, 2])
def test_region_uses_the_chi_squared_quantile(dimensions: int) -> None:
    """The quantiles are those of scipy."""
    assert CHI_SQUARED_95[dimensions] == pytest.approx(stats.chi2.ppf(0.95, dimensions), abs=5e-4)


def test_one_bad_check_is_named_and_does_not_spoil_the_rest() -> None:
    """An outlier of 4 S among five good checks moves the gain by less than 1 %."""
    points = [simulated_check(35, t, gain=1.03, coefficient=2.1) for t in (22, 24, 26, 28, 29)]
    bad = simulated_check(35, 25.5, gain=1.03, coefficient=2.1, error_psu=4.0)

    fit = fit_probe(PROBE, [*points, bad])

    assert fit is not None
    assert fit.suspects == ("check 6",)
    assert fit.gain == pytest.approx(1.03, rel=0.01)


def test_checks_at_one_temperature_tell_the_gain_only() -> None:
    """What is missing is said: two checks at least 2 °C apart."""
    points = [simulated_check(35, t, gain=1.05, coefficient=2.0) for t in (25.0, 25.5, 26.0)]

    fit = fit_probe(PROBE, points)

    assert fit is not None
    assert fit.coefficient_pct_per_c is None
    assert fit.gain == pytest.approx(1.05, rel=1e-6)
    assert fit.missing == ("two checks at least 2 °C apart (the 3 so far span 1.0 °C)",)
    assert fit.contains(1.05, 99)


def test_checks_too_coarse_for_a_coefficient_say_so() -> None:
    """Two checks of a 2 S instrument 3 °C apart tell no coefficient."""
    points = [
        simulated_check(35, t, gain=1.0, coefficient=2.0, independent_psu=2.0) for t in (24, 27)
    ]

    fit = fit_probe(PROBE, points)

    assert fit is not None
    assert fit.coefficient_pct_per_c is None
    assert "more checks" in fit.missing[0]


def test_the_tanks_own_swing_replaces_checks_at_two_temperatures() -> None:
    """With a swing estimate, one check is enough, and its uncertainty is the swing's."""
    point = simulated_check(35, 26, gain=1.02, coefficient=2.25)

    fit = fit_probe(
        PROBE,
        [point],
        swing=SwingEstimate(residual_pct_per_c=0.25, standard_uncertainty_pct_per_c=0.03),
    )

    assert fit is not None
    assert fit.coefficient_pct_per_c == pytest.approx(2.25)
    assert fit.coefficient_expanded_uncertainty_pct_per_c == pytest.approx(0.06)
    assert fit.gain == pytest.approx(1.02, rel=1e-9)


def test_swing_and_checks_are_combined_by_their_weights() -> None:
    """Both sources together are more certain than either."""
    points = [simulated_check(35, t, gain=1.0, coefficient=2.2) for t in (22, 24, 26, 28, 29)]
    swing = SwingEstimate(residual_pct_per_c=0.2, standard_uncertainty_pct_per_c=0.2)

    alone, both = fit_probe(PROBE, points), fit_probe(PROBE, points, swing=swing)

    assert alone is not None
    assert both is not None
    assert alone.coefficient_expanded_uncertainty_pct_per_c is not None
    assert both.coefficient_expanded_uncertainty_pct_per_c is not None
    # Inverse variances add: 1/u^2 = 1/u_checks^2 + 1/u_swing^2.
    expected = 2 / math.sqrt(4 / alone.coefficient_expanded_uncertainty_pct_per_c**2 + 1 / 0.2**2)
    assert both.coefficient_expanded_uncertainty_pct_per_c == pytest.approx(expected, rel=0.01)


def test_an_error_shared_by_all_checks_does_not_average_out() -> None:
    """A hundred checks with one instrument leave its common error in the gain."""
    points = [
        simulated_check(
            35, 22 + 0.07 * n, gain=1.0, coefficient=2.0, independent_psu=0.3, shared_psu=0.4
        )
        for n in range(100)
    ]

    fit = fit_probe(PROBE, points)

    assert fit is not None
    # 0.4 in S at S = 35 is 0.4 / 39.4 of the conductivity (reference table, 0.394 S per 1 %).
    assert fit.gain_expanded_uncertainty >= 2 * 0.4 / 39.5


def test_an_uncompensated_device_has_no_coefficient() -> None:
    """For plain conductivity the gain is all there is to fit."""
    probe = Probe(topic="x", unit=ProbeUnit.US_CM, reports=Reports.CONDUCTIVITY)
    points = [
        fit_point(
            probe,
            reported=1000 * seawater.conductivity_ms_cm(35, t) / 0.95,
            temperature_c=t,
            reference_psu=35,
            independent_psu=0.3,
        )
        for t in (22.0, 28.0)
    ]

    fit = fit_probe(probe, points)

    assert fit is not None
    assert (fit.coefficient_pct_per_c, fit.missing) == (None, ())
    assert fit.gain == pytest.approx(0.95)


@pytest.mark.parametrize(
    ("reports", "unit", "gravity"),
    [
        (Reports.SALINITY_LINEAR, ProbeUnit.PPT, None),
        (Reports.SPECIFIC_GRAVITY_LINEAR, ProbeUnit.SG, GravityReference.R25_25),
    ],
)
def test_devices_that_show_salinity_or_gravity_are_fitted_alike(
    reports: Reports, unit: ProbeUnit, gravity: GravityReference | None
) -> None:
    """The coefficient inside a salinity or gravity display is recovered."""
    probe = Probe(
        topic="x", unit=unit, reports=reports, coefficient_pct_per_c=2.0, gravity_reference=gravity
    )
    points = []
    for t in (22.0, 25.0, 29.0):
        referred = seawater.conductivity_ms_cm(35, t) / 1.02 / (1 + 0.023 * (t - 25))
        shown = seawater.salinity_psu(referred, 25)
        if gravity is not None:
            shown = seawater.specific_gravity(shown, gravity)
        points.append(
            fit_point(probe, reported=shown, temperature_c=t, reference_psu=35, independent_psu=0.1)
        )

    fit = fit_probe(probe, points)

    assert fit is not None
    assert fit.gain == pytest.approx(1.02, rel=1e-6)
    assert fit.coefficient_pct_per_c == pytest.approx(2.3, abs=1e-5)


def test_unknown_compensation_gives_a_residual_coefficient() -> None:
    """A salinity of unknown making that follows temperature shows how much is left over."""
    probe = Probe(topic="x", unit=ProbeUnit.PSU, reports=Reports.SALINITY)
    points = [
        fit_point(
            probe,
            reported=seawater.salinity_psu(
                seawater.conductivity_ms_cm(35, t) / (1 + 0.003 * (t - 25)), t
            ),
            temperature_c=t,
            reference_psu=35,
            independent_psu=0.1,
        )
        for t in (22.0, 25.0, 29.0)
    ]

    fit = fit_probe(probe, points)

    assert fit is not None
    assert fit.coefficient_pct_per_c == pytest.approx(0.3, abs=1e-5)


def test_checks_that_scatter_too_much_widen_the_region() -> None:
    """When the stated uncertainties cannot explain the scatter, they are not believed."""
    errors = (1.5, -1.5, 1.5, -1.5, 1.5, -1.5)
    points = [
        simulated_check(35, t, gain=1.0, coefficient=2.0, error_psu=error, independent_psu=0.2)
        for t, error in zip((22, 23.4, 24.8, 26.2, 27.6, 29), errors, strict=True)
    ]
    calm = [
        simulated_check(35, t, gain=1.0, coefficient=2.0, independent_psu=0.2)
        for t in (22, 23.4, 24.8, 26.2, 27.6, 29)
    ]

    wide, narrow = fit_probe(PROBE, points), fit_probe(PROBE, calm)

    assert wide is not None
    assert narrow is not None
    assert wide.gain_expanded_uncertainty > 2 * narrow.gain_expanded_uncertainty


def test_no_checks_no_fit() -> None:
    """Without any check there is nothing to say."""
    assert fit_probe(PROBE, []) is None


@pytest.mark.parametrize(
    ("reported", "reference", "independent", "error"),
    [
        (0.0, 35.0, 0.5, OutOfRangeError),
        (53.0, 50.0, 0.5, OutOfRangeError),
        (53.0, 35.0, 0.0, ValueError),
        (53.0, math.nan, 0.5, OutOfRangeError),
    ],
)
def test_unusable_checks_are_refused(
    reported: float, reference: float, independent: float, error: type[Exception]
) -> None:
    """No sea water, or no uncertainty, is no check."""
    with pytest.raises(error):
        fit_point(
            PROBE,
            reported=reported,
            temperature_c=25,
            reference_psu=reference,
            independent_psu=independent,
        )
