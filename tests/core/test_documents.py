"""The published documents: every key of the interface, with its type, whatever is known."""

from dataclasses import replace
from datetime import datetime
from math import inf, isfinite, nan, nextafter
from typing import Any

import orjson
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bridge.core.documents import diagnosis_document, rounded, salinity_document
from bridge.core.findings import Assessment, Cause, Finding, Flag, Ne107, Quality
from bridge.core.qartod_state import TESTS
from bridge.core.settings import GravityReference, ProbeUnit
from bridge.core.wire.instants import Calendar
from tests.core.engine_rig import FULL, START_S, Rig

KNOWN = Assessment(
    at_s=START_S,
    salinity_psu=35.0212345,
    uncertainty_psu=0.151234,
    probe_salinity_psu=34.312345,
    probe_at_s=START_S,
    temperature_c=25.41234,
    temperature_at_s=START_S,
    conductivity_25c_ms_cm=53.071234,
    reported=34.40,
    quality=Quality.UNCERTAIN,
    flag=Flag.SUSPECT,
    ne107=Ne107.OUT_OF_SPECIFICATION,
    cause=Cause.BUBBLES,
    since_s=START_S - 40.0,
    findings=(
        Finding(Cause.BUBBLES, 0.93, ("The deepest dip of 0.62 means 1.1 % gas.",), "Swish."),
        Finding(Cause.NONE, 0.07, (), "Nothing to do."),
    ),
    tests=dict.fromkeys(TESTS, Flag.PASS),
    settled=True,
    interval_s=10.0,
    evaporation_l_day=None,
)
UNKNOWN = replace(
    KNOWN,
    salinity_psu=None,
    uncertainty_psu=inf,
    probe_salinity_psu=None,
    probe_at_s=None,
    temperature_c=None,
    temperature_at_s=None,
    conductivity_25c_ms_cm=None,
    reported=None,
    findings=(),
)
# The interface, section 2: key and what it may be.
SALINITY_KEYS: dict[str, tuple[type, ...]] = {
    "time": (str,),
    "boot_id": (str,),
    "seq": (int,),
    "salinity": (float, type(None)),
    "uncertainty": (float, type(None)),
    "probe_salinity": (float, type(None)),
    "reported": (float, type(None)),
    "reported_unit": (str,),
    "temperature": (float, type(None)),
    "conductivity_25c": (float, type(None)),
    "specific_gravity": (float, type(None)),
    "specific_gravity_reference": (str,),
    "quality": (str,),
    "qartod": (int,),
    "ne107": (str,),
    "cause": (str,),
}
PERMIT_KEYS = {
    *("time", "boot_id", "seq", "state", "lease_s", "reasons", "first_reason", "since"),
    "bypass_until",
}
ALARM_KEYS = {
    *("time", "alarm", "state", "active", "priority", "since", "cause", "consequence", "action"),
    "respond_within_s",
}


def document(assessment: Assessment) -> dict[str, Any]:
    """As it goes onto the wire and comes off it."""
    written = salinity_document(
        assessment,
        boot_id="7f3a",
        sequence=123,
        unit=ProbeUnit.PSU,
        reference=GravityReference.R25_25,
        calendar=Calendar(),
    )
    found: dict[str, Any] = orjson.loads(orjson.dumps(written))
    return found


@pytest.mark.parametrize("assessment", [KNOWN, UNKNOWN], ids=["known", "unknown"])
def test_the_salinity_document_has_every_key_with_its_type(assessment: Assessment) -> None:
    """Known or not, no key is missing or of another type."""
    found = document(assessment)

    for key, types in SALINITY_KEYS.items():
        assert key in found
        assert isinstance(found[key], types), key
    assert found["qartod"] in {1, 2, 3, 4, 9}
    assert found["ne107"] in set("NMSCF")
    assert found["quality"] in {"good", "uncertain", "bad"}


def test_numbers_are_published_with_sensible_digits() -> None:
    """The document shows what the keeper can use, to the digit."""
    found = document(KNOWN)

    assert found["time"] == "2026-03-01T12:00:00.000Z"
    assert found["salinity"] == 35.0212
    assert found["uncertainty"] == 0.1512
    assert found["probe_salinity"] == 34.3123
    assert found["temperature"] == 25.412
    # S = 35.02 at 25/25 lies a little above the 1.02637 of S = 35 (TEOS-10).
    assert found["specific_gravity"] == pytest.approx(1.02639, abs=1e-5)
    assert (found["reported"], found["reported_unit"]) == (34.4, "psu")


