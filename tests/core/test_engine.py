"""Promises of the whole engine that hold for every history of events."""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import orjson
import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from bridge.core.engine import Engine, EngineState
from bridge.core.events import ClockStepped, Event, LinkDown, LinkUp, Message, Shutdown, Tick
from bridge.core.outputs import Output, Publish
from bridge.core.settings import Probe, ProbeUnit, Reports
from bridge.shell.engine_state import packed
from tests.core.engine_rig import FULL, INTERVAL_S, PLAIN, START_S, Rig
from tests.core.engine_rig import settings as configured

ADAPTER = TypeAdapter(EngineState)
STALE_S = 45.0
QUICK = (Phase.explicit, Phase.generate)
"""Histories are long: shrinking a failure would take longer than reading it."""
EVERYTHING = replace(
    FULL,
    second_probe=Probe(topic="second", unit=ProbeUnit.PSU, reports=Reports.SALINITY),
    permits={**FULL.permits, "dosing": replace(FULL.permits["dosing"], minimum_hold_s=20.0)},
)
STAMPED = replace(EVERYTHING, probe=replace(EVERYTHING.probe, path="v", time_path="t"))


def restored(state: EngineState) -> EngineState:
    """As it comes back from the disk."""
    return ADAPTER.validate_json(packed(state))


def unix_s(text: str) -> float:
    """Seconds of a published time."""
    return datetime.fromisoformat(text).timestamp()


# ---------------------------------------------------------------------- drawn histories


@dataclass(frozen=True)
class Step:
    """One thing that happens, after some time."""

    after_s: float
    name: str
    value: Any = None


_garbage = st.one_of(
    st.binary(max_size=40),
    st.sampled_from(
        [b"", b"nan", b"inf", b"-1e300", b"null", b"{}", b"[1]", b"\xff", b"35,0", b"-999"]
    ),
    st.floats().map(lambda value: repr(value).encode()),
)
_topics = st.sampled_from(
    ["probe", "water", "second", "skimmer", "heater", "pump", "level", "litres", "unknown"]
)
_commands = st.tuples(
    st.sampled_from(
        [
            *("reference-check", "calibration", "water-change", "acknowledge", "shelve", "bypass"),
            *("service", "fit", "undo", "nonsense"),
        ]
    ),
    st.one_of(
        st.sampled_from(
            [
                {"phase": "start"},
                {"phase": "end"},
                {"phase": "start", "minutes": 1},
                {"phase": "end", "litres": 40, "salinity": 34.5},
                {"litres": 40, "salinity": 35},
                {"permit": "dosing", "minutes": 2, "reason": "drawn"},
                {"permit": "top-off", "minutes": 0, "reason": "drawn"},
                {"alarm": "silent"},
                {"alarm": "silent", "minutes": 5},
                {"instrument": "refractometer", "salinity": 34.0},
                {"instrument": "laboratory", "reading": 35.0, "unit": "psu"},
                {"standard": "seawater", "value": 35, "unit": "psu", "temperature_c": 25},
                {
                    "standard": "seawater",
                    "value": 35.2,
                    "unit": "psu",
                    "temperature_c": 25,
                    "apply": True,
                    "confirm": True,
                },
                {"calibration": 1},
                {"check": 1},
                {"confirm": True},
            ]
        ),
        st.dictionaries(st.text(max_size=8), st.integers() | st.text(max_size=5), max_size=3),
    ),
    st.booleans(),
)
_kinds = st.one_of(
    *[st.tuples(st.just("read"), st.sampled_from([35.0, 35.02, 34.98, 35.05, 34.95]))] * 4,
    st.tuples(st.just("read"), st.sampled_from([34.0, 33.0, 20.0, 0.0, 36.0, 41.9, 45.0])),
    st.tuples(st.just("run"), st.integers(min_value=5, max_value=30)),
    st.tuples(st.just("warm"), st.sampled_from([25.0, 25.1, 21.0, 30.0, -127.0, 44.0])),
    st.tuples(st.just("garbage"), st.tuples(_topics, _garbage, st.booleans())),
    st.tuples(st.just("switch"), st.tuples(st.sampled_from(["skimmer", "pump"]), st.booleans())),
    st.tuples(st.just("litres"), st.sampled_from([0.0, 100.0, 2_000.0, 1e9, -5.0])),
    st.tuples(st.just("level"), st.sampled_from([100.0, 101.0, 60.0, 150.0])),
    st.tuples(st.just("second"), st.sampled_from([35.0, 34.9, 30.0])),
    st.tuples(st.just("command"), _commands),
    st.tuples(st.just("link"), st.booleans()),
    st.tuples(st.just("clock"), st.sampled_from([-3600.0, 0.5, 86_400.0])),
    st.tuples(st.just("stamp"), st.sampled_from([-1e9, -7200.0, -60.0, -5.0, 0.0, 60.0, 1e9])),
)
_steps = st.builds(
    lambda after_s, kind: Step(after_s, *kind),
    st.sampled_from([0.0, 0.3, 5.0, 10.0, 10.0, 10.0, 44.0, 60.0, 200.0, 4000.0, 11_000.0]),
    _kinds,
)
histories = st.lists(_steps, max_size=25)


