"""One connection to the broker, from the first attempt to its end.

A session wraps one paho client and is thrown away when the connection ends, because a fresh
client has no queue of old messages (paho sends what was not acknowledged again after a reconnect,
and a permit must never arrive late), no stuck state, and can speak another protocol version.
The `Reconnector` makes the next one.

Rules that every callback here keeps, because an exception in one of paho's callbacks ends its
network thread without a word, and a wait in one blocks the network:
they catch everything, and they only note facts or hand over.
"""

import contextlib
import logging
import socket
import ssl
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any, Final

from paho.mqtt.client import (
    MQTT_CLEAN_START_FIRST_ONLY,
    Client,
    MQTTMessage,
    MQTTMessageInfo,
)
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from bridge.core.errors import UserError
from bridge.core.outputs import Publish
from bridge.shell.broker_settings import BrokerSettings
from bridge.shell.counters import Complaints, Counters

log = logging.getLogger(__name__)

REFUSED: Final = 0x80
"""Reason codes from here on are refusals (MQTT 5, section 2.4; MQTT 3.1.1 has only this one)."""

UNSUPPORTED_PROTOCOL: Final = 0x84
SESSION_TAKEN_OVER: Final = 0x8E
LARGEST_PACKET: Final = 4 * 2**20
"""Bytes that a MQTT 5 broker may send at once; it withholds larger ones."""

CONNECT_TIMEOUT_S: Final = 5.0

OnMessage = Callable[[MQTTMessage], None]


class BrokerFilesError(UserError):
    """A certificate or key file cannot be used; the text is for the keeper."""


class Phase(Enum):
    """Where a session is in its life."""

    CONNECTING = "connecting"
    CONNECTED = "connected"
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class Will:
    """What the broker publishes, retained, when this connection is lost."""

    topic: str
    payload: bytes


@dataclass(frozen=True, slots=True)
class Subscription:
    """A topic filter to subscribe to."""

    topic: str
    qos: int = 1
    keep_retain_flag: bool = False
    """MQTT 5 "retain as published": see a live message's retain flag as its sender set it.

    For commands, so that one sent as retained is refused the first time already. Not for
    sensors: many publish everything retained, and theirs would never look alive.
    """
    others_only: bool = False
    """MQTT 5 "no local": what this connection publishes itself is not sent back."""


def tls_context(settings: BrokerSettings) -> ssl.SSLContext | None:
    """The encryption context: certificate and host name are always verified.

    Raises:
        BrokerFilesError: A file is missing, unreadable or not what it should be.
    """
    if not settings.tls:
        return None
    try:
        context = ssl.create_default_context(cafile=settings.ca_file)
    except OSError as error:
        raise BrokerFilesError(
            f"broker.ca_file: {settings.ca_file} cannot be used ({error}); "
            "a file with certificates in PEM form is accepted."
        ) from error
    if settings.certificate_file is not None:
        try:
            # Never ask for a pass phrase on the terminal: a daemon has nobody to type it.
            context.load_cert_chain(
                settings.certificate_file, settings.key_file, password=lambda: b""
            )
        except OSError as error:
            raise BrokerFilesError(
                f"broker.certificate_file, broker.key_file: {settings.certificate_file} and "
                f"{settings.key_file} cannot be used ({error}); a certificate and its key "
                "without pass phrase, both in PEM form, are accepted."
            ) from error
    return context


