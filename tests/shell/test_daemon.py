"""The live loop decides in order, survives what it must, and ends in hold."""

import math
import os
import random
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import orjson
import pytest

from bridge.core.events import (
    ClockStepped,
    Event,
    LinkDown,
    LinkUp,
    Message,
    Shutdown,
    Tick,
)
from bridge.core.outputs import Output, Record
from bridge.shell.clock import EngineClock
from bridge.shell.daemon import MOST_ENGINE_ERRORS, EngineBrokenError, Sinks
from bridge.shell.link import LARGEST_PAYLOAD, Link
from bridge.shell.liveness import judge
from tests.support.fake_engine import ECHO_TOPIC, PERMIT_TOPIC, FakeEngine
from tests.support.listener import Listener
from tests.support.live import Running, broker_settings, running
from tests.support.mosquitto import Mosquitto

STATE = "tidegate/state"


def states(listener: Listener) -> list[str]:
    """What the permit said."""
    return [orjson.loads(payload)["state"] for payload in listener.of(PERMIT_TOPIC)]


@pytest.mark.broker
def test_life_from_start_to_end(broker: Mosquitto) -> None:
    """init, permits, ready; at the end hold before disconnected, all of it in under 5 s."""
    engine = FakeEngine()
    with Listener(broker.port) as listener, running(engine, broker_settings(broker.port)) as daemon:
        listener.wait_for(STATE, b"ready")
        started = time.monotonic()
        daemon.stop()
        assert time.monotonic() - started < 5.0
        listener.wait_for(STATE, b"disconnected")
        said = [
            each.payload if each.topic == STATE else orjson.loads(each.payload)["state"].encode()
            for each in listener.heard
            if each.topic in (STATE, PERMIT_TOPIC)
        ]
        time.sleep(0.3)

    assert said == [b"init", b"permit", b"ready", b"hold", b"disconnected"]
    assert listener.of(STATE)[-1] == b"disconnected", "no will after an orderly end"
    assert isinstance(engine.events[0], LinkUp)
    assert isinstance(engine.events[-1], Shutdown)


@pytest.mark.broker
def test_broker_restart_ends_in_hold_and_recovers(make_broker: Callable[..., Mosquitto]) -> None:
    """A broker that dies and comes back: the engine holds, and permits only after its return."""
    broker = make_broker()
    broker.start()
    engine = FakeEngine()
    with running(engine, broker_settings(broker.port)):
        with Listener(broker.port) as listener:
            listener.wait_for(STATE, b"ready")
        broker.kill()
        deadline = time.monotonic() + 5.0
        while not isinstance(engine.events[-1], LinkDown):
            assert time.monotonic() < deadline
            time.sleep(0.01)
        broker.start()
        with Listener(broker.port) as listener:
            listener.wait_for(STATE, b"ready")
            listener.wait(lambda _: states(listener)[-1:] == ["permit"])
            listener.publish("home/x", b"7")
            listener.wait_for(ECHO_TOPIC, b"7")

    kinds = [type(event) for event in engine.events]
    assert kinds[:3] == [LinkUp, LinkDown, LinkUp]


@pytest.mark.broker
def test_ticks_come_when_wanted(broker: Mosquitto) -> None:
    """The engine's wish for a tick is met within a few milliseconds, without any message."""
    clock = EngineClock()
    engine = FakeEngine(at_s=clock.now_s(), every_s=0.2)
    with running(engine, broker_settings(broker.port), clock=clock):
        time.sleep(1.5)
    ticks = [event.at_s for event in engine.events if isinstance(event, Tick)]

    assert 5 <= len(ticks) <= 8
    assert all(event.at_s >= 0 for event in engine.events)
    times = [event.at_s for event in engine.events]
    assert times == sorted(times), "engine time never runs backwards"


@pytest.mark.broker
def test_tick_wanted_at_once_is_no_delay(broker: Mosquitto) -> None:
    """An engine that wants its first tick right away does not make the loop look late."""
    engine = FakeEngine()
    engine.wake_at_s = -math.inf
    with Listener(broker.port) as listener, running(engine, broker_settings(broker.port)) as daemon:
        listener.wait_for(STATE, b"ready")
        time.sleep(0.2)

        assert daemon.daemon.counters.stalls == 0
    assert sum(isinstance(event, Tick) for event in engine.events) == 1


