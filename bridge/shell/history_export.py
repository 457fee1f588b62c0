"""The history as tables in files: CSV for spreadsheets, JSON for programs, Parquet for analysis."""

import csv
import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from itertools import islice
from pathlib import Path
from typing import IO, Any, Final

import orjson

from bridge.core.errors import UserError
from bridge.core.outputs import Record
from bridge.core.wire.instants import iso_utc
from bridge.shell.history_cells import DATA_PREFIX, cell
from bridge.shell.history_fold import CAUSES, QUANTITIES, SEVERITY, Summary
from bridge.shell.history_reader import HistoryReader
from bridge.shell.history_rows import DOCUMENT_ORDER, INTEGER_KEYS, LATEST_MS, NUMBER_KEYS

GROUP_ROWS: Final = 50_000
"""Rows that are in memory at once while Parquet is written."""


class Content(StrEnum):
    """What to export."""

    SAMPLES = "samples"
    MINUTES = "minutes"
    HOURS = "hours"
    EVENTS = "events"


@dataclass(frozen=True, slots=True)
class Choice:
    """Which part of the history."""

    content: Content
    tanks: tuple[str, ...]
    from_s: float = 0.0
    to_s: float = LATEST_MS / 1000
    kinds: tuple[str, ...] | None = None
    """Of events; left out, every kind."""


@dataclass(frozen=True, slots=True)
class Table:
    """Named and typed columns, and their rows one by one."""

    columns: dict[str, type]
    rows: Iterator[tuple[Any, ...]]


def export(reader: HistoryReader, choice: Choice, output: Path) -> int:
    """Write a part of the history to a file; the suffix chooses the format.

    A file of that name is replaced only once the new one is complete.

    Returns:
        Rows written.

    Raises:
        UserError: the suffix is unknown, a library is missing, or the file cannot be written.
    """
    write = WRITERS.get(output.suffix.lower())
    if write is None:
        raise UserError(
            f'--output: "{output.name}" has no known ending; accepted are {", ".join(WRITERS)}'
        )
    draft = output.with_name(f".{output.name}.part")
    try:
        rows = write(reader, choice, draft)
        draft.replace(output)
    except OSError as error:
        raise UserError(f"--output: {output} cannot be written: {error.strerror}") from error
    finally:
        draft.unlink(missing_ok=True)
    return rows


def _write_csv(reader: HistoryReader, choice: Choice, path: Path) -> int:
    table = (
        _flat_events(reader, choice) if choice.content is Content.EVENTS else _table(reader, choice)
    )
    rows = 0
    with _private(path, "w") as file:
        writer = csv.writer(file)
        writer.writerow(table.columns)
        for row in table.rows:
            writer.writerow([_plain(value) for value in row])
            rows += 1
    return rows


def _write_json(reader: HistoryReader, choice: Choice, path: Path) -> int:
    """An array with one object on each line."""
    rows = 0
    with _private(path, "wb") as file:
        for item in _objects(reader, choice):
            file.write(b",\n" if rows else b"[\n")
            file.write(orjson.dumps(item))
            rows += 1
        file.write(b"\n]\n" if rows else b"[]\n")
    return rows


def _write_parquet(reader: HistoryReader, choice: Choice, path: Path) -> int:
    try:
        import pyarrow as pa  # noqa: PLC0415 - large, and an extra
        from pyarrow import parquet  # noqa: PLC0415
    except ImportError as error:
        raise UserError(
            'Parquet needs a library that is not installed: pip install "tidegate[parquet]". '
            "CSV and JSON need nothing."
        ) from error
    table = _table(reader, choice)
    kinds = {
        datetime: pa.timestamp("ms", tz="UTC"),
        float: pa.float64(),
        int: pa.int64(),
        str: pa.string(),
    }
    schema = pa.schema([(name, kinds[kind]) for name, kind in table.columns.items()])
    rows = 0
    with _private(path, "wb") as file, parquet.ParquetWriter(file, schema) as writer:
        while group := list(islice(table.rows, GROUP_ROWS)):
            columns = zip(*group, strict=True)
            arrays = [
                pa.array(column, field.type) for column, field in zip(columns, schema, strict=True)
            ]
            writer.write_table(pa.Table.from_arrays(arrays, schema=schema))
            rows += len(group)
    return rows


