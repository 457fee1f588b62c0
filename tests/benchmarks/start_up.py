"""From the start of the daemon's process to its first corrected salinity on the wire.

    python -m tests.benchmarks.start_up

Messages arrive all the time. In turn with it, a bare Python that imports gsw, pydantic and paho is
timed: on a machine that does other things as well, only the ratio of the two tells anything.
"""

import argparse
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

from tests.support.listener import Listener
from tests.support.mosquitto import Mosquitto

BARE = "import gsw, pydantic, paho.mqtt.client"
DAEMON = "import sys, bridge.cli; sys.exit(bridge.cli.main())"
CONFIGURATION = """
broker = {{ host = "127.0.0.1", port = {port} }}
storage = {{ path = "{directory}/history.sqlite3" }}

[tanks.reef]
volume_l = 300
thermometer = {{ topic = "sump/temperature" }}

[tanks.reef.probe]
topic = "sump/salinity"
unit = "psu"
reports = "salinity-linear"
coefficient_pct_per_c = 2.1
"""


def bare_s() -> float:
    """A Python that imports the libraries and ends. [s]."""
    began = time.perf_counter()
    subprocess.run([sys.executable, "-c", BARE], check=True)  # noqa: S603 # ours
    return time.perf_counter() - began


def daemon_s(directory: Path, listener: Listener) -> float:
    """The daemon, until it says something about the salinity. [s]."""
    listener.forget()
    began = time.monotonic()
    daemon = subprocess.Popen(  # noqa: S603 # ours
        [
            *(sys.executable, "-c", DAEMON, "run"),
            *("--config", str(directory / "tidegate.toml")),
            *("--health-file", str(directory / "health.json")),
        ],
        stderr=subprocess.DEVNULL,
    )
    try:
        heard = listener.wait(
            lambda all_heard: [
                each
                for each in all_heard
                if each.topic == "tidegate/reef/salinity"
                and not each.retain
                and b'"probe_salinity":null' not in each.payload
            ],
            30.0,
        )
    finally:
        daemon.terminate()
        daemon.wait(10.0)
    return float(heard[0].at - began)


def main() -> None:
    """Measure, and write down what was found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rounds", type=int, default=7)
    options = parser.parse_args()
    stop = threading.Event()
    with tempfile.TemporaryDirectory(prefix="tidegate-start-") as name:
        directory = Path(name)
        broker = Mosquitto(directory)
        broker.start()
        (directory / "tidegate.toml").write_text(
            CONFIGURATION.format(port=broker.port, directory=directory)
        )
        with Listener(broker.port) as listener:

            def send() -> None:
                while not stop.wait(0.05):
                    listener.say("sump/temperature", b"25.0")
                    listener.say("sump/salinity", b"35.0")

            sender = threading.Thread(target=send)
            sender.start()
            try:
                pairs = [(bare_s(), daemon_s(directory, listener)) for _ in range(options.rounds)]
            finally:
                stop.set()
                sender.join()
        broker.close()
    for what, values in zip(("bare imports", "daemon"), zip(*pairs, strict=True), strict=True):
        sys.stdout.write(
            f"{what}: median {statistics.median(values):.2f} s, "
            f"{min(values):.2f} to {max(values):.2f} s\n"
        )
    ratio = statistics.median(daemon / bare for bare, daemon in pairs)
    sys.stdout.write(f"ratio: median {ratio:.2f}\n")


if __name__ == "__main__":
    main()
