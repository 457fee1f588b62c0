"""Sends what is due, at most one message to each target, and ends.

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
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import IO, Final
from zoneinfo import ZoneInfo

from pydantic import TypeAdapter

from bridge.shell.notify_outbox import Delivery, Outbox
from bridge.shell.notify_send import CALL_S, Outcome, send, understood
from bridge.shell.notify_text import Message

GRACE_S: Final = 5.0
"""After which an attempt that has outlived its own limit is given up."""
LOCK_S: Final = CALL_S + 2 * GRACE_S
"""Longest wait for another courier; it cannot last longer than its attempts."""
LATE_S: Final = 600.0
"""From this age on a message says when it was written."""
BUSY: Final = 3
"""Exit code: another courier did not end in time."""
UNWRITABLE: Final = 4
"""Exit code: the outbox cannot be written, so nothing was sent."""


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
        claimed = outbox.claim(errand.urls, time.time())
    except sqlite3.Error:
        return UNWRITABLE
    with tempfile.TemporaryDirectory(prefix="tidegate-") as directory:
        _round(errand, outbox, claimed, Path(directory))
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


def _round(errand: Errand, outbox: Outbox, claimed: list[Delivery], directory: Path) -> None:
    deliveries = {delivery.id: delivery for delivery in claimed}
    done: SimpleQueue[tuple[str, Outcome]] = SimpleQueue()
    charts = _charts(errand, deliveries, directory)
    for delivery in deliveries.values():
        threading.Thread(
            target=_attempt, args=(errand, delivery, charts, done), daemon=True
        ).start()
    deadline = time.monotonic() + CALL_S + GRACE_S
    while deliveries:
        try:
            name, outcome = done.get(timeout=max(0.0, deadline - time.monotonic()))
        except Empty:
            break
        # Written down at once: between the service's answer and this line nothing may come.
        delivery = deliveries.pop(name)
        if outcome.ok:
            outbox.delivered(delivery)
        else:
            outbox.failed(delivery, outcome.reason, time.time())
    for delivery in deliveries.values():
        outbox.failed(delivery, "the service did not answer in time", time.time())


def _attempt(
    errand: Errand,
    delivery: Delivery,
    charts: Mapping[str, Path],
    done: "SimpleQueue[tuple[str, Outcome]]",
) -> None:
    chart = charts.get(delivery.message.tank) if _with_chart(delivery) else None
    message = _with_remarks(delivery, errand)
    url = errand.urls[delivery.target]
    done.put((delivery.id, send(url, message, delivery=delivery.id, chart=chart)))


def _with_chart(delivery: Delivery) -> bool:
    """A service that refuses pictures must not cost the alert: every other attempt goes without."""
    return bool(delivery.message.tank) and delivery.attempts % 2 == 1


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


def _charts(errand: Errand, deliveries: Mapping[str, Delivery], directory: Path) -> dict[str, Path]:
    """A picture for each tank that is told of; without the library or data there is none."""
    tanks = {d.message.tank for d in deliveries.values() if _with_chart(d)}
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


if __name__ == "__main__":
    code = main()
    sys.stdout.flush()
    # A hung attempt must not keep the process alive.
    os._exit(code)
