"""What becomes of the samples with time: summarised, then thinned out.

All functions work inside the caller's transaction. "Now" is always the time of the newest record,
so a wrong clock must not be able to do much harm: thinning goes in small steps.
"""

import sqlite3
from dataclasses import dataclass
from typing import Final

from bridge.core.findings import Flag
from bridge.shell.history_blocks import prune_blocks
from bridge.shell.history_fold import (
    CAUSES,
    COLUMNS,
    HOUR_MS,
    MERGE,
    MINUTE_MS,
    QUANTITIES,
    RANK,
    FoldedSample,
    fold,
)
from bridge.shell.history_rows import Words
from bridge.shell.storage_settings import StorageSettings

DAY_MS: Final = 24 * HOUR_MS

FOLD_EVERY_MS: Final = 5 * MINUTE_MS
"""Summaries are written in groups of this length: fewer pages written than one by one."""

FOLD_CHUNK_MS: Final = 6 * HOUR_MS
"""Samples of at most this much time are held in memory at once."""

PRUNE_EVERY_MS: Final = HOUR_MS

PRUNE_STEP_MS: Final = 4 * HOUR_MS
"""Most that one pass takes away of each kind: a clock that is wrong for an hour costs four hours
of detail, not everything. Four times the speed of time is enough to catch up after a pause."""

FULL_KINDS: Final = ("level",)
"""Events that come as often as samples, and are kept as long as these."""

MINUTE_KINDS: Final = ("equipment",)
"""Events that are many, and are kept as long as the minute summaries."""


@dataclass(slots=True)
class Progress:
    """How far the summaries of a tank reach, and from where on the finer rows still exist."""

    folded_to: int = 0
    full_from: int = 0
    minute_from: int = 0


def load_progress(connection: sqlite3.Connection) -> dict[int, Progress]:
    """The progress of each tank."""
    rows = connection.execute("SELECT tank, folded_to, full_from, minute_from FROM progress")
    return {tank: Progress(*rest) for tank, *rest in rows}


def save_progress(connection: sqlite3.Connection, tank: int, progress: Progress) -> None:
    """Keep the progress of a tank."""
    connection.execute(
        "INSERT OR REPLACE INTO progress (tank, folded_to, full_from, minute_from) "
        "VALUES (?, ?, ?, ?)",
        (tank, progress.folded_to, progress.full_from, progress.minute_from),
    )


def read_samples(
    connection: sqlite3.Connection, words: Words, tank: int, from_ms: int, to_ms: int
) -> list[FoldedSample]:
    """What ``fold`` needs of a span: its samples, the one before, and the one after."""
    place = {words.find(cause.value): index for index, cause in enumerate(CAUSES)}
    not_evaluated = RANK[Flag.NOT_EVALUATED]
    rows = connection.execute(
        f"""
        SELECT at, coalesce(boot_id, 0), cause, qartod, {", ".join(QUANTITIES)}
        FROM sample WHERE tank = :tank
        AND at >= coalesce((SELECT max(at) FROM sample WHERE tank = :tank AND at < :from), :from)
        AND at <= coalesce((SELECT min(at) FROM sample WHERE tank = :tank AND at >= :to), :to)
        ORDER BY at
        """,  # noqa: S608 - own column names
        {"tank": tank, "from": from_ms, "to": to_ms},
    )
    return [
        (
            at,
            boot,
            None if cause is None else place.get(cause),
            RANK.get(qartod, not_evaluated),
            *values,
        )
        for at, boot, cause, qartod, *values in rows
    ]


def summarise(
    connection: sqlite3.Connection, words: Words, tank: int, progress: Progress, newest_ms: int
) -> bool:
    """Bring the summaries of a tank up to the minute of its newest sample.

    Returns:
        Whether there was enough new time to be worth it; ``progress`` has moved then.
    """
    end = newest_ms - newest_ms % MINUTE_MS
    if end - progress.folded_to < FOLD_EVERY_MS:
        return False
    start = progress.folded_to
    position = start
    while position < end:
        stop = min(end, position - position % FOLD_CHUNK_MS + FOLD_CHUNK_MS)
        samples = read_samples(connection, words, tank, position, stop)
        connection.execute(
            "DELETE FROM minute WHERE tank = ? AND at >= ? AND at < ?", (tank, position, stop)
        )
        summaries = fold(samples, width_ms=MINUTE_MS, from_ms=position, to_ms=stop)
        connection.executemany(
            f"INSERT INTO minute (tank, {COLUMNS}) "  # noqa: S608 - own column names
            f"VALUES (?{', ?' * len(COLUMNS.split(','))})",
            [(tank, *summary.row()) for summary in summaries],
        )
        position = stop
        if not summaries:
            position = max(stop, _next_sample_minute(connection, tank, stop, end))
    _summarise_hours(connection, tank, start - start % HOUR_MS, end - end % HOUR_MS)
    progress.folded_to = end
    save_progress(connection, tank, progress)
    return True


