"""One batch of items into the open file, as one transaction."""

import sqlite3
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import zstandard

from bridge.core.outputs import Record
from bridge.shell.history_blocks import add_block
from bridge.shell.history_file import open_history
from bridge.shell.history_fold import MINUTE_MS
from bridge.shell.history_inputs import Input
from bridge.shell.history_retention import (
    PRUNE_EVERY_MS,
    Progress,
    load_progress,
    prune,
    save_progress,
    summarise,
)
from bridge.shell.history_rows import (
    KEYS,
    SAMPLE_KIND,
    EventRow,
    SampleRow,
    Words,
    event_row,
    sample_row,
    to_ms,
)
from bridge.shell.storage_settings import StorageSettings

KEPT_STATES: Final = 2
"""The engine's last snapshots; the older one serves if the newer one was damaged. The first one of
each day stays as long as what the engine was told, for judging that again."""
DAY_MS: Final = 86_400_000

SHRINK: Final = 0.9
"""What a pass leaves of the retention while the file is too large."""

ROOM: Final = 0.8
"""Below this part of the largest size, a shortened retention grows again."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One thing to keep under a key until it is replaced or removed."""

    collection: str
    key: str
    data: bytes | None
    """JSON; None removes the entry."""


@dataclass(frozen=True, slots=True)
class EngineSnapshot:
    """The engine's state as bytes that only the engine understands."""

    at_s: float
    boot_id: str
    data: bytes


Item = Record | Entry | EngineSnapshot | Input


@dataclass(frozen=True, slots=True)
class Written:
    """What became of a batch."""

    rows: int
    late: int
    """Samples older than the full resolution that is still kept: left out."""
    refused: tuple[str, ...]
    """Why single items could not be stored."""