@pytest.mark.broker
def test_accelerated_clock_ticks_faster(broker: Mosquitto) -> None:
    """With a clock that runs 100 times as fast, a tick every 20 s comes five times a second."""
    clock = EngineClock(speed=100.0)
    engine = FakeEngine(at_s=clock.now_s(), every_s=20.0)
    with running(engine, broker_settings(broker.port), clock=clock):
        time.sleep(1.5)

    assert 5 <= sum(isinstance(event, Tick) for event in engine.events) <= 8


class Failing(FakeEngine):
    """Fails at certain payloads."""

    def __init__(self, *, always: bool = False) -> None:
        super().__init__()
        self._always = always

    def step(self, event: Event) -> list[Output]:
        """Fail where told to."""
        if isinstance(event, Message) and (self._always or event.payload == b"poison"):
            raise ZeroDivisionError("a bug of ours")
        return super().step(event)


@pytest.mark.broker
def test_engine_error_ends_in_hold_and_goes_on(broker: Mosquitto) -> None:
    """One bug: the guard publishes hold, and soon the engine starts again from hold."""
    engine = Failing()
    with Listener(broker.port) as listener, running(engine, broker_settings(broker.port)):
        listener.wait_for(STATE, b"ready")
        listener.publish("home/x", b"poison")
        # Anywhere, not the newest: init follows within a millisecond.
        listener.wait(lambda _: b"lost" in listener.of(STATE))
        listener.wait(lambda _: "hold" in states(listener))
        listener.wait(
            lambda _: states(listener)[-1] == "permit" and listener.of(STATE)[-1] == b"ready"
        )
        listener.publish("home/x", b"fine")
        listener.wait_for(ECHO_TOPIC, b"fine")

    downs = [index for index, event in enumerate(engine.events) if isinstance(event, LinkDown)]
    assert downs, "the engine was made to start from hold"


@pytest.mark.broker
def test_engine_that_keeps_failing_gives_up(broker: Mosquitto) -> None:
    """A hopeless engine ends the process, with hold and lost published."""
    with Listener(broker.port) as listener:
        started = running(Failing(always=True), broker_settings(broker.port))
        with started as daemon:
            listener.wait_for(STATE, b"ready")
            for _ in range(MOST_ENGINE_ERRORS + 1):
                listener.publish("home/x", b"1")
            daemon.thread.join(6.0)
            assert not daemon.thread.is_alive()
            assert isinstance(daemon.error, EngineBrokenError)
            listener.wait(lambda _: states(listener)[-1] == "hold")


@pytest.mark.broker
def test_failing_sinks_stop_nothing(broker: Mosquitto) -> None:
    """A full disk costs records, not decisions."""

    def full(_: object) -> None:
        raise OSError(28, "No space left on device")

    with (
        Listener(broker.port) as listener,
        running(
            FakeEngine(), broker_settings(broker.port), sinks=Sinks(records=full, save_state=full)
        ),
    ):
        listener.wait_for(STATE, b"ready")
        listener.publish("home/x", b"1")
        listener.publish("home/x", b"2")
        listener.wait_for(ECHO_TOPIC, b"2")


@pytest.mark.broker
def test_records_state_and_storage_reach_their_places(broker: Mosquitto) -> None:
    """Records go to the history, the state is kept at the end, a fault is told to the engine."""
    records: list[Record] = []
    kept: list[object] = []
    fault: list[str | None] = [None]
    engine = FakeEngine()
    stuck: list[str | None] = [None]
    events: list[Event] = []
    sinks = Sinks(
        records=records.append,
        events=events.append,
        save_state=kept.append,
        storage_fault=lambda: fault[0],
        telling_fault=lambda: stuck[0],
    )
    with (
        Listener(broker.port) as listener,
        running(engine, broker_settings(broker.port), sinks=sinks),
    ):
        listener.wait_for(STATE, b"ready")
        listener.publish("home/x", b"1")
        listener.wait_for(ECHO_TOPIC, b"1")
        fault[0] = "the disk is full"
        listener.wait_for("tidegate/reef/storage", b"the disk is full")
        stuck[0] = "phone: no answer"
        listener.wait_for("tidegate/reef/telling", b"phone: no answer")

    assert [record.kind for record in records] == ["sample"]
    assert kept == [engine.state]
    assert [type(each) for each in events if not isinstance(each, Tick)] == [
        LinkUp,
        Message,
        Shutdown,
    ]


