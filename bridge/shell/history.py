"""The history: takes records without ever making the caller wait, writes them in batches."""

import logging
import sqlite3
import threading
import time
from collections import deque
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import orjson

from bridge.core.outputs import Record
from bridge.shell.history_file import is_damage
from bridge.shell.history_inputs import Input, Lost
from bridge.shell.history_reader import connect_read_only, newest_state
from bridge.shell.history_rows import SAMPLE_KIND
from bridge.shell.history_writer import EngineSnapshot, Entry, HistoryWriter, Item, Written
from bridge.shell.storage_settings import StorageSettings

LOGGER: Final = logging.getLogger(__name__)

RARE_ROOM: Final = 2.0
"""Queue length, in terms of ``queue_rows``, up to which everything but samples is still taken:
a check or an alarm must not be lost because samples filled the queue."""

INPUT_ROOM: Final = 0.5
"""Up to which what the engine was told is taken: what it made of that is the dearer."""

LONGEST_PAUSE_S: Final = 60.0
"""Between two tries while the file cannot be written."""

FIRST_PAUSE_S: Final = 1.0


@dataclass(frozen=True, slots=True)
class HistoryHealth:
    """How the history is doing; the daemon shows it and raises an alarm from it."""

    written: int
    pending: int
    """Waiting in memory."""
    dropped: int
    """Refused because the queue was full, or because the history was closed."""
    refused: int
    """Could not be stored because of what was in them."""
    late: int
    """Samples older than the full resolution that is kept."""
    failures: int
    """Batches that could not be written at the first try."""
    trouble: str | None
    """Why nothing can be written at the moment, as a sentence for the keeper."""
    set_aside: str | None
    """Where a damaged file was moved to since the start."""
    salvaged_rows: int
    check_finished: bool
    size_mb: float
    shortened: bool
    """Whether the largest size shortens the retention."""

    @property
    def fault(self) -> str | None:
        """What an alarm should tell: that nothing can be written, or that data was lost."""
        if self.trouble is not None:
            return self.trouble
        if self.set_aside is not None:
            return f"The history was damaged. It was moved to {self.set_aside}; a new one runs."
        return None


