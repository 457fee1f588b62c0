"""Commands about reference and calibration, from their payload to their answer."""

from dataclasses import replace

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from bridge.core.calibration_points import STANDARDS
from bridge.core.errors import UserError
from bridge.core.findings import Assessment, Cause, Finding, Flag, Ne107, Quality
from bridge.core.instrument_kinds import InstrumentKind, ReadingUnit, typical_uncertainties
from bridge.core.records import Outcome, ReferenceState, correction_in_force
from bridge.core.reference_commands import REFERENCE_COMMANDS, handle
from bridge.core.settings import (
    GravityReference,
    InstrumentUncertainty,
    Probe,
    ProbeUnit,
    Reports,
)
from bridge.core.wire.commands import parse

PROBE = Probe(
    topic="invented/probe",
    unit=ProbeUnit.MS_CM,
    reports=Reports.CONDUCTIVITY_LINEAR,
    coefficient_pct_per_c=2.0,
)
NOW_S = 1_772_366_400.0  # 2026-03-01T12:00:00Z
ADAPTER = TypeAdapter(ReferenceState)
CALM = Assessment(
    at_s=NOW_S,
    salinity_psu=35.0,
    uncertainty_psu=0.2,
    probe_salinity_psu=35.0,
    probe_at_s=NOW_S,
    temperature_c=25.0,
    temperature_at_s=NOW_S,
    conductivity_25c_ms_cm=53.07,
    reported=53.07,
    quality=Quality.GOOD,
    flag=Flag.PASS,
    ne107=Ne107.NORMAL,
    cause=Cause.NONE,
    since_s=NOW_S,
    findings=(Finding(Cause.NONE, 1.0, (), ""),),
    tests={},
    settled=True,
    interval_s=10.0,
    evaporation_l_day=None,
)


def send(name: str, keys: dict[str, object], state: ReferenceState | None = None) -> Outcome:
    """Parse a payload as it would arrive, and carry it out."""
    command = parse(name, orjson.dumps({"id": "1", **keys}))
    assert isinstance(command, REFERENCE_COMMANDS)
    return handle(
        command,
        None,
        ReferenceState() if state is None else state,
        tank="reef",
        probe=PROBE,
        now_s=NOW_S,
    )


@pytest.mark.parametrize(
    ("keys", "salinity"),
    [
        ({"instrument": "laboratory", "salinity": 34.9}, 34.9),
        ({"instrument": "refractometer", "reading": 35, "unit": "ppt"}, 35.0),
        # The brine scale's 36.5 is S = 35 (CRC indices, Quan & Fry 1995).
        ({"instrument": "refractometer brine", "reading": 36.5, "unit": "psu"}, 35.0),
        # S = 35 at 25/25 is 1.026374 (TEOS-10).
        (
            {
                "instrument": "glass hydrometer",
                "reading": 1.026374,
                "unit": "sg",
                "gravity_reference": "25/25",
                "sample_temperature_c": 25,
            },
            35.0,
        ),
        # S = 35 at 20 °C is 47.918 mS/cm (PSS-78).
        (
            {
                "instrument": "bench conductivity meter",
                "readings": [47.9, 47.936],
                "unit": "mS/cm",
                "sample_temperature_c": 20,
                "temperature_corrected": False,
            },
            35.0,
        ),
    ],
)
def test_every_kind_of_check_arrives_as_a_salinity(
    keys: dict[str, object], salinity: float
) -> None:
    """What the keeper sends is what is converted."""
    assert send("reference-check", keys).result["salinity"] == pytest.approx(salinity, abs=0.05)


def test_the_stated_time_is_kept() -> None:
    """A check belongs to the moment it was made."""
    outcome = send(
        "reference-check",
        {"instrument": "lab", "salinity": 35, "time": "2026-02-28T12:00:00Z", "note": "sent away"},
    )

    assert outcome.state.checks[0].at_s == NOW_S - 86400
    assert outcome.state.checks[0].note == "sent away"


