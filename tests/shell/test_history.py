"""The history keeps what it is given, never blocks, and survives restarts and wrong input."""

import os
import shutil
import sqlite3
import stat
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from bridge.core.outputs import Record
from bridge.shell.history import History
from bridge.shell.history_reader import HistoryReader
from bridge.shell.history_schema import VERSION, HistoryError, migrate, version_of
from bridge.shell.storage_settings import StorageSettings
from tests.support.history import START_S, sample

DATA = Path(__file__).parents[1] / "data" / "history"
NOBODY = 65534
"""The user that by convention owns nothing."""


@pytest.fixture
def settings(tmp_path: Path) -> StorageSettings:
    """A history in a directory that does not exist yet, with a quick batch."""
    return StorageSettings(path=str(tmp_path / "data" / "history.sqlite3"), batch_s=0.05)


@pytest.fixture
def history(settings: StorageSettings) -> Iterator[History]:
    """An open history."""
    opened = History(settings)
    yield opened
    opened.close()


def test_what_is_given_can_be_read(history: History, settings: StorageSettings) -> None:
    """Samples and events come back complete, in time order, by tank and kind."""
    samples = [sample(START_S + 10 * i, i) for i in range(100)]
    check = Record(START_S + 55, "reef", "check", {"salinity": 35.1})
    switch = Record(START_S + 7, "reef", "equipment", {"name": "skimmer", "on": True})
    other = Record(START_S + 8, "frag", "check", {"salinity": 34.0})
    for record in (*samples, check, switch, other):
        history.records(record)

    assert history.flush()

    reader = HistoryReader(settings.path)
    assert reader.tanks() == ("frag", "reef")
    assert list(reader.samples("reef")) == samples
    assert list(reader.samples("reef", START_S + 10, START_S + 30)) == samples[1:3]
    assert reader.events("reef") == [switch, check]
    assert reader.events(kinds=["check"]) == [other, check]
    assert reader.events("reef", newest=1) == [check]
    merged = list(reader.records())
    assert [record.at_s for record in merged] == sorted(record.at_s for record in merged)
    assert len(merged) == 103


def test_state_and_entries_survive_a_restart(settings: StorageSettings) -> None:
    """The engine's newest snapshot and what was put under a key are there after a restart."""
    first = History(settings)
    assert first.load_state() is None
    first.save_state(b'{"learned":1}', at_s=START_S, boot_id="a")
    first.save_state(b'{"learned":2}', at_s=START_S + 1, boot_id="a")
    first.put("notice", "one", {"title": "Salinity is low"})
    first.put("notice", "two", {"title": "Probe is silent"})
    first.remove("notice", "one")
    assert first.close()

    second = History(settings)
    try:
        assert second.load_state() == b'{"learned":2}'
        assert second.entries("notice") == {"two": {"title": "Probe is silent"}}
        assert second.entries("unknown") == {}
    finally:
        second.close()


def test_a_damaged_snapshot_gives_way_to_the_one_before(settings: StorageSettings) -> None:
    """Changed bytes in the newest snapshot are noticed; the older one is used."""
    history = History(settings)
    for number in (1, 2):
        history.save_state(b'{"learned":%d}' % number, at_s=START_S, boot_id="a")
        assert history.flush()
    assert history.close()
    with sqlite3.connect(settings.path) as connection:
        connection.execute(
            "UPDATE engine_state "
            "SET data = CAST(substr(data, 1, length(data) - 1) || x'00' AS BLOB) "
            "WHERE id = (SELECT max(id) FROM engine_state)"
        )
    connection.close()

    again = History(settings)
    try:
        assert again.load_state() == b'{"learned":1}'
    finally:
        again.close()


def test_only_the_owner_can_read_it(history: History, settings: StorageSettings) -> None:
    """File and side files are 0600, a directory made for them 0700."""
    history.records(sample(START_S))
    assert history.flush()
    folder = Path(settings.path).parent

    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert {stat.S_IMODE(file.stat().st_mode) for file in folder.iterdir()} == {0o600}


