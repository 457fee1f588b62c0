"""Commands are taken strictly, refused clearly, and answered under their own id."""

from typing import Any

import orjson
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.instrument_kinds import ReadingUnit
from bridge.core.settings import ProbeUnit
from bridge.core.wire.commands import (
    COMMANDS,
    LARGEST_BYTES,
    Acknowledge,
    Bypass,
    CalibrationDone,
    Command,
    CommandError,
    FitChecks,
    ReferenceCheck,
    ServiceWork,
    Shelve,
    Standard,
    Undo,
    WaterChange,
    WorkPhase,
    parse,
    result,
)

SHARED = "kelp-and-brine"

GOOD: list[tuple[str, dict[str, Any], Command]] = [
    (
        "reference-check",
        {"instrument": "refractometer", "reading": 35, "unit": "psu"},
        ReferenceCheck(id="1", instrument="refractometer", reading=35.0, unit=ReadingUnit.PSU),
    ),
    (
        "reference-check",
        {"instrument": "laboratory", "salinity": 34.9, "time": "2026-03-01T12:00:00Z"},
        ReferenceCheck(id="1", instrument="laboratory", salinity=34.9, time="2026-03-01T12:00:00Z"),
    ),
    (
        "calibration",
        {"standard": "kcl-0.1", "value": 12.85, "unit": "mS/cm", "temperature_c": 25},
        CalibrationDone(
            id="1",
            standard=Standard.KCL_0_1,
            value=12.85,
            unit=ProbeUnit.MS_CM,
            temperature_c=25.0,
        ),
    ),
    ("fit", {}, FitChecks(id="1")),
    ("fit", {"confirm": True, "by": "Ada"}, FitChecks(id="1", confirm=True, by="Ada")),
    ("undo", {"calibration": 3}, Undo(id="1", calibration=3)),
    (
        "reference-check",
        {"instrument": "hydrometer", "readings": [1.026, 1.027], "unit": "sg"},
        ReferenceCheck(
            id="1", instrument="hydrometer", readings=(1.026, 1.027), unit=ReadingUnit.SG
        ),
    ),
    (
        "water-change",
        {"litres": 40, "salinity": 35.0},
        WaterChange(id="1", litres=40.0, salinity=35.0),
    ),
    ("water-change", {"phase": "start"}, WaterChange(id="1", phase=WorkPhase.START)),
    ("acknowledge", {"alarm": "bubbles"}, Acknowledge(id="1", alarm="bubbles")),
    ("shelve", {"alarm": "bubbles", "minutes": 60}, Shelve(id="1", alarm="bubbles", minutes=60.0)),
    (
        "bypass",
        {"permit": "top-off", "minutes": 10, "reason": "measured by hand"},
        Bypass(id="1", permit="top-off", minutes=10.0, reason="measured by hand"),
    ),
    ("service", {"phase": "end"}, ServiceWork(id="1", phase=WorkPhase.END)),
]


@pytest.mark.parametrize(("name", "keys", "expected"), GOOD)
def test_every_command_of_the_interface_is_understood(
    name: str, keys: dict[str, Any], expected: Command
) -> None:
    """The keys of the interface, and no others, make the command."""
    assert parse(name, orjson.dumps({"id": "1", **keys})) == expected


BAD: list[tuple[str, dict[str, Any], str]] = [
    ("acknowledge", {}, "acknowledge: key 'alarm' is missing; accepted keys are id, alarm"),
    (
        "acknowledge",
        {"alarm": "bubbles", "alram": "x"},
        "acknowledge: key 'alram' is not known; accepted keys are id, alarm",
    ),
    ("acknowledge", {"alarm": 3}, "acknowledge: key 'alarm' is 3; accepted is text"),
    (
        "shelve",
        {"alarm": "bubbles", "minutes": "60"},
        "shelve: key 'minutes' is \"60\"; accepted is a number",
    ),
    (
        "shelve",
        {"alarm": "bubbles", "minutes": True},
        "shelve: key 'minutes' is true; accepted is a number",
    ),
    (
        "shelve",
        {"alarm": "bubbles", "minutes": -1},
        "shelve: key 'minutes' is -1; accepted is 0 or more",
    ),
    (
        "bypass",
        {"permit": "top-off", "minutes": 1e6, "reason": "x"},
        "bypass: key 'minutes' is 1000000.0; accepted is up to 1440",
    ),
    (
        "bypass",
        {"permit": "top-off", "minutes": 5, "reason": ""},
        "bypass: key 'reason' is \"\"; accepted is text that is not empty",
    ),
    (
        "service",
        {"phase": "begin"},
        "service: key 'phase' is \"begin\"; accepted is 'start' or 'end'",
    ),
    (
        "reference-check",
        {"instrument": "refractometer", "reading": 35},
        "reference-check: 'reading' and 'unit' belong together",
    ),
    (
        "reference-check",
        {"instrument": "laboratory", "salinity": 35, "time": "2026-03-01T12:00"},
        (
            "reference-check: key 'time' is '2026-03-01T12:00'; accepted is ISO 8601 with offset, "
            "such as 2026-03-01T12:00:00Z"
        ),
    ),
    (
        "water-change",
        {"litres": 20},
        "water-change: 'litres' and 'salinity' are needed for a change that is done at once",
    ),
]


