"""The reference gate opens on a fresh lease, and on nothing else."""

import importlib.util
import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from subprocess import PIPE, Popen
from sys import executable
from threading import Event, Thread
from time import monotonic, sleep
from types import ModuleType
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt.enums import CallbackAPIVersion

from tests.support.mosquitto import Mosquitto

PROGRAM = Path(__file__).parents[2] / "deploy" / "gate" / "gate.py"
SENT_S = 1_772_366_400.0
"""The daemon's clock at gate time 0: the two clocks have nothing in common."""
LEASE_S = 90.0


def load() -> ModuleType:
    """The program as a module."""
    specification = importlib.util.spec_from_file_location("gate", PROGRAM)
    assert specification is not None
    assert specification.loader is not None
    module = importlib.util.module_from_spec(specification)
    specification.loader.exec_module(module)
    return module


gate = load()


def document(sent_s: float, seq: int, **changes: Any) -> bytes:  # noqa: ANN401 - any JSON
    """A permit, sent at a moment of the gate's clock."""
    moment = datetime.fromtimestamp(SENT_S + sent_s, UTC).isoformat()
    permit = {
        "time": moment,
        "boot_id": "7f3a",
        "seq": seq,
        "state": "permit",
        "lease_s": LEASE_S,
        "reasons": [],
    }
    return json.dumps(permit | changes).encode()


class Bench:
    """A lease, with a daemon that says ready."""

    def __init__(self) -> None:
        """Ready, nothing permitted yet."""
        self.lease = gate.Lease()
        self.lease.state(b"ready")
        self.seq = 0

    def hear(
        self,
        now: float,
        *,
        sent_s: float | None = None,
        retained: bool = False,
        expires_s: float | None = None,
        **changes: Any,  # noqa: ANN401 - any JSON
    ) -> None:
        """A document arrives, 0.01 s after it was sent unless told otherwise."""
        self.seq += 1
        sent_s = now - 0.01 if sent_s is None else sent_s
        payload = document(sent_s, changes.pop("seq", self.seq), **changes)
        self.lease.permit(payload, retained=retained, expires_s=expires_s, now=now)

    def open(self) -> "Bench":
        """Two fresh permits, at 0 and at 30 s."""
        self.hear(0)
        self.hear(30)
        return self

    def is_open(self, now: float) -> bool:
        """Whether the gate is open."""
        return bool(self.lease.is_open(now))


def test_opens_on_the_second_live_permit_and_closes_by_itself() -> None:
    """The first message only shows the offset of the clocks; the lease then runs out alone."""
    bench = Bench()
    bench.hear(0)
    assert not bench.is_open(0)
    bench.hear(30)
    assert bench.is_open(30)
    assert bench.is_open(119.9)
    assert not bench.is_open(120.1)


def test_a_hold_closes_at_once_and_counts_as_the_first_message() -> None:
    """Hold, then permit: open. Hold again: closed."""
    bench = Bench()
    bench.hear(0, state="hold")
    bench.hear(60)
    assert bench.is_open(60)
    bench.hear(61, state="hold")
    assert not bench.is_open(61)


def test_a_retained_permit_opens_nothing_and_a_retained_hold_closes() -> None:
    """How long a retained message has lain there is not known."""
    bench = Bench()
    bench.hear(0, retained=True)
    bench.hear(1, retained=True, expires_s=80)
    assert not bench.is_open(1)

    bench.open()
    bench.hear(31, retained=True, state="hold", seq=1)
    assert not bench.is_open(31)


@pytest.mark.parametrize("word", [b"init", b"disconnected", b"lost", b"", b"READY"])
def test_any_state_but_ready_closes(word: bytes) -> None:
    """A permit is valid only while the daemon says ready."""
    bench = Bench().open()
    bench.lease.state(word)
    assert not bench.is_open(31)
    bench.lease.state(b"ready")
    assert not bench.is_open(31)


def test_a_lost_connection_closes_until_state_and_permit_are_heard_anew() -> None:
    """A hold could not have been heard."""
    bench = Bench().open()
    bench.lease.disconnected()
    assert not bench.is_open(31)
    bench.hear(60)
    assert not bench.is_open(60)
    bench.lease.state(b"ready")
    assert bench.is_open(60)


def test_a_permit_that_was_long_under_way_is_only_worth_the_rest() -> None:
    """Thawed after 300 s in a frozen broker, a permit of 90 s opens nothing."""
    bench = Bench().open()
    bench.hear(360, sent_s=60)
    assert not bench.is_open(360)

    bench = Bench().open()
    bench.hear(110, sent_s=60)
    assert bench.is_open(149)
    assert not bench.is_open(151)


def test_an_old_number_prolongs_nothing() -> None:
    """A message delivered twice, or out of order, is no new lease."""
    bench = Bench().open()
    bench.hear(100, seq=2)
    assert not bench.is_open(121)


def test_a_new_boot_closes_and_has_to_show_its_clock_first() -> None:
    """After a restart of the daemon the old lease ends with its first word."""
    bench = Bench().open()
    bench.hear(40, boot_id="9c01", seq=1)
    assert not bench.is_open(40)
    bench.hear(70, boot_id="9c01", seq=2)
    assert bench.is_open(70)


