"""A capture judged in pieces, one for each tank, and put together again: the same bytes.

Tanks know nothing of each other, so each can be judged by an engine of its own, in another process
or on another machine. What one engine with all tanks would have published is found again by giving
each step a key: of the steps that come next, one for each tank, the engine takes the one with the
smallest key.
"""

import heapq
import pickle
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from io import BytesIO
from itertools import chain
from operator import itemgetter
from pathlib import Path
from typing import Any, BinaryIO, Final

import zstandard

from bridge import __version__
from bridge.core.engine import Engine
from bridge.core.errors import UserError
from bridge.core.events import Event, LinkUp, Message, Tick
from bridge.core.outputs import Publish
from bridge.core.settings import Settings
from bridge.shell.capture_line import line_of
from bridge.shell.link import Lifecycle, lifecycle_message
from bridge.shell.replay import derived_boot_id
from bridge.shell.stepping import MOST_TICKS_AT_ONCE, EngineStuckError

LENGTH_BYTES: Final = 8
BLOCK_ITEMS: Final = 4000
"""So many messages or steps are packed at once; a thousand tanks keep as many in memory."""

Key = tuple[float, int, float, Any]
Step = tuple[Key, list[bytes]]
"""When it comes among all others, and the lines that it adds to the output."""

# The second part of a key: what comes first of what happens at one moment.
INIT, BEFORE_LINK, LINK, READY, TICK, MESSAGE = range(6)


@dataclass(frozen=True, slots=True)
class Job:
    """What a worker has to know of a piece beside its messages."""

    version: str
    settings: Settings
    """With one tank; neither the broker nor any file is of interest."""
    name: str
    place: int
    """Of the tank among all."""
    boot_id: str
    start_s: float
    end_s: float
    """When the last message of any tank came. [Unix s]"""
    last: int
    """Its number; what is due after it is not asked for."""


@dataclass(slots=True)
class Piece:
    """The messages of one tank, in a file."""

    path: Path
    waiting: list[tuple[int, Message]] = field(default_factory=list)
    messages: int = 0

    def add(self, number: int, message: Message) -> None:
        """Append a message."""
        self.waiting.append((number, message))
        self.messages += 1
        if len(self.waiting) >= BLOCK_ITEMS:
            self.flush()

    def flush(self) -> None:
        """Write what waits; files are not kept open, or a thousand tanks would be too many."""
        if self.waiting:
            with self.path.open("ab") as file:
                write_block(file, self.waiting)
            self.waiting = []


def write_block(file: BinaryIO, items: list[Any]) -> None:
    """Append one block: its length, then its compressed content."""
    block = zstandard.ZstdCompressor(level=1).compress(pickle.dumps(items))
    file.write(len(block).to_bytes(LENGTH_BYTES) + block)


def read_blocks(path: Path) -> Iterator[Any]:
    """All items of a file; between two blocks it is closed."""
    place = 0
    while True:
        with path.open("rb") as file:
            file.seek(place)
            items = _next_block(file)
            place = file.tell()
        if items is None:
            return
        yield from items


def _next_block(file: BinaryIO) -> list[Any] | None:
    head = file.read(LENGTH_BYTES)
    if not head:
        return None
    block = file.read(int.from_bytes(head))
    items: list[Any] = pickle.loads(zstandard.ZstdDecompressor().decompress(block))  # noqa: S301 - ours
    return items


