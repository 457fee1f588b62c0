"""Calibrations as dated records: standards, questions, what is in force, undo."""

import csv
import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from bridge.core import seawater
from bridge.core.calibration_points import (
    CalibrationRequest,
    StandardPoint,
    derive_correction,
    standard_at_its_temperature_ms_cm,
)
from bridge.core.calibrations import handle_calibration, handle_undo
from bridge.core.errors import UserError
from bridge.core.findings import Assessment, Cause, Finding, Flag, Ne107, Quality
from bridge.core.records import (
    Outcome,
    ReferenceState,
    calibrated_at_s,
    calibration_temperature_c,
    correction_in_force,
    device_calibrated_at_s,
    probe_in_force,
    traceability,
)
from bridge.core.settings import Calibration, GravityReference, Probe, ProbeUnit, Reports

PROBE = Probe(
    topic="invented/probe",
    unit=ProbeUnit.MS_CM,
    reports=Reports.CONDUCTIVITY_LINEAR,
    coefficient_pct_per_c=2.0,
)
NOW_S = 1_772_000_000.0
DAY_S = 86400.0
KCL = list(
    csv.DictReader(
        (Path(__file__).parents[1] / "data" / "kcl_conductivity.csv").read_text().splitlines()
    )
)
KCL_25 = next(row for row in KCL if row["t90_C"] == "25")


def assessed(cause: Cause = Cause.NONE, **known: object) -> Assessment:
    """An invented moment of a tank at S = 35 and 26 °C."""
    moment = Assessment(
        at_s=NOW_S,
        salinity_psu=35.0,
        uncertainty_psu=0.2,
        probe_salinity_psu=35.0,
        probe_at_s=NOW_S,
        temperature_c=26.0,
        temperature_at_s=NOW_S,
        conductivity_25c_ms_cm=53.07,
        reported=53.07,
        quality=Quality.GOOD,
        flag=Flag.PASS,
        ne107=Ne107.NORMAL,
        cause=cause,
        since_s=NOW_S,
        findings=(Finding(cause, 0.95, (), ""), Finding(Cause.UNEXPLAINED, 0.05, (), "")),
        tests={},
        settled=True,
        interval_s=10.0,
        evaporation_l_day=None,
    )
    return replace(moment, **known)  # type: ignore[arg-type]


def standard(**known: object) -> CalibrationRequest:
    """Sea-water standard of S = 35 at 25 °C, unless said otherwise."""
    request = CalibrationRequest(
        standard="seawater", value=35.0, unit=ProbeUnit.PSU, temperature_c=25.0
    )
    return replace(request, **known)  # type: ignore[arg-type]


def calibrate(
    request: CalibrationRequest,
    state: ReferenceState | None = None,
    probe: Probe = PROBE,
    now_s: float = NOW_S,
    *,
    assessment: Assessment | None = None,
    spread_psu: float | None = None,
) -> Outcome:
    """The command on an invented tank."""
    return handle_calibration(
        request,
        assessment,
        ReferenceState() if state is None else state,
        tank="reef",
        probe=probe,
        now_s=now_s,
        spread_psu=spread_psu,
    )


@pytest.mark.parametrize(
    ("temperature", "conductivity"),
    # Reference table (PSS-78), S = 35, ± 0.001 mS/cm.
    [(20.0, 47.918), (24.0, 52.029), (25.0, 53.071), (26.0, 54.118), (28.0, 56.228)],
)
def test_sea_water_standard_at_its_temperature(temperature: float, conductivity: float) -> None:
    """A standard of S = 35 is known at any temperature."""
    request = standard(temperature_c=temperature)

    assert standard_at_its_temperature_ms_cm(request) == pytest.approx(conductivity, abs=1e-3)


@pytest.mark.parametrize(
    ("name", "at_25", "temperature", "conductivity"),
    [
        (name, float(KCL_25[column]), float(row["t90_C"]), float(row[column]))
        for name, column in (
            ("kcl-0.01", "k_0p01m_uScm"),
            ("kcl-0.1", "k_0p1m_uScm"),
            ("kcl-1.0", "k_1p0m_uScm"),
        )
        for row in KCL
        if row[column]
    ],
)
def test_kcl_follows_its_own_table(
    name: str, at_25: float, temperature: float, conductivity: float
) -> None:
    """KCl stated as in the table at 25 °C has the table's value everywhere (CRC 5-73)."""
    request = standard(standard=name, value=at_25, unit=ProbeUnit.US_CM, temperature_c=temperature)

    assert standard_at_its_temperature_ms_cm(request) == pytest.approx(
        conductivity / 1000, rel=1e-9
    )