@pytest.mark.parametrize(("name", "keys", "message"), BAD)
def test_a_refusal_names_the_key_and_what_is_accepted(
    name: str, keys: dict[str, Any], message: str
) -> None:
    """One sentence, with the sender's id kept for the answer."""
    with pytest.raises(CommandError) as refusal:
        parse(name, orjson.dumps({"id": "42", **keys}))

    assert str(refusal.value) == message
    assert refusal.value.command_id == "42"


@pytest.mark.parametrize("name", COMMANDS)
@pytest.mark.parametrize("payload", [b"", b"{", b"[]", b"3", b"null", b"\xff", b'{"id":""}'])
def test_what_carries_no_id_is_refused_without_one(name: str, payload: bytes) -> None:
    """A payload that is no object, or has no id, is refused."""
    with pytest.raises(CommandError) as refusal:
        parse(name, payload)

    assert refusal.value.command_id is None


def test_a_retained_command_is_refused() -> None:
    """It would be carried out again at every start."""
    with pytest.raises(CommandError, match="retained"):
        parse("acknowledge", b'{"id":"1","alarm":"bubbles"}', retained=True)


def test_an_oversized_command_is_refused_unread() -> None:
    """The limit comes before the parser."""
    with pytest.raises(CommandError, match=f"accepted are up to {LARGEST_BYTES}"):
        parse("acknowledge", b"{" * (LARGEST_BYTES + 1))


def test_an_unknown_command_is_answered_with_those_there_are() -> None:
    """The answer lists the commands."""
    with pytest.raises(CommandError, match="accepted are reference-check, calibration"):
        parse("reboot", b'{"id":"1"}')


@pytest.mark.parametrize("given_secret", [None, "", "wrong", 3])
def test_a_wrong_secret_is_refused_before_the_keys_are_looked_at(given_secret: object) -> None:
    """Who does not know the secret learns nothing, and the secret is never repeated."""
    document = {"id": "1", "unknown": 1, "secret": given_secret}
    with pytest.raises(CommandError) as refusal:
        parse("acknowledge", orjson.dumps(document), secret=SHARED)

    assert str(refusal.value) == "acknowledge: key 'secret' is missing or wrong"


def test_the_right_secret_is_accepted() -> None:
    """The secret is a key like any other, and not part of the command."""
    payload = b'{"id":"1","alarm":"bubbles","secret":"kelp-and-brine"}'

    assert parse("acknowledge", payload, secret=SHARED) == Acknowledge(id="1", alarm="bubbles")


def test_the_answer_echoes_the_id_and_is_not_retained() -> None:
    """Good and bad answers have the shape of the interface."""
    good = result(0.0, "tidegate/reef/result/shelve", command_id="7", details={"minutes": 60})
    bad = result(0.0, "tidegate/reef/result/shelve", command_id="7", error="no such alarm")

    assert orjson.loads(good.payload) == {"id": "7", "ok": True, "minutes": 60}
    assert orjson.loads(bad.payload) == {"id": "7", "ok": False, "error": "no such alarm"}
    assert not good.retain
    assert not bad.retain


json_values = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=8,
)
some_keys = st.sampled_from(
    ["id", "alarm", "minutes", "permit", "reason", "phase", "litres", "salinity", "reading", "time"]
)


@given(
    st.sampled_from([*COMMANDS, "other"]),
    st.one_of(
        st.binary(max_size=200),
        st.dictionaries(some_keys, json_values).map(orjson.dumps),
    ),
)
def test_no_payload_raises_anything_but_a_refusal(name: str, payload: bytes) -> None:
    """Whatever arrives is a command or one plain line."""
    try:
        command = parse(name, payload)
    except CommandError as refusal:
        assert "\n" not in str(refusal)  # noqa: PT017 - both outcomes are fine
    else:
        assert isinstance(command, COMMANDS[name])
