"""The order of the questions, and that calibration is never advised for the wrong reason."""

import math
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core import seawater
from bridge.core.advice import (
    DISTURBANCES,
    LIKELY,
    RECENT_S,
    Action,
    Evidence,
    advise,
)
from bridge.core.agreement import Comparison, Measured, Verdict, compare
from bridge.core.findings import Cause
from bridge.core.fit import Fit, SwingEstimate, fit_point, fit_probe
from bridge.core.settings import Calibration, Probe, ProbeUnit, Reports
from bridge.core.suggestion import sea_water_coefficient_pct_per_c, shift_psu, suggest

PROBE = Probe(
    topic="invented/probe",
    unit=ProbeUnit.MS_CM,
    reports=Reports.CONDUCTIVITY_LINEAR,
    coefficient_pct_per_c=2.0,
)
NOW_S = 1_772_000_000.0
DIFFERS = compare(Measured(33.0, 0.2), Measured(35.0, 1.0))
AGREES = compare(Measured(35.0, 0.2), Measured(35.2, 1.0))


def history(
    gain: float,
    coefficient: float,
    temperatures: tuple[float, ...],
    random: np.random.Generator | None = None,
) -> tuple[Fit | None, Comparison]:
    """Checks of a 0.5 S instrument on an invented probe, and the newest comparison."""
    points = []
    comparison = AGREES
    for t in temperatures:
        true = 35.0 if random is None else random.uniform(34, 36)
        error = 0.0 if random is None else random.normal(0, 0.5)
        referred = seawater.conductivity_ms_cm(true, t) / gain / (1 + coefficient / 100 * (t - 25))
        points.append(
            fit_point(
                PROBE,
                reported=referred,
                temperature_c=t,
                reference_psu=true + error,
                independent_psu=0.5,
            )
        )
        shown = seawater.salinity_psu(referred * (1 + 0.02 * (t - 25)), t)
        comparison = compare(Measured(shown, 0.2), Measured(true + error, 1.0))
    return fit_probe(PROBE, points), comparison


def evidence(**known: object) -> Evidence:
    """Evidence from a calm tank, with whatever else is known."""
    calm = Evidence(at_s=NOW_S, probabilities={Cause.NONE: 1.0}, probe=PROBE, temperature_c=26.0)
    return replace(calm, instrument_checked=True, **known)  # type: ignore[arg-type]


verdicts = st.builds(
    lambda e_n, verdict: Comparison(verdict, e_n, e_n, 1.0, "invented", None),
    st.floats(-5, 5),
    st.sampled_from(Verdict),
)
fits = st.sampled_from(
    [
        None,
        history(1.1, 2.0, (26.0,))[0],
        history(1.1, 2.0, (26.0, 26.5))[0],
        history(1.1, 2.4, (22.0, 24.0, 26.0, 28.0, 29.0))[0],
        history(0.9, 2.0, (22.0, 24.0, 26.0, 28.0, 29.0))[0],
        history(1.0, 2.0, (22.0, 24.0, 26.0, 28.0, 29.0))[0],
    ]
)
all_evidence = st.builds(
    Evidence,
    at_s=st.just(NOW_S),
    probabilities=st.dictionaries(st.sampled_from(Cause), st.floats(0, 1)),
    last_likely_at_s=st.dictionaries(
        st.sampled_from(Cause), st.floats(NOW_S - 2 * RECENT_S, NOW_S + 60)
    ),
    settled=st.booleans(),
    comparison=st.none() | verdicts,
    instrument_checked=st.booleans(),
    fit=fits,
    swing=st.none()
    | st.builds(
        SwingEstimate,
        residual_pct_per_c=st.floats(-0.5, 0.5),
        standard_uncertainty_pct_per_c=st.floats(0.01, 0.3),
    ),
    probe=st.just(PROBE),
    temperature_c=st.floats(20, 30),
    calibrated_at_s=st.none() | st.floats(NOW_S - 1e8, NOW_S),
)


@given(all_evidence)
def test_calibration_is_never_advised_during_or_soon_after_a_disturbance(known: Evidence) -> None:
    """Bubbles, interference, plume, exposure and the rest come first, always."""
    if advise(known).action is Action.CALIBRATE:
        for cause in DISTURBANCES:
            assert known.probabilities.get(cause, 0.0) < LIKELY
            assert NOW_S - known.last_likely_at_s.get(cause, -math.inf) >= RECENT_S


@given(all_evidence)
def test_calibration_is_never_advised_within_the_uncertainty(known: Evidence) -> None:
    """|E_n| <= 1 never leads to a calibration, nor does a missing check."""
    if advise(known).action is Action.CALIBRATE:
        assert known.comparison is not None
        assert known.comparison.e_n is not None
        assert abs(known.comparison.e_n) > 1


