"""Commands about reference and calibration, from their payload to their answer."""

import orjson
import pytest

from bridge.core.errors import UserError
from bridge.core.records import Outcome, ReferenceState, correction_in_force
from bridge.core.reference_commands import REFERENCE_COMMANDS, handle
from bridge.core.settings import Probe, ProbeUnit, Reports
from bridge.core.wire.commands import parse

PROBE = Probe(
    topic="invented/probe",
    unit=ProbeUnit.MS_CM,
    reports=Reports.CONDUCTIVITY_LINEAR,
    coefficient_pct_per_c=2.0,
)
NOW_S = 1_772_366_400.0  # 2026-03-01T12:00:00Z


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