def test_a_conductivity_of_another_standard_is_at_its_own_temperature() -> None:
    """Nothing is known of how an unknown standard follows temperature."""
    request = standard(standard="other", value=50_000, unit=ProbeUnit.US_CM, temperature_c=22.0)

    assert standard_at_its_temperature_ms_cm(request) == pytest.approx(50.0)


def test_a_standard_stated_as_gravity_needs_its_reference() -> None:
    """1.0264 means something at 25/25 only."""
    request = standard(value=1.026374, unit=ProbeUnit.SG, gravity_reference=GravityReference.R25_25)

    # S = 35 at 25/25 is 1.026374 (reference table).
    assert standard_at_its_temperature_ms_cm(request) == pytest.approx(53.071, abs=2e-3)
    with pytest.raises(UserError, match="needs gravity_reference"):
        standard_at_its_temperature_ms_cm(replace(request, gravity_reference=None))


@given(gain=st.floats(0.6, 1.9), temperature=st.floats(15, 30))
def test_applying_makes_the_standard_read_right(gain: float, temperature: float) -> None:
    """After calibrating in the daemon the same reading gives the standard's salinity."""
    measured = seawater.conductivity_ms_cm(35, temperature) / gain
    reading = measured / (1 + 0.02 * (temperature - 25))

    outcome = calibrate(
        standard(
            temperature_c=temperature, reading_before=reading, apply_in_daemon=True, confirm=True
        )
    )

    in_force = probe_in_force(outcome.state, PROBE)
    assert in_force.calibration.gain == pytest.approx(gain, rel=1e-9)
    assert seawater.salinity_psu(
        in_force.calibration.gain * reading * (1 + 0.02 * (temperature - 25)), temperature
    ) == pytest.approx(35)


def test_a_coefficient_error_is_calibrated_into_the_gain_at_the_standards_temperature() -> None:
    """KCl at 20 °C is undone with the device's coefficient, not with KCl's."""
    # A perfect device with 2.0 %/°C in 0.1 mol KCl at 20 °C shows 11.6159 / 0.9 (CRC 5-73).
    outcome = calibrate(
        standard(
            standard="kcl-0.1",
            value=12.8246,
            unit=ProbeUnit.MS_CM,
            temperature_c=20.0,
            reading_before=11.6159 / 0.9,
            apply_in_daemon=True,
        )
    )

    assert outcome.result["gain"] == pytest.approx(1.0, abs=1e-6)
    assert any("far from sea water" in caution for caution in outcome.result["cautions"])


def test_recording_a_calibration_of_the_device_changes_nothing_published() -> None:
    """The record is dated; gain 1 stays gain 1."""
    outcome = calibrate(standard(by="Ada", note="new bottle", at_s=NOW_S - DAY_S))

    assert outcome.result["recorded"] is True
    assert correction_in_force(outcome.state, PROBE).neutral
    assert calibrated_at_s(outcome.state) == NOW_S - DAY_S
    assert device_calibrated_at_s(outcome.state) == NOW_S
    assert calibration_temperature_c(outcome.state) == 25.0
    row = outcome.records[0]
    assert (row.kind, row.tank, row.data["by"], row.data["note"]) == (
        "calibration",
        "reef",
        "Ada",
        "new bottle",
    )


def test_a_new_calibration_never_rewrites_history() -> None:
    """What was in force at an earlier time stays so, whatever is recorded later."""
    first = calibrate(standard(reading_before=52.0, apply_in_daemon=True))
    second = calibrate(
        standard(reading_before=51.8, apply_in_daemon=True, at_s=NOW_S - 10 * DAY_S),
        first.state,
        now_s=NOW_S + 30 * DAY_S,
    )

    assert correction_in_force(second.state, PROBE, NOW_S - 1).gain == 1
    assert correction_in_force(second.state, PROBE, NOW_S + DAY_S) == correction_in_force(
        first.state, PROBE
    )
    assert correction_in_force(second.state, PROBE).gain == pytest.approx(53.071 / 51.8, rel=1e-4)
    assert second.state.calibrations[0] == first.state.calibrations[0]


