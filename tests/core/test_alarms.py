"""Alarms: raised late enough to be true, told once, over when over, and never without an action."""

from collections.abc import Sequence
from typing import Any

import orjson
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from bridge.core.alarm_board import RANK
from bridge.core.alarm_catalogue import (
    CAUSE_ALARMS,
    PERMIT_ALARMS,
    PLANT_ALARMS,
    WATER_ALARMS,
    AlarmKind,
)
from bridge.core.alarm_state import TRANSITIONS, AlarmEvent, AlarmPhase
from bridge.core.alarm_text import REASON_WORDS, permits_sentence
from bridge.core.alarms import AlarmsState, PlantAlarms, TankAlarms, tank_kinds
from bridge.core.errors import UserError
from bridge.core.findings import Cause
from bridge.core.outputs import Notice, NoticeKind, Output, Priority, Publish
from bridge.core.permit_rules import Reason
from bridge.core.service import ServicePhase
from bridge.core.settings import Delivers, Driver
from bridge.core.situation import LevelCondition
from tests.core.permit_world import World, assess, permit, tank

PERMITS = {
    "top-off": permit(overrun_grace_s=30),
    "dosing": permit(Delivers.SALT_WATER, Driver.SALINITY, equipment=None),
}


class AlarmWorld(World):
    """A tank with permits and alarms, moved by hand."""

    def __init__(self) -> None:
        """All is well."""
        super().__init__(tank(PERMITS))
        self.alarms = TankAlarms("reef", self.tank, base_topic="tidegate")
        self.ready()

    def evaluate(self) -> list[Output]:
        """Permits, then alarms."""
        outputs = super().evaluate()
        if hasattr(self, "alarms"):
            raised = list(self.alarms.update(self.situation, self.gates.status))
            self.outputs += raised
            outputs += raised
        return outputs

    def tick_until(self, at_s: float) -> None:
        """Tick at every moment that permits or alarms ask for."""
        while (wake_at_s := min(self.gates.wake_at_s, self.wake_at_s)) <= at_s:
            self.now_s = max(wake_at_s, self.now_s)
            self.evaluate()
        self.now_s = at_s

    @property
    def wake_at_s(self) -> float:
        """When the alarms want to be asked again."""
        return self.alarms.wake_at_s if hasattr(self, "alarms") else float("inf")

    def acknowledge(self, alarm: str) -> None:
        """As the engine does it."""
        self.alarms.acknowledge(alarm)
        self.gates.acknowledge(alarm)
        self.evaluate()

    def shelve(self, alarm: str, minutes: float) -> None:
        """As the engine does it."""
        self.alarms.shelve(self.now_s, alarm, minutes)
        self.evaluate()

    def reload(self) -> None:
        """Save and restore the alarms through the shell's serialiser."""
        adapter = TypeAdapter(AlarmsState)
        saved = adapter.validate_json(adapter.dump_json(self.alarms.state))
        self.alarms = TankAlarms("reef", self.tank, base_topic="tidegate", state=saved)

    def notices(self, kind: NoticeKind | None = None) -> list[Notice]:
        """What the phone was told so far."""
        return [
            output
            for output in self.outputs
            if isinstance(output, Notice) and kind in (None, output.kind)
        ]

    def alarm(self, name: str) -> dict[str, Any] | None:
        """The newest document of an alarm; None when deleted, or never there."""
        payloads = [
            output.payload
            for output in self.outputs
            if isinstance(output, Publish) and output.topic == f"tidegate/reef/alarm/{name}"
        ]
        return orjson.loads(payloads[-1]) if payloads and payloads[-1] else None


ALL_KINDS: list[tuple[str, AlarmKind]] = [
    *tank_kinds(("top-off",)).items(),
    *PLANT_ALARMS.items(),
]


@pytest.mark.parametrize(("alarm", "kind"), ALL_KINDS)
def test_no_alarm_without_action(alarm: str, kind: AlarmKind) -> None:
    """Every alarm says what is wrong, what follows, what to do, and how soon."""
    assert kind.actions, alarm
    assert all(action.endswith((".", "?")) for action in kind.actions)
    assert kind.cause
    assert kind.consequence
    assert kind.respond_within_s > 0
    assert kind.headline.endswith(".")
    assert "{permit}" not in f"{kind.headline}{kind.cause}{kind.consequence}{kind.actions}"


