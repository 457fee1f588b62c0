"""Promises that hold for every history of a gate, drawn by hypothesis."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from bridge.core.findings import Cause
from bridge.core.outputs import Publish, Record
from bridge.core.permit_rules import TRANSITIONS, Phase, Verdict
from bridge.core.permits import GatesState
from bridge.core.service import ServicePhase
from bridge.core.settings import Delivers, Driver
from bridge.core.situation import LevelCondition
from tests.core.permit_world import World, permit, tank

LEASE_S = 60.0
STALE_S = 45.0
MINIMUM_HOLD_S = 40.0
PERMITS = {
    "top-off": permit(
        lease_s=LEASE_S,
        stale_after_s=STALE_S,
        minimum_hold_s=MINIMUM_HOLD_S,
        largest_run_s=200,
        smallest_pause_s=20,
        overrun_grace_s=30,
    ),
    "dosing": permit(
        Delivers.SALT_WATER,
        Driver.SALINITY,
        lease_s=LEASE_S,
        stale_after_s=STALE_S,
        minimum_hold_s=MINIMUM_HOLD_S,
    ),
}


@dataclass(frozen=True)
class Step:
    """One thing that happens, after some time."""

    after_s: float
    name: str
    value: Any = None

    def __call__(self, world: World) -> None:
        """Let it happen."""
        match self.name:
            case "read":
                world.read(self.value[0], **self.value[1])
            case "pump":
                world.equipment(on=self.value)
            case "litres":
                world.litres(self.value)
            case "bypass":
                permit_name, minutes = self.value
                world.gates.bypass(world.now_s, permit_name, minutes, "drawn")
                world.evaluate()
            case "acknowledge":
                world.gates.acknowledge(self.value)
                world.evaluate()
            case circumstance:
                world.change(**{circumstance: self.value})


def _mostly(usual: object, *others: object) -> st.SearchStrategy[Any]:
    return st.one_of(st.just(usual), st.just(usual), st.just(usual), st.sampled_from(others))


readings = st.tuples(
    _mostly(Cause.NONE, *Cause),
    st.fixed_dictionaries(
        {
            "salinity_psu": _mostly(35.0, None, 32.9, 33.05, 36.95, 37.1),
            "uncertainty_psu": _mostly(0.1, 0.9, 1.5, float("inf")),
            "settled": st.sampled_from([True, True, True, False]),
        }
    ),
)
kinds = st.one_of(
    st.tuples(st.just("read"), readings),
    st.tuples(st.just("read"), readings),
    st.tuples(st.just("read"), readings),
    st.tuples(st.just("read"), st.just((Cause.NONE, {}))),
    st.tuples(st.just("read"), st.just((Cause.NONE, {}))),
    st.tuples(st.just("link_up"), st.sampled_from([True, True, True, False])),
    st.tuples(st.just("clock_settled"), st.sampled_from([True, True, True, False])),
    st.tuples(st.just("alone"), st.sampled_from([True, True, True, False])),
    st.tuples(st.just("service"), _mostly(ServicePhase.IDLE, *ServicePhase)),
    st.tuples(st.just("level"), _mostly(LevelCondition.NORMAL, *LevelCondition)),
    st.tuples(st.just("pump"), st.sampled_from([True, False, None])),
    st.tuples(st.just("litres"), st.sampled_from([0.01, 0.5, 4.0])),
    st.tuples(
        st.just("bypass"), st.tuples(st.sampled_from(sorted(PERMITS)), st.sampled_from([0, 1, 9]))
    ),
    st.tuples(st.just("acknowledge"), st.just("overrun-top-off")),
)
steps = st.builds(
    lambda after_s, kind: Step(after_s, *kind),
    st.sampled_from([0.0, 1.0, 5.0, 5.0, 10.0, 10.0, 20.0, 44.9, 50.0, 130.0]),
    kinds,
)
histories = st.lists(steps, max_size=40)


def play(history: list[Step], *, ticks: bool = True, save_at: int | None = None) -> World:
    """A ready world to which a history happens, perhaps saved and restored on the way."""
    world = World(tank(PERMITS, metered=True)).ready()
    adapter = TypeAdapter(GatesState)
    for number, step in enumerate(history):
        if number == save_at:
            saved = adapter.dump_json(world.gates.state)
            world.restart(adapter.validate_json(saved), world.boot_id)
        if ticks:
            world.tick_until(world.now_s + step.after_s)
        else:
            world.now_s += step.after_s
        step(world)
    return world


def unix_s(text: str) -> float:
    """Seconds of a published time."""
    return datetime.fromisoformat(text).timestamp()


with_and_without_ticks = st.booleans().flatmap(
    lambda ticks: histories.map(lambda history: play(history, ticks=ticks))
)


@given(with_and_without_ticks)
@settings(deadline=None, max_examples=60)
def test_never_permits_on_evidence_older_than_stale_after(world: World) -> None:
    """A permit rests on a reading no older than stale_after_s, with and without ticks."""
    for name in PERMITS:
        for document in world.documents(name):
            if document["state"] == "permit":
                age_s = unix_s(document["time"]) - unix_s(document["evidence"])
                # Published times are rounded to the millisecond.
                assert age_s <= STALE_S + 0.001


@given(with_and_without_ticks)
@settings(deadline=None, max_examples=60)
def test_never_permits_within_the_minimum_hold(world: World) -> None:
    """Between hold and the next permit lies the minimum hold, bypassed or not."""
    for name in PERMITS:
        held_since_s: float | None = None
        for record in world.records():
            if record.data.get("permit") != name or "state" not in record.data:
                continue
            if record.data["state"] == "hold":
                held_since_s = record.at_s
            elif held_since_s is not None:
                assert record.at_s - held_since_s >= MINIMUM_HOLD_S


@given(histories)
@settings(deadline=None, max_examples=60)
def test_every_doubt_holds_in_the_same_call(history: list[Step]) -> None:
    """After any history, each doubt yields hold at once and a document that says so."""
    doubts: list[dict[str, Any]] = [
        {"clock_settled": False},
        {"alone": False},
        {"service": ServicePhase.ACTIVE},
        {"level": LevelCondition.HIGH},
        {"assessment": None},
        {"link_up": False},
    ]
    for doubt in doubts:
        world = play(history)
        world.change(**doubt)
        assert not any(status.permitted for status in world.gates.status)
        if world.situation.link_up:
            assert all(world.document(name)["state"] == "hold" for name in PERMITS)


@given(histories, st.floats(0, 10_000))
@settings(deadline=None, max_examples=60)
def test_without_ticks_no_lease_outlives_lease_s(history: list[Step], later_s: float) -> None:
    """When the daemon falls silent, what it said last ends within one lease."""
    world = play(history, ticks=False)
    world.now_s += later_s
    for output in world.outputs:
        if isinstance(output, Publish) and b'"state":"permit"' in output.payload:
            assert output.expires_after_s == LEASE_S
            assert output.perishable
    for name in PERMITS:
        published = world.documents(name)
        last = published[-1]
        alive = last["state"] == "permit" and unix_s(last["time"]) + LEASE_S > world.now_s
        assert not (alive and later_s > LEASE_S)


@given(histories, st.data())
@settings(deadline=None, max_examples=60)
def test_saving_and_restoring_changes_nothing(history: list[Step], data: st.DataObject) -> None:
    """The same boot, saved and restored anywhere, puts out the same."""
    save_at = data.draw(st.integers(0, len(history)))

    assert play(history, save_at=save_at).outputs == play(history).outputs


@given(histories)
@settings(deadline=None, max_examples=60)
def test_sequence_numbers_rise_by_one(history: list[Step]) -> None:
    """A gap in seq means a lost message, never a skipped number."""
    world = play(history)
    for name in PERMITS:
        numbers = [document["seq"] for document in world.documents(name)]
        assert numbers == list(range(1, len(numbers) + 1))


@given(histories)
@settings(deadline=None, max_examples=60)
def test_no_bypass_overrides_an_overrun(history: list[Step]) -> None:
    """While an overrun is latched nothing permits, however it is bypassed."""
    world = play(history)
    world.change(
        link_up=True,
        clock_settled=True,
        alone=True,
        service=ServicePhase.IDLE,
        level=LevelCondition.NORMAL,
    )
    world.gates.bypass(world.now_s, "top-off", 0, "end what was drawn")
    world.equipment(on=True)
    world.healthy(70, Cause.DILUTION)
    assert "overrun" in world.gates.status[0].troubles
    world.gates.bypass(world.now_s, "top-off", 60, "drawn")
    world.healthy(200)

    assert not world.permitted


@given(histories)
@settings(deadline=None, max_examples=60)
def test_a_hold_says_why_and_a_permit_gives_no_reasons(history: list[Step]) -> None:
    """Documents are consistent in themselves."""
    world = play(history)
    for name in PERMITS:
        for document in world.documents(name):
            held = document["state"] == "hold"
            assert bool(document["reasons"]) is held
            assert (document["first_reason"] is not None) is held
            assert len(set(document["reasons"])) == len(document["reasons"])


# The hour's and the day's litres would take a day to pass.
@given(histories.map(lambda history: [step for step in history if step.name != "litres"]))
@settings(deadline=None, max_examples=30)
def test_opens_again_by_itself_when_all_is_well(history: list[Step]) -> None:
    """No history leaves a gate shut for good: once all is well and acknowledged, it permits."""
    world = play(history)
    world.equipment(on=False)
    world.change(
        link_up=True,
        clock_settled=True,
        alone=True,
        service=ServicePhase.IDLE,
        level=LevelCondition.NORMAL,
    )
    world.healthy(60)
    world.gates.acknowledge("overrun-top-off")
    world.gates.acknowledge("overrun-dosing")
    world.healthy(1800, every_s=40)

    assert all(status.permitted for status in world.gates.status)


def test_the_table_of_transitions_is_total() -> None:
    """Every phase answers every verdict, and no barred or disturbed one permits."""
    assert set(TRANSITIONS) == set(Phase)
    for row in TRANSITIONS.values():
        assert set(row) == set(Verdict)
        assert row[Verdict.BARRED] is row[Verdict.DISTURBED] is Phase.HOLD


def test_records_tell_every_change_of_state() -> None:
    """The history has a row for each change between hold and permit."""
    world = play([Step(10, "read", (Cause.DILUTION, {})), Step(5, "read", (Cause.NONE, {}))])
    states = [
        record.data["state"]
        for record in world.records()
        if isinstance(record, Record) and record.data["permit"] == "top-off"
    ]

    assert states == ["permit", "hold"]
