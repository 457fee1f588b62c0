"""A client that costs next to nothing, so that it is never itself what is measured.

A client library in Python works as hard for a message as the bridge that is to be measured. This
one writes packets that were made beforehand and counts what comes back, by the few rules of MQTT
3.1.1 that it takes (sections 3.1 to 3.8): no retained messages, quality of service 0 and 1.
"""

import select
import socket
import time
from collections.abc import Iterator
from typing import Final

CONNECT: Final = 0x10
PUBLISH: Final = 0x30
PUBACK: Final = 0x40
SUBSCRIBE: Final = 0x82
KEEPALIVE_S: Final = 600
READ_BYTES: Final = 1 << 18


def _text(text: bytes) -> bytes:
    return len(text).to_bytes(2, "big") + text


def _packet(kind: int, body: bytes) -> bytes:
    length, digits = len(body), bytearray()
    while True:
        length, digit = divmod(length, 128)
        digits.append(digit | (0x80 if length else 0))
        if not length:
            return bytes([kind]) + bytes(digits) + body


def publish_packet(topic: str, payload: bytes, *, qos: int, number: int) -> bytes:
    """A PUBLISH; its number (1 to 65535) counts with quality of service 1 only."""
    mark = number.to_bytes(2, "big") if qos else b""
    return _packet(PUBLISH | qos << 1, _text(topic.encode()) + mark + payload)


class Wire:
    """One connection.

    Args:
        port: Of a broker on the loopback interface.
        name: Client id.
        filters: What to subscribe to.
        qos: Of the subscriptions.
    """

    def __init__(self, port: int, name: str, filters: tuple[str, ...], *, qos: int) -> None:
        self._socket = socket.create_connection(("127.0.0.1", port))
        self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._rest = b""
        self._acks = bytearray()
        head = _text(b"MQTT") + bytes([4, 2]) + KEEPALIVE_S.to_bytes(2, "big")
        self.send(_packet(CONNECT, head + _text(name.encode())))
        wanted = b"".join(_text(each.encode()) + bytes([qos]) for each in filters)
        self.send(_packet(SUBSCRIBE, b"\x00\x01" + wanted))
        granted = False
        while not granted:
            granted = any(kind == 0x90 for kind, _ in self._packets(5.0))

    def send(self, packets: bytes) -> None:
        """Write packets."""
        self._socket.sendall(packets)

    def topics(self, timeout_s: float) -> list[bytes]:
        """Topics of the messages that came; waits for the first packet."""
        found = []
        for kind, body in self._packets(timeout_s):
            if kind & 0xF0 != PUBLISH:
                continue
            end = 2 + int.from_bytes(body[:2], "big")
            found.append(body[2:end])
            if kind & 0x06:
                self._acks += bytes([PUBACK, 2]) + body[end : end + 2]
        if self._acks:
            self.send(bytes(self._acks))
            self._acks.clear()
        return found

    def close(self) -> None:
        """Hang up."""
        self._socket.close()

    def _packets(self, timeout_s: float) -> Iterator[tuple[int, bytes]]:
        if not select.select([self._socket], [], [], timeout_s)[0]:
            return
        data = self._rest + self._socket.recv(READ_BYTES)
        at = 0
        while at + 2 <= len(data):
            length, shift, body_at = 0, 0, at + 1
            while body_at < len(data):
                digit = data[body_at]
                length |= (digit & 0x7F) << shift
                shift, body_at = shift + 7, body_at + 1
                if not digit & 0x80:
                    break
            else:
                break
            if body_at + length > len(data):
                break
            yield data[at], data[body_at : body_at + length]
            at = body_at + length
        self._rest = data[at:]


def throughput(
    wire: Wire, packets: list[bytes], answers: tuple[bytes, ...], *, window: int, for_s: float
) -> int:
    """How many messages were answered while no more than a window of them was under way.

    Args:
        wire: Connected, and subscribed to the answers.
        packets: Sent in turn, again and again.
        answers: How the topics of answers begin.
        window: Messages that are sent before the first is answered.
        for_s: How long. [s]
    """
    ends_s = time.monotonic() + for_s
    answered = sent = 0
    heard_s = time.monotonic()
    while (now_s := time.monotonic()) < ends_s:
        if now_s - heard_s > 1.0:
            # At quality of service 0 a message may be lost; the window must not shrink for it.
            sent, heard_s = answered, now_s
        room = window - (sent - answered)
        if room >= window // 4:
            wire.send(b"".join(packets[(sent + i) % len(packets)] for i in range(room)))
            sent += room
        found = sum(topic.startswith(answers) for topic in wire.topics(0.2))
        if found:
            answered, heard_s = answered + found, now_s
    return answered


def latencies_s(
    wire: Wire, packets: list[bytes], answers: tuple[bytes, ...], *, rate_hz: float, count: int
) -> list[float]:
    """Times from sending a message to its answer, one message at a time at an even rate."""
    taken = []
    next_s = time.monotonic()
    for index in range(count):
        next_s += 1.0 / rate_hz
        while (wait_s := next_s - time.monotonic()) > 0.0:
            time.sleep(wait_s)
        began_s = time.perf_counter()
        wire.send(packets[index % len(packets)])
        while time.perf_counter() - began_s < 1.0:
            if any(topic.startswith(answers) for topic in wire.topics(0.2)):
                taken.append(time.perf_counter() - began_s)
                break
    return taken