@given(all_evidence)
def test_calibration_needs_a_checked_instrument_and_two_checks(known: Evidence) -> None:
    """One check, or an instrument that may itself be wrong, is not enough."""
    if advise(known).action is Action.CALIBRATE:
        assert known.instrument_checked
        assert known.fit is not None
        assert known.fit.checks >= 2


@given(all_evidence)
def test_every_advice_has_a_sentence_and_its_reasons(known: Evidence) -> None:
    """The keeper always reads what to do and why."""
    advice = advise(known)

    assert advice.sentence.endswith(".")
    assert advice.answers
    assert all(answer.question.endswith("?") and answer.answer for answer in advice.answers)


@pytest.mark.parametrize(
    "cause", [Cause.BUBBLES, Cause.INTERFERENCE, Cause.PLUME, Cause.EXPOSED, Cause.UNEXPLAINED]
)
def test_a_likely_disturbance_comes_first(cause: Cause) -> None:
    """However large the difference, the disturbance is dealt with first."""
    fit, comparison = history(1.1, 2.0, (22.0, 25.0, 28.0))

    advice = advise(
        evidence(probabilities={cause: 0.6, Cause.NONE: 0.4}, comparison=comparison, fit=fit)
    )

    assert advice.action is Action.FIX_DISTURBANCE
    assert "Do not calibrate" in advice.sentence


def test_a_probability_that_is_no_number_forbids_calibration() -> None:
    """Not knowing is no permission."""
    fit, comparison = history(1.1, 2.0, (22.0, 25.0, 28.0))

    advice = advise(
        evidence(probabilities={Cause.BUBBLES: math.nan}, comparison=comparison, fit=fit)
    )

    assert advice.action is Action.FIX_DISTURBANCE


def test_the_instrument_is_doubted_before_the_probe() -> None:
    """A difference with an unchecked instrument leads to checking the instrument."""
    fit, comparison = history(1.1, 2.0, (22.0, 25.0, 28.0))

    advice = advise(replace(evidence(comparison=comparison, fit=fit), instrument_checked=False))

    assert advice.action is Action.CHECK_INSTRUMENT


def test_one_difference_asks_for_another_day() -> None:
    """A single differing check is repeated before anything is changed."""
    fit, comparison = history(1.1, 2.0, (25.0,))

    assert advise(evidence(comparison=comparison, fit=fit)).action is Action.CHECK_AGAIN


def test_a_difference_that_a_coefficient_could_explain_asks_for_another_temperature() -> None:
    """At one temperature gain and coefficient cannot be told apart."""
    fit, comparison = history(1.0, 2.5, (29.0, 29.0, 29.0))
    precise = compare(
        Measured(35.0, 0.1), Measured(35.0 - (comparison.difference_psu or 0) * 0.6, 0.2)
    )

    advice = advise(evidence(comparison=precise, fit=fit, temperature_c=29.0))

    assert precise.verdict is Verdict.DIFFER
    assert advice.action is Action.CHECK_AGAIN
    assert "at least 2 °C apart" in advice.sentence


def test_a_difference_that_follows_temperature_sets_the_coefficient() -> None:
    """A device at 2.4 where 2.0 is stated is told so, and is not calibrated."""
    fit, comparison = history(1.0, 2.8, (22.0, 24.0, 26.0, 28.0, 31.0))

    advice = advise(evidence(comparison=comparison, fit=fit, temperature_c=31.0))

    assert advice.action is Action.SET_COEFFICIENT
    assert "to 2.80 % per °C (now 2.00)" in advice.sentence


def test_the_tanks_own_swing_sets_the_coefficient_even_while_checks_agree() -> None:
    """A reading that follows the water's temperature is corrected by the coefficient."""
    advice = advise(
        evidence(
            comparison=AGREES,
            swing=SwingEstimate(residual_pct_per_c=0.2, standard_uncertainty_pct_per_c=0.02),
            coldest_c=24.0,
            warmest_c=27.0,
        )
    )

    assert advice.action is Action.SET_COEFFICIENT
    assert "to 2.20 % per °C" in advice.sentence


def test_a_constant_ratio_is_calibrated_with_its_reasons() -> None:
    """Five checks, all 10 % low: the gain is named, after every other question."""
    fit, comparison = history(1.1, 2.0, (22.0, 24.0, 26.0, 28.0, 29.0))

    advice = advise(
        evidence(
            comparison=comparison,
            fit=fit,
            calibrated_at_s=NOW_S - 90 * 86400,
            probabilities={Cause.DRIFT: 0.6, Cause.NONE: 0.4},
        )
    )

    assert advice.action is Action.CALIBRATE
    assert "gain of 1.1000" in advice.sentence
    assert [answer.question.split()[0:3] for answer in advice.answers] == [
        ["Is", "the", "reading"],
        ["Was", "the", "hand"],
        ["Does", "the", "difference"],
        ["Is", "it", "the"],
        ["Is", "it", "within"],
        ["Is", "it", "drift"],
    ]
    assert "90 days ago, and the reading has crept" in advice.answers[-1].answer


