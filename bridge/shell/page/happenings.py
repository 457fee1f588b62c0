"""What happened: rows of the history, and those too new to be in it, with words for them."""

from collections.abc import Callable, Iterable, Mapping
from typing import Any, Final

import orjson

from bridge.core.outputs import Record
from bridge.shell.history_reader import HistoryReader
from bridge.shell.history_schema import HistoryError
from bridge.shell.page.snapshot import Snapshot

SORTED: Final = orjson.OPT_SORT_KEYS | orjson.OPT_SERIALIZE_NUMPY


def records(
    reader: HistoryReader,
    snapshot: Snapshot,
    tank: str,
    kinds: Iterable[str],
    *,
    from_s: float,
    to_s: float,
    newest: int,
) -> list[Record]:
    """Rows of the history, and those that are too new to be in it, in time order.

    A history that cannot be read has no rows; :func:`fault` tells why.
    """
    wanted = tuple(kinds)
    try:
        stored = reader.events(tank, wanted, from_s, to_s, newest=newest)
    except HistoryError:
        stored = []
    known = {_key(record) for record in stored}
    fresh = [
        record
        for record in snapshot.events(tank)
        if record.kind in wanted and from_s <= record.at_s < to_s and _key(record) not in known
    ]
    return sorted([*stored, *fresh], key=lambda record: record.at_s)[-newest:]


def fault(reader: HistoryReader) -> str | None:
    """Why the history cannot be read; None when it can."""
    try:
        reader.tanks()
    except HistoryError as error:
        return str(error)
    return None


def event_words(record: Record) -> str:
    """An event in a few words."""
    words = _WORDS.get(record.kind)
    return record.kind if words is None else words(record.data)


def _equipment(data: Mapping[str, Any]) -> str:
    return f"{data['name']} {'on' if data['on'] else 'off'}"


def _check(data: Mapping[str, Any]) -> str:
    return f"Reference check {data['reference_psu']:.1f}, by {data['instrument']}"


def _calibration(data: Mapping[str, Any]) -> str:
    if data["undoes"] is not None:
        return f"Calibration {data['undoes']} taken back"
    return f"Calibration in {data['standard']}"


def _water_change(data: Mapping[str, Any]) -> str:
    if data.get("phase") == "start":
        return "Water change begun"
    litres = data.get("litres")
    return "Water change" if litres is None else f"Water change, {litres:g} l"


def _service(data: Mapping[str, Any]) -> str:
    return {"active": "Service begun", "settling": "Service ended"}.get(data["phase"], "Settled")


def _litres(data: Mapping[str, Any]) -> str:
    return f"Top-off, {data['litres']:.2g} l"


_WORDS: Final[Mapping[str, Callable[[Mapping[str, Any]], str]]] = {
    "equipment": _equipment,
    "check": _check,
    "calibration": _calibration,
    "water-change": _water_change,
    "service": _service,
    "litres": _litres,
}


def _key(record: Record) -> tuple[str, int, bytes]:
    return record.kind, round(record.at_s * 1000), orjson.dumps(record.data, option=SORTED)
