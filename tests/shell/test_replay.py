"""A replay is the engine on virtual time, and nothing else."""

import math
import time
from dataclasses import replace

import pytest

from bridge.core.events import LinkUp, Message, Tick
from bridge.core.outputs import Publish
from bridge.shell.replay import Subscribed, derived_boot_id, replay
from bridge.shell.stepping import EngineStuckError, feed
from tests.support.fake_engine import ECHO_TOPIC, FakeEngine
from tests.support.live import SETTINGS


def run(messages: list[Message], engine: FakeEngine) -> list[Publish]:
    """Replay into a list."""
    published: list[Publish] = []
    replay(
        messages,
        settings=SETTINGS,
        make_engine=lambda _boot_id, _at_s: engine,
        publish=published.append,
    )
    return published


def test_ticks_come_between_far_messages_and_before_each() -> None:
    """Every tick is given at the very moment that was asked for, before the message it meets."""
    engine = FakeEngine(at_s=100.0, every_s=10.0)
    run([Message(100.0, "home/x", b"1"), Message(130.0, "home/x", b"2")], engine)

    assert [(type(event), event.at_s) for event in engine.events] == [
        (LinkUp, 100.0),
        (Message, 100.0),
        (Tick, 110.0),
        (Tick, 120.0),
        (Tick, 130.0),
        (Message, 130.0),
    ]


def test_life_cycle_is_published_as_live() -> None:
    """Init and ready frame the first permits, so that a reader can judge their validity."""
    published = run([Message(100.0, "home/x", b"1")], FakeEngine())

    assert [
        each.payload if each.topic == "tidegate/state" else each.topic.rpartition("/")[2]
        for each in published
    ] == [b"init", "top-off", b"ready", "echo"]


def test_only_subscribed_topics_are_taken() -> None:
    """What the broker would not have delivered does not reach the engine."""
    engine = FakeEngine()
    published = run(
        [
            Message(1.0, "elsewhere/x", b"1"),
            Message(2.0, "tidegate/reef/salinity", b"{}"),
            Message(3.0, "tidegate/reef/command/bypass", b"{}", retained=True),
        ],
        engine,
    )

    assert [event.topic for event in engine.events if isinstance(event, Message)] == [
        "tidegate/reef/command/bypass"
    ]
    assert [each.topic for each in published].count(ECHO_TOPIC) == 1


def test_empty_capture_gives_nothing() -> None:
    """No message, no time, no output."""
    assert run([], FakeEngine()) == []


def test_boot_id_follows_the_settings_only() -> None:
    """The same settings give the same id, others another, and the secret plays no part."""
    reef = SETTINGS.tanks["reef"]
    other = replace(SETTINGS, tanks={"reef": replace(reef, volume_l=301.0)})

    assert derived_boot_id(SETTINGS) == derived_boot_id(replace(SETTINGS))
    assert derived_boot_id(SETTINGS) != derived_boot_id(other)
    assert derived_boot_id(SETTINGS) == derived_boot_id(replace(SETTINGS, command_secret="x"))  # noqa: S106


def test_time_never_runs_backwards() -> None:
    """A tick that is wanted for a moment long past is given now."""
    engine = FakeEngine(at_s=0.0, every_s=7.0)
    engine.wake_at_s = -math.inf
    run([Message(100.0, "home/x", b"1"), Message(101.0, "home/x", b"1")], engine)

    assert [event.at_s for event in engine.events] == [100.0, 100.0, 100.0, 101.0]


def test_engine_that_ticks_on_the_spot_is_stopped() -> None:
    """An engine that asks for the same tick for ever is an error, not an endless replay."""
    engine = FakeEngine(at_s=0.0, every_s=0.0)

    with pytest.raises(EngineStuckError):
        feed(engine, Message(1.0, "home/x", b"1"), since_s=0.0)


def test_thousands_of_topics_are_known_at_once() -> None:
    """Each of 4,000 sensors is heard, and nothing else, without a search through the others."""
    topics = [f"in/{number}/probe" for number in range(4000)]
    subscribed = Subscribed([*topics, "tidegate/+/command/+"])
    started = time.process_time()

    assert all(subscribed(topic) for topic in topics)
    assert time.process_time() - started < 1.0, "a search would take 20 s"
    assert subscribed("tidegate/reef/command/service")
    assert not subscribed("in/4000/probe")
    assert not subscribed("in/1/probe/x")
