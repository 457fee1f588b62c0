"""Checks of a configuration that no single key can make: what must fit together.

Every part that is sound by itself is checked, also when another part of the file is not, so that
all problems of a file are told at once.
"""

import contextlib
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

from pydantic import TypeAdapter, ValidationError

from bridge.core.compensation import problems as contradictions
from bridge.core.findings import Cause
from bridge.core.instrument_kinds import InstrumentKind
from bridge.core.permit_limits import uncounted_limits
from bridge.core.settings import (
    IDENTIFIER_PATTERN,
    Delivers,
    Equipment,
    Level,
    LevelUnit,
    Permit,
    Probe,
    Source,
    Tank,
)
from bridge.shell.config_problems import Problem, find, key_text, nearest
from bridge.shell.settings_shape import Step, is_table, shapes

LONGEST_IDENTIFIER: Final = 64
LONGEST_TOPIC_BYTES: Final = 65535
"""MQTT 5, section 1.5.4: the length of a text is sent in two bytes."""
LONGEST_BASE_TOPIC: Final = 200
SHORTEST_SECRET: Final = 8
HOLDING: Final = tuple(cause.value for cause in Cause if cause is not Cause.NONE)
UNCOUNTED: Final = {
    "largest_run_s": "needs equipment as well: nothing else tells how long the device has run",
    "largest_litres_hour": "needs something that counts the litres: ",
    "largest_litres_day": "needs something that counts the litres: ",
}
COUNTING: Final = {
    Delivers.FRESH_WATER: "metered_top_off, or the permit's equipment, which times the runs",
    Delivers.SALT_WATER: "the permit's equipment and plumbing.salt_water_l_h, which time the runs",
}
NEVER_COUNTED: Final = "a dose is not metered; limit its run time with largest_run_s instead"


@dataclass(frozen=True, slots=True)
class Part:
    """A table of the file that is sound by itself."""

    steps: tuple[Step, ...]
    value: Any


INSTRUMENTS: Final = tuple(kind.value for kind in InstrumentKind)
OWN_LEVELS: Final = frozenset({"alarm", "command", "heartbeat", "result", "state"})
"""What stands below the base topic beside the tanks."""


@cache
def adapter(kind: type) -> TypeAdapter[Any]:
    """The validator of a settings class."""
    return TypeAdapter(kind)


def parts(kind: type, raw: object, steps: tuple[Step, ...] = ()) -> Iterator[Part]:
    """Every table below a place that is sound by itself."""
    if not isinstance(raw, Mapping):
        return
    with contextlib.suppress(ValidationError):
        # JSON, because strict validation of Python values refuses tables for settings classes.
        yield Part(steps, adapter(kind).validate_json(json.dumps(raw), strict=True))
    for name, shape in shapes(kind).items():
        below = raw.get(name)
        way = (*steps, name)
        if shape.table is not None:
            yield from parts(shape.table, below, way)
        elif shape.named_tables is not None and isinstance(below, Mapping):
            for entry, table in below.items():
                yield from parts(shape.named_tables, table, (*way, entry))
        elif shape.listed_tables is not None and isinstance(below, list):
            for place, table in enumerate(below):
                yield from parts(shape.listed_tables, table, (*way, place))


def check(root: type, raw: Mapping[str, Any]) -> list[Problem]:
    """Every problem between the parts of a file.

    Args:
        root: The settings class of the whole file.
        raw: The file as parsed, with the environment laid over it.
    """
    sound = [part for name in shapes(root) for part in _below(root, raw, name)]
    sources = [part for part in sound if isinstance(part.value, Source)]
    base_topic = raw.get("base_topic", "tidegate")
    problems = [*_names(root, raw, ()), *_base_topic(base_topic), *_whole_file(raw), *_shares(raw)]
    for part in sources:
        problems += _source(part, base_topic)
    for part in sound:
        match part.value:
            case Probe():
                problems += [
                    Problem((*part.steps, "reports"), said) for said in contradictions(part.value)
                ]
            case Equipment():
                problems += _equipment(part)
            case Level():
                problems += _level(part)
            case Permit():
                problems += _permit(part, raw)
            case Tank():
                problems += _uncounted(part)
            case _:
                pass
    problems += _used_twice(sources)
    problems += _one_permit_per_device([p for p in sound if isinstance(p.value, Permit)])
    return problems


def _below(root: type, raw: Mapping[str, Any], name: str) -> Iterator[Part]:
    """The sound parts under one key of the file."""
    shape = shapes(root)[name]
    if shape.table is not None:
        yield from parts(shape.table, raw.get(name), (name,))
    elif shape.named_tables is not None and isinstance(raw.get(name), Mapping):
        for entry, table in raw[name].items():
            yield from parts(shape.named_tables, table, (name, entry))
    elif shape.listed_tables is not None and isinstance(raw.get(name), list):
        for place, table in enumerate(raw[name]):
            yield from parts(shape.listed_tables, table, (name, place))