def test_what_is_unknown_is_null() -> None:
    """Never a zero, a NaN or an old number."""
    found = document(UNKNOWN)

    for key, types in SALINITY_KEYS.items():
        if type(None) in types:
            assert found[key] is None, key
    assert document(replace(KNOWN, uncertainty_psu=nan))["uncertainty"] is None


@pytest.mark.parametrize("salinity_psu", [-1.0, 0.0, 1.9, 42.1, 300.0])
def test_off_the_salinity_scale_there_is_no_specific_gravity(salinity_psu: float) -> None:
    """Outside 2..42 the relation was never fitted."""
    assert document(replace(KNOWN, salinity_psu=salinity_psu))["specific_gravity"] is None


def test_the_diagnosis_document_has_every_key() -> None:
    """Cause, since, causes with evidence and action, and the tests by their manual's names."""
    found = orjson.loads(diagnosis_document(KNOWN, Calendar()))

    assert {"time", "cause", "since", "causes", "tests"} <= set(found)
    assert found["since"] == "2026-03-01T11:59:20.000Z"
    assert found["causes"][0] == {
        "cause": "bubbles",
        "probability": 0.93,
        "evidence": ["The deepest dip of 0.62 means 1.1 % gas."],
        "action": "Swish.",
    }
    assert set(found["tests"]) == {
        *("gap", "syntax", "gross_range", "climatology", "spike", "rate_of_change", "flat_line"),
        *("multi_variate", "attenuated_signal"),
    }
    assert set(found["tests"].values()) <= {1, 2, 3, 4, 9}


def test_a_set_wall_clock_moves_every_moment() -> None:
    """Documents show the time that the keeper's clock shows."""
    calendar = Calendar()
    calendar.step(3600.0)
    found = orjson.loads(diagnosis_document(KNOWN, calendar))

    assert found["time"] == "2026-03-01T13:00:00.000Z"
    assert found["since"] == "2026-03-01T12:59:20.000Z"


def test_an_engines_documents_keep_to_the_interface() -> None:
    """Over a start, health, bubbles, exposure, silence and a bypass no document breaks it."""
    rig = Rig(FULL)
    rig.run(40)
    rig.run(20, lambda n: 35.0 - 0.8 * (n % 2))
    rig.run(5, 0.2)
    rig.command("bypass", permit="dosing", minutes=1, reason="drawn")
    rig.until(rig.now_s + 9000.0)

    numbers: list[int] = []
    for one in rig.documents("salinity"):
        assert set(SALINITY_KEYS) <= set(one)
        for key, types in SALINITY_KEYS.items():
            assert isinstance(one[key], types), (key, one[key])
        assert one["cause"] in set(Cause)
        numbers.append(one["seq"])
    assert numbers == sorted(set(numbers))
    for name in FULL.permits:
        for one in rig.documents(f"permit/{name}"):
            assert set(one) >= PERMIT_KEYS
            assert datetime.fromisoformat(one["time"])
    alarms = [p for p in rig.published if "/alarm/" in p.topic and p.payload]
    assert alarms
    for alarm in alarms:
        one = orjson.loads(alarm.payload)
        assert set(one) >= ALARM_KEYS
        assert one["priority"] in {"low", "medium", "high"}
        assert isinstance(one["action"], list)
    for published in rig.published:
        assert published.qos == 1
        assert published.retain is not ("/result/" in published.topic)


@given(st.floats(), st.integers(0, 5))
@example(2.5, 0)
@example(35.00005, 4)
@example(-0.00001, 4)
@example(1.03125, 4)
def test_numbers_are_rounded_as_the_language_does(value: float, digits: int) -> None:
    """To the last bit, ties and signed zeros included; what is not finite is not known."""
    found = rounded(value, digits)

    assert repr(found) == repr(round(value, digits) if isfinite(value) else None)


@given(st.integers(0, 10**7), st.integers(0, 5), st.integers(-3, 3))
def test_numbers_near_a_tie_are_rounded_as_the_language_does(
    half: int, digits: int, steps: int
) -> None:
    """However near to the middle between two decimals."""
    value = (2 * half + 1) / (2 * 10**digits)
    for _ in range(abs(steps)):
        value = nextafter(value, inf if steps > 0 else -inf)

    assert rounded(value, digits) == round(value, digits)
