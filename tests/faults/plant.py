"""A whole plant of real processes: broker, sensors, daemon, gates."""

import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Final, Self

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.faults.namespaces import Room
from tests.support.mosquitto import Mosquitto, free_port

ROOT: Final = Path(__file__).parents[2]
GATE: Final = ROOT / "deploy" / "gate" / "gate.py"
LEASE_S: Final = 15.0
"""The shortest that the settings accept."""
LARGEST_RUN_S: Final = 3.0
PERMITS: Final = {"top-off": "top-off-pump", "dosing": "doser"}
"""Permits and the equipment that each switches."""

CONFIGURATION: Final = """
[broker]
host = "{host}"
port = {port}
protocol = "{protocol}"

[storage]
path = "{storage}/history.sqlite3"
{more}
[tanks.reef]
volume_l = 300
plumbing.mixing_min = 0.05

[tanks.reef.probe]
topic = "sump/salinity"
unit = "psu"
reports = "salinity-linear"
coefficient_pct_per_c = 2.1

[tanks.reef.thermometer]
topic = "sump/temperature"

[tanks.reef.equipment.top-off-pump]
topic = "sump/top-off-pump"
kind = "top-off-pump"

[tanks.reef.equipment.doser]
topic = "sump/doser"
kind = "doser"

[tanks.reef.permits.top-off]
delivers = "fresh-water"
driven_by = "level"
equipment = "top-off-pump"
lease_s = {lease}
largest_run_s = {run}
minimum_hold_s = 2

[tanks.reef.permits.dosing]
delivers = "dose"
driven_by = "salinity"
equipment = "doser"
lease_s = {lease}
largest_run_s = {run}
minimum_hold_s = 2
"""


@dataclass(frozen=True, slots=True)
class Moved:
    """A gate said that it opened or closed."""

    at: float
    is_open: bool


class Gate:
    """A process of the reference gate.

    Args:
        host: Of the broker.
        port: Of the broker.
        permit: That it obeys.
        log: Where it complains.
        inside: Words before the command, to run it in a network namespace.
    """

    def __init__(
        self, host: str, port: int, permit: str, log: Path, inside: Sequence[str] = ()
    ) -> None:
        self.permit = permit
        self.moves: list[Moved] = []
        command = [*inside, sys.executable, str(GATE), "--host", host, "--port", str(port)]
        with log.open("ab") as complaints:
            self._process = subprocess.Popen(  # noqa: S603 # ours
                [*command, "--tank", "reef", "--permit", permit],
                stdout=subprocess.PIPE,
                stderr=complaints,
                text=True,
            )
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            if line.strip() in {"open", "closed"}:
                self.moves.append(Moved(time.monotonic(), line.strip() == "open"))

    @property
    def is_open(self) -> bool:
        """What it said last."""
        return bool(self.moves) and self.moves[-1].is_open

    def close(self) -> None:
        """End it."""
        self._process.kill()
        self._process.wait(5.0)
        self._thread.join(2.0)
        if self._process.stdout is not None:
            self._process.stdout.close()


class Sensors:
    """Probe and thermometer, twice a second; they reconnect whenever they can."""

    def __init__(self, port: int, seed: int) -> None:
        self._port = port
        self._chance = random.Random(seed)
        self._stop = threading.Event()
        self.silent = threading.Event()
        self._client = self._connected()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def say(self, topic: str, payload: str) -> None:
        """Send something else."""
        self._client.publish(topic, payload, qos=1)

    def close(self) -> None:
        """Stop."""
        self._stop.set()
        self._thread.join(5.0)
        self._client.disconnect()
        self._client.loop_stop()

    def _connected(self) -> mqtt.Client:
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.reconnect_delay_set(1, 1)
        client.connect_async("127.0.0.1", self._port, keepalive=5)
        client.loop_start()
        return client

    def _run(self) -> None:
        while not self._stop.wait(0.5):
            if self.silent.is_set() or not self._client.is_connected():
                continue
            self._client.publish("sump/salinity", f"{self._chance.gauss(35.0, 0.01):.3f}")
            self._client.publish("sump/temperature", f"{self._chance.gauss(25.0, 0.02):.2f}")