WRITERS: Final[dict[str, Callable[[HistoryReader, Choice, Path], int]]] = {
    ".csv": _write_csv,
    ".json": _write_json,
    ".parquet": _write_parquet,
}


def _private(path: Path, mode: str) -> IO[Any]:
    """Open for writing, readable by the owner only, as the history is."""
    number = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o600)
    if "b" in mode:
        return os.fdopen(number, mode)
    return os.fdopen(number, mode, encoding="utf-8", newline="")


def _objects(reader: HistoryReader, choice: Choice) -> Iterator[dict[str, Any]]:
    if choice.content is Content.EVENTS:
        for record in _events(reader, choice):
            yield {
                "time": iso_utc(record.at_s),
                "tank": record.tank,
                "kind": record.kind,
                "data": record.data,
            }
        return
    table = _table(reader, choice)
    for row in table.rows:
        yield dict(zip(table.columns, map(_plain, row), strict=True))


def _plain(value: object) -> object:
    return iso_utc(value.timestamp()) if isinstance(value, datetime) else value


def _table(reader: HistoryReader, choice: Choice) -> Table:
    match choice.content:
        case Content.SAMPLES:
            return Table(_SAMPLE_COLUMNS, _sample_rows(reader, choice))
        case Content.MINUTES | Content.HOURS:
            return Table(_SUMMARY_COLUMNS, _summary_rows(reader, choice))
        case Content.EVENTS:
            columns = {"time": datetime, "tank": str, "kind": str, "data": str}
            return Table(
                columns,
                (
                    (_moment(event.at_s), event.tank, event.kind, orjson.dumps(event.data).decode())
                    for event in _events(reader, choice)
                ),
            )


_SAMPLE_COLUMNS: Final[dict[str, type]] = {
    "time": datetime,
    "tank": str,
    **{
        key: int if key in INTEGER_KEYS else float if key in NUMBER_KEYS else str
        for key in DOCUMENT_ORDER
    },
}

_SUMMARY_COLUMNS: Final[dict[str, type]] = {
    "time": datetime,
    "tank": str,
    "samples": int,
    **{
        f"{name}_{part}": int if part == "n" else float
        for name in QUANTITIES
        for part in ("n", "min", "mean", "max")
    },
    "worst_qartod": int,
    **{f"{cause.value}_s": float for cause in CAUSES},
}


def _sample_rows(reader: HistoryReader, choice: Choice) -> Iterator[tuple[Any, ...]]:
    for tank in choice.tanks:
        for record in reader.samples(tank, choice.from_s, choice.to_s):
            values = (record.data[key] for key in DOCUMENT_ORDER)
            yield (_moment(record.at_s), tank, *values)


def _summary_rows(reader: HistoryReader, choice: Choice) -> Iterator[tuple[Any, ...]]:
    width = "minute" if choice.content is Content.MINUTES else "hour"
    for tank in choice.tanks:
        for summary in reader.table(tank, width, choice.from_s, choice.to_s):
            yield (_moment(summary.at_ms / 1000), tank, *_summary_values(summary))


def _summary_values(summary: Summary) -> Iterator[int | float | None]:
    yield summary.n
    for spread in summary.spreads:
        yield from (spread.n, spread.low, spread.mean, spread.high)
    yield int(SEVERITY[summary.worst]) if summary.n else None
    yield from (spent / 1000 for spent in summary.cause_ms)


def _events(reader: HistoryReader, choice: Choice) -> Iterable[Record]:
    events = (
        event
        for tank in choice.tanks
        for event in reader.events(tank, choice.kinds, choice.from_s, choice.to_s)
    )
    return sorted(events, key=lambda event: event.at_s)


def _flat_events(reader: HistoryReader, choice: Choice) -> Table:
    """Events with a column for each key that occurs: a spreadsheet of checks, for instance."""
    events = list(_events(reader, choice))
    keys = dict.fromkeys(key for event in events for key in event.data)
    columns = {"time": datetime, "tank": str, "kind": str} | {
        f"{DATA_PREFIX}{key}": str for key in keys
    }
    rows = (
        (
            _moment(event.at_s),
            event.tank,
            event.kind,
            *(cell(event.data[key]) if key in event.data else None for key in keys),
        )
        for event in events
    )
    return Table(columns, rows)


def _moment(at_s: float) -> datetime:
    return datetime.fromtimestamp(at_s, UTC)