def _names(kind: type, raw: object, steps: tuple[Step, ...]) -> Iterator[Problem]:
    """Refuse names that cannot be a topic level."""
    if not isinstance(raw, Mapping):
        return
    for name, shape in shapes(kind).items():
        below = raw.get(name)
        way = (*steps, name)
        if shape.table is not None:
            yield from _names(shape.table, below, way)
        elif shape.named_tables is not None and isinstance(below, Mapping):
            for entry, table in below.items():
                if not re.fullmatch(IDENTIFIER_PATTERN, entry) or len(entry) > LONGEST_IDENTIFIER:
                    yield Problem(
                        (*way, entry),
                        "a name is made of small letters a-z, digits and single hyphens between "
                        f"them, at most {LONGEST_IDENTIFIER} characters",
                        missing=True,
                    )
                if is_table(shape.named_tables):
                    yield from _names(shape.named_tables, table, (*way, entry))


def _whole_file(raw: Mapping[str, Any]) -> Iterator[Problem]:
    if raw.get("tanks") == {}:
        yield Problem(("tanks",), "give at least one tank, as [tanks.<name>]", missing=True)
    instruments = raw.get("instruments")
    for name in instruments if isinstance(instruments, Mapping) else ():
        if name not in INSTRUMENTS:
            yield Problem(
                ("instruments", name),
                f"is not a kind of instrument; {nearest(name, INSTRUMENTS)}",
                missing=True,
            )
    tanks = raw.get("tanks")
    for name in tanks if isinstance(tanks, Mapping) else ():
        if name in OWN_LEVELS:
            yield Problem(
                ("tanks", name),
                f"the name {name} is taken: it is a level of the topics of the whole installation",
                missing=True,
            )
    secret = raw.get("command_secret")
    if isinstance(secret, str) and len(secret) < SHORTEST_SECRET:
        yield Problem(("command_secret",), f"must have at least {SHORTEST_SECRET} characters")


def _shares(raw: Mapping[str, Any]) -> Iterator[Problem]:
    """Refuse a tank that two daemons would control, or none would look after."""
    shares, tanks, share = raw.get("shares"), raw.get("tanks"), raw.get("share")
    shares = shares if isinstance(shares, Mapping) else {}
    if isinstance(share, str) and share not in shares:
        accepted = nearest(share, tuple(shares)) if shares else "there is no [shares.<name>]"
        yield Problem(("share",), f"is not a share; {accepted}")
    if not shares or not isinstance(tanks, Mapping):
        return
    owners: dict[str, str] = {}
    for name, table in shares.items():
        listed = table.get("tanks") if isinstance(table, Mapping) else None
        for tank in listed if isinstance(listed, list) else ():
            if not isinstance(tank, str):
                continue
            way = ("shares", name, "tanks")
            if tank not in tanks:
                yield Problem(way, f'"{tank}" is not a tank; {nearest(tank, tuple(tanks))}')
            elif tank in owners:
                where = "twice" if owners[tank] == name else f"in the share {owners[tank]} already"
                yield Problem(way, f"{tank} is {where}; exactly one daemon may control a tank")
            owners[tank] = name
    orphans = [tank for tank in tanks if tank not in owners]
    if orphans:
        yield Problem(
            ("shares",),
            f"no share has {', '.join(orphans)}; every tank must be in exactly one",
            missing=True,
        )


def topic_fault(topic: str) -> str | None:
    """What keeps a topic from naming exactly one stream of messages, or None."""
    if "+" in topic or "#" in topic:
        return "must be one topic, without the wildcards + and #"
    if topic.startswith("$"):
        return "must not begin with $, which is kept for the broker itself"
    if not topic.isprintable():
        return "must not hold control characters"
    if len(topic.encode()) > LONGEST_TOPIC_BYTES:
        return f"must have at most {LONGEST_TOPIC_BYTES} bytes"
    return None


def _base_topic(base_topic: object) -> Iterator[Problem]:
    if not isinstance(base_topic, str):
        return
    said = topic_fault(base_topic)
    if said is None and not all(base_topic.split("/")):
        said = "must not be empty, begin or end with / or hold //"
    if said is None and len(base_topic) > LONGEST_BASE_TOPIC:
        said = f"must have at most {LONGEST_BASE_TOPIC} characters"
    if said is not None:
        yield Problem(("base_topic",), said)


