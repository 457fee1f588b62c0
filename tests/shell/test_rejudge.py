"""The history can be judged again, as a daemon would have that had run with other settings."""

import sqlite3
from collections.abc import Sequence
from contextlib import closing
from dataclasses import replace
from datetime import UTC
from pathlib import Path

import orjson
import pytest

from bridge.cli import main
from bridge.core.engine import Engine
from bridge.core.events import ClockStepped, LinkDown, LinkUp, Message, Shutdown, Tick
from bridge.core.outputs import Output, Record
from bridge.shell.capture import CaptureReader
from bridge.shell.history import History
from bridge.shell.history_inputs import Input, InputTap, Lost, Started, pack, unpack
from bridge.shell.history_reader import HistoryReader
from bridge.shell.rejudge import rejudge, span_of
from bridge.shell.rejudge_compare import as_document, compare
from bridge.shell.rejudge_words import words
from bridge.shell.storage_settings import StorageSettings
from bridge.simulation.catalogue import scenario
from bridge.simulation.scenario import Scenario
from tests.support.history import START_S
from tests.support.kept import as_toml, live

HOUR_S = 3600.0


def records(outputs: Sequence[Output], from_s: float = 0.0) -> list[Record]:
    """The records among outputs, with the boot id left out: a replay derives its own."""
    return [
        each._replace(
            at_s=round(each.at_s, 2),
            data={k: v for k, v in each.data.items() if k not in {"boot_id", "time"}},
        )
        for each in outputs
        if isinstance(each, Record) and each.at_s >= from_s
    ]


@pytest.fixture(scope="module")
def plume() -> Scenario:
    """A tank whose top-off hose ends near the probe (invented), fifteen hours of it."""
    made = scenario("plume", 3, shortest_interval_s=10.0)
    end_s = made.start_s + 15 * HOUR_S
    return replace(made, messages=[sent for sent in made.messages if sent.at_s < end_s])


def told(made: Scenario) -> list[Message]:
    """Its messages, to the millisecond, as the history keeps times."""
    return [Message(round(s.at_s, 3), s.topic, s.payload, s.retained) for s in made.messages]


@pytest.fixture(scope="module")
def kept(plume: Scenario, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[Output]]:
    """The history of that tank, with a restart of the daemon in between, and what was said."""
    path = tmp_path_factory.mktemp("kept") / "history.sqlite3"
    return path, live(path, plume.settings(), told(plume), restart_at_s=plume.start_s + 8 * HOUR_S)


def test_the_same_settings_lead_to_the_same_judgement(
    kept: tuple[Path, list[Output]], plume: Scenario
) -> None:
    """Judged from its first message on, everything comes out as it was, over the restart too."""
    path, said = kept
    reader = HistoryReader(path)
    span = span_of(reader, None, None)
    again = rejudge(reader.inputs(span.begin_s, span.to_s), settings=plume.settings(), span=span)

    assert records(list(again)) == records(said)


def test_a_later_stretch_begins_with_what_was_known(
    kept: tuple[Path, list[Output]], plume: Scenario
) -> None:
    """The salinity of a stretch in the middle is that which was published, to a hundredth."""
    path, said = kept
    reader = HistoryReader(path)
    from_s = plume.start_s + 12 * HOUR_S
    span = span_of(reader, from_s, None)
    again = rejudge(reader.inputs(span.begin_s, span.to_s), settings=plume.settings(), span=span)
    old, new = (
        {r.at_s: r.data["salinity"] for r in records(side, from_s) if r.kind == "sample"}
        for side in (said, list(again))
    )

    assert span.state is not None
    assert from_s - 31 * HOUR_S <= span.begin_s <= from_s - HOUR_S
    assert len(old) > 100
    assert old.keys() == new.keys()
    assert all(old[at_s] == pytest.approx(new[at_s], abs=0.01) for at_s in old)


