"""Where the network thread leaves messages for the decision loop.

Bounded by weight, so that neither a flood of small messages nor a few huge ones can fill the
memory. When it is full, the topic that takes the most room loses the older half of its waiting
messages: one noisy device cannot silence the others, and the newest reading, which is the one
that counts, survives. Every loss is counted.
"""

import threading
from collections import Counter
from typing import Final

from bridge.core.events import Message
from bridge.shell.counters import Counters

LARGEST_WEIGHT: Final = 16 * 2**20
"""Bytes. About 60,000 ordinary readings, a few seconds of the heaviest traffic measured."""

OVERHEAD: Final = 250
"""Bytes that a waiting message costs beside its topic and payload (CPython 3.11, measured)."""


class Inbox:
    """A bounded hand-over from one producing thread to one consuming thread."""

    def __init__(self, counters: Counters, *, largest_weight: int = LARGEST_WEIGHT) -> None:
        self._counters = counters
        self._largest_weight = largest_weight
        self._waiting: list[Message] = []
        self._weights: Counter[str] = Counter()
        self._weight = 0
        # Re-entrant (the default): a signal handler in the consuming thread may call wake().
        self._changed = threading.Condition()
        self._consumer_waits = False
        self._woken = False

    def __len__(self) -> int:
        return len(self._waiting)

    def put(self, message: Message) -> None:
        """Leave a message; never blocks for longer than another put or take lasts."""
        weight = OVERHEAD + len(message.topic) + len(message.payload)
        with self._changed:
            if self._weight + weight > self._largest_weight:
                self._make_room()
            self._waiting.append(message)
            self._weights[message.topic] += weight
            self._weight += weight
            self._counters.messages_received += 1
            if self._consumer_waits:
                self._changed.notify()

    def wake(self) -> None:
        """Let the consumer look around although no message came."""
        with self._changed:
            self._woken = True
            if self._consumer_waits:
                self._changed.notify()

    def take(self, timeout_s: float) -> list[Message]:
        """All waiting messages in the order of arrival; waits when there is none."""
        with self._changed:
            if not self._waiting and not self._woken and timeout_s > 0:
                self._consumer_waits = True
                try:
                    self._changed.wait(timeout_s)
                finally:
                    self._consumer_waits = False
            self._woken = False
            taken = self._waiting
            self._waiting = []
            self._weights.clear()
            self._weight = 0
            return taken

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
