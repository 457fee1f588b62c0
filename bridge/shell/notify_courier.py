"""Sends what is due, one message to each target at a time, and ends.

It is a process of its own, started for each round:

- a service that hangs or drips can be cut off for certain, and nothing of it reaches the daemon;
- a daemon that is killed does not interrupt a delivery: the courier finishes it and writes down
  that it did, so that the next daemon does not send it again;
- Apprise and the drawing library take memory only while something is sent.

The addresses come through standard input, because a command line can be read by every user of the
machine. The result is in the outbox; the exit code only tells whether the round took place.
"""

import fcntl
import logging
import os
import signal
import sqlite3
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import IO, Final
from zoneinfo import ZoneInfo

from pydantic import TypeAdapter

from bridge.core.settings import Tank
from bridge.shell.notify_outbox import Delivery, Outbox
from bridge.shell.notify_send import CALL_S, Outcome, send, understood
from bridge.shell.notify_text import Message

GRACE_S: Final = 5.0
"""After which an attempt that has outlived its own limit is given up."""
LOOK_S: Final = 0.5
"""Between two looks for more to send while an attempt lasts."""
LOCK_S: Final = 2 * (CALL_S + 2 * GRACE_S)
"""Longest wait for another courier; it begins attempts for `CALL_S` and cannot outlast them."""
LATE_S: Final = 600.0
"""From this age on a message says when it was written."""
MOST_REPORTED: Final = 6
"""Tanks in the picture of a report; with more it would be too long for a phone."""
BUSY: Final = 3
"""Exit code: another courier did not end in time."""
UNWRITABLE: Final = 4
"""Exit code: the outbox cannot be written; nothing more is sent from it."""


@dataclass(frozen=True, slots=True)
class Errand:
    """What a courier is told."""

    outbox: str
    urls: dict[str, str]
    """Address by target."""
    zone: str = "UTC"
    history: str | None = None
    """Where the chart's data are; None for no chart."""
    limits_psu: dict[str, tuple[float, float]] | None = None
    """Each tank's normal band, drawn into its chart."""
    tanks: dict[str, Tank] = field(default_factory=dict)
    """Settings of the tanks that a report tells of."""
    check_only: bool = False
    """Only see whether the addresses are understood."""


ERRAND: Final = TypeAdapter(Errand)


def main(stdin: IO[bytes] = sys.stdin.buffer) -> int:
    """Carry out the errand on standard input."""
    # Told to stop together with the daemon, it still ends by itself, and soon.
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    logging.getLogger().addHandler(logging.NullHandler())
    errand = ERRAND.validate_json(stdin.read())
    if errand.check_only:
        wrong = [name for name, url in errand.urls.items() if not understood(url)]
        sys.stdout.write("\n".join(wrong))
        return 0
    lock = _only_courier(Path(f"{errand.outbox}.lock"))
    if lock is None:
        return BUSY
    try:
        outbox = Outbox(Path(errand.outbox))
        outbox.recover()
        with tempfile.TemporaryDirectory(prefix="tidegate-") as directory:
            _Round(errand, outbox, Path(directory)).run()
    except sqlite3.Error:
        return UNWRITABLE
    outbox.close()
    return 0


def _only_courier(path: Path) -> IO[bytes] | None:
    """The lock, which the system gives back however this process ends; None if it is not free."""
    file = path.open("ab")
    deadline = time.monotonic() + LOCK_S
    while True:
        with suppress(OSError):
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return file
        if time.monotonic() > deadline:
            file.close()
            return None
        time.sleep(0.1)


@dataclass(frozen=True, slots=True)
class _Attempt:
    delivery: Delivery
    deadline: float
    """On the monotonic clock."""


