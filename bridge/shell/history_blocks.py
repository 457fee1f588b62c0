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
    first_ms, last_ms = _ends(inputs)
    connection.execute(
        "INSERT INTO input_loose (first, last, events, data) VALUES (?, ?, ?, ?)",
        (first_ms, last_ms, len(inputs), pack(inputs)),
    )
    loose, first_ms = connection.execute(
        "SELECT sum(events), min(first) FROM input_loose"
    ).fetchone()
    if loose >= BLOCK_EVENTS or last_ms // HOUR_MS > first_ms // HOUR_MS:
        _gather(connection)


def _gather(connection: sqlite3.Connection) -> None:
    rows = connection.execute("SELECT data FROM input_loose ORDER BY id").fetchall()
    inputs = [each for (data,) in rows for each in unpack(data)]
    connection.execute("DELETE FROM input_loose")
    connection.execute(
        "INSERT INTO input (first, last, data) VALUES (?, ?, ?)", (*_ends(inputs), pack(inputs))
    )


def _ends(inputs: Sequence[Input]) -> tuple[int, int]:
    times = [each.at_s for each in inputs]
    return to_ms(min(times)), to_ms(max(times))


def prune_blocks(connection: sqlite3.Connection, horizon_ms: int, *, step_ms: int) -> int:
    """Delete blocks before the horizon, but not more than one step of time.

    Returns:
        Blocks deleted.
    """
    oldest = connection.execute("SELECT first FROM input ORDER BY id LIMIT 1").fetchone()
    if oldest is None:
        return 0
    cut = min(horizon_ms, oldest[0] + step_ms)
    return connection.execute("DELETE FROM input WHERE last < ?", (cut,)).rowcount
