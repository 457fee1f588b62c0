"""From payloads to numbers and states: what is accepted, what is not, and that nothing raises."""

import math

import orjson
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from bridge.core.settings import Equipment, EquipmentKind, Source
from bridge.core.wire.payload import (
    LARGEST_PAYLOAD_BYTES,
    Number,
    Rejected,
    number_reader,
    state_reader,
)

BARE = Source(topic="probe")
PATH = Source(topic="probe", path="sensors.0.value")
STAMPED = Source(topic="probe", path="value", time_path="at")
WORDS = Equipment(topic="pump", kind=EquipmentKind.SKIMMER, on=("ON", "running"), off=("OFF",))
WORD_AT_PATH = Equipment(topic="pump", kind=EquipmentKind.SKIMMER, path="state")
WATTS = Equipment(topic="pump", kind=EquipmentKind.SKIMMER, threshold=5.0)
WATTS_AT_PATH = Equipment(topic="pump", kind=EquipmentKind.SKIMMER, path="power", threshold=5.0)
NOON_S = 1_772_366_400.0  # 2026-03-01T12:00:00Z


@pytest.mark.parametrize(
    ("payload", "value"),
    [
        (b"35.02", 35.02),
        (b"-1", -1.0),
        (b"+3.5e1", 35.0),
        (b" 35\n", 35.0),
        (b".5", 0.5),
        (b"1e9", 1e9),
    ],
)
def test_a_bare_number_is_read(payload: bytes, value: float) -> None:
    """Any usual way to write a decimal number is accepted, with blanks around it."""
    assert number_reader(BARE)(payload) == Number(value)


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"n/a",
        b"35,02",
        b"35 psu",
        b"1_000",
        b"0x23",
        b'{"value":35}',
        b"\xff\xfe",
        b"35\x00",
        b"3" * 65,
        *(b"nan", b"NaN", b"inf", b"-Infinity", b"1e400", b"1.1e9", b"-1e12"),
    ],
)
def test_what_is_no_finite_number_is_refused_with_a_reason(payload: bytes) -> None:
    """Words, units, decimal commas, NaN and the absurdly large are refused in plain words."""
    outcome = number_reader(BARE)(payload)

    assert isinstance(outcome, Rejected)
    assert outcome.reason


@pytest.mark.parametrize(
    ("document", "value"),
    [
        ({"sensors": [{"value": 35.02}]}, 35.02),
        ({"sensors": [{"value": 35}]}, 35.0),
        ({"sensors": [{"value": "35.02"}]}, 35.02),
        ({"sensors": {"0": {"value": 35.02}}}, 35.02),
    ],
)
def test_a_number_is_found_at_its_path(document: object, value: float) -> None:
    """A dotted path goes through objects and lists; a number in quotes counts as one."""
    assert number_reader(PATH)(orjson.dumps(document)) == Number(value)


@pytest.mark.parametrize(
    "payload",
    [
        b"35",
        b"[]",
        b"null",
        b"{}",
        b'{"sensors":[]}',
        b'{"sensors":[{}]}',
        b'{"sensors":[{"value":null}]}',
        b'{"sensors":[{"value":true}]}',
        b'{"sensors":[{"value":[35]}]}',
        b'{"sensors":[{"value":"warm"}]}',
        b'{"sensors":[{"value":1e300}]}',
        b'{"sensors":[{"value":' + b"9" * 400 + b"}]}",
        b'{"sensors":[{"value":NaN}]}',
        b'{"sensors":[{"value":35}',
        b"[" * 5000,
        b'{"sensors":[{"value":35}],"more":"' + b"x" * LARGEST_PAYLOAD_BYTES + b'"}',
    ],
)
def test_json_without_a_number_at_its_path_is_refused(payload: bytes) -> None:
    """Anything but a finite number at just that place is refused, never guessed."""
    assert isinstance(number_reader(PATH)(payload), Rejected)


@pytest.mark.parametrize(
    "stamp",
    [
        "2026-03-01T12:00:00Z",
        "2026-03-01T12:00:00+00:00",
        "2026-03-01T13:00:00+01:00",
        "2026-03-01T12:00:00",
        NOON_S,
        int(NOON_S),
        NOON_S * 1000.0,
    ],
)
def test_times_are_read_in_every_stated_form(stamp: object) -> None:
    """ISO 8601 with or without zone (UTC), Unix seconds and milliseconds mean the same moment."""
    outcome = number_reader(STAMPED)(orjson.dumps({"value": 35, "at": stamp}))

    assert outcome == Number(35.0, NOON_S)


