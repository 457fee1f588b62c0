"""Keeps the broker in step with the dashboards, beside the decision loop and never in its way.

A connection of its own, for two reasons: MQTT knows one will per connection, and the Homie root
device needs one that says ``lost``; and whatever happens here cannot delay a permit. The decision
loop only leaves each output under its topic; a thread compares what the broker should hold with
what was sent on this connection, and sends the difference. A broker that forgot everything, a
connection that broke and a hub that started anew are therefore all the same: send again.

A permit is shown only while its lease runs and the daemon is ready, and it expires on the broker
(MQTT 5) should this process die.
"""

import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from typing import Final

from paho.mqtt.client import MQTTMessage
from paho.mqtt.enums import MQTTProtocolVersion

from bridge.core.outputs import Output, Publish
from bridge.shell.broker_settings import BrokerSettings
from bridge.shell.counters import Complaints, Counters
from bridge.shell.dashboards.memory import Memory
from bridge.shell.dashboards.picture import Wanted
from bridge.shell.dashboards.translation import Translation
from bridge.shell.link import RESUBSCRIBE_S, Lifecycle
from bridge.shell.reconnector import Reconnector
from bridge.shell.session import Phase, Session, Will, tls_context

log = logging.getLogger(__name__)

LOOK_S: Final = 0.5
"""Between two looks when nothing happens: a permit ends at most so late."""
PAUSE_S: Final = 0.2
"""After each pass, so that a fast probe does not flood the dashboards."""
MOST_ARRIVALS: Final = 100
LARGEST_REQUEST: Final = 256
MOST_UNSETTLED: Final = 2000
PAHO_IN_FLIGHT: Final = 20
FAREWELL_S: Final = 1.0


