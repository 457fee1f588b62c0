"""Measures the history: ``python -m tests.measure_history``; minutes long, no part of the tests.

Writes one tank-year of a sample each 10 s with the two messages it came from (an hour a batch),
then asks for charts, then writes 100 tanks at 1 Hz for a minute of real time. The numbers stand in
docs/history.md.
"""

import os
import random
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

from bridge.core.events import Message
from bridge.core.outputs import Record
from bridge.shell.history import History
from bridge.shell.history_reader import HistoryReader
from bridge.shell.history_writer import HistoryWriter
from bridge.shell.storage_settings import StorageSettings
from tests.support.history import START_S, sample

DAY_S = 86_400.0
HOUR_S = 3_600.0


def say(text: str) -> None:
    """Print a line at once."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def written_mb() -> float:
    """What this process has written to files so far, by the kernel's count."""
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    return int(dict(line.split(": ") for line in lines)["write_bytes"]) / 1e6


def messages(record: Record) -> tuple[Message, Message]:
    """What a probe and a thermometer sent for a sample."""
    at_s, data = record.at_s, record.data
    return (
        Message(at_s - 0.04, "sump/temperature", f"{data['temperature']:.2f}".encode()),
        Message(at_s, f"{record.tank}/salinity", f"{data['probe_salinity']:.2f}".encode()),
    )


def batches(days: float, batch_s: float) -> Iterator[list[Record | Message]]:
    """Invented samples of one tank, one each 10 s, and the messages they came from."""
    noise = random.Random(1)
    cause = "none"
    for start in range(round(days * DAY_S / batch_s)):
        batch: list[Record | Message] = []
        for number in range(round(batch_s / 10)):
            if noise.random() < 0.003:
                cause = noise.choice(["none"] * 9 + ["bubbles", "plume"])
            salinity = round(35 + noise.gauss(0, 0.05), 4)
            at_s = START_S + start * batch_s + 10 * number + round(noise.random() / 5, 3)
            record = sample(
                at_s,
                number,
                salinity=salinity,
                probe_salinity=round(salinity - 0.7 + noise.gauss(0, 0.1), 4),
                temperature=round(25.4 + noise.gauss(0, 0.1), 3),
                cause=cause,
            )
            batch += (*messages(record), record)
        yield batch


def a_year(folder: Path) -> None:
    """Size and query times of a tank-year."""
    settings = StorageSettings(path=str(folder / "year.sqlite3"))
    writer = HistoryWriter(settings)
    spent_s = 0.0
    rows = 0
    for batch in batches(365, HOUR_S):
        started = time.process_time()
        writer.write(batch)
        spent_s += time.process_time() - started
        rows += len(batch) // 3
    say(f"a tank-year: {writer.size_mb():.1f} MB, {spent_s / rows * 1e6:.0f} us of CPU a sample")
    writer.close()
    tables(settings.path)
    reader = HistoryReader(settings.path)
    end_s = START_S + 365 * DAY_S
    for name, days in (("year", 365), ("month", 30), ("fortnight", 14), ("day", 1)):
        times = []
        for _ in range(7):
            started = time.perf_counter()
            series = reader.series("reef", end_s - days * DAY_S, end_s, 800)
            times.append(time.perf_counter() - started)
        say(
            f"chart of a {name}: {statistics.median(times) * 1e3:.0f} ms, {len(series.at_s)} points"
        )


def tables(path: str) -> None:
    """What each table takes."""
    with closing(sqlite3.connect(path)) as connection:
        for name, size in connection.execute(
            "SELECT name, sum(pgsize) FROM dbstat GROUP BY name ORDER BY 2 DESC LIMIT 5"
        ):
            say(f"  {name}: {size / 1e6:.1f} MB")


def wear(folder: Path) -> None:
    """What a day with the default batch writes to the card."""
    settings = StorageSettings(path=str(folder / "day.sqlite3"))
    writer = HistoryWriter(settings)
    before = written_mb()
    for batch in batches(1, settings.batch_s):
        writer.write(batch)
    writer.close()
    say(f"written in a day of one tank: {written_mb() - before:.0f} MB")


def hundred_tanks(folder: Path) -> None:
    """CPU of 100 tanks at 1 Hz, live for a minute."""
    seconds = [
        [sample(START_S + second, second, tank=f"tank-{tank}") for tank in range(100)]
        for second in range(60)
    ]
    history = History(StorageSettings(path=str(folder / "hundred.sqlite3")))
    cpu, start, longest_s = time.process_time(), time.monotonic(), 0.0
    for second, records in enumerate(seconds, 1):
        for record in records:
            told = messages(record)
            before = time.perf_counter()
            for message in told:
                history.inputs(message)
            history.records(record)
            longest_s = max(longest_s, time.perf_counter() - before)
        time.sleep(max(0.0, start + second - time.monotonic()))
    history.close()
    share = (time.process_time() - cpu) / (time.monotonic() - start)
    load = os.getloadavg()[0]
    say(
        f"100 tanks at 1 Hz: {share:.2%} of a core; longest call {longest_s * 1e3:.2f} ms "
        f"(load {load:.1f})"
    )


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as name:
        wear(Path(name))
        hundred_tanks(Path(name))
        a_year(Path(name))
