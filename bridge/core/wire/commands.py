"""Commands as they come off the wire, and the documents that answer them.

Each command is a frozen dataclass; pydantic checks a payload against it, strictly: text is not a
number, and an unknown key is refused rather than ignored.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields
from enum import StrEnum
from functools import cache
from hmac import compare_digest
from typing import Annotated, Any, ClassVar, Final

import orjson
from annotated_types import Ge, Gt, Le, Lt, MaxLen, MinLen
from pydantic import TypeAdapter, ValidationError

from bridge.core.errors import UserError
from bridge.core.findings import Cause
from bridge.core.instrument_kinds import ReadingUnit
from bridge.core.outputs import Publish
from bridge.core.settings import GravityReference, ProbeUnit
from bridge.core.wire.instants import unix_s

LARGEST_BYTES: Final = 4096
"""Ample for the longest note, and too little to be a burden."""
CONFIG: Final[dict[str, Any]] = {"extra": "forbid", "strict": True, "allow_inf_nan": False}

Text = Annotated[str, MinLen(1), MaxLen(200)]
Identifier = Annotated[str, MinLen(1), MaxLen(64)]
Salinity = Annotated[float, Ge(0), Le(50)]
Celsius = Annotated[float, Ge(-2), Le(50)]
Minutes = Annotated[float, Gt(0), Le(10_080)]
"""At most a week; what a permit or an alarm accepts may be less."""


class Standard(StrEnum):
    """What a calibration was made in."""

    SEAWATER = "seawater"
    KCL_0_01 = "kcl-0.01"
    KCL_0_1 = "kcl-0.1"
    KCL_1_0 = "kcl-1.0"
    OTHER = "other"


class WorkPhase(StrEnum):
    """Start or end of work on the tank."""

    START = "start"
    END = "end"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Identified:
    __pydantic_config__: ClassVar = CONFIG

    id: Identifier
    """Text chosen by the sender, echoed in the result."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Then:
    """What was seen at the time of an older check, from records."""

    __pydantic_config__: ClassVar = CONFIG

    reported: float | None = None
    """The device's number."""
    temperature_c: Celsius | None = None
    salinity: Salinity | None = None
    """The estimate, practical."""
    uncertainty: Annotated[float, Gt(0), Le(50)] | None = None
    cause: Cause = Cause.NONE


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceCheck(_Identified):
    """A comparison with an independent hand instrument."""

    instrument: Identifier
    reading: float | None = None
    readings: Annotated[tuple[float, ...], MinLen(2), MaxLen(50)] | None = None
    """In place of `reading`, when the same water was measured repeatedly."""
    unit: ReadingUnit | None = None
    gravity_reference: GravityReference | None = None
    temperature_corrected: bool | None = None
    coefficient_pct_per_c: Annotated[float, Ge(0), Le(5)] | None = None
    """Of a conductivity meter that refers to 25 °C."""
    standard_checked: bool = False
    """Whether the instrument was itself checked in a standard lately."""
    salinity: Salinity | None = None
    """Practical, already corrected."""
    expanded_uncertainty: Annotated[float, Gt(0), Le(20)] | None = None
    sample_temperature_c: Celsius | None = None
    time: str | None = None
    then: Then | None = None
    """Only with `time`, for a check that was made long ago."""
    note: Text | None = None

    def __post_init__(self) -> None:
        """Either raw readings with their unit, or a salinity."""
        given = (self.reading, self.readings, self.salinity)
        if sum(value is not None for value in given) != 1:
            raise ValueError("give either 'reading' with 'unit', or 'salinity'")
        if (self.salinity is None) != (self.unit is not None):
            raise ValueError("'reading' and 'unit' belong together")
        if self.then is not None and self.time is None:
            raise ValueError("'then' needs 'time'")
        _check_time(self.time)


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationDone(_Identified):
    """The probe was calibrated in a standard."""

    standard: Standard
    value: Annotated[float, Gt(0)]
    unit: ProbeUnit
    temperature_c: Celsius
    gravity_reference: GravityReference | None = None
    expanded_uncertainty: Annotated[float, Gt(0), Le(20)] | None = None
    reading_before: float | None = None
    reading_after: float | None = None
    """The device's number in the standard, before and after it was calibrated."""
    apply: bool = False
    """True: the device stays as it is, and the daemon corrects it."""
    confirm: bool = False
    """The questions about this calibration were read and answered."""
    by: Text | None = None
    time: str | None = None
    note: Text | None = None

    def __post_init__(self) -> None:
        """Times are full moments."""
        _check_time(self.time)


