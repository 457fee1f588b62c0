"""The daemon's connection to the broker, as the decision loop sees it.

There is no network thread: the decision loop reads and writes, in `Link.exchange`. The callbacks
only note facts and fill the inbox. Everything that decides (life-cycle word, what to send, when to
give a connection up) happens in `Link.tend` and `Link.publish`, which the loop calls, too. A loop
that hangs therefore never says ``ready`` again by itself, and to the broker it is a client that
fell silent.

What is done about a broker that is away:
- permits are not kept at all: they would arrive late. The engine issues new ones afterwards;
- of everything else the newest message of each topic is kept, and sent on return;
- what was sent but not acknowledged is treated in the same way.

How a dead connection is noticed: the broker's silence (keepalive), an error in the library, and
an own heartbeat message that does not come back.
"""

import logging
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import orjson
from paho.mqtt.client import MQTTMessage, MQTTMessageInfo
from paho.mqtt.enums import MQTTProtocolVersion

from bridge.core.events import Message
from bridge.core.outputs import Publish
from bridge.core.rivals import heartbeat_topic
from bridge.shell.broker_settings import BrokerSettings
from bridge.shell.clock import EngineClock
from bridge.shell.counters import Counters
from bridge.shell.driven_session import DrivenSession
from bridge.shell.inbox import Inbox
from bridge.shell.reconnector import Reconnector
from bridge.shell.session import Phase, Session, Subscription, Will, tls_context

log = logging.getLogger(__name__)

LARGEST_PAYLOAD: Final = 65_536
"""Bytes. A longer payload is cut to one byte more, so that the engine still sees that it is too
large; the whole of it need not wait in memory."""

HEARTBEAT_S: Final = 2.0
SILENCE_S: Final = 7.0
"""Without any sign of life from the broker for so long, the link counts as down."""

MUTE_S: Final = 30.0
"""A connection on which the heartbeat has not come back for so long is made anew."""

RESUBSCRIBE_S: Final = 60.0
"""After a refused subscription: rights may have been granted meanwhile."""

MOST_UNSETTLED: Final = 5_000
"""Messages handed to paho and not yet acknowledged; beyond it the newest of each topic waits."""

PAHO_IN_FLIGHT: Final = 20
"""So many messages paho sends before the first is acknowledged, whatever the broker's limit."""

MOST_WAITING: Final = 10_000
"""Topics with a message waiting for the broker; beyond it the oldest is given up."""

SHORTEST_READ_S: Final = 0.0002
LONGEST_READ_S: Final = 0.25
"""Real seconds of reading at a time, while more keeps coming."""

CONTRADICTION_PAUSE_S: Final = 1.0


class Lifecycle(StrEnum):
    """The words on the state topic, from the Homie life-cycle."""

    INIT = "init"
    READY = "ready"
    DISCONNECTED = "disconnected"
    LOST = "lost"


def state_topic(base_topic: str) -> str:
    """Where the life-cycle word is published."""
    return f"{base_topic}/state"


def lifecycle_message(base_topic: str, word: Lifecycle, at_s: float) -> Publish:
    """The retained life-cycle word."""
    return Publish(at_s=at_s, topic=state_topic(base_topic), payload=word.encode())


def subscriptions_for(topics: Sequence[str], base_topic: str) -> tuple[Subscription, ...]:
    """The engine's topics with the options that they need."""
    return tuple(
        Subscription(
            topic,
            keep_retain_flag=topic.startswith(f"{base_topic}/") and "/command/" in topic,
        )
        for topic in dict.fromkeys(topics)
    )


@dataclass(frozen=True, slots=True)
class LinkFacts:
    """How things are with the broker; compare two to see whether anything happened between."""

    up: bool
    generation: int
    """Rises with every new connection, so that a short break is not missed."""
    reason: str


