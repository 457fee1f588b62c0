"""Real daemons beside each other on a real broker: double control never, sharing without harm."""

import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import orjson
import pytest

from tests.support.listener import Heard, Listener
from tests.support.mosquitto import Mosquitto

BROKER = """
[broker]
host = "127.0.0.1"
port = {port}
client_id = "{client_id}"
protocol = "{protocol}"
[storage]
path = "{directory}/history.sqlite3"
"""
TANK = """
[tanks.{name}]
volume_l = 300
[tanks.{name}.probe]
topic = "in/{name}/probe"
unit = "mS/cm"
reports = "conductivity"
interval_s = 0.1
[tanks.{name}.thermometer]
topic = "in/{name}/water"
[tanks.{name}.permits.dosing]
delivers = "dose"
driven_by = "schedule"
lease_s = 15
minimum_hold_s = 0
"""
SHARES = '[shares.left]\ntanks = ["a"]\n[shares.right]\ntanks = ["b"]\n'


@contextmanager
def daemon(directory: Path, *words: str) -> Iterator[subprocess.Popen[bytes]]:
    """A process with shortened settling, for the length of a block."""
    (directory / "control").mkdir(exist_ok=True)
    process = subprocess.Popen(  # noqa: S603 # our own program
        [
            *(sys.executable, "-m", "tests.faults.daemon_process", str(directory / "control")),
            *("run", "--config", str(directory / "tidegate.toml"), *words),
            *("--health-file", str(directory / f"health{''.join(words)}.json")),
        ],
        stderr=subprocess.DEVNULL,
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait(5.0)


def configure(directory: Path, broker: Mosquitto, text: str, **changes: str) -> Path:
    """A directory with a configuration in it."""
    directory.mkdir()
    values = {"client_id": "tidegate", "protocol": "auto", **changes}
    head = BROKER.format(port=broker.port, directory=directory, **values)
    (directory / "tidegate.toml").write_text(head + text, encoding="utf-8")
    return directory


@contextmanager
def water(listener: Listener, *tanks: str) -> Iterator[None]:
    """Ordinary readings, ten a second, for the length of a block."""
    stop = threading.Event()

    def read() -> None:
        count = 0
        while not stop.wait(0.1):
            count += 1
            for tank in tanks:
                listener.say(f"in/{tank}/water", b"25.0")
                listener.say(f"in/{tank}/probe", b"%.3f" % (53.0 + 0.004 * (count * 7 % 5 - 2)))

    thread = threading.Thread(target=read)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def permit(
    topic: str, state: str, *, reason: str | None = None
) -> Callable[[list[Heard]], Heard | None]:
    """Whether the newest document of a permit says that."""

    def newest(heard: list[Heard]) -> Heard | None:
        for each in reversed(heard):
            if each.topic == topic:
                document = orjson.loads(each.payload)
                said = document["state"] == state and document["first_reason"] == reason
                return each if said else None
        return None

    return newest


@pytest.mark.broker
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_a_second_daemon_for_the_same_tank_makes_both_hold(
    broker: Mosquitto, tmp_path: Path, protocol: str
) -> None:
    """Started twice under two client ids: both hold, say why, and neither permits again."""
    topic = "tidegate/a/permit/dosing"
    one = configure(tmp_path / "one", broker, TANK.format(name="a"), protocol=protocol)
    two = configure(
        tmp_path / "two", broker, TANK.format(name="a"), protocol=protocol, client_id="copy"
    )
    with Listener(broker.port) as listener, water(listener, "a"), ExitStack() as stack:
        stack.enter_context(daemon(one))
        listener.wait(permit(topic, "permit"), 30.0)
        stack.enter_context(daemon(two))
        held = permit(topic, "hold", reason="another-daemon")
        # The second's own first hold may follow at once, so the newest alone could be missed.
        listener.wait(lambda heard: any(held([each]) for each in heard), 20.0)
        listener.forget()
        # The second has settled as well by then, and would permit if it were alone.
        listener.wait_for("tidegate/alarm/another-daemon", timeout_s=25.0)
        holders = [orjson.loads(payload) for payload in listener.of(topic)]

        assert all(each["state"] == "hold" for each in holders)


@pytest.mark.broker
def test_shares_live_and_die_by_themselves(broker: Mosquitto, tmp_path: Path) -> None:
    """Two daemons of one file both permit; one that is killed closes its own gates only."""
    site = configure(
        tmp_path / "site", broker, SHARES + TANK.format(name="a") + TANK.format(name="b")
    )
    with Listener(broker.port) as listener, water(listener, "a", "b"), ExitStack() as stack:
        left = stack.enter_context(daemon(site, "--share", "left"))
        stack.enter_context(daemon(site, "--share", "right"))
        listener.wait(permit("tidegate/left/a/permit/dosing", "permit"), 30.0)
        listener.wait(permit("tidegate/right/b/permit/dosing", "permit"), 30.0)
        left.kill()
        listener.wait_for("tidegate/left/state", b"lost")
        listener.wait(permit("tidegate/left/a/permit/dosing", "hold", reason="lost"))
        listener.forget()
        # Renewed after a third of the lease, and never taken back.
        listener.wait(permit("tidegate/right/b/permit/dosing", "permit"), 10.0)

        assert listener.of("tidegate/right/state") == []
        assert (site / "history-left.sqlite3").exists()
        assert (site / "history-right.sqlite3").exists()
