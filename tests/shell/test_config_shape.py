"""Reading the format off the settings classes, for sections that others will add."""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Annotated, Literal

from annotated_types import Ge, Interval, Len, MinLen

from bridge.shell.config_problems import HIDDEN
from bridge.shell.explain import listed
from bridge.shell.overlay import keys, overlay
from bridge.shell.settings_shape import accepted, at, leaves, shapes, table_at


class Colour(StrEnum):
    """Some words to choose from."""

    RED = "red"


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """One of several."""

    address: str = field(repr=False)
    delay_s: Annotated[float, Interval(gt=0, le=9)] = 1.0
    colour: Colour = Colour.RED


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A section with tables in a list and under names."""

    listed: tuple[Target, ...] = ()
    named: dict[str, Target] = field(default_factory=dict)
    words: tuple[Annotated[str, MinLen(2)], ...] = ()
    choice: Literal["a", "b"] | None = None
    count: Annotated[int, Ge(1)] | bool = 1
    short: Annotated[str, Len(1, 3)] = "x"


@dataclass(frozen=True, slots=True, kw_only=True)
class Whole:
    """The whole file."""

    section: Section


def test_what_is_accepted_is_told_from_the_types() -> None:
    """Limits, choices and units are read off the annotations."""
    target, section = shapes(Target), shapes(Section)

    assert accepted(target["delay_s"]) == "a number above 0 up to 9 (seconds)"
    assert accepted(target["colour"]) == 'one of "red"'
    assert accepted(section["choice"]) == 'one of "a", "b"'
    assert accepted(section["words"]) == "a list, each item a text of at least 2 characters"
    assert accepted(section["count"]) == "a whole number from 1 or true or false"
    assert accepted(section["short"]) == "a text of 1 to 3 characters"
    assert accepted(section["named"]) == "tables of the form [named.<name>]"
    assert accepted(section["listed"]) == "tables of the form [[listed]]"


def test_places_are_found_through_lists_and_names() -> None:
    """A way leads through the place in a list and through a name of the keeper's."""
    for way in (("section", "listed", 0), ("section", "named", "any")):
        shape, known = at(Whole, (*way, "address"))

        assert known
        assert shape is not None
        assert shape.secret
        assert table_at(Whole, way) is Target
    assert not at(Whole, ("section", "listed", 0, "adress"))[1]
    assert table_at(Whole, ("section", "named")) is None
    assert ("section", "listed", "*", "address") in [way for way, _ in leaves(Whole)]


def test_the_environment_reaches_entries_of_lists_and_names() -> None:
    """An entry that the file has can be changed, and no other."""
    raw = {"section": {"listed": [{"address": "x"}], "named": {"my-one": {"address": "y"}}}}
    environment = {
        "TIDEGATE_SECTION__LISTED__0__ADDRESS": "secret",
        "TIDEGATE_SECTION__NAMED__MY_ONE__DELAY_S": "3",
    }

    overlaid = overlay(Whole, raw, environment)

    assert overlaid.problems == ()
    assert overlaid.raw["section"]["listed"] == [{"address": "secret"}]
    assert overlaid.raw["section"]["named"]["my-one"]["delay_s"] == 3
    assert raw["section"]["listed"] == [{"address": "x"}]
    assert len([*keys(Whole, raw)]) == 3 + 3 + 4


def test_any_section_can_be_listed_with_its_secrets_masked() -> None:
    """The check command shows a new section without further work, and no secret of it."""
    section = Section(listed=(Target(address="hunter-2"),), named={"one": Target(address="h-2")})

    text = "\n".join(listed(shapes(Whole)["section"], section))

    assert "hunter" not in text
    assert "h-2" not in text
    assert text.count(HIDDEN) == 2
    assert "listed 0:" in text
    assert "named one:" in text
    assert "choice: left out" in text