@pytest.mark.broker
def test_wall_clock_step_is_told(broker: Mosquitto) -> None:
    """An hour's jump of the wall clock, either way, reaches the engine; engine time goes on."""
    ahead = [0.0]
    clock = EngineClock(wall=lambda: time.time() + ahead[0])
    engine = FakeEngine()
    with (
        Listener(broker.port) as listener,
        running(engine, broker_settings(broker.port), clock=clock),
    ):
        listener.wait_for(STATE, b"ready")
        for step_s in (3600.0, 0.0):
            ahead[0] = step_s
            before = len(engine.events)
            deadline = time.monotonic() + 5.0
            while len(engine.events) == before:
                assert time.monotonic() < deadline
                time.sleep(0.02)

    steps = [event for event in engine.events if isinstance(event, ClockStepped)]
    assert [round(event.step_s) for event in steps] == [3600, -3600]
    assert steps[1].at_s - steps[0].at_s < 10.0


@pytest.mark.broker
@pytest.mark.parametrize("every_s", [0.5, 60.0])
def test_backlog_is_not_answered_with_old_permits(broker: Mosquitto, every_s: float) -> None:
    """After a pause of the loop, what was decided before it is not published, but decided anew."""
    pause = [0.0]

    def on_event(_: object) -> None:
        time.sleep(pause[0])
        pause[0] = 0.0

    clock = EngineClock()
    engine = FakeEngine(every_s=every_s, on_event=on_event)
    engine.wake_at_s = clock.now_s() + 1.0
    with (
        Listener(broker.port) as listener,
        running(engine, broker_settings(broker.port), clock=clock) as daemon,
    ):
        listener.wait_for(STATE, b"ready")
        pause[0] = 3.0
        listener.wait(lambda _: _fresh(listener, daemon))

    late = [
        heard.at - orjson.loads(heard.payload)["time"]
        for heard in listener.heard
        if heard.topic == PERMIT_TOPIC
    ]
    offset = min(late)
    assert max(late) - offset < 2.0, "no permit was older than two seconds when it arrived"