class History:
    """Sink of everything that is kept. Every method but the starting and closing ones is quick.

    Raises:
        HistoryError: at the start only, when the file must not or may not be used.
    """

    def __init__(self, settings: StorageSettings) -> None:
        self._settings = settings
        self._path = Path(settings.path)
        self._queue: deque[Item] = deque()
        self._batch: list[Item] = []
        self._writer: HistoryWriter | None = None
        self._counts = dict.fromkeys(("written", "dropped", "refused", "late", "failures"), 0)
        self._count_lock = threading.Lock()
        self._trouble: str | None = None
        self._set_aside: str | None = None
        self._salvaged_rows = 0
        self._check_finished = True
        self._size_mb = 0.0
        self._shortened = False
        self._lost_inputs = 0
        self._taken = 0
        self._settled = 0
        self._progressed = threading.Condition()
        self._wake = threading.Event()
        self._closing = threading.Event()
        try:
            self._open()
        except (sqlite3.Error, OSError) as error:
            # A full disk must not stop the daemon: it can still judge, hold and warn.
            self._report(error)
        self._thread = threading.Thread(target=self._run, name="history", daemon=True)
        self._thread.start()

    def records(self, record: Record) -> None:
        """Take one record; when the queue is full it is dropped and counted."""
        self._take(record, 1.0 if record.kind == SAMPLE_KIND else RARE_ROOM)

    def inputs(self, event: Input) -> None:
        """Take what the engine was told; one thread may call this, the one that tells it."""
        if self._lost_inputs and self._take(Lost(event.at_s, self._lost_inputs), INPUT_ROOM):
            self._lost_inputs = 0
        if not self._take(event, INPUT_ROOM):
            self._lost_inputs += 1

    def save_state(self, data: bytes, *, at_s: float = 0.0, boot_id: str = "") -> None:
        """Keep a snapshot of the engine, together with all records before it."""
        self._take(EngineSnapshot(at_s, boot_id, data), RARE_ROOM)

    def load_state(self) -> bytes | None:
        """The newest sound snapshot of the engine, or None."""
        return newest_state(self._path)

    def put(self, collection: str, key: str, data: Any) -> None:  # noqa: ANN401 - any JSON
        """Keep something under a key until it is replaced or removed.

        Raises:
            TypeError: it cannot be written as JSON.
        """
        self._take(Entry(collection, key, orjson.dumps(data)), RARE_ROOM)

    def remove(self, collection: str, key: str) -> None:
        """Forget what is kept under a key; an unknown key is no error."""
        self._take(Entry(collection, key, None), RARE_ROOM)

    def entries(self, collection: str) -> dict[str, Any]:
        """What is kept in a collection, by key, as far as it has been written."""
        try:
            with closing(connect_read_only(self._path)) as connection:
                rows = connection.execute(
                    "SELECT key, data FROM entry WHERE collection = ? ORDER BY key", (collection,)
                )
                return {key: orjson.loads(data) for key, data in rows}
        except (sqlite3.Error, orjson.JSONDecodeError) as error:
            LOGGER.warning("The kept %s cannot be read: %s", collection, error)
            return {}

    def flush(self, timeout_s: float = 10.0) -> bool:
        """Wait until everything taken so far is written; False when time ran out first."""
        with self._count_lock:
            target = self._taken
        deadline = time.monotonic() + timeout_s
        with self._progressed:
            while self._settled < target:
                self._wake.set()
                left = deadline - time.monotonic()
                if left <= 0 or not self._thread.is_alive():
                    return False
                self._progressed.wait(min(left, 0.2))
        return True

    def health(self) -> HistoryHealth:
        """How the history is doing."""
        return HistoryHealth(
            **self._counts,
            pending=self._pending(),
            trouble=self._trouble,
            set_aside=self._set_aside,
            salvaged_rows=self._salvaged_rows,
            check_finished=self._check_finished,
            size_mb=self._size_mb,
            shortened=self._shortened,
        )

    def close(self, timeout_s: float = 10.0) -> bool:
        """Write what is left and close; False when that was not possible in time."""
        self._closing.set()
        self._wake.set()
        self._thread.join(timeout_s)
        return not self._thread.is_alive() and not self._pending()

    def _pending(self) -> int:
        return len(self._queue) + len(self._batch)

    def _take(self, item: Item, room: float) -> bool:
        with self._count_lock:
            if self._closing.is_set() or self._pending() >= self._settings.queue_rows * room:
                self._counts["dropped"] += 1
                return False
            # Both together: who flushes waits for as many as were taken before it asked.
            self._queue.append(item)
            self._taken += 1
        if len(self._queue) >= self._settings.batch_rows:
            self._wake.set()
        return True

    def _run(self) -> None:
        pause_s = FIRST_PAUSE_S
        while not self._closing.is_set():
            if self._trouble is None:
                self._wake.wait(self._settings.batch_s)
                pause_s = FIRST_PAUSE_S
            else:
                self._closing.wait(min(pause_s, LONGEST_PAUSE_S))
                pause_s = min(2 * pause_s, LONGEST_PAUSE_S)
            self._wake.clear()
            self._write_pending()
        self._write_pending()
        if self._writer is not None:
            self._writer.close()

    def _write_pending(self) -> None:
        while self._queue:
            self._batch.append(self._queue.popleft())
        if not self._batch:
            return
        try:
            written = self._write_batch()
        except Exception as error:  # noqa: BLE001 - whatever it is, this thread must go on trying
            self._counts["failures"] += 1
            self._report(error)
            return
        if self._trouble is not None:
            LOGGER.warning("The history is being written again.")
            self._trouble = None
        self._counts["written"] += written.rows
        self._counts["late"] += written.late
        self._counts["refused"] += len(written.refused)
        for reason in written.refused:
            LOGGER.error("The history could not keep one row, %s", reason)
        with self._progressed:
            self._settled += len(self._batch)
            self._batch = []
            self._progressed.notify_all()

    def _write_batch(self) -> Written:
        writer = self._writer or self._open()
        try:
            written = writer.write(self._batch)
        except sqlite3.Error as error:
            # A handle that saw trouble is not trusted again; opening also checks for damage.
            writer.close()
            self._writer = None
            if not is_damage(error):
                raise
            self._counts["failures"] += 1
            writer = self._open(known_damaged=True)
            written = writer.write(self._batch)
        self._size_mb = writer.size_mb()
        self._shortened = writer.retention_scale < 1
        return written

    def _open(self, *, known_damaged: bool = False) -> HistoryWriter:
        writer = self._writer = HistoryWriter(self._settings, known_damaged=known_damaged)
        self._check_finished = writer.check_finished
        self._size_mb = writer.size_mb()
        if writer.set_aside is not None:
            self._set_aside = str(writer.set_aside)
            self._salvaged_rows += writer.salvaged_rows
            LOGGER.error(
                "The history %s was damaged. It was moved to %s and a fresh one was started; "
                "%d rows of summaries, events and settings were saved.",
                self._path,
                writer.set_aside,
                writer.salvaged_rows,
            )
        return writer

    def _report(self, error: Exception) -> None:
        trouble = _sentence(error, self._path)
        if trouble != self._trouble:
            LOGGER.error("%s", trouble)
        self._trouble = trouble


def _sentence(error: Exception, path: Path) -> str:
    """What keeps the history from being written, and what helps."""
    kept = "New data is kept in memory meanwhile, as far as it fits."
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF
    if code == sqlite3.SQLITE_FULL:
        return f"The history {path} cannot be written: the disk is full. Free some space. {kept}"
    if code in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return f"The history {path} cannot be written: another program holds it. {kept}"
    if code == sqlite3.SQLITE_READONLY:
        return f"The history {path} cannot be written: it is read-only. {kept}"
    return f"The history {path} cannot be written: {error}. {kept}"
