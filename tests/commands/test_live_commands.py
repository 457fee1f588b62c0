"""The commands that run the engine, as a keeper would call them, with the real engine."""

import os
import random
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.request import urlopen

import orjson
import pytest

from bridge.cli import main
from bridge.core.events import Message
from bridge.core.wire.instants import iso_utc
from bridge.shell.capture import CaptureReader, CaptureWriter
from tests.support.listener import Listener
from tests.support.mosquitto import Mosquitto

PROGRAM = (sys.executable, "-c", "import sys; from bridge.cli import main; sys.exit(main())")

START_S = 1772366400.0
"""2026-03-01T12:00:00Z."""

CONFIGURATION = """
[broker]
host = "127.0.0.1"
port = {port}

[storage]
path = "{directory}/history.sqlite3"

[tanks.reef]
volume_l = 300.0

[tanks.reef.probe]
topic = "home/probe"
unit = "mS/cm"
reports = "conductivity"

[tanks.reef.thermometer]
topic = "home/water"

[tanks.reef.permits.dosing]
delivers = "dose"
driven_by = "salinity"
"""


@pytest.fixture
def configuration(tmp_path: Path) -> Path:
    """A configuration whose broker is not there."""
    return configure(tmp_path, 1)


def configure(directory: Path, port: int) -> Path:
    """Write a configuration file."""
    path = directory / "tidegate.toml"
    path.write_text(CONFIGURATION.format(port=port, directory=directory), encoding="utf-8")
    return path


def capture(path: Path, *, seconds: int = 1200) -> Path:
    """An ordinary twenty minutes, with a long silence at the end."""
    noise = random.Random(7)
    with CaptureWriter(path) as writer:
        for second in range(0, seconds, 5):
            at_s = START_S + second
            conductivity = b"%.3f" % (53.0 + noise.gauss(0.0, 0.01))
            writer.write(at_s, "home/probe", conductivity, retain=False)
            writer.write(at_s + 0.5, "home/water", b"25.00", retain=False)
        writer.write(START_S + seconds + 3600.0, "home/water", b"25.00", retain=False)
    return path


def replay(configuration: Path, source: Path, output: Path, hash_seed: str = "0") -> bytes:
    """Replay in a process of its own."""
    subprocess.run(  # noqa: S603 # our own program
        [
            *(*PROGRAM, "replay", "--config", str(configuration)),
            *("--input", str(source), "--output", str(output)),
        ],
        check=True,
        capture_output=True,
        env={**os.environ, "PYTHONHASHSEED": hash_seed},
    )
    return output.read_bytes()


def test_replay_is_the_same_byte_for_byte(configuration: Path, tmp_path: Path) -> None:
    """Hash seed, file names and compression of the input change nothing."""
    first = replay(configuration, capture(tmp_path / "a.jsonl"), tmp_path / "1.jsonl", "1")
    second = replay(configuration, capture(tmp_path / "b.jsonl.zst"), tmp_path / "2.jsonl", "2")

    assert first == second
    assert first


def test_replay_publishes_what_the_contract_names(configuration: Path, tmp_path: Path) -> None:
    """State, salinity, diagnosis and permit are there, one boot id, and silence ends the permit."""
    assert (
        main(
            [
                *("replay", "--config", str(configuration)),
                *("--input", str(capture(tmp_path / "a.jsonl"))),
                *("--output", str(tmp_path / "out.jsonl.gz")),
            ]
        )
        == 0
    )
    published = list(CaptureReader(tmp_path / "out.jsonl.gz"))
    topics = {message.topic for message in published}
    documents = [orjson.loads(m.payload) for m in published if m.topic.endswith("/salinity")]
    permits = [m for m in published if m.topic == "tidegate/reef/permit/dosing"]
    states = [orjson.loads(m.payload)["state"] for m in permits]

    assert {"tidegate/state", "tidegate/reef/salinity", "tidegate/reef/diagnosis"} <= topics
    assert documents[200]["salinity"] == pytest.approx(34.99, abs=0.05)
    assert len({document["boot_id"] for document in documents}) == 1
    assert "permit" in states
    assert states[-1] == "hold"
    held = next(m for m, state in zip(permits[::-1], states[::-1], strict=True) if state == "hold")
    assert held.at_s < START_S + 1200 + 3600, "silence is judged between the messages"