def _next_sample_minute(connection: sqlite3.Connection, tank: int, from_ms: int, to_ms: int) -> int:
    """Where the next sample lies, so that an empty time costs nothing."""
    at = connection.execute(
        "SELECT min(at) FROM sample WHERE tank = ? AND at >= ? AND at < ?", (tank, from_ms, to_ms)
    ).fetchone()[0]
    return to_ms if at is None else int(at) - int(at) % MINUTE_MS


def _summarise_hours(connection: sqlite3.Connection, tank: int, from_ms: int, to_ms: int) -> None:
    """Make the hour summaries anew from the minute summaries of complete hours."""
    if from_ms >= to_ms:
        return
    span = (tank, from_ms, to_ms)
    connection.execute("DELETE FROM hour WHERE tank = ? AND at >= ? AND at < ?", span)
    connection.execute(
        f"INSERT INTO hour (tank, {COLUMNS}) SELECT tank, at / {HOUR_MS} * {HOUR_MS} AS base, "  # noqa: S608
        f"{MERGE} FROM minute WHERE tank = ? AND at >= ? AND at < ? GROUP BY base",
        span,
    )


def prune(
    connection: sqlite3.Connection,
    words: Words,
    settings: StorageSettings,
    progress: dict[int, Progress],
    *,
    now_ms: int,
    scale: float,
) -> int:
    """Take one step towards the configured retention.

    ``scale`` is 1, or less when the file is too large; it shortens all but hours and events.

    Returns:
        Rows deleted.
    """
    full = now_ms - round(settings.full_days * scale * DAY_MS)
    minute = now_ms - round(settings.minute_days * scale * DAY_MS)
    ever = None if settings.hour_days is None else now_ms - round(settings.hour_days * DAY_MS)
    inputs = now_ms - round(settings.input_days * scale * DAY_MS)
    deleted = prune_blocks(connection, inputs, step_ms=PRUNE_STEP_MS)
    for tank, state in progress.items():
        before = (state.full_from, state.minute_from)
        count, cut = _step(connection, "sample", (tank,), min(full, state.folded_to))
        state.full_from = max(state.full_from, cut)
        deleted += count
        count, cut = _step(connection, "minute", (tank,), min(minute, state.full_from))
        state.minute_from = max(state.minute_from, cut)
        deleted += count
        if ever is not None:
            deleted += _step(connection, "hour", (tank,), ever)[0]
        if before != (state.full_from, state.minute_from):
            save_progress(connection, tank, state)
    for tank, kind in connection.execute("SELECT DISTINCT tank, kind FROM event").fetchall():
        name = words.text(kind)
        horizon = full if name in FULL_KINDS else minute if name in MINUTE_KINDS else ever
        if horizon is not None:
            deleted += _step(connection, "event", (tank, kind), horizon)[0]
    return deleted


def _step(
    connection: sqlite3.Connection, table: str, key: tuple[int, ...], horizon_ms: int
) -> tuple[int, int]:
    """Delete rows before the horizon, but not more than one step of time.

    Returns:
        Rows deleted, and the time before which none are left (0 when none was deleted).
    """
    where = "tank = ?" if len(key) == 1 else "tank = ? AND kind = ?"
    oldest = connection.execute(f"SELECT min(at) FROM {table} WHERE {where}", key).fetchone()[0]  # noqa: S608
    if oldest is None:
        return 0, 0
    # Whole hours, so that no hour summary is ever made again from a part of its minutes.
    cut = min(horizon_ms, oldest + PRUNE_STEP_MS)
    cut -= cut % HOUR_MS
    if cut <= oldest:
        return 0, 0
    cursor = connection.execute(f"DELETE FROM {table} WHERE {where} AND at < ?", (*key, cut))  # noqa: S608
    return cursor.rowcount, cut
