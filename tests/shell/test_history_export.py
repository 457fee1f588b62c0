"""What goes out of the history into files, and what comes back from them."""

import csv
import json
import stat
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyarrow import parquet

from bridge.cli import main
from bridge.core.outputs import Record
from bridge.shell.history import History
from bridge.shell.history_cells import FORMULA_STARTS, cell, value_of
from bridge.shell.history_import import append, read_records
from bridge.shell.history_reader import HistoryReader
from bridge.shell.history_schema import HistoryError
from bridge.shell.history_writer import HistoryWriter
from bridge.shell.storage_settings import StorageSettings
from tests.support.history import START_S, sample

CHECK = Record(
    START_S + 5,
    "reef",
    "check",
    {"number": 1, "readings": [35.1, 35.2], "note": '=1+1, "quoted"', "e_n": None, "usable": True},
)
CALIBRATION = Record(START_S + 6, "frag", "calibration", {"number": 2, "standard": "seawater"})

TEXTS = st.text(st.characters(codec="utf-8"))
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**53), 2**53) | st.floats(-1e9, 1e9) | TEXTS,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXTS, inner, max_size=3),
    max_leaves=6,
)


@pytest.fixture
def filled(tmp_path: Path) -> Path:
    """A history of two hours of one tank, one gap in its values, and two records."""
    settings = StorageSettings(path=str(tmp_path / "h.sqlite3"))
    writer = HistoryWriter(settings)
    writer.write([sample(START_S + 10 * i, i) for i in range(720)])
    writer.write([sample(START_S + 7800, 720, salinity=None, specific_gravity=None)])
    writer.write([CHECK, CALIBRATION])
    writer.close()
    return Path(settings.path)


def rows_of(path: Path) -> list[dict[str, str]]:
    """The rows of a CSV file."""
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@given(VALUES)
def test_a_cell_keeps_its_value(value: Any) -> None:  # noqa: ANN401
    """Numbers, texts that look like numbers, lists and nothing at all come back as they were."""
    text = cell(value)

    assert value_of(text) == value
    assert type(value_of(text)) is type(value)


@given(TEXTS)
def test_no_text_starts_a_formula(text: str) -> None:
    """A spreadsheet never finds a formula where a note was written."""
    assert not cell(text).startswith(FORMULA_STARTS)


def test_samples_go_to_csv(filled: Path, tmp_path: Path) -> None:
    """Each sample is a row, in time order; what is unknown is an empty cell."""
    output = tmp_path / "out.csv"

    assert (
        main(["export", "--history", str(filled), "--tank", "reef", "--output", str(output)]) == 0
    )

    rows = rows_of(output)
    assert len(rows) == 721
    assert rows[0]["time"] == "2026-03-01T12:00:00.000Z"
    assert (rows[0]["tank"], rows[0]["salinity"], rows[0]["cause"]) == ("reef", "35.02", "none")
    assert rows[-1]["salinity"] == ""
    assert stat.S_IMODE(output.stat().st_mode) == 0o600


def test_samples_go_to_parquet(filled: Path, tmp_path: Path) -> None:
    """Types survive: times with their zone, numbers as numbers, missing as missing."""
    output = tmp_path / "out.parquet"

    assert main(["export", "--history", str(filled), "--output", str(output)]) == 0

    table = parquet.read_table(output)
    assert table.num_rows == 721
    assert str(table.schema.field("time").type) == "timestamp[ms, tz=UTC]"
    assert str(table.schema.field("salinity").type) == "double"
    assert table.column("seq").to_pylist() == list(range(721))
    assert table.column("salinity").null_count == 1


@pytest.mark.parametrize("suffix", ["csv", "json", "parquet"])
def test_summaries_go_to_every_format(filled: Path, tmp_path: Path, suffix: str) -> None:
    """Hour rows carry spread, worst flag and seconds in each cause."""
    output = tmp_path / f"out.{suffix}"

    arguments = ["export", "--history", str(filled), "--what", "hours", "--output", str(output)]
    assert main(arguments) == 0

    if suffix == "parquet":
        rows = parquet.read_table(output).to_pylist()
    elif suffix == "json":
        rows = json.loads(output.read_text())
    else:
        rows = rows_of(output)
    assert len(rows) == 2
    assert float(rows[0]["salinity_mean"]) == pytest.approx(35.02)
    assert float(rows[0]["none_s"]) == 3600
    assert int(rows[0]["worst_qartod"]) == 1


def test_a_stretch_of_time_can_be_chosen(filled: Path, tmp_path: Path) -> None:
    """The start is included, the end is not."""
    output = tmp_path / "out.json"
    span = ["--from", "2026-03-01T12:00:10Z", "--to", "2026-03-01T13:01:00+01:00"]

    assert main(["export", "--history", str(filled), *span, "--output", str(output)]) == 0

    assert [row["seq"] for row in json.loads(output.read_text())] == [1, 2, 3, 4, 5]


