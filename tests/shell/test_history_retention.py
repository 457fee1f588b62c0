"""Old data gets coarser in time, never at once, and the file stays bounded."""

import random
import sqlite3
from itertools import islice
from pathlib import Path
from typing import Any

import pytest

from bridge.core.outputs import Record
from bridge.shell.history_reader import HistoryReader
from bridge.shell.history_writer import HistoryWriter
from bridge.shell.storage_settings import StorageSettings
from tests.support.history import START_S, sample

HOUR_S = 3600.0
DAY_S = 24 * HOUR_S


def run(
    writer: HistoryWriter,
    from_day: float,
    to_day: float,
    *,
    every_s: float = 300.0,
    **more: Any,  # noqa: ANN401
) -> None:
    """Write a healthy tank, an hour a batch."""
    at_s = START_S + from_day * DAY_S
    end_s = START_S + to_day * DAY_S
    seq = 0
    while at_s < end_s:
        batch = []
        stop_s = at_s + HOUR_S
        while at_s < stop_s:
            batch.append(sample(at_s, seq, salinity=35 + seq % 7 / 100, **more))
            at_s += every_s
            seq += 1
        batch.append(Record(at_s, "reef", "level", {"level": 100.0}))
        batch.append(Record(at_s, "reef", "equipment", {"on": True}))
        batch.append(Record(at_s, "reef", "check", {"salinity": 35.0}))
        writer.write(batch)


def test_each_resolution_is_kept_for_its_time(tmp_path: Path) -> None:
    """Samples, minutes, hours and each kind of event reach back as far as configured."""
    settings = StorageSettings(
        path=str(tmp_path / "h.sqlite3"), full_days=2, minute_days=4, hour_days=6
    )
    writer = HistoryWriter(settings)
    run(writer, 0, 9)
    writer.close()
    reader = HistoryReader(settings.path)
    end_s = START_S + 9 * DAY_S

    def oldest_days(at_s: float) -> float:
        return (end_s - at_s) / DAY_S

    assert oldest_days(next(reader.samples("reef")).at_s) == pytest.approx(2, abs=0.1)
    minute = next(reader.table("reef", "minute", 0, end_s))
    assert oldest_days(minute.at_ms / 1000) == pytest.approx(4, abs=0.1)
    hour = next(reader.table("reef", "hour", 0, end_s))
    assert oldest_days(hour.at_ms / 1000) == pytest.approx(6, abs=0.1)
    for kind, days in (("level", 2), ("equipment", 4), ("check", 6)):
        oldest = reader.events("reef", [kind])[0]
        assert oldest_days(oldest.at_s) == pytest.approx(days, abs=0.1)
    extent = reader.extent("reef")
    assert extent is not None
    assert oldest_days(extent.first_s) == pytest.approx(6, abs=0.1)
    assert oldest_days(extent.minutes_from_s) == pytest.approx(4, abs=0.1)
    assert oldest_days(extent.full_from_s) == pytest.approx(2, abs=0.1)


def test_a_chart_reaches_over_all_resolutions(tmp_path: Path) -> None:
    """No time is lost or counted twice where samples, minutes and hours meet."""
    settings = StorageSettings(path=str(tmp_path / "h.sqlite3"), full_days=1, minute_days=2)
    writer = HistoryWriter(settings)
    run(writer, 0, 4)
    writer.close()
    reader = HistoryReader(settings.path)

    for buckets in (10, 100, 1000, 8000):
        series = reader.series("reef", START_S, START_S + 4 * DAY_S, buckets)

        assert sum(series.samples) == 4 * 24 * 12
        assert min(value for value in series.salinity.low if value is not None) == 35.0
        assert max(value for value in series.salinity.high if value is not None) == 35.06
        assert len(series.at_s) <= buckets + 1
    seconds = reader.cause_seconds("reef", START_S, START_S + 4 * DAY_S)
    # Between the last sample and the end nothing is known.
    assert seconds == {"none": 4 * DAY_S - 300}


def test_hours_are_kept_for_ever_unless_told_otherwise(tmp_path: Path) -> None:
    """Without hour_days nothing but detail is lost."""
    settings = StorageSettings(path=str(tmp_path / "h.sqlite3"), full_days=1, minute_days=1)
    writer = HistoryWriter(settings)
    run(writer, 0, 4, every_s=600)
    writer.close()
    reader = HistoryReader(settings.path)

    assert next(reader.table("reef", "hour", 0, 4e9)).at_ms == START_S * 1000
    assert len(reader.events("reef", ["check"])) == 4 * 24