def test_calibration_fit_and_undo_work_together() -> None:
    """A calibration applied in the daemon is in force until it is undone."""
    done = send(
        "calibration",
        {
            "standard": "seawater",
            "value": 35,
            "unit": "psu",
            "temperature_c": 25,
            "reading_before": 52.0,
            "apply": True,
            "by": "Ada",
        },
    )
    undone = send("undo", {"calibration": 1}, done.state)

    assert correction_in_force(done.state, PROBE).gain == pytest.approx(53.0709 / 52, rel=1e-4)
    assert done.state.calibrations[0].by == "Ada"
    assert correction_in_force(undone.state, PROBE).gain == 1


def test_the_minimal_calibration_is_recorded() -> None:
    """Standard, value, unit and temperature are enough for a dated record."""
    outcome = send(
        "calibration",
        {"standard": "kcl-0.1", "value": 12.88, "unit": "mS/cm", "temperature_c": 24.0},
    )

    assert outcome.result["recorded"] is True
    # CRC 5-73 scaled to the stated 12.88: between 11.62 at 20 and 12.88 at 25 °C.
    assert outcome.result["standard_conductivity_ms_cm"] == pytest.approx(12.63, abs=0.02)


def test_checks_can_be_undone_and_a_fit_needs_one() -> None:
    """An undone check leaves nothing to fit."""
    made = send("reference-check", {"instrument": "lab", "salinity": 35})
    undone = send("undo", {"check": 1}, made.state)

    assert undone.state.checks[0].undone
    with pytest.raises(UserError, match="no reference check to fit"):
        send("fit", {}, undone.state)


numbers = st.floats(allow_nan=False, allow_infinity=False, width=32) | st.sampled_from(
    [0.0, 1.0, 1.026, 2.0, 35.0, 42.0, 53.07, 1413.0, -1.0]
)
temperatures = st.none() | st.floats(-2, 50)
payloads = st.one_of(
    st.tuples(
        st.just("reference-check"),
        st.fixed_dictionaries(
            {
                "instrument": st.sampled_from([*InstrumentKind, "what"]),
                "reading": numbers,
                "unit": st.sampled_from(ReadingUnit),
                "sample_temperature_c": temperatures,
                "temperature_corrected": st.none() | st.booleans(),
                "gravity_reference": st.none() | st.sampled_from(GravityReference),
                "coefficient_pct_per_c": st.none() | st.floats(0, 5),
                "standard_checked": st.booleans(),
            }
        ),
    ),
    st.tuples(
        st.just("calibration"),
        st.fixed_dictionaries(
            {
                "standard": st.sampled_from(STANDARDS),
                "value": numbers,
                "unit": st.sampled_from(ProbeUnit),
                "temperature_c": st.floats(-2, 50),
                "gravity_reference": st.none() | st.sampled_from(GravityReference),
                "reading_before": st.none() | numbers,
                "reading_after": st.none() | numbers,
                "apply": st.booleans(),
                "confirm": st.booleans(),
            }
        ),
    ),
    st.tuples(st.just("fit"), st.fixed_dictionaries({"confirm": st.booleans()})),
    st.tuples(st.just("undo"), st.fixed_dictionaries({"calibration": st.integers(1, 4)})),
    st.tuples(st.just("undo"), st.fixed_dictionaries({"check": st.integers(1, 4)})),
)
PROBES = [
    PROBE,
    Probe(topic="x", unit=ProbeUnit.US_CM, reports=Reports.CONDUCTIVITY),
    Probe(topic="x", unit=ProbeUnit.MS_CM, reports=Reports.CONDUCTIVITY_NATURAL),
    Probe(topic="x", unit=ProbeUnit.PSU, reports=Reports.SALINITY),
    Probe(
        topic="x",
        unit=ProbeUnit.SG,
        reports=Reports.SPECIFIC_GRAVITY_LINEAR,
        coefficient_pct_per_c=2.1,
        gravity_reference=GravityReference.R25_25,
    ),
]