def test_what_cannot_be_stored_harms_nothing_else(
    history: History, settings: StorageSettings
) -> None:
    """A broken record in a batch is counted and left out; the others are stored."""
    history.records(sample(START_S, cause=3))
    history.records(Record(START_S, "reef", "check", {"odd": object()}))
    history.records(Record(float("nan"), "reef", "check", {}))
    history.records(sample(START_S + 10, 1))
    assert history.flush()

    assert history.health().refused == 3
    assert history.health().trouble is None
    assert [record.data["seq"] for record in HistoryReader(settings.path).samples("reef")] == [1]


def test_a_full_queue_drops_samples_before_anything_else(tmp_path: Path) -> None:
    """Overflow is counted; a reference check still gets in where a sample does not."""
    settings = StorageSettings(
        path=str(tmp_path / "history.sqlite3"), batch_s=600, batch_rows=100_000, queue_rows=100
    )
    history = History(settings)
    try:
        for i in range(150):
            history.records(sample(START_S + i, i))
        history.records(Record(START_S, "reef", "check", {"salinity": 35.0}))

        assert (history.health().dropped, history.health().pending) == (50, 101)
    finally:
        assert history.close()
    assert len(list(HistoryReader(settings.path).samples("reef"))) == 100
    assert len(HistoryReader(settings.path).events("reef")) == 1


def test_nothing_is_taken_after_closing(settings: StorageSettings) -> None:
    """A late record is counted as dropped, not lost in silence."""
    history = History(settings)
    assert history.close()

    history.records(sample(START_S))

    assert history.health().dropped == 1


def test_a_stored_file_of_version_1_is_brought_up_to_date(settings: StorageSettings) -> None:
    """A file written by the first version opens, keeps its rows and takes new ones."""
    path = Path(settings.path)
    path.parent.mkdir()
    shutil.copy(DATA / "version-1.sqlite3", path)
    with pytest.raises(HistoryError, match="older version"):
        HistoryReader(path).tanks()

    history = History(settings)
    history.put("notice", "one", 1)
    history.records(sample(START_S + 3600, 60))
    assert history.close()

    reader = HistoryReader(path)
    assert [record.data["seq"] for record in reader.samples("reef")] == list(range(61))
    assert reader.events("reef")[0].data["salinity"] == 35.1
    with sqlite3.connect(path) as connection:
        assert version_of(connection) == VERSION
    connection.close()


def test_every_step_leads_to_the_tables_of_a_fresh_file() -> None:
    """A migrated file and a new one have the same tables, whatever version it came from."""

    def tables(connection: sqlite3.Connection) -> set[str]:
        return {
            row[0] for row in connection.execute("SELECT sql FROM sqlite_master WHERE sql <> ''")
        }

    fresh = sqlite3.connect(":memory:", isolation_level=None)
    migrate(fresh)
    for version in range(1, VERSION):
        old = sqlite3.connect(":memory:", isolation_level=None)
        migrate(old, version)

        assert migrate(old) == version
        assert tables(old) == tables(fresh)


def test_a_newer_file_is_left_alone(settings: StorageSettings) -> None:
    """After going back to an older program the file is neither changed nor moved."""
    history = History(settings)
    history.records(sample(START_S))
    assert history.close()
    with sqlite3.connect(settings.path) as connection:
        connection.execute(f"PRAGMA user_version = {VERSION + 1}")
    connection.close()
    before = Path(settings.path).read_bytes()

    with pytest.raises(HistoryError, match="newer version"):
        History(settings)

    assert Path(settings.path).read_bytes() == before


def test_another_programs_database_is_left_alone(settings: StorageSettings) -> None:
    """A path that points at something else by mistake harms nothing."""
    path = Path(settings.path)
    path.parent.mkdir()
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE photos (id)")
    connection.close()

    with pytest.raises(HistoryError, match="another program"):
        History(settings)

    with sqlite3.connect(path) as connection:
        assert connection.execute("SELECT name FROM sqlite_master").fetchall() == [("photos",)]
    connection.close()


