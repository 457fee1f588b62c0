"""E numbers, repeated readings, and what is said of a comparison."""

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from uncertainties import ufloat

from bridge.core.agreement import (
    Measured,
    Verdict,
    average_readings,
    compare,
    coverage_factor,
    e_number,
)

salinities = st.floats(2, 42)
uncertainties = st.floats(0.01, 5)


@given(salinities, uncertainties, salinities, uncertainties)
def test_e_number_is_the_difference_in_its_own_expanded_uncertainty(
    first: float, u_first: float, second: float, u_second: float
) -> None:
    """E_n is the difference over its k = 2 uncertainty, as the uncertainties library combines."""
    difference = ufloat(first, u_first / 2) - ufloat(second, u_second / 2)

    e_n = e_number(Measured(first, u_first), Measured(second, u_second))

    assert e_n == pytest.approx(
        difference.nominal_value / (2 * difference.std_dev), rel=1e-9, abs=1e-12
    )


@pytest.mark.parametrize("bad", [-0.1, math.nan, math.inf])
def test_an_impossible_uncertainty_is_refused(bad: float) -> None:
    """Negative, infinite and missing uncertainties are no basis for a comparison."""
    with pytest.raises(ValueError, match="uncertainty must be"):
        e_number(Measured(35, bad), Measured(35, 1))


def test_two_certain_results_are_refused() -> None:
    """Without any uncertainty there is nothing to divide by."""
    with pytest.raises(ValueError, match="without any uncertainty"):
        e_number(Measured(35, 0), Measured(35, 0))


def test_average_reproduces_the_worked_example_of_the_gum() -> None:
    """JCGM 100:2008, 4.4.3 and Table 1: mean 100.14, s 1.49, s of the mean 0.33 (20 readings)."""
    readings = [
        96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
        100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
    ]  # fmt: skip

    average = average_readings(readings, 0)

    assert average.mean == pytest.approx(100.14, abs=0.006)
    assert average.scatter == pytest.approx(1.49, abs=0.005)
    assert average.standard_uncertainty == pytest.approx(0.33, abs=0.005)


def test_a_single_reading_keeps_the_instruments_uncertainty() -> None:
    """One reading says nothing of scatter and has k = 2."""
    average = average_readings([35.2], 0.5)

    assert (average.mean, average.scatter, average.expanded_uncertainty) == (35.2, 0.0, 1.0)


@given(st.lists(st.floats(30, 40), min_size=1, max_size=30), st.floats(0.05, 2))
def test_repeating_never_beats_the_instruments_own_error(
    readings: list[float], common: float
) -> None:
    """However many readings, what they share does not average out."""
    assert average_readings(readings, common).expanded_uncertainty >= 2 * common


@pytest.mark.parametrize("freedom", [1, 2, 3, 5, 10, 20, 50, 100])
def test_coverage_factors_are_students_t(freedom: int) -> None:
    """The table of the GUM agrees with scipy's Student quantiles to its printed digits."""
    # At one degree of freedom the table was computed with p = 95.45 % exactly as well.
    expected = float(stats.t.ppf(0.5 + 0.9545 / 2, freedom))

    assert coverage_factor(freedom) == pytest.approx(expected, abs=0.006)


def test_the_stated_interval_covers_the_truth() -> None:
    """Over 4000 simulated sets of three readings the interval holds the truth 94-98 %."""
    random_source = random.Random(5)
    inside = 0
    for _ in range(4000):
        common = random_source.gauss(0, 0.3)
        average = average_readings(
            [35 + common + random_source.gauss(0, 0.3) for _ in range(3)], 0.3
        )
        inside += abs(average.mean - 35) <= average.expanded_uncertainty

    assert 0.94 <= inside / 4000 <= 0.98


def test_agreement_within_uncertainty_is_said_so() -> None:
    """35.0 ± 0.3 and 35.8 ± 1.0 agree: 0.8 apart, 1.04 explained."""
    comparison = compare(Measured(35.0, 0.3), Measured(35.8, 1.0))

    assert comparison.verdict is Verdict.AGREE
    assert comparison.e_n == pytest.approx(-0.8 / math.hypot(0.3, 1.0))
    assert "agree within their uncertainty" in comparison.sentence
    assert "0.80 apart, with 1.04" in comparison.sentence


def test_a_difference_beyond_uncertainty_is_said_with_its_side() -> None:
    """33.0 ± 0.3 against 35.0 ± 1.0: the estimate reads low."""
    comparison = compare(Measured(33.0, 0.3), Measured(35.0, 1.0))

    assert comparison.verdict is Verdict.DIFFER
    assert "reads low" in comparison.sentence


def test_a_coarse_reference_cannot_tell_and_says_what_would() -> None:
    """A swing-arm result (± 4) that happens to match is no proof of agreement."""
    comparison = compare(Measured(35.0, 0.3), Measured(35.1, 4.0))

    assert comparison.verdict is Verdict.CANNOT_TELL
    assert comparison.what_would_tell is not None
    assert "good to 1.5 or better" in comparison.what_would_tell


def test_a_coarse_reference_can_still_differ() -> None:
    """When even ± 4 does not explain the gap, that is a difference."""
    assert compare(Measured(28.0, 0.3), Measured(35.0, 4.0)).verdict is Verdict.DIFFER


@pytest.mark.parametrize("estimate", [None, Measured(35.0, math.inf)])
def test_an_unknown_estimate_cannot_be_compared(estimate: Measured | None) -> None:
    """Without an estimate there is no verdict."""
    comparison = compare(estimate, Measured(35.0, 1.0))

    assert comparison.verdict is Verdict.CANNOT_TELL
    assert comparison.e_n is None


def test_an_unsettled_estimate_never_differs() -> None:
    """Right after a start the comparison waits."""
    comparison = compare(Measured(30.0, 0.3), Measured(35.0, 1.0), settled=False)

    assert comparison.verdict is Verdict.CANNOT_TELL
    assert comparison.what_would_tell is not None


def test_an_uncertain_estimate_is_named_as_the_weak_side() -> None:
    """When the estimate is the coarse one, a better instrument would not help."""
    comparison = compare(Measured(35.0, 2.0), Measured(35.0, 0.1))

    assert comparison.verdict is Verdict.CANNOT_TELL
    assert comparison.what_would_tell is not None
    assert "estimate itself" in comparison.what_would_tell