class DashboardBridge:
    """The thread and its connection.

    Args:
        broker: How to reach the broker.
        base_topic: Of commands.
        translation: What to send and what is asked.
        memory: What was left on the broker.
        submit: Takes a command as if it had come over the broker.
        ready: Whether the daemon is connected and decides.
        now_s: Engine time.
        idle: Nothing is switched on: tidy up, and be gone.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        *,
        base_topic: str,
        translation: Translation,
        memory: Memory,
        submit: Callable[[str, bytes], None],
        ready: Callable[[], bool],
        now_s: Callable[[], float],
        idle: bool = False,
    ) -> None:
        self._broker = broker
        self._base_topic = base_topic
        self._translation = translation
        self._memory = memory
        self._submit = submit
        self._ready = ready
        self._now_s = now_s
        self._idle = idle
        self._complaints = Complaints()
        self._context = tls_context(broker)
        self._lock = threading.Lock()
        self._pending: dict[str, Output] = {}
        self._arrived: deque[MQTTMessage] = deque(maxlen=MOST_ARRIVALS)
        self._wake = threading.Event()
        self._closing = threading.Event()
        self._seen: Session | None = None
        self._sent: dict[str, Wanted] = {}
        self._passes_ready = 0
        self._filled = False
        """The values are known: the engine has said everything since it was first ready."""
        self._reconnector = Reconnector(
            self._make_session, broker.protocol, name="Dashboard connection"
        )
        self._thread = threading.Thread(target=self._run, name="tidegate-dashboards", daemon=True)

    def start(self) -> None:
        """Connect, and keep the broker in step from now on."""
        self._thread.start()

    def observe(self, output: Output) -> None:
        """Take in one output; called by the decision loop."""
        key = self._translation.picture.key(output)
        if key is None:
            return
        with self._lock:
            self._pending[key] = output
        self._wake.set()

    def close(self) -> None:
        """Say ``disconnected`` and end the connection; the broker says ``lost`` if that fails."""
        self._closing.set()
        self._wake.set()
        if self._thread.is_alive():
            self._thread.join(3 * FAREWELL_S)

    def _make_session(self, protocol: MQTTProtocolVersion) -> Session:
        topic = self._translation.root_state_topic
        return Session(
            self._broker,
            client_id=f"{self._broker.client_id}-dashboards",
            protocol=protocol,
            keepalive_s=self._broker.keepalive_s,
            will=None if topic is None else Will(topic, Lifecycle.LOST.encode()),
            # Its own: every total is written by one thread only.
            counters=Counters(),
            on_change=self._wake.set,
            on_message=self._message_came,
            subscriptions=self._translation.subscriptions,
            context=self._context,
        )

    def _message_came(self, message: MQTTMessage) -> None:
        """In the network thread: leave it for ours."""
        self._arrived.append(message)
        self._wake.set()

    def _run(self) -> None:
        while not self._closing.is_set():
            try:
                self._reconnector.tend()
                if self._in_step() and self._idle:
                    break
            except Exception as error:  # noqa: BLE001 - the next pass may do better
                self._complaints.tell("dashboards", "The dashboards were not filled.", error=error)
            self._wake.wait(LOOK_S)
            self._wake.clear()
            self._closing.wait(PAUSE_S)
        try:
            self._say_goodbye()
        except Exception as error:  # noqa: BLE001 - the will is said instead
            self._complaints.tell("dashboards", "The dashboards' farewell failed.", error=error)

    def _in_step(self) -> bool:
        """One pass; whether the broker now holds what it should."""
        with self._lock:
            pending, self._pending = self._pending, {}
        for output in pending.values():
            self._translation.picture.take(output)
        while self._arrived:
            self._hear(self._arrived.popleft())
        session = self._reconnector.session
        if session is None or not session.usable:
            self._give_up_refused(session)
            return False
        ready = self._ready()
        self._passes_ready = self._passes_ready + 1 if ready else 0
        # What the engine says on connecting is all here one pass after it said that it is ready.
        self._filled = self._filled or self._passes_ready > 1
        if session is not self._seen:
            self._seen = session
            self._sent = {}
        translation, filled = self._translation, ready and self._filled
        # A description may change in init only, so that comes first on every new connection.
        begins = not self._sent or not filled
        if begins and not self._send(session, translation.states(Lifecycle.INIT)):
            return False
        wanted = translation.announcements() | translation.permits(self._now_s(), ready=ready)
        if self._filled:
            wanted |= translation.values()
        return (
            self._send(session, wanted)
            and (not self._filled or self._send(session, self._gone(wanted)))
            and filled
            and self._send(session, translation.states(Lifecycle.READY))
        )

    def _gone(self, wanted: Mapping[str, Wanted]) -> dict[str, Wanted]:
        """What belongs to a tank, an alarm or a dashboard that is there no more."""
        there = wanted.keys() | self._translation.states("").keys()
        gone = {*self._memory.topics, *self._sent} - there
        return {topic: Wanted(b"") for topic in sorted(gone, key=_state_first)}

    def _give_up_refused(self, session: Session | None) -> None:
        """Try again where the broker refused a subscription: rights may be granted meanwhile."""
        if session is None or session.phase is not Phase.CONNECTED or session.granted:
            return
        if time.monotonic() - session.heard_at > RESUBSCRIBE_S:
            self._reconnector.drop(session.reason, with_will=False)

    def _send(self, session: Session, messages: Mapping[str, Wanted]) -> bool:
        """Send what the broker does not hold yet; False when there was no room for all."""
        room = min(session.receive_maximum, MOST_UNSETTLED)
        if session.receive_maximum >= PAHO_IN_FLIGHT:
            room = MOST_UNSETTLED
        for topic, wanted in messages.items():
            if self._sent.get(topic) == wanted:
                continue
            now_s = self._now_s()
            expires_s = None if wanted.end_s is None else wanted.end_s - now_s
            if expires_s is not None and expires_s <= 0:
                continue
            if session.unsettled >= room:
                return False
            message = Publish(now_s, topic, wanted.payload, qos=wanted.qos)
            if session.publish(message, expires_after_s=expires_s) is None:
                return False
            self._sent[topic] = wanted
            if wanted.payload:
                self._memory.keep(topic)
            else:
                self._memory.forget(topic)
        return True

    def _hear(self, message: MQTTMessage) -> None:
        topic, payload = message.topic, bytes(message.payload[: LARGEST_REQUEST + 1])
        translation = self._translation
        if topic == translation.root_state_topic:
            # Our own will, from a connection that broke: it overtook what we said since.
            if not message.retain and payload == Lifecycle.LOST.encode():
                self._sent.pop(topic, None)
        elif translation.is_birth(topic, payload):
            for config in [each for each in self._sent if translation.is_config(each)]:
                del self._sent[config]
        elif topic.endswith(("/set", "/acknowledge")):
            self._obey(topic, payload, retained=message.retain)

    def _obey(self, topic: str, payload: bytes, *, retained: bool) -> None:
        commands = None if retained else self._translation.requested(topic, payload)
        if commands is None:
            why = "it was retained" if retained else "its value is not accepted"
            self._complaints.tell("request", f"A request on {topic} is ignored: {why}.")
            return
        for command in commands:
            self._submit(
                f"{self._base_topic}/{command.tank}/command/{command.name}", command.payload
            )

    def _say_goodbye(self) -> None:
        session = self._reconnector.session
        if session is None:
            return
        settled = False
        if session.phase is Phase.CONNECTED and session.usable:
            permits = self._translation.permits(self._now_s(), ready=False)
            said = self._send(session, permits)
            said &= self._send(session, self._translation.states(Lifecycle.DISCONNECTED))
            deadline = time.monotonic() + FAREWELL_S
            while session.unsettled and session.usable and time.monotonic() < deadline:
                time.sleep(0.01)
            settled = said and not session.unsettled
        session.end(with_will=not settled)
        session.join(FAREWELL_S / 2)
        self._reconnector.forget()


def _state_first(topic: str) -> tuple[bool, str]:
    """A device is gone from the moment its state is; its description and values come after."""
    return (not topic.endswith("/$state"), topic)