@given(
    probe=st.sampled_from(PROBES),
    commands=st.lists(payloads, max_size=6),
    reported=st.none() | numbers,
    temperature=st.none() | st.floats(-5, 60),
)
def test_any_sequence_of_commands_is_carried_out_or_refused_in_words(
    probe: Probe,
    commands: list[tuple[str, dict[str, object]]],
    reported: float | None,
    temperature: float | None,
) -> None:
    """Nothing but a sentence for the keeper comes of any command; answers are JSON, state too."""
    state = ReferenceState()
    assessment = replace(CALM, reported=reported, temperature_c=temperature)
    for number, (name, keys) in enumerate(commands):
        payload = orjson.dumps({"id": "1", **{k: v for k, v in keys.items() if v is not None}})
        try:
            command = parse(name, payload)
            assert isinstance(command, REFERENCE_COMMANDS)
            outcome = handle(
                command, assessment, state, tank="reef", probe=probe, now_s=NOW_S + number
            )
        except UserError:
            continue
        orjson.dumps(dict(outcome.result))
        assert "NaN" not in str(outcome.result)
        assert 0.5 < correction_in_force(outcome.state, probe).gain < 2
        # Records are only appended.
        assert outcome.state.calibrations[: len(state.calibrations)] == state.calibrations
        assert ADAPTER.validate_json(ADAPTER.dump_json(outcome.state)) == outcome.state
        state = outcome.state


OLD: dict[str, object] = {
    "instrument": "laboratory",
    "salinity": 34.6,
    "expanded_uncertainty": 0.1,
    "time": "2026-02-01T12:00:00Z",
    "then": {"reported": 53.07, "temperature_c": 25.0, "salinity": 35.0, "uncertainty": 0.2},
}


def test_an_old_check_from_records_counts_as_it_did_then() -> None:
    """It is judged with what was seen then, stands in its own place, and is taken only once."""
    recent = send("reference-check", {"instrument": "laboratory", "salinity": 35.0}).state
    outcome = send("reference-check", OLD, recent)
    (old, new) = outcome.state.checks

    assert outcome.result["verdict"] == "differ"
    assert (old.reference_psu, old.reported, old.usable) == (34.6, 53.07, True)
    assert old.at_s < new.at_s == NOW_S
    assert outcome.records[0].at_s == old.at_s
    with pytest.raises(UserError, match=f"is on record already, as check {old.number}"):
        send("reference-check", OLD, outcome.state)


def test_a_check_made_while_the_probe_was_disturbed_is_not_fitted() -> None:
    """What spoiled a check then spoils it now."""
    then = {"reported": 50.0, "temperature_c": 25.0, "cause": "bubbles"}
    (check,) = send("reference-check", OLD | {"then": then}).state.checks

    assert check.usable is False
    with pytest.raises(UserError, match="'then' needs 'time'"):
        send("reference-check", {"instrument": "lab", "salinity": 35, "then": then})


def test_the_keepers_word_on_an_instrument_goes_before_common_practice() -> None:
    """A stated standard uncertainty is doubled (k = 2); what is left out stays typical."""
    typical = typical_uncertainties({"glass-hydrometer": InstrumentUncertainty(unchecked_psu=0.3)})
    hydrometer = typical[InstrumentKind.HYDROMETER_GLASS]
    assert (hydrometer.checked_psu, hydrometer.unchecked_psu) == (0.5, 0.3)
    command = parse(
        "reference-check",
        orjson.dumps({"id": "1", "instrument": "glass-hydrometer", "reading": 35, "unit": "psu"}),
    )
    assert isinstance(command, REFERENCE_COMMANDS)
    outcome = handle(
        command,
        CALM,
        ReferenceState(),
        tank="reef",
        probe=PROBE,
        now_s=NOW_S,
        typical=typical,
    )

    (own,) = [
        line["standard_uncertainty"]
        for line in outcome.result["budget"]
        if line["standard_uncertainty"] == 0.3
    ]
    assert own == 0.3
