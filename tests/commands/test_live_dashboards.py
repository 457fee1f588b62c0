"""Home dashboards filled by the real daemon, through a death, a return and a farewell."""

import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import orjson
import pytest

from tests.support.dashboards import HomieWatcher, check_config
from tests.support.listener import Listener
from tests.support.mosquitto import Mosquitto

PROGRAM = (sys.executable, "-c", "import sys; from bridge.cli import main; sys.exit(main())")
ROOT, REEF = "homie/5/tidegate", "homie/5/tidegate-reef"
CONFIG = "hub/device/tidegate-reef/config"

CONFIGURATION = """
[broker]
host = "127.0.0.1"
port = {port}
keepalive_s = 5

[storage]
path = "{directory}/history.sqlite3"
batch_s = 0.1

[dashboards]
flat = true
homie = true
hub_prefix = "hub"

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


@contextmanager
def daemon(directory: Path) -> Iterator[subprocess.Popen[bytes]]:
    """The real program, ended at the end of the block whatever happened."""
    with (directory / "log").open("ab") as log:
        process = subprocess.Popen(  # noqa: S603 # ours
            [
                *(*PROGRAM, "run", "--config", str(directory / "tidegate.toml")),
                *("--health-file", str(directory / "health.json")),
            ],
            stderr=log,
        )
        try:
            yield process
        finally:
            process.kill()
            process.wait(5.0)


def feed(listener: Listener, topic: str, payload: bytes | None = None) -> bytes:
    """Play the sensors until a topic says something (this); what it said."""
    deadline = time.monotonic() + 20.0
    number = 0
    while time.monotonic() < deadline:
        number += 1
        listener.say("home/water", f"{25.0 + number % 3 / 100:.2f}".encode())
        listener.say("home/probe", f"{53.0 + number % 7 / 100:.2f}".encode())
        time.sleep(0.1)
        said = listener.of(topic)
        if said and (payload is None or said[-1] == payload):
            return said[-1]
    raise AssertionError(f"{topic} said {listener.of(topic)[-3:]}")


@pytest.mark.broker
def test_dashboards_live_and_die_with_the_daemon(broker: Mosquitto, tmp_path: Path) -> None:
    """Filled by readings, lost with a kill, there again, obeying, and gone in good order."""
    text = CONFIGURATION.format(port=broker.port, directory=tmp_path)
    (tmp_path / "tidegate.toml").write_text(text, encoding="utf-8")
    with Listener(broker.port) as listener:
        with daemon(tmp_path):
            feed(listener, f"{ROOT}/$state", b"ready")
            assert 34.0 < float(feed(listener, f"{REEF}/water/probe-salinity")) < 36.0
            assert feed(listener, f"{REEF}/permits/dosing") == b"hold"
            assert float(feed(listener, "tidegate/reef/flat/temperature")) > 24.0
            check_config(CONFIG, feed(listener, CONFIG))
        feed(listener, f"{ROOT}/$state", b"lost")
        with daemon(tmp_path) as process:
            feed(listener, f"{ROOT}/$state", b"ready")
            listener.publish(f"{REEF}/control/service/set", b"active")
            feed(listener, f"{REEF}/control/service", b"active")
            components = orjson.loads(listener.of(CONFIG)[-1])["components"]
            button, number = components["service-end"], components["reference-check"]
            listener.publish(button["command_topic"], button["payload_press"].encode())
            feed(listener, "tidegate/reef/flat/service", b"settling")
            check = number["command_template"].replace("{{ value }}", "35.0")
            listener.publish(number["command_topic"], check.encode())
            answer = orjson.loads(feed(listener, "tidegate/reef/result/reference-check"))
            assert answer["ok"], answer
            process.send_signal(signal.SIGTERM)
            assert process.wait(8.0) == 0
        listener.wait_for(f"{ROOT}/$state", b"disconnected")
        watcher = HomieWatcher()
        for each in listener.heard:
            if not each.topic.endswith("/set"):
                watcher.take(each.topic, each.payload)
                if each.topic == CONFIG:
                    check_config(CONFIG, each.payload)

    assert watcher.held[f"{REEF}/permits/dosing"] == b"hold"
