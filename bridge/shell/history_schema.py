"""The tables of the history and the way from any older version to the present one.

A step that was ever released is never edited; a change is a new step at the end. Each step runs in
one transaction together with the version number, so that a power cut leaves the old version whole.
"""

import sqlite3
from typing import Final

from bridge.core.errors import UserError

APPLICATION_ID: Final = 0x54474831
"""Marks the file as ours ("TGH1"), so that another program's database is never touched."""

SUMMARY_COLUMNS: Final = """
    n INTEGER NOT NULL,
    salinity_n INTEGER NOT NULL, salinity_min REAL, salinity_mean REAL, salinity_max REAL,
    uncertainty_n INTEGER NOT NULL,
    uncertainty_min REAL, uncertainty_mean REAL, uncertainty_max REAL,
    probe_salinity_n INTEGER NOT NULL,
    probe_salinity_min REAL, probe_salinity_mean REAL, probe_salinity_max REAL,
    temperature_n INTEGER NOT NULL,
    temperature_min REAL, temperature_mean REAL, temperature_max REAL,
    worst INTEGER NOT NULL,
    none_ms INTEGER NOT NULL, bubbles_ms INTEGER NOT NULL, interference_ms INTEGER NOT NULL,
    adjacent_probe_ms INTEGER NOT NULL, compensation_ms INTEGER NOT NULL,
    drift_ms INTEGER NOT NULL, plume_ms INTEGER NOT NULL, exposed_ms INTEGER NOT NULL,
    stuck_ms INTEGER NOT NULL, silent_ms INTEGER NOT NULL, invalid_ms INTEGER NOT NULL,
    dilution_ms INTEGER NOT NULL, concentration_ms INTEGER NOT NULL,
    unexplained_ms INTEGER NOT NULL,
"""

# Rows of a tank lie together, in time order, without a second tree for an index: that halves the
# pages written for each batch.
STEPS: Final = (
    f"""
    CREATE TABLE word (id INTEGER PRIMARY KEY, text TEXT NOT NULL UNIQUE) STRICT;
    CREATE TABLE sample (
        tank INTEGER NOT NULL, at INTEGER NOT NULL,
        boot_id INTEGER, reported_unit INTEGER, specific_gravity_reference INTEGER,
        quality INTEGER, ne107 INTEGER, cause INTEGER, seq INTEGER, qartod INTEGER,
        salinity REAL, uncertainty REAL, probe_salinity REAL, reported REAL, temperature REAL,
        conductivity_25c REAL, specific_gravity REAL, extra BLOB,
        PRIMARY KEY (tank, at)
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE minute (
        tank INTEGER NOT NULL, at INTEGER NOT NULL, {SUMMARY_COLUMNS} PRIMARY KEY (tank, at)
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE hour (
        tank INTEGER NOT NULL, at INTEGER NOT NULL, {SUMMARY_COLUMNS} PRIMARY KEY (tank, at)
    ) STRICT, WITHOUT ROWID;
    CREATE TABLE progress (
        tank INTEGER PRIMARY KEY, folded_to INTEGER NOT NULL,
        full_from INTEGER NOT NULL, minute_from INTEGER NOT NULL
    ) STRICT;
    CREATE TABLE event (
        id INTEGER PRIMARY KEY, tank INTEGER NOT NULL, kind INTEGER NOT NULL,
        at INTEGER NOT NULL, data BLOB NOT NULL
    ) STRICT;
    CREATE INDEX event_by_time ON event (tank, kind, at);
    CREATE TABLE engine_state (
        id INTEGER PRIMARY KEY, boot_id TEXT NOT NULL, at INTEGER NOT NULL, data BLOB NOT NULL
    ) STRICT;
    """,
    """
    CREATE TABLE entry (
        collection TEXT NOT NULL, key TEXT NOT NULL, data BLOB NOT NULL,
        PRIMARY KEY (collection, key)
    ) STRICT, WITHOUT ROWID;
    """,
    # What the engine was told, for judging it again. Blocks lie in the order of time; without an
    # index and with the small ones apart, a batch writes one page more and not four.
    """
    CREATE TABLE input (
        id INTEGER PRIMARY KEY, first INTEGER NOT NULL, last INTEGER NOT NULL, data BLOB NOT NULL
    ) STRICT;
    CREATE TABLE input_loose (
        id INTEGER PRIMARY KEY, first INTEGER NOT NULL, last INTEGER NOT NULL,
        events INTEGER NOT NULL, data BLOB NOT NULL
    ) STRICT;
    """,
)
VERSION: Final = len(STEPS)


class HistoryError(UserError):
    """The history cannot be used; the message is a plain sentence for the keeper."""


def version_of(connection: sqlite3.Connection) -> int:
    """The schema version of an open file; 0 for an empty one."""
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def refuse_strangers(connection: sqlite3.Connection, path: str) -> None:
    """Refuse a database that is another program's or a newer version's.

    Raises:
        HistoryError: it must not be written to, nor moved aside.
    """
    tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    application = connection.execute("PRAGMA application_id").fetchone()[0]
    if tables and application != APPLICATION_ID:
        raise HistoryError(
            f"{path} is a database of another program. Choose another [storage] path."
        )
    found = version_of(connection)
    if found > VERSION:
        raise HistoryError(
            f"{path} was written by a newer version of Tidegate (format {found}; this one knows "
            f"up to {VERSION}). Install that version again, or choose another [storage] path."
        )


def migrate(connection: sqlite3.Connection, to_version: int = VERSION) -> int:
    """Bring the tables to a version, one step and one transaction at a time.

    Returns:
        The version that was found.
    """
    found = version_of(connection)
    for number in range(found, to_version):
        # executescript() would commit an open transaction first; it is opened inside the script.
        connection.executescript(
            f"BEGIN IMMEDIATE; {STEPS[number]} PRAGMA application_id = {APPLICATION_ID}; "
            f"PRAGMA user_version = {number + 1}; COMMIT;"
        )
    return found
