"""From a payload to one number, one state, or the reason why not. Never raises."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from math import isfinite
from typing import Any, Final

import orjson

from bridge.core.settings import Equipment, Source

LARGEST_PAYLOAD_BYTES: Final = 64 * 1024
LARGEST_NUMBER_BYTES: Final = 64
LARGEST_MAGNITUDE: Final = 1e9
"""No sensor of this trade sends more; it guards the arithmetic behind."""
MILLISECONDS_FROM: Final = 1e11
"""A Unix time stamp above this is in milliseconds (seconds would be past the year 5000)."""


@dataclass(frozen=True, slots=True)
class Rejected:
    """Why a payload holds no usable value, in a few plain words."""

    reason: str


@dataclass(slots=True)
class Number:
    """A finite number and, where the payload says so, when it was measured."""

    value: float
    measured_at_s: float | None = None


Reader = Callable[[bytes], Number | Rejected]

_TOO_LONG: Final = Rejected(f"payload is longer than {LARGEST_PAYLOAD_BYTES} bytes")
_NO_NUMBER: Final = Rejected("payload is not a number")
_NOT_FINITE: Final = Rejected("number is not finite or beyond 1e9")
_NO_JSON: Final = Rejected("payload is not JSON")
_NO_PATH: Final = Rejected("JSON has no number at the configured path")
_NO_STATE: Final = Rejected("payload is neither an on word nor an off word")
_NO_TIME: Final = Rejected("JSON has no usable time at the configured time_path")


def _finite(value: float) -> Number | Rejected:
    # Written so that NaN is refused as well.
    return Number(value) if -LARGEST_MAGNITUDE <= value <= LARGEST_MAGNITUDE else _NOT_FINITE


def _bare(payload: bytes) -> Number | Rejected:
    # An underscore is Python's, not a number's.
    if len(payload) > LARGEST_NUMBER_BYTES or b"_" in payload:
        return _TOO_LONG if len(payload) > LARGEST_PAYLOAD_BYTES else _NO_NUMBER
    try:
        value = float(payload)
    except ValueError:
        return _NO_NUMBER
    return Number(value) if -LARGEST_MAGNITUDE <= value <= LARGEST_MAGNITUDE else _NOT_FINITE


def _walk(document: Any, steps: tuple[str, ...]) -> Any:  # noqa: ANN401 - JSON is anything
    for step in steps:
        if isinstance(document, dict):
            document = document.get(step)
        elif isinstance(document, list) and step.isdecimal() and int(step) < len(document):
            document = document[int(step)]
        else:
            return None
    return document


def _as_number(value: Any) -> Number | Rejected:  # noqa: ANN401 - JSON is anything
    if isinstance(value, bool) or value is None:
        return _NO_PATH
    if isinstance(value, int | float):
        try:
            return _finite(float(value))
        except OverflowError:
            return _NOT_FINITE
    if isinstance(value, str):
        return _bare(value.encode())
    return _NO_PATH


def _as_time(value: Any) -> float | None:  # noqa: ANN401 - JSON is anything
    """Unix seconds from ISO 8601 (UTC when no zone is given), seconds or milliseconds."""
    if isinstance(value, bool):
        return None
    if isinstance(value, int | float):
        seconds = float(value) / 1000.0 if value > MILLISECONDS_FROM else float(value)
    elif isinstance(value, str) and len(value) <= LARGEST_NUMBER_BYTES:
        try:
            stamp = datetime.fromisoformat(value)
        except ValueError:
            return None
        seconds = (stamp if stamp.tzinfo else stamp.replace(tzinfo=UTC)).timestamp()
    else:
        return None
    # The years 1 and 9999 are in no calendar once a time zone is taken off.
    return seconds if isfinite(seconds) and 0.0 < seconds < MILLISECONDS_FROM else None


def number_reader(source: Source) -> Reader:
    """A function that reads the number of one source; worked out once per topic."""
    if source.path is None and source.time_path is None:
        return _bare
    steps = tuple(source.path.split(".")) if source.path else ()
    time_steps = tuple(source.time_path.split(".")) if source.time_path else None

    def read(payload: bytes) -> Number | Rejected:
        if len(payload) > LARGEST_PAYLOAD_BYTES:
            return _TOO_LONG
        try:
            document = orjson.loads(payload)
        except orjson.JSONDecodeError:
            return _NO_JSON
        number = _as_number(_walk(document, steps))
        if time_steps is None or isinstance(number, Rejected):
            return number
        measured_at_s = _as_time(_walk(document, time_steps))
        return _NO_TIME if measured_at_s is None else Number(number.value, measured_at_s)

    return read


def state_reader(equipment: Equipment) -> Callable[[bytes], bool | Rejected]:
    """A function that reads whether a device is on, by words or by a threshold."""
    if equipment.threshold is not None:
        threshold, read_number = equipment.threshold, number_reader(equipment)

        def by_threshold(payload: bytes) -> bool | Rejected:
            number = read_number(payload)
            return number if isinstance(number, Rejected) else number.value > threshold

        return by_threshold

    on = frozenset(word.casefold() for word in equipment.on)
    off = frozenset(word.casefold() for word in equipment.off)
    steps = tuple(equipment.path.split(".")) if equipment.path else None

    def by_word(payload: bytes) -> bool | Rejected:
        if len(payload) > LARGEST_PAYLOAD_BYTES:
            return _TOO_LONG
        word: str
        if steps is None:
            word = payload.decode("utf-8", "replace")
        else:
            try:
                found = _walk(orjson.loads(payload), steps)
            except orjson.JSONDecodeError:
                return _NO_JSON
            word = found if isinstance(found, str) else orjson.dumps(found).decode()
        word = word.strip().casefold()
        if word in on:
            return True
        return False if word in off else _NO_STATE

    return by_word