def _source(part: Part, base_topic: object) -> Iterator[Problem]:
    source: Source = part.value
    said = topic_fault(source.topic)
    if said is None and f"{source.topic}/".startswith(f"{base_topic}/"):
        said = (
            f"must not lie under {base_topic}/, where the daemon publishes its own results; "
            "change it, or base_topic"
        )
    if said is not None:
        yield Problem((*part.steps, "topic"), said)
    for key in ("path", "time_path"):
        path = getattr(source, key)
        if path is not None and not all(path.split(".")):
            yield Problem(
                (*part.steps, key),
                'must be names or places joined by single dots, for instance "sensors.0.value"',
            )
    if source.time_path is not None and source.path is None:
        yield Problem(
            (*part.steps, "time_path"),
            "needs path as well, because only a JSON payload can hold a time",
        )


def _equipment(part: Part) -> Iterator[Problem]:
    equipment: Equipment = part.value
    if equipment.threshold is not None:
        return
    both = {word.lower() for word in equipment.on} & {word.lower() for word in equipment.off}
    for key in ("on", "off"):
        if not getattr(equipment, key):
            yield Problem((*part.steps, key), "give at least one word, or a threshold for a number")
    if both:
        yield Problem(
            (*part.steps, "off"),
            f"{', '.join(sorted(both))} cannot mean on and off; capitals make no difference",
        )


def _level(part: Part) -> Iterator[Problem]:
    level: Level = part.value
    full = 100
    if level.unit is not LevelUnit.PERCENT or level.normal is None:
        return
    if not 0 < level.normal <= full:
        yield Problem(
            (*part.steps, "normal"), f'must be above 0 up to {full}, because unit is "percent"'
        )


def _permit(part: Part, raw: Mapping[str, Any]) -> Iterator[Problem]:
    permit: Permit = part.value
    # The tank checks this as well, but only once all the rest of it is sound.
    if permit.equipment is not None:
        named = find(raw, part.steps[:-2]).get("equipment", {})
        # Equipment that is no table is a problem of its own.
        if isinstance(named, Mapping) and permit.equipment not in named:
            yield Problem(
                (*part.steps, "equipment"),
                "must name equipment of this tank: "
                + (", ".join(named) if named else "there is none; add [tanks.<name>.equipment.*]"),
            )
    for cause in permit.held_by or ():
        if cause not in HOLDING:
            yield Problem(
                (*part.steps, "held_by"),
                f'"{cause}" is not a cause; {nearest(cause, HOLDING)}',
            )
    for low, high in (("low_psu", "high_psu"), ("low_c", "high_c")):
        low_value, high_value = getattr(permit, low), getattr(permit, high)
        if low_value is not None and high_value is not None and low_value >= high_value:
            yield Problem((*part.steps, low), f"must be below {high} = {high_value:g}")
    hour, day = permit.largest_litres_hour, permit.largest_litres_day
    if hour is not None and day is not None and hour > day:
        yield Problem(
            (*part.steps, "largest_litres_hour"),
            f"must not be above largest_litres_day = {day}",
        )


def _uncounted(part: Part) -> Iterator[Problem]:
    """Refuse a limit that nothing could watch; the permit would be held for ever."""
    tank: Tank = part.value
    for name, permit in tank.permits.items():
        for key in uncounted_limits(tank, permit):
            said = UNCOUNTED[key]
            if said.endswith(" "):
                said += COUNTING.get(permit.delivers, NEVER_COUNTED)
            yield Problem((*part.steps, "permits", name, key), said)


def _used_twice(sources: list[Part]) -> Iterator[Problem]:
    """Refuse one number with two meanings, and a payload that is JSON and a bare number."""
    seen: dict[tuple[str, str | None], Part] = {}
    plain: dict[str, Part] = {}
    for part in sources:
        source: Source = part.value
        first = seen.setdefault((source.topic, source.path), part)
        # One device may serve several tanks: a lamp over two of them, one pump for both.
        shared = (
            isinstance(source, Equipment)
            and isinstance(first.value, Equipment)
            and first.steps[:2] != part.steps[:2]
        )
        if first is not part and not shared:
            where = f" and path {source.path}" if source.path else ""
            yield Problem(
                (*part.steps, "topic"),
                f"this topic{where} is already the {key_text(first.steps)}; "
                "each value can mean one thing only",
            )
            continue
        other = plain.setdefault(source.topic, part)
        if (other.value.path is None) != (source.path is None):
            yield Problem(
                (*part.steps, "topic"),
                f"{key_text(other.steps)} reads the same topic; both need a path into its JSON, "
                "or neither",
            )


def _one_permit_per_device(permits: list[Part]) -> Iterator[Problem]:
    seen: dict[tuple[Step, ...], Part] = {}
    for part in permits:
        if part.value.equipment is None:
            continue
        first = seen.setdefault((*part.steps[:2], part.value.equipment), part)
        if first is not part:
            yield Problem(
                (*part.steps, "equipment"),
                f"is already switched by {key_text(first.steps)}; a device obeys one permit",
            )
