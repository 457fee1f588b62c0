"""Reading the history, also while it is being written.

Every call opens the file anew, which costs less than a millisecond: a reader never holds a
transaction open for long (that would let the write-ahead log grow), is usable from any thread,
and finds the fresh file after a damaged one was moved aside.
"""

import heapq
import itertools
import logging
import sqlite3
from collections.abc import Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import orjson
import zstandard

from bridge.core.outputs import Record
from bridge.shell.history_fold import COLUMNS, HOUR_MS, MINUTE_MS, Summary, summary_from_row
from bridge.shell.history_inputs import Input, unpack
from bridge.shell.history_retention import Progress
from bridge.shell.history_rows import (
    KEYS,
    LATEST_MS,
    Words,
    event_records,
    sample_record,
    to_ms,
)
from bridge.shell.history_schema import VERSION, HistoryError, refuse_strangers, version_of
from bridge.shell.history_series import Series, causes_s, series_of, summaries, width_for

LOGGER: Final = logging.getLogger(__name__)

CHUNK_ROWS: Final = 5000
"""Rows that an iterator fetches at a time, each time in a transaction of its own."""


def connect_read_only(path: Path) -> sqlite3.Connection:
    """Open a history for reading.

    Raises:
        sqlite3.Error: there is no such file, or it cannot be read.
    """
    # as_uri() escapes what would otherwise have a meaning in the address (?, #, %).
    return sqlite3.connect(
        f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=5.0, isolation_level=None
    )


def newest_state(path: Path) -> bytes | None:
    """The newest sound snapshot of the engine, or None."""
    if not path.exists():
        return None
    try:
        with closing(connect_read_only(path)) as connection:
            rows = connection.execute("SELECT data FROM engine_state ORDER BY id DESC")
            for (packed,) in rows:
                try:
                    return zstandard.ZstdDecompressor().decompress(packed)
                except zstandard.ZstdError:
                    LOGGER.warning("A saved state of the engine is damaged and not used.")
    except sqlite3.Error as error:
        LOGGER.warning("The saved state of the engine cannot be read: %s", error)
    return None


@dataclass(frozen=True, slots=True)
class Extent:
    """From when to when a tank has data, and how fine it is."""

    first_s: float
    last_s: float
    minutes_from_s: float
    """Before it only hour summaries are left."""
    full_from_s: float
    """Before it only minute summaries are left."""


