"""The reference-check and fit commands on invented tanks."""

import math
from dataclasses import replace

import numpy as np
import pytest
from pydantic import TypeAdapter

from bridge.core import seawater
from bridge.core.advice import Action
from bridge.core.calibration_points import CalibrationRequest
from bridge.core.calibrations import handle_calibration, handle_undo
from bridge.core.checks import CheckRequest, handle_reference_check, handle_undo_check, seen_in
from bridge.core.errors import UserError
from bridge.core.findings import Assessment, Cause, Finding, Flag, Ne107, Quality
from bridge.core.fit import SwingEstimate
from bridge.core.instrument_kinds import HandReading, InstrumentKind, ReadingUnit
from bridge.core.judgement import (
    Surroundings,
    advice_for,
    fit_checks,
    remember_likely,
    swing_estimate,
)
from bridge.core.records import KEPT_CHECKS, Outcome, ReferenceState, probe_in_force
from bridge.core.refit import handle_fit
from bridge.core.settings import Calibration, Probe, ProbeUnit, Reports
from bridge.core.trends import TemperatureDependence

PROBE = Probe(
    topic="invented/probe",
    unit=ProbeUnit.MS_CM,
    reports=Reports.CONDUCTIVITY_LINEAR,
    coefficient_pct_per_c=2.0,
)
NOW_S = 1_772_000_000.0
DAY_S = 86400.0


def moment(  # an invented device: measures C / gain, refers with its coefficient
    at_s: float = NOW_S,
    *,
    temperature_c: float = 25.0,
    gain: float = 1.0,
    coefficient: float = 2.0,
    probe: Probe = PROBE,
    cause: Cause = Cause.NONE,
) -> Assessment:
    """What is concluded about water of S = 35, with the probe's error in the estimate."""
    referred = (
        seawater.conductivity_ms_cm(35, temperature_c)
        / gain
        / (1 + coefficient / 100 * (temperature_c - 25))
    )
    believed = (
        probe.calibration.gain
        * referred
        * (1 + (probe.coefficient_pct_per_c or 0) / 100 * (temperature_c - 25))
    )
    salinity = seawater.salinity_psu(believed, temperature_c)
    return Assessment(
        at_s=at_s,
        salinity_psu=salinity,
        uncertainty_psu=0.2,
        probe_salinity_psu=salinity,
        probe_at_s=at_s,
        temperature_c=temperature_c,
        temperature_at_s=at_s,
        conductivity_25c_ms_cm=53.0,
        reported=referred,
        quality=Quality.GOOD,
        flag=Flag.PASS,
        ne107=Ne107.NORMAL,
        cause=cause,
        since_s=at_s,
        findings=(Finding(cause, 1.0, (), ""),),
        tests={},
        settled=True,
        interval_s=10.0,
        evaporation_l_day=None,
    )


def refractometer(value: float, **known: object) -> CheckRequest:
    """A checked, corrected refractometer with sea-water scale."""
    hand = HandReading(
        kind=InstrumentKind.REFRACTOMETER_SEA_WATER,
        readings=(value,),
        unit=ReadingUnit.PPT,
        temperature_corrected=True,
        standard_checked=True,
    )
    request = CheckRequest(
        instrument="refractometer", hand=hand, kind=hand.kind, standard_checked=True
    )
    return replace(request, **known)  # type: ignore[arg-type]


def check(
    request: CheckRequest,
    assessment: Assessment | None,
    state: ReferenceState | None = None,
    now_s: float = NOW_S,
    surroundings: Surroundings | None = None,
) -> Outcome:
    """The command on an invented tank."""
    return handle_reference_check(
        request,
        assessment,
        ReferenceState() if state is None else state,
        tank="reef",
        probe=PROBE,
        now_s=now_s,
        surroundings=surroundings or Surroundings(),
    )


def checked_over_days(
    temperatures: tuple[float, ...],
    *,
    gain: float = 1.0,
    coefficient: float = 2.0,
    random: np.random.Generator | None = None,
) -> ReferenceState:
    """One check a day, each at its own water temperature."""
    state = ReferenceState()
    for day, temperature in enumerate(temperatures):
        at_s = NOW_S + day * DAY_S
        error = 0.0 if random is None else random.normal(0, 0.5)
        state = check(
            refractometer(35 + error),
            moment(at_s, temperature_c=temperature, gain=gain, coefficient=coefficient),
            state,
            at_s,
        ).state
    return state


FIVE = (22.0, 23.75, 25.5, 27.25, 29.0)
LATER_S = NOW_S + 5 * DAY_S


