"""The shape of the settings, read off their dataclasses.

The dataclasses are the only definition of the file format. Validation messages, the environment
overlay and the tests that keep the example file complete all walk them through this module.
A field that is left out of its class's ``repr`` is a secret and is never shown.
"""

import dataclasses
import types
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import Enum
from functools import cache
from typing import (
    Annotated,
    Final,
    Literal,
    TypeGuard,
    Union,
    get_args,
    get_origin,
    get_type_hints,
)

from annotated_types import BaseMetadata, Ge, GroupedMetadata, Gt, Le, Lt, MaxLen, MinLen

Step = str | int
"""One step from a table to a value in it: a key, or the place in a list."""

UNITS: Final = (
    ("_pct_per_c", "% per °C"),
    ("_litres_hour", "litres an hour"),
    ("_litres_day", "litres a day"),
    ("_psu_h", "practical salinity an hour"),
    ("_pct_day", "% a day"),
    ("_ms_cm", "mS/cm"),
    ("_psu", "practical salinity"),
    ("_l_h", "litres an hour"),
    ("_min", "minutes"),
    ("_days", "days"),
    ("_l", "litres"),
    ("_c", "°C"),
    ("_s", "seconds"),
)
"""Unit that the end of a name stands for; the longest ending comes first."""


def is_table(kind: object) -> TypeGuard[type]:
    """Whether a type is a settings class, which is a table in the file."""
    return isinstance(kind, type) and dataclasses.is_dataclass(kind)


@dataclass(frozen=True, slots=True)
class Shape:
    """What may stand at one place of the file."""

    name: str
    kinds: tuple[object, ...]
    """The types accepted, without None, ``Annotated`` and the limits."""
    limits: tuple[BaseMetadata, ...]
    required: bool
    secret: bool

    @property
    def table(self) -> type | None:
        """The settings class, when this place holds one table."""
        return next((kind for kind in self.kinds if is_table(kind)), None)

    @property
    def named_tables(self) -> type | None:
        """The settings class, when this place holds tables under names of the keeper's."""
        for kind in self.kinds:
            if get_origin(kind) in (dict, Mapping) and is_table(get_args(kind)[1]):
                return get_args(kind)[1]  # type: ignore[no-any-return]
        return None

    @property
    def listed_tables(self) -> type | None:
        """The settings class, when this place holds a list of tables."""
        for kind in self.kinds:
            if get_origin(kind) in (tuple, list) and is_table(get_args(kind)[0]):
                return get_args(kind)[0]  # type: ignore[no-any-return]
        return None

    @property
    def holds_secret(self) -> bool:
        """Whether a secret can stand here or anywhere below."""
        below = self.table or self.named_tables or self.listed_tables
        if self.secret or below is None:
            return self.secret
        return any(shape.holds_secret for shape in shapes(below).values())

    @property
    def takes_text(self) -> bool:
        """Whether a text is accepted as it stands."""
        return any(
            kind is str or (isinstance(kind, type) and issubclass(kind, str)) for kind in self.kinds
        )


@cache
def shapes(table: type) -> Mapping[str, Shape]:
    """The keys of a table, in the order of their definition."""
    hints = get_type_hints(table, include_extras=True)
    found = {}
    for field in dataclasses.fields(table):
        kinds, limits = _unfold(hints[field.name])
        found[field.name] = Shape(
            name=field.name,
            kinds=kinds,
            limits=limits,
            required=field.default is dataclasses.MISSING
            and field.default_factory is dataclasses.MISSING,
            secret=not field.repr,
        )
    return found


def _unfold(hint: object) -> tuple[tuple[object, ...], tuple[BaseMetadata, ...]]:
    """Split a type hint into the plain types it accepts and the limits on them."""
    origin = get_origin(hint)
    if origin is Annotated:
        inner, *metadata = get_args(hint)
        kinds, limits = _unfold(inner)
        for item in metadata:
            if isinstance(item, GroupedMetadata):
                limits += tuple(part for part in item if isinstance(part, BaseMetadata))
            elif isinstance(item, BaseMetadata):
                limits += (item,)
        return kinds, limits
    if origin in (Union, types.UnionType):
        parts = [_unfold(part) for part in get_args(hint) if part is not type(None)]
        return (
            tuple(kind for kinds, _ in parts for kind in kinds),
            tuple(limit for _, limits in parts for limit in limits),
        )
    return (hint,), ()


