"""The inbox is bounded, fair and never silent about a loss."""

import threading
import time

from hypothesis import given
from hypothesis import strategies as st

from bridge.core.events import Message
from bridge.shell.counters import Counters
from bridge.shell.inbox import OVERHEAD, Inbox


def message(at_s: float, topic: str, size: int = 10) -> Message:
    """A message of a size."""
    return Message(at_s, topic, b"x" * size)


@given(
    st.lists(st.tuples(st.sampled_from("abcdefgh"), st.integers(0, 3000)), max_size=300),
)
def test_bounded_ordered_and_counted(drawn: list[tuple[str, int]]) -> None:
    """However much arrives: the weight stays bounded, order is kept, every loss is counted."""
    counters = Counters()
    inbox = Inbox(counters, largest_weight=20_000)
    for number, (topic, size) in enumerate(drawn):
        inbox.put(message(float(number), topic, size))
    taken = inbox.take(0.0)

    assert len(taken) + counters.messages_dropped == len(drawn) == counters.messages_received
    assert sum(OVERHEAD + 1 + len(each.payload) for each in taken) <= 20_000 + 3300
    assert [each.at_s for each in taken] == sorted(each.at_s for each in taken)
    if drawn:
        assert taken[-1].at_s == len(drawn) - 1, "the newest always survives"


def test_noisy_topic_does_not_silence_the_others() -> None:
    """A flood on one topic costs that topic only, and its newest reading survives."""
    counters = Counters()
    inbox = Inbox(counters, largest_weight=100_000)
    for number in range(10):
        inbox.put(message(float(number), "quiet"))
    for number in range(10, 5000):
        inbox.put(message(float(number), "noisy"))
    taken = inbox.take(0.0)

    assert sum(each.topic == "quiet" for each in taken) == 10
    assert taken[-1].at_s == 4999.0
    assert counters.messages_dropped > 4000


def test_flood_over_countless_topics_is_bounded_and_quick() -> None:
    """Topics invented by an attacker cost bounded memory and bounded time."""
    counters = Counters()
    inbox = Inbox(counters, largest_weight=1_000_000)
    started = time.perf_counter()
    for number in range(50_000):
        inbox.put(message(float(number), f"topic-{number}"))

    assert time.perf_counter() - started < 5.0
    assert len(inbox) < 4_000


def test_consumer_is_woken() -> None:
    """A message, or a call to look, ends the wait at once."""
    for act in (lambda box: box.put(message(0.0, "t")), lambda box: box.wake()):
        inbox = Inbox(Counters())
        timer = threading.Timer(0.1, act, [inbox])
        timer.start()
        started = time.monotonic()
        inbox.take(5.0)
        timer.join()

        assert time.monotonic() - started < 2.0


def test_wake_before_the_wait_is_not_lost() -> None:
    """A call to look that comes while the consumer is busy is answered at its next visit."""
    inbox = Inbox(Counters())
    inbox.wake()
    started = time.monotonic()
    inbox.take(5.0)

    assert time.monotonic() - started < 1.0
