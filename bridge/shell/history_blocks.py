"""The blocks of what the engine was told, inside the caller's transaction.

Each batch adds a small block, so that a power cut costs no more than for anything else. Small
blocks are gathered into one when there are enough of them, which makes them a tenth as large.
"""

import sqlite3
from collections.abc import Sequence
from typing import Final

from bridge.shell.history_fold import HOUR_MS
from bridge.shell.history_inputs import Input, pack, unpack
from bridge.shell.history_rows import to_ms

BLOCK_EVENTS: Final = 5000
"""Events that make a block; fewer when they took an hour to come."""


def add_block(connection: sqlite3.Connection, inputs: Sequence[Input]) -> None:
    """Keep some events, which are later than all that are kept."""
    if not inputs:
        return
    _insert(connection, inputs, gathered=len(inputs) >= BLOCK_EVENTS)
    loose, first_ms, last_ms = connection.execute(
        "SELECT sum(events), min(first), max(last) FROM input WHERE gathered = 0"
    ).fetchone()
    if loose and (loose >= BLOCK_EVENTS or last_ms // HOUR_MS > first_ms // HOUR_MS):
        _gather(connection)


def _gather(connection: sqlite3.Connection) -> None:
    rows = connection.execute("SELECT data FROM input WHERE gathered = 0 ORDER BY id").fetchall()
    inputs = [each for (data,) in rows for each in unpack(data)]
    connection.execute("DELETE FROM input WHERE gathered = 0")
    _insert(connection, inputs, gathered=True)


def _insert(connection: sqlite3.Connection, inputs: Sequence[Input], *, gathered: bool) -> None:
    times = [each.at_s for each in inputs]
    connection.execute(
        "INSERT INTO input (first, last, events, gathered, data) VALUES (?, ?, ?, ?, ?)",
        (to_ms(min(times)), to_ms(max(times)), len(inputs), int(gathered), pack(inputs)),
    )


def prune_blocks(connection: sqlite3.Connection, horizon_ms: int, *, step_ms: int) -> int:
    """Delete blocks before the horizon, but not more than one step of time.

    Returns:
        Blocks deleted.
    """
    oldest = connection.execute("SELECT min(first) FROM input").fetchone()[0]
    if oldest is None:
        return 0
    cut = min(horizon_ms, oldest + step_ms)
    return connection.execute("DELETE FROM input WHERE last < ?", (cut,)).rowcount