def test_a_check_is_answered_with_everything_it_rests_on() -> None:
    """Value, uncertainty, E_n, verdict, sentence, budget, advice; and a row for the history."""
    outcome = check(refractometer(35.4), moment())

    result = outcome.result
    assert result["salinity"] == pytest.approx(35.4)
    assert result["expanded_uncertainty"] == pytest.approx(1.0)
    # (35.0 - 35.4) / hypot(0.2, 1.0), by hand.
    assert result["e_n"] == pytest.approx(-0.392, abs=1e-3)
    assert result["verdict"] == "agree"
    assert result["budget"][0]["standard_uncertainty"] == 0.5
    assert result["advice"]["action"] == "leave-alone"
    assert len(result["advice"]["reasons"]) >= 4
    assert [(row.kind, row.tank, row.data["number"]) for row in outcome.records] == [
        ("check", "reef", 1)
    ]


def test_a_corrected_salinity_is_taken_as_it_is() -> None:
    """The keeper may convert himself; the stated uncertainty counts."""
    request = CheckRequest(instrument="lab", salinity_psu=34.8, expanded_uncertainty_psu=0.1)

    result = check(request, moment()).result

    assert (result["salinity"], result["expanded_uncertainty"]) == (34.8, 0.1)
    assert result["assumptions"] == ["The salinity is taken as corrected already."]


def test_a_check_of_long_ago_is_kept_but_not_compared_with_now() -> None:
    """A laboratory's answer of last week says nothing about this minute's estimate."""
    outcome = check(
        CheckRequest(instrument="lab", salinity_psu=34.0, at_s=NOW_S - 7 * DAY_S), moment()
    )

    assert outcome.result["verdict"] == "cannot-tell"
    assert outcome.state.checks[0].usable is False


def test_a_check_of_long_ago_is_compared_with_its_own_moment_when_that_is_known() -> None:
    """With the estimate of that time at hand, the old check counts fully."""
    then_s = NOW_S - 7 * DAY_S
    outcome = handle_reference_check(
        CheckRequest(
            instrument="lab",
            kind=InstrumentKind.LABORATORY,
            salinity_psu=34.0,
            at_s=then_s,
            then=seen_in(moment(then_s)),
        ),
        moment(),
        ReferenceState(),
        tank="reef",
        probe=PROBE,
        now_s=NOW_S,
    )

    assert outcome.result["verdict"] == "differ"
    assert outcome.state.checks[0].usable is True


def test_without_an_estimate_the_check_is_still_kept() -> None:
    """A check is worth keeping even when there is nothing to compare it with."""
    outcome = check(refractometer(35), None)

    assert outcome.result["verdict"] == "cannot-tell"
    assert outcome.result["advice"]["action"] == "check-again"
    assert len(outcome.state.checks) == 1


@pytest.mark.parametrize(
    ("request_", "message"),
    [
        (CheckRequest(instrument="x"), "give reading and unit, or salinity"),
        (CheckRequest(instrument="x", salinity_psu=50), "accepted is 2 to 42"),
        (CheckRequest(instrument="x", salinity_psu=math.nan), "accepted is 2 to 42"),
        (
            CheckRequest(instrument="x", salinity_psu=35, expanded_uncertainty_psu=0.0),
            "must be above 0",
        ),
        (CheckRequest(instrument="x", salinity_psu=35, at_s=NOW_S + 3 * DAY_S), "in the future"),
    ],
)
def test_impossible_checks_are_refused(request_: CheckRequest, message: str) -> None:
    """What is wrong and what is accepted is said."""
    with pytest.raises(UserError, match=message):
        check(request_, moment())


def test_checks_of_a_disturbed_probe_are_not_fitted() -> None:
    """What was read among bubbles says nothing about the gain."""
    outcome = check(refractometer(35), moment(gain=1.03, cause=Cause.BUBBLES))

    assert outcome.result["advice"]["action"] == "fix-disturbance"
    assert fit_checks(outcome.state, PROBE, now_s=NOW_S) is None


def test_checks_over_days_recover_gain_and_coefficient() -> None:
    """Five checks over 22 to 29 °C find what the invented device does."""
    fit = fit_checks(checked_over_days(FIVE, gain=1.05, coefficient=2.2), PROBE, now_s=LATER_S)

    assert fit is not None
    assert fit.gain == pytest.approx(1.05, rel=1e-6)
    assert fit.coefficient_pct_per_c == pytest.approx(2.2, abs=1e-4)


def test_the_estimate_is_compared_as_corrected_but_the_fit_starts_from_the_device() -> None:
    """A gain applied in between neither spoils nor doubles the fit."""
    state = checked_over_days(FIVE, gain=1.05)
    applied = handle_fit(
        state, moment(LATER_S), tank="reef", probe=PROBE, now_s=LATER_S, confirm=True
    )

    fit = fit_checks(applied.state, PROBE, now_s=LATER_S + DAY_S)

    assert fit is not None
    assert fit.gain == pytest.approx(1.05, rel=1e-6)