@dataclass(frozen=True, slots=True, kw_only=True)
class FitChecks(_Identified):
    """Suggest gain and coefficient from the reference checks, or apply them."""

    confirm: bool = False
    """True: apply in the daemon what was suggested."""
    by: Text | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Undo(_Identified):
    """Take back a calibration or a reference check."""

    calibration: Annotated[int, Ge(1)] | None = None
    check: Annotated[int, Ge(1)] | None = None
    by: Text | None = None

    def __post_init__(self) -> None:
        """One thing at a time."""
        if (self.calibration is None) == (self.check is None):
            raise ValueError("give the number of either 'calibration' or 'check'")


@dataclass(frozen=True, slots=True, kw_only=True)
class WaterChange(_Identified):
    """Water was exchanged, or is about to be."""

    litres: Annotated[float, Gt(0), Lt(1_000_000)] | None = None
    salinity: Salinity | None = None
    phase: WorkPhase | None = None
    """Left out: done at once."""

    def __post_init__(self) -> None:
        """How much, and how salty, is known when it is done at once."""
        if self.phase is None and (self.litres is None or self.salinity is None):
            raise ValueError("'litres' and 'salinity' are needed for a change that is done at once")


@dataclass(frozen=True, slots=True, kw_only=True)
class Acknowledge(_Identified):
    """Somebody has seen an alarm."""

    alarm: Identifier


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelve(_Identified):
    """Silence an alarm for a time; 0 minutes ends it."""

    alarm: Identifier
    minutes: Annotated[float, Ge(0), Le(10_080)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bypass(_Identified):
    """Permit in spite of the reading, for a time; 0 minutes ends it."""

    permit: Identifier
    minutes: Annotated[float, Ge(0), Le(1440)]
    reason: Text


@dataclass(frozen=True, slots=True, kw_only=True)
class ServiceWork(_Identified):
    """Hands go into the water, or come out of it."""

    phase: WorkPhase
    minutes: Minutes | None = None


Command = (
    ReferenceCheck
    | CalibrationDone
    | FitChecks
    | Undo
    | WaterChange
    | Acknowledge
    | Shelve
    | Bypass
    | ServiceWork
)

COMMANDS: Final[Mapping[str, type[Command]]] = {
    "reference-check": ReferenceCheck,
    "calibration": CalibrationDone,
    "fit": FitChecks,
    "undo": Undo,
    "water-change": WaterChange,
    "acknowledge": Acknowledge,
    "shelve": Shelve,
    "bypass": Bypass,
    "service": ServiceWork,
}


@cache
def _adapter(name: str) -> TypeAdapter[Any]:
    """Made when the first such command comes: all of them would delay every start."""
    return TypeAdapter(COMMANDS[name])


class CommandError(UserError):
    """A command that is refused.

    Attributes:
        command_id: The sender's `id`, or None when there was none to read.
    """

    def __init__(self, message: str, command_id: str | None) -> None:
        super().__init__(message)
        self.command_id = command_id


def parse(
    name: str, payload: bytes, *, retained: bool = False, secret: str | None = None
) -> Command:
    """A command from its payload.

    Args:
        name: Last level of the topic.
        payload: As it came off the wire.
        retained: Whether the broker had kept it; such a command is refused, because it would be
            carried out again at every start.
        secret: Shared secret to be found under the key `secret`; None when none is asked for.

    Raises:
        CommandError: With one sentence on what is wrong and what is accepted.
    """
    if name not in COMMANDS:
        raise CommandError(
            f"there is no command '{name}'; accepted are {', '.join(COMMANDS)}", None
        )
    if len(payload) > LARGEST_BYTES:
        raise CommandError(
            f"{name}: the message has {len(payload)} bytes; accepted are up to {LARGEST_BYTES}",
            None,
        )
    document = _document(name, payload)
    command_id = document.get("id")
    if not isinstance(command_id, str) or not command_id:
        raise CommandError(f"{name}: key 'id' is missing; accepted is a text of your choice", None)
    if retained:
        raise CommandError(
            f"{name}: the message was retained, and would be carried out again at every start; "
            f"send it without retain",
            command_id,
        )
    given = document.pop("secret", None)
    # The secret first: who does not know it learns nothing about the keys.
    if secret is not None and not _same(given, secret):
        raise CommandError(f"{name}: key 'secret' is missing or wrong", command_id)
    try:
        command: Command = _adapter(name).validate_json(orjson.dumps(document))
    except ValidationError as error:
        raise CommandError(f"{name}: {_explain(name, error)}", command_id) from None
    return command


def result(
    at_s: float,
    topic: str,
    *,
    command_id: str | None,
    error: str | None = None,
    details: Mapping[str, Any] | None = None,
) -> Publish:
    """The document that answers a command.

    Args:
        at_s: Now. [Unix s]
        topic: ``<base>/<tank>/result/<name>``.
        command_id: The sender's `id`.
        error: What is wrong and what is accepted; None when all went well.
        details: Further keys of a good answer.
    """
    document: dict[str, Any] = {"id": command_id, "ok": error is None}
    if error is not None:
        document["error"] = error
    document.update(details or {})
    return Publish(at_s=at_s, topic=topic, payload=orjson.dumps(document), retain=False)


def _document(name: str, payload: bytes) -> dict[str, Any]:
    try:
        document = orjson.loads(payload)
    except orjson.JSONDecodeError:
        raise CommandError(
            f"{name}: the message is not JSON; accepted is an object such as "
            f'{{"id": "1", ...}} with the keys {_keys(name)}',
            None,
        ) from None
    if not isinstance(document, dict):
        raise CommandError(
            f"{name}: the message is not a JSON object; accepted keys are {_keys(name)}", None
        )
    return document


def knows_secret(payload: bytes, secret: str | None) -> bool:
    """Whether a command would not be refused for its secret; one that is no JSON says nothing."""
    if secret is None:
        return True
    try:
        document = orjson.loads(payload)
    except orjson.JSONDecodeError:
        return False
    return isinstance(document, dict) and _same(document.get("secret"), secret)


def without_secret(payload: bytes) -> bytes:
    """The command as it may be kept on disk."""
    try:
        document = orjson.loads(payload)
    except orjson.JSONDecodeError:
        return payload
    if not isinstance(document, dict) or "secret" not in document:
        return payload
    del document["secret"]
    return orjson.dumps(document)


def _same(given: object, secret: str) -> bool:
    text = given if isinstance(given, str) else ""
    return compare_digest(text.encode(), secret.encode())


def _keys(name: str) -> str:
    return ", ".join(field.name for field in fields(COMMANDS[name]))


_WANTED: Final = {
    "string_type": "text",
    "float_type": "a number",
    "int_type": "a whole number",
    "bool_type": "true or false",
    "finite_number": "a finite number",
    "greater_than": "above {gt:g}",
    "greater_than_equal": "{ge:g} or more",
    "less_than": "below {lt:g}",
    "less_than_equal": "up to {le:g}",
    "string_too_short": "text that is not empty",
    "string_too_long": "text of up to {max_length} characters",
}


def _explain(name: str, error: ValidationError) -> str:
    """One sentence on the first thing that is wrong."""
    first = error.errors(include_url=False)[0]
    kind, context = first["type"], first.get("ctx", {})
    key = ".".join(str(part) for part in first["loc"])
    if kind in {"missing", "missing_keyword_only_argument"}:
        return f"key '{key}' is missing; accepted keys are {_keys(name)}"
    if kind in {"unexpected_keyword_argument", "extra_forbidden"}:
        return f"key '{key}' is not known; accepted keys are {_keys(name)}"
    if kind == "enum":
        return f"key '{key}' is {_shown(first['input'])}; accepted is {context['expected']}"
    if kind == "value_error":
        return str(context["error"])
    wanted = _WANTED.get(kind)
    if wanted is None:
        return f"key '{key}': {first['msg']}"
    return f"key '{key}' is {_shown(first['input'])}; accepted is {wanted.format(**context)}"


def _shown(value: object) -> str:
    text = orjson.dumps(value).decode()
    return text if len(text) <= 40 else text[:40] + "..."  # noqa: PLR2004


def _check_time(text: str | None) -> None:
    if text is None:
        return
    try:
        unix_s(text)
    except ValueError:
        raise ValueError(
            f"key 'time' is '{text}'; accepted is ISO 8601 with offset, "
            f"such as 2026-03-01T12:00:00Z"
        ) from None
