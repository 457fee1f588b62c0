"""The history's file: opened with care, checked, and set aside when it is damaged."""

import os
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from bridge.shell.history_schema import HistoryError, migrate, refuse_strangers

SIDE_FILES: Final = ("", "-wal", "-shm")

KEPT_ASIDE: Final = 3
"""Damaged files that are kept, so that they cannot fill the disk either."""

SALVAGE_S: Final = 20.0
"""Longest time that is spent on reading what a damaged file still gives."""

SALVAGED: Final = {
    "word": ("id",),
    "engine_state": ("id",),
    "entry": ("collection", "key"),
    "event": ("id",),
    "hour": ("tank", "at"),
    "minute": ("tank", "at"),
    "progress": ("tank",),
}
"""Tables worth saving with their keys, the dearest first. Single samples are too many; their
summaries stand for them."""

CHECKED: Final = (
    "word",
    "engine_state",
    "entry",
    "progress",
    "event",
    "hour",
    "minute",
    "sample",
    "input",
    "input_loose",
)
"""Tables in the order of the check, so that a time limit falls on the least dear ones."""


@dataclass(frozen=True, slots=True)
class Opened:
    """An open file and what was found on the way."""

    connection: sqlite3.Connection
    set_aside: Path | None
    """Where a damaged file was moved to."""
    salvaged_rows: int
    check_finished: bool
    """False when the time limit ended the check; nothing wrong was found until then."""


def is_damage(error: sqlite3.Error) -> bool:
    """Whether an error says that the file itself is broken, not the disk or a lock."""
    code = getattr(error, "sqlite_errorcode", None)
    return code is not None and code & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def open_history(
    path: Path,
    check_s: float,
    *,
    known_damaged: bool = False,
    clock: Callable[[], float] = time.time,
) -> Opened:
    """Open for writing; a damaged file is set aside and a fresh one takes its place.

    Args:
        path: The file; it is created, with its directory, when it is missing.
        check_s: Longest time to look for damage.
        known_damaged: Writing met damage already, so no check need find it.
        clock: Wall time, for the name of a damaged file. [Unix s]

    Raises:
        HistoryError: the file must not or may not be used.
        sqlite3.Error: the disk is full, or another trouble that may pass.
    """
    _prepare(path)
    try:
        if known_damaged:
            raise _damage("damage was met while writing")
        connection = _connect(path)
        try:
            refuse_strangers(connection, str(path))
            finished = _check(connection, check_s)
            migrate(connection)
        except BaseException:
            connection.close()
            raise
        return Opened(connection, None, 0, finished)
    except sqlite3.DatabaseError as error:
        if not is_damage(error):
            raise
    aside = set_aside(path, clock())
    _prepare(path)
    connection = _connect(path)
    try:
        migrate(connection)
        rows = _salvage(aside, connection)
    except BaseException:
        connection.close()
        raise
    return Opened(connection, aside, rows, check_finished=True)


def _prepare(path: Path) -> None:
    """Create directory and file for the owner only; neither may ever be world-readable."""
    try:
        missing = [folder for folder in (path.parent, *path.parent.parents) if not folder.exists()]
        for folder in reversed(missing):
            folder.mkdir(mode=0o700, exist_ok=True)
        # SQLite gives its side files the mode of the file itself.
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600))
        path.chmod(0o600)
    except OSError as error:
        if isinstance(error, PermissionError | NotADirectoryError | IsADirectoryError):
            raise HistoryError(
                f"The history cannot be kept in {path}: {error.strerror}. Choose a [storage] path "
                "in a directory that this user may write to."
            ) from error
        raise sqlite3.OperationalError(f"{error.strerror}: {path}") from error


def _connect(path: Path) -> sqlite3.Connection:
    # The writer's thread uses the connection after the starting thread opened it.
    connection = sqlite3.connect(
        path, timeout=5.0, isolation_level=None, check_same_thread=False, cached_statements=256
    )
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        # NORMAL would leave whole batches to the operating system's mercy in a power cut.
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA journal_size_limit = 16777216")
        connection.execute("PRAGMA cache_size = -2000")
    except BaseException:
        connection.close()
        raise
    return connection