def test_calibrating_the_device_starts_the_checks_afresh() -> None:
    """Checks from before the device was changed say nothing about it now."""
    state = checked_over_days(FIVE, gain=1.05)
    calibrated = handle_calibration(
        CalibrationRequest(
            standard="seawater", value=35, unit=ProbeUnit.PSU, temperature_c=25, at_s=LATER_S
        ),
        None,
        state,
        tank="reef",
        probe=PROBE,
        now_s=LATER_S,
    )

    assert calibrated.result["recorded"] is True
    assert fit_checks(calibrated.state, PROBE, now_s=LATER_S + 1) is None


def test_an_undone_check_takes_no_part() -> None:
    """A mistyped check is taken out, and its row in the history says so."""
    state = checked_over_days((25.0,))
    typo = check(refractometer(53.0 / 2), moment(), state)
    undone = handle_undo_check(2, typo.state, tank="reef", now_s=NOW_S)

    fit = fit_checks(undone.state, PROBE, now_s=NOW_S)
    assert fit is not None
    assert fit.checks == 1
    assert undone.records[0].data["undone"] is True
    with pytest.raises(UserError, match="on record are: 1"):
        handle_undo_check(2, undone.state, tank="reef", now_s=NOW_S)


def test_the_fit_is_only_suggested_until_it_is_confirmed() -> None:
    """Nothing changes in the daemon without the keeper's word."""
    state = checked_over_days(FIVE, gain=1.05, coefficient=2.2)

    shown = handle_fit(state, moment(LATER_S), tank="reef", probe=PROBE, now_s=LATER_S)

    assert shown.state == state
    assert shown.records == ()
    assert shown.result["gain"] == pytest.approx(1.05, abs=1e-4)
    assert shown.result["recorded"] is False


def test_a_confirmed_fit_makes_the_salinity_right_and_can_be_undone() -> None:
    """Gain and coefficient are applied together, as a dated record."""
    state = checked_over_days(FIVE, gain=1.05, coefficient=2.2)
    applied = handle_fit(
        state, moment(LATER_S), tank="reef", probe=PROBE, now_s=LATER_S, confirm=True, by="Ada"
    )

    in_force = probe_in_force(applied.state, PROBE)
    after = moment(temperature_c=28.0, gain=1.05, coefficient=2.2, probe=in_force)
    undone = handle_undo(
        applied.result["calibration"], applied.state, tank="reef", probe=PROBE, now_s=LATER_S + 1
    )

    assert after.salinity_psu == pytest.approx(35, abs=1e-3)
    assert applied.records[0].data["standard"] == "reference-checks"
    assert applied.records[0].data["by"] == "Ada"
    assert probe_in_force(undone.state, PROBE) == PROBE


def test_a_fit_is_not_applied_in_a_disturbance() -> None:
    """Confirmation does not help while the probe is disturbed."""
    state = checked_over_days(FIVE, gain=1.05)

    with pytest.raises(UserError, match="disturbed at present"):
        handle_fit(
            state,
            moment(LATER_S, cause=Cause.BUBBLES),
            tank="reef",
            probe=PROBE,
            now_s=LATER_S,
            confirm=True,
        )


def test_a_fit_within_the_uncertainty_is_not_applied() -> None:
    """What agrees is left alone, even on confirmation."""
    state = checked_over_days(FIVE, gain=1.002)

    with pytest.raises(UserError, match="leave it alone"):
        handle_fit(state, moment(LATER_S), tank="reef", probe=PROBE, now_s=LATER_S, confirm=True)


def test_nothing_to_fit_is_said() -> None:
    """Without checks there is no suggestion."""
    with pytest.raises(UserError, match="no reference check to fit"):
        handle_fit(ReferenceState(), moment(), tank="reef", probe=PROBE, now_s=NOW_S)


def test_an_offset_in_force_is_kept_while_fitting() -> None:
    """Two-point calibrations are refined in their gain without losing their offset."""
    # The invented device measures (C - 0.5) / 1.02; the file already has the offset, not the gain.
    probe = replace(
        PROBE, calibration=Calibration(gain=1.0, offset_ms_cm=0.5 / 1.02), reports=PROBE.reports
    )
    state = ReferenceState()
    for day, salinity in enumerate((33.0, 35.0, 37.0)):
        at_s = NOW_S + day * DAY_S
        reported = (seawater.conductivity_ms_cm(salinity, 25) - 0.5) / 1.02
        state = handle_reference_check(
            refractometer(salinity),
            replace(moment(at_s), reported=reported),
            state,
            tank="reef",
            probe=probe,
            now_s=at_s,
        ).state

    fit = fit_checks(state, probe, now_s=LATER_S)

    assert fit is not None
    assert fit.gain == pytest.approx(1.02, rel=1e-9)