@pytest.mark.parametrize("words", [["replay", "--input", "nowhere.jsonl", "--output", "o.jsonl"]])
def test_wrong_file_is_one_sentence(
    configuration: Path, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """A file that is not there is told by name, with exit code 2 and no traceback."""
    assert main([words[0], "--config", str(configuration), *words[1:]]) == 2
    told = capsys.readouterr().err

    assert "nowhere.jsonl: No such file" in told
    assert "Traceback" not in told


def test_recording_does_not_overwrite(configuration: Path, tmp_path: Path) -> None:
    """A recording that exists is not thrown away by a slip of the hand."""
    precious = capture(tmp_path / "precious.jsonl")
    before = precious.read_bytes()

    assert main(["record", "--config", str(configuration), "--output", str(precious)]) == 2
    assert precious.read_bytes() == before


SALINITY = "tidegate/reef/salinity"


@contextmanager
def daemon(configuration: Path, health: Path) -> Iterator[subprocess.Popen[bytes]]:
    """``tidegate run`` as a process."""
    command = [*PROGRAM, "run", "--config", str(configuration)]
    started = subprocess.Popen([*command, "--health-file", str(health)])  # noqa: S603
    try:
        yield started
    finally:
        started.kill()
        started.wait(5.0)


@pytest.mark.broker
def test_run_corrects_permits_and_ends_in_hold(broker: Mosquitto, tmp_path: Path) -> None:
    """The whole road with the real engine: value, permit, SIGTERM, hold, disconnected."""
    configuration = configure(tmp_path, broker.port)
    with Listener(broker.port) as listener, daemon(configuration, tmp_path / "h.json") as process:
        listener.wait_for("tidegate/state", b"ready", 10.0)
        for number in range(20):
            listener.publish("home/water", b"25.00")
            listener.publish("home/probe", b"53.%02d" % (number % 3))
        # The first document says that nothing was heard yet.
        listener.wait(lambda heard: sum(each.topic == SALINITY for each in heard) > 10)
        corrected = listener.wait_for(SALINITY)
        document = orjson.loads(corrected.payload)
        assert document["probe_salinity"] == pytest.approx(35.0, abs=0.2)
        assert corrected.retain is False
        started = time.monotonic()
        process.send_signal(signal.SIGTERM)
        assert process.wait(5.0) == 0
        assert time.monotonic() - started < 5.0
        listener.wait_for("tidegate/state", b"disconnected")
        permit = orjson.loads(listener.of("tidegate/reef/permit/dosing")[-1])
        assert permit["state"] == "hold"


@pytest.mark.broker
def test_hostile_payloads_and_the_real_engine(broker: Mosquitto, tmp_path: Path) -> None:
    """Nothing that arrives on a sensor or command topic stops the daemon."""
    configuration = configure(tmp_path, broker.port)
    rng = random.Random(11)
    odd = [b"", b"NaN", b"1e999", b"null", b"[1]", b'{"a":1}', b"\xff\xfe", b"x" * 100_000, b"-"]
    with (
        Listener(broker.port, topic="tidegate/#") as listener,
        daemon(configuration, tmp_path / "h.json") as process,
    ):
        listener.wait_for("tidegate/state", b"ready", 10.0)
        for number in range(2000):
            topic = rng.choice(["home/probe", "home/water", "tidegate/reef/command/bypass"])
            payload = rng.choice(odd) if rng.random() < 0.5 else rng.randbytes(rng.randrange(200))
            listener.say(topic, payload, retain=False)
            if number % 100 == 0:
                listener.publish("home/probe", b"53.0")
        listener.forget()
        listener.publish("home/water", b"25.0")
        listener.publish("home/probe", b"53.0")
        listener.wait_for("tidegate/reef/salinity")
        assert process.poll() is None
        heartbeat = orjson.loads(listener.wait_for("tidegate/heartbeat").payload)
        assert heartbeat["counters"]["engine_errors"] == 0
        assert heartbeat["counters"]["callback_errors"] == 0


@pytest.mark.broker
def test_record_then_replay(broker: Mosquitto, tmp_path: Path) -> None:
    """What was recorded live can be replayed."""
    configuration = configure(tmp_path, broker.port)
    recording = tmp_path / "recording.jsonl"
    command = [*PROGRAM, "record", "--config", str(configuration)]
    with Listener(broker.port) as listener:
        process = subprocess.Popen(  # noqa: S603
            [*command, "--output", str(recording)], stderr=subprocess.PIPE
        )
        assert process.stderr is not None
        while b"Recording" not in process.stderr.readline():
            assert process.poll() is None
        for _ in range(5):
            listener.publish("home/water", b"25.00")
            listener.publish("home/probe", b"53.01")
        time.sleep(0.3)
        process.send_signal(signal.SIGINT)
        assert process.wait(5.0) == 0
        process.stderr.close()

    assert [type(message) for message in CaptureReader(recording)] == [Message] * 10
    assert b"/salinity" in replay(configuration, recording, tmp_path / "out.jsonl")


@pytest.mark.broker
def test_demo_tells_its_story_without_a_terminal() -> None:
    """In a pipe it prints plain lines, says that the data is invented, and ends by itself."""
    finished = subprocess.run(  # noqa: S603 # our own program
        [*PROGRAM, "demo", "--speed", "2400"],
        check=False,
        capture_output=True,
        timeout=60,
        text=True,
    )

    assert finished.returncode == 0, finished.stderr
    assert "invented" in finished.stdout.splitlines()[0]
    assert "Bubbles" in finished.stdout
    assert "cause bubbles" in finished.stdout
    assert "The end." in finished.stdout
    assert "Traceback" not in finished.stderr


@pytest.mark.broker
def test_demo_shows_its_story_on_the_page() -> None:
    """The page answers while the story lasts, says what the demonstration says, and is gone."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    address = f"http://127.0.0.1:{port}/"
    demo = subprocess.Popen(  # noqa: S603 # our own program
        [*PROGRAM, "demo", "--speed", "600", "--page", str(port)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert demo.stdout is not None
        assert f"Page: {address}" in demo.stdout.readline()
        deadline = time.monotonic() + 30.0
        text = ""
        while "Nothing disturbs the reading." not in text and time.monotonic() < deadline:
            with urlopen(address, timeout=10.0) as answer:  # our own address
                text = answer.read().decode()
            time.sleep(0.2)
        assert "Nothing disturbs the reading." in text
        demo.send_signal(signal.SIGINT)
        _, said = demo.communicate(timeout=20)
    finally:
        demo.kill()
    assert demo.returncode == 0, said
    assert "Traceback" not in said
    with pytest.raises(OSError, match="refused"):
        urlopen(address, timeout=5.0)  # our own address


CHECKS = """time,tank,kind,data.instrument,data.reference_psu,\
data.reference_expanded_uncertainty_psu,data.reported,data.temperature_c,data.cause,data.note
{0},reef,check,laboratory,34.6,0.1,53.0,25.0,none,first
{1},reef,check,laboratory,34.7,0.1,53.1,26.0,none,second
{2},reef,check,laboratory,34.7,0.1,50.1,26.0,bubbles,spoiled
"""


@pytest.mark.broker
def test_records_reach_the_running_daemon_and_its_history_is_judged_again(
    broker: Mosquitto, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Imported checks are fitted by the daemon; what it heard can be judged again afterwards."""
    configuration = configure(tmp_path, broker.port)
    file = tmp_path / "checks.csv"
    days = [iso_utc(time.time() - 86_400.0 * ago) for ago in (30, 20, 10)]
    file.write_text(CHECKS.format(*days), encoding="utf-8")
    importing = ["import-records", "--config", str(configuration), "--input", str(file)]
    with Listener(broker.port) as listener, daemon(configuration, tmp_path / "h.json") as process:
        listener.wait_for("tidegate/state", b"ready", 10.0)
        for number in range(30):
            listener.publish("home/water", b"25.00")
            listener.publish("home/probe", b"53.%02d" % (number % 3))
            # The history knows milliseconds, and readings are matched by their time.
            time.sleep(0.02)
        assert main(importing) == 0
        assert "3 checks told to the daemon, 0 were" in capsys.readouterr().err
        assert main(importing) == 0
        assert "0 checks told to the daemon, 3 were" in capsys.readouterr().err
        assert main(["reference", "fit", "--config", str(configuration), "--json"]) == 0
        # The spoiled one takes no part.
        assert orjson.loads(capsys.readouterr().out)["checks"] == 2
        process.send_signal(signal.SIGTERM)
        assert process.wait(5.0) == 0

    history = ["replay", "--history", str(tmp_path / "history.sqlite3")]
    assert main([*history, "--config", str(configuration), "--compare", "--json"]) == 0
    (document,) = orjson.loads(capsys.readouterr().out)
    assert document["salinity"]["readings"] >= 15
    assert document["salinity"]["largest_difference"] == pytest.approx(0.0, abs=0.01)
    (permit,) = document["permits"].values()
    assert permit["held_after_s"] == pytest.approx(permit["held_before_s"], abs=1.0)
    assert document["checks"]["after"] == document["checks"]["before"]
