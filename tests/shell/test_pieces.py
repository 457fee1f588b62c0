"""A capture judged tank by tank, wherever, gives what one engine would have given."""

import logging
import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.cli import main
from bridge.core.engine import Engine
from bridge.core.errors import UserError
from bridge.core.events import Message
from bridge.core.outputs import Publish
from bridge.core.settings import (
    Delivers,
    Driver,
    Equipment,
    EquipmentKind,
    Permit,
    Probe,
    ProbeUnit,
    Reports,
    Settings,
    Tank,
    Thermometer,
)
from bridge.shell.capture import CaptureWriter
from bridge.shell.capture_line import line_of
from bridge.shell.pieces import Split, judge
from bridge.shell.replay import replay

START_S = 1_772_366_400.0
"""2026-03-01T12:00:00Z, an arbitrary start."""


def tank(name: str, *, permits: bool) -> Tank:
    """A tank; a lamp hangs over all of them."""
    return Tank(
        volume_l=200.0,
        probe=Probe(topic=f"in/{name}/probe", unit=ProbeUnit.PSU, reports=Reports.SALINITY),
        thermometer=Thermometer(topic=f"in/{name}/water"),
        equipment={"lamp": Equipment(topic="in/lamp", kind=EquipmentKind.LIGHT)},
        permits={"dosing": Permit(delivers=Delivers.DOSE, driven_by=Driver.SALINITY)}
        if permits
        else {},
    )


SITE = Settings(
    # Not in the order of the alphabet: both orders show in the output.
    tanks={name: tank(name, permits=name != "b") for name in ("c", "a", "b")},
    command_secret="mum-is-the-word",  # noqa: S106 # invented
)
COMMAND = orjson.dumps({"id": "1", "secret": "mum-is-the-word", "phase": "start"})

TOPICS = [
    *(f"in/{name}/{what}" for name in SITE.tanks for what in ("probe", "water")),
    "in/lamp",
    "tidegate/a/command/service",
    "tidegate/c/command/acknowledge",
    "tidegate/nobody/command/service",
    "in/nobody",
]


def ordinary(seconds: int, *, every_s: int = 5, seed: int = 1) -> Iterator[Message]:
    """Readings of all tanks at the very same moments, a lamp, commands, and a long silence."""
    rng = random.Random(seed)
    for second in range(0, seconds, every_s):
        at_s = START_S + second
        for name in SITE.tanks:
            if name == "c" and seconds // 3 < second < seconds // 2:
                continue
            yield Message(at_s, f"in/{name}/water", b"%.2f" % rng.gauss(25, 0.02))
            yield Message(at_s, f"in/{name}/probe", b"%.3f" % rng.gauss(35, 0.02))
        if second % 300 == 0:
            yield Message(at_s, "in/lamp", rng.choice([b"on", b"off"]))
        if second == seconds // 2:
            yield Message(at_s, "tidegate/a/command/service", COMMAND)
            yield Message(at_s, "tidegate/b/command/service", b"rubbish")
    yield Message(START_S + seconds + 7200, "in/a/water", b"25.0")


def serial(messages: list[Message], site: Settings = SITE) -> list[bytes]:
    """What one engine with all tanks writes."""
    lines: list[bytes] = []

    def publish(message: Publish) -> None:
        lines.append(line_of(message.at_s, message.topic, message.payload, retain=message.retain))

    replay(
        messages,
        settings=site,
        make_engine=lambda boot_id, at_s: Engine(site, boot_id=boot_id, at_s=at_s),
        publish=publish,
    )
    return lines


def in_pieces(messages: list[Message], directory: Path, site: Settings = SITE) -> list[bytes]:
    """The same, taken apart, judged the last tank first, and put together."""
    split = Split(messages, site, directory)
    for job, piece in reversed(list(split.jobs())):
        piece.path.write_bytes(judge(job, piece.path.read_bytes()))
    return list(split.joined(piece.path for piece in split.pieces.values()))


def test_two_hours_of_three_tanks(tmp_path: Path) -> None:
    """Line for line the same, with ticks, a shared lamp, silence and commands."""
    messages = list(ordinary(7200))
    expected = serial(messages)

    assert len(expected) > 4000
    assert in_pieces(messages, tmp_path) == expected


def test_a_worker_of_another_version_judges_nothing(tmp_path: Path) -> None:
    """Its results might differ, and nobody would notice."""
    (job, piece), *_ = Split(list(ordinary(60)), SITE, tmp_path).jobs()

    with pytest.raises(UserError, match="must be the same"):
        judge(replace(job, version="0.0.0"), piece.path.read_bytes())