class HistoryWriter:
    """The open file and what is known about it; used by one thread at a time."""

    def __init__(self, settings: StorageSettings, *, known_damaged: bool = False) -> None:
        self._settings = settings
        opened = open_history(Path(settings.path), settings.check_s, known_damaged=known_damaged)
        self._connection = opened.connection
        self.set_aside = opened.set_aside
        self.salvaged_rows = opened.salvaged_rows
        self.check_finished = opened.check_finished
        self._words = Words(self._connection)
        self._progress = load_progress(self._connection)
        self._newest: dict[int, int] = {}
        self._next_prune_ms: int | None = None
        self._scale = 1.0

    @property
    def retention_scale(self) -> float:
        """1, or less while the largest size shortens the retention."""
        return self._scale

    def size_mb(self) -> float:
        """Size of the data in MB, without the pages of the file that are free again."""
        pages, free, size = (
            self._connection.execute(f"PRAGMA {name}").fetchone()[0]
            for name in ("page_count", "freelist_count", "page_size")
        )
        return float((pages - free) * size / 1e6)

    def write(self, items: Sequence[Item]) -> Written:
        """Store a batch completely or not at all.

        Raises:
            sqlite3.Error: nothing was stored.
        """
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            written = self._write(items)
            self._connection.execute("COMMIT")
        except BaseException:
            with suppress(sqlite3.Error):
                self._connection.execute("ROLLBACK")
            with suppress(sqlite3.Error):
                self._words.forget()
                self._progress = load_progress(self._connection)
            raise
        return written

    def close(self) -> None:
        """Close the file; SQLite folds the write-ahead log into it."""
        self._connection.close()

    def _write(self, items: Sequence[Item]) -> Written:
        samples: list[SampleRow] = []
        events: list[EventRow] = []
        inputs: list[Input] = []
        refused: list[str] = []
        newest_ms: int | None = None
        for item in items:
            try:
                match item:
                    case Record(kind=kind) if kind == SAMPLE_KIND:
                        row = sample_row(item, self._words)
                        samples.append(row)
                        newest_ms = row[1]
                    case Record():
                        event = event_row(item, self._words)
                        events.append(event)
                        newest_ms = event[2]
                    case Entry():
                        self._write_entry(item)
                    case EngineSnapshot():
                        self._write_snapshot(item)
                    case _:
                        to_ms(item.at_s)
                        inputs.append(item)
            except (TypeError, ValueError, OverflowError) as error:
                refused.append(f"{_name(item)}: {error}")
        self._connection.executemany(
            "INSERT INTO event (tank, kind, at, data) VALUES (?, ?, ?, ?)", events
        )
        add_block(self._connection, inputs)
        late = self._write_samples(samples)
        if newest_ms is not None:
            self._maintain(newest_ms)
        return Written(len(items) - len(refused) - late, late, tuple(refused))

    def _write_samples(self, rows: list[SampleRow]) -> int:
        in_time: list[SampleRow] = []
        oldest: dict[int, int] = {}
        for row in rows:
            tank, at_ms = row[0], row[1]
            progress = self._progress.get(tank)
            if progress is None:
                progress = self._progress[tank] = Progress()
                save_progress(self._connection, tank, progress)
            if at_ms < progress.full_from:
                continue
            in_time.append(row)
            oldest[tank] = min(at_ms, oldest.get(tank, at_ms))
            self._newest[tank] = at_ms
        self._connection.executemany(_INSERT_SAMPLE, in_time)
        for tank, at_ms in oldest.items():
            progress = self._progress[tank]
            if at_ms < progress.folded_to:
                # A sample from before the summaries' end: they are made again from there.
                progress.folded_to = at_ms - at_ms % MINUTE_MS
                save_progress(self._connection, tank, progress)
            summarise(self._connection, self._words, tank, progress, self._newest[tank])
        return len(rows) - len(in_time)

    def _write_entry(self, entry: Entry) -> None:
        if entry.data is None:
            self._connection.execute(
                "DELETE FROM entry WHERE collection = ? AND key = ?", (entry.collection, entry.key)
            )
        else:
            self._connection.execute(
                "INSERT OR REPLACE INTO entry (collection, key, data) VALUES (?, ?, ?)",
                (entry.collection, entry.key, entry.data),
            )

    def _write_snapshot(self, snapshot: EngineSnapshot) -> None:
        # The checksum in the frame tells a damaged snapshot from a sound one.
        packed = zstandard.ZstdCompressor(level=3, write_checksum=True).compress(snapshot.data)
        cursor = self._connection.execute(
            "INSERT INTO engine_state (boot_id, at, data) VALUES (?, ?, ?)",
            (snapshot.boot_id, to_ms(snapshot.at_s), packed),
        )
        self._connection.execute(
            "DELETE FROM engine_state WHERE id <= ? AND (at < ? OR id NOT IN "
            "(SELECT min(id) FROM engine_state GROUP BY at / ?))",
            (
                (cursor.lastrowid or 0) - KEPT_STATES,
                to_ms(snapshot.at_s) - round(self._settings.input_days * DAY_MS),
                DAY_MS,
            ),
        )

    def _maintain(self, now_ms: int) -> None:
        if self._next_prune_ms is None:
            self._next_prune_ms = now_ms
        # A clock that went back must not stop the thinning until it has caught up.
        if self._next_prune_ms - PRUNE_EVERY_MS <= now_ms < self._next_prune_ms:
            return
        self._next_prune_ms = now_ms + PRUNE_EVERY_MS
        size_mb = self.size_mb()
        if size_mb > self._settings.largest_mb:
            self._scale *= SHRINK
        elif size_mb < ROOM * self._settings.largest_mb:
            self._scale = min(1.0, self._scale / SHRINK)
        prune(
            self._connection,
            self._words,
            self._settings,
            self._progress,
            now_ms=now_ms,
            scale=self._scale,
        )


_INSERT_SAMPLE: Final = (
    f"INSERT OR REPLACE INTO sample (tank, at, {', '.join(KEYS)}, extra) "  # noqa: S608 - own names
    f"VALUES (?, ?, {'?, ' * len(KEYS)}?)"
)


def _name(item: Item) -> str:
    match item:
        case Record():
            return f"{item.kind} of {item.tank}"
        case Entry():
            return f"entry of {item.collection}"
        case EngineSnapshot():
            return "state of the engine"
        case _:
            return "what the engine was told"