class Session:
    """One connection. Facts are read by polling; ``on_change`` says when to look.

    Args:
        settings: How to reach the broker.
        client_id: Stable, so that the broker ends a half-open predecessor.
        protocol: Version to speak.
        keepalive_s: How soon a silent connection counts as dead, on both sides. [s]
        will: Published by the broker when the connection is lost; None for none.
        counters: Where refusals and contained errors are counted.
        on_change: Called from the network thread after every change of facts.
        on_message: Called from the network thread.
        subscriptions: Subscribed to on connecting.
        greeting: Published first thing on connecting, from the network thread.
        context: From `tls_context`.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        *,
        client_id: str,
        protocol: MQTTProtocolVersion,
        keepalive_s: int,
        will: Will | None,
        counters: Counters,
        on_change: Callable[[], None],
        on_message: OnMessage | None = None,
        subscriptions: Sequence[Subscription] = (),
        greeting: Callable[[], Publish] | None = None,
        context: ssl.SSLContext | None = None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._settings = settings
        self.client_id = client_id
        self._keepalive_s = keepalive_s
        self._protocol = protocol
        self._counters = counters
        self._complaints = Complaints()
        self._on_change = on_change
        self._subscriptions = tuple(subscriptions)
        self._greeting = greeting
        self._monotonic = monotonic
        self._thread: threading.Thread | None = None
        self._finished = threading.Event()
        self._unwanted = False

        self.phase = Phase.CONNECTING
        self.was_connected = False
        self.opened_at: float | None = None
        """When the socket was opened. [s, monotonic]"""
        self.connected_at = 0.0
        self.reason = "connecting"
        """Why things are as they are, for the keeper."""
        self.refused_protocol = False
        self.hung_up_in_silence = False
        self.taken_over = False
        self.granted = not subscriptions
        """Every subscription was granted."""
        self.heard_at = monotonic()
        """When the broker was last heard from. [s, monotonic]"""
        self.receive_maximum = 65535
        """How many messages the broker takes before it acknowledges the first."""
        self.sent = 0
        self.settled = 0

        self._client = self._make_client(client_id, will, context, on_message)

    def _make_client(
        self,
        client_id: str,
        will: Will | None,
        context: ssl.SSLContext | None,
        on_message: OnMessage | None,
    ) -> Client:
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            protocol=self._protocol,
            reconnect_on_failure=False,
        )
        client.suppress_exceptions = True
        client.connect_timeout = CONNECT_TIMEOUT_S
        # A session is one attempt; without this its thread would linger after a failed one.
        client.reconnect_delay_set(0, 0)
        if context is not None:
            client.tls_set_context(context)
        if self._settings.username is not None:
            client.username_pw_set(self._settings.username, self._settings.password)
        if will is not None:
            client.will_set(will.topic, will.payload, qos=1, retain=True)
        client.on_pre_connect = self._contained(self._pre_connect)
        client.on_socket_open = self._contained(self._socket_opened)
        client.on_connect = self._contained(self._connected)
        client.on_connect_fail = self._contained(self._connect_failed)
        client.on_disconnect = self._contained(self._disconnected)
        client.on_subscribe = self._contained(self._subscribed)
        client.on_publish = self._contained(self._settled)
        if on_message is not None:
            client.on_message = self._messages_to(on_message)
        return client

    @property
    def speaks_5(self) -> bool:
        """Whether this session speaks MQTT 5."""
        return self._protocol == MQTTProtocolVersion.MQTTv5

    @property
    def usable(self) -> bool:
        """Connected, everything subscribed, and the network thread lives."""
        return self.phase is Phase.CONNECTED and self.granted and self.thread_lives

    @property
    def thread_lives(self) -> bool:
        """Whether paho's network thread is running (or was not started yet)."""
        return self._thread is None or self._thread.is_alive()

    @property
    def unsettled(self) -> int:
        """Messages handed over that the broker has not acknowledged."""
        return max(0, self.sent - self.settled)

    def start(self) -> None:
        """Begin to connect, in a thread of its own. Never raises because of the network."""
        self._prepare()
        self._client.loop_start()

    def _prepare(self) -> None:
        """Tell paho where to connect, and how."""
        properties = None
        if self.speaks_5:
            properties = _properties(PacketTypes.CONNECT)
            # What a broker would keep for an absent daemon arrives late and looks fresh.
            properties.SessionExpiryInterval = 0
            properties.MaximumPacketSize = LARGEST_PACKET
        self._client.connect_async(
            self._settings.host,
            self._settings.port_number,
            keepalive=self._keepalive_s,
            clean_start=True if self.speaks_5 else MQTT_CLEAN_START_FIRST_ONLY,
            properties=properties,
        )

    def publish(self, message: Publish, *, expires_after_s: float | None) -> MQTTMessageInfo | None:
        """Hand a message to paho; None when it could not take it."""
        if self.phase is not Phase.CONNECTED:
            return None
        properties = None
        if expires_after_s is not None and self.speaks_5:
            properties = _properties(PacketTypes.PUBLISH)
            # Rounded, so that the milliseconds since the decision do not cost a whole second.
            properties.MessageExpiryInterval = max(1, round(expires_after_s))
        # Counted before, because the acknowledgement may come before publish() returns.
        self.sent += 1
        try:
            info = self._client.publish(
                message.topic,
                message.payload,
                qos=message.qos,
                retain=message.retain,
                properties=properties,
            )
        except (ValueError, OSError) as error:
            self.sent -= 1
            self._counters.publishes_refused += 1
            self._complaints.tell(
                "publish", f"The message for {message.topic} cannot be sent: {error}."
            )
            return None
        return info if info.rc == MQTTErrorCode.MQTT_ERR_SUCCESS else None

    def take_unsettled(self) -> list[MQTTMessage]:
        """After the end: what was handed over and never acknowledged."""
        return self._client.drop_out_messages()

    def end(self, *, with_will: bool) -> None:
        """End the connection without waiting for it; see `join`.

        Args:
            with_will: Let the broker publish the will.
        """
        if self._unwanted or self.phase is Phase.ENDED:
            return
        self._unwanted = True
        if self.phase is Phase.CONNECTING:
            self._cut()
            return
        if with_will and not self.speaks_5:
            # MQTT 3.1.1 has no goodbye with will; to the broker this is a lost connection.
            self._cut()
            return
        reason = (
            ReasonCode(PacketTypes.DISCONNECT, "Disconnect with will message")
            if with_will
            else None
        )
        try:
            self._client.disconnect(reason)
        except (OSError, ValueError):
            self._cut()

    def join(self, timeout_s: float) -> bool:
        """Wait until the connection has ended; cut it when it does not in time.

        ``Client.loop_stop()`` is never called: it waits for every unacknowledged message, which
        blocked for 9.8 s when measured. A thread that is stuck is left behind; it is a daemon
        thread and has no socket any more.
        """
        ended = self._finished.wait(timeout_s) or self.phase is Phase.ENDED
        if not ended:
            self._cut()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(max(0.05, min(0.5, timeout_s)))
        if self._thread is not None and not self._thread.is_alive():
            self._let_go()
        return ended

    def _let_go(self) -> None:
        """Untie the client from this object, so that it is freed and closes its sockets now."""
        client = self._client
        client.on_pre_connect = client.on_socket_open = client.on_connect = None
        client.on_connect_fail = client.on_disconnect = client.on_subscribe = None
        client.on_publish = client.on_message = None

    def _cut(self) -> None:
        """Drop the socket, as a lost network would."""
        cut = self._client.socket()
        if cut is not None:
            # An error only says that it is gone already.
            with contextlib.suppress(OSError):
                cut.shutdown(socket.SHUT_RDWR)  # type: ignore[attr-defined] # not a web socket

    def _contained(self, callback: Callable[..., None]) -> Callable[..., None]:
        def contained(*arguments: Any) -> None:  # noqa: ANN401 # whatever paho passes
            try:
                callback(*arguments)
            except Exception as error:  # noqa: BLE001 # paho's thread would die in silence
                self._counters.callback_errors += 1
                self._complaints.tell("callback", "A network callback failed.", error=error)

        return contained

    def _pre_connect(self, _client: Client, _userdata: object) -> None:
        self._thread = threading.current_thread()

    def _socket_opened(self, _client: Client, _userdata: object, opened: socket.socket) -> None:
        if self._unwanted:
            # Ended while the connection was being made: it must not come alive behind our back.
            opened.shutdown(socket.SHUT_RDWR)
            return
        self.opened_at = self._monotonic()
        # Without it, small messages wait for the acknowledgement of the one before (Nagle).
        opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _connected(
        self,
        client: Client,
        _userdata: object,
        _flags: object,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        self.heard_at = self._monotonic()
        if reason.is_failure:
            self.refused_protocol = reason.value == UNSUPPORTED_PROTOCOL
            self._end_with(f"the broker refused the connection ({_words(reason)})")
            return
        self.receive_maximum = getattr(properties, "ReceiveMaximum", 65535)
        self.phase = Phase.CONNECTED
        self.was_connected = True
        self.connected_at = self.heard_at
        self.reason = "connected"
        self._counters.connections += 1
        if self._greeting is not None:
            self.publish(self._greeting(), expires_after_s=None)
        if self._subscriptions:
            self.reason = "waiting for the broker to grant the subscriptions"
            client.subscribe([(each.topic, self._options(each)) for each in self._subscriptions])
        self._on_change()

    def _options(self, subscription: Subscription) -> Any:  # noqa: ANN401 # paho's two forms
        if not self.speaks_5:
            return subscription.qos
        return SubscribeOptions(
            qos=subscription.qos,
            noLocal=subscription.others_only,
            retainAsPublished=subscription.keep_retain_flag,
        )

    def _subscribed(
        self,
        _client: Client,
        _userdata: object,
        _mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        self.heard_at = self._monotonic()
        refused = [
            f"{subscription.topic} ({_words(reason)})"
            for subscription, reason in zip(self._subscriptions, reasons, strict=False)
            if reason.value >= REFUSED
        ]
        if refused or len(reasons) != len(self._subscriptions):
            self.reason = (
                "the broker refused the subscription to "
                + (", ".join(refused) or "some topics")
                + f"; it must let the client {self._settings.client_id} read them"
            )
        else:
            self.granted = True
            self.reason = "connected"
        self._on_change()

    def _settled(
        self,
        _client: Client,
        _userdata: object,
        _mid: int,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self.heard_at = self._monotonic()
        self.settled += 1
        if reason.value >= REFUSED:
            self._counters.publishes_refused += 1
            self._complaints.tell(
                "refused",
                f"The broker refused a message ({_words(reason)}); it must let the client "
                f"{self._settings.client_id} publish below its base topic.",
            )

    def _messages_to(self, on_message: OnMessage) -> Callable[..., None]:
        monotonic, counters = self._monotonic, self._counters

        # Contained like the others, in one function because this is called for every message.
        def message_came(_client: Client, _userdata: object, message: MQTTMessage) -> None:
            try:
                self.heard_at = monotonic()
                if not self._unwanted:
                    on_message(message)
            except Exception as error:  # noqa: BLE001 # paho's thread would die in silence
                counters.callback_errors += 1
                self._complaints.tell("callback", "A network callback failed.", error=error)

        return message_came

    def _connect_failed(self, _client: Client, _userdata: object) -> None:
        # paho calls this while it handles the error, and tells it in no other way.
        error = sys.exc_info()[1]
        self._end_with(
            f"{self._settings.host}:{self._settings.port_number} cannot be reached"
            + (f" ({error})" if error is not None else "")
        )

    def _disconnected(
        self,
        _client: Client,
        _userdata: object,
        _flags: object,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self.taken_over = reason.value == SESSION_TAKEN_OVER
        if self.taken_over:
            self._end_with(
                "another program connected to the broker with the same client id, "
                f"{self.client_id}; every program needs its own"
            )
        elif self.was_connected:
            self._end_with(f"the connection to the broker was lost ({_words(reason)})")
        elif self.phase is Phase.CONNECTING:
            self.hung_up_in_silence = True
            self._end_with("the broker closed the connection before accepting it")

    def _end_with(self, reason: str) -> None:
        if self.phase is not Phase.ENDED:
            self.phase = Phase.ENDED
            self.reason = reason
        self._let_go()
        self._finished.set()
        self._on_change()


def _properties(kind: int) -> Properties:
    return Properties(kind)  # type: ignore[no-untyped-call] # paho's only untyped class


def _words(reason: ReasonCode) -> str:
    return str(reason).lower()