def test_every_cause_has_its_alarm() -> None:
    """No cause is left without somebody being told."""
    assert set(CAUSE_ALARMS) == {cause.value for cause in Cause if cause is not Cause.NONE}


def test_what_explains_an_alarm_is_an_alarm() -> None:
    """References in the catalogue lead somewhere, and only upwards."""
    names = list(tank_kinds(("top-off",)))
    for alarm, kind in tank_kinds(("top-off",)).items():
        for other in kind.explained_by:
            assert names.index(other) < names.index(alarm)


def test_high_priority_is_rare() -> None:
    """Only what harms within minutes, and where the hand must act, is high."""
    high = [alarm for alarm, kind in ALL_KINDS if kind.priority is Priority.HIGH]

    assert high == ["dilution", "overrun-top-off"]


@pytest.mark.parametrize(
    "alarm", ["interference", "dilution", "overrun-top-off", "run-time-top-off"]
)
def test_alarms_near_mains_carry_a_caution(alarm: str) -> None:
    """Who is sent to pumps and cables is told to unplug first."""
    caution = dict(ALL_KINDS)[alarm].caution

    assert caution is not None
    assert "unplug" in caution


def test_the_table_of_states_is_total() -> None:
    """Every state answers every event."""
    assert set(TRANSITIONS) == set(AlarmPhase)
    for row in TRANSITIONS.values():
        assert set(row) == set(AlarmEvent)


def test_every_reason_has_words() -> None:
    """A hold is explained in words, whatever its reason."""
    causes = {cause.value for cause in Cause if cause is not Cause.NONE}

    assert set(REASON_WORDS) == {reason.value for reason in Reason} | causes


def test_a_bubble_reads_well_on_a_lock_screen() -> None:
    """What, how sure, what is held, what to do first."""
    world = AlarmWorld()
    world.healthy(660, Cause.BUBBLES, probe_salinity_psu=34.1)
    (notice,) = world.notices()

    assert notice.title == "Reef: reading looks like bubbles, not real change."
    assert notice.body == (
        "Probe 34.1, water most likely 35.0 ± 0.1. Top-off unaffected, dosing held. "
        "First: look at it."
    )
    assert notice.priority is Priority.LOW


def test_a_passing_bubble_is_not_told() -> None:
    """A disturbance shorter than the on-delay raises nothing."""
    world = AlarmWorld()
    for _ in range(5):
        world.healthy(590, Cause.BUBBLES)
        world.healthy(10)

    assert not world.notices()
    assert world.alarm("bubbles") is None


def test_dilution_is_urgent_and_told_within_half_a_minute() -> None:
    """What kills is told fast, with the mains caution once."""
    world = AlarmWorld()
    world.healthy(40, Cause.DILUTION, salinity_psu=34.5)
    (notice,) = world.notices()

    assert notice.priority is Priority.HIGH
    assert notice.body.count("Caution:") == 1
    document = world.alarm("dilution")
    assert document is not None
    assert document["state"] == "unacknowledged"
    assert document["respond_within_s"] == 900


def test_a_disturbance_that_changes_its_name_is_told_once() -> None:
    """Unexplained, then bubbles, then interference: one episode, one message, one alarm."""
    world = AlarmWorld()
    for cause in (Cause.UNEXPLAINED, Cause.BUBBLES, Cause.INTERFERENCE):
        world.healthy(1200, cause)
    world.healthy(4 * 3600)

    assert [notice.kind for notice in world.notices()] == [NoticeKind.RAISED, NoticeKind.CLEARED]
    assert len({notice.episode for notice in world.notices()}) == 1


def test_a_worse_cause_in_the_same_episode_is_told() -> None:
    """Bubbles hide nothing: dilution breaks through."""
    world = AlarmWorld()
    world.healthy(700, Cause.BUBBLES)
    world.healthy(60, Cause.DILUTION)

    assert [notice.alarm for notice in world.notices()] == ["bubbles", "dilution"]
    assert world.alarm("bubbles") is None


def test_a_latched_alarm_waits_to_be_seen_after_it_is_over() -> None:
    """Dilution over: returned, unacknowledged, until somebody acknowledges."""
    world = AlarmWorld()
    world.healthy(60, Cause.DILUTION)
    world.healthy(1900)
    document = world.alarm("dilution")
    assert document is not None
    assert document["state"] == "returned-unacknowledged"
    assert not document["active"]

    world.acknowledge("dilution")
    assert world.alarm("dilution") is None