def test_a_clock_far_ahead_costs_only_a_little_detail(tmp_path: Path) -> None:
    """A start with a clock that is years ahead removes hours, not the history."""
    settings = StorageSettings(path=str(tmp_path / "h.sqlite3"), full_days=3, minute_days=5)
    writer = HistoryWriter(settings)
    run(writer, 0, 3)
    for minute in range(30):
        writer.write([sample(START_S + 4000 * DAY_S + 60 * minute, minute, boot_id="wrong")])
    run(writer, 3, 3.5)
    writer.close()
    reader = HistoryReader(settings.path)

    oldest_s = next(reader.samples("reef")).at_s
    assert oldest_s - START_S <= 0.5 * DAY_S + 5 * HOUR_S
    series = reader.series("reef", START_S, START_S + 3.5 * DAY_S, 100)
    assert sum(series.samples) == 3.5 * 24 * 12


def test_a_sample_older_than_the_kept_detail_is_counted(tmp_path: Path) -> None:
    """It would spoil the summary of its time; the writer says how many there were."""
    settings = StorageSettings(path=str(tmp_path / "h.sqlite3"), full_days=1, minute_days=1)
    writer = HistoryWriter(settings)
    run(writer, 0, 3, every_s=600)
    before = list(HistoryReader(settings.path).table("reef", "hour", 0, 4e9))

    written = writer.write([sample(START_S + 3600, 1)])

    assert (written.rows, written.late) == (0, 1)
    assert list(HistoryReader(settings.path).table("reef", "hour", 0, 4e9)) == before
    writer.close()


def test_the_largest_size_shortens_the_detail(tmp_path: Path) -> None:
    """Above the limit, samples and minutes go earlier than configured; hours and events stay."""
    settings = StorageSettings(
        path=str(tmp_path / "h.sqlite3"), full_days=3650, minute_days=3650, largest_mb=10
    )
    writer = HistoryWriter(settings)
    # A long note in each sample fills the file without millions of rows.
    run(writer, 0, 8, note="x" * 8000)
    largest_mb = writer.size_mb()
    scale = writer.retention_scale
    writer.close()
    reader = HistoryReader(settings.path)

    assert largest_mb < 11
    assert scale < 1
    assert next(reader.samples("reef")).at_s > START_S
    assert len(reader.events("reef", ["check"])) == 8 * 24
    assert next(reader.table("reef", "hour", 0, 4e9)).at_ms == START_S * 1000


def test_iterators_cross_their_chunks_without_gap_or_overlap(tmp_path: Path) -> None:
    """More rows than fit one fetch come out once each."""
    settings = StorageSettings(path=str(tmp_path / "h.sqlite3"))
    writer = HistoryWriter(settings)
    writer.write([sample(START_S + i, i) for i in range(12_345)])
    writer.close()
    reader = HistoryReader(settings.path)

    assert [record.data["seq"] for record in reader.samples("reef")] == list(range(12_345))
    assert len(list(islice(reader.table("reef", "minute", 0, 4e9), 1000))) == 12_345 // 60


def test_a_tank_year_stays_below_sixty_megabytes(tmp_path: Path) -> None:
    """At default retention and a sample each 10 s, by the pages that each kind of row takes."""
    settings = StorageSettings(path=str(tmp_path / "h.sqlite3"))
    writer = HistoryWriter(settings)
    noise = random.Random(9)
    rows = 0
    for hour in range(26):
        batch = []
        for i in range(360):
            salinity = round(35 + noise.gauss(0, 0.05), 4)
            at_s = START_S + 3600 * hour + 10 * i + round(noise.random(), 3)
            batch.append(
                sample(
                    at_s,
                    rows,
                    salinity=salinity,
                    uncertainty=round(noise.uniform(0.1, 0.3), 4),
                    probe_salinity=round(salinity + noise.gauss(0, 0.2), 4),
                    temperature=round(25 + noise.random(), 3),
                    cause=noise.choice(["none", "bubbles", "plume"]),
                )
            )
            rows += 1
        writer.write(batch)
    writer.close()
    connection = sqlite3.connect(settings.path)

    def bytes_a_row(table: str) -> float:
        size = connection.execute("SELECT sum(pgsize) FROM dbstat WHERE name = ?", (table,))
        count = connection.execute(f"SELECT count(*) FROM {table}")  # noqa: S608 - own names
        return float(size.fetchone()[0] / count.fetchone()[0])

    minute_bytes = bytes_a_row("minute")
    year_mb = (
        settings.full_days * 8640 * bytes_a_row("sample")
        + settings.minute_days * 1440 * minute_bytes
        # Too few hours for a whole page; they have the columns of the minutes.
        + 365 * 24 * minute_bytes
    ) / 1e6
    connection.close()

    assert year_mb < 60