steps = st.lists(
    st.tuples(
        # Often none: what happens at one moment has an order, too.
        st.sampled_from([0.0, 0.0, 0.0, 1.0, 7.0, 60.0, 90.0, 4000.0]),
        st.sampled_from(TOPICS),
        st.sampled_from([b"35.0", b"34.2", b"25.0", b"on", b"off", b"rubbish", COMMAND]),
        st.booleans(),
    ),
    max_size=60,
)


@given(steps=steps)
@settings(max_examples=60)
def test_any_capture(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[float, str, bytes, bool]]
) -> None:
    """Whatever is in it, and also when there is nothing in it."""
    at_s, messages = START_S, []
    for after_s, topic, payload, retained in steps:
        at_s += after_s
        messages.append(Message(at_s, topic, payload, retained))

    assert in_pieces(messages, tmp_path_factory.mktemp("any")) == serial(messages)


CONFIGURATION = """
[broker]
host = "127.0.0.1"
""" + "".join(
    f"""
[tanks.{name}]
volume_l = 200
[tanks.{name}.probe]
topic = "in/{name}/probe"
unit = "psu"
reports = "salinity"
[tanks.{name}.thermometer]
topic = "in/{name}/water"
[tanks.{name}.permits.dosing]
delivers = "dose"
driven_by = "salinity"
"""
    for name in SITE.tanks
)


@pytest.fixture
def site(tmp_path: Path) -> Path:
    """A configuration and two captures."""
    (tmp_path / "site.toml").write_text(CONFIGURATION, encoding="utf-8")
    for name, seed in (("march.jsonl", 1), ("april.jsonl.zst", 2)):
        with CaptureWriter(tmp_path / name) as writer:
            for message in ordinary(1800, seed=seed):
                writer.write(message.at_s, message.topic, message.payload, retain=message.retained)
    return tmp_path


def told(site: Path, *words: str) -> int:
    """Replay with that configuration."""
    return main(["replay", "--config", str(site / "site.toml"), *words])


def reference(site: Path, name: str) -> bytes:
    """What the plain command makes of a capture."""
    output = site / f"serial-{name}"
    assert told(site, "--input", str(site / name), "--output", str(output)) == 0
    return output.read_bytes()


def test_processes_give_the_same_bytes(site: Path) -> None:
    """Several captures at once, in processes, compressed or not; nothing is left behind."""
    (site / "out").mkdir()
    inputs = [str(site / name) for name in ("march.jsonl", "april.jsonl.zst")]

    assert told(site, "--input", *inputs, "--output", str(site / "out"), "--jobs", "2") == 0
    for name in ("march.jsonl", "april.jsonl.zst"):
        assert (site / "out" / name).read_bytes() == reference(site, name)
    assert sorted(path.name for path in (site / "out").iterdir()) == [
        "april.jsonl.zst",
        "march.jsonl",
    ]


@pytest.mark.loopback
@pytest.mark.filterwarnings("ignore::DeprecationWarning:distributed")
def test_a_cluster_gives_the_same_bytes(site: Path) -> None:
    """A real Dask cluster on this machine: a scheduler and workers, each a process."""
    from distributed import LocalCluster  # noqa: PLC0415 - slow to import

    with LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        host="127.0.0.1",
        dashboard_address="127.0.0.1:0",
        silence_logs=logging.ERROR,
    ) as cluster:
        words = ["--input", str(site / "march.jsonl"), "--output", str(site / "out.jsonl")]
        assert told(site, *words, "--scheduler", cluster.scheduler_address) == 0

    assert (site / "out.jsonl").read_bytes() == reference(site, "march.jsonl")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--jobs", "0"], "--jobs is 0; 1 to 256"),
        (["--input", "march.jsonl", "april.jsonl.zst"], "no directory"),
        (["--input", "march.jsonl", "./march.jsonl", "--output", "."], "same name"),
        (["--input", "march.jsonl", "april.jsonl.zst", "--output", "."], "take another"),
        (["--input", "none.jsonl", "--jobs", "2"], "none.jsonl"),
    ],
)
def test_mistakes_are_told(
    site: Path,
    words: list[str],
    said: str,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """In a sentence, with exit code 2, and nothing written."""
    monkeypatch.chdir(site)
    before = sorted(site.iterdir())
    usual = ["--input", "march.jsonl", "--output", "out.jsonl"]

    assert told(site, *usual, *words) == 2
    assert said in capsys.readouterr().err
    assert sorted(site.iterdir()) == before


@pytest.mark.loopback
@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nonsense", "nonsense://x"])
def test_a_scheduler_that_is_not_there_is_told(
    site: Path, address: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the address and what is accepted."""
    monkeypatch.setattr("bridge.shell.workers.CONNECT_WITHIN_S", 0.3)
    words = ["--input", str(site / "march.jsonl"), "--output", str(site / "o.jsonl")]

    assert told(site, *words, "--scheduler", address) == 2
    assert f"{address} cannot be reached" in capsys.readouterr().err