def test_an_alarm_that_does_not_latch_is_gone_when_over() -> None:
    """Nobody has to acknowledge yesterday's bubbles."""
    world = AlarmWorld()
    world.healthy(700, Cause.BUBBLES)
    assert world.alarm("bubbles") is not None
    world.healthy(3700)

    assert world.alarm("bubbles") is None


def test_acknowledging_ends_the_reminders() -> None:
    """The phone worker is told that somebody has seen it."""
    world = AlarmWorld()
    world.healthy(700, Cause.BUBBLES)
    world.acknowledge("bubbles")
    document = world.alarm("bubbles")

    assert document is not None
    assert document["state"] == "acknowledged"
    assert document["active"]
    assert world.notices()[-1].kind is NoticeKind.ACKNOWLEDGED


def test_what_does_not_wait_cannot_be_acknowledged() -> None:
    """The answer names the alarms that do wait."""
    world = AlarmWorld()
    world.healthy(60, Cause.DILUTION)
    with pytest.raises(UserError, match="waiting are: dilution"):
        world.alarms.acknowledge("bubbles")
    with pytest.raises(UserError, match="there is no alarm 'bubble'; accepted are dilution"):
        world.alarms.acknowledge("bubble")


def test_a_shelf_silences_for_a_time_and_reminds_after_it() -> None:
    """Shelved: visible, quiet, and back by itself while the condition stands."""
    world = AlarmWorld()
    world.healthy(700, Cause.BUBBLES)
    world.shelve("bubbles", 60)
    document = world.alarm("bubbles")
    assert document is not None
    assert document["state"] == "shelved"
    assert document["shelved_until"] is not None

    world.healthy(3500, Cause.BUBBLES)
    assert [notice.alarm for notice in world.notices(NoticeKind.RAISED)] == ["bubbles"]
    world.healthy(110, Cause.BUBBLES)
    assert [notice.alarm for notice in world.notices(NoticeKind.RAISED)] == ["bubbles"] * 2


def test_a_shelf_can_be_ended_early() -> None:
    """Zero minutes take an alarm off the shelf."""
    world = AlarmWorld()
    world.shelve("bubbles", 60)
    assert world.alarm("bubbles") is not None
    world.shelve("bubbles", 0)

    assert world.alarm("bubbles") is None


@pytest.mark.parametrize("minutes", [-1, 10_081, float("nan")])
def test_a_shelf_is_capped(minutes: float) -> None:
    """A week is the longest."""
    with pytest.raises(UserError, match="accepted is 0"):
        AlarmWorld().alarms.shelve(0, "bubbles", minutes)


def test_service_suppresses_by_design() -> None:
    """Hands in the water: no alarm is raised, and one that stood is suppressed, then back."""
    world = AlarmWorld()
    world.healthy(700, Cause.BUBBLES)
    world.change(service=ServicePhase.ACTIVE)
    document = world.alarm("bubbles")
    assert document is not None
    assert document["state"] == "suppressed"
    told = len(world.notices(NoticeKind.RAISED))
    world.healthy(600, Cause.DILUTION, salinity_psu=32.0)
    assert len(world.notices(NoticeKind.RAISED)) == told
    assert world.alarm("dilution") is None

    world.change(service=ServicePhase.IDLE)
    world.healthy(20, Cause.DILUTION)
    assert len(world.notices(NoticeKind.RAISED)) == told
    world.healthy(20, Cause.DILUTION)
    assert len(world.notices(NoticeKind.RAISED)) == told + 1


def test_a_lost_broker_raises_one_alarm_not_one_a_tank() -> None:
    """The installation's alarm speaks for all; the tank is quiet."""
    world = AlarmWorld()
    plant = PlantAlarms(base_topic="tidegate")
    world.change(link_up=False)
    plant.update(world.now_s, link_up=False, clock_settled=True, storage_fault=None)
    world.healthy(900, Cause.SILENT)
    outputs = plant.update(world.now_s, link_up=False, clock_settled=True, storage_fault=None)

    assert not world.notices()
    (notice,) = (output for output in outputs if isinstance(output, Notice))
    assert notice.alarm == "broker-lost"
    assert notice.title == "Tidegate: the MQTT broker cannot be reached."
    assert not any(isinstance(output, Publish) for output in outputs)


