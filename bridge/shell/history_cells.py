"""Values of any JSON type in the cells of a CSV file, and back."""

from typing import Any, Final

import orjson

DATA_PREFIX: Final = "data."
"""Before the name of a column that holds a key of a record's data."""

FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")
"""A spreadsheet would run a text that begins like this; a note may come from anybody."""


def cell(value: object) -> str:
    """A text as it is, unless it could be taken for something else; the rest as JSON."""
    if isinstance(value, str) and value and not value.startswith(FORMULA_STARTS):
        try:
            orjson.loads(value)
        except orjson.JSONDecodeError:
            return value
    return orjson.dumps(value).decode()


def value_of(text: str) -> Any:  # noqa: ANN401 - any JSON
    """The value of a cell; a text that is not JSON is itself."""
    try:
        return orjson.loads(text)
    except orjson.JSONDecodeError:
        return text
