"""A small gate: open only while a permit of Tidegate is fresh, closed in every other case.

Reference for whoever builds an actuator; docs/permits.md explains each rule. Needs paho-mqtt only.
"""

import argparse
import json
import os
import subprocess
import time
from collections import deque
from datetime import datetime

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

LARGEST_LEASE_S = 900.0
REMEMBERED = 20


def clock() -> float:
    """Seconds that neither step nor stop while the machine sleeps, where there is such a clock."""
    return time.clock_gettime(getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC))


class Lease:
    """Decides; knows no network. Every method takes the gate's own monotonic time."""

    def __init__(self) -> None:
        """Closed until told otherwise."""
        self.ready = False
        self.until = float("-inf")
        self.boot: str | None = None
        self.steps = 0
        self.seen: dict[str, int] = {}
        self.delays: deque[float] = deque(maxlen=REMEMBERED)

    def close(self) -> None:
        """Whatever was permitted is over."""
        self.until = float("-inf")

    def disconnected(self) -> None:
        """Nothing that was heard before counts on the next connection."""
        self.ready = False
        self.close()

    def state(self, payload: bytes | bytearray) -> None:
        """The daemon's life-cycle; a retained word is fine, because its will replaces it."""
        self.ready = payload == b"ready"
        if not self.ready:
            self.close()

    def permit(
        self, payload: bytes | bytearray, *, retained: bool, expires_s: float | None, now: float
    ) -> None:
        """A permit document. A hold closes, however old it is; a permit has to prove its age."""
        try:
            document = json.loads(payload)
            boot, seq = str(document["boot_id"]), int(document["seq"])
            steps = int(document.get("clock_steps", 0))
            sent = datetime.fromisoformat(document["time"]).timestamp()
            lease_s = min(float(document["lease_s"]), LARGEST_LEASE_S)
            permitted = document["state"] == "permit" and lease_s > 0
        except (ValueError, TypeError, KeyError, OverflowError):
            self.close()
            return
        if not permitted:
            self.close()
        # How long a retained message has lain there is not known. The next live one comes soon.
        if retained or seq <= self.seen.get(boot, -1):
            return
        if boot != self.boot or steps != self.steps:
            # A new daemon, or its clock was set: its times compare only with what comes from now.
            self.close()
            self.boot, self.steps = boot, steps
            self.delays.clear()
        self.seen[boot] = seq
        # The quickest message shows the offset between the two clocks. What came later than that
        # was under way for longer, for instance in a broker that had been frozen.
        self.delays.append(now - sent)
        if permitted and len(self.delays) > 1:
            self.until = sent + min(self.delays) + lease_s
            if expires_s is not None:
                self.until = min(self.until, now + expires_s)

    def is_open(self, now: float) -> bool:
        """Open only before the end of the lease, and while the daemon says ready."""
        return self.ready and now < self.until


class Gate:
    """Joins the lease to a broker and to an actuator, in one thread."""

    def __init__(self, options: argparse.Namespace) -> None:
        """Closed, and not connected."""
        self.options = options
        self.lease = Lease()
        self.is_open: bool | None = None
        self.state_topic = f"{options.base}/state"
        self.permit_topic = f"{options.base}/{options.tank}/permit/{options.permit}"
        self.gate_topic = f"{options.base}/{options.tank}/gate/{options.permit}"
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        if options.username:
            self.client.username_pw_set(options.username, os.environ.get("GATE_PASSWORD"))
        if options.ca:
            self.client.tls_set(options.ca)
        self.client.will_set(self.gate_topic, b"closed", qos=1, retain=True)
        self.client.on_connect = self.on_connect
        self.client.on_message = self.on_message

    def on_connect(self, client: mqtt.Client, *_: object) -> None:
        """Ask for both topics anew on every connection."""
        client.subscribe([(self.state_topic, 1), (self.permit_topic, 1)])
        client.publish(self.gate_topic, "open" if self.is_open else "closed", qos=1, retain=True)

    def on_message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        """One of the two topics."""
        if message.topic == self.state_topic:
            self.lease.state(message.payload)
            return
        self.lease.permit(
            message.payload,
            retained=message.retain,
            expires_s=getattr(message.properties, "MessageExpiryInterval", None),
            now=clock(),
        )

    def act(self) -> None:
        """Move the actuator when the decision has changed."""
        is_open = self.lease.is_open(clock())
        if is_open is self.is_open:
            return
        self.is_open = is_open
        word = "open" if is_open else "closed"
        print(word, flush=True)
        if self.options.command:
            # The keeper's own program, with a word of ours.
            subprocess.run([self.options.command, word], check=False, timeout=5)  # noqa: S603
        self.client.publish(self.gate_topic, word, qos=1, retain=True)

    def run(self) -> None:
        """Connect, listen, look at the clock five times a second, for ever."""
        try:
            while True:
                self.act()
                if self.client.loop(timeout=0.2) != mqtt.MQTT_ERR_SUCCESS:
                    self.lease.disconnected()
                    self.act()
                    time.sleep(1)
                    try:
                        self.client.connect(self.options.host, self.options.port, keepalive=10)
                    except OSError as error:
                        print(f"broker: {error}", flush=True)
        finally:
            self.lease.disconnected()
            self.act()


def main() -> None:
    """Read the options and run."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--host", default="127.0.0.1")
    parser.add_argument("--port", type=int, default=1883)
    parser.add_argument("--base", default="tidegate")
    for name in ("--tank", "--permit"):
        parser.add_argument(name, required=True)
    parser.add_argument("--username", help="the password is read from GATE_PASSWORD")
    parser.add_argument("--ca", help="file with the broker's certificate authority, for TLS")
    parser.add_argument("--command", help="program called with 'open' or 'closed'")
    Gate(parser.parse_args()).run()


if __name__ == "__main__":
    main()
