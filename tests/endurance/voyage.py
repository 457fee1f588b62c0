"""Drives the daemon through months, and looks at it now and then.

All data is invented: salinity like a saw-tooth, temperature like a day, now and then a dip, a
silence or rubbish, and a reference check twice a day, so that all that has a life cycle lives
through it.
"""

import json
import math
import random
import subprocess
import sys
import threading
import time
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import orjson
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from tests.endurance.paced_daemon import Leash
from tests.support.mosquitto import Mosquitto, free_port

START_S: Final = 1_772_366_400.0
"""2026-03-01T12:00:00Z, an arbitrary start."""
DAY_S: Final = 86_400.0
SPEED: Final = 40_000.0
LEASE_S: Final = 900.0
STUCK_S: Final = 30.0

HEAD: Final = """
[broker]
host = "127.0.0.1"
port = {port}
[storage]
path = "{directory}/history.sqlite3"
[page]
enabled = true
port = {page}
[metrics]
enabled = true
port = {metrics}
[dashboards]
hub_prefix = "hub"
"""
TANK: Final = """
[tanks.{name}]
volume_l = 300
[tanks.{name}.probe]
topic = "in/{name}/probe"
unit = "psu"
reports = "salinity"
[tanks.{name}.thermometer]
topic = "in/{name}/water"
[tanks.{name}.equipment.lamp]
topic = "in/{name}/lamp"
kind = "light"
[tanks.{name}.permits.top-off]
delivers = "fresh-water"
driven_by = "level"
lease_s = {lease_s:.0f}
stale_after_s = {stale_s:.0f}
[tanks.{name}.permits.dosing]
delivers = "dose"
driven_by = "schedule"
lease_s = {lease_s:.0f}
stale_after_s = {stale_s:.0f}
"""


@dataclass(frozen=True, slots=True)
class Sight:
    """The process at a moment."""

    day: float
    resident_kb: int
    threads: int
    descriptors: int


@dataclass(slots=True)
class Log:
    """What was seen on the way."""

    sights: list[Sight] = field(default_factory=list)
    messages: int = 0
    said: int = 0
    renewals_s: list[tuple[float, float]] = field(default_factory=list)
    """When a permit was said again, and after how long; all tanks. [days, s]"""
    counters: dict[str, int] = field(default_factory=dict)
    alarms: int = 0
    results: int = 0
    lasted_s: float = 0.0
    history_bytes: int = 0
    exit_code: int | None = None
    log: str = ""


