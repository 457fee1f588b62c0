"""A link without daemon, for tests to drive by hand."""

import time
from collections.abc import Callable

from bridge.core.events import Message
from bridge.shell.clock import EngineClock
from bridge.shell.counters import Counters
from bridge.shell.inbox import Inbox
from bridge.shell.link import Link
from tests.support.live import BOOT_ID, broker_settings


class Driven:
    """A link without daemon, driven by hand."""

    def __init__(self, port: int, **changes: object) -> None:
        self.counters = Counters()
        self.inbox = Inbox(self.counters)
        self.link = Link(
            broker_settings(port, **changes),
            base_topic="tidegate",
            topics=("home/#", "tidegate/reef/command/+"),
            boot_id=BOOT_ID,
            clock=EngineClock(),
            inbox=self.inbox,
            counters=self.counters,
        )
        self.messages: list[Message] = []

    def until(self, condition: Callable[[], object], timeout_s: float = 8.0) -> None:
        """Drive it until something is true."""
        deadline = time.monotonic() + timeout_s
        while not condition():
            assert time.monotonic() < deadline, self.link.facts
            self.link.tend()
            self.link.exchange(0.02)
            self.messages += self.inbox.take(0.0)

    def up(self) -> None:
        """Drive it until it is up."""
        self.until(lambda: self.link.facts.up)
