"""The guard connections die with the decision loop, and say so to the world."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import orjson
import pytest

from bridge.shell.broker_settings import Protocol
from bridge.shell.counters import Counters
from bridge.shell.guard import MOST_PERMIT_GUARDS, Guard, GuardedPermit, hold_document
from tests.support.fake_engine import PERMIT_TOPIC, FakeEngine
from tests.support.listener import Listener
from tests.support.live import broker_settings, running
from tests.support.mosquitto import Mosquitto

STATE = "tidegate/state"
PERMIT = GuardedPermit(PERMIT_TOPIC, 90.0)


@contextmanager
def guarding(
    port: int, *, allowed_stall_s: float = 0.6, protocol: Protocol = Protocol.AUTO
) -> Iterator[tuple[Guard, Counters]]:
    """A guard that must be fed by the test."""
    counters = Counters()
    guard = Guard(
        broker_settings(port, protocol=protocol),
        base_topic="tidegate",
        permits=[PERMIT],
        boot_id="0badcafe",
        now_s=time.time,
        counters=counters,
        on_change=lambda: None,
        allowed_stall_s=allowed_stall_s,
    )
    guard.start()
    try:
        yield guard, counters
    finally:
        guard.close(with_will=False, within_s=1.0)


def feed_until(guard: Guard, condition: Callable[[], object], timeout_s: float = 8.0) -> None:
    """Feed it until something is true."""
    deadline = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline, guard.facts
        guard.feed()
        time.sleep(0.02)


def holds(listener: Listener) -> list[str]:
    """States on the permit's topic."""
    return [orjson.loads(payload)["state"] for payload in listener.of(PERMIT_TOPIC)]


@pytest.mark.broker
@pytest.mark.parametrize("protocol", [Protocol.V5, Protocol.V311])
def test_starved_guard_publishes_hold_and_lost(broker: Mosquitto, protocol: Protocol) -> None:
    """Without food it leaves so that the broker publishes its wills; fed again, it comes back."""
    with Listener(broker.port) as listener, guarding(broker.port, protocol=protocol) as (guard, _):
        feed_until(guard, lambda: guard.facts.up)
        time.sleep(0.3)
        assert listener.of(STATE) == []
        starved_at = time.monotonic()

        listener.wait_for(STATE, b"lost")
        listener.wait(lambda _: holds(listener) == ["hold"])

        assert time.monotonic() - starved_at < 2.0
        assert not guard.facts.up
        feed_until(guard, lambda: guard.facts.up)
        assert guard.facts.generation == 2


@pytest.mark.broker
def test_starved_guard_trips_once(broker: Mosquitto) -> None:
    """A long stall is one trip, not one in every look."""
    with guarding(broker.port, allowed_stall_s=0.3) as (guard, counters):
        feed_until(guard, lambda: guard.facts.up)
        time.sleep(1.5)

        assert counters.guard_trips == 1


@pytest.mark.broker
def test_guard_trips_on_demand(broker: Mosquitto) -> None:
    """An engine that failed has its holds published at once."""
    with Listener(broker.port) as listener, guarding(broker.port) as (guard, _):
        feed_until(guard, lambda: guard.facts.up)
        guard.trip("a bug")
        assert not guard.facts.up
        feed_until(guard, lambda: holds(listener) == ["hold"])
        feed_until(guard, lambda: guard.facts.up)


@pytest.mark.broker
def test_guard_leaves_in_peace(broker: Mosquitto) -> None:
    """An orderly end publishes no will."""
    with Listener(broker.port) as listener:
        with guarding(broker.port) as (guard, _):
            feed_until(guard, lambda: guard.facts.up)
        time.sleep(0.3)

        assert listener.heard == []


def test_hold_document_follows_the_contract() -> None:
    """All keys of a permit, the state hold, and a boot id of its own."""
    document = orjson.loads(hold_document(PERMIT, boot_id="7f3a", at_s=1772366400.0))

    assert document == {
        "time": "2026-03-01T12:00:00.000Z",
        "boot_id": "7f3a-guard",
        "seq": 0,
        "state": "hold",
        "lease_s": 90.0,
        "reasons": ["lost"],
        "first_reason": "lost",
        "since": "2026-03-01T12:00:00.000Z",
        "bypass_until": None,
    }


