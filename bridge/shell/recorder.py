"""Writes what a live broker delivers into a capture, without taking any part itself."""

import logging
import threading
from collections.abc import Callable, Sequence
from typing import Final

from paho.mqtt.client import MQTTMessage
from paho.mqtt.enums import MQTTProtocolVersion

from bridge.core.events import Message
from bridge.shell.broker_settings import BrokerSettings
from bridge.shell.capture import CaptureWriter
from bridge.shell.clock import EngineClock
from bridge.shell.counters import Counters
from bridge.shell.inbox import Inbox
from bridge.shell.link import subscriptions_for
from bridge.shell.reconnector import Reconnector
from bridge.shell.session import Session, tls_context

log = logging.getLogger(__name__)

LOOK_S: Final = 0.5


class Recorder:
    """Subscribes as the daemon does, and writes every message down.

    Args:
        settings: How to reach the broker.
        base_topic: Own topics live below it.
        topics: What to record.
        clock: Stamps arrivals.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        *,
        base_topic: str,
        topics: Sequence[str],
        clock: EngineClock,
    ) -> None:
        self._settings = settings
        self._subscriptions = subscriptions_for(topics, base_topic)
        self._clock = clock
        self._context = tls_context(settings)
        self._stop = threading.Event()
        self.counters = Counters()
        self._inbox = Inbox(self.counters)
        self._reconnector = Reconnector(self._make_session, settings.protocol, name="Broker")

    @property
    def connected(self) -> bool:
        """Whether messages can arrive at the moment."""
        session = self._reconnector.session
        return session is not None and session.usable

    def stop(self) -> None:
        """Ask `run` to end; may be called from a signal handler."""
        self._stop.set()
        self._inbox.wake()

    def run(self, writer: CaptureWriter, *, on_look: Callable[[], None] = lambda: None) -> None:
        """Record until `stop`.

        Raises:
            CaptureError: The file cannot be written any more.
        """
        connected = False
        try:
            while not self._stop.is_set():
                self._reconnector.tend()
                if self.connected is not connected:
                    connected = self.connected
                    log.info("Recording." if connected else "Waiting for the broker.")
                self._write(writer, self._inbox.take(LOOK_S))
                on_look()
        finally:
            session = self._reconnector.session
            if session is not None:
                session.end(with_will=False)
                session.join(1.0)
            self._reconnector.forget()
        self._write(writer, self._inbox.take(0.0))

    def _write(self, writer: CaptureWriter, messages: list[Message]) -> None:
        for message in messages:
            writer.write(message.at_s, message.topic, message.payload, retain=message.retained)
        if messages:
            writer.flush()

    def _make_session(self, protocol: MQTTProtocolVersion) -> Session:
        return Session(
            self._settings,
            client_id=f"{self._settings.client_id}-record",
            protocol=protocol,
            keepalive_s=self._settings.keepalive_s,
            will=None,
            counters=self.counters,
            on_change=self._inbox.wake,
            on_message=self._message_came,
            subscriptions=self._subscriptions,
            context=self._context,
        )

    def _message_came(self, message: MQTTMessage) -> None:
        self._inbox.put(
            Message(self._clock.now_s(), message.topic, bytes(message.payload), message.retain)
        )