@pytest.mark.parametrize(
    "stamp",
    [
        *(None, True, "soon", "", 0, -5, 1e300, [1], "1" * 100),
        *("0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "1969-12-31T23:59:59Z"),
    ],
)
def test_a_number_without_the_promised_time_is_refused(stamp: object) -> None:
    """Where a time is configured, a message without a usable one is not taken for now."""
    assert isinstance(number_reader(STAMPED)(orjson.dumps({"value": 35, "at": stamp})), Rejected)


@pytest.mark.parametrize(
    ("equipment", "payload", "on"),
    [
        (WORDS, b"ON", True),
        (WORDS, b" running\n", True),
        (WORDS, b"off", False),
        (WORDS, b"maybe", None),
        (WORDS, b"", None),
        (WORDS, b"\xff", None),
        (WORD_AT_PATH, b'{"state":"On"}', True),
        (WORD_AT_PATH, b'{"state":false}', False),
        (WORD_AT_PATH, b'{"state":1}', True),
        (WORD_AT_PATH, b'{"state":null}', None),
        (WORD_AT_PATH, b"{}", None),
        (WORD_AT_PATH, b"on", None),
        (WATTS, b"5.1", True),
        (WATTS, b"5.0", False),
        (WATTS, b"on", None),
        (WATTS_AT_PATH, b'{"power":42}', True),
        (WATTS_AT_PATH, b'{"power":"idle"}', None),
    ],
)
def test_states_are_read_by_words_or_by_a_threshold(
    equipment: Equipment,
    payload: bytes,
    on: bool | None,  # noqa: FBT001
) -> None:
    """The configured words count whatever their case, a number counts above its threshold."""
    outcome = state_reader(equipment)(payload)

    assert outcome is on if on is not None else isinstance(outcome, Rejected)


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=80),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["sensors", "value", "at", "state", "power", "0"]), inner, max_size=4
        )
    ),
    max_leaves=12,
)


def _json(value: object) -> bytes:
    try:
        return orjson.dumps(value)
    except orjson.JSONEncodeError:
        # Whole numbers beyond 64 bits: written by hand, as a device would.
        return str(value).encode()


payloads = st.one_of(
    st.binary(max_size=300),
    st.text(max_size=100).map(lambda text: text.encode("utf-8", "surrogatepass")),
    st.floats().map(lambda value: repr(value).encode()),
    st.integers().map(lambda value: str(value).encode()),
    json_values.map(_json),
)


@given(payloads)
@example(b"0" * (LARGEST_PAYLOAD_BYTES + 1))
@example(b'{"value":35,"at":"9999-12-31T23:59:59.999999-14:00"}')
@example(b'{"value":35,"at":"0001-01-01T00:00:00+14:00"}')
@example(b'{"value":35,"at":' + b"9" * 400 + b"}")
@example(b'{"value":35,"at":-' + b"9" * 19 + b"}")
@example(b'{"sensors":[{"value":"\\ud800"}]}')
@example('{"sensors":{"²":1}}'.encode())
def test_no_payload_of_any_kind_raises(payload: bytes) -> None:
    """Whatever arrives is a finite number of sane size, a state, or a refusal with a reason."""
    for source in (BARE, PATH, STAMPED):
        number = number_reader(source)(payload)
        if isinstance(number, Rejected):
            assert number.reason
        else:
            assert math.isfinite(number.value)
            assert abs(number.value) <= 1e9
            assert number.measured_at_s is None or 0.0 < number.measured_at_s < 1e11
    for equipment in (WORDS, WORD_AT_PATH, WATTS, WATTS_AT_PATH):
        on = state_reader(equipment)(payload)
        assert isinstance(on, bool | Rejected)


@given(st.text(alphabet="0123456789²٣.", min_size=1, max_size=6), json_values)
def test_no_path_of_any_kind_raises(path: str, document: object) -> None:
    """A path of odd digits or empty steps finds nothing, at worst."""
    read = number_reader(Source(topic="probe", path=path))

    assert isinstance(read(_json({"0": document, "": [document]})), Number | Rejected)


@given(st.floats(min_value=-1e9, max_value=1e9))
def test_every_float_survives_the_wire(value: float) -> None:
    """A number written by repr or in JSON is read as the very same number."""
    assert number_reader(BARE)(repr(value).encode()) == Number(value)
    assert number_reader(STAMPED)(orjson.dumps({"value": value, "at": NOON_S})) == Number(
        value, NOON_S
    )