def test_a_missing_history_is_said_in_plain_words(tmp_path: Path) -> None:
    """Reading where nothing is names the path."""
    with pytest.raises(HistoryError, match=r"There is no history at .*nowhere"):
        HistoryReader(tmp_path / "nowhere.sqlite3").tanks()


def test_a_path_that_cannot_be_is_said_in_plain_words(tmp_path: Path) -> None:
    """A file where a directory should be is the keeper's to put right."""
    (tmp_path / "file").write_text("x")

    with pytest.raises(HistoryError, match=r"\[storage\] path"):
        History(StorageSettings(path=str(tmp_path / "file" / "history.sqlite3")))


def test_odd_names_of_directories_are_no_trouble(tmp_path: Path) -> None:
    """Characters with a meaning in addresses are part of the path."""
    settings = StorageSettings(path=str(tmp_path / "50 % #1?mode=rw" / "history.sqlite3"))
    history = History(settings)
    history.records(sample(START_S))
    assert history.close()

    assert len(list(HistoryReader(settings.path).samples("reef"))) == 1


def test_reader_and_writer_do_not_disturb_each_other(
    history: History, settings: StorageSettings
) -> None:
    """While batches are written, every query sees a whole prefix of what was given."""
    history.records(sample(START_S, 0))
    assert history.flush()
    reader = HistoryReader(settings.path)
    problems: list[str] = []
    done = threading.Event()

    def look() -> None:
        seen = 0
        while not done.is_set():
            seqs = [record.data["seq"] for record in reader.samples("reef")]
            points = reader.series("reef", START_S, START_S + 40_000, 50)
            if seqs != list(range(len(seqs))):
                problems.append("a hole in the samples")
            if len(seqs) < seen or sum(points.samples) < len(seqs):
                problems.append("data went away")
            seen = len(seqs)

    threads = [threading.Thread(target=look) for _ in range(3)]
    for thread in threads:
        thread.start()
    for i in range(1, 2000):
        history.records(sample(START_S + 10 * i, i))
        if i % 200 == 0:
            assert history.flush()
    done.set()
    for thread in threads:
        thread.join()

    assert problems == []
    assert history.health().failures == 0


def test_a_reader_finds_nothing_but_what_is_written(settings: StorageSettings) -> None:
    """An unknown tank is empty, not an error."""
    history = History(settings)
    assert history.close()
    reader = HistoryReader(settings.path)

    assert reader.tanks() == ()
    assert reader.extent("reef") is None
    assert reader.series("reef", START_S, START_S + 60).at_s == []
    assert reader.cause_seconds("reef", START_S, START_S + 60) == {}
    assert list(reader.records()) == []


def test_commits_reach_the_disk(history: History) -> None:
    """Each batch is synchronised; SQLite's NORMAL would leave it to the operating system."""
    assert history.flush()
    writer = history._writer  # noqa: SLF001 - no other way to see it
    assert writer is not None

    level = writer._connection.execute("PRAGMA synchronous").fetchone()[0]  # noqa: SLF001
    mode = writer._connection.execute("PRAGMA journal_mode").fetchone()[0]  # noqa: SLF001

    assert (level, mode) == (2, "wal")


@contextmanager
def nobody_special() -> Iterator[None]:
    """For a while, this process is not root, who may write everywhere."""
    before = os.geteuid()
    if before == 0:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(before)


def test_a_directory_without_permission_is_said_in_plain_words(tmp_path: Path) -> None:
    """The message names the path and the key to change."""
    tmp_path.chmod(0o500)
    with nobody_special(), pytest.raises(HistoryError, match=r"\[storage\] path"):
        History(StorageSettings(path=str(tmp_path / "history.sqlite3")))
