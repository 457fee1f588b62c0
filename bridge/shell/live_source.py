"""Live values for a walk-through, from the broker and the running daemon.

The daemon's published salinity is listened to, and commands are sent to it, so that there is one
judge and one book of records. Equipment states come straight from their topics.
"""

import time
import uuid
from collections.abc import Mapping
from typing import Any, Final

import orjson
from paho.mqtt.client import MQTTMessage
from paho.mqtt.enums import MQTTProtocolVersion

from bridge.core.commissioning import Reading, Switch, Update
from bridge.core.errors import UserError
from bridge.core.events import Message
from bridge.core.outputs import Publish
from bridge.core.settings import Settings
from bridge.core.wire.instants import unix_s
from bridge.core.wire.payload import state_reader
from bridge.shell.broker_settings import BrokerSettings
from bridge.shell.clock import EngineClock
from bridge.shell.counters import Counters
from bridge.shell.inbox import Inbox
from bridge.shell.link import subscriptions_for
from bridge.shell.reconnector import Reconnector
from bridge.shell.session import Session, tls_context

LOOK_S: Final = 0.5
LONGEST_SILENCE_S: Final = 180.0
ANSWER_S: Final = 15.0
CONNECT_S: Final = 15.0


class LiveSourceError(UserError):
    """The broker or the daemon does not answer; the text is for the keeper."""


