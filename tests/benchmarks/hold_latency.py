"""From the message that crosses a limit to the ``hold`` on the wire.

    python -m tests.benchmarks.hold_latency

A real mosquitto, the real daemon as a process of its own with many tanks, and this process as
sensors and listener. Every tank crosses a limit twice, at random moments while the others go on:
first metered water beyond the litres of an hour (level-driven top-off), later a probe reading far
outside the band (salinity-driven dosing). The clock runs from before the message is handed to the
client library until the ``hold`` has come back through the broker, so both legs of the network and
this process's own work are part of the figure. Before each crossing a plain message makes the same
way without the daemon; what that takes is the machine's and the broker's share.
"""

import argparse
import random
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Final

import orjson
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.support.listener import _without_delay
from tests.support.mosquitto import Mosquitto

WARM_UP_S: Final = 80.0
"""A start settles for a minute; then the minimum hold."""
EVERY_S: Final = 5.0
"""Between two readings of a probe."""
AGAIN_S: Final = 0.25
"""A hold that is not there by then was not caused by that message."""
MOST_MESSAGES: Final = 10
"""It may take several readings until the diagnosis is sure enough; the one that tips it counts."""

PLAIN: Final = "plain/message"
HEAD: Final = """
[broker]
host = "127.0.0.1"
port = {port}

[storage]
path = "{directory}/history.sqlite3"
"""
TANK: Final = """
[tanks.{name}]
volume_l = 300
probe = {{ topic = "{name}/probe", unit = "psu", reports = "salinity-linear", \
coefficient_pct_per_c = 2.1 }}
thermometer = {{ topic = "{name}/water" }}
metered_top_off = {{ topic = "{name}/litres", unit = "l", counting = "per-event" }}

[tanks.{name}.permits.top-off]
delivers = "fresh-water"
driven_by = "level"
largest_litres_hour = 4
minimum_hold_s = 2

[tanks.{name}.permits.dosing]
delivers = "dose"
driven_by = "salinity"
minimum_hold_s = 2
"""


class Keeper:
    """Sensors of all tanks, and ears for all permits."""

    def __init__(self, port: int, names: list[str]) -> None:
        self.names = names
        self.states: dict[str, str] = {}
        self._waiting_for = ""
        self.plain: list[float] = []
        """What the way through the broker and back took by itself. [s]"""
        self._heard = threading.Event()
        self._heard_at = 0.0
        self._lock = threading.Lock()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        self._client.on_socket_open = _without_delay
        self._client.on_connect = lambda client, *_: client.subscribe(
            [("tidegate/+/permit/+", 1), (PLAIN, 1)]
        )
        self._client.on_message = self._on_message
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._chance = random.Random(1)
        self._crossed: set[str] = set()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._go_on, daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Stop."""
        self._stop.set()
        self._thread.join(5.0)
        self._client.disconnect()
        self._client.loop_stop()

    def cross(self, name: str, permit: str, topic: str, payload: str) -> float | None:
        """Send what crosses a limit; seconds until the hold; None when there was none."""
        self._go_the_way()
        if permit == "dosing":
            # A good reading right after it would blur what caused what.
            self._crossed.add(name)
        self._waiting_for = f"tidegate/{name}/permit/{permit}"
        for _ in range(MOST_MESSAGES):
            self._heard.clear()
            began = time.perf_counter()
            self._client.publish(topic, payload, qos=1)
            if self._heard.wait(AGAIN_S):
                return self._heard_at - began
        return None

    def _go_the_way(self) -> None:
        self._heard.clear()
        self._waiting_for = PLAIN
        began = time.perf_counter()
        self._client.publish(PLAIN, '{"state":"hold"}', qos=1)
        if self._heard.wait(AGAIN_S):
            self.plain.append(self._heard_at - began)

    def _on_message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        now = time.perf_counter()
        state = orjson.loads(message.payload)["state"]
        self.states[message.topic] = state
        if state == "hold" and message.topic == self._waiting_for:
            self._waiting_for = ""
            self._heard_at = now
            self._heard.set()

    def _go_on(self) -> None:
        pause_s = EVERY_S / len(self.names)
        while not self._stop.is_set():
            for name in self.names:
                self._client.publish(f"{name}/water", f"{self._chance.gauss(25, 0.02):.2f}")
                if name not in self._crossed:
                    self._client.publish(f"{name}/probe", f"{self._chance.gauss(35, 0.01):.3f}")
                if self._stop.wait(pause_s):
                    return


def share(values: list[float], part: float) -> float:
    """A quantile, by the nearest rank."""
    return sorted(values)[min(len(values) - 1, int(part * len(values)))]


def measure(directory: Path, tanks: int, seed: int) -> None:
    """One run, reported on standard output."""
    names = [f"tank-{number}" for number in range(tanks)]
    broker = Mosquitto(directory)
    broker.start()
    configuration = directory / "tidegate.toml"
    configuration.write_text(
        HEAD.format(port=broker.port, directory=directory)
        + "".join(TANK.format(name=name) for name in names)
    )
    daemon = subprocess.Popen(  # noqa: S603 # ours
        [
            *(sys.executable, "-c", "import sys, bridge.cli; sys.exit(bridge.cli.main())"),
            *("run", "--config", str(configuration)),
            *("--health-file", str(directory / "health.json")),
        ]
    )
    keeper = Keeper(broker.port, names)
    chance = random.Random(seed)
    try:
        deadline = time.monotonic() + 2 * WARM_UP_S
        while sum(state == "permit" for state in keeper.states.values()) < 2 * tanks:
            if time.monotonic() > deadline:
                raise SystemExit(f"not everything is permitted: {keeper.states}")
            time.sleep(0.5)
        _report("litres beyond the hour's limit", _round(keeper, chance, "top-off"))
        _report("probe reading out of the band", _round(keeper, chance, "dosing"))
        _report("for comparison: a plain message", list(keeper.plain))
    finally:
        daemon.terminate()
        daemon.wait(10.0)
        keeper.close()
        broker.close()


def _round(keeper: Keeper, chance: random.Random, permit: str) -> list[float | None]:
    order = list(keeper.names)
    chance.shuffle(order)
    found = []
    for name in order:
        time.sleep(chance.uniform(0.0, 0.1))
        if permit == "top-off":
            found.append(keeper.cross(name, permit, f"{name}/litres", "50"))
        else:
            found.append(keeper.cross(name, permit, f"{name}/probe", "25.0"))
    return found


def _report(what: str, found: list[float | None]) -> None:
    times = [1e3 * seconds for seconds in found if seconds is not None]
    sys.stdout.write(f"{what}: {len(times)} of {len(found)} came")
    if times:
        sys.stdout.write(
            f"; p50 {share(times, 0.5):.2f} ms, p99 {share(times, 0.99):.2f} ms, "
            f"longest {max(times):.2f} ms"
        )
    sys.stdout.write("\n")
    sys.stdout.flush()


def main() -> None:
    """Read the options and measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tanks", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="tidegate-latency-") as directory:
        measure(Path(directory), options.tanks, options.seed)


if __name__ == "__main__":
    main()