class Plant:
    """Everything, as a context manager.

    Args:
        directory: For files of all the processes.
        seed: Of the sensors' noise.
        more: Further sections of the configuration.
        storage: Directory of the history; left out, below ``directory``.
        network: Namespaces for ``daemon`` and ``gates``; left out, the loopback interface.
        protocol: That the daemon speaks.
    """

    def __init__(
        self,
        directory: Path,
        *,
        seed: int = 1,
        more: str = "",
        storage: Path | None = None,
        network: dict[str, Room] | None = None,
        protocol: str = "auto",
    ) -> None:
        self.network = network or {}
        self.storage = storage
        self.struck_at = 0.0
        """When a fault that takes time to prepare has struck. [s, monotonic]"""
        self.directory = directory
        self.control = directory / "control"
        self.control.mkdir()
        port = free_port()
        listeners = [f"listener {port} {room.host}" for room in self.network.values()]
        self.broker = Mosquitto(directory, extra="\n".join(listeners), port=port)
        self._seed = seed
        self._configuration = directory / "tidegate.toml"
        self._configuration.write_text(
            CONFIGURATION.format(
                host=self._host("daemon"),
                port=self.broker.port,
                protocol=protocol,
                storage=storage or directory,
                more=more,
                lease=LEASE_S,
                run=LARGEST_RUN_S,
            ),
            encoding="utf-8",
        )
        self._log = directory / "daemon.log"
        self._daemon: subprocess.Popen[bytes] | None = None
        self.gates: list[Gate] = []

    def __enter__(self) -> Self:
        """Start all of it."""
        self.broker.start()
        self.sensors = Sensors(self.broker.port, self._seed)
        self.start_daemon()
        self.gates = [
            Gate(
                self._host("gates"),
                self.broker.port,
                permit,
                self.directory / "gate.log",
                self._inside("gates"),
            )
            for permit in PERMITS
        ]
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End all of it, whatever state it is in."""
        self.broker.thaw()
        self.kill_daemon()
        for gate in self.gates:
            gate.close()
        self.sensors.close()
        self.broker.close()

    def _host(self, who: str) -> str:
        return self.network[who].host if who in self.network else "127.0.0.1"

    def _inside(self, who: str) -> tuple[str, ...]:
        return self.network[who].inside if who in self.network else ()

    def _command(self) -> list[str]:
        return [
            *(sys.executable, "-m", "tests.faults.daemon_process", str(self.control)),
            *("run", "--config", str(self._configuration)),
            *("--health-file", str(self.directory / "health.json")),
        ]

    def start_daemon(self) -> None:
        """Start it; it need not be ready when this returns."""
        with self._log.open("ab") as log:
            self._daemon = subprocess.Popen(  # noqa: S603 # ours
                [*self._inside("daemon"), *self._command()],
                cwd=ROOT,
                stdout=subprocess.DEVNULL,
                stderr=log,
            )

    def signal_daemon(self, number: signal.Signals) -> None:
        """Send it a signal."""
        if self._daemon is not None:
            with suppress(ProcessLookupError):
                os.kill(self._daemon.pid, number)

    def kill_daemon(self) -> None:
        """End it as a power cut would."""
        self.signal_daemon(signal.SIGKILL)
        if self._daemon is not None:
            self._daemon.wait(5.0)
            self._daemon = None

    @property
    def all_open(self) -> bool:
        """Whether every gate is open."""
        return all(gate.is_open for gate in self.gates)

    @property
    def all_closed(self) -> bool:
        """Whether every gate is closed."""
        return not any(gate.is_open for gate in self.gates)

    def tell_log(self) -> str:
        """The end of the daemon's log."""
        return self._log.read_text(encoding="utf-8", errors="replace")[-3000:]


def wait_until(condition: Callable[[], bool], within_s: float) -> bool:
    """Wait until something holds; whether it did in time."""
    deadline = time.monotonic() + within_s
    while not condition():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.02)
    return True
