"""Summaries say what direct computation over the samples says."""

import math
import sqlite3
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.findings import Cause, Flag
from bridge.core.outputs import Record
from bridge.shell.history_fold import (
    CAUSES,
    COLUMNS,
    HOUR_MS,
    MINUTE_MS,
    QUANTITIES,
    SEVERITY,
    Summary,
    cause_column,
    fold,
    summary_from_row,
)
from bridge.shell.history_retention import Progress, read_samples, save_progress, summarise
from bridge.shell.history_rows import KEYS, Words, sample_row, to_ms
from bridge.shell.history_schema import migrate
from bridge.shell.history_series import summaries
from tests.support.history import START_S, sample

FLAGS = (1, 2, 3, 4, 9)
INSERT = (
    f"INSERT INTO sample (tank, at, {', '.join(KEYS)}, extra) "  # noqa: S608 - own names
    f"VALUES (?{', ?' * (len(KEYS) + 2)})"
)


@st.composite
def histories(draw: st.DrawFn) -> list[Record]:
    """Samples of some hours with gaps, restarts, missing values and every cause and flag."""
    steps = draw(st.lists(st.integers(1, 4000), min_size=2, max_size=25))
    at_s = START_S + draw(st.integers(0, 7200))
    boot = 0
    records = []
    for step in steps:
        at_s += step / 4
        boot += draw(st.sampled_from([0, 0, 0, 0, 1]))
        values: dict[str, Any] = {
            name: draw(st.none() | st.floats(0, 50).map(lambda value: round(value, 3)))
            for name in QUANTITIES
        }
        records.append(
            sample(
                at_s,
                boot_id=f"b{boot}",
                cause=draw(st.sampled_from(list(Cause))).value,
                qartod=draw(st.sampled_from(FLAGS)),
                **values,
            )
        )
    return records


def stored(records: list[Record]) -> tuple[sqlite3.Connection, Words]:
    """A history in memory with only the samples."""
    connection = sqlite3.connect(":memory:", isolation_level=None)
    migrate(connection)
    words = Words(connection)
    connection.executemany(
        INSERT,
        [sample_row(record, words) for record in records],
    )
    return connection, words


def direct(records: list[Record], from_ms: int, to_ms_: int) -> Summary:
    """The summary of a span, computed in the plainest way."""
    inside = [record for record in records if from_ms <= to_ms(record.at_s) < to_ms_]
    summary = Summary(from_ms, len(inside))
    for place, name in enumerate(QUANTITIES):
        values = [record.data[name] for record in inside if record.data[name] is not None]
        spread = summary.spreads[place]
        spread.n = len(values)
        if values:
            spread.low, spread.high = min(values), max(values)
            spread.mean = math.fsum(values) / len(values)
    if inside:
        summary.worst = max(SEVERITY.index(Flag(record.data["qartod"])) for record in inside)
    for one, following in pairwise(records):
        if one.data["boot_id"] == following.data["boot_id"]:
            spent = min(to_ms(following.at_s), to_ms_) - max(to_ms(one.at_s), from_ms)
            summary.cause_ms[CAUSES.index(Cause(one.data["cause"]))] += max(0, spent)
    return summary


def assert_same(found: Summary, expected: Summary) -> None:
    """Exact in counts, extremes, flags and times; means to rounding."""
    assert found.at_ms == expected.at_ms
    assert (found.n, found.worst, found.cause_ms) == (
        expected.n,
        expected.worst,
        expected.cause_ms,
    )
    for mine, theirs in zip(found.spreads, expected.spreads, strict=True):
        assert (mine.n, mine.low, mine.high) == (theirs.n, theirs.low, theirs.high)
        assert mine.mean == (None if theirs.mean is None else pytest.approx(theirs.mean, rel=1e-12))


@given(histories())
@settings(max_examples=40, deadline=None)
def test_stored_summaries_equal_direct_computation(records: list[Record]) -> None:
    """Minute and hour rows hold what the samples of their span say, and no span is missing."""
    connection, words = stored(records)
    tank = words.number("reef")
    newest = to_ms(records[-1].at_s)
    progress = Progress()
    if not summarise(connection, words, tank, progress, newest):
        return
    for table, width in (("minute", MINUTE_MS), ("hour", HOUR_MS)):
        rows = connection.execute(f"SELECT {COLUMNS} FROM {table} ORDER BY at").fetchall()  # noqa: S608
        end = progress.folded_to - progress.folded_to % width
        first = to_ms(records[0].at_s)
        expected = [
            summary
            for at_ms in range(first - first % width, end, width)
            if (summary := direct(records, at_ms, at_ms + width)).n or any(summary.cause_ms)
        ]
        assert [row[0] for row in rows] == [summary.at_ms for summary in expected]
        for row, summary in zip(rows, expected, strict=True):
            assert_same(summary_from_row(row), summary)