class Voyage:
    """One run.

    Args:
        broker: A running one.
        directory: For the configuration and the history.
        days: Of the daemon's time.
        tanks: How many.
        cadence_s: Between two readings of a sensor.
        looks_per_day: How often the process is looked at.
    """

    def __init__(
        self,
        broker: Mosquitto,
        directory: Path,
        *,
        days: float,
        tanks: int,
        cadence_s: float,
        looks_per_day: float = 24.0,
    ) -> None:
        self._directory = directory
        self._end_s = START_S + days * DAY_S
        self._names = [f"t{number}" for number in range(tanks)]
        self._cadence_s = cadence_s
        self._look_s = DAY_S / looks_per_day
        self._rng = random.Random(7)
        self._ports = {"page": free_port(), "metrics": free_port()}
        text = HEAD.format(port=broker.port, directory=directory, **self._ports) + "".join(
            TANK.format(name=name, lease_s=LEASE_S, stale_s=3.5 * cadence_s) for name in self._names
        )
        (directory / "tidegate.toml").write_text(text, encoding="utf-8")
        self._leash = Leash.new(directory / "leash", START_S)
        self._changed = threading.Condition()
        self._ready = False
        self._judged_s = START_S
        self._permits: dict[str, tuple[float, str]] = {}
        self.log = Log()
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.max_queued_messages_set(0)
        self._client.on_message = self._heard
        self._client.on_connect = self._connected
        self._client.connect("127.0.0.1", broker.port)

    def _connected(self, client: Client, *_rest: object) -> None:
        topics = ("tidegate/state", "tidegate/heartbeat", f"tidegate/{self._names[-1]}/salinity")
        more = ("tidegate/+/permit/+", "tidegate/+/alarm/+", "tidegate/+/result/+")
        client.subscribe([(topic, 0) for topic in (*topics, *more)])

    def _heard(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        levels = message.topic.split("/")
        self.log.said += 1
        if levels[1:] == ["state"]:
            with self._changed:
                self._ready = message.payload == b"ready"
                self._changed.notify_all()
        elif levels[1:] == ["heartbeat"]:
            self.log.counters = orjson.loads(message.payload)["counters"]
        elif levels[2] == "salinity":
            judged_s = _moment(orjson.loads(message.payload)["time"])
            with self._changed:
                self._judged_s = judged_s
                self._changed.notify_all()
        elif levels[2] == "permit":
            self._permit(message)
        elif levels[2] == "alarm":
            self.log.alarms += bool(message.payload)
        elif levels[2] == "result":
            self.log.results += orjson.loads(message.payload)["ok"]

    def _permit(self, message: MQTTMessage) -> None:
        document: dict[str, Any] = orjson.loads(message.payload)
        at_s, state = _moment(document["time"]), document["state"]
        before = self._permits.get(message.topic)
        self._permits[message.topic] = (at_s, state)
        if before is not None and before[1] == state == "permit":
            self.log.renewals_s.append(((at_s - START_S) / DAY_S, at_s - before[0]))

    def run(self) -> Log:
        """From the start to the end."""
        began = time.monotonic()
        words = [
            *(sys.executable, "-m", "tests.endurance.paced_daemon"),
            *(str(self._directory / "leash"), str(START_S), str(SPEED)),
            *("run", "--config", str(self._directory / "tidegate.toml")),
            *("--health-file", str(self._directory / "health.json")),
        ]
        with (self._directory / "log").open("wb") as log:
            daemon = subprocess.Popen(words, stderr=log)  # noqa: S603 # our own program
        self._client.loop_start()
        try:
            self._wait(lambda: self._ready)
            self._travel(daemon)
            daemon.terminate()
            self.log.exit_code = daemon.wait(60.0)
        finally:
            daemon.kill()
            daemon.wait(5.0)
            self._client.disconnect()
            self._client.loop_stop()
            self._client.on_message = self._client.on_connect = None
        self.log.lasted_s = time.monotonic() - began
        self.log.log = (self._directory / "log").read_text(encoding="utf-8")
        self.log.history_bytes = (self._directory / "history.sqlite3").stat().st_size
        return self.log

    def _travel(self, daemon: "subprocess.Popen[bytes]") -> None:
        next_look_s = START_S + 3600.0
        at_s = START_S
        while at_s < self._end_s:
            at_s += self._cadence_s
            self._leash.let_run(at_s)
            # The daemon's clock needs this long to get there.
            time.sleep(self._cadence_s / SPEED)
            for topic, payload in self._readings(at_s):
                self._client.publish(topic, payload, qos=0)
                self.log.messages += 1
            # In step, or a delay of this machine would be minutes of the daemon's time.
            self._wait(lambda at_s=at_s: self._judged_s >= at_s - 1.0)  # type: ignore[misc]
            if at_s >= next_look_s:
                next_look_s += self._look_s
                self._visit()
                self.log.sights.append(_look(daemon.pid, (at_s - START_S) / DAY_S))

    def _readings(self, at_s: float) -> Iterator[tuple[str, bytes]]:
        rng = self._rng
        day = (at_s - START_S) / DAY_S
        hour = math.floor(day * 24)
        for place, name in enumerate(self._names):
            last = name == self._names[-1]
            # Each tank has a bad half hour every few days; the last one paces us and has none.
            trouble = (hour + 7 * place) % 53 if not last else 1
            psu = 35.0 + 0.1 * ((day * 2 + place / 9) % 1.0) + rng.gauss(0, 0.02)
            water_c = 25.0 + 0.5 * math.sin(2 * math.pi * day) + rng.gauss(0, 0.02)
            if trouble == 0 and place % 3 == 0:
                psu -= 2.0 * rng.random()
            probe = b"rubbish" if trouble == 0 and place % 3 == 1 else b"%.3f" % psu
            yield f"in/{name}/water", b"%.2f" % water_c
            if not (trouble == 0 and place % 3 == 2):
                yield f"in/{name}/probe", probe
            if hour != math.floor((day - self._cadence_s / DAY_S) * 24) and hour % 12 == 0:
                yield f"in/{name}/lamp", b"on" if hour % 24 else b"off"
                check = {
                    "id": f"{name}-{hour}",
                    "instrument": "bench",
                    "salinity": 35.05,
                    "expanded_uncertainty": 0.3,
                }
                yield f"tidegate/{name}/command/reference-check", json.dumps(check).encode()

    def _visit(self) -> None:
        """Look at the page and the metrics, as a browser left open would."""
        for port, path in (
            (self._ports["page"], f"/tank/{self._names[0]}"),
            (self._ports["metrics"], "/metrics"),
        ):
            with urllib.request.urlopen(f"http://127.0.0.1:{port}{path}", timeout=10.0) as answer:
                answer.read()

    def _wait(self, wanted: Callable[[], bool]) -> None:
        with self._changed:
            assert self._changed.wait_for(wanted, STUCK_S), (
                f"nothing came for {STUCK_S:.0f} s, at {self._judged_s}; "
                + (self._directory / "log").read_text(encoding="utf-8")[-2000:]
            )


def _moment(text: str) -> float:
    from datetime import datetime  # noqa: PLC0415

    return datetime.fromisoformat(text).timestamp()


def _look(pid: int, day: float) -> Sight:
    process = Path(f"/proc/{pid}")
    status = dict(
        line.split(":", 1) for line in (process / "status").read_text().splitlines() if ":" in line
    )
    return Sight(
        day,
        int(status["VmRSS"].split()[0]),
        int(status["Threads"]),
        len(list((process / "fd").iterdir())),
    )