@pytest.mark.broker
def test_reading_that_waited_for_the_loop_is_judged_in_hold(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Frozen for longer than two seconds: what waited in the socket is not taken for fresh."""
    exchange, frozen_s = Link.exchange, [0.0]

    def frozen(link: Link, timeout_s: float) -> bool:
        # As if the process had been stopped, with a message in its socket when it goes on.
        for_s, frozen_s[0] = frozen_s[0], 0.0
        time.sleep(for_s)
        return exchange(link, timeout_s)

    monkeypatch.setattr(Link, "exchange", frozen)
    engine = FakeEngine()
    with (
        Listener(broker.port) as listener,
        running(engine, broker_settings(broker.port)) as daemon,
    ):
        listener.wait_for(STATE, b"ready")
        frozen_s[0] = 2.5
        time.sleep(0.5)
        listener.publish("home/x", b"old")
        listener.wait_for(ECHO_TOPIC, b"old")

        assert daemon.daemon.counters.stalls == 1
        kinds = [type(event) for event in engine.events]
        assert kinds[-3:] == [LinkDown, LinkUp, Message]


def _fresh(listener: Listener, daemon: Running) -> bool:
    return daemon.daemon.counters.stalls > 0 and states(listener)[-1] == "permit"


@pytest.mark.broker
def test_health_file_follows_the_loop(broker: Mosquitto, tmp_path: Path) -> None:
    """The file is written by the loop, says what is the matter, and goes away at the end."""
    path = tmp_path / "run" / "health.json"
    with (
        Listener(broker.port) as listener,
        running(FakeEngine(), broker_settings(broker.port), health_file=path),
    ):
        listener.wait_for(STATE, b"ready")
        time.sleep(0.3)
        alive, sentence = judge(path)
        assert alive, sentence
        assert not judge(path, oldest_s=0.0)[0]
    assert not path.exists()
    assert judge(path) == (False, f"{path} does not exist: the daemon is not running.")


def hostile_payloads(rng: random.Random, count: int) -> list[bytes]:
    """Nothing that a sensor should send."""
    deep = b"[" * 5000 + b"]" * 5000
    huge = orjson.dumps({"sensors": [{"value": number} for number in range(4000)]})
    kinds: list[Callable[[], bytes]] = [
        lambda: rng.randbytes(rng.randrange(0, 400)),
        lambda: rng.choice([b"NaN", b"nan", b"Infinity", b"-inf", b"1e999", b"", b"\0", b"--"]),
        lambda: rng.choice([b"null", b"true", b"[]", b"{}", b'"35"', b'{"value":null}']),
        lambda: rng.choice([b'{"value":"x"}', b'{"value":{"value":1}}', b'{"value":[1]}']),
        lambda: b"9" * rng.randrange(1, 5000),
        lambda: deep,
    ]
    rare: list[Callable[[], bytes]] = [lambda: huge, lambda: b"x" * 1_000_000]
    return [
        rng.choice(rare)() if rng.random() < 0.002 else rng.choice(kinds)() for _ in range(count)
    ]


@pytest.mark.broker
def test_hostile_payloads(make_broker: Callable[..., Mosquitto]) -> None:
    """20,000 hostile payloads: nothing stops, memory stays, good messages are all answered."""
    broker = make_broker(extra="max_queued_messages 0\nmax_inflight_messages 0")
    broker.start()
    payloads = hostile_payloads(random.Random(20260301), 20_000)
    with (
        Listener(broker.port, topic=f"{ECHO_TOPIC}/#") as echoes,
        Listener(broker.port, topic="tidegate/state") as states_heard,
        running(Picky(), broker_settings(broker.port)) as daemon,
    ):
        states_heard.wait_for(STATE, b"ready")
        before_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        for number, payload in enumerate(payloads):
            echoes.say("home/bad", payload)
            if number % 200 == 0:
                echoes.publish("home/good", b"good %d" % number)
        echoes.publish("home/good", b"good to the last")
        echoes.wait(lambda heard: len(heard) == 101, 60.0)
        counters = daemon.daemon.counters
        assert counters.messages_received == 20_101
        assert counters.messages_dropped == 0
        assert counters.callback_errors == counters.engine_errors == 0
        assert counters.messages_cut == sum(len(each) > LARGEST_PAYLOAD for each in payloads)
        grown_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kb
        assert grown_kb < 100_000
        assert states_heard.of(STATE)[-1] == b"ready"


class Picky(FakeEngine):
    """Answers only good messages, and forgets its events."""

    def step(self, event: Event) -> list[Output]:
        """Answer good messages."""
        outputs = super().step(event)
        self.events.clear()
        if isinstance(event, Message) and not event.payload.startswith(b"good"):
            return []
        return outputs


@pytest.mark.broker
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_signal_ends_in_hold(broker: Mosquitto, number: signal.Signals) -> None:
    """The operating system's wish is granted in under 5 s: hold, disconnected, exit 0."""
    program = """
import sys
from bridge.shell.assembly import assemble
from bridge.shell.clock import EngineClock
from bridge.shell.daemon import Sinks
from bridge.shell.signals import stopping
from tests.support.fake_engine import FakeEngine
from tests.support.live import BOOT_ID, SETTINGS, broker_settings
daemon = assemble(FakeEngine(), settings=SETTINGS, broker=broker_settings(int(sys.argv[1])),
                  boot_id=BOOT_ID, clock=EngineClock(), sinks=Sinks())
with stopping(daemon.stop):
    daemon.run()
"""
    with Listener(broker.port) as listener:
        daemon = subprocess.Popen([sys.executable, "-c", program, str(broker.port)])  # noqa: S603
        try:
            listener.wait_for(STATE, b"ready")
            started = time.monotonic()
            os.kill(daemon.pid, number)
            assert daemon.wait(5.0) == 0
            assert time.monotonic() - started < 5.0
        finally:
            daemon.kill()
            daemon.wait(5.0)
        assert states(listener)[-1] == "hold"
        assert listener.of(STATE)[-1] == b"disconnected"


@pytest.mark.broker
def test_shutdown_is_bounded_with_a_frozen_broker(broker: Mosquitto) -> None:
    """A broker that answers nothing cannot hold up the end."""
    with running(FakeEngine(), broker_settings(broker.port)) as daemon:
        with Listener(broker.port) as listener:
            listener.wait_for(STATE, b"ready")
        broker.freeze()
        started = time.monotonic()
        daemon.stop()
        assert time.monotonic() - started < 5.0