def test_number_of_guards_is_bounded() -> None:
    """However many permits there are, the broker is not flooded with connections."""
    guard = Guard(
        broker_settings(1),
        base_topic="tidegate",
        permits=[PERMIT] * 100,
        boot_id="0badcafe",
        now_s=time.time,
        counters=Counters(),
        on_change=lambda: None,
    )

    assert len(guard._reconnectors) == 1 + MOST_PERMIT_GUARDS  # noqa: SLF001


@pytest.mark.broker
def test_hung_decision_loop_ends_in_hold(broker: Mosquitto) -> None:
    """The network thread lives, the loop hangs: hold and lost are published; later all is well."""
    hang = [0.0]  # Seconds that the engine takes for an event.

    def on_event(_: object) -> None:
        time.sleep(hang[0])

    with (
        Listener(broker.port) as listener,
        pytest.MonkeyPatch.context() as patch,
    ):
        patch.setattr("bridge.shell.assembly.Guard", _nervous_guard)
        with running(FakeEngine(on_event=on_event), broker_settings(broker.port)):
            listener.wait_for(STATE, b"ready")
            assert holds(listener)[-1] == "permit"
            hang[0] = 2.5
            listener.publish("home/x", b"1")
            listener.wait_for(STATE, b"lost")
            hang[0] = 0.0
            listener.wait(lambda _: "hold" in holds(listener))
            listener.wait(
                lambda _: holds(listener)[-1] == "permit" and listener.of(STATE)[-1] == b"ready"
            )
            document = orjson.loads(listener.of(PERMIT_TOPIC)[-1])
            assert time.time() - document["time"] < 2.0, "the new permit is not an old one"


def _nervous_guard(*arguments: object, **options: object) -> Guard:
    return Guard(*arguments, allowed_stall_s=0.8, **options)  # type: ignore[arg-type]


PROGRAM = """
import sys, threading
import bridge.shell.guard
from tests.support.fake_engine import FakeEngine
from tests.support.live import broker_settings, running
bridge.shell.guard.KEEPALIVE_S = 2
with running(FakeEngine(), broker_settings(int(sys.argv[1]))):
    threading.Event().wait(60)
"""


@contextmanager
def process(port: int) -> Iterator[subprocess.Popen[bytes]]:
    """A daemon in a process of its own."""
    started = subprocess.Popen([sys.executable, "-c", PROGRAM, str(port)])  # noqa: S603
    try:
        yield started
    finally:
        started.kill()
        started.wait(5.0)


@pytest.mark.broker
def test_killed_daemon_ends_in_hold(broker: Mosquitto) -> None:
    """With kill -9, every gate hears it within a second."""
    with Listener(broker.port) as listener, process(broker.port) as daemon:
        listener.wait_for(STATE, b"ready")
        killed_at = time.monotonic()
        daemon.kill()
        listener.wait_for(STATE, b"lost")
        listener.wait(lambda _: holds(listener)[-1] == "hold")

        assert time.monotonic() - killed_at < 1.0


@pytest.mark.broker
def test_frozen_daemon_ends_in_hold(broker: Mosquitto) -> None:
    """SIGSTOP: the broker gives it up after one and a half of the guard's keepalives."""
    with Listener(broker.port) as listener, process(broker.port) as daemon:
        listener.wait_for(STATE, b"ready")
        os.kill(daemon.pid, signal.SIGSTOP)
        listener.wait_for(STATE, b"lost", 13.0)
        listener.wait(lambda _: holds(listener)[-1] == "hold")
        os.kill(daemon.pid, signal.SIGCONT)

        listener.wait(
            lambda _: holds(listener)[-1] == "permit" and listener.of(STATE)[-1] == b"ready"
        )