def events_of(history: list[Step], *, stamped: bool) -> list[Event]:  # noqa: C901, PLR0912 - a table
    """The events of a history, without the ticks, which the engine asks for itself."""
    made: list[Event] = []
    at_s, skew_s, odd = START_S + 1.0, 0.0, 0

    def message(topic: str, payload: bytes, *, retained: bool = False) -> None:
        made.append(Message(at_s, topic, payload, retained))

    def read(psu: float) -> None:
        nonlocal odd
        odd += 1
        value = round(psu + 0.003 * (odd % 5), 4)
        message("water", b"25.0")
        reading = {"v": value, "t": at_s + skew_s}
        message("probe", orjson.dumps(reading) if stamped else str(value).encode())

    for _ in range(12):
        at_s += INTERVAL_S
        read(35.0)
    for step in history:
        at_s += step.after_s
        match step.name, step.value:
            case "read", psu:
                read(psu)
            case "run", count:
                for _ in range(count):
                    at_s += INTERVAL_S
                    read(35.0)
            case "warm", celsius:
                message("water", str(celsius).encode())
            case "garbage", (topic, payload, retained):
                message(topic, payload, retained=retained)
            case "switch", (name, on):
                message(name, b"on" if on else b"off")
            case "litres" | "level" | "second", number:
                message(step.name, str(number).encode())
            case "command", (name, keys, retained):
                raw = json.dumps({"id": "drawn", **keys}).encode()
                message(f"tidegate/reef/command/{name}", raw, retained=retained)
            case "link", up:
                made.append(LinkUp(at_s) if up else LinkDown(at_s))
            case "clock", jump_s:
                made.append(ClockStepped(at_s, jump_s))
            case "stamp", other_s:
                skew_s = other_s
    return made


class Played:
    """An engine that lived through events, with what it said when."""

    def __init__(self, *, stamped: bool, state: EngineState | None = None) -> None:
        tank = STAMPED if stamped else EVERYTHING
        self.engine = Engine(configured(tank), boot_id="boot", at_s=START_S, state=state)
        self.said: list[tuple[float, Output]] = []
        self.now_s = self.newest_s = START_S
        self.link_up = False
        self.numbers: dict[str, int] = {}
        if state is None:
            self.step(LinkUp(START_S))

    def step(self, event: Event) -> None:
        """One event; before it the ticks that are due."""
        while self.engine.wake_at_s <= event.at_s:
            self.now_s = max(self.now_s, self.engine.wake_at_s)
            self._take(Tick(self.now_s))
            assert self.engine.wake_at_s > self.now_s
        self.now_s = event.at_s
        self._take(event)

    def _take(self, event: Event) -> None:
        if isinstance(event, LinkUp | LinkDown):
            self.link_up = isinstance(event, LinkUp)
        if isinstance(event, Message) and event.topic == "probe" and not event.retained:
            self.newest_s = event.at_s
        for output in self.engine.step(event):
            self.said.append((event.at_s, output))
            if isinstance(output, Publish):
                self._check(event.at_s, output)

    def _check(self, at_s: float, output: Publish) -> None:
        """What holds for every message published."""
        assert output.topic.startswith("tidegate/")
        document = json.loads(output.payload) if output.payload else {}
        if "/permit/" not in output.topic:
            return
        assert document["boot_id"] == "boot"
        assert document["lease_s"] == 90.0
        assert document["seq"] > self.numbers.get(output.topic, 0)
        self.numbers[output.topic] = document["seq"]
        assert document["state"] in {"permit", "hold"}
        assert bool(document["reasons"]) is (document["state"] == "hold")
        if document["state"] == "hold":
            return
        assert self.link_up
        assert output.perishable
        assert output.expires_after_s == 90.0
        if document["bypass_until"] is None:
            assert at_s - self.newest_s <= STALE_S + 0.001

    def permits(self) -> list[tuple[float, Publish, dict[str, Any]]]:
        """Every permit document."""
        return [
            (at_s, output, orjson.loads(output.payload))
            for at_s, output in self.said
            if isinstance(output, Publish) and "/permit/" in output.topic
        ]


