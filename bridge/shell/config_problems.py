"""What is wrong with a configuration, said so that it can be put right.

Every problem names the place, shows the value unless it might be a secret, and says what is
accepted there.
"""

import datetime as dt
import difflib
import json
import math
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from bridge.core.errors import UserError
from bridge.shell.settings_shape import Shape, Step, accepted, at, shapes, table_at

LONGEST_VALUE: Final = 60
LARGEST_WHOLE_NUMBER: Final = 2**63 - 1
"""TOML promises whole numbers of 64 bits only."""
HIDDEN: Final = "(hidden)"
DATES: Final = (dt.date, dt.time)
SECRET_WORDS: Final = re.compile(r"pass|pwd|secret|token|url|uri|auth|cred|key", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing to put right."""

    steps: tuple[Step, ...]
    """The way to the key."""
    said: str
    """What is wrong or accepted, as the end of a sentence that began with key and value."""
    missing: bool = False
    """The key is not there, so there is no value to show."""
    place: str | None = None
    """Overrides file and key, for a problem with an environment variable."""


class ConfigurationError(UserError):
    """The configuration cannot be used; the text holds one line for each problem."""

    def __init__(self, lines: Sequence[str]) -> None:
        super().__init__("\n".join(lines))
        self.lines = tuple(lines)


def key_text(steps: Iterable[Step]) -> str:
    """A way as it is written in the file: ``tanks.reef.probe.unit``."""
    text = ""
    for step in steps:
        if isinstance(step, int):
            text += f"[{step}]"
        else:
            plain = re.fullmatch(r"[A-Za-z0-9_-]+", step) is not None
            text += ("." if text else "") + (step if plain else _quoted(step))
    return text


def value_text(value: object) -> str:
    """A value as it is written in the file, on one line and not too long."""
    match value:
        case bool():
            text = "true" if value else "false"
        case int():
            # A longer number cannot even be turned into text by Python.
            text = str(value) if abs(value) <= LARGEST_WHOLE_NUMBER else "(a very large number)"
        case float():
            text = repr(value)
        case str():
            text = _quoted(value)
        case dt.date() | dt.time():
            text = value.isoformat()
        case list() | tuple():
            text = "[" + ", ".join(value_text(item) for item in value[:LONGEST_VALUE]) + "]"
        case Mapping():
            text = "{...}"
        case _:
            text = _quoted(str(value))
    return text if len(text) <= LONGEST_VALUE else text[: LONGEST_VALUE - 3] + "..."


def printable(text: str) -> str:
    """A text as it is, or in quotes when anything in it could disturb a terminal."""
    return text if text.isprintable() else _quoted(text)


def _quoted(text: str) -> str:
    """A text in quotes, with everything escaped that could disturb a terminal."""
    short = text[: 2 * LONGEST_VALUE]
    return json.dumps(short, ensure_ascii=not short.isprintable())


def find(raw: Any, steps: Iterable[Step]) -> Any:  # noqa: ANN401 - a parsed file
    """The value at a place.

    Raises:
        LookupError: there is none.
    """
    for step in steps:
        table = isinstance(raw, Mapping)
        if not table and not (isinstance(raw, list) and isinstance(step, int)):
            raise LookupError(step)
        raw = raw[step]
    return raw


def shown(root: type, raw: object, steps: tuple[Step, ...]) -> str:
    """The value at a place as it may be shown, or nothing for a missing one."""
    try:
        value = find(raw, steps)
    except LookupError:
        return ""
    shape, known = at(root, steps)
    may_be_secret = (
        # A text where a table of secrets belongs may be that secret in another form.
        (shape is not None and shape.holds_secret and not isinstance(value, Mapping))
        if known
        else any(SECRET_WORDS.search(str(step)) for step in steps)
        or isinstance(value, str | Mapping | list)
    )
    return f" = {HIDDEN if may_be_secret else value_text(value)}"


def line(
    problem: Problem,
    *,
    file: str,
    root: type,
    raw: object,
    variables: Mapping[tuple[Step, ...], str],
) -> str:
    """One problem as the keeper reads it: ``file: key = value: what is accepted``."""
    said = escaped(problem.said)
    if problem.place is not None:
        return f"{problem.place}: {said}"
    value = "" if problem.missing else shown(root, raw, problem.steps)
    if problem.steps in variables:
        return f"{variables[problem.steps]} ({key_text(problem.steps)}){value}: {said}"
    return f"{file}: {key_text(problem.steps)}{value}: {said}"


def escaped(text: str) -> str:
    """A text in which whatever could disturb a terminal is spelled out."""
    if text.isprintable():
        return text
    return "".join(letter if letter.isprintable() else ascii(letter)[1:-1] for letter in text)


def must_be(shape: Shape) -> str:
    """The end of the sentence for a value that does not fit."""
    return f"must be {accepted(shape)}"


def nearest(word: str, words: Iterable[str]) -> str:
    """A hint at the known word that an unknown one resembles, or the list of all."""
    known = list(words)
    close = difflib.get_close_matches(word, known, n=1, cutoff=0.6)
    if close:
        return f"did you mean {close[0]}?"
    return "accepted here: " + ", ".join(known)


def prepared(root: type, raw: Mapping[str, Any]) -> tuple[dict[str, Any], list[Problem]]:
    """Make a TOML document fit for JSON, which carries no dates and only finite numbers.

    Returns:
        The document, and a problem for each value that JSON could not carry and no key accepts.
    """
    problems: list[Problem] = []

    def convert(value: object, steps: tuple[Step, ...]) -> object:
        if isinstance(value, dict):
            return {key: convert(item, (*steps, key)) for key, item in value.items()}
        if isinstance(value, list):
            return [convert(item, (*steps, place)) for place, item in enumerate(value)]
        if _fits_json(value):
            return value
        shape, known = at(root, steps)
        takes_dates = shape is not None and any(kind in DATES for kind in shape.kinds)
        if known and shape is not None and not takes_dates:
            problems.append(Problem(steps, must_be(shape)))
        return value.isoformat() if isinstance(value, DATES) else 0

    return {key: convert(value, (key,)) for key, value in raw.items()}, problems


def _fits_json(value: object) -> bool:
    if isinstance(value, float):
        return math.isfinite(value)
    if isinstance(value, int):
        return abs(value) <= LARGEST_WHOLE_NUMBER
    return not isinstance(value, DATES)


def translated(root: type, raw: object, error: ValidationError) -> list[Problem]:
    """The problems that validation found."""
    problems: dict[tuple[Step, ...], Problem] = {}
    for item in error.errors(include_url=False, include_input=False):
        missing = item["type"] in ("missing", "missing_argument", "missing_keyword_only_argument")
        steps = _steps(item["loc"], raw, missing=missing)
        # A choice of types reports each of them; one line is enough.
        problems.setdefault(steps, _problem(root, steps, item, missing=missing))
    return list(problems.values())


def _steps(location: tuple[Step, ...], raw: object, *, missing: bool) -> tuple[Step, ...]:
    """The way in the file; the validator's own marks for choices of types are left out."""
    steps: tuple[Step, ...] = ()
    for position, part in enumerate(location):
        try:
            find(raw, (*steps, part))
        except LookupError:
            if missing and position == len(location) - 1:
                return (*steps, part)
        else:
            steps = (*steps, part)
    return steps


def _problem(root: type, steps: tuple[Step, ...], item: ErrorDetails, *, missing: bool) -> Problem:
    """One finding of the validator in the words of the file."""
    if item["type"] in ("value_error", "assertion_error"):
        said = str(item["ctx"]["error"])
        return Problem((*steps, *_named_first(root, steps, said)), said)
    if item["type"] in ("unexpected_keyword_argument", "extra_forbidden") and steps:
        table = table_at(root, steps[:-1])
        words = shapes(table) if table is not None else ()
        return Problem(steps, f"there is no such key; {nearest(str(steps[-1]), words)}")
    shape, known = at(root, steps)
    if shape is None or not known:
        return Problem(steps, str(item["msg"]))
    table = table_at(root, steps)
    said = must_be(shape)
    if table is not None:
        said = f"must be a table with the keys {', '.join(shapes(table))}"
    return Problem(steps, f"missing; it {said}" if missing else said, missing=missing)


def _named_first(root: type, steps: tuple[Step, ...], said: str) -> tuple[Step, ...]:
    """The way to the key that a settings class names at the beginning of its objection."""
    way = tuple(said.split(" ", maxsplit=1)[0].rstrip(":,").split("."))
    shape, known = at(root, (*steps, *way))
    return way if known and shape is not None and shape.name == way[-1] else ()