@pytest.mark.parametrize("step_s", [3600.0, -3600.0])
def test_a_daemon_whose_clock_was_set_has_to_show_it_anew(step_s: float) -> None:
    """Closed at the first message with the new clock, open at the second, for one lease only."""
    bench = Bench().open()
    bench.hear(60, sent_s=60 + step_s, clock_steps=1)
    assert not bench.is_open(60)
    bench.hear(90, sent_s=90 + step_s, clock_steps=1)
    assert bench.is_open(90)
    assert not bench.is_open(180.1)


def test_two_daemons_that_fight_keep_it_closed_and_the_survivor_opens_it() -> None:
    """A duplicate client id never opens for good, and heals by itself."""
    bench = Bench().open()
    for number in range(3, 9):
        bench.hear(30.0 * number, boot_id="7f3a", seq=number)
        bench.hear(30.0 * number + 1, boot_id="9c01", seq=number)
        assert not bench.is_open(30.0 * number + 1)
    bench.hear(300, boot_id="7f3a", seq=20)
    bench.hear(330, boot_id="7f3a", seq=21)
    assert bench.is_open(330)


def test_the_brokers_expiry_can_only_shorten() -> None:
    """What MQTT 5 says is left of a message bounds the lease."""
    bench = Bench()
    bench.hear(0)
    bench.hear(30, expires_s=10)
    assert bench.is_open(39)
    assert not bench.is_open(41)


def test_a_longer_lease_than_any_tidegate_issues_is_cut() -> None:
    """A wrong number does not open the gate for a week."""
    bench = Bench()
    bench.hear(0)
    bench.hear(30, lease_s=604_800)
    assert not bench.is_open(931)


@given(
    st.one_of(
        st.binary(max_size=60),
        st.fixed_dictionaries(
            {"state": st.sampled_from(["permit", "hold", 3, None])},
            optional={
                "time": st.sampled_from(["", "yesterday", 3, "2026-03-01T12:00:00Z"]),
                "boot_id": st.sampled_from(["7f3a", 3, None]),
                "seq": st.sampled_from([1, "x", None, 1e999]),
                "lease_s": st.sampled_from([90, -1, "x", None, float("nan"), float("inf")]),
            },
        ).map(lambda keys: json.dumps(keys).encode()),
    )
)
def test_nonsense_never_opens(payload: bytes) -> None:
    """Whatever arrives first, the gate stays closed and alive."""
    lease = gate.Lease()
    lease.state(b"ready")
    lease.permit(payload, retained=False, expires_s=None, now=0.0)

    assert not lease.is_open(0.0)


def test_nonsense_closes_an_open_gate() -> None:
    """A daemon that talks nonsense is not trusted with a pump."""
    bench = Bench().open()
    bench.lease.permit(b"{}", retained=False, expires_s=None, now=31.0)

    assert not bench.is_open(31)


@contextmanager
def running(port: int, *options: str) -> Iterator[list[tuple[float, str]]]:
    """The program as a process, and the words it prints with their times."""
    words: list[tuple[float, str]] = []
    command = [executable, str(PROGRAM), "--port", str(port), "--tank", "reef"]
    process = Popen([*command, "--permit", "top-off", *options], stdout=PIPE, text=True)  # noqa: S603
    assert process.stdout is not None
    stdout = process.stdout

    def read() -> None:
        words.extend((monotonic(), line.strip()) for line in stdout)

    reader = Thread(target=read, daemon=True)
    reader.start()
    try:
        yield words
    finally:
        process.terminate()
        process.wait(5)
        reader.join(5)
        stdout.close()


def wait_for(words: list[tuple[float, str]], word: str, within_s: float) -> None:
    """Wait until the newest word is this one."""
    until = monotonic() + within_s
    while not words or words[-1][1] != word:
        assert monotonic() < until, f"not {word} within {within_s} s; said {words}"
        sleep(0.02)


@pytest.mark.broker
def test_through_a_real_broker_it_opens_holds_and_times_out(broker: Mosquitto) -> None:
    """The whole program: permit opens, silence closes within the lease, hold closes at once."""
    daemon = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    reported = Event()
    daemon.on_message = lambda *_: reported.set()
    daemon.connect("127.0.0.1", broker.port)
    daemon.loop_start()
    daemon.subscribe("tidegate/reef/gate/top-off", qos=1)
    topic = "tidegate/reef/permit/top-off"
    started = monotonic()

    def issue(seq: int, **changes: Any) -> None:  # noqa: ANN401 - any JSON
        payload = document(monotonic() - started, seq, **{"lease_s": 2, **changes})
        daemon.publish(topic, payload, qos=1, retain=True)

    try:
        daemon.publish("tidegate/state", b"ready", qos=1, retain=True).wait_for_publish(5)
        issue(1)
        with running(broker.port) as words:
            wait_for(words, "closed", 10)
            # It reports on each connection, after it has subscribed.
            assert reported.wait(10)
            sleep(0.5)
            assert words[-1][1] == "closed", "opened on a retained permit"
            issue(2)
            issue(3)
            issued = monotonic()
            wait_for(words, "open", 2)
            wait_for(words, "closed", 4)
            assert words[-1][0] - issued < 3
            issue(4)
            wait_for(words, "open", 2)
            issue(5, state="hold")
            wait_for(words, "closed", 1)
    finally:
        daemon.disconnect()
        daemon.loop_stop()