def test_undo_restores_what_was_before_by_a_new_record() -> None:
    """Nothing is deleted: the undoing is a record of its own, and can follow another."""
    first = calibrate(standard(reading_before=52.0, apply_in_daemon=True))
    second = calibrate(
        standard(reading_before=51.9, apply_in_daemon=True), first.state, now_s=NOW_S + 20 * DAY_S
    )
    undone = handle_undo(2, second.state, tank="reef", probe=PROBE, now_s=NOW_S + 21 * DAY_S)
    both = handle_undo(1, undone.state, tank="reef", probe=PROBE, now_s=NOW_S + 22 * DAY_S)

    assert correction_in_force(undone.state, PROBE) == correction_in_force(first.state, PROBE)
    assert calibrated_at_s(undone.state) == NOW_S
    assert correction_in_force(both.state, PROBE).neutral
    assert calibrated_at_s(both.state) is None
    assert [(row["number"], row["stands"]) for row in traceability(both.state)] == [
        (1, False),
        (2, False),
        (3, False),
        (4, False),
    ]


@pytest.mark.parametrize(
    ("number", "message"), [(7, "standing are: 1, 2"), (1, "undo calibration 2 first")]
)
def test_only_the_newest_calibration_can_be_undone(number: int, message: str) -> None:
    """Undoing in the middle would leave no one knowing what is in force."""
    first = calibrate(standard(reading_before=52.0, apply_in_daemon=True))
    second = calibrate(standard(), first.state, assessment=assessed(), now_s=NOW_S + DAY_S)
    assert second.result["recorded"] is False
    second = calibrate(standard(confirm=True), first.state, now_s=NOW_S + DAY_S)

    with pytest.raises(UserError, match=message):
        handle_undo(number, second.state, tank="reef", probe=PROBE, now_s=NOW_S + 2 * DAY_S)


def test_undoing_a_calibration_of_the_device_says_that_the_device_stays() -> None:
    """Only the record can be taken back from here."""
    first = calibrate(standard())

    undone = handle_undo(1, first.state, tank="reef", probe=PROBE, now_s=NOW_S + 1)

    assert "at the device as well" in undone.result["cautions"][0]


def test_an_edited_configuration_is_the_newer_word() -> None:
    """When the keeper changes the file afterwards, the file counts."""
    outcome = calibrate(standard(reading_before=52.0, apply_in_daemon=True))
    edited = replace(PROBE, calibration=Calibration(gain=1.01))

    assert correction_in_force(outcome.state, edited).gain == 1.01


def test_a_move_that_nothing_explains_is_questioned_and_recorded_only_on_confirmation() -> None:
    """5 % soon after a good calibration is more likely the wrong standard than the probe."""
    first = calibrate(standard(reading_before=53.0, apply_in_daemon=True))
    request = standard(reading_before=50.4, apply_in_daemon=True)

    asked = calibrate(request, first.state, now_s=NOW_S + DAY_S)
    done = calibrate(replace(request, confirm=True), first.state, now_s=NOW_S + DAY_S)

    assert asked.result["recorded"] is False
    assert "more than the" in asked.result["questions"][0]
    assert (asked.state, asked.records) == (first.state, ())
    assert done.result["recorded"] is True
    assert done.state.calibrations[-1].questions == asked.result["questions"]


def test_a_first_calibration_of_five_per_cent_is_not_questioned() -> None:
    """A cell may be that far from its nominal constant."""
    outcome = calibrate(standard(reading_before=50.5, apply_in_daemon=True))

    assert outcome.result["questions"] == []


@pytest.mark.parametrize("spread", [0.5, math.nan])
def test_unsteady_readings_are_questioned(spread: float) -> None:
    """A calibration in scattering readings builds the scatter in."""
    outcome = calibrate(standard(reading_before=53.0, apply_in_daemon=True), spread_psu=spread)

    assert outcome.result["recorded"] is False
    assert "not steady" in outcome.result["questions"][0]


@pytest.mark.parametrize("cause", [Cause.BUBBLES, Cause.INTERFERENCE, Cause.PLUME, Cause.EXPOSED])
@pytest.mark.parametrize("apply", [False, True])
def test_a_disturbed_probe_is_questioned(cause: Cause, apply: bool) -> None:  # noqa: FBT001
    """Nobody calibrates into bubbles without being asked."""
    outcome = calibrate(standard(apply_in_daemon=apply), assessment=assessed(cause))

    assert outcome.result["recorded"] is False
    assert cause.value in outcome.result["questions"][0]