@settings(max_examples=40, phases=QUICK)
@given(histories, st.booleans())
def test_no_history_raises_and_every_permit_is_sound(history: list[Step], stamped: bool) -> None:  # noqa: FBT001
    """Whatever happens, documents are whole, and no permit rests on old or missing evidence.

    Every permit carries its lease, boot and a rising number, its evidence is no older than
    stale_after_s, the link is up, and it expires with the lease.
    """
    played = Played(stamped=stamped)
    for event in events_of(history, stamped=stamped):
        played.step(event)
    played.step(Shutdown(played.now_s + 1.0))

    for name in ("top-off", "dosing"):
        mine = [d for _, o, d in played.permits() if o.topic.endswith(name)]
        assert mine[-1]["state"] == "hold" or not played.link_up


@settings(max_examples=25, phases=QUICK)
@given(histories, st.booleans())
def test_probabilities_sum_to_one_whatever_happens(history: list[Step], stamped: bool) -> None:  # noqa: FBT001
    """Every diagnosis names every cause once, with an action, the most probable first."""
    played = Played(stamped=stamped)
    for event in events_of(history, stamped=stamped):
        played.step(event)
    for _, output in played.said:
        if isinstance(output, Publish) and output.topic.endswith("/diagnosis"):
            causes = orjson.loads(output.payload)["causes"]
            probabilities = [c["probability"] for c in causes]
            assert sum(probabilities) == pytest.approx(1.0, abs=1e-4)
            assert probabilities == sorted(probabilities, reverse=True)
            assert len({c["cause"] for c in causes}) == 14
            assert all(c["action"] for c in causes)


@settings(max_examples=25, phases=QUICK)
@given(histories, st.booleans())
def test_a_saved_memory_reads_back_as_it_was(history: list[Step], stamped: bool) -> None:  # noqa: FBT001
    """After any history the state survives the disk unchanged, and an engine starts from it."""
    played = Played(stamped=stamped)
    for event in events_of(history, stamped=stamped):
        played.step(event)

    state = restored(played.engine.state)

    assert packed(state) == packed(played.engine.state)
    assert state == played.engine.state
    again = Rig(STAMPED if stamped else EVERYTHING, at_s=played.now_s, state=state, boot_id="next")
    again.send("water", 25.0, after_s=10.0)
    again.send("probe", {"v": 35.0, "t": again.now_s} if stamped else 35.0)
    for name in EVERYTHING.permits:
        assert again.permit(name)["state"] == "hold"


@settings(max_examples=20, phases=QUICK)
@given(histories, st.lists(st.integers(min_value=0, max_value=60), max_size=3))
def test_a_history_in_pieces_comes_to_the_same(history: list[Step], cuts: list[int]) -> None:
    """Saved and restored at any moment, the engine judges the water just as without the break.

    A restart itself takes a few good samples before it relies on anything, so permits, alarms and
    quality may differ. Over a silence doubt grows at the moments at which the engine is woken, so
    that it may differ by a hundredth part.
    """
    events = [
        event
        for event in events_of(history, stamped=False)
        # The shell tells a restarted engine the time anew.
        if not isinstance(event, ClockStepped)
    ]
    whole, pieces = Played(stamped=False), Played(stamped=False)
    for index, event in enumerate(events):
        if index in cuts:
            state = restored(pieces.engine.state)
            pieces.engine = Engine(
                configured(EVERYTHING), boot_id="boot", at_s=pieces.now_s, state=state
            )
            pieces.step(LinkUp(pieces.now_s))
        before = len(whole.said), len(pieces.said)
        whole.step(event)
        pieces.step(event)
        straight = _water(whole.said[before[0] :])
        if isinstance(event, Message) and event.topic == "probe" and straight:
            salinity, expanded, *others = _water(pieces.said[before[1] :])[-1]
            assert others == list(straight[-1][2:])
            assert salinity == pytest.approx(straight[-1][0], abs=1e-3)
            assert expanded == pytest.approx(straight[-1][1], rel=1e-2)


