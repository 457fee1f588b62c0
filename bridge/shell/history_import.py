"""Reference checks and calibrations from a file into the history; nothing is ever replaced."""

import csv
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import orjson

from bridge.core.errors import UserError
from bridge.core.outputs import Record
from bridge.core.wire.instants import iso_utc, unix_s
from bridge.shell.history_cells import DATA_PREFIX, value_of
from bridge.shell.history_rows import Words, event_row
from bridge.shell.history_schema import VERSION, HistoryError, refuse_strangers, version_of

KINDS: Final = ("check", "calibration")
"""What may be imported: what a keeper may have written down elsewhere."""

UNUSABLE: Final = "unexplained"
"""Stands for whatever made a check unusable."""

LARGEST_BYTES: Final = 64 * 2**20


@dataclass(frozen=True, slots=True)
class Imported:
    """What became of the records of a file."""

    added: int
    known: int
    """Already there, exactly alike."""


def read_records(path: Path) -> list[Record]:
    """Read and check every record of a CSV or JSON file.

    Raises:
        UserError: with the place of the first fault; nothing is returned then.
    """
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise UserError(f"{path} is larger than {LARGEST_BYTES // 2**20} MB")
        content = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise UserError(f"{path} is not a text in UTF-8") from error
    except OSError as error:
        raise UserError(f"{path} cannot be read: {error.strerror}") from error
    match path.suffix.lower():
        case ".csv":
            items = _csv_items(path, content)
        case ".json":
            items = _json_items(path, content)
        case _:
            raise UserError(f'"{path.name}" has no known ending; accepted are .csv, .json')
    return [_record(place, item) for place, item in items]


def _csv_items(path: Path, content: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    reader = csv.DictReader(content.splitlines(keepends=True))
    try:
        for row in reader:
            place = f"{path}, line {reader.line_num}"
            if None in row:
                raise UserError(f"{place}: more cells than the first line has columns")
            data = {
                name.removeprefix(DATA_PREFIX): value_of(text)
                for name, text in row.items()
                if name.startswith(DATA_PREFIX) and text
            }
            yield place, {**{key: row.get(key) for key in ("time", "tank", "kind")}, "data": data}
    except csv.Error as error:
        raise UserError(f"{path}, line {reader.line_num}: {error}") from error


def _json_items(path: Path, content: str) -> Iterator[tuple[str, Mapping[str, Any]]]:
    try:
        items = orjson.loads(content)
    except orjson.JSONDecodeError as error:
        raise UserError(f"{path} is not valid JSON: {error}") from error
    if not isinstance(items, list):
        raise UserError(f"{path} must hold a list of records")
    for number, item in enumerate(items, 1):
        place = f"{path}, record {number}"
        if not isinstance(item, dict):
            raise UserError(f"{place} must be an object with time, tank, kind and data")
        yield place, item


def _record(place: str, item: Mapping[str, Any]) -> Record:
    tank, kind, data = item.get("tank"), item.get("kind"), item.get("data")
    if not isinstance(tank, str) or not tank:
        raise UserError(f"{place}: tank is missing; it must be a tank's identifier")
    if kind not in KINDS:
        raise UserError(f'{place}: kind is "{kind}"; accepted are {", ".join(KINDS)}')
    if not isinstance(data, dict) or not data:
        raise UserError(f"{place}: there is no data (in CSV: columns that begin with data.)")
    try:
        at_s = unix_s(str(item.get("time")))
        # A time as it is stored, so that the same record is known again.
        at_s = unix_s(iso_utc(at_s))
    except (ValueError, OverflowError) as error:
        raise UserError(
            f'{place}: time is "{item.get("time")}"; it must be like 2026-03-01T12:00:00Z'
        ) from error
    return Record(at_s, tank, kind, data)


def append(history: Path, records: Sequence[Record]) -> Imported:
    """Add records that are not there yet, all or none; the daemon may be running meanwhile.

    Raises:
        HistoryError: the history cannot be written to.
    """
    if not history.exists():
        raise HistoryError(f"There is no history at {history}.")
    try:
        with closing(
            sqlite3.connect(
                f"{history.absolute().as_uri()}?mode=rw",
                uri=True,
                timeout=30.0,
                isolation_level=None,
            )
        ) as connection:
            refuse_strangers(connection, str(history))
            if version_of(connection) < VERSION:
                raise HistoryError(
                    f"{history} was written by an older version. Start the daemon once with it."
                )
            connection.execute("BEGIN IMMEDIATE")
            words = Words(connection)
            added = sum(_add(connection, event_row(record, words)) for record in records)
            connection.execute("COMMIT")
    except sqlite3.Error as error:
        raise HistoryError(f"The history {history} cannot be written: {error}.") from error
    return Imported(added, len(records) - added)


def _add(connection: sqlite3.Connection, row: tuple[int, int, int, bytes]) -> bool:
    tank, kind, at_ms, data = row
    same_time = connection.execute(
        "SELECT data FROM event WHERE tank = ? AND kind = ? AND at = ?", (tank, kind, at_ms)
    )
    wanted = orjson.loads(data)
    if any(orjson.loads(known) == wanted for (known,) in same_time):
        return False
    connection.execute("INSERT INTO event (tank, kind, at, data) VALUES (?, ?, ?, ?)", row)
    return True


def as_command(record: Record) -> dict[str, Any] | None:
    """The keys of the command that tells the running daemon of a recorded check.

    None for what no command can tell: a calibration, a check that was taken back, or one whose
    data are not those of a check.
    """
    data = record.data
    reference, unsure = (
        _number(data, key) for key in ("reference_psu", "reference_expanded_uncertainty_psu")
    )
    if record.kind != "check" or data.get("undone") or reference is None or unsure is None:
        return None
    then = {
        "reported": _number(data, "reported"),
        "temperature_c": _number(data, "temperature_c"),
        "salinity": _number(data, "estimate_psu"),
        "uncertainty": _number(data, "estimate_expanded_uncertainty_psu"),
        # A check that was not to be trusted then is not to be trusted now.
        "cause": data.get("cause", "none") if data.get("usable", True) else UNUSABLE,
    }
    keys: dict[str, Any] = {
        "instrument": str(data.get("instrument") or "other"),
        "salinity": reference,
        "expanded_uncertainty": unsure,
        "standard_checked": bool(data.get("standard_checked")),
        "time": iso_utc(_number(data, "at_s") or record.at_s),
        "then": {key: value for key, value in then.items() if value is not None},
    }
    if data.get("note"):
        keys["note"] = str(data["note"])
    return keys


def _number(data: Mapping[str, Any], key: str) -> float | None:
    value = data.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    return float(value)
