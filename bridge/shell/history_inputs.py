"""What the engine was told, as the history keeps it: enough to let an engine judge it again.

A few thousand events lie in one compressed block, column by column, because neighbours in a column
are alike. Times are those of the engine, in whole milliseconds.
"""

from base64 import b64decode, b64encode
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import orjson
import zstandard

from bridge.core.dispatch import COMMAND_LEVEL
from bridge.core.events import ClockStepped, Event, LinkDown, LinkUp, Message, Shutdown, Tick
from bridge.core.settings import Settings
from bridge.core.wire.commands import LARGEST_BYTES, knows_secret, without_secret
from bridge.core.wire.payload import LARGEST_PAYLOAD_BYTES
from bridge.shell.replay import Subscribed

LEVEL: Final = 9
"""Of the compression: a block is packed once an hour or less."""


@dataclass(frozen=True, slots=True)
class Started:
    """An engine began, with what the one before it had learned."""

    at_s: float


@dataclass(frozen=True, slots=True)
class Lost:
    """Events before this one were not kept, because the history could not be written."""

    at_s: float
    events: int


Input = Message | LinkUp | LinkDown | ClockStepped | Shutdown | Started | Lost
"""Everything but ticks: these follow from the rest."""

_KINDS: Final[tuple[type[Any], ...]] = (
    LinkUp,
    LinkDown,
    ClockStepped,
    Shutdown,
    Started,
    Lost,
)
"""Their place is stored; new ones go to the end."""


def pack(inputs: Sequence[Input]) -> bytes:
    """One block of a few events or of a few thousand."""
    topics: dict[str, int] = {}
    places: list[int] = []
    steps_ms: list[int] = []
    payloads: list[str | float | int | None] = []
    binary: list[int] = []
    retained: list[int] = []
    before_ms = 0
    for number, each in enumerate(inputs):
        at_ms = round(each.at_s * 1000)
        steps_ms.append(at_ms - before_ms)
        before_ms = at_ms
        if isinstance(each, Message):
            places.append(topics.setdefault(each.topic, len(topics)))
            try:
                payloads.append(each.payload.decode())
            except UnicodeDecodeError:
                payloads.append(b64encode(each.payload).decode())
                binary.append(number)
            if each.retained:
                retained.append(number)
        else:
            places.append(-1 - _KINDS.index(type(each)))
            payloads.append(_detail(each))
    document = {
        "topics": list(topics),
        "place": places,
        "step_ms": steps_ms,
        "payload": payloads,
        "binary": binary,
        "retained": retained,
    }
    return zstandard.ZstdCompressor(level=LEVEL, write_checksum=True).compress(
        orjson.dumps(document)
    )


def unpack(block: bytes) -> list[Input]:
    """The events of a block, in their order.

    Raises:
        zstandard.ZstdError, ValueError, KeyError, IndexError, TypeError: The block is damaged.
    """
    document = orjson.loads(zstandard.ZstdDecompressor().decompress(block))
    topics: list[str] = document["topics"]
    binary, retained = frozenset(document["binary"]), frozenset(document["retained"])
    inputs: list[Input] = []
    at_ms = 0
    columns = zip(document["place"], document["step_ms"], document["payload"], strict=True)
    for number, (place, step_ms, payload) in enumerate(columns):
        at_ms += step_ms
        at_s = at_ms / 1000
        if place >= 0:
            data = b64decode(payload) if number in binary else payload.encode()
            inputs.append(Message(at_s, topics[place], data, number in retained))
        else:
            kind = _KINDS[-1 - place]
            inputs.append(kind(at_s) if payload is None else kind(at_s, payload))
    return inputs


def _detail(each: Input) -> float | int | None:
    match each:
        case ClockStepped(step_s=step_s):
            return step_s
        case Lost(events=events):
            return events
    return None


class InputTap:
    """Hands on what is worth keeping of what the engine is told, without secrets.

    Args:
        settings: The engine's.
        topics: What it judges by; what else it listens to is left out.
        keep: Takes each.
    """

    def __init__(
        self, settings: Settings, topics: Iterable[str], keep: Callable[[Input], None]
    ) -> None:
        self._keep = keep
        self._judged = Subscribed(topics)
        self._secret = settings.command_secret
        owners = ("", *(f"{tank}/" for tank in settings.tanks))
        self._commands = tuple(f"{settings.base_topic}/{owner}{COMMAND_LEVEL}/" for owner in owners)

    def __call__(self, event: Event) -> None:
        """Take one event; called by the decision loop, so it is quick."""
        if isinstance(event, Tick):
            return
        if isinstance(event, Message):
            if not self._judged(event.topic):
                return
            if event.topic.startswith(self._commands):
                # One that was refused for its secret did nothing, and may hold a near miss.
                if len(event.payload) > LARGEST_BYTES or not knows_secret(
                    event.payload, self._secret
                ):
                    return
                event = event._replace(payload=without_secret(event.payload))
            elif len(event.payload) > LARGEST_PAYLOAD_BYTES:
                # As useless to the engine as the whole of it.
                event = event._replace(payload=event.payload[: LARGEST_PAYLOAD_BYTES + 1])
        self._keep(event)
