"""Tells the demonstration's story over a real broker, on a clock that waits for the teller.

Time in the story runs hundreds of times as fast as ours, so a tenth of a second in which this
machine is busy elsewhere would be a minute in which the simulated probe was silent. The story's
clock therefore never runs past the next message that has not been sent yet, nor past one that has
not arrived.
"""

import logging
import threading
import time
from collections.abc import Callable
from typing import Final

from paho.mqtt.client import MQTTMessage
from paho.mqtt.enums import MQTTProtocolVersion

from bridge.core.outputs import Publish
from bridge.shell.broker_settings import BrokerSettings
from bridge.shell.clock import EngineClock, steady_s
from bridge.shell.counters import Counters
from bridge.shell.session import OnMessage, Phase, Session, Subscription
from bridge.simulation.story import Story

log = logging.getLogger(__name__)

CONNECT_WITHIN_S: Final = 10.0
LOOK_S: Final = 0.05
ARRIVAL_LOOK_S: Final = 0.001
UNDER_WAY_S: Final = 2.0
"""Longer, and a message will not arrive any more: the story goes on without it."""


class StoryClock(EngineClock):
    """Engine time that runs fast, and not past what it was allowed."""

    def __init__(self, *, start_s: float, speed: float) -> None:
        super().__init__(speed=speed, start_s=start_s)
        self._lock = threading.Lock()
        self._story_s = start_s
        self._allowed_s = start_s
        self._looked_at = steady_s()

    def now_s(self) -> float:
        """Story time, in Unix seconds."""
        with self._lock:
            now = steady_s()
            self._story_s = min(
                self._allowed_s, self._story_s + (now - self._looked_at) * self.speed
            )
            self._looked_at = now
            return self._story_s

    def allow_until(self, at_s: float) -> None:
        """Let time run on to a moment of the story."""
        with self._lock:
            self._allowed_s = max(self._allowed_s, at_s)


class StoryPlayer:
    """Publishes the story's messages when their time has come, in a thread of its own.

    Args:
        story: What to tell.
        clock: Paced by this player.
        broker: Where to tell it.
        listen_to: Topic filters whose messages ``on_message`` gets, as any visitor would.
        on_message: Called from the network thread.
        arrived: How many messages have reached the daemon.
    """

    def __init__(
        self,
        story: Story,
        *,
        clock: StoryClock,
        broker: BrokerSettings,
        listen_to: tuple[str, ...],
        on_message: OnMessage,
        arrived: Callable[[], int],
    ) -> None:
        self._story = story
        self._arrived = arrived
        self._clock = clock
        self._changed = threading.Event()
        self._stop = threading.Event()
        self._session = Session(
            broker,
            client_id="tidegate-demo",
            protocol=(
                MQTTProtocolVersion.MQTTv5
                if broker.protocol == "5"
                else MQTTProtocolVersion.MQTTv311
            ),
            keepalive_s=60,
            will=None,
            counters=Counters(),
            on_change=self._changed.set,
            on_message=on_message,
            subscriptions=[Subscription(topic) for topic in listen_to],
        )
        self._thread = threading.Thread(target=self._tell, name="story", daemon=True)
        self.finished = False

    def connect(self) -> bool:
        """Connect and listen, without telling anything yet; whether it worked."""
        self._session.start()
        deadline = time.monotonic() + CONNECT_WITHIN_S
        while time.monotonic() < deadline and self._session.phase is not Phase.ENDED:
            if self._session.usable and self._session.phase is Phase.CONNECTED:
                return True
            self._changed.wait(LOOK_S)
            self._changed.clear()
        return False

    def start(self) -> None:
        """Begin to tell."""
        self._thread.start()

    def close(self) -> None:
        """Stop telling."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join(2.0)
        self._session.end(with_will=False)
        self._session.join(1.0)

    def _tell(self) -> None:
        before = self._arrived()
        for number, message in enumerate(self._story.scenario.messages):
            self._wait_for(before + number)
            if not self._wait_until(message.at_s):
                return
            self._session.publish(
                Publish(message.at_s, message.topic, message.payload, retain=message.retained),
                expires_after_s=None,
            )
        self.finished = self._wait_until(self._story.scenario.end_s)

    def _wait_for(self, count: int) -> None:
        """Let what was sent arrive, while the clock stands."""
        deadline = time.monotonic() + UNDER_WAY_S
        while self._arrived() < count and time.monotonic() < deadline and not self._stop.is_set():
            time.sleep(ARRIVAL_LOOK_S)

    def _wait_until(self, at_s: float) -> bool:
        """Whether that moment of the story came before the stop."""
        self._clock.allow_until(at_s)
        while not self._stop.is_set():
            left_s = self._clock.real_s(at_s - self._clock.now_s())
            if left_s <= 0:
                return True
            self._stop.wait(min(left_s, LOOK_S))
        return False


def payload_of(message: MQTTMessage) -> tuple[str, bytes]:
    """Topic and payload, for a queue between threads."""
    return message.topic, bytes(message.payload)