@pytest.mark.parametrize("cut", [3, 40, 211])
def test_a_restart_between_two_readings_does_not_show_in_the_numbers(cut: int) -> None:
    """Once it relies on its readings again, documents are the same to the last digit."""

    def live(rig: Rig, first: int, last: int) -> None:
        for index in range(first, last):
            if index % 25 == 0:
                rig.send("skimmer", b"on" if index % 50 else b"off")
                rig.send("litres", 50.0 * index)
            rig.run(1, 34.2 if 90 <= index < 120 and index % 2 else 35.0)

    whole = Rig(EVERYTHING)
    live(whole, 0, 240)
    first = Rig(EVERYTHING)
    live(first, 0, cut)
    second = Rig(EVERYTHING, at_s=first.now_s, state=restored(first.engine.state))
    second.rng.setstate(first.rng.getstate())
    live(second, cut, 240)

    expected = whole.documents("salinity")[-(240 - cut) :]
    found = second.documents("salinity")[-(240 - cut) :]
    about_the_start = {"quality", "qartod", "ne107", "seq"}
    for one, other in zip(found, expected, strict=True):
        assert {k: v for k, v in one.items() if k not in about_the_start} == {
            k: v for k, v in other.items() if k not in about_the_start
        }


def _water(said: list[tuple[float, Output]]) -> list[tuple[Any, ...]]:
    """What was told about the water."""
    documents = [
        orjson.loads(output.payload)
        for _, output in said
        if isinstance(output, Publish) and output.topic.endswith("/salinity")
    ]
    return [
        tuple(d[key] for key in ("salinity", "uncertainty", "probe_salinity", "cause"))
        for d in documents
    ]