def test_documents_missed_while_the_link_was_down_come_with_it() -> None:
    """After a reconnect every alarm is published as it is now."""
    world = AlarmWorld()
    world.healthy(700, Cause.BUBBLES)
    world.change(link_up=False)
    world.healthy(60, Cause.BUBBLES)
    document = world.alarm("bubbles")
    assert document is not None
    assert document["state"] == "unacknowledged"
    world.outputs.clear()
    world.change(link_up=True)
    assert world.alarm("bubbles") is not None


def test_a_storage_fault_says_what_is_wrong() -> None:
    """The shell's words reach the phone."""
    plant = PlantAlarms(base_topic="tidegate")
    fault = "/data is full"
    plant.update(0, link_up=True, clock_settled=True, storage_fault=fault)
    outputs = plant.update(300, link_up=True, clock_settled=True, storage_fault=fault)
    (notice,) = (output for output in outputs if isinstance(output, Notice))
    (document,) = (output for output in outputs if isinstance(output, Publish))

    assert notice.body.startswith("/data is full.")
    assert document.topic == "tidegate/alarm/storage-fault"


def test_alerts_that_do_not_arrive_are_an_alarm() -> None:
    """Whom they do not reach is told after a quarter of an hour, to whoever can be reached."""
    plant = PlantAlarms(base_topic="tidegate")
    fault = "Not reached are phone: the service does not answer."
    for at_s in (0, 890):
        outputs = plant.update(
            at_s, link_up=True, clock_settled=True, storage_fault=None, telling_fault=fault
        )
    assert not outputs
    outputs = plant.update(
        900, link_up=True, clock_settled=True, storage_fault=None, telling_fault=fault
    )
    (notice,) = (output for output in outputs if isinstance(output, Notice))

    assert notice.alarm == "alerts-stuck"
    assert notice.body.startswith("Not reached are phone: the service does not answer.")


def test_a_consequence_is_not_told_beside_its_cause() -> None:
    """While dilution stands, low salinity is suppressed; it speaks when it stays alone."""
    world = AlarmWorld()
    world.healthy(3000, Cause.DILUTION, salinity_psu=32.5)
    assert [notice.alarm for notice in world.notices()] == ["dilution"]
    world.healthy(1900, salinity_psu=32.5)
    world.acknowledge("dilution")
    world.healthy(400, salinity_psu=32.5)

    raised = [notice.alarm for notice in world.notices(NoticeKind.RAISED)]
    assert raised == ["dilution", "salinity-low"]


@pytest.mark.parametrize(
    ("alarm", "changes"),
    [
        ("salinity-low", {"salinity_psu": 32.9}),
        ("salinity-high", {"salinity_psu": 37.1}),
        ("temperature-low", {"temperature_c": 21.9}),
        ("temperature-high", {"temperature_c": 29.1}),
        ("uncertain", {"salinity_psu": None, "uncertainty_psu": 1.2}),
    ],
)
def test_numbers_out_of_their_limits_raise(alarm: str, changes: dict[str, Any]) -> None:
    """Each limit of the keeper has its alarm."""
    world = AlarmWorld()
    world.healthy(1900, **changes)

    assert world.notices()[0].alarm == alarm


def test_a_level_that_is_high_or_silent_raises() -> None:
    """The level speaks for itself."""
    world = AlarmWorld()
    world.change(level=LevelCondition.HIGH)
    world.healthy(610)
    world.change(level=LevelCondition.UNKNOWN)
    world.healthy(610)

    raised = [notice.alarm for notice in world.notices(NoticeKind.RAISED)]
    assert raised == ["level-high", "level-silent"]


def test_a_number_at_its_limit_does_not_chatter() -> None:
    """Noise around the limit, a day long, raises once (and one long hold for all permits)."""
    world = AlarmWorld()
    for number in range(1440):
        world.healthy(60, every_s=20, salinity_psu=33.0 + (-0.03 if number % 2 else 0.03))

    raised = [notice.alarm for notice in world.notices(NoticeKind.RAISED)]
    assert raised == ["salinity-low", "long-hold-top-off"]
    assert world.alarms.kpi(world.now_s).chattering == ()