def test_agreement_means_leave_alone() -> None:
    """Nothing is touched while the newest check agrees."""
    assert advise(evidence(comparison=AGREES)).action is Action.LEAVE_ALONE


def test_no_check_asks_for_one() -> None:
    """Without a reference nothing is advised but a reference."""
    assert advise(evidence()).action is Action.CHECK_AGAIN


@pytest.mark.parametrize("largest_error_pct", [0.0, 0.5])
def test_a_probe_within_uncertainty_is_left_alone(largest_error_pct: float) -> None:
    """On 500 histories with a right (or nearly right) probe, at least 95 % are left alone."""
    random = np.random.default_rng(20260302)
    outcome: Counter[Action] = Counter()
    for _ in range(500):
        error = random.uniform(-largest_error_pct, largest_error_pct) / 100
        fit, comparison = history(1 + error, 2.0, tuple(random.uniform(22, 29, 5)), random)
        outcome[advise(evidence(comparison=comparison, fit=fit)).action] += 1

    assert outcome[Action.LEAVE_ALONE] >= 475
    assert outcome[Action.CALIBRATE] <= 10


def test_a_probe_that_is_clearly_off_is_not_left_alone() -> None:
    """Six per cent of gain (2.4 S) are found in at least 95 % of 500 histories."""
    random = np.random.default_rng(20260303)
    outcome: Counter[Action] = Counter()
    for _ in range(500):
        fit, comparison = history(1.06, 2.0, tuple(np.linspace(22, 29, 5)), random)
        outcome[advise(evidence(comparison=comparison, fit=fit)).action] += 1

    assert outcome[Action.LEAVE_ALONE] <= 25


@pytest.mark.parametrize(
    ("temperature", "coefficient"),
    # Reference table alpha_T (computed from PSS-78, S = 35, referred to 25 °C).
    [(22.0, 1.95), (25.0, 1.97), (30.0, 1.99)],
)
def test_coefficient_of_sea_water(temperature: float, coefficient: float) -> None:
    """The coefficient that refers sea water exactly rises slowly with temperature."""
    assert sea_water_coefficient_pct_per_c(35, temperature) == pytest.approx(coefficient, abs=0.006)


def test_entering_the_suggested_coefficient_makes_the_display_right() -> None:
    """A device that acts 0.2 above what it was told is told 0.2 less than sea water needs."""
    fit, _ = history(1.03, 2.2, (22.0, 24.0, 26.0, 28.0, 29.0))
    assert fit is not None

    suggestion = suggest(fit, PROBE, salinity_psu=35, temperature_c=27)

    assert suggestion.device_coefficient_pct_per_c is not None
    # The device acts by what it is told plus 0.2; its cell constant is multiplied as suggested.
    acts_by = suggestion.device_coefficient_pct_per_c + 0.2
    measured = seawater.conductivity_ms_cm(35, 27) / 1.03 * suggestion.device_cell_factor
    shown = measured / (1 + acts_by / 100 * 2)
    assert shown == pytest.approx(seawater.conductivity_ms_cm(35, 25), rel=1e-6)
    assert any("Not both" in sentence for sentence in suggestion.sentences)


def test_applying_the_suggestion_in_the_daemon_makes_the_salinity_right() -> None:
    """Gain and coefficient of the fit, in the settings, undo the device exactly."""
    fit, _ = history(0.95, 2.3, (22.0, 24.0, 26.0, 28.0, 29.0))
    assert fit is not None
    assert fit.coefficient_pct_per_c is not None

    reported = seawater.conductivity_ms_cm(35, 28) / 0.95 / (1 + 0.023 * 3)
    corrected = fit.gain * reported * (1 + fit.coefficient_pct_per_c / 100 * 3)

    assert seawater.salinity_psu(corrected, 28) == pytest.approx(35, abs=1e-4)
    moved = shift_psu(fit, PROBE, 35, 28)
    before = seawater.salinity_psu(reported * 1.06, 28)
    assert moved == pytest.approx(35 - before, abs=0.1)


def test_a_gain_already_in_force_is_left_alone() -> None:
    """Once applied, the same fit asks for nothing more."""
    fit, _ = history(1.1, 2.0, (22.0, 24.0, 26.0, 28.0, 29.0))
    corrected = replace(PROBE, calibration=Calibration(gain=1.1))

    advice = advise(replace(evidence(comparison=AGREES, fit=fit), probe=corrected))

    assert advice.action is Action.LEAVE_ALONE
