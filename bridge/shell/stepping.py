"""Feeds an engine in the right order: every tick that it wants, then the event.

The daemon and the replay go through the same few lines, so that a replay ticks exactly where a
daemon with a perfect timer would have.
"""

from typing import Any, Final, Protocol

from bridge.core.events import Event, Tick
from bridge.core.outputs import Output


class EnginePort(Protocol):
    """What the shell needs of the engine."""

    @property
    def topics(self) -> tuple[str, ...]:
        """Topic filters to subscribe to."""

    @property
    def watched_topics(self) -> tuple[str, ...]:
        """Own topics, on which others are to be heard."""

    @property
    def wake_at_s(self) -> float:
        """When the next tick is wanted; infinite when never, in Unix seconds."""

    @property
    def state(self) -> Any:  # noqa: ANN401 # a plain dataclass that only the engine understands
        """All that must survive a restart."""

    def step(self, event: Event) -> list[Output]:
        """Take one event and say what is to be done."""

    def storage(self, at_s: float, fault: str | None) -> list[Output]:
        """Take note that the history cannot be written, or can again."""

    def telling(self, at_s: float, fault: str | None) -> list[Output]:
        """Take note that alerts do not reach somebody, or do again."""


MOST_TICKS_AT_ONCE: Final = 100
"""An engine may need a few ticks at one moment to catch up; never this many."""


class EngineStuckError(RuntimeError):
    """The engine asks for the same tick again and again."""


def ticks_until(engine: EnginePort, at_s: float, *, since_s: float) -> list[Output]:
    """Give the engine every tick that is due before or at a moment.

    Args:
        engine: The engine.
        at_s: The moment, usually that of the next event. [Unix s]
        since_s: When the engine was last told anything; a tick wanted for earlier than that is
            given then, because time never runs backwards. [Unix s]

    Returns:
        What is to be done, in order.

    Raises:
        EngineStuckError: Ticks do not move the wish for the next one.
    """
    outputs: list[Output] = []
    tick_at_s = max(engine.wake_at_s, since_s)
    again = 0
    while tick_at_s <= at_s:
        outputs += engine.step(Tick(tick_at_s))
        wake_at_s = engine.wake_at_s
        # "not >" also catches a NaN.
        again = again + 1 if not wake_at_s > tick_at_s else 0
        if again > MOST_TICKS_AT_ONCE:
            raise EngineStuckError(f"the tick at {tick_at_s} keeps asking for one at {wake_at_s}")
        tick_at_s = max(tick_at_s, wake_at_s)
    return outputs


def feed(engine: EnginePort, event: Event, *, since_s: float) -> list[Output]:
    """Give the engine the ticks due before an event, and the event.

    Args:
        engine: The engine.
        event: Not before the one given last.
        since_s: When the engine was last told anything. [Unix s]

    Returns:
        What is to be done, in order.
    """
    if engine.wake_at_s > event.at_s:
        return engine.step(event)
    # A tick that falls together with the event comes first: silence is judged up to that moment.
    outputs = ticks_until(engine, event.at_s, since_s=since_s)
    outputs += engine.step(event)
    return outputs
