"""The real daemon, with its real engine, behind a real broker, under hostile messages."""

import random
import signal
import subprocess
import sys
from pathlib import Path

import orjson
import pytest

from tests.fuzz.payloads import payload
from tests.support.listener import Heard, Listener
from tests.support.mosquitto import Mosquitto

CONFIGURATION = """
command_secret = "mum-is-the-word"
[broker]
host = "127.0.0.1"
port = {port}
[storage]
path = "{directory}/history.sqlite3"
[tanks.reef]
volume_l = 300
second_probe = {{ topic = "in/second", unit = "psu", reports = "salinity" }}
level = {{ topic = "in/level" }}
metered_top_off = {{ topic = "in/litres" }}
[tanks.reef.probe]
topic = "in/probe"
unit = "psu"
reports = "salinity"
[tanks.reef.thermometer]
topic = "in/water"
path = "sensors.value"
time_path = "sensors.at"
[tanks.reef.equipment.pump]
topic = "in/pump"
kind = "top-off-pump"
[tanks.reef.equipment.heater]
topic = "in/heater"
kind = "heater"
threshold = 5
[tanks.reef.permits.top-off]
delivers = "fresh-water"
driven_by = "level"
equipment = "pump"
"""
COMMANDS = (
    *("reference-check", "calibration", "water-change", "acknowledge", "shelve", "bypass"),
    *("service", "fit", "undo", "nothing", "", "++"),
)
TOPICS = (
    *("in/probe", "in/water", "in/second", "in/level", "in/litres", "in/pump", "in/heater"),
    *(f"tidegate/reef/command/{name}" for name in COMMANDS if "+" not in name),
    *("tidegate/heartbeat", "tidegate/reef/permit/top-off", "tidegate/reef/permit/x"),
    *("tidegate/state", "tidegate/reef/salinity", "tidegate/nobody/command/service"),
)
BETWEEN = 100


def resident_kb(pid: int) -> int:
    """Memory of a process."""
    for line in Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1])
    raise AssertionError


def hostile_run(broker: Mosquitto, directory: Path, count: int) -> list[int]:
    """Send so many; every hundredth is a reading that must be answered. Memory on the way, kB."""
    configuration = directory / "tidegate.toml"
    configuration.write_text(CONFIGURATION.format(port=broker.port, directory=directory))
    rng = random.Random(20260301)
    memory = []
    with (
        Listener(broker.port, topic="tidegate/#") as listener,
        (directory / "log").open("wb") as log,
    ):
        daemon = subprocess.Popen(  # noqa: S603 # our own program
            [
                *(sys.executable, "-c", "import sys, bridge.cli; sys.exit(bridge.cli.main())"),
                *("run", "--config", str(configuration)),
                *("--health-file", str(directory / "health.json")),
            ],
            stderr=log,
        )
        try:
            listener.wait_for("tidegate/state", b"ready", 20.0)
            for number in range(count):
                topic = rng.choice(TOPICS)
                listener.say(topic, payload(rng), retain=rng.random() < 0.1)
                if number % BETWEEN == 0:
                    reading = round(34.0 + number / count, 5)
                    listener.publish("in/probe", str(reading).encode())
                    listener.wait(lambda heard, reading=reading: _answered(heard, reading), 20.0)  # type: ignore[misc]
                    memory.append(resident_kb(daemon.pid))
                    listener.forget()
            counters = listener.wait(_counters)
            daemon.send_signal(signal.SIGTERM)
            assert daemon.wait(10.0) == 0
        finally:
            daemon.kill()
            daemon.wait(5.0)
    # Three of the topics are nothing that it listens to.
    assert counters["messages_received"] > 0.8 * count
    wrong = {"engine_errors", "callback_errors", "sink_errors", "messages_dropped", "guard_trips"}
    assert {key: counters[key] for key in wrong} == dict.fromkeys(wrong, 0)
    assert "Traceback" not in (directory / "log").read_text(encoding="utf-8")
    return memory


def _answered(heard: list[Heard], reading: float) -> bool:
    return any(
        _document(each).get("reported") == reading
        for each in heard
        if each.topic == "tidegate/reef/salinity"
    )


def _counters(heard: list[Heard]) -> dict[str, int] | None:
    """From the daemon's own heartbeat; the forged ones have none."""
    for each in reversed(heard):
        counters = _document(each).get("counters")
        if each.topic == "tidegate/heartbeat" and isinstance(counters, dict):
            return counters
    return None


def _document(heard: Heard) -> dict[str, object]:
    # What we sent ourselves comes back, too.
    try:
        document = orjson.loads(heard.payload)
    except orjson.JSONDecodeError:
        return {}
    return document if isinstance(document, dict) else {}


@pytest.mark.broker
def test_every_good_reading_is_answered(broker: Mosquitto, tmp_path: Path) -> None:
    """2,000 hostile messages at every topic, commands and own ones included: nothing stops."""
    hostile_run(broker, tmp_path, 2000)


@pytest.mark.broker
@pytest.mark.soak
def test_memory_stays(broker: Mosquitto, tmp_path: Path) -> None:
    """60,000 of them: in the last third, when every buffer has had its worst, memory is flat."""
    memory = hostile_run(broker, tmp_path, 60_000)

    sys.stdout.write(f"resident kB, every 2,000: {memory[:: 2000 // BETWEEN]}, end {memory[-1]}\n")
    assert memory[-1] < 1.05 * memory[2 * len(memory) // 3]
    assert memory[-1] < 200_000
