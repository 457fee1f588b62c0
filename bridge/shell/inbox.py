"""Where messages wait for the decision loop, and where the loop waits for them.

Bounded by weight, so that neither a flood of small messages nor a few huge ones can fill the
memory. When it is full, the topic that takes the most room loses the older half of its waiting
messages: one noisy device cannot silence the others, and the newest reading, which is the one
that counts, survives. Every loss is counted.
"""

import os
import select
import threading
import weakref
from collections import Counter
from typing import Final

from bridge.core.events import Message
from bridge.shell.counters import Counters

LARGEST_WEIGHT: Final = 16 * 2**20
"""Bytes. About 60,000 ordinary readings, a few seconds of the heaviest traffic measured."""

OVERHEAD: Final = 250
"""Bytes that a waiting message costs beside its topic and payload (CPython 3.11, measured)."""


class Inbox:
    """A bounded hand-over to one consuming thread, from itself and from others.

    The wait is one for a descriptor, so that it can be for a socket at the same time.
    """

    def __init__(self, counters: Counters, *, largest_weight: int = LARGEST_WEIGHT) -> None:
        self._counters = counters
        self._largest_weight = largest_weight
        self._waiting: list[Message] = []
        self._weights: Counter[str] = Counter()
        self._weight = 0
        # Re-entrant: a signal handler in the consuming thread may call wake().
        self._lock = threading.RLock()
        self._consumer_waits = False
        self._woken = False
        self._knocked = False
        self._bell, self._knocker = os.pipe()
        os.set_blocking(self._bell, False)
        os.set_blocking(self._knocker, False)
        weakref.finalize(self, _close, self._bell, self._knocker)
        self._poll = select.poll()
        self._poll.register(self._bell, select.POLLIN)
        self._source: tuple[int, bool] | None = None

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, message: Message) -> None:
        """Leave a message; never blocks for longer than another put or take lasts."""
        topic = message.topic
        weight = OVERHEAD + len(topic) + len(message.payload)
        with self._lock:
            if self._weight + weight > self._largest_weight:
                self._make_room()
            self._waiting.append(message)
            weights = self._weights
            weights[topic] = weights.get(topic, 0) + weight
            self._weight += weight
            self._counters.messages_received += 1
            if self._consumer_waits:
                self._knock()

    def wake(self) -> None:
        """Let the consumer look around although no message came."""
        with self._lock:
            self._woken = True
            if self._consumer_waits:
                self._knock()

    def wait(
        self, timeout_s: float, source: int | None = None, *, until_writable: bool = False
    ) -> None:
        """Until there is a message, or `wake` was called, or the source is ready.

        Args:
            timeout_s: At most. [s]
            source: The descriptor of a socket that is to be read.
            until_writable: Whether it is to be written, too.
        """
        self._watch(None if source is None else (source, until_writable))
        with self._lock:
            self._consumer_waits = not self._waiting and not self._woken and timeout_s > 0
            self._woken = False
            waits = self._consumer_waits
        if not waits:
            return
        try:
            self._poll.poll(1000.0 * timeout_s)
        finally:
            with self._lock:
                self._consumer_waits = self._woken = False
                if self._knocked:
                    self._knocked = False
                    os.read(self._bell, 1)

    def take(self, timeout_s: float) -> list[Message]:
        """All waiting messages in the order of arrival; waits when there is none."""
        if timeout_s > 0:
            self.wait(timeout_s)
        with self._lock:
            taken = self._waiting
            if taken:
                self._waiting = []
                self._weights.clear()
                self._weight = 0
            return taken

    def _watch(self, source: tuple[int, bool] | None) -> None:
        if source == self._source:
            return
        if self._source is not None and (source is None or source[0] != self._source[0]):
            self._poll.unregister(self._source[0])
        if source is not None:
            number, until_writable = source
            self._poll.register(number, select.POLLIN | (select.POLLOUT * until_writable))
        self._source = source

    def _knock(self) -> None:
        if not self._knocked:
            self._knocked = True
            os.write(self._knocker, b".")

    def _make_room(self) -> None:
        """Give up messages of the heaviest topic, or of all when none stands out."""
        if not self._waiting:
            return
        heaviest, weight = self._weights.most_common(1)[0]
        # A flood spread over countless topics has no heaviest one worth a pass over the list.
        stands_out = weight * 8 > self._weight
        kept: list[Message] = []
        candidates = (
            sum(message.topic == heaviest for message in self._waiting)
            if stands_out
            else len(self._waiting)
        )
        to_drop = (candidates + 1) // 2
        self._counters.messages_dropped += to_drop
        for message in self._waiting:
            if to_drop and (not stands_out or message.topic == heaviest):
                to_drop -= 1
                weight = OVERHEAD + len(message.topic) + len(message.payload)
                self._weights[message.topic] -= weight
                self._weight -= weight
                if not self._weights[message.topic]:
                    del self._weights[message.topic]
            else:
                kept.append(message)
        self._waiting = kept


def _close(*descriptors: int) -> None:
    for descriptor in descriptors:
        os.close(descriptor)
