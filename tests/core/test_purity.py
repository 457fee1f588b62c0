"""The core is pure: it reaches for no clock, file, socket or randomness, and does not log."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

CORE = Path(__file__).parents[2] / "bridge" / "core"
PURE = {
    *{"annotated_types", "bisect", "bridge.core", "collections", "collections.abc", "dataclasses"},
    *{"datetime", "enum", "functools", "gsw", "heapq", "itertools", "json", "math", "numpy"},
    "numpy.typing",
    *{"orjson", "re", "typing"},
}
# Payloads are described and checked by pydantic, a shared secret is compared by hmac; both are
# pure, and kept to that one package.
PURE_IN_WIRE = {"hmac", "pydantic"}
IMPURE_BUILTINS = {"__import__", "breakpoint", "eval", "exec", "input", "open", "print"}
# Pure modules with impure corners: the clock, and numpy's and gsw's files and randomness.
IMPURE_ATTRIBUTES = {"now", "today", "utcnow", "random", "load", "save", "fromfile", "tofile"}


def outside(path: Path, allowed: set[str]) -> Iterator[str]:
    """Names of impure modules, builtins and attributes that a file reaches for."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        match node:
            case ast.Import(names=names):
                modules = [alias.name for alias in names]
            case ast.ImportFrom(module=module, level=level):
                modules = ["." * level + (module or "")]
            case ast.Name(id=name) if name in IMPURE_BUILTINS:
                modules = [name]
            case ast.Attribute(value=ast.Name(id="np" | "datetime" | "date" | "gsw" as owner)) if (
                node.attr in IMPURE_ATTRIBUTES
            ):
                modules = [f"{owner}.{node.attr}"]
            case _:
                continue
        yield from (m for m in modules if m not in allowed and not m.startswith("bridge.core."))


@pytest.mark.parametrize(
    "path", sorted(CORE.rglob("*.py")), ids=lambda path: str(path.relative_to(CORE))
)
def test_core_reaches_for_nothing_impure(path: Path) -> None:
    """No clock, no randomness, no I/O."""
    allowed = PURE | PURE_IN_WIRE if CORE / "wire" in path.parents else PURE
    strangers = sorted(set(outside(path, allowed)))

    assert not strangers, f"{path.name} reaches outside the core: {strangers}"


@pytest.mark.parametrize(
    ("source", "stranger"),
    [
        ("import time", "time"),
        ("from os import path", "os"),
        ("from . import seawater", "."),
        ("import bridge.shell.link", "bridge.shell.link"),
        ("import pydantic", "pydantic"),
        ("print(1)", "print"),
        ("from datetime import datetime\ndatetime.now()", "datetime.now"),
        ("import numpy as np\nnp.random.default_rng()", "np.random"),
    ],
)
def test_an_impure_file_is_noticed(tmp_path: Path, source: str, stranger: str) -> None:
    """The check above sees what it is meant to see."""
    path = tmp_path / "sample.py"
    path.write_text(source, encoding="utf-8")

    assert list(outside(path, PURE)) == [stranger]
