"""Damaged files, torn writes and full disks: the history goes on, and says what happened."""

import os
import random
import shutil
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from bridge.core.events import Message
from bridge.core.outputs import Record
from bridge.shell.history import History
from bridge.shell.history_file import KEPT_ASIDE, Opened, open_history, set_aside
from bridge.shell.history_reader import HistoryReader
from bridge.shell.history_writer import Entry, HistoryWriter
from bridge.shell.storage_settings import StorageSettings
from tests.support.history import START_S, sample

PAGE = 4096


def filled(path: Path, hours: int = 3) -> StorageSettings:
    """A closed history with samples, summaries, an event for each hour, a state and an entry."""
    settings = StorageSettings(path=str(path), batch_s=0.05)
    writer = HistoryWriter(settings)
    for hour in range(hours):
        start_s = START_S + 3600 * hour
        writer.write(
            [
                *(sample(start_s + 10 * i, 360 * hour + i) for i in range(360)),
                Record(start_s, "reef", "check", {"salinity": 35.0, "number": hour}),
                Entry("notice", str(hour), b"1"),
            ]
        )
    writer.close()
    history = History(settings)
    history.save_state(b"{}", at_s=START_S, boot_id="a")
    assert history.close()
    return settings


def integrity(path: str | Path) -> str:
    """SQLite's own full check."""
    connection = sqlite3.connect(path)
    try:
        return str(connection.execute("PRAGMA integrity_check").fetchone()[0])
    finally:
        connection.close()


def zero_header(path: Path) -> None:
    """The first page is gone."""
    with path.open("r+b") as file:
        file.write(bytes(PAGE))