@given(histories(), st.sampled_from([15_000, MINUTE_MS, 7 * MINUTE_MS, HOUR_MS, 2 * HOUR_MS]))
@settings(max_examples=40, deadline=None)
def test_a_chart_says_the_same_from_rows_of_any_fineness(
    records: list[Record], width_ms: int
) -> None:
    """Points put together from hour, minute and sample rows equal those from samples alone."""
    connection, words = stored(records)
    tank = words.number("reef")
    progress = Progress()
    summarise(connection, words, tank, progress, to_ms(records[-1].at_s))
    first, last = to_ms(records[0].at_s), to_ms(records[-1].at_s) + 1

    found = summaries(
        connection, words, tank, progress, from_ms=first, to_ms=last, width_ms=width_ms
    )

    for summary in found:
        assert_same(summary, direct(records, summary.at_ms, summary.at_ms + width_ms))
    assert sum(summary.n for summary in found) == len(records)


@given(histories(), st.data())
@settings(max_examples=40, deadline=None)
def test_samples_that_come_late_change_nothing_in_the_end(
    records: list[Record], data: st.DataObject
) -> None:
    """Summaries made in pieces, some again after a late sample, equal those made at once."""
    late = data.draw(st.sampled_from(records[:-1]))
    connection, words = stored([record for record in records if record is not late])
    tank = words.number("reef")
    progress = Progress()
    for record in records:
        summarise(connection, words, tank, progress, to_ms(record.at_s))
    connection.execute(
        INSERT,
        sample_row(late, words),
    )
    at_ms = to_ms(late.at_s)
    end = progress.folded_to
    if at_ms < progress.folded_to:
        progress.folded_to = at_ms - at_ms % MINUTE_MS
    # Another five minutes pass, as the group of summaries wants them.
    at_least = max(end, progress.folded_to + 5 * MINUTE_MS)
    summarise(connection, words, tank, progress, at_least)
    whole, whole_words = stored(records)
    expected = Progress()
    summarise(whole, whole_words, tank, expected, at_least)
    query = f"SELECT {COLUMNS} FROM minute WHERE at < ? ORDER BY at"  # noqa: S608

    assert connection.execute(query, (end,)).fetchall() == whole.execute(query, (end,)).fetchall()


def test_a_daemon_that_was_off_credits_no_cause() -> None:
    """Between two runs of the daemon no cause is counted, however short the gap."""
    records = [
        sample(START_S, boot_id="a", cause="bubbles"),
        sample(START_S + 10, boot_id="a", cause="bubbles"),
        sample(START_S + 100, boot_id="b"),
        sample(START_S + 200, boot_id="b"),
    ]
    connection, words = stored(records)
    samples = read_samples(connection, words, words.number("reef"), 0, to_ms(START_S + 600))

    total = Summary(0)
    for summary in fold(samples, width_ms=MINUTE_MS, from_ms=0, to_ms=to_ms(START_S + 600)):
        total.add(summary)

    assert total.cause_ms[CAUSES.index(Cause.BUBBLES)] == 10_000
    assert total.cause_ms[CAUSES.index(Cause.NONE)] == 100_000


def test_a_long_silence_fills_the_minutes_that_it_lasted() -> None:
    """Time in a cause lands in the minutes in which it was spent, with no sample in them."""
    records = [
        sample(START_S, cause="silent", qartod=9),
        sample(START_S + 600, cause="none"),
    ]
    connection, words = stored(records)
    samples = read_samples(connection, words, words.number("reef"), 0, to_ms(START_S + 600))

    spans = fold(samples, width_ms=MINUTE_MS, from_ms=0, to_ms=to_ms(START_S + 600))

    assert [span.n for span in spans] == [1] + [0] * 9
    assert {span.cause_ms[CAUSES.index(Cause.SILENT)] for span in spans} == {MINUTE_MS}


def test_every_cause_has_its_column() -> None:
    """A new cause needs a new step of the schema; this reminds of it."""
    connection = sqlite3.connect(":memory:", isolation_level=None)
    migrate(connection)
    for table in ("minute", "hour"):
        columns = {row[1] for row in connection.execute(f"PRAGMA table_info({table})")}

        assert {cause_column(cause) for cause in Cause} <= columns


def test_not_evaluated_and_missing_never_become_pass() -> None:
    """The worst flag of a span is never better than any sample's."""
    assert SEVERITY[0] is Flag.PASS
    assert set(SEVERITY) == set(Flag)


def test_progress_survives() -> None:
    """How far the summaries reach is stored, not guessed."""
    connection, words = stored([])
    save_progress(connection, words.number("reef"), Progress(60_000, 1, 2))

    assert connection.execute("SELECT * FROM progress").fetchall() == [(1, 60_000, 1, 2)]
