"""An independent MQTT client for tests: sees what everyone would see, and speaks."""

import socket
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from types import TracebackType
from typing import Any, Self

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion


@dataclass(frozen=True, slots=True)
class Heard:
    """A message that came, and when."""

    at: float
    topic: str
    payload: bytes
    retain: bool
    expiry_s: int | None


class Listener:
    """A context manager that is connected and subscribed to everything while it lasts."""

    def __init__(self, port: int, *, topic: str = "#", version_5: bool = True) -> None:
        self._topic = topic
        self._port = port
        self._subscribed = threading.Event()
        self._changed = threading.Condition()
        self.heard: list[Heard] = []
        self._client = Client(
            CallbackAPIVersion.VERSION2,
            protocol=MQTTProtocolVersion.MQTTv5 if version_5 else MQTTProtocolVersion.MQTTv311,
        )
        # Or Nagle's algorithm would be what a test of delays measures.
        self._client.on_socket_open = _without_delay
        self._client.on_connect = self._connected
        self._client.on_subscribe = self._note_subscribed
        self._client.on_message = self._note

    def __enter__(self) -> Self:
        """Connect, and wait until subscribed."""
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        assert self._subscribed.wait(5.0)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        """Disconnect."""
        self._client.disconnect()
        self._client.loop_stop()
        # Untied, the client is freed now and closes its sockets, which are otherwise warned about.
        self._client.on_connect = self._client.on_subscribe = self._client.on_message = None

    def publish(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = False) -> None:
        """Say something, and wait until the broker has it."""
        self._client.publish(topic, payload, qos=qos, retain=retain).wait_for_publish(5.0)

    def say(self, topic: str, payload: bytes, *, qos: int = 0, retain: bool = False) -> None:
        """Say something without waiting."""
        self._client.publish(topic, payload, qos=qos, retain=retain)

    def wait(self, wanted: Callable[[list[Heard]], Any], timeout_s: float = 8.0) -> Any:  # noqa: ANN401
        """Wait until the messages heard so far satisfy a condition; what it returned."""
        deadline = time.monotonic() + timeout_s
        with self._changed:
            while not (result := wanted(self.heard)):
                left = deadline - time.monotonic()
                assert left > 0, f"not heard in {timeout_s} s; heard: {self.heard[-10:]}"
                self._changed.wait(left)
        return result

    def wait_for(self, topic: str, payload: bytes | None = None, timeout_s: float = 8.0) -> Heard:
        """Wait until the newest message of a topic is (this) one."""

        def newest(heard: list[Heard]) -> Heard | None:
            for each in reversed(heard):
                if each.topic == topic:
                    return each if payload is None or each.payload == payload else None
            return None

        found = self.wait(newest, timeout_s)
        assert isinstance(found, Heard)
        return found

    def of(self, topic: str) -> list[bytes]:
        """Payloads of a topic, in order."""
        return [each.payload for each in list(self.heard) if each.topic == topic]

    def forget(self) -> None:
        """Start listening afresh."""
        with self._changed:
            self.heard.clear()

    def _connected(self, client: Client, *_rest: object) -> None:
        client.subscribe(self._topic, qos=1)

    def _note_subscribed(self, *_rest: object) -> None:
        self._subscribed.set()

    def _note(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        expiry = getattr(message.properties, "MessageExpiryInterval", None)
        with self._changed:
            self.heard.append(
                Heard(
                    time.monotonic(),
                    message.topic,
                    bytes(message.payload),
                    message.retain,
                    expiry,
                )
            )
            self._changed.notify_all()


def _without_delay(_client: Client, _userdata: object, opened: Any) -> None:  # noqa: ANN401
    opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