def cut_short(path: Path) -> None:
    """The second half is gone."""
    os.truncate(path, path.stat().st_size // 2 // PAGE * PAGE)


def other_content(path: Path) -> None:
    """Something else stands in the file."""
    path.write_text("not a database at all\n" * 1000)


def scrambled_middle(path: Path) -> None:
    """Some pages in the middle hold noise."""
    noise = random.Random(5)
    pages = path.stat().st_size // PAGE
    with path.open("r+b") as file:
        for page in range(pages // 2, pages // 2 + 4):
            file.seek(page * PAGE)
            file.write(noise.randbytes(PAGE))


@pytest.mark.parametrize("damage", [zero_header, cut_short, other_content, scrambled_middle])
def test_a_damaged_file_is_moved_aside_and_a_fresh_one_started(
    tmp_path: Path, damage: Callable[[Path], None]
) -> None:
    """The start succeeds, the old file is kept under a dated name, and health says so."""
    settings = filled(tmp_path / "h.sqlite3")
    damage(Path(settings.path))

    history = History(settings)
    history.records(sample(START_S + 100_000))
    assert history.flush()
    health = history.health()
    assert history.close()

    assert health.set_aside is not None
    assert ".damaged-20" in health.set_aside
    assert Path(health.set_aside).exists()
    assert health.trouble is None
    assert integrity(settings.path) == "ok"
    newest = list(HistoryReader(settings.path).samples("reef"))[-1]
    assert newest.at_s == START_S + 100_000


def test_what_a_damaged_file_still_gives_is_saved(tmp_path: Path) -> None:
    """Damage among the samples costs no checks, entries, state or summaries."""
    settings = filled(tmp_path / "h.sqlite3", hours=30)
    before = HistoryReader(settings.path)
    events = before.events()
    hours = list(before.table("reef", "hour", 0, 4e9))
    connection = sqlite3.connect(settings.path)
    pages = [
        page for (page,) in connection.execute("SELECT pageno FROM dbstat WHERE name = 'sample'")
    ]
    connection.close()
    with Path(settings.path).open("r+b") as file:
        for page in pages[2:]:
            file.seek((page - 1) * PAGE)
            file.write(b"\xff" * PAGE)

    history = History(settings)
    try:
        assert history.health().set_aside is not None
        assert history.load_state() == b"{}"
        assert len(history.entries("notice")) == 30
        after = HistoryReader(settings.path)
        assert after.events() == events
        assert list(after.table("reef", "hour", 0, 4e9)) == hours
        # Zooming in finds the minutes, because the samples are known to be gone.
        zoom = after.series("reef", START_S + 3600, START_S + 7200, 3600)
        assert sum(zoom.samples) == 360
    finally:
        history.close()


def test_events_on_both_sides_of_the_damage_are_saved(tmp_path: Path) -> None:
    """Rows are read from the front and from the back of a table with a hole."""
    settings = StorageSettings(path=str(tmp_path / "h.sqlite3"))
    writer = HistoryWriter(settings)
    writer.write(
        [Record(START_S + i, "reef", "check", {"number": i, "note": "x" * 300}) for i in range(400)]
    )
    writer.close()
    connection = sqlite3.connect(settings.path)
    pages = [
        page
        for (page,) in connection.execute(
            "SELECT pageno FROM dbstat WHERE name = 'event' AND pagetype = 'leaf' ORDER BY path"
        )
    ]
    connection.close()
    with Path(settings.path).open("r+b") as file:
        file.seek((pages[len(pages) // 2] - 1) * PAGE)
        file.write(b"\xff" * PAGE)

    history = History(settings)
    assert history.close()
    numbers = [event.data["number"] for event in HistoryReader(settings.path).events()]

    assert 0 in numbers
    assert 399 in numbers
    assert len(numbers) > 350


def test_damage_that_shows_while_writing_is_handled_too(tmp_path: Path) -> None:
    """The start check may be cut short by its time limit; writing finds the rest."""
    settings = filled(tmp_path / "h.sqlite3", hours=30)
    quick = StorageSettings(path=settings.path, batch_s=0.05, check_s=0)
    connection = sqlite3.connect(settings.path)
    pages = [
        page for (page,) in connection.execute("SELECT pageno FROM dbstat WHERE name = 'sample'")
    ]
    connection.close()
    with Path(settings.path).open("r+b") as file:
        for page in pages:
            file.seek((page - 1) * PAGE)
            file.write(b"\xff" * PAGE)

    history = History(quick)
    for i in range(5):
        history.records(sample(START_S + 200_000 + i, i))
    assert history.flush()
    health = history.health()
    assert history.close()

    assert health.set_aside is not None
    assert health.trouble is None
    assert len(list(HistoryReader(settings.path).samples("reef"))) == 5


def test_few_damaged_files_are_kept(tmp_path: Path) -> None:
    """Repeated damage cannot fill the disk with old files; the newest stay."""
    path = tmp_path / "h.sqlite3"
    for number in range(KEPT_ASIDE + 2):
        path.write_text(f"damaged {number}")
        os.utime(path, (START_S + number, START_S + number))
        set_aside(path, START_S + number)

    kept = sorted(file.read_text() for file in tmp_path.iterdir())
    assert kept == [f"damaged {number}" for number in range(2, KEPT_ASIDE + 2)]


def test_two_damaged_files_of_one_second_do_not_collide(tmp_path: Path) -> None:
    """The second one gets a name of its own."""
    path = tmp_path / "h.sqlite3"
    for content in ("one", "two"):
        path.write_text(content)
        set_aside(path, START_S)

    assert sorted(file.read_text() for file in tmp_path.iterdir()) == ["one", "two"]


def test_the_check_keeps_to_its_time(tmp_path: Path) -> None:
    """A start does not wait for a huge file; that the check was cut short is said."""
    settings = filled(tmp_path / "h.sqlite3", hours=30)

    hurried = open_history(Path(settings.path), 0.0)
    patient = open_history(Path(settings.path), 60.0)
    hurried.connection.close()
    patient.connection.close()

    assert (hurried.check_finished, patient.check_finished) == (False, True)


def test_a_log_torn_anywhere_loses_only_whole_batches_at_the_end(tmp_path: Path) -> None:
    """A power cut leaves the log cut at any byte: the file opens and holds a prefix of batches."""
    path = tmp_path / "h.sqlite3"
    writer = HistoryWriter(StorageSettings(path=str(path)))
    for batch in range(40):
        writer.write([sample(START_S + 10 * batch + i, 3 * batch + i) for i in range(3)])
    log = Path(f"{path}-wal").read_bytes()
    where = random.Random(11)
    seen = set()
    for number in range(40):
        folder = tmp_path / str(number)
        folder.mkdir()
        copy = folder / "h.sqlite3"
        shutil.copy(path, copy)
        cut = where.randrange(len(log) + 1)
        # Behind the cut lies what the card last held there: noise.
        Path(f"{copy}-wal").write_bytes(log[:cut] + where.randbytes(len(log) - cut))

        history = History(StorageSettings(path=str(copy), batch_s=0.05))
        health = history.health()
        assert history.close()

        assert health.set_aside is None
        assert integrity(copy) == "ok"
        seqs = [record.data["seq"] for record in HistoryReader(copy).samples("reef")]
        assert seqs == list(range(len(seqs)))
        assert len(seqs) % 3 == 0
        seen.add(len(seqs))
    writer.close()
    assert len(seen) > 10, "the cuts fell on too few different batches to tell anything"


FULL_DISK = """
import resource, signal, sys, time
from bridge.shell.history import History
from bridge.shell.history_reader import HistoryReader
from bridge.shell.storage_settings import StorageSettings
from tests.support.history import START_S, sample
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
settings = StorageSettings(path=sys.argv[1], batch_s=0.05, queue_rows=3000)
history = History(settings)
history.records(sample(START_S, 0))
assert history.flush()
resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, resource.RLIM_INFINITY))
i = 0
deadline = time.monotonic() + 30
while (history.health().trouble is None or not history.health().dropped) \\
        and time.monotonic() < deadline:
    i += 1
    started = time.perf_counter()
    history.records(sample(START_S + 10 * i, i))
    assert time.perf_counter() - started < 1
    if i % 500 == 0:
        time.sleep(0.01)
full = history.health()
assert full.trouble and "cannot be written" in full.trouble, full
assert full.failures and full.dropped, full
resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
deadline = time.monotonic() + 60
while history.health().trouble is not None and time.monotonic() < deadline:
    time.sleep(0.05)
again = history.health()
assert again.trouble is None, again
assert history.flush()
history.records(sample(START_S + 10 * (i + 1), i + 1))
assert history.close()
seqs = [record.data["seq"] for record in HistoryReader(settings.path).samples("reef")]
assert len(seqs) == history.health().written == i + 2 - history.health().dropped, history.health()
assert seqs[-1] == i + 1
"""


def test_a_full_disk_is_survived(tmp_path: Path) -> None:
    """Samples wait, then drop with a count, and all goes on once there is room."""
    path = tmp_path / "h.sqlite3"

    done = subprocess.run(  # noqa: S603 - our own program
        [sys.executable, "-c", FULL_DISK, str(path)],
        capture_output=True,
        text=True,
        check=False,
        timeout=120,
        cwd=Path(__file__).parents[2],
    )

    assert done.returncode == 0, done.stderr
    assert "is being written again" in done.stderr
    assert done.stderr.count("cannot be written") <= 3, "the same trouble is told again and again"
    assert integrity(path) == "ok"


@pytest.mark.skipif(os.geteuid() != 0, reason="mounting a small file system needs root")
def test_a_really_full_file_system_is_survived(tmp_path: Path) -> None:
    """The same on a real file system without room, with the plain reason."""
    place = tmp_path / "small"
    place.mkdir()
    mounted = subprocess.run(  # noqa: S603 - a path of our own
        ["/usr/bin/mount", "-t", "tmpfs", "-o", "size=1m", "tmpfs", str(place)],
        check=False,
        capture_output=True,
    )
    if mounted.returncode != 0:
        pytest.skip("mounting is not allowed here")
    try:
        settings = StorageSettings(path=str(place / "h.sqlite3"), batch_s=0.05)
        history = History(settings)
        history.records(sample(START_S, 0))
        assert history.flush()
        ballast = place / "ballast"
        with ballast.open("wb", buffering=0) as file:
            while True:
                try:
                    file.write(bytes(65536))
                except OSError:
                    break
        for i in range(1, 3000):
            history.records(sample(START_S + 10 * i, i))
        assert not history.flush(1.0)
        trouble = history.health().trouble
        assert trouble is not None
        assert "the disk is full" in trouble
        ballast.unlink()
        assert history.flush(30.0)
        assert history.health().trouble is None
        assert history.close()
        assert len(list(HistoryReader(settings.path).samples("reef"))) == 3000
    finally:
        subprocess.run(["/usr/bin/umount", "-l", str(place)], check=True)  # noqa: S603


def test_a_disk_that_is_full_at_the_start_stops_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The daemon starts without its history, takes records, and writes them when it can."""
    settings = StorageSettings(path=str(tmp_path / "h.sqlite3"), batch_s=0.05)
    full = True

    def maybe_open(path: Path, check_s: float, *, known_damaged: bool) -> Opened:
        if full:
            error = sqlite3.OperationalError("database or disk is full")
            error.sqlite_errorcode = sqlite3.SQLITE_FULL
            raise error
        return open_history(path, check_s, known_damaged=known_damaged)

    monkeypatch.setattr("bridge.shell.history_writer.open_history", maybe_open)
    history = History(settings)
    history.records(sample(START_S))
    assert not history.flush(0.3)
    assert "the disk is full" in str(history.health().trouble)
    assert history.load_state() is None
    full = False

    assert history.flush(30.0)
    assert history.health().trouble is None
    assert history.close()


KILLED = """
import os, sys, time
from bridge.core.events import Message
from bridge.shell.history import History
from bridge.shell.storage_settings import StorageSettings
from tests.support.history import START_S, sample
first = int(sys.argv[2])
history = History(StorageSettings(path=sys.argv[1], batch_s=0.03, queue_rows=1_000_000))
i = first
while True:
    history.inputs(Message(START_S + 10 * i, "home/a", b"%d" % i))
    history.records(sample(START_S + 10 * i, i))
    i += 1
    os.write(1, b"%d %d\\n" % (i, first + history.health().written // 2))
    if i % 20 == 0:
        time.sleep(0.002)
"""


def test_a_kill_at_any_moment_loses_at_most_the_last_batch(tmp_path: Path) -> None:
    """After kill -9 the file is whole, without holes, and holds all that was reported written.

    Ten kills in the usual run; TIDEGATE_SOAK sets another number.
    """
    path = tmp_path / "h.sqlite3"
    when = random.Random(3)
    present = 0
    for _ in range(int(os.environ.get("TIDEGATE_SOAK", "10"))):
        with subprocess.Popen(  # noqa: S603 - our own program
            [sys.executable, "-c", KILLED, str(path), str(present)],
            stdout=subprocess.PIPE,
            cwd=Path(__file__).parents[2],
        ) as child:
            assert child.stdout is not None
            child.stdout.readline()
            time.sleep(when.uniform(0, 0.3))
            child.kill()
            lines = child.stdout.read().splitlines(keepends=True)
        whole = [line for line in lines if line.endswith(b"\n")]
        given, written = map(int, whole[-1].split()) if whole else (present, present)

        assert integrity(path) == "ok"
        reader = HistoryReader(path)
        seqs = [record.data["seq"] for record in reader.samples("reef")]
        assert seqs == list(range(len(seqs)))
        assert len(seqs) >= written
        # What is missing was given after the last finished batch. One row may have been given
        # after the last line.
        assert len(seqs) <= given + 1
        # What was heard is as whole; the last message may have come without its sample.
        heard = [int(each.payload) for each in reader.inputs() if isinstance(each, Message)]
        assert sorted(set(heard)) == list(range(max(heard, default=-1) + 1))
        assert len(seqs) <= len(set(heard)) <= len(seqs) + 1
        present = len(seqs)
    assert present > 0