class Split:
    """One capture, taken apart by tank.

    Args:
        messages: In the order of time.
        settings: With all tanks.
        directory: For a file for each tank.
    """

    def __init__(self, messages: Iterable[Message], settings: Settings, directory: Path) -> None:
        self._settings = settings
        self.pieces = {
            name: Piece(directory / f"{place}.piece") for place, name in enumerate(settings.tanks)
        }
        self.start_s: float | None = None
        self.end_s = 0.0
        self.taken = 0
        listeners: dict[str, tuple[Piece, ...]] = {}
        for name, piece in self.pieces.items():
            for topic in Engine(_only(settings, name), boot_id="", at_s=0.0).topics:
                listeners[topic] = (*listeners.get(topic, ()), piece)
        for message in messages:
            if self.start_s is None:
                self.start_s = message.at_s
            topic = message.topic
            pieces = listeners.get(topic)
            if pieces is None:
                # A command, or nothing for any tank. A topic that was sent never holds a "+".
                pieces = listeners.get(f"{topic.rpartition('/')[0]}/+")
                if pieces is None:
                    continue
            for piece in pieces:
                piece.add(self.taken, message)
            self.end_s = message.at_s
            self.taken += 1
        for piece in self.pieces.values():
            piece.flush()

    def jobs(self) -> Iterator[tuple[Job, Piece]]:
        """Every tank's; none when there was no message at all."""
        if self.start_s is None:
            return
        boot_id = derived_boot_id(self._settings)
        for place, (name, piece) in enumerate(self.pieces.items()):
            # Also without messages: an engine that hears nothing has something to say.
            piece.path.touch()
            job = Job(
                version=__version__,
                settings=_only(self._settings, name),
                name=name,
                place=place,
                boot_id=boot_id,
                start_s=self.start_s,
                end_s=self.end_s,
                last=self.taken - 1,
            )
            yield job, piece

    def joined(self, results: Iterable[Path]) -> Iterator[bytes]:
        """The lines that one engine with all tanks would have written, in its order.

        Args:
            results: A file from `judge` for each job, in any order.
        """
        if self.start_s is None:
            return
        at_s, base = self.start_s, self._settings.base_topic
        frame: list[Step] = [
            ((at_s, phase, 0.0, ""), [_line(lifecycle_message(base, word, at_s))])
            for phase, word in ((INIT, Lifecycle.INIT), (READY, Lifecycle.READY))
        ]
        # merge() looks at the next step of each only, which is just what an engine does.
        for _, lines in heapq.merge(frame, *map(read_blocks, results), key=itemgetter(0)):
            yield from lines


def _only(settings: Settings, name: str) -> Settings:
    return Settings(
        base_topic=settings.base_topic,
        tanks={name: settings.tanks[name]},
        command_secret=settings.command_secret,
    )


def _line(message: Publish) -> bytes:
    return line_of(message.at_s, message.topic, message.payload, retain=message.retain)


def judge(job: Job, data: bytes) -> bytes:
    """Judge one piece; runs in a worker.

    Args:
        job: Whose.
        data: Content of the piece's file.

    Returns:
        Blocks of steps.

    Raises:
        UserError: The worker is of another version, whose results might differ.
    """
    if job.version != __version__:
        raise UserError(
            f"a worker runs Tidegate {__version__}, this is {job.version}; they must be the same"
        )
    result, steps = BytesIO(), []
    for step in _steps(job, data):
        steps.append(step)
        if len(steps) >= BLOCK_ITEMS:
            write_block(result, steps)
            steps = []
    if steps:
        write_block(result, steps)
    return result.getvalue()


def _steps(job: Job, data: bytes) -> Iterator[Step]:
    engine = Engine(job.settings, boot_id=job.boot_id, at_s=job.start_s)
    now_s = job.start_s

    def take(event: Event, key: Key) -> Iterator[Step]:
        lines = [_line(each) for each in engine.step(event) if isinstance(each, Publish)]
        if lines:
            yield key, lines

    def ticks(until_s: float, phase: int) -> Iterator[Step]:
        nonlocal now_s
        again = 0
        while (wanted_s := engine.wake_at_s) <= until_s:
            again = again + 1 if not wanted_s > now_s else 0
            if again > MOST_TICKS_AT_ONCE:
                raise EngineStuckError(f"ticks keep asking for one at {wanted_s}")
            now_s = max(now_s, wanted_s)
            yield from take(Tick(now_s), (now_s, phase, wanted_s, job.name))

    yield from ticks(now_s, BEFORE_LINK)
    yield from take(LinkUp(now_s), (now_s, LINK, job.place, ""))
    number = -1
    for number, message in _messages(data):
        yield from ticks(message.at_s, TICK)
        now_s = message.at_s
        yield from take(message, (now_s, MESSAGE, number, job.place))
    if number != job.last:
        yield from ticks(job.end_s, TICK)


def _messages(data: bytes) -> Iterator[tuple[int, Message]]:
    file = BytesIO(data)
    return chain.from_iterable(iter(lambda: _next_block(file), None))
