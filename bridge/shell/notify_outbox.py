"""What is still to be sent, in a small file of its own: written before anything is sent.

The state of the desks (who has been told what) and the messages that follow from it are written in
one transaction, so that after a crash either both are known or neither is. The history is not
used for this: it gathers its writes to spare the flash card, and an alert cannot wait for that.
"""

import os
import sqlite3
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from bridge.shell.notify_text import Message, Tone

APPLICATION_ID: Final = 0x54474E31
"""Marks the file as ours ("TGN1")."""
VERSION: Final = 2
FIRST_PAUSE_S: Final = 5.0
LONGEST_PAUSE_S: Final = 600.0
"""Between two tries while a service fails."""
GIVE_UP_S: Final = 3 * 86400.0
"""An alert that could not be sent for three days helps nobody any more."""
KEPT_FINISHED: Final = 200
DELIVERY: Final = (
    "id, target, title, body, tone, tank, report_from, report_to, written_at, attempts, unsure"
)
BUSY_S: Final = 10.0
"""Longest wait for another process that is writing."""

SCHEMA: Final = f"""
    BEGIN IMMEDIATE;
    CREATE TABLE IF NOT EXISTS desk (target TEXT PRIMARY KEY, state BLOB NOT NULL) STRICT;
    CREATE TABLE IF NOT EXISTS delivery (
        number INTEGER PRIMARY KEY,
        id TEXT NOT NULL UNIQUE,
        target TEXT NOT NULL,
        title TEXT NOT NULL,
        body TEXT NOT NULL,
        tone TEXT NOT NULL,
        tank TEXT NOT NULL,
        written_at REAL NOT NULL,
        due_at REAL NOT NULL,
        attempts INTEGER NOT NULL DEFAULT 0,
        pauses INTEGER NOT NULL DEFAULT 0,
        phase TEXT NOT NULL DEFAULT 'waiting'
            CHECK (phase IN ('waiting', 'sending', 'delivered', 'given-up')),
        unsure INTEGER NOT NULL DEFAULT 0,
        error TEXT,
        report_from REAL,
        report_to REAL
    ) STRICT;
    PRAGMA application_id = {APPLICATION_ID};
    PRAGMA user_version = {VERSION};
    COMMIT;
"""
FROM_VERSION_1: Final = f"""
    BEGIN IMMEDIATE;
    ALTER TABLE delivery ADD COLUMN report_from REAL;
    ALTER TABLE delivery ADD COLUMN report_to REAL;
    PRAGMA user_version = {VERSION};
    COMMIT;
"""

CLAIM: Final = f"""
    UPDATE delivery SET phase = 'sending', attempts = attempts + 1
    WHERE number = (SELECT min(number) FROM delivery WHERE phase = 'waiting' AND target = ?)
    AND due_at <= ?
    RETURNING {DELIVERY}
"""  # noqa: S608 # own names


class OutboxError(Exception):
    """The file belongs to something else."""


@dataclass(frozen=True, slots=True)
class Delivery:
    """A message on its way to a target."""

    id: str
    """The same for every attempt, so that a service can drop a repeat."""
    target: str
    message: Message
    written_at_s: float
    attempts: int = 0
    unsure: bool = False
    """An attempt was cut off, and the service may have had it."""


@dataclass(frozen=True, slots=True)
class Tally:
    """How many messages there are in each phase, of the newest ones."""

    waiting: int
    delivered: int
    given_up: int