def test_an_overrun_is_high_and_lets_go_when_seen_and_stopped() -> None:
    """The one alarm that software cannot act on reaches the keeper in the same call."""
    world = AlarmWorld()
    world.change(level=LevelCondition.HIGH)
    world.equipment(on=True)
    world.healthy(31)
    (notice,) = world.notices()
    assert notice.alarm == "overrun-top-off"
    assert notice.priority is Priority.HIGH
    assert "First reason: the level is high." in notice.body

    world.equipment(on=False)
    world.acknowledge("overrun-top-off")
    world.healthy(30)
    assert world.alarm("overrun-top-off") is None


def _runs_on_in_a_precaution() -> AlarmWorld:
    world = AlarmWorld()
    world.equipment(on=True)
    world.healthy(40, settled=False)
    return world


def test_an_overrun_in_a_hold_for_precaution_is_medium() -> None:
    """The priority follows the consequence; the latch is the same."""
    world = _runs_on_in_a_precaution()
    (notice,) = world.notices()
    assert notice.alarm == "overrun-top-off"
    assert notice.priority is Priority.MEDIUM
    document = world.alarm("overrun-top-off")
    assert document is not None
    assert document["priority"] == "medium"
    assert document["respond_within_s"] == PERMIT_ALARMS["overrun"].eased.respond_within_s  # type: ignore[union-attr]

    world.healthy(60, settled=True)
    world.equipment(on=False)
    world.healthy(600)
    assert not world.permitted
    world.acknowledge("overrun-top-off")
    world.healthy(80)
    assert world.permitted
    assert world.alarm("overrun-top-off") is None


@pytest.mark.parametrize("silenced", ["", "acknowledged", "shelved"])
def test_an_overrun_that_comes_to_do_harm_is_told_again_as_high(silenced: str) -> None:
    """Neither a look at the lesser alarm nor a shelf for it keeps the greater one back."""
    world = _runs_on_in_a_precaution()
    if silenced == "acknowledged":
        world.acknowledge("overrun-top-off")
    elif silenced == "shelved":
        world.shelve("overrun-top-off", 600)
    world.reload()
    before = len(world.notices(NoticeKind.RAISED))
    world.change(level=LevelCondition.HIGH)

    (notice,) = world.notices(NoticeKind.RAISED)[before:]
    assert notice.alarm == "overrun-top-off"
    assert notice.priority is Priority.HIGH
    document = world.alarm("overrun-top-off")
    assert document is not None
    assert document["priority"] == "high"
    assert document["state"] == "unacknowledged"
    assert document["consequence"] == PERMIT_ALARMS["overrun"].consequence

    # It is over only when this alarm, too, was acknowledged.
    world.change(level=LevelCondition.NORMAL)
    world.equipment(on=False)
    world.healthy(600)
    assert world.alarm("overrun-top-off") is not None
    world.acknowledge("overrun-top-off")
    world.healthy(80)
    assert world.alarm("overrun-top-off") is None
    assert world.permitted


def test_harm_that_comes_in_service_is_told_when_service_ends() -> None:
    """What is suppressed is not forgotten."""
    world = _runs_on_in_a_precaution()
    world.change(service=ServicePhase.ACTIVE)
    world.change(level=LevelCondition.HIGH)
    assert len(world.notices(NoticeKind.RAISED)) == 1
    world.change(service=ServicePhase.IDLE)

    assert [n.priority for n in world.notices(NoticeKind.RAISED)] == [
        Priority.MEDIUM,
        Priority.HIGH,
    ]


def test_a_long_hold_asks_for_a_look_at_the_level() -> None:
    """Three hours of hold are an alarm of their own."""
    world = AlarmWorld()
    world.change(level=LevelCondition.HIGH)
    world.shelve("level-high", 10_000)
    world.healthy(3 * 3600 + 20, every_s=20)
    told = {notice.alarm: notice for notice in world.notices(NoticeKind.RAISED)}

    notice = told["long-hold-top-off"]
    assert notice.title == "Reef: top-off has been held for 3 h: check the level by hand."


def test_first_out_names_what_came_first() -> None:
    """In a flood of alarms one is marked as the first."""
    world = AlarmWorld()
    world.healthy(610, temperature_c=21.0)
    world.healthy(610, Cause.BUBBLES, temperature_c=21.0)
    first, second = world.alarm("temperature-low"), world.alarm("bubbles")

    assert first is not None
    assert second is not None
    assert first["first_out"]
    assert not second["first_out"]