@pytest.mark.parametrize("suffix", ["csv", "json"])
def test_exported_records_can_be_imported_again(filled: Path, tmp_path: Path, suffix: str) -> None:
    """Checks and calibrations survive the way through a file; a second import adds nothing."""
    output = tmp_path / f"records.{suffix}"
    arguments = ["export", "--history", str(filled), "--what", "events", "--output", str(output)]
    assert main(arguments) == 0
    empty = History(StorageSettings(path=str(tmp_path / "other" / "h.sqlite3")))
    assert empty.close()
    other = tmp_path / "other" / "h.sqlite3"

    for _ in range(2):
        assert main(["import-records", "--history", str(other), "--input", str(output)]) == 0

    assert HistoryReader(other).events() == [CHECK, CALIBRATION]


def test_an_import_while_the_daemon_writes_disturbs_nothing(tmp_path: Path) -> None:
    """Both add rows and new words at the same time."""
    settings = StorageSettings(path=str(tmp_path / "h.sqlite3"), batch_s=0.05)
    history = History(settings)
    history.records(sample(START_S))
    assert history.flush()
    append(Path(settings.path), [CHECK, CALIBRATION])
    history.records(Record(START_S + 7, "frag", "calibration", {"number": 3}))
    assert history.flush()
    health = history.health()
    assert history.close()

    assert (health.failures, health.trouble) == (0, None)
    assert len(HistoryReader(settings.path).events()) == 3


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("a.csv", "time,tank,kind,data.n\nyesterday,reef,check,1\n", 'line 2: time is "yesterday"'),
        ("a.csv", "time,tank,kind,data.n\n2026-03-01T12:00Z,reef,alarm,1\n", "accepted are check"),
        ("a.csv", "time,tank,kind,data.n\n2026-03-01T12:00Z,,check,1\n", "tank is missing"),
        ("a.csv", "time,tank,kind,data.n\n2026-03-01T12:00Z,reef,check,1,2\n", "more cells"),
        ("a.csv", "time,tank,kind\n2026-03-01T12:00Z,reef,check\n", "there is no data"),
        ("a.json", "{", "not valid JSON"),
        ("a.json", "{}", "list of records"),
        ("a.json", "[3]", "record 1 must be an object"),
        (
            "a.json",
            '[{"time":"2026-03-01T12:00","tank":"r","kind":"check","data":{"a":1}}]',
            "time",
        ),
        ("a.txt", "", "accepted are .csv, .json"),
    ],
)
def test_a_fault_in_a_file_is_named(
    *,
    filled: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    name: str,
    content: str,
    message: str,
) -> None:
    """The place and what is accepted are said, and nothing of the file is added."""
    file = tmp_path / name
    file.write_text(content)
    before = HistoryReader(filled).events()

    assert main(["import-records", "--history", str(filled), "--input", str(file)]) == 2

    error = capsys.readouterr().err
    assert message in error
    assert name in error
    assert HistoryReader(filled).events() == before


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (["--output", "x.xlsx"], "accepted are .csv, .json, .parquet"),
        (["--output", "x.csv", "--tank", "pond"], "it has frag, reef"),
        (["--output", "x.csv", "--from", "soon"], '--from: "soon" is not a time'),
        (["--output", "x.csv", "--kind", "check"], "add --what events"),
        (["--output", "missing/x.csv"], "cannot be written"),
    ],
)
def test_wrong_options_are_explained(
    filled: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    *,
    arguments: list[str],
    message: str,
) -> None:
    """The option at fault is named with what it accepts."""
    monkeypatch.chdir(tmp_path)

    assert main(["export", "--history", str(filled), *arguments]) == 2

    assert message in capsys.readouterr().err


def test_a_missing_library_is_explained(
    filled: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Without pyarrow the message says what to install, and leaves no half-written file."""
    monkeypatch.setitem(__import__("sys").modules, "pyarrow", None)
    output = tmp_path / "out.parquet"

    assert main(["export", "--history", str(filled), "--output", str(output)]) == 2

    assert "tidegate[parquet]" in capsys.readouterr().err
    assert not list(tmp_path.glob("*.parquet*"))


def test_importing_needs_a_history(tmp_path: Path) -> None:
    """A mistyped path makes no new file."""
    with pytest.raises(HistoryError, match="There is no history"):
        append(tmp_path / "nowhere.sqlite3", [CHECK])

    assert not (tmp_path / "nowhere.sqlite3").exists()


def test_a_file_is_read_with_its_mark(tmp_path: Path) -> None:
    """Spreadsheets put a byte-order mark in front; it is no part of the first name."""
    file = tmp_path / "checks.csv"
    file.write_bytes(
        b"\xef\xbb\xbftime,tank,kind,data.note\r\n2026-03-01T12:00Z,reef,check,fine\r\n"
    )

    assert read_records(file) == [Record(START_S, "reef", "check", {"note": "fine"})]