class Link:
    """The connection to the broker. All methods are for the decision loop's thread.

    Args:
        settings: How to reach the broker.
        base_topic: Own topics live below it.
        topics: What the engine wants to hear.
        watched: Own topics on which it wants to hear others.
        boot_id: Tells the own heartbeat from another's.
        clock: Stamps arrivals.
        inbox: Where arrivals go.
        counters: Where losses are counted.
        monotonic: Replaceable for tests.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        *,
        base_topic: str,
        topics: Sequence[str],
        watched: Sequence[str] = (),
        boot_id: str,
        clock: EngineClock,
        inbox: Inbox,
        counters: Counters,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._settings = settings
        self._base_topic = base_topic
        self._state_topic = state_topic(base_topic)
        self._heartbeat_topic = heartbeat_topic(base_topic)
        self._subscriptions = (
            Subscription(self._state_topic),
            Subscription(self._heartbeat_topic),
            *subscriptions_for(topics, base_topic),
            *(
                Subscription(topic, others_only=True)
                for topic in watched
                # Its own come back on this one, to show that the broker lets them through.
                if topic != self._heartbeat_topic
            ),
        )
        self._boot_id = boot_id
        self._clock = clock
        self._inbox = inbox
        self._counters = counters
        self._monotonic = monotonic
        self._context = tls_context(settings)
        self._lifecycle = Lifecycle.INIT
        self._contradicted = False
        self._next_assertion_at = 0.0
        self._generation = 0
        self._seen: Session | None = None
        self._since = 0.0
        self._next_heartbeat_at = 0.0
        self._heartbeats = 0
        self._echo_at: float | None = None
        self._outbox: dict[str, Publish] = {}
        self._perishable_topics: set[str] = set()
        self._exchanged_at = monotonic()
        self._made: DrivenSession | None = None
        self._reconnector = Reconnector(
            self._make_session,
            settings.protocol,
            name="Broker",
            on_end=self._ended,
            monotonic=monotonic,
        )

    @property
    def facts(self) -> LinkFacts:
        """How things are with the broker."""
        session = self._reconnector.session
        if session is None or not session.usable or session is not self._seen:
            return LinkFacts(up=False, generation=self._generation, reason=self._reconnector.reason)
        now = self._monotonic()
        if self._echo_at is None:
            waited_s = now - self._since
            reason = "waiting for the first own message to come back"
            if waited_s > SILENCE_S:
                reason = (
                    f"the broker takes messages for {self._heartbeat_topic} but does not give "
                    f"them back; it must let the client {self._settings.client_id} read and "
                    f"write below {self._base_topic}"
                )
            return LinkFacts(up=False, generation=self._generation, reason=reason)
        if now - session.heard_at > SILENCE_S:
            return LinkFacts(
                up=False,
                generation=self._generation,
                reason=f"the broker has been silent for {now - session.heard_at:.0f} s",
            )
        return LinkFacts(up=True, generation=self._generation, reason="connected")

    def tend(self) -> None:
        """Keep the connection going; to be called often."""
        self._reconnector.tend()
        session = self._reconnector.session
        if session is None or session.phase is not Phase.CONNECTED:
            return
        now = self._monotonic()
        if not session.granted:
            if now - session.heard_at > RESUBSCRIBE_S:
                self._reconnector.drop(session.reason, with_will=True)
            return
        if session is not self._seen:
            self._seen = session
            self._generation += 1
            self._lifecycle = Lifecycle.INIT  # That is what the greeting said.
            self._since = now
            self._echo_at = None
            self._next_heartbeat_at = now
        if now >= self._next_heartbeat_at:
            self._send_heartbeat(session)
            self._next_heartbeat_at = now + HEARTBEAT_S
        last_sign_at = self._since if self._echo_at is None else self._echo_at
        if now - last_sign_at > MUTE_S:
            self._reconnector.drop(self.facts.reason, with_will=True)
            return
        if self._contradicted and now >= self._next_assertion_at:
            self._contradicted = False
            self._next_assertion_at = now + CONTRADICTION_PAUSE_S
            self._send(session, self._lifecycle_message())
        self._empty_outbox(session)

    def exchange(self, timeout_s: float) -> bool:
        """Send what waits, wait for something to happen, and read what has come into the inbox.

        It reads for no longer than the caller took since the last time, so that each has half of
        the time in a flood: what the daemon cannot cope with is for the inbox to give up, which
        knows one noisy topic from all the others, as the broker does not.

        Args:
            timeout_s: For nothing to happen, at most. [s]

        Returns:
            Whether everything that had come was read.
        """
        session = self._driven
        if session is None:
            self._inbox.wait(timeout_s)
            all_read = True
        else:
            busy_s = self._monotonic() - self._exchanged_at
            session.write()
            self._inbox.wait(
                0.0 if session.unread else timeout_s,
                session.fileno,
                until_writable=session.unwritten,
            )
            all_read = session.read(min(max(SHORTEST_READ_S, busy_s), LONGEST_READ_S))
            session.give_sign_of_life()
        self._exchanged_at = self._monotonic()
        return all_read

    def flush(self) -> None:
        """Send what waits, now."""
        if (session := self._driven) is not None:
            session.write()

    @property
    def _driven(self) -> DrivenSession | None:
        """The current session, as what `_make_session` made it."""
        made = self._made
        return made if made is not None and made is self._reconnector.session else None

    def announce(self, word: Lifecycle) -> None:
        """Set the life-cycle word, now and after every reconnect."""
        if word is self._lifecycle:
            return
        self._lifecycle = word
        session = self._reconnector.session
        # Not queued: on connecting, the word of that moment is sent anyway.
        if session is not None:
            self._send(session, self._lifecycle_message())

    def publish(self, message: Publish) -> None:
        """Send a message, or keep or drop it as the module describes."""
        session = self._reconnector.session
        if message.perishable:
            self._perishable_topics.add(message.topic)
            if session is None or not session.usable or not self._send(session, message):
                self._counters.permits_withheld += 1
            return
        if (
            session is not None
            and not self._outbox
            and session.unsettled < self._room(session)
            and self._send(session, message)
        ):
            return
        self._keep(message)

    def close(self, *, within_s: float) -> bool:
        """Say ``disconnected``, wait for the acknowledgements, and end the connection.

        Returns:
            Whether the broker has acknowledged everything. If not, the connection is cut, so that
            the broker publishes the will.
        """
        session = self._reconnector.session
        if session is None or session.phase is not Phase.CONNECTED:
            if session is not None:
                session.end(with_will=True)
                session.join(0.2)
            self._reconnector.forget()
            self._seen = None
            return False
        deadline = self._monotonic() + within_s
        self._empty_outbox(session)
        self._lifecycle = Lifecycle.DISCONNECTED
        farewell = self._send(session, self._lifecycle_message())
        while self._monotonic() < deadline and session.phase is Phase.CONNECTED:
            if farewell is not None and farewell.is_published() and not session.unsettled:
                break
            self.exchange(0.01)
        settled = farewell is not None and farewell.is_published() and not session.unsettled
        session.end(with_will=not settled)
        session.join(0.5)
        self._reconnector.forget()
        self._seen = None
        return settled

    def _make_session(self, protocol: MQTTProtocolVersion) -> Session:
        self._made = DrivenSession(
            self._settings,
            client_id=self._settings.client_id,
            protocol=protocol,
            keepalive_s=self._settings.keepalive_s,
            will=Will(self._state_topic, Lifecycle.LOST.encode()),
            counters=self._counters,
            on_change=self._inbox.wake,
            on_message=self._message_came,
            subscriptions=self._subscriptions,
            greeting=self._greeting,
            context=self._context,
            monotonic=self._monotonic,
        )
        return self._made

    def _greeting(self) -> Publish:
        # Ready is for the decision loop to say, once it has seen the connection.
        return lifecycle_message(self._base_topic, Lifecycle.INIT, self._clock.now_s())

    def _lifecycle_message(self) -> Publish:
        return lifecycle_message(self._base_topic, self._lifecycle, self._clock.now_s())

    def _message_came(self, message: MQTTMessage) -> None:
        """Note own messages, leave the others in the inbox."""
        topic = message.topic
        payload = bytes(message.payload)
        if topic == self._state_topic:
            # Our own will or an old connection's farewell, overtaking what we said since.
            if (
                not message.retain
                and self._lifecycle is Lifecycle.READY
                and payload in (Lifecycle.LOST.encode(), Lifecycle.DISCONNECTED.encode())
            ):
                self._contradicted = True
            return
        if topic == self._heartbeat_topic and self._is_own_heartbeat(payload):
            self._echo_at = self._monotonic()
            return
        if len(payload) > LARGEST_PAYLOAD:
            self._counters.messages_cut += 1
            payload = payload[: LARGEST_PAYLOAD + 1]
        self._inbox.put(Message(self._clock.now_s(), topic, payload, message.retain))

    def _is_own_heartbeat(self, payload: bytes) -> bool:
        try:
            document = orjson.loads(payload)
        except orjson.JSONDecodeError:
            return False
        return isinstance(document, dict) and document.get("boot_id") == self._boot_id

    def _send_heartbeat(self, session: Session) -> None:
        self._heartbeats += 1
        document = {
            "boot_id": self._boot_id,
            "count": self._heartbeats,
            "counters": self._counters.as_dict(),
        }
        self._send(
            session,
            Publish(
                at_s=self._clock.now_s(),
                topic=self._heartbeat_topic,
                payload=orjson.dumps(document),
                retain=False,
            ),
        )

    def _send(self, session: Session, message: Publish) -> MQTTMessageInfo | None:
        expires_after_s = None
        if message.expires_after_s is not None:
            late_s = max(0.0, self._clock.now_s() - message.at_s)
            expires_after_s = self._clock.real_s(message.expires_after_s - late_s)
            if expires_after_s <= 0:
                return None
        return session.publish(message, expires_after_s=expires_after_s)

    def _room(self, session: Session) -> int:
        if session.receive_maximum < PAHO_IN_FLIGHT:
            # paho would send too many at once, and the broker would hang up.
            return session.receive_maximum
        return MOST_UNSETTLED

    def _keep(self, message: Publish) -> None:
        # Taken out first, so that it goes to the end: the order of the newest messages is kept.
        if self._outbox.pop(message.topic, None) is not None:
            self._counters.outbox_dropped += 1
        elif len(self._outbox) >= MOST_WAITING:
            self._outbox.pop(next(iter(self._outbox)))
            self._counters.outbox_dropped += 1
        self._outbox[message.topic] = message

    def _empty_outbox(self, session: Session) -> None:
        while self._outbox and session.unsettled < self._room(session):
            topic = next(iter(self._outbox))
            message = self._outbox[topic]
            if self._send(session, message) is None and session.phase is not Phase.CONNECTED:
                return
            del self._outbox[topic]

    def _ended(self, session: Session) -> None:
        """Keep what the broker never acknowledged, unless something newer is waiting."""
        unsettled: dict[str, Publish] = {}
        for lost in session.take_unsettled():
            topic = lost.topic
            if topic in (self._state_topic, self._heartbeat_topic):
                continue
            if topic in self._perishable_topics:
                self._counters.permits_withheld += 1
                continue
            unsettled[topic] = Publish(
                at_s=self._clock.now_s(),
                topic=topic,
                payload=bytes(lost.payload),
                retain=lost.retain,
                qos=lost.qos,
            )
        self._outbox = {**unsettled, **self._outbox}
