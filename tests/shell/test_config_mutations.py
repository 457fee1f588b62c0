"""Whatever is done to a configuration file, the answer is a sentence and never a traceback."""

import contextlib
import copy
import datetime as dt
import io
import json
import math
import re
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge import cli
from bridge.core.findings import Cause
from bridge.shell.config import Configuration
from bridge.shell.config_problems import find, key_text
from bridge.shell.settings_shape import Step, at, shapes

EXAMPLE = (Path(__file__).parents[2] / "config" / "example.toml").read_text(encoding="utf-8")
DOCUMENT = tomllib.loads(EXAMPLE)
FILE = "keeper.toml"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder for the mutated files."""
    return tmp_path_factory.mktemp("mutations")


def check(path: Path, content: bytes) -> tuple[int, str]:
    """Exit code and standard error of the check command."""
    path.write_bytes(content)
    errors = io.StringIO()
    with contextlib.redirect_stderr(errors), contextlib.redirect_stdout(io.StringIO()):
        code = cli.main(["check", "--config", str(path)])
    return code, errors.getvalue()


def text_of(value: object) -> str:
    """A value as TOML writes it on one line."""
    match value:
        case dict():
            inside = ", ".join(f"{quoted(key)} = {text_of(item)}" for key, item in value.items())
            return f"{{{inside}}}"
        case list():
            return f"[{', '.join(text_of(item) for item in value)}]"
        case bool():
            return "true" if value else "false"
        case float():
            return {math.inf: "inf", -math.inf: "-inf"}.get(value, repr(value))
        case dt.date() | dt.time():
            return value.isoformat()
        case _:
            return quoted(value)


def quoted(value: object) -> str:
    """A text or whole number in TOML, which knows no pairs of surrogates."""
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def document_text(document: dict[str, Any]) -> bytes:
    """A document in TOML."""
    lines = (f"{quoted(key)} = {text_of(value)}\n" for key, value in document.items())
    return "".join(lines).encode()


def ways(value: object, above: tuple[Step, ...] = ()) -> list[tuple[Step, ...]]:
    """The way to every table and value of a document."""
    found: list[tuple[Step, ...]] = [above] if above else []
    items: list[tuple[Step, Any]] = []
    if isinstance(value, dict):
        items = list(value.items())
    elif isinstance(value, list):
        items = list(enumerate(value))
    for step, below in items:
        found += ways(below, (*above, step))
    return found


WAYS = ways(DOCUMENT)
words = st.text(st.characters(codec="utf-8"), max_size=12)
scalars = (
    st.integers(-(10**30), 10**30)
    | st.floats()
    | st.booleans()
    | words
    | st.dates()
    | st.times()
    | st.sampled_from(["", "+", "a/#", "tidegate/x", *Cause, "psu", "sg", "on"])
)
values = st.recursive(
    scalars,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(words, inner, max_size=3),
    max_leaves=5,
)


@given(st.data())
@settings(deadline=None, max_examples=100)
def test_any_value_anywhere_is_accepted_or_told(folder: Path, data: st.DataObject) -> None:
    """Replacing, removing or adding values gives 0 without a message, or 2 with sentences."""
    document = copy.deepcopy(DOCUMENT)
    for _ in range(data.draw(st.integers(1, 3))):
        way = data.draw(st.sampled_from(WAYS))
        with contextlib.suppress(LookupError, TypeError):
            table = find(document, way[:-1])
            match data.draw(st.sampled_from(["replace", "remove", "add"])):
                case "replace":
                    table[way[-1]] = data.draw(values)
                case "remove":
                    del table[way[-1]]
                case _:
                    table[data.draw(words)] = data.draw(values)
    path = folder / FILE

    code, errors = check(path, document_text(document))

    assert "Traceback" not in errors
    if code == 0:
        assert errors == ""
        return
    assert code == 2
    for line in errors.removeprefix("tidegate: ").splitlines():
        assert line.startswith(f"{path}: ")
        assert line.isprintable()
        # Beside the file, each line names a key at which something can be put right.
        name = re.split(r"[.:\[ ]", line.removeprefix(f"{path}: "), maxsplit=1)[0]
        assert name in shapes(Configuration) or "there is no such key" in line


LEAVES = [
    way for way in WAYS if not isinstance(find(DOCUMENT, way), dict) and isinstance(way[-1], str)
]


@given(way=st.sampled_from(LEAVES), wrong=st.sampled_from([{"a": 1}, [[1]], dt.time(1, 2)]))
@settings(deadline=None, max_examples=60)
def test_a_value_of_the_wrong_type_is_told_with_its_key(
    folder: Path, way: tuple[Step, ...], wrong: object
) -> None:
    """The line names the file and exactly the key that was spoilt, and says what is accepted."""
    document = copy.deepcopy(DOCUMENT)
    find(document, way[:-1])[way[-1]] = wrong
    path = folder / FILE

    code, errors = check(path, document_text(document))

    assert code == 2
    line = errors.splitlines()[0].removeprefix("tidegate: ")
    assert line.startswith(f"{path}: {key_text(way)}")
    assert "must be" in line


REQUIRED = [
    way
    for way in LEAVES
    for shape, known in [at(Configuration, way)]
    if known and shape is not None and shape.required
]


@pytest.mark.parametrize("way", REQUIRED, ids=key_text)
def test_a_required_key_that_is_left_out_is_told(folder: Path, way: tuple[Step, ...]) -> None:
    """The line names the key that is missing and what belongs there."""
    document = copy.deepcopy(DOCUMENT)
    del find(document, way[:-1])[way[-1]]

    code, errors = check(folder / FILE, document_text(document))

    assert code == 2
    assert f"{key_text(way)}: missing; it must be" in errors


@given(
    place=st.integers(0, len(EXAMPLE)),
    removed=st.integers(0, 40),
    added=st.binary(max_size=20) | words.map(str.encode),
)
@settings(deadline=None, max_examples=60)
def test_spoilt_bytes_are_accepted_or_told(
    folder: Path, place: int, removed: int, added: bytes
) -> None:
    """Bytes cut out of the file or dropped into it never end in a traceback."""
    content = EXAMPLE.encode()
    path = folder / FILE

    code, errors = check(path, content[:place] + added + content[place + removed :])

    assert code in {0, 2}
    assert "Traceback" not in errors
    assert (code == 0) == (errors == "")
    if code == 2:
        assert errors.removeprefix("tidegate: ").startswith(f"{path}: ")
