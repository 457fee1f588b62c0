"""Records survive the way into the history and back."""

import sqlite3
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.findings import Cause, Ne107, Quality
from bridge.core.outputs import Record
from bridge.shell.history_rows import (
    Words,
    event_records,
    event_row,
    sample_record,
    sample_row,
    to_ms,
)
from bridge.shell.history_schema import migrate
from tests.support.history import START_S, document, sample

NUMBERS = st.none() | st.floats(allow_nan=False, allow_infinity=False)
JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | NUMBERS
    | st.text(st.characters(codec="utf-8")),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.text(st.characters(codec="utf-8"), max_size=8), inner, max_size=3)
    ),
    max_leaves=8,
)
TIMES = st.integers(0, 4_000_000_000_000).map(lambda at_ms: at_ms / 1000)


def words() -> Words:
    """The words of an empty history in memory."""
    connection = sqlite3.connect(":memory:", isolation_level=None)
    migrate(connection)
    return Words(connection)


@given(
    at_s=TIMES,
    numbers=st.lists(NUMBERS, min_size=7, max_size=7),
    seq=st.integers(0, 2**62),
    qartod=st.sampled_from([1, 2, 3, 4, 9]),
    quality=st.sampled_from(list(Quality)),
    ne107=st.sampled_from(list(Ne107)),
    cause=st.sampled_from(list(Cause)),
    boot_id=st.text(st.characters(codec="utf-8"), max_size=8),
    time=st.none() | st.text(st.characters(codec="utf-8"), max_size=30),
    extra=st.dictionaries(st.text("abcdef", min_size=3, max_size=8), JSON, max_size=3),
)
def test_a_salinity_document_comes_back_as_it_was(
    *,
    at_s: float,
    numbers: list[float | None],
    seq: int,
    qartod: int,
    quality: Quality,
    ne107: Ne107,
    cause: Cause,
    boot_id: str,
    time: str | None,
    extra: dict[str, object],
) -> None:
    """Every key and value of a document survives, keys that have no column included."""
    names = (
        "salinity",
        "uncertainty",
        "probe_salinity",
        "reported",
        "temperature",
        "conductivity_25c",
        "specific_gravity",
    )
    data = document(
        at_s,
        seq,
        qartod=qartod,
        quality=quality.value,
        ne107=ne107.value,
        cause=cause.value,
        boot_id=boot_id,
        **dict(zip(names, numbers, strict=True)),
    )
    if time is not None:
        data["time"] = time
    known = words()
    record = Record(at_s, "reef", "sample", extra | data)

    back = sample_record(sample_row(record, known), known)

    assert back == record


@given(at_s=TIMES, kind=st.text("abc-", min_size=1), data=st.dictionaries(st.text("xyz"), JSON))
def test_an_event_comes_back_as_it_was(at_s: float, kind: str, data: dict[str, object]) -> None:
    """Whatever JSON an event carries survives, with its time, tank and kind."""
    known = words()
    record = Record(at_s, "reef", kind, data)

    assert list(event_records(iter([event_row(record, known)]), known)) == [record]


def test_an_unreadable_event_hides_no_other() -> None:
    """One damaged row is passed over."""
    known = words()
    good = event_row(Record(START_S, "reef", "check", {"salinity": 35.0}), known)
    bad = (*good[:3], b"{damaged")

    assert len(list(event_records(iter([bad, good]), known))) == 1


@pytest.mark.parametrize("at_s", [-1.0, 1e300, float("nan"), float("inf")])
def test_an_impossible_time_is_refused(at_s: float) -> None:
    """Times before 1970, after 9999, or none at all have no place in the table."""
    with pytest.raises((ValueError, OverflowError)):
        to_ms(at_s)


@pytest.mark.parametrize("changes", [{"cause": 7}, {"salinity": "much"}, {"seq": 2**70}])
def test_a_value_of_the_wrong_type_is_refused(changes: dict[str, Any]) -> None:
    """A document that cannot be stored is refused before it reaches the table."""
    with pytest.raises((TypeError, ValueError)):
        sample_row(sample(START_S, **changes), words())