def test_counts_tell_stale_and_raised_alarms() -> None:
    """Alarms a day and alarms that stand for more than a day are counted."""
    world = AlarmWorld()
    world.healthy(26 * 3600, Cause.DRIFT, every_s=25)
    kpi = world.alarms.kpi(world.now_s)

    assert kpi.stale == ("drift",)
    # Drift itself was raised more than a day ago; the dosing it holds, less.
    assert kpi.raised_day == 1
    assert not kpi.flood


def test_permits_are_told_in_one_sentence() -> None:
    """Unaffected, held or bypassed, in the keeper's own names."""
    world = AlarmWorld()
    world.read(Cause.BUBBLES)
    assert permits_sentence(world.gates.status) == "Top-off unaffected, dosing held."
    assert permits_sentence(()) == ""


causes = st.sampled_from(
    [Cause.NONE, Cause.NONE, Cause.BUBBLES, Cause.DILUTION, Cause.UNEXPLAINED, Cause.SILENT]
)
spells = st.lists(
    st.tuples(
        causes,
        st.sampled_from([10.0, 60.0, 400.0, 1200.0, 5000.0]),
        st.sampled_from([35.0, 35.0, 35.0, 32.9, 33.05, None]),
        st.sampled_from(["", "", "", "service", "idle", "up", "down", "shelve", "acknowledge"]),
    ),
    max_size=12,
)


def play(history: Sequence[tuple[Cause, float, float | None, str]], save_at: int) -> AlarmWorld:
    """What a history makes of the alarms, saved and restored on the way."""
    world = AlarmWorld()
    for number, (cause, duration_s, salinity_psu, deed) in enumerate(history):
        if number == save_at:
            world.reload()
        match deed:
            case "service" | "idle":
                phase = ServicePhase.ACTIVE if deed == "service" else ServicePhase.IDLE
                world.change(service=phase)
            case "up" | "down":
                world.change(link_up=deed == "up")
            case "shelve":
                world.shelve("bubbles", 30)
            case "acknowledge":
                for alarm, state in list(world.alarms.state.board.alarms.items()):
                    if not state.acknowledged:
                        world.acknowledge(alarm)
        world.healthy(duration_s, cause, every_s=25, salinity_psu=salinity_psu)
    return world


@given(spells)
@settings(deadline=None, max_examples=25)
def test_at_most_one_message_an_episode_and_priority(
    history: list[tuple[Cause, float, float | None, str]],
) -> None:
    """Within one episode only a higher priority is told again, and its end is told once."""
    world = play(history, -1)
    told: dict[str, int] = {}
    over: set[str] = set()
    for notice in world.notices():
        if notice.kind is NoticeKind.RAISED:
            assert RANK[notice.priority] > told.get(notice.episode, -1)
            assert notice.episode not in over
            told[notice.episode] = RANK[notice.priority]
        elif notice.kind is NoticeKind.CLEARED:
            assert notice.episode in told
            assert notice.episode not in over
            over.add(notice.episode)


@given(spells, st.integers(0, 12))
@settings(deadline=None, max_examples=15)
def test_saving_and_restoring_changes_nothing(
    history: list[tuple[Cause, float, float | None, str]], save_at: int
) -> None:
    """The same history, saved and restored anywhere, puts out the same."""
    assert play(history, save_at).outputs == play(history, -1).outputs


@given(st.lists(st.sampled_from([Cause.NONE, Cause.BUBBLES, Cause.DILUTION]), max_size=300))
@settings(deadline=None, max_examples=25)
def test_no_noise_of_causes_chatters(noise: list[Cause]) -> None:
    """Whatever order causes come in, no alarm is raised three times within a minute."""
    world = AlarmWorld()
    for cause in noise:
        world.now_s += 5
        world.read(cause)

    assert world.alarms.kpi(world.now_s).chattering == ()


def test_an_unchanged_situation_costs_no_output() -> None:
    """A sample that changes nothing is answered with nothing."""
    world = AlarmWorld()
    world.situation.assessment = assess(world.now_s)

    assert world.alarms.update(world.situation, world.gates.status) == ()


def test_the_catalogue_is_complete() -> None:
    """Every trouble of a permit and every limit of the tank is in the catalogue."""
    assert set(PERMIT_ALARMS) == {"overrun", "run-time", "litres", "long-hold"}
    assert len(WATER_ALARMS) == 7