def test_a_device_of_unknown_compensation_is_made_right_where_the_tank_runs() -> None:
    """Without a coefficient to set, the gain takes what the residual leaves at this temperature."""
    probe = Probe(topic="x", unit=ProbeUnit.PSU, reports=Reports.SALINITY)
    state = ReferenceState()
    for day, temperature in enumerate((22.0, 24.0, 26.0, 28.0, 30.0)):
        at_s = NOW_S + day * DAY_S
        shown = seawater.salinity_psu(
            seawater.conductivity_ms_cm(35, temperature) / 1.05 / (1 + 0.004 * (temperature - 25)),
            temperature,
        )
        state = handle_reference_check(
            refractometer(35.0),
            replace(moment(at_s, temperature_c=temperature), reported=shown),
            state,
            tank="reef",
            probe=probe,
            now_s=at_s,
        ).state

    applied = handle_fit(
        state,
        moment(LATER_S, temperature_c=27.0),
        tank="reef",
        probe=probe,
        now_s=LATER_S,
        confirm=True,
    )

    in_force = probe_in_force(applied.state, probe)
    assert in_force.coefficient_pct_per_c is None
    assert in_force.calibration.gain == pytest.approx(1.05 * 1.008, rel=1e-5)


def test_the_swing_reaches_fit_and_advice() -> None:
    """What the tank's own temperature tells is used with the checks."""
    swing = SwingEstimate(residual_pct_per_c=0.25, standard_uncertainty_pct_per_c=0.02)
    state = checked_over_days((26.0,))

    advice = advice_for(
        state,
        moment(temperature_c=26.0),
        probe=PROBE,
        now_s=NOW_S,
        surroundings=Surroundings(swing=swing, coldest_c=24, warmest_c=28),
    )

    assert advice.action is Action.SET_COEFFICIENT
    assert "to 2.25" in advice.sentence


def test_the_sign_of_the_swing_is_turned_into_a_correction() -> None:
    """A coefficient that is 0.2 too high is to be lowered by 0.2."""
    dependence = TemperatureDependence(
        psu_per_c=0.0788,
        standard_uncertainty_psu_per_c=0.004,
        pct_per_c=0.2,
        uncertainty_pct_per_c=0.01,
        swing_c=1.0,
        days=5,
    )

    swing = swing_estimate(dependence)

    assert swing == SwingEstimate(residual_pct_per_c=-0.2, standard_uncertainty_pct_per_c=0.01)
    assert swing_estimate(None) is None
    assert swing_estimate(replace(dependence, uncertainty_pct_per_c=math.inf)) is None


def test_likely_disturbances_are_remembered() -> None:
    """The cause in force and every probable one leave their time."""
    last: dict[Cause, float] = {Cause.PLUME: 1.0}
    assessment = replace(
        moment(cause=Cause.BUBBLES),
        findings=(
            Finding(Cause.NONE, 0.6, (), ""),
            Finding(Cause.EXPOSED, 0.3, (), ""),
            Finding(Cause.BUBBLES, 0.1, (), ""),
        ),
    )

    remember_likely(last, assessment)

    assert last == {Cause.PLUME: 1.0, Cause.BUBBLES: NOW_S, Cause.EXPOSED: NOW_S}


def test_a_recent_disturbance_reaches_the_advice() -> None:
    """Bubbles an hour ago are recent."""
    outcome = check(
        refractometer(31),
        moment(),
        surroundings=Surroundings(last_likely_at_s={Cause.BUBBLES: NOW_S - 3600}),
    )

    assert outcome.result["advice"]["action"] == "fix-disturbance"


def test_a_good_probe_is_hardly_ever_calibrated() -> None:
    """Five noisy checks of a right probe lead to a calibration in at most 2 of 100 histories."""
    random = np.random.default_rng(20260304)
    calibrated = 0
    for _ in range(100):
        state = checked_over_days(FIVE, random=random)
        advice = advice_for(state, moment(LATER_S), probe=PROBE, now_s=LATER_S)
        calibrated += advice.action is Action.CALIBRATE

    assert calibrated <= 2


def test_old_checks_are_left_to_the_history() -> None:
    """The state stays small however many checks are made."""
    state = ReferenceState()
    for number in range(KEPT_CHECKS + 5):
        state = check(refractometer(35), None, state, NOW_S + number).state

    assert len(state.checks) == KEPT_CHECKS
    assert state.next_number == KEPT_CHECKS + 6


def test_the_records_survive_being_saved() -> None:
    """State goes through JSON and comes back equal."""
    state = checked_over_days((22.0, 25.0))
    adapter = TypeAdapter(ReferenceState)

    assert adapter.validate_json(adapter.dump_json(state)) == state