def _damage(what: str) -> sqlite3.DatabaseError:
    """The error that SQLite itself raises for damage."""
    error = sqlite3.DatabaseError(what)
    error.sqlite_errorcode = sqlite3.SQLITE_CORRUPT
    return error


def _check(connection: sqlite3.Connection, limit_s: float) -> bool:
    """Look for damage for at most ``limit_s``.

    Returns:
        Whether the check came to its end.

    Raises:
        sqlite3.DatabaseError: with SQLite's code for damage.
    """
    deadline = time.monotonic() + limit_s
    connection.set_progress_handler(lambda: time.monotonic() > deadline, 5000)
    present = {name for (name,) in connection.execute("SELECT name FROM sqlite_master")}
    try:
        for table in CHECKED:
            if table not in present:
                continue
            found = connection.execute(f"PRAGMA quick_check({table})").fetchone()[0]
            if found != "ok":
                raise _damage(found)
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode != sqlite3.SQLITE_INTERRUPT:
            raise
        return False
    finally:
        connection.set_progress_handler(None, 0)
    return True


def set_aside(path: Path, now_s: float) -> Path:
    """Rename a damaged file and its side files; the oldest of several go.

    Returns:
        The new name.
    """
    stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime(now_s))
    aside = path.with_name(f"{path.name}.damaged-{stamp}")
    number = 1
    while aside.exists():
        number += 1
        aside = path.with_name(f"{path.name}.damaged-{stamp}-{number}")
    for side in SIDE_FILES:
        source = Path(f"{path}{side}")
        if source.exists():
            source.rename(f"{aside}{side}")
    older = sorted(
        (
            file
            for file in path.parent.glob(f"{path.name}.damaged-*")
            if file.suffix[-4:] not in ("-wal", "-shm")
        ),
        key=lambda file: (file.stat().st_mtime_ns, file.name),
    )
    for file in [file for file in older if file != aside][: -(KEPT_ASIDE - 1)]:
        for side in SIDE_FILES:
            Path(f"{file}{side}").unlink(missing_ok=True)
    return aside


def _salvage(damaged: Path, fresh: sqlite3.Connection) -> int:
    """Copy what can still be read, from the front and, past the damage, from the back."""
    deadline = time.monotonic() + SALVAGE_S
    rows = 0
    try:
        source = sqlite3.connect(f"file:{damaged}?mode=rw", uri=True)
    except sqlite3.Error:
        return rows
    with closing(source):
        source.set_progress_handler(lambda: time.monotonic() > deadline, 5000)
        fresh.execute("BEGIN IMMEDIATE")
        for table, key in SALVAGED.items():
            for order in ("ASC", "DESC"):
                copied, whole = _copy(source, fresh, table, key, order)
                rows += copied
                if whole:
                    break
            if not rows:
                # Nothing else has a meaning without the words, which come first.
                break
        # The single samples are gone: from now on the summaries speak for that time.
        fresh.execute("UPDATE progress SET full_from = max(full_from, folded_to)")
        fresh.execute("COMMIT")
    return rows


def _copy(
    source: sqlite3.Connection,
    target: sqlite3.Connection,
    table: str,
    key: tuple[str, ...],
    order: str,
) -> tuple[int, bool]:
    """Copy a table until its end or its damage; how many rows, and whether it was the end."""
    columns = [row[1] for row in target.execute(f"PRAGMA table_info({table})")]
    names = ", ".join(columns)
    by = ", ".join(f"{column} {order}" for column in key)
    marks = ", ".join("?" * len(columns))
    insert = f"INSERT OR IGNORE INTO {table} ({names}) VALUES ({marks})"  # noqa: S608 - own names
    copied = 0
    try:
        for row in source.execute(f"SELECT {names} FROM {table} ORDER BY {by}"):  # noqa: S608
            # A strict table refuses a value that damage turned into another type.
            with suppress(sqlite3.IntegrityError):
                copied += target.execute(insert, row).rowcount
    except sqlite3.DatabaseError:
        return copied, False
    return copied, True
