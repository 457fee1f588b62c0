"""The very same engine over a capture, on virtual time.

Time is that of the messages; every tick that the engine asks for is given at the moment that it
asked for, also between two messages that are far apart. The outcome depends on the capture and the
configuration and on nothing else: not on the file's name, the machine or the hour.
"""

import hashlib
from collections.abc import Callable, Iterable
from dataclasses import fields
from typing import Final

import orjson
from paho.mqtt.client import topic_matches_sub

from bridge.core.events import LinkUp, Message
from bridge.core.outputs import Output, Publish
from bridge.core.settings import Settings
from bridge.shell.link import Lifecycle, lifecycle_message
from bridge.shell.stepping import EnginePort, feed

BOOT_ID_BYTES: Final = 4
NOT_HASHED: Final = frozenset({"command_secret"})

MakeEngine = Callable[[str, float], EnginePort]
"""From boot id and start time to an engine."""


def derived_boot_id(settings: Settings) -> str:
    """A boot id that is the same for the same engine settings.

    The command secret stays out, so that the id tells nothing about it.
    """
    # Only the engine's own fields: neither broker nor file paths change what is decided.
    document = {
        each.name: getattr(settings, each.name)
        for each in fields(Settings)
        if each.name not in NOT_HASHED
    }
    canonical = orjson.dumps(document, option=orjson.OPT_SORT_KEYS)
    return hashlib.blake2b(canonical, digest_size=BOOT_ID_BYTES).hexdigest()


class Subscribed:
    """Whether a broker would have delivered a topic to the daemon."""

    def __init__(self, topics: Iterable[str]) -> None:
        each = tuple(topics)
        # Thousands of tanks have thousands of plain topics, and few filters with wildcards.
        self._known: dict[str, bool] = dict.fromkeys(each, True)
        self._filters = tuple(topic for topic in each if "+" in topic or "#" in topic)

    def __call__(self, topic: str) -> bool:
        """Look it up, and remember the answer."""
        answer = self._known.get(topic)
        if answer is None:
            answer = any(topic_matches_sub(each, topic) for each in self._filters)
            self._known[topic] = answer
        return answer


def replay(
    messages: Iterable[Message],
    *,
    settings: Settings,
    make_engine: MakeEngine,
    publish: Callable[[Publish], None],
) -> int:
    """Run the engine over messages and hand on everything that it would have published.

    The connection is taken to stand from the first message on; life-cycle words are published as
    the daemon would. The end of the capture is not a shutdown: nothing is known about it.

    Args:
        messages: In the order of time.
        settings: The engine's.
        make_engine: Makes the engine, once the first message tells the time.
        publish: Takes each message that would have gone out, in order.

    Returns:
        How many messages the engine took.
    """

    def carry_out(outputs: Iterable[Output]) -> None:
        for output in outputs:
            if isinstance(output, Publish):
                publish(output)

    engine: EnginePort | None = None
    taken = 0
    since_s = 0.0
    subscribed = Subscribed(())
    for message in messages:
        if engine is None:
            since_s = message.at_s
            engine = make_engine(derived_boot_id(settings), since_s)
            subscribed = Subscribed(engine.topics)
            publish(lifecycle_message(settings.base_topic, Lifecycle.INIT, message.at_s))
            carry_out(feed(engine, LinkUp(since_s), since_s=since_s))
            publish(lifecycle_message(settings.base_topic, Lifecycle.READY, message.at_s))
        if subscribed(message.topic):
            taken += 1
            carry_out(feed(engine, message, since_s=since_s))
            since_s = message.at_s
    return taken