class HistoryReader:
    """Queries over a history file.

    Every method raises HistoryError, with a plain sentence, when the file cannot be read.
    """

    def __init__(self, path: str | Path) -> None:
        self._path = Path(path)

    def tanks(self) -> tuple[str, ...]:
        """Tanks with any data, in alphabetical order."""
        with self._open() as (connection, words):
            rows = connection.execute("SELECT tank FROM progress UNION SELECT tank FROM event")
            return tuple(sorted(name for (tank,) in rows if (name := words.text(tank))))

    def extent(self, tank: str) -> Extent | None:
        """From when to when there are samples or summaries; None without any."""
        with self._open() as (connection, words):
            number = words.find(tank)
            progress = _progress(connection, number)
            ends = [
                value
                for table in ("sample", "minute", "hour")
                for value in connection.execute(
                    f"SELECT min(at), max(at) FROM {table} WHERE tank = ?",  # noqa: S608
                    (number,),
                ).fetchone()
                if value is not None
            ]
            if not ends:
                return None
            first = min(ends)
            return Extent(
                first / 1000,
                max(ends) / 1000,
                max(first, progress.minute_from) / 1000,
                max(first, progress.full_from) / 1000,
            )

    def series(self, tank: str, from_s: float, to_s: float, buckets: int = 800) -> Series:
        """At most ``buckets`` points, and one more at the edge, of a stretch of time.

        The points start at whole multiples of their width, so that they stay where they are
        while a chart is moved.
        """
        from_ms, end_ms = _span(from_s, to_s)
        width_ms = width_for(from_ms, end_ms, max(1, buckets))
        return series_of(tank, width_ms, self._summaries(tank, from_ms, end_ms, width_ms))

    def cause_seconds(self, tank: str, from_s: float, to_s: float) -> dict[str, float]:
        """Time in each cause that occurred.

        Both ends are widened to whole minutes; past two days, and where only hour summaries are
        left, to whole hours.
        """
        from_ms, end_ms = _span(from_s, to_s)
        width_ms = MINUTE_MS if end_ms - from_ms < 48 * HOUR_MS else HOUR_MS
        total = Summary(from_ms)
        for summary in self._summaries(tank, from_ms, end_ms, width_ms):
            total.add(summary)
        return causes_s(total)

    def table(self, tank: str, width: str, from_s: float, to_s: float) -> Iterator[Summary]:
        """The stored ``minute`` or ``hour`` summaries, in time order."""
        from_ms, end_ms = _span(from_s, to_s)
        length_ms = {"minute": MINUTE_MS, "hour": HOUR_MS}[width]
        position = from_ms
        while True:
            with self._open() as (connection, words):
                rows = connection.execute(
                    f"SELECT {COLUMNS} FROM {width} "  # noqa: S608 - own names
                    "WHERE tank = ? AND at >= ? AND at < ? ORDER BY at LIMIT ?",
                    (words.find(tank), position, end_ms, CHUNK_ROWS),
                ).fetchall()
            yield from map(summary_from_row, rows)
            if len(rows) < CHUNK_ROWS:
                return
            position = rows[-1][0] + length_ms

    def samples(self, tank: str, from_s: float = 0, to_s: float | None = None) -> Iterator[Record]:
        """The salinity documents of a tank, in time order."""
        position, end_ms = _span(from_s, to_s)
        while True:
            with self._open() as (connection, words):
                rows = connection.execute(
                    f"SELECT tank, at, {', '.join(KEYS)}, extra FROM sample "  # noqa: S608
                    "WHERE tank = ? AND at >= ? AND at < ? ORDER BY at LIMIT ?",
                    (words.find(tank), position, end_ms, CHUNK_ROWS),
                ).fetchall()
                records = [sample_record(row, words) for row in rows]
            yield from records
            if len(rows) < CHUNK_ROWS:
                return
            position = rows[-1][1] + 1

    def events(
        self,
        tank: str | None = None,
        kinds: Iterable[str] | None = None,
        from_s: float = 0,
        to_s: float | None = None,
        *,
        newest: int | None = None,
    ) -> list[Record]:
        """Everything but samples, in time order.

        Args:
            tank: Left out, of all tanks.
            kinds: Left out, of all kinds.
            from_s: Start, included. [Unix s]
            to_s: End, not included; left out, no end. [Unix s]
            newest: Return only so many, the newest ones.
        """
        from_ms, end_ms = _span(from_s, to_s)
        with self._open() as (connection, words):
            where = ["at >= ?", "at < ?"]
            values: list[Any] = [from_ms, end_ms]
            if tank is not None:
                where.append("tank = ?")
                values.append(words.find(tank))
            if kinds is not None:
                numbers = [words.find(kind) for kind in kinds]
                where.append(f"kind IN ({', '.join('?' * len(numbers))})")
                values += numbers
            limit = -1 if newest is None else newest
            rows = connection.execute(
                f"SELECT tank, kind, at, data FROM event WHERE {' AND '.join(where)} "  # noqa: S608
                "ORDER BY at DESC, id DESC LIMIT ?",
                (*values, limit),
            ).fetchall()
            return list(event_records(reversed(rows), words))

    def records(
        self, from_s: float = 0, to_s: float | None = None, tank: str | None = None
    ) -> Iterator[Record]:
        """Samples and events, of one tank or of all, merged in time order."""
        streams: list[Iterator[Record]] = [self._every_event(tank, from_s, to_s)]
        names = self.tanks() if tank is None else (tank,)
        streams += [self.samples(name, from_s, to_s) for name in names]
        return heapq.merge(*streams, key=lambda record: record.at_s)

    def inputs(self, from_s: float = 0, to_s: float | None = None) -> Iterator[Input]:
        """What the engine was told, in time order.

        Blocks of a few minutes to an hour are read whole; what is before or after is left out.
        """
        from_ms, end_ms = _span(from_s, to_s)
        wanted = "WHERE last >= ? AND first < ? ORDER BY id"
        span = (from_ms, end_ms)
        with self._open() as (connection, _):
            numbers = connection.execute(f"SELECT id FROM input {wanted}", span).fetchall()  # noqa: S608
            # The small blocks at once: they may be gathered into a large one meanwhile.
            loose = connection.execute(f"SELECT data FROM input_loose {wanted}", span).fetchall()  # noqa: S608
        for block in itertools.chain(self._blocks(numbers), (data for (data,) in loose)):
            for each in self._unpacked(block):
                if from_ms <= round(each.at_s * 1000) < end_ms:
                    yield each

    def _blocks(self, numbers: Iterable[tuple[int]]) -> Iterator[bytes]:
        for number in numbers:
            with self._open() as (connection, _):
                row = connection.execute("SELECT data FROM input WHERE id = ?", number).fetchone()
            if row is None:
                raise HistoryError(
                    f"The oldest part of {self._path} has been thinned out meanwhile. Try again."
                )
            yield row[0]

    def _unpacked(self, block: bytes) -> list[Input]:
        try:
            return unpack(block)
        except (zstandard.ZstdError, ValueError, KeyError, IndexError, TypeError) as error:
            raise HistoryError(
                f"A part of what the engine was told, kept in {self._path}, is damaged ({error})."
            ) from error

    def inputs_extent(self) -> tuple[float, float] | None:
        """From when to when there is what the engine was told; None without any."""
        with self._open() as (connection, _):
            first, last = connection.execute(
                "SELECT min(first), max(last) FROM (SELECT first, last FROM input "
                "UNION ALL SELECT first, last FROM input_loose)"
            ).fetchone()
        return None if first is None else (first / 1000, last / 1000)

    def state_before(self, at_s: float) -> bytes | None:
        """The newest snapshot of the engine that was made until a moment; None without any."""
        with self._open() as (connection, _):
            row = connection.execute(
                "SELECT data FROM engine_state WHERE at <= ? ORDER BY id DESC", (to_ms(at_s),)
            ).fetchone()
        if row is None:
            return None
        try:
            return zstandard.ZstdDecompressor().decompress(row[0])
        except zstandard.ZstdError as error:
            raise HistoryError(
                f"A snapshot of the engine in {self._path} is damaged ({error})."
            ) from error

    def _every_event(self, tank: str | None, from_s: float, to_s: float | None) -> Iterator[Record]:
        """Events a day at a time, because of some kinds there can be very many."""
        with self._open() as (connection, _):
            first, last = connection.execute("SELECT min(at), max(at) FROM event").fetchone()
        if first is None:
            return
        start_ms, end_ms = _span(from_s, to_s)
        position, end_ms = max(first, start_ms), min(last + 1, end_ms)
        while position < end_ms:
            stop = min(end_ms, position + 24 * HOUR_MS)
            yield from self.events(tank, None, position / 1000, stop / 1000)
            position = stop

    def _summaries(self, tank: str, from_ms: int, to_ms: int, width_ms: int) -> list[Summary]:
        with self._open() as (connection, words):
            number = words.find(tank)
            if number is None:
                return []
            return summaries(
                connection,
                words,
                number,
                _progress(connection, number),
                from_ms=from_ms,
                to_ms=to_ms,
                width_ms=width_ms,
            )

    @contextmanager
    def _open(self) -> Iterator[tuple[sqlite3.Connection, Words]]:
        if not self._path.exists():
            raise HistoryError(f"There is no history at {self._path}.")
        connection: sqlite3.Connection | None = None
        try:
            connection = connect_read_only(self._path)
            refuse_strangers(connection, str(self._path))
            if version_of(connection) < VERSION:
                raise HistoryError(
                    f"{self._path} was written by an older version. Start the daemon once with "
                    "it; that brings it up to date."
                )
            # One transaction: words, progress and rows of one moment.
            connection.execute("BEGIN")
            yield connection, Words(connection)
        except (sqlite3.Error, orjson.JSONDecodeError) as error:
            raise HistoryError(f"The history {self._path} cannot be read: {error}.") from error
        finally:
            if connection is not None:
                connection.close()


def _span(from_s: float, to_s: float | None) -> tuple[int, int]:
    return to_ms(max(0.0, from_s)), LATEST_MS if to_s is None else to_ms(to_s)


def _progress(connection: sqlite3.Connection, tank: int | None) -> Progress:
    row = connection.execute(
        "SELECT folded_to, full_from, minute_from FROM progress WHERE tank = ?", (tank,)
    ).fetchone()
    return Progress(*row) if row else Progress()
