"""The types that saved states are read by, restored from the source of compiled modules."""

from collections import deque
from dataclasses import dataclass, fields

import pytest
from pydantic import TypeAdapter

from bridge.core.engine import EngineState
from bridge.core.tank_state import TankState
from bridge.core.thermometer import ThermometerState
from bridge.shell import compiled_types
from bridge.shell.compiled_types import restore


def test_what_is_written_in_the_source_is_what_the_interpreter_knows(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Restoring every class, as if all were compiled, changes nothing in what is accepted."""
    before = TypeAdapter(EngineState).json_schema()
    monkeypatch.setattr(compiled_types, "_compiled", lambda _module: True)

    restore(EngineState)

    assert TypeAdapter(EngineState).json_schema() == before


def test_types_that_were_forgotten_come_back(monkeypatch: pytest.MonkeyPatch) -> None:
    """A field of which only "a type" is left is what the source says again."""
    (at_s,) = (each for each in fields(ThermometerState) if each.name == "at_s")
    monkeypatch.setattr(at_s, "type", type)
    monkeypatch.setitem(ThermometerState.__annotations__, "at_s", type)
    monkeypatch.setattr(compiled_types, "_compiled", lambda _module: True)

    restore(TankState)

    assert at_s.type == float | None
    assert ThermometerState.__annotations__["at_s"] == float | None


def test_interpreted_classes_are_left_alone() -> None:
    """Without a compiled module no source is read."""

    @dataclass(slots=True)
    class Here:
        numbers: deque[tuple[float, str]]

    restore(Here)

    assert [each.type for each in fields(Here)] == [deque[tuple[float, str]]]