class _Round:
    """Attempts in threads of their own, so that one service does not wait for another."""

    def __init__(self, errand: Errand, outbox: Outbox, directory: Path) -> None:
        self._errand = errand
        self._outbox = outbox
        self._directory = directory
        self._done: SimpleQueue[tuple[str, Outcome]] = SimpleQueue()
        self._under_way: dict[str, _Attempt] = {}
        self._until = time.monotonic() + CALL_S

    def run(self) -> None:
        """Send until nothing is due and nothing is under way.

        Raises:
            sqlite3.Error: The outbox cannot be written.
        """
        self._begin()
        while self._under_way:
            with suppress(Empty):
                self._finish(*self._done.get(timeout=LOOK_S))
            for delivery_id, attempt in list(self._under_way.items()):
                if time.monotonic() > attempt.deadline:
                    late = Outcome(ok=False, reason="the service did not answer in time")
                    self._finish(delivery_id, late)
            if time.monotonic() < self._until:
                self._begin()

    def _begin(self) -> None:
        """Attempt what is due for targets that are free."""
        busy = {attempt.delivery.target for attempt in self._under_way.values()}
        free = [target for target in self._errand.urls if target not in busy]
        deliveries = self._outbox.claim(free, time.time())
        charts = _charts(self._errand, deliveries, self._directory)
        reports = _reports(self._errand, deliveries, self._directory)
        for delivery in deliveries:
            deadline = time.monotonic() + CALL_S + GRACE_S
            self._under_way[delivery.id] = _Attempt(delivery, deadline)
            message = delivery.message
            picture = reports.get(message.report_s) or charts.get(message.tank)
            arguments = (self._errand, delivery, picture, self._done)
            threading.Thread(target=_attempt, args=arguments, daemon=True).start()

    def _finish(self, delivery_id: str, outcome: Outcome) -> None:
        """Write the outcome down, at once: nothing may come between it and the answer."""
        attempt = self._under_way.pop(delivery_id, None)
        if attempt is None:
            # An answer after the deadline; the message is being sent again by now.
            return
        if outcome.ok:
            self._outbox.delivered(attempt.delivery)
        else:
            self._outbox.failed(attempt.delivery, outcome.reason, time.time())


def _attempt(
    errand: Errand,
    delivery: Delivery,
    picture: Path | None,
    done: "SimpleQueue[tuple[str, Outcome]]",
) -> None:
    chart = picture if _with_picture(delivery) else None
    message = _with_remarks(delivery, errand)
    url = errand.urls[delivery.target]
    done.put((delivery.id, send(url, message, delivery=delivery.id, chart=chart)))


def _with_picture(delivery: Delivery) -> bool:
    """A service that refuses pictures must not cost the alert: every other attempt goes without."""
    return delivery.attempts % 2 == 1


def _with_remarks(delivery: Delivery, errand: Errand) -> Message:
    """The message, and what is unusual about this delivery."""
    remarks = []
    if time.time() - delivery.written_at_s > LATE_S:
        written = datetime.fromtimestamp(delivery.written_at_s, ZoneInfo(errand.zone))
        remarks.append(f"(Sent late. It was written on {written:%d %B at %H:%M}.)")
    if delivery.unsure:
        remarks.append("(This may reach you twice.)")
    if not remarks:
        return delivery.message
    return replace(delivery.message, body=" ".join([delivery.message.body, *remarks]))


def _charts(errand: Errand, deliveries: Sequence[Delivery], directory: Path) -> dict[str, Path]:
    """A picture for each tank that is told of; without the library or data there is none."""
    tanks = {d.message.tank for d in deliveries if _with_picture(d)} - {""}
    charts: dict[str, Path] = {}
    if errand.history is None or not tanks:
        return charts
    try:
        from bridge.shell.chart import draw_last_hours  # noqa: PLC0415 # optional library

        for number, tank in enumerate(sorted(tanks)):
            picture = draw_last_hours(
                Path(errand.history),
                tank,
                to_s=time.time(),
                zone=ZoneInfo(errand.zone),
                normal_psu=(errand.limits_psu or {}).get(tank),
            )
            if picture is not None:
                charts[tank] = directory / f"chart-{number}.png"
                charts[tank].write_bytes(picture)
    except Exception:  # noqa: BLE001 # the text matters, the picture does not
        return charts
    return charts


def _reports(
    errand: Errand, deliveries: Sequence[Delivery], directory: Path
) -> dict[tuple[float, float] | None, Path]:
    """A picture of each stretch of time that a summary is about."""
    spans = {d.message.report_s for d in deliveries if _with_picture(d)} - {None}
    reports: dict[tuple[float, float] | None, Path] = {}
    if errand.history is None or not spans or not errand.tanks:
        return reports
    try:
        from bridge.shell.report_facts import gather  # noqa: PLC0415 # loaded for a summary only
        from bridge.shell.report_png import render_png  # noqa: PLC0415 # optional library

        history, zone = Path(errand.history), ZoneInfo(errand.zone)
        for number, span in enumerate(sorted(span for span in spans if span is not None)):
            facts = [
                gather(history, name, tank, from_s=span[0], to_s=span[1], zone=zone)
                for name, tank in list(errand.tanks.items())[:MOST_REPORTED]
            ]
            told = [each for each in facts if not each.empty]
            if told:
                reports[span] = directory / f"report-{number}.png"
                reports[span].write_bytes(render_png(told))
    except Exception:  # noqa: BLE001 # the text matters, the picture does not
        return reports
    return reports


if __name__ == "__main__":
    code = main()
    sys.stdout.flush()
    # A hung attempt must not keep the process alive.
    os._exit(code)