def test_the_same_events_make_the_same_outputs_byte_for_byte() -> None:
    """Under two hash seeds, in two processes."""
    program = (
        "import hashlib\n"
        "from tests.core.engine_rig import FULL, Rig\n"
        "rig = Rig(FULL)\n"
        "for topic in ('skimmer', 'heater', 'pump'):\n"
        "    rig.send(topic, b'off' if topic != 'heater' else b'0')\n"
        "for n in range(30):\n"
        "    rig.run(12)\n"
        "    rig.send('skimmer', b'on' if n % 2 else b'off')\n"
        "    rig.send('level', 100.0 + n % 3)\n"
        "    rig.send('litres', 100.0 * n)\n"
        "rig.run(20, lambda n: 34.0 if n % 3 else 35.0)\n"
        "rig.until(rig.now_s + 4000.0)\n"
        "print(hashlib.sha256(repr(rig.outputs).encode()).hexdigest(), len(rig.outputs))\n"
    )
    root = Path(__file__).parents[2]
    made = [
        subprocess.run(  # noqa: S603 # our own interpreter and program
            [sys.executable, "-c", program],
            cwd=root,
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2")
    ]

    assert made[0] == made[1]
    assert int(made[0].split()[1]) > 400


# ---------------------------------------------------------------------- several tanks, one topic


def test_topics_are_all_sources_and_one_filter_a_tank() -> None:
    """What is to be subscribed to is complete, stable and free of repetitions."""
    engine = Engine(configured(EVERYTHING), boot_id="boot", at_s=START_S)

    assert set(engine.topics) == {
        *("probe", "water", "second", "level", "litres", "skimmer", "heater", "pump"),
        "tidegate/reef/command/+",
        "tidegate/command/+",
    }
    assert len(engine.topics) == len(set(engine.topics))


def test_one_topic_may_serve_several_tanks() -> None:
    """A room thermometer for two tanks reaches both; a probe only its own."""
    two = replace(
        configured(PLAIN),
        tanks={"reef": PLAIN, "frag": replace(PLAIN, probe=replace(PLAIN.probe, topic="other"))},
    )
    rig = Rig(two)
    rig.run(3)
    rig.send("other", 33.0)

    assert rig.newest("salinity")["probe_salinity"] == pytest.approx(35.0, abs=0.1)
    frag = [orjson.loads(p.payload) for p in rig.published if p.topic == "tidegate/frag/salinity"]
    assert frag[-1]["probe_salinity"] == 33.0
    assert frag[-1]["temperature"] == pytest.approx(25.0, abs=0.1)


def test_unknown_topics_and_tanks_are_passed_over() -> None:
    """A message nobody asked for makes nothing."""
    rig = Rig()

    assert rig.send("nobody", b"1") == []
    assert rig.send("tidegate/nobody/command/service", {"id": "1", "phase": "start"}) == []


@pytest.mark.parametrize(
    "event", [Tick, LinkUp, LinkDown, Shutdown], ids=lambda kind: kind.__name__
)
def test_a_fresh_engine_only_ever_holds(event: Callable[[float], Event]) -> None:
    """Before any reading came, every permit is on hold, for the reason that it starts."""
    rig = Rig()
    rig.step(event(START_S + 1.0))

    for name in PLAIN.permits:
        documents = rig.documents(f"permit/{name}")
        assert documents
        assert {d["state"] for d in documents} == {"hold"}
        assert "starting" in documents[0]["reasons"]


def test_a_step_of_the_clock_holds_for_a_minute_and_dates_follow_it() -> None:
    """Nothing is permitted until the clock has settled; the documents show the new time."""
    rig = Rig()
    rig.run(60)
    assert rig.permit("dosing")["state"] == "permit"

    rig.step(ClockStepped(rig.now_s, 7200.0))
    held = rig.permit("dosing")
    rig.run(30)

    assert held["state"] == "hold"
    assert unix_s(held["time"]) == pytest.approx(rig.now_s - 300.0 + 7200.0, abs=0.01)
    assert rig.permit("dosing")["state"] == "permit"


def test_shutdown_holds_for_good() -> None:
    """After the shutdown was announced no reading brings a permit back."""
    rig = Rig()
    rig.run(60)
    rig.step(Shutdown(rig.now_s))
    rig.run(60)

    assert rig.permit("dosing")["state"] == "hold"
    assert "shutdown" in rig.permit("dosing")["reasons"]


def test_an_alarm_of_the_installation_is_answered_below_the_base() -> None:
    """Acknowledging and shelving work without a tank; other commands say where they belong."""
    engine = Engine(configured(PLAIN), boot_id="7f3a", at_s=START_S)
    engine.step(LinkUp(START_S))
    engine.storage(START_S, "the disk is full")
    engine.step(Tick(START_S + 301))

    def send(name: str, **keys: object) -> tuple[dict[str, Any], list[Output]]:
        topic = f"tidegate/command/{name}"
        payload = orjson.dumps({"id": "1", **keys})
        outputs = engine.step(Message(START_S + 302, topic, payload))
        answer = outputs[-1]
        assert isinstance(answer, Publish)
        assert answer.topic == f"tidegate/result/{name}"
        return orjson.loads(answer.payload), outputs

    assert "tidegate/command/+" in engine.topics
    answer, outputs = send("acknowledge", alarm="storage-fault")
    assert answer == {"id": "1", "ok": True}
    (document,) = (
        orjson.loads(o.payload)
        for o in outputs
        if isinstance(o, Publish) and o.topic == "tidegate/alarm/storage-fault"
    )
    assert document["state"] == "acknowledged"
    answer, outputs = send("shelve", alarm="storage-fault", minutes=30)
    assert answer["ok"]
    for name, keys in (
        ("acknowledge", {"alarm": "bubbles"}),
        ("service", {"phase": "start"}),
        ("nonsense", {}),
    ):
        answer, outputs = send(name, **keys)
        assert not answer["ok"]
        assert answer["error"]
        assert len(outputs) == 1
    assert "tidegate/<tank>/command/service" in send("service", phase="start")[0]["error"]