def at(table: type, steps: tuple[Step, ...]) -> tuple[Shape | None, bool]:
    """What may stand at a place below a table.

    Args:
        table: The settings class at the top.
        steps: The way down.

    Returns:
        The shape of the deepest known field on the way (None when the first step is unknown), and
        whether the whole way is known.
    """
    shape: Shape | None = None
    current: type | None = table
    names_next = False
    for position, step in enumerate(steps):
        if names_next:
            names_next = False
            continue
        if current is None:
            # Below a plain value, as in the third word of a list of words.
            return shape, isinstance(step, int) and position == len(steps) - 1
        if not isinstance(step, str) or step not in shapes(current):
            return shape, False
        shape = shapes(current)[step]
        current = shape.table or shape.named_tables or shape.listed_tables
        names_next = shape.table is None and current is not None
    return shape, True


def table_at(root: type, steps: tuple[Step, ...]) -> type | None:
    """The settings class of the table at a place; None where no single table belongs."""
    current: type | None = root
    names_next = False
    for step in steps:
        if names_next:
            names_next = False
        elif current is None or not isinstance(step, str) or step not in shapes(current):
            return None
        else:
            shape = shapes(current)[step]
            current = shape.table or shape.named_tables or shape.listed_tables
            names_next = shape.table is None
    return None if names_next else current


def leaves(table: type, above: tuple[str, ...] = ()) -> Iterator[tuple[tuple[str, ...], Shape]]:
    """Every key that takes a plain value, with the way to it; ``*`` stands for a name."""
    for name, shape in shapes(table).items():
        way = (*above, name)
        if shape.table is not None:
            yield from leaves(shape.table, way)
        elif (below := shape.named_tables or shape.listed_tables) is not None:
            yield from leaves(below, (*way, "*"))
        else:
            yield way, shape


def unit_of(name: str) -> str | None:
    """The unit that a key's name ends with, in words."""
    return next((words for ending, words in UNITS if name.endswith(ending)), None)


def accepted(shape: Shape) -> str:
    """What may stand at a place, in plain words."""
    if shape.table is not None:
        return "a table with the keys " + ", ".join(shapes(shape.table))
    if shape.named_tables is not None:
        return f"tables of the form [{shape.name}.<name>]"
    if shape.listed_tables is not None:
        return f"tables of the form [[{shape.name}]]"
    return " or ".join(dict.fromkeys(_kind_words(kind, shape) for kind in shape.kinds))


def _kind_words(kind: object, shape: Shape) -> str:
    if kind is bool:
        return "true or false"
    if kind in (float, int):
        noun = "a whole number" if kind is int else "a number"
        unit = unit_of(shape.name)
        return noun + _limit_words(shape.limits) + (f" ({unit})" if unit else "")
    if isinstance(kind, type) and issubclass(kind, Enum):
        return "one of " + ", ".join(f'"{member.value}"' for member in kind)
    if get_origin(kind) is Literal:
        return "one of " + ", ".join(f'"{value}"' for value in get_args(kind))
    if get_origin(kind) in (tuple, list):
        (inner, *_) = get_args(kind)
        kinds, limits = _unfold(inner)
        words = " or ".join(
            _kind_words(part, dataclasses.replace(shape, limits=limits)) for part in kinds
        )
        return f"a list, each item {words}"
    return "a text" + _length_words(shape.limits)


def _limit_words(limits: tuple[BaseMetadata, ...]) -> str:
    words = []
    for limit in limits:
        match limit:
            case Gt(gt=bound):
                words.append(f"above {bound}")
            case Ge(ge=bound):
                words.append(f"from {bound}")
            case Lt(lt=bound):
                words.append(f"below {bound}")
            case Le(le=bound):
                words.append(f"up to {bound}")
            case _:
                pass
    return " " + " ".join(words) if words else ""


def _length_words(limits: tuple[BaseMetadata, ...]) -> str:
    least = max((limit.min_length for limit in limits if isinstance(limit, MinLen)), default=0)
    most = min((limit.max_length for limit in limits if isinstance(limit, MaxLen)), default=None)
    if most is not None:
        return f" of {least} to {most} characters"
    return f" of at least {least} character{'s' if least > 1 else ''}" if least else ""
