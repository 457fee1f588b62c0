"""Alerts over kills and restarts, with a service that fails half of the time."""

import os
import random
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from bridge.shell.notify_outbox import Outbox
from tests.support.phone import OK, SLOW, Phone, flaky, scripted

pytestmark = pytest.mark.loopback

ROOT = Path(__file__).parents[2]
TITLE = re.compile(r"<(\d+)>")
AT_WORK = 0.8
UNNAMED = re.compile(r"; (\d+) more\.")


def drive(outbox: Path, url: str, first: int, last: int) -> "subprocess.Popen[str]":
    """Start the stand-in for the daemon."""
    return subprocess.Popen(  # noqa: S603 # our own program
        (sys.executable, "-m", "tests.support.notify_driver", outbox, url, str(first), str(last)),
        cwd=ROOT,
        stdout=subprocess.PIPE,
        text=True,
    )


def told(phone: Phone) -> tuple[list[int], int]:
    """Numbers of all alarms that the phone shows, and how many are only counted."""
    numbers, unnamed = [], 0
    for received in phone.received:
        text = f"{received.title} {received.message}"
        numbers += [int(number) for number in TITLE.findall(text)]
        unnamed += sum(int(count) for count in UNNAMED.findall(text))
    return numbers, unnamed


def kill_and_restart(cycles: int, directory: Path, seed: int) -> None:
    """Kill the daemon at random moments; in the end every alarm must have been told once."""
    chance = random.Random(seed)
    outbox = directory / "alerts.sqlite3"
    kept = 0
    with Phone(flaky(seed)) as phone:
        for _ in range(cycles):
            process = drive(outbox, phone.url(), kept, 10**6)
            assert process.stdout is not None
            with process.stdout as output:
                # Most are killed at work, some while they start.
                said = output.readline() if chance.random() < AT_WORK else ""
                time.sleep(chance.uniform(0.0, 1.5))
                process.send_signal(signal.SIGKILL)
                said += output.read()
            process.wait()
            kept = int(said.split()[-1]) if said.split() else kept
        phone.behaviour = lambda: OK
        # The last one hurries what waits for its next attempt.
        process = drive(outbox, phone.url(), kept, kept + 1)
        said, _ = process.communicate(timeout=60)
        assert "done" in said
        numbers, unnamed = told(phone)
    total = kept + 1

    assert total > cycles / 2
    assert len(numbers) == len(set(numbers))
    assert set(numbers) <= set(range(total))
    assert total - len(numbers) == unnamed


def test_kills_and_restarts_lose_and_repeat_nothing(tmp_path: Path) -> None:
    """Every alarm reaches the phone exactly once over ten kills, whatever the service does."""
    kill_and_restart(10, tmp_path, seed=4)


@pytest.mark.soak
@pytest.mark.parametrize("seed", [1, 2])
def test_fifty_kills_and_restarts_lose_and_repeat_nothing(tmp_path: Path, seed: int) -> None:
    """The same over fifty kills."""
    kill_and_restart(50, tmp_path, seed)


def test_a_courier_that_is_cut_off_is_not_silent_about_it(tmp_path: Path) -> None:
    """Where a power cut leaves it open whether a message arrived, it is sent again, and says so.

    The name of the delivery stays the same, so that a service which knows such names drops it.
    """
    outbox = tmp_path / "alerts.sqlite3"
    with Phone(scripted([SLOW])) as phone:
        url = phone.url(query="?+Idempotency-Key={delivery}")
        process = drive(outbox, url, 0, 10**6)
        assert phone.arrived.wait(20)
        process.send_signal(signal.SIGSTOP)
        for courier in children(process.pid):
            os.kill(courier, signal.SIGKILL)
        process.send_signal(signal.SIGKILL)
        process.communicate()
        process = drive(outbox, url, 0, 1)
        process.communicate(timeout=60)
        first, again = phone.received[:2]

    assert TITLE.findall(first.title) == TITLE.findall(again.title) == ["0"]
    assert first.key == again.key is not None
    assert "twice" not in first.message
    assert "This may reach you twice." in again.message
    assert Outbox(outbox).tally().waiting == 0


def children(pid: int) -> list[int]:
    """Processes that a process has started and that still run a courier."""
    found = []
    for entry in Path("/proc").glob("[0-9]*/stat"):
        try:
            after_name = entry.read_text().rpartition(")")[2].split()
            words = (entry.parent / "cmdline").read_bytes()
        except OSError:
            continue
        if int(after_name[1]) == pid and b"notify_courier" in words:
            found.append(int(entry.parent.name))
    return found