class Outbox:
    """The open file. Used by one thread of one process at a time; processes may share the file.

    Raises:
        sqlite3.Error, OSError: It cannot be opened or created.
        OutboxError: It is another program's.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        # SQLite gives its side files the mode of the file itself.
        os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600))
        path.chmod(0o600)
        self._connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
        try:
            self._prepare()
        except BaseException:
            self._connection.close()
            raise

    def close(self) -> None:
        """Close the file."""
        self._connection.close()

    def desks(self) -> dict[str, bytes]:
        """The saved state of each target's desk."""
        return dict(self._connection.execute("SELECT target, state FROM desk"))

    def save(
        self, desks: Mapping[str, bytes], deliveries: Iterable[Delivery], *, at_s: float
    ) -> None:
        """Keep the desks and new messages, completely or not at all.

        Raises:
            sqlite3.Error: Nothing was kept.
        """
        connection = self._connection
        connection.execute("BEGIN IMMEDIATE")
        try:
            connection.executemany(
                "INSERT OR REPLACE INTO desk (target, state) VALUES (?, ?)", desks.items()
            )
            connection.executemany(
                "INSERT INTO delivery "
                "(id, target, title, body, tone, tank, report_from, report_to, written_at, due_at) "
                "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                [
                    (
                        delivery.id,
                        delivery.target,
                        delivery.message.title,
                        delivery.message.body,
                        delivery.message.tone.value,
                        delivery.message.tank,
                        *(delivery.message.report_s or (None, None)),
                        delivery.written_at_s,
                        at_s,
                    )
                    for delivery in deliveries
                ],
            )
            connection.execute("COMMIT")
        except BaseException:
            with suppress(sqlite3.Error):
                connection.execute("ROLLBACK")
            raise

    def unsent(self) -> list[Delivery]:
        """Everything that has not arrived yet."""
        rows = self._connection.execute(
            f"SELECT {DELIVERY} FROM delivery WHERE phase IN ('waiting', 'sending') ORDER BY number"  # noqa: S608
        )
        return [_delivery(row) for row in rows]

    def busy_targets(self) -> set[str]:
        """Targets with a message that has not arrived yet."""
        rows = self._connection.execute(
            "SELECT DISTINCT target FROM delivery WHERE phase IN ('waiting', 'sending')"
        )
        return {target for (target,) in rows}

    def is_due(self, targets: Iterable[str], at_s: float) -> bool:
        """Whether something could be sent now, or was being sent when a process ended."""
        rows = self._connection.execute(
            "SELECT DISTINCT target FROM delivery "
            "WHERE phase = 'sending' OR (phase = 'waiting' AND due_at <= ?)",
            (at_s,),
        )
        return not {target for (target,) in rows}.isdisjoint(targets)

    def hurry(self, at_s: float) -> None:
        """Try again at once what waits for its next attempt, and soon what is being tried."""
        self._connection.execute(
            "UPDATE delivery SET pauses = 0, due_at = min(due_at, ?) "
            "WHERE phase IN ('waiting', 'sending')",
            (at_s,),
        )

    def mend_times(self, at_s: float) -> None:
        """After the clock was set back, wait no longer than the longest pause."""
        self._connection.execute(
            "UPDATE delivery SET due_at = ? WHERE phase = 'waiting' AND due_at > ?",
            (at_s, at_s + LONGEST_PAUSE_S),
        )

    def recover(self) -> int:
        """Put back what another process was sending when it was cut off.

        To be called only by a process that is certain to be the only one sending.
        """
        return self._connection.execute(
            "UPDATE delivery SET phase = 'waiting', unsure = 1 WHERE phase = 'sending'"
        ).rowcount

    def claim(self, targets: Iterable[str], at_s: float) -> list[Delivery]:
        """Mark the oldest message of each target as being sent, where it is due."""
        claimed = []
        for target in targets:
            rows = self._connection.execute(
                CLAIM,
                (target, at_s),
            ).fetchall()
            claimed += [_delivery(row) for row in rows]
        return claimed

    def delivered(self, delivery: Delivery) -> None:
        """It has arrived."""
        self._connection.execute(
            "UPDATE delivery SET phase = 'delivered', error = NULL WHERE id = ?", (delivery.id,)
        )

    def failed(self, delivery: Delivery, reason: str, at_s: float) -> None:
        """It has not arrived; try again later, or never."""
        (pauses,) = self._connection.execute(
            "SELECT pauses FROM delivery WHERE id = ?", (delivery.id,)
        ).fetchone()
        over = at_s - delivery.written_at_s > GIVE_UP_S
        pause_s = min(FIRST_PAUSE_S * 2.0 ** min(pauses, 20), LONGEST_PAUSE_S)
        self._connection.execute(
            "UPDATE delivery SET phase = ?, due_at = ?, pauses = pauses + 1, error = ? "
            "WHERE id = ?",
            ("given-up" if over else "waiting", at_s + pause_s, reason, delivery.id),
        )

    def troubles(self) -> dict[str, str]:
        """Why the message that each target waits for has not arrived, where it was tried."""
        rows = self._connection.execute(
            "SELECT target, error FROM delivery "
            "WHERE phase IN ('waiting', 'sending') AND error IS NOT NULL ORDER BY number DESC"
        )
        return dict(rows.fetchall())

    def tally(self) -> Tally:
        """How many messages wait, arrived or were given up."""
        rows = self._connection.execute("SELECT phase, count(*) FROM delivery GROUP BY phase")
        count = dict(rows.fetchall())
        return Tally(
            count.get("waiting", 0) + count.get("sending", 0),
            count.get("delivered", 0),
            count.get("given-up", 0),
        )

    def drop_targets(self, kept: Iterable[str]) -> int:
        """Forget what waits for targets that are configured no longer; how many it was."""
        names = list(kept)
        marks = ", ".join("?" * len(names))
        self._connection.execute(f"DELETE FROM desk WHERE target NOT IN ({marks})", names)  # noqa: S608
        return self._connection.execute(
            f"DELETE FROM delivery WHERE phase IN ('waiting', 'sending') "  # noqa: S608
            f"AND target NOT IN ({marks})",
            names,
        ).rowcount

    def thin_out(self) -> None:
        """Forget all but the newest messages that are done with."""
        self._connection.execute(
            "DELETE FROM delivery WHERE phase IN ('delivered', 'given-up') AND number <= "
            "(SELECT max(number) FROM delivery) - ?",
            (KEPT_FINISHED,),
        )

    def _prepare(self) -> None:
        connection = self._connection
        (application,) = connection.execute("PRAGMA application_id").fetchone()
        (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        if tables and (application != APPLICATION_ID or version > VERSION):
            raise OutboxError(
                f"{self.path} is a file of another program or of a newer version. "
                "Choose another [notify] path."
            )
        connection.execute("PRAGMA journal_mode = WAL")
        # Few writes, each of which must outlive a power cut.
        connection.execute("PRAGMA synchronous = FULL")
        if not tables:
            connection.executescript(SCHEMA)
        elif version < VERSION:
            connection.executescript(FROM_VERSION_1)


_Row = tuple[str, str, str, str, str, str, float | None, float | None, float, int, int]


def _delivery(row: _Row) -> Delivery:
    name, target, title, body, tone, tank, from_s, to_s, written_at_s, attempts, unsure = row
    report_s = None if from_s is None or to_s is None else (from_s, to_s)
    message = Message(title, body, Tone(tone), tank, report_s)
    return Delivery(name, target, message, written_at_s, attempts, bool(unsure))
