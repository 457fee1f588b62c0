"""The engine under every order of events: messages of all kinds, time, links, restarts, others."""

import random
from typing import Any

import orjson
import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from bridge.core.engine import Engine
from bridge.core.events import ClockStepped, LinkDown, LinkUp, Message, Shutdown, Tick
from bridge.core.outputs import Output, Publish
from bridge.core.settings import Probe, ProbeUnit, Reports, Settings, Thermometer
from bridge.shell.engine_state import packed, resumed
from bridge.shell.stepping import feed
from tests.core.engine_rig import FULL, START_S
from tests.fuzz.payloads import payload

SITE = Settings(
    tanks={
        "reef": FULL,
        "frag": type(FULL)(
            volume_l=60,
            probe=Probe(
                topic="json",
                path="sensors.value",
                time_path="sensors.at",
                unit=ProbeUnit.MS_CM,
                reports=Reports.CONDUCTIVITY,
            ),
            thermometer=Thermometer(topic="water"),
            permits=FULL.permits,
            equipment=FULL.equipment,
        ),
    }
)
TOPICS = (
    *("probe", "water", "json", "skimmer", "heater", "pump", "level", "litres"),
    *("tidegate/heartbeat", "tidegate/reef/permit/top-off", "tidegate/frag/permit/dosing"),
    *(
        f"tidegate/{tank}/command/{name}"
        for tank in SITE.tanks
        for name in ("reference-check", "calibration", "water-change", "acknowledge", "shelve")
    ),
    *("tidegate/reef/command/bypass", "tidegate/frag/command/service", "tidegate/reef/command/fit"),
)
SPANS = (0.0, 0.0, 0.5, 1.0, 10.0, 59.9, 600.0, 7200.0)


class EngineMachine(RuleBasedStateMachine):
    """What a shell may do to an engine."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = self.since_s = START_S
        self.boots = 0
        self.over = self.link_up = False
        self.permits: dict[str, dict[str, Any]] = {}
        self.fresh: list[Output] = []
        self.engine = Engine(SITE, boot_id="0", at_s=START_S)

    def _take(self, outputs: list[Output]) -> None:
        for output in outputs:
            assert output.at_s <= self.now_s + 4e8
            if isinstance(output, Publish) and output.payload:
                document = orjson.loads(output.payload)
                if "/permit/" in output.topic:
                    self.permits[output.topic] = document
        self.since_s = self.now_s

    @precondition(lambda self: not self.over)
    @rule(
        topic=st.sampled_from(TOPICS),
        seed=st.integers(0, 2**32),
        after_s=st.sampled_from(SPANS),
        retained=st.booleans(),
    )
    def hostile(self, topic: str, seed: int, after_s: float, retained: bool) -> None:  # noqa: FBT001
        """Anything on any topic."""
        self.now_s += after_s
        message = Message(self.now_s, topic, payload(random.Random(seed)), retained)
        self._take(feed(self.engine, message, since_s=self.since_s))

    @precondition(lambda self: not self.over)
    @rule(
        psu=st.sampled_from([35.0, 35.01, 34.0, 0.0, 60.0]),
        count=st.integers(1, 40),
        every_s=st.sampled_from([1.0, 10.0, 60.0]),
    )
    def ordinary(self, psu: float, count: int, every_s: float) -> None:
        """A stretch of readings."""
        for number in range(count):
            self.now_s += every_s
            for topic, value in (
                ("water", b"25.0"),
                ("probe", b"%.3f" % (psu + 0.01 * (number % 3))),
            ):
                message = Message(self.now_s, topic, value)
                self._take(feed(self.engine, message, since_s=self.since_s))

    @precondition(lambda self: not self.over)
    @rule(event=st.sampled_from([LinkUp, LinkUp, LinkDown]), after_s=st.sampled_from(SPANS))
    def link(self, event: type[LinkUp | LinkDown], after_s: float) -> None:
        """The broker comes and goes."""
        self.now_s += after_s
        self.link_up = event is LinkUp
        self._take(feed(self.engine, event(self.now_s), since_s=self.since_s))

    @precondition(lambda self: not self.over)
    @rule(step_s=st.sampled_from([-4e8, -3600.0, -1.5, 1.5, 3600.0, 4e8]))
    def clock(self, step_s: float) -> None:
        """Somebody sets the clock."""
        self._take(feed(self.engine, ClockStepped(self.now_s, step_s), since_s=self.since_s))

    @precondition(lambda self: not self.over)
    @rule(after_s=st.sampled_from(SPANS))
    def late(self, after_s: float) -> None:
        """Only one tick after a pause, as from a daemon that was suspended."""
        self.now_s += after_s
        self._take(self.engine.step(Tick(self.now_s)))

    @precondition(lambda self: not self.over)
    @rule(fault=st.sampled_from([None, "the disk is full"]))
    def storage(self, fault: str | None) -> None:
        """The history fails or recovers."""
        self._take(self.engine.storage(self.now_s, fault))

    @precondition(lambda self: not self.over)
    @rule(after_s=st.sampled_from(SPANS), tidy=st.booleans())
    def restart(self, after_s: float, tidy: bool) -> None:  # noqa: FBT001
        """End, in good order or not, and start with what was saved."""
        if tidy:
            self._take(self.engine.step(Shutdown(self.now_s)))
        data = packed(self.engine.state)
        self.now_s += after_s
        self.boots += 1

        def make(state: Any) -> Engine:  # noqa: ANN401 - the engine's own
            assert state is not None, "what was saved could not be read"
            return Engine(SITE, boot_id=str(self.boots), at_s=self.now_s, state=state)

        self.engine = resumed(data, make, aside=_NOWHERE)
        self.since_s = self.now_s
        self.link_up = False
        self.permits.clear()

    @rule()
    def end(self) -> None:
        """The last word."""
        if not self.over:
            self._take(self.engine.step(Shutdown(self.now_s)))
            self.over = True

    @invariant()
    def a_permit_needs_a_link_and_a_running_engine(self) -> None:
        """What was said last is hold whenever nobody could take it back."""
        for document in self.permits.values():
            if document["state"] == "permit":
                assert self.link_up
                assert not self.over
                assert document["boot_id"] == str(self.boots)

    @invariant()
    def time_is_never_wanted_in_an_endless_circle(self) -> None:
        """Waking is wanted for a moment that is a number."""
        assert self.engine.wake_at_s == self.engine.wake_at_s


class _Nowhere:
    def write_bytes(self, _data: bytes) -> None:
        raise OSError("nothing is to be set aside here")

    def __str__(self) -> str:
        return "nowhere"


_NOWHERE: Any = _Nowhere()

TestEngineMachine = EngineMachine.TestCase
TestEngineMachine.settings = settings(max_examples=15, stateful_step_count=25)


@pytest.mark.soak
def test_for_longer() -> None:
    """Some twenty times as many, and longer, lives; not the same each time."""
    run_state_machine_as_test(
        EngineMachine,
        settings=settings(max_examples=200, stateful_step_count=40, derandomize=False),
    )
