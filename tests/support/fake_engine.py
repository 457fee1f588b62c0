"""A stand-in for the engine with the same surface, simple enough to be judged by eye."""

import math
from collections.abc import Callable
from dataclasses import dataclass

import orjson

from bridge.core.events import Event, LinkDown, LinkUp, Message, Shutdown, Tick
from bridge.core.outputs import Output, Publish, Record

PERMIT_TOPIC = "tidegate/reef/permit/top-off"
ECHO_TOPIC = "tidegate/reef/echo"


@dataclass(slots=True)
class FakeState:
    """What the fake engine remembers."""

    taken: int = 0


class FakeEngine:
    """Echoes every payload, permits while the link is up, and ticks every few seconds.

    Args:
        at_s: Start.
        every_s: Between two ticks; infinite for none.
        lease_s: Of the permit.
    """

    def __init__(
        self,
        *,
        at_s: float = 0.0,
        every_s: float = math.inf,
        lease_s: float = 15.0,
        topics: tuple[str, ...] = ("home/#", "tidegate/reef/command/+"),
        on_event: Callable[[Event], None] | None = None,
    ) -> None:
        self.events: list[Event] = []
        self.state = FakeState()
        self._topics = topics
        self._every_s = every_s
        self._lease_s = lease_s
        self._on_event = on_event
        self._up = False
        self._seq = 0
        self.wake_at_s = at_s + every_s

    @property
    def topics(self) -> tuple[str, ...]:
        """As given."""
        return self._topics

    @property
    def watched_topics(self) -> tuple[str, ...]:
        """None; it has no notion of others."""
        return ()

    def step(self, event: Event) -> list[Output]:
        """Take an event."""
        self.events.append(event)
        if isinstance(event, Tick):
            self.wake_at_s = event.at_s + self._every_s
        if self._on_event is not None:
            self._on_event(event)
        match event:
            case Message():
                self.state.taken += 1
                return [
                    Publish(event.at_s, ECHO_TOPIC, event.payload, retain=False),
                    Record(event.at_s, "reef", "sample", {}),
                ]
            case LinkUp():
                self._up = True
            case LinkDown() | Shutdown():
                self._up = False
            case _:
                pass
        return [self._permit(event.at_s)]

    def storage(self, at_s: float, fault: str | None) -> list[Output]:
        """Tell the world about it, so that a test can see it."""
        return [Publish(at_s, "tidegate/reef/storage", (fault or "well").encode())]

    def telling(self, at_s: float, fault: str | None) -> list[Output]:
        """Tell the world about it, too."""
        return [Publish(at_s, "tidegate/reef/telling", (fault or "well").encode())]

    def _permit(self, at_s: float) -> Publish:
        self._seq += 1
        document = {"state": "permit" if self._up else "hold", "seq": self._seq, "time": at_s}
        return Publish(
            at_s,
            PERMIT_TOPIC,
            orjson.dumps(document),
            expires_after_s=self._lease_s,
            perishable=True,
        )