def test_a_standard_much_colder_than_the_tank_is_pointed_out() -> None:
    """A wrong coefficient is carried along from the standard's temperature."""
    outcome = calibrate(
        standard(temperature_c=20.0, apply_in_daemon=True), assessment=assessed(reported=53.3)
    )

    assert "tank's temperature" in outcome.result["cautions"][0]


def test_calibrating_the_device_sets_the_daemons_own_gain_back_after_asking() -> None:
    """Two corrections for one error would be one too many."""
    first = calibrate(standard(reading_before=52.0, apply_in_daemon=True))

    asked = calibrate(standard(), first.state, now_s=NOW_S + DAY_S)
    done = calibrate(standard(confirm=True), first.state, now_s=NOW_S + DAY_S)

    assert "set back to 1" in asked.result["questions"][0]
    assert correction_in_force(done.state, PROBE).neutral


def test_a_device_that_still_reads_wrong_after_its_calibration_is_questioned() -> None:
    """A failed calibration is noticed from the reading after it."""
    outcome = calibrate(standard(reading_after=52.0))

    assert "still reads -0.80 off" in outcome.result["questions"][0]


def test_two_standards_give_gain_and_offset() -> None:
    """C = 1.02 m + 0.5 is recovered from two standards measured one after the other."""
    # An invented device that measures (C - 0.5) / 1.02, at the reference temperature.
    low, high = 12.8246, seawater.conductivity_ms_cm(35, 25)
    first = calibrate(
        standard(
            standard="kcl-0.1",
            value=12.8246,
            unit=ProbeUnit.MS_CM,
            reading_before=(low - 0.5) / 1.02,
            apply_in_daemon=True,
        )
    )
    second = calibrate(
        standard(reading_before=(high - 0.5) / 1.02, apply_in_daemon=True, confirm=True),
        first.state,
        now_s=NOW_S + 600,
    )

    correction = correction_in_force(second.state, PROBE)
    assert correction.gain == pytest.approx(1.02)
    assert correction.offset_ms_cm == pytest.approx(0.5)


def test_a_second_standard_on_another_day_is_a_calibration_of_its_own() -> None:
    """Two points are one act; a week apart they are two."""
    first = calibrate(
        standard(
            standard="kcl-0.1",
            value=12.8246,
            unit=ProbeUnit.MS_CM,
            reading_before=12.7,
            apply_in_daemon=True,
        )
    )
    second = calibrate(
        standard(reading_before=52.6, apply_in_daemon=True), first.state, now_s=NOW_S + 7 * DAY_S
    )

    assert correction_in_force(second.state, PROBE).offset_ms_cm == 0


@given(st.floats(0.6, 1.8), st.floats(-4, 4))
def test_two_points_are_solved_exactly(gain: float, offset: float) -> None:
    """Gain and offset pass through both standards."""
    points = [StandardPoint(c, (c - offset) / gain) for c in (12.8, 53.1)]

    assert derive_correction(points) == pytest.approx((gain, offset), abs=1e-9)


@pytest.mark.parametrize(
    ("request_", "message"),
    [
        (standard(standard="table-salt"), 'standard is "table-salt"; accepted are seawater'),
        (standard(standard="kcl-0.1"), "stated as a conductivity at 25 °C; unit is psu"),
        (standard(value=50.0), "the standard cannot be used"),
        (standard(value=math.nan), "must be above 0"),
        (standard(temperature_c=60.0), "the standard cannot be used"),
        (standard(apply_in_daemon=True), "there is no reading in the standard"),
        (standard(apply_in_daemon=True, reading_before=5.0), "gain of 10.6"),
        (standard(apply_in_daemon=True, reading_before=0.0), "no conductivity"),
        (standard(expanded_uncertainty_psu=0.0), "must be above 0"),
        (standard(at_s=NOW_S + 3 * DAY_S), "lies in the future"),
    ],
)
def test_impossible_calibrations_are_refused(request_: CalibrationRequest, message: str) -> None:
    """What is wrong and what is accepted is said."""
    with pytest.raises(UserError, match=message):
        calibrate(request_)


def test_the_records_survive_being_saved() -> None:
    """State goes through JSON and comes back equal."""
    first = calibrate(standard(reading_before=52.0, apply_in_daemon=True))
    second = handle_undo(1, first.state, tank="reef", probe=PROBE, now_s=NOW_S + 1)
    adapter = TypeAdapter(ReferenceState)

    assert adapter.validate_json(adapter.dump_json(second.state)) == second.state