@pytest.fixture
def config(plume: Scenario, tmp_path: Path) -> Path:
    """A configuration of that tank with permits that are held for an hour at least."""
    tank = plume.tank
    permits = {name: replace(each, minimum_hold_s=3600.0) for name, each in tank.permits.items()}
    settings = replace(plume.settings(), tanks={"reef": replace(tank, permits=permits)})
    path = tmp_path / "new.toml"
    path.write_text(as_toml(settings), encoding="utf-8")
    return path


@pytest.fixture
def same(plume: Scenario, tmp_path: Path) -> Path:
    """The configuration that the daemon had."""
    path = tmp_path / "same.toml"
    path.write_text(as_toml(plume.settings()), encoding="utf-8")
    return path


def test_nothing_would_have_changed_with_the_same_configuration(
    kept: tuple[Path, list[Output]], same: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The comparison finds no difference at all."""
    command = ["replay", "--history", str(kept[0]), "--config", str(same), "--compare"]
    assert main([*command, "--json"]) == 0
    (document,) = orjson.loads(capsys.readouterr().out)
    assert main(command) == 0
    text = capsys.readouterr().out

    salinity = document["salinity"]
    assert salinity["readings"] > 1000
    assert salinity["largest_difference"] == 0
    assert salinity["agreeing_share"] == 1
    assert salinity["known_before"] == salinity["known_after"] > 1000
    for permit in document["permits"].values():
        assert permit["held_before_s"] == permit["held_after_s"] > 0
        assert permit["no_more"] == permit["anew"] == []
    for counted in (*document["alarms"].values(), *document["causes"].values()):
        assert counted["before_s"] == counted["after_s"]
        assert counted["times_before"] == counted["times_after"]
    assert "Salinity: the same." in text
    assert "held anew" not in text


def test_what_another_configuration_changes_is_told(
    kept: tuple[Path, list[Output]],
    config: Path,
    same: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Against what was, and against what another file would have led to; the captures fit."""
    command = ["replay", "--history", str(kept[0]), "--config", str(config)]
    output = tmp_path / "out.jsonl"
    assert main([*command, "--compare", "--json", "--output", str(output)]) == 0
    (document,) = orjson.loads(capsys.readouterr().out)
    assert main([*command, "--against", str(same), "--json"]) == 0
    (against,) = orjson.loads(capsys.readouterr().out)
    assert main([*command, "--compare"]) == 0
    text = capsys.readouterr().out

    assert document == against
    assert any(p["held_after_s"] > p["held_before_s"] for p in document["permits"].values())
    assert document["permits"].keys() == {"top-off", "salinity-dosing"}
    assert document["salinity"]["readings"] > 1000
    assert document["salinity"]["largest_difference"] == 0
    assert "Top off: held" in text
    assert "; it was " in text
    lines = [orjson.loads(line) for line in output.read_bytes().splitlines()]
    assert (
        sum(line["topic"] == "tidegate/reef/salinity" for line in lines)
        >= document["salinity"]["readings"]
    )


def row(at_s: float, kind: str, **data: object) -> Record:
    """An invented record."""
    return Record(START_S + at_s, "reef", kind, data)


def test_differences_are_counted_as_they_are() -> None:
    """Means, RMS, shares and holds of a hand-made pair of judgements come out by hand, too."""

    def permit(at_s: float, state: str) -> Record:
        return row(at_s, "permit", permit="top-off", state=state, reasons=["plume"])

    def sample(at_s: float, salinity: float | None) -> Record:
        return row(at_s, "sample", salinity=salinity, uncertainty=0.1)

    old = [
        permit(-10, "permit"),
        sample(0, 35.0),
        permit(5, "hold"),
        sample(10, 35.0),
        permit(15, "permit"),
        sample(20, None),
    ]
    new = [
        permit(-10, "permit"),
        sample(0, 35.3),
        sample(10, 34.9),
        sample(20, 35.0),
        permit(40, "hold"),
    ]
    (found,) = compare(old, new, permits={"reef": ("top-off",)}, from_s=START_S, to_s=START_S + 100)
    document = as_document(found)

    assert document["salinity"] | {"largest_at_s": None} == {
        "readings": 3,
        "known_before": 2,
        "known_after": 3,
        "mean_difference": 0.1,
        "rms_difference": 0.2236,
        "largest_difference": 0.3,
        "largest_at_s": None,
        # 0.3 is more than 0.1 and 0.1 together allow (0.14), 0.1 is not.
        "agreeing_share": 0.5,
        "mean_uncertainty_before": 0.1,
        "mean_uncertainty_after": 0.1,
    }
    assert document["salinity"]["largest_at_s"] == START_S
    assert document["permits"]["top-off"] == {
        "held_before_s": 10.0,
        "held_after_s": 60.0,
        "holds_before": 1,
        "holds_after": 1,
        "no_more": [{"from_s": START_S + 5, "to_s": START_S + 15, "reasons": ["plume"]}],
        "anew": [{"from_s": START_S + 40, "to_s": START_S + 100, "reasons": ["plume"]}],
    }
    text = words(found, title="Reef", zone=UTC)
    assert "no longer held: 2026-03-01 12:00, 10 s (unmixed water at the probe)" in text
    assert "held anew: " in text


def test_what_was_heard_comes_out_as_a_capture(
    kept: tuple[Path, list[Output]], plume: Scenario, tmp_path: Path
) -> None:
    """Message by message, so that it can be given away and replayed like a recorded one."""
    output = tmp_path / "capture.jsonl.zst"
    words = ["export", "--history", str(kept[0]), "--what", "messages", "--output", str(output)]

    assert main([*words, "--tank", "reef"]) == 2
    assert main(words) == 0
    assert list(CaptureReader(output)) == told(plume)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ([], "say what is wanted"),
        (["--compare", "--from", "2020-01-01", "--to", "2020-01-02"], "none of the time"),
        (["--compare", "--from", "yesterday"], "is not a time"),
        (["--compare", "--from", "2026-03-02", "--to", "2026-03-01"], "earlier than --to"),
        (["--json", "--output", "x.jsonl"], "--json goes with"),
    ],
)
def test_what_cannot_be_judged_is_said(
    kept: tuple[Path, list[Output]],
    same: Path,
    more: list[str],
    said: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One sentence and exit code 2."""
    assert main(["replay", "--history", str(kept[0]), "--config", str(same), *more]) == 2
    assert said in capsys.readouterr().err


def test_a_history_without_messages_is_told_from_one_with(
    same: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """An old history, or one that keeps none, says why."""
    path = tmp_path / "old.sqlite3"
    History(StorageSettings(path=str(path))).close()

    assert main(["replay", "--history", str(path), "--config", str(same), "--compare"]) == 2
    assert "input_days is 0" in capsys.readouterr().err


INPUTS: list[Input] = [
    Started(START_S),
    LinkUp(START_S + 0.5),
    Message(START_S + 1.25, "home/a", b"34.31"),
    Message(START_S + 1.25, "home/b", b"\xff\x00", retained=True),
    Message(START_S + 2.5, "home/a", "ä".encode()),
    ClockStepped(START_S + 3, -12.5),
    Lost(START_S + 4, 17),
    LinkDown(START_S + 5),
    Shutdown(START_S + 6),
]


def test_a_block_gives_back_what_went_in() -> None:
    """Every kind of event, binary payloads and retained ones come back as they were."""
    assert unpack(pack(INPUTS)) == INPUTS
    assert unpack(pack([])) == []


def test_blocks_are_gathered_and_stay_in_order(tmp_path: Path) -> None:
    """Small blocks become one an hour, nothing is lost, and a stretch is cut out exactly."""
    path = tmp_path / "h.sqlite3"
    history = History(StorageSettings(path=str(path), batch_s=600))
    sent = [Message(START_S + 30.0 * n, "home/a", b"%d" % n) for n in range(400)]
    for message in sent:
        history.inputs(message)
        assert history.flush()
    assert history.close()
    with closing(sqlite3.connect(path)) as connection:
        loose, gathered = (
            connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]  # noqa: S608
            for table in ("input_loose", "input")
        )
    reader = HistoryReader(path)

    assert list(reader.inputs()) == sent
    assert list(reader.inputs(START_S + 60, START_S + 120)) == sent[2:4]
    assert gathered == 3
    assert loose <= 120


def test_what_was_heard_is_kept_as_long_as_configured(tmp_path: Path) -> None:
    """Older blocks go, step by step, and so do the snapshots of those days."""
    path = tmp_path / "h.sqlite3"
    history = History(
        StorageSettings(path=str(path), batch_s=600, input_days=2, queue_rows=100_000)
    )
    for hour in range(24 * 8):
        at_s = START_S + hour * HOUR_S
        history.inputs(Message(at_s, "home/a", b"1"))
        history.records(Record(at_s, "reef", "level", {"level": 1.0}))
        history.save_state(b"{}", at_s=at_s)
        assert history.flush()
    assert history.close()
    extent = HistoryReader(path).inputs_extent()
    with closing(sqlite3.connect(path)) as connection:
        oldest_ms = connection.execute("SELECT min(at) FROM engine_state").fetchone()[0]
        states = connection.execute("SELECT count(*) FROM engine_state").fetchone()[0]

    newest_s = START_S + (24 * 8 - 1) * HOUR_S
    assert extent is not None
    assert newest_s - 2 * 86_400 - 6 * HOUR_S < extent[0] <= newest_s - 2 * 86_400 + HOUR_S
    assert oldest_ms / 1000 >= newest_s - 3 * 86_400
    assert 3 <= states <= 5


def test_the_secret_is_not_kept(plume: Scenario) -> None:
    """A command is kept without its secret; one with a wrong secret is not kept at all."""
    settings = replace(plume.settings(), command_secret="open sesame")  # noqa: S106 - invented
    engine = Engine(settings, boot_id="0", at_s=START_S)
    seen: list[Input] = []
    tap = InputTap(settings, engine.topics, seen.append)
    topic = "tidegate/reef/command/service"

    def send(**keys: object) -> None:
        tap(Message(START_S, topic, orjson.dumps({"id": "1", "phase": "start", **keys})))

    send(secret="open sesame")  # noqa: S106 - invented
    send(secret="open sesam")  # noqa: S106 - invented
    send()
    tap(Message(START_S, topic, b"open sesame"))
    tap(Message(START_S, "tidegate/command/shelve", b'{"id":"2","secret":"open sesam"}'))
    tap(Message(START_S, "tidegate/heartbeat", b"{}"))
    tap(Tick(START_S))

    assert [orjson.loads(e.payload) for e in seen if isinstance(e, Message)] == [
        {"id": "1", "phase": "start"}
    ]
    assert len(seen) == 1


def test_a_history_that_cannot_be_written_loses_messages_first(tmp_path: Path) -> None:
    """Half the queue is for what was judged, and what is missing is noted where it is missing."""
    path = tmp_path / "h.sqlite3"
    history = History(StorageSettings(path=str(path), queue_rows=100, batch_s=600))
    with closing(sqlite3.connect(path)) as other:
        other.execute("BEGIN EXCLUSIVE")
        for number in range(60):
            history.inputs(Message(START_S + number, "home/a", b"1"))
        other.rollback()
    assert history.flush()
    history.inputs(Message(START_S + 100, "home/a", b"1"))
    assert history.close()

    found = list(HistoryReader(path).inputs())
    assert [type(each) for each in found[:50]] == [Message] * 50
    assert found[50:] == [Lost(START_S + 100, 10), Message(START_S + 100, "home/a", b"1")]
