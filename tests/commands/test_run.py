"""``tidegate run`` joins the daemon with its log, its metrics and its memory."""

import signal
import socket
import subprocess
import sys
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import orjson
import pytest

from tests.support.listener import Listener
from tests.support.mosquitto import Mosquitto, free_port

PROGRAM = "import sys, bridge.cli; sys.exit(bridge.cli.main())"
CONFIGURATION = """
broker = {{ host = "127.0.0.1", port = {broker}, username = "reef", password = "hush-hush-hush" }}
storage = {{ path = "{directory}/history.sqlite3", batch_s = 0.1 }}
metrics = {{ enabled = true, port = {metrics} }}

[tanks.reef]
volume_l = 300
thermometer = {{ topic = "sump/temperature" }}

[tanks.reef.probe]
topic = "sump/salinity"
unit = "psu"
reports = "salinity-linear"
coefficient_pct_per_c = 2.1
"""


class Daemon:
    """The process, and what it wrote."""

    def __init__(self, directory: Path, broker: Mosquitto) -> None:
        self.directory = directory
        self.metrics_port = free_port()
        self.log = directory / "log"
        configuration = directory / "tidegate.toml"
        configuration.write_text(
            CONFIGURATION.format(broker=broker.port, directory=directory, metrics=self.metrics_port)
        )
        with self.log.open("ab") as log:
            self.process = subprocess.Popen(  # noqa: S603 # ours
                [
                    *(sys.executable, "-c", PROGRAM, "run", "--log-json"),
                    *("--config", str(configuration)),
                    *("--health-file", str(directory / "health.json")),
                ],
                stderr=log,
            )

    def stop(self) -> int:
        """Ask it to end; its exit code."""
        self.process.send_signal(signal.SIGTERM)
        return self.process.wait(8.0)

    def lines(self) -> list[dict[str, str]]:
        """What it logged."""
        return [orjson.loads(line) for line in self.log.read_bytes().splitlines()]


@contextmanager
def daemon(directory: Path, broker: Mosquitto) -> Iterator[Daemon]:
    """Run it for the length of a block."""
    started = Daemon(directory, broker)
    try:
        yield started
    finally:
        started.process.kill()
        started.process.wait(5.0)


def first_salinity(listener: Listener) -> int:
    """The sequence number of the first document about a reading."""

    def read() -> dict[str, int] | None:
        listener.say("sump/temperature", b"25.0")
        listener.say("sump/salinity", b"35.0")
        for payload in listener.of("tidegate/reef/salinity"):
            document: dict[str, int] = orjson.loads(payload)
            if document["probe_salinity"] is not None:
                return document
        return None

    deadline = time.monotonic() + 20.0
    while (found := read()) is None:
        assert time.monotonic() < deadline
        time.sleep(0.1)
    return found["seq"]


@pytest.mark.broker
def test_log_metrics_and_memory(broker: Mosquitto, tmp_path: Path) -> None:
    """JSON lines without secrets, metrics on loopback, and what was learned outlives a restart."""
    with Listener(broker.port) as listener:
        with daemon(tmp_path, broker) as first:
            first_salinity(listener)
            address = f"http://127.0.0.1:{first.metrics_port}/metrics"
            with urllib.request.urlopen(address, timeout=5.0) as answer:  # loopback
                text = answer.read().decode()
            assert 'tidegate_probe_salinity{tank="reef"}' in text
            assert first.stop() == 0
        with socket.socket() as gone:
            assert gone.connect_ex(("127.0.0.1", first.metrics_port)) != 0
        said = listener.of("tidegate/reef/salinity")
        listener.forget()
        with daemon(tmp_path, broker) as second:
            listener.wait_for("tidegate/state", b"ready", 20.0)
            assert first_salinity(listener) > len(said), "it counts on where it was"
            assert second.stop() == 0

    assert [line["level"] for line in second.lines()].count("info") >= 2
    assert not [line for line in second.lines() if "learning starts anew" in line["message"]]
    assert "hush" not in second.log.read_text()
