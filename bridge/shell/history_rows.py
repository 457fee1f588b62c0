"""How records become rows of the history and come back.

Texts that repeat (tank, cause, boot identifier, unit …) are stored once, as words with a number.
A sample is the published salinity document; its known keys have columns, any other key goes into
``extra``, so that nothing is lost.
"""

import sqlite3
from collections.abc import Iterator, Mapping
from typing import Any, Final

import orjson

from bridge.core.outputs import Record
from bridge.core.wire.instants import iso_utc

SAMPLE_KIND: Final = "sample"

WORD_KEYS: Final = (
    "boot_id",
    "reported_unit",
    "specific_gravity_reference",
    "quality",
    "ne107",
    "cause",
)
INTEGER_KEYS: Final = ("seq", "qartod")
NUMBER_KEYS: Final = (
    "salinity",
    "uncertainty",
    "probe_salinity",
    "reported",
    "temperature",
    "conductivity_25c",
    "specific_gravity",
)
KEYS: Final = WORD_KEYS + INTEGER_KEYS + NUMBER_KEYS
"""Keys of a sample that have a column of the same name, in the order of the table."""

LARGEST_INTEGER: Final = 2**63 - 1

SampleRow = tuple[int, int, *tuple[int | float | None, ...], bytes | None]
"""Tank word, time in ms, one value for each of ``KEYS``, and the extra keys as JSON."""


LATEST_MS: Final = 253_402_300_799_999
"""The end of the year 9999, past which no time can be written in ISO 8601."""


def to_ms(at_s: float) -> int:
    """Seconds as the whole milliseconds that are stored.

    Raises:
        ValueError, OverflowError: not a time between 1970 and 9999.
    """
    at_ms = round(at_s * 1000)
    if not 0 <= at_ms <= LATEST_MS:
        raise ValueError(f"{at_s} is not a time in seconds since 1970")
    return at_ms


class Words:
    """The repeated texts and their numbers, as one connection knows them.

    New words are written at once, inside the caller's transaction; ``forget`` must follow its
    rollback, because the numbers given meanwhile are gone with it.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._connection = connection
        self._number: dict[str, int] = {}
        self._text: dict[int, str] = {}
        self.forget()

    def forget(self) -> None:
        """Read all words again."""
        rows = self._connection.execute("SELECT id, text FROM word").fetchall()
        self._text = dict(rows)
        self._number = {text: number for number, text in rows}

    def find(self, text: str) -> int | None:
        """The number of a known word."""
        return self._number.get(text)

    def number(self, text: str) -> int:
        """The number of a word, which is added when it is new."""
        number = self._number.get(text)
        if number is None:
            # Another program, an import, may have added it meanwhile.
            self._connection.execute("INSERT OR IGNORE INTO word (text) VALUES (?)", (text,))
            number = int(
                self._connection.execute("SELECT id FROM word WHERE text = ?", (text,)).fetchone()[
                    0
                ]
            )
            self._number[text] = number
            self._text[number] = text
        return number

    def text(self, number: int) -> str:
        """The word of a number."""
        return self._text[number]


def sample_row(record: Record, words: Words) -> SampleRow:
    """The row of a salinity document.

    Raises:
        TypeError, ValueError: a value has the wrong type or cannot be stored.
    """
    data = record.data
    at_ms = to_ms(record.at_s)
    values: list[int | float | None] = []
    for key in WORD_KEYS:
        text = data.get(key)
        if text is not None and not isinstance(text, str):
            raise TypeError(f"{key} must be a text")
        values.append(None if text is None else words.number(text))
    for key in INTEGER_KEYS:
        whole = data.get(key)
        if whole is not None and abs(int(whole)) > LARGEST_INTEGER:
            raise ValueError(f"{key} is too large")
        values.append(None if whole is None else int(whole))
    for key in NUMBER_KEYS:
        number = data.get(key)
        values.append(None if number is None else float(number))
    return (words.number(record.tank), at_ms, *values, _extra(data, record.at_s))


def _extra(data: Mapping[str, Any], at_s: float) -> bytes | None:
    """What has no column: unknown keys, and a time that is not the row's own."""
    extra = {key: value for key, value in data.items() if key not in _KNOWN and key != "time"}
    if "time" in data and data["time"] != iso_utc(at_s):
        extra["time"] = data["time"]
    return orjson.dumps(extra) if extra else None


_KNOWN: Final = frozenset(KEYS)


def sample_record(row: SampleRow, words: Words) -> Record:
    """The salinity document of a row."""
    tank, at_ms, *values, extra = row
    stored = dict(zip(KEYS, values, strict=True))
    data: dict[str, Any] = {"time": iso_utc(at_ms / 1000)}
    for key in DOCUMENT_ORDER:
        value = stored[key]
        data[key] = words.text(int(value)) if value is not None and key in WORD_KEYS else value
    if extra is not None:
        data.update(orjson.loads(extra))
    return Record(at_ms / 1000, words.text(tank), SAMPLE_KIND, data)


DOCUMENT_ORDER: Final = (
    "boot_id",
    "seq",
    "salinity",
    "uncertainty",
    "probe_salinity",
    "reported",
    "reported_unit",
    "temperature",
    "conductivity_25c",
    "specific_gravity",
    "specific_gravity_reference",
    "quality",
    "qartod",
    "ne107",
    "cause",
)

EventRow = tuple[int, int, int, bytes]
"""Tank word, kind word, time in ms, data as JSON."""


def event_row(record: Record, words: Words) -> EventRow:
    """The row of a sparse record.

    Raises:
        TypeError: the data cannot be written as JSON (orjson's error is one).
    """
    data = orjson.dumps(dict(record.data))
    return (words.number(record.tank), words.number(record.kind), to_ms(record.at_s), data)


def event_records(rows: Iterator[EventRow], words: Words) -> Iterator[Record]:
    """The records of rows, in their order.

    A row that a fault of the card made unreadable is passed over: the others are still wanted.
    """
    for tank, kind, at_ms, data in rows:
        try:
            content = orjson.loads(data)
        except orjson.JSONDecodeError:
            continue
        yield Record(at_ms / 1000, words.text(tank), words.text(kind), content)