class BrokerSource:
    """What arrives from one tank of a running daemon.

    Args:
        settings: Tanks, base topic, and the shared secret of the commands.
        broker: How to reach the broker.
        tank: Which tank.
        interval_s: Expected time between readings, until it is learned. [s]

    Raises:
        LiveSourceError: the broker cannot be reached.
    """

    practice: Final = False

    def __init__(
        self, settings: Settings, broker: BrokerSettings, tank: str, *, interval_s: float = 10.0
    ) -> None:
        self.tank = tank
        self.devices = tuple(sorted(settings.tanks[tank].equipment))
        self.interval_s = interval_s
        self._secret = settings.command_secret
        self._base = f"{settings.base_topic}/{tank}"
        self._salinity_topic = f"{self._base}/salinity"
        self._devices = {
            equipment.topic: (name, state_reader(equipment))
            for name, equipment in sorted(settings.tanks[tank].equipment.items())
        }
        self._subscriptions = subscriptions_for(
            (self._salinity_topic, f"{self._base}/result/+", *self._devices), settings.base_topic
        )
        self._broker = broker
        self._context = tls_context(broker)
        self._clock = EngineClock()
        self._counters = Counters()
        self._inbox = Inbox(self._counters)
        self._results: dict[str, dict[str, Any]] = {}
        self._states: dict[str, bool] = {}
        self._reconnector = Reconnector(self._make_session, broker.protocol, name="Broker")
        deadline = time.monotonic() + CONNECT_S
        while not self._connected:
            self._reconnector.tend()
            self._inbox.take(LOOK_S)
            if time.monotonic() > deadline:
                reason = self._reconnector.reason
                self.close()
                raise LiveSourceError(
                    f"the broker {broker.host} does not answer ({reason}); check [broker] in the "
                    "configuration"
                )

    @property
    def now_s(self) -> float:
        """Unix time."""
        return self._clock.now_s()

    def gather(self, count: int) -> list[Update]:
        """Wait until so many new readings have come; switchings on the way are included.

        Raises:
            LiveSourceError: nothing came for three minutes (or six intervals, if longer).
        """
        gathered: list[Update] = []
        readings = 0
        patience_s = max(LONGEST_SILENCE_S, 6 * self.interval_s)
        heard = time.monotonic()
        while readings < count:
            updates = self._look()
            gathered += updates
            fresh = sum(isinstance(update, Reading) for update in updates)
            readings += fresh
            if fresh:
                heard = time.monotonic()
            elif time.monotonic() - heard > patience_s:
                raise LiveSourceError(
                    f"no reading on {self._salinity_topic} for {patience_s:.0f} s; is the daemon "
                    "running (tidegate run), and does the probe send?"
                )
        return gathered

    def operated(self, device: str, *, on: bool) -> list[Update]:
        """The keeper says that he switched a device; its own topic is waited for a little."""
        gathered: list[Update] = []
        deadline = time.monotonic() + 2 * LOOK_S + self.interval_s
        while self._states.get(device) is not on and time.monotonic() < deadline:
            gathered += self._look()
        return gathered

    def flow(self, *, on: bool) -> None:
        """Only a practice tank needs to be told."""

    def dipped(self, salinity_psu: float | None, temperature_c: float = 25.0) -> None:
        """Only a practice tank needs to be told."""

    def hand_instrument(self) -> str:
        """Only a practice tank can say."""
        return ""

    def send(self, name: str, keys: Mapping[str, Any]) -> dict[str, Any]:
        """Send a command to the daemon and wait for its answer."""
        command_id = uuid.uuid4().hex[:12]
        document = {"id": command_id, **keys}
        if self._secret is not None:
            document["secret"] = self._secret
        message = Publish(
            at_s=self.now_s,
            topic=f"{self._base}/command/{name}",
            payload=orjson.dumps(document),
            retain=False,
        )
        session = self._reconnector.session
        if session is None or session.publish(message, expires_after_s=None) is None:
            return {"ok": False, "error": "the broker is not connected; try again"}
        deadline = time.monotonic() + ANSWER_S
        while command_id not in self._results:
            self._look()
            if time.monotonic() > deadline:
                return {"ok": False, "error": "the daemon did not answer; is it running?"}
        return self._results.pop(command_id)

    def close(self) -> None:
        """Leave the broker."""
        session = self._reconnector.session
        if session is not None:
            session.end(with_will=False)
            session.join(1.0)
        self._reconnector.forget()

    @property
    def _connected(self) -> bool:
        session = self._reconnector.session
        return session is not None and session.usable

    def _look(self) -> list[Update]:
        self._reconnector.tend()
        updates: list[Update] = []
        for message in self._inbox.take(LOOK_S):
            update = self._understand(message)
            if update is not None:
                updates.append(update)
        return updates

    def _understand(self, message: Message) -> Update | None:
        if message.topic in self._devices:
            name, read = self._devices[message.topic]
            state = read(message.payload)
            if not isinstance(state, bool) or self._states.get(name) is state:
                return None
            self._states[name] = state
            return Switch(message.at_s, name, state)
        try:
            document = orjson.loads(message.payload)
        except orjson.JSONDecodeError:
            return None
        if not isinstance(document, dict):
            return None
        if message.topic == self._salinity_topic:
            # What the broker had kept is not a new reading.
            return None if message.retained else _reading(document)
        if isinstance(document.get("id"), str):
            self._results[document["id"]] = document
        return None

    def _make_session(self, protocol: MQTTProtocolVersion) -> Session:
        return Session(
            self._broker,
            client_id=f"{self._broker.client_id}-commission",
            protocol=protocol,
            keepalive_s=self._broker.keepalive_s,
            will=None,
            counters=self._counters,
            on_change=self._inbox.wake,
            on_message=self._message_came,
            subscriptions=self._subscriptions,
            context=self._context,
        )

    def _message_came(self, message: MQTTMessage) -> None:
        self._inbox.put(
            Message(self._clock.now_s(), message.topic, bytes(message.payload), message.retain)
        )


def _reading(document: Mapping[str, Any]) -> Reading | None:
    salinity, temperature = document.get("probe_salinity"), document.get("temperature")
    reported = document.get("reported")
    if not isinstance(salinity, int | float):
        return None
    try:
        at_s = unix_s(str(document.get("time")))
    except ValueError:
        return None
    return Reading(
        at_s=at_s,
        salinity_psu=float(salinity),
        temperature_c=float(temperature) if isinstance(temperature, int | float) else None,
        reported=float(reported) if isinstance(reported, int | float) else None,
    )
