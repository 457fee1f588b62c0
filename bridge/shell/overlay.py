"""Settings from the environment, laid over those of the file.

``TIDEGATE_`` and the way to the key, in capitals, with a double underscore between the steps and
a single one for a hyphen: ``TIDEGATE_BROKER__PASSWORD`` is ``password`` in ``[broker]``, and
``TIDEGATE_TANKS__NORTH_REEF__VOLUME_L`` is ``volume_l`` in ``[tanks.north-reef]``. With ``_FILE``
at the end of the name, the variable names a file that holds the value, as container secrets do.

Tanks, equipment, permits and other entries under names of the keeper's come from the file; a
variable can change a key of an existing one but cannot start one, so that a misspelt name is
noticed. A variable with the prefix that fits no key is a problem too, never ignored.
"""

import copy
import difflib
import os
import tomllib
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from bridge.shell.config_problems import HIDDEN, Problem, printable, value_text
from bridge.shell.settings_shape import Shape, Step, shapes

PREFIX: Final = "TIDEGATE_"
FILE_SUFFIX: Final = "_FILE"
LARGEST_FILE_BYTES: Final = 65536
EXAMPLE: Final = (
    "the names are TIDEGATE_ and the key, for instance TIDEGATE_BROKER__PASSWORD for password in "
    "[broker]"
)


@dataclass(frozen=True, slots=True)
class Overlaid:
    """The settings after the environment has had its say."""

    raw: dict[str, Any]
    variables: Mapping[tuple[Step, ...], str]
    """Which variable set a key."""
    problems: tuple[Problem, ...]


def read_secret(path: str) -> str:
    """The text of a small file.

    Raises:
        OSError: it cannot be read.
        ValueError: it is too long or not UTF-8 text.
    """
    with Path(path).open("rb") as file:
        content = file.read(LARGEST_FILE_BYTES + 1)
    if len(content) > LARGEST_FILE_BYTES:
        raise ValueError(f"it is longer than {LARGEST_FILE_BYTES} bytes")
    try:
        return content.decode()
    except UnicodeDecodeError:
        raise ValueError("it is not UTF-8 text") from None


def variable(steps: tuple[Step, ...]) -> str:
    """The environment variable for a key."""
    return PREFIX + "__".join(str(step).upper().replace("-", "_") for step in steps)


def keys(
    root: type, raw: object, above: tuple[Step, ...] = ()
) -> Iterator[tuple[tuple[Step, ...], Shape]]:
    """Every key that a variable may set, given the entries named in the file."""
    for name, shape in shapes(root).items():
        way = (*above, name)
        below = raw.get(name) if isinstance(raw, Mapping) else None
        if shape.table is not None:
            yield from keys(shape.table, below, way)
        elif shape.named_tables is not None:
            for entry, table in below.items() if isinstance(below, Mapping) else ():
                yield from keys(shape.named_tables, table, (*way, entry))
        elif shape.listed_tables is not None:
            for place, table in enumerate(below) if isinstance(below, list) else ():
                yield from keys(shape.listed_tables, table, (*way, place))
        else:
            yield way, shape


def overlay(
    root: type,
    raw: Mapping[str, Any],
    environment: Mapping[str, str],
    read: Callable[[str], str] = read_secret,
) -> Overlaid:
    """Lay the environment over the settings of the file.

    Args:
        root: The settings class of the whole file.
        raw: The file as parsed.
        environment: Environment variables.
        read: Reads the file that a ``_FILE`` variable names.

    Returns:
        The settings with the environment laid over them, and every problem met.
    """
    given = sorted(name for name in environment if name.startswith(PREFIX))
    result = copy.deepcopy(dict(raw))
    if not given:
        return Overlaid(result, {}, ())
    valid = {variable(way): (way, shape) for way, shape in keys(root, raw)}
    set_by: dict[tuple[Step, ...], str] = {}
    problems: list[Problem] = []
    for name in given:
        from_file = name not in valid and name.endswith(FILE_SUFFIX)
        target = valid.get(name.removesuffix(FILE_SUFFIX) if from_file else name)
        if target is None:
            problems.append(_unknown(name, valid))
            continue
        way, shape = target
        if way in set_by:
            problems.append(
                Problem(way, f"{set_by[way]} is set as well; use one of them", place=name)
            )
            continue
        text = environment[name]
        if from_file:
            try:
                text = read(text).rstrip("\r\n")
            except (OSError, ValueError) as error:
                problems.append(_unreadable(name, text, shape, error))
                continue
        set_by[way] = name
        _put(result, way, text if shape.takes_text else _typed(text))
    return Overlaid(result, set_by, tuple(problems))


def _unreadable(name: str, path: str, shape: Shape, error: OSError | ValueError) -> Problem:
    why = os.strerror(error.errno) if isinstance(error, OSError) and error.errno else str(error)
    # Without a slash it may be the secret itself, given to the wrong variable.
    shown = HIDDEN if shape.holds_secret and "/" not in path else value_text(path)
    return Problem((), f"the file {shown} cannot be read: {why}", place=name)


def _unknown(name: str, valid: Mapping[str, object]) -> Problem:
    # The prefix is left out, because it would make every name resemble every other.
    known = [*valid, *(name + FILE_SUFFIX for name in valid)]
    close = difflib.get_close_matches(
        name.removeprefix(PREFIX), [word.removeprefix(PREFIX) for word in known], n=1
    )
    hint = f"did you mean {PREFIX}{close[0]}?" if close else EXAMPLE
    return Problem((), f"no setting goes by this variable; {hint}", place=printable(name))


def _typed(text: str) -> object:
    """A number, truth value or list as TOML writes it; anything else stays the text it is."""
    try:
        document = tomllib.loads(f"value = {text}")
    except (ValueError, RecursionError):
        return text
    return document["value"] if len(document) == 1 else text


def _put(result: dict[str, Any], way: tuple[Step, ...], value: object) -> None:
    """Set a key; where the file holds something else than a table, its own problem is reported."""
    table: Any = result
    for step in way[:-1]:
        if isinstance(table, list) and isinstance(step, int):
            table = table[step]
        elif isinstance(table, dict):
            table = table.setdefault(step, {})
    if isinstance(table, dict):
        table[way[-1]] = value
