"""When a permit is given, and everything that ends it."""

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from pydantic import TypeAdapter

from bridge.core.errors import UserError
from bridge.core.findings import Cause, Quality
from bridge.core.outputs import Publish
from bridge.core.permit_rules import default_causes
from bridge.core.permits import GatesState
from bridge.core.service import ServicePhase
from bridge.core.settings import Delivers, Driver, Plumbing
from bridge.core.situation import LevelCondition
from tests.core.permit_world import INTERVAL_S, START_S, World, permit, tank

SALINITY_DRIVEN = permit(Delivers.SALT_WATER, Driver.SALINITY)


def world(**permits: object) -> World:
    """A ready world with the given permits (``top_off`` becomes ``top-off``)."""
    named = {name.replace("_", "-"): value for name, value in permits.items()}
    return World(tank(named)).ready()  # type: ignore[arg-type]


def test_starts_with_hold_because_nothing_is_known() -> None:
    """The first document after a start is a hold for starting."""
    start = World()
    start.change(link_up=True, clock_settled=True, alone=True, service=ServicePhase.IDLE)

    assert start.document()["state"] == "hold"
    assert start.document()["first_reason"] == "starting"


def test_permits_after_a_settled_reading_and_the_minimum_hold() -> None:
    """A permit comes one minimum hold after the first good judgement, without another message."""
    start = World()
    start.change(
        link_up=True,
        clock_settled=True,
        alone=True,
        service=ServicePhase.IDLE,
        level=LevelCondition.NORMAL,
    )
    start.now_s += 1
    start.read(interval_s=60.0)

    start.tick_until(START_S + 60.9)
    assert start.state == "hold"
    start.tick_until(START_S + 61)
    assert start.state == "permit"


def test_a_retained_situation_permits_nothing() -> None:
    """A reading taken before the start never permits, however good it looks."""
    start = World()
    start.change(link_up=True, clock_settled=True, alone=True, service=ServicePhase.IDLE)
    start.read(probe_at_s=START_S - 1)
    start.healthy(300, probe_at_s=START_S - 1)

    assert not start.permitted


def test_a_permit_is_a_lease_renewed_each_third() -> None:
    """Every document of a permit expires with its lease and is renewed in time."""
    ready = world(top_off=permit(lease_s=90))
    ready.outputs.clear()
    ready.healthy(300)
    issued = [output for output in ready.outputs if isinstance(output, Publish)]

    assert [round(b.at_s - a.at_s, 3) for a, b in pairwise(issued)] == [30.0] * (len(issued) - 1)
    assert all(
        output.expires_after_s == 90 and output.perishable and output.retain for output in issued
    )


def test_hold_is_retained_without_expiry() -> None:
    """A hold stays on the broker for whoever asks later."""
    ready = world(top_off=permit())
    (hold,) = (o for o in ready.read(Cause.DILUTION) if isinstance(o, Publish))

    assert hold.retain
    assert hold.expires_after_s is None


HOLDS: list[tuple[str, Callable[[World], object]]] = [
    ("link", lambda w: w.change(link_up=False)),
    ("clock", lambda w: w.change(clock_settled=False)),
    ("another-daemon", lambda w: w.change(alone=False)),
    ("service", lambda w: w.change(service=ServicePhase.ACTIVE)),
    ("settling", lambda w: w.change(service=ServicePhase.SETTLING)),
    ("starting", lambda w: w.read(settled=False)),
    ("starting", lambda w: w.change(assessment=None)),
    ("stale", lambda w: w.tick_until(w.now_s + 80)),
    ("level-high", lambda w: w.change(level=LevelCondition.HIGH)),
    ("level-silent", lambda w: w.change(level=LevelCondition.UNKNOWN)),
    ("dilution", lambda w: w.read(Cause.DILUTION)),
    ("exposed", lambda w: w.read(Cause.EXPOSED)),
    ("silent", lambda w: w.read(Cause.SILENT)),
    ("dilution", lambda w: w.read(findings=((Cause.NONE, 0.65), (Cause.DILUTION, 0.35)))),
    ("out-of-band", lambda w: w.read(salinity_psu=32.99)),
    ("shutdown", lambda w: w.gates.shut_down(w.now_s)),
]


@pytest.mark.parametrize(("reason", "happens"), HOLDS)
def test_every_doubt_ends_a_level_driven_permit_at_once(
    reason: str, happens: Callable[[World], object]
) -> None:
    """The gate holds in the very call that brings the doubt, and names it first."""
    ready = world(top_off=permit())
    assert ready.permitted

    happens(ready)

    assert not ready.permitted
    assert ready.gates.status[0].first_reason == reason


@pytest.mark.parametrize(
    "cause",
    [
        Cause.BUBBLES,
        Cause.INTERFERENCE,
        Cause.ADJACENT_PROBE,
        Cause.COMPENSATION,
        Cause.DRIFT,
        Cause.PLUME,
        Cause.UNEXPLAINED,
        Cause.CONCENTRATION,
    ],
)
def test_a_disturbed_reading_does_not_hold_a_level_driven_top_off(cause: Cause) -> None:
    """A passing bubble must not let the level fall, but it holds what acts on salinity."""
    ready = world(top_off=permit(), dosing=SALINITY_DRIVEN)

    ready.read(cause)

    top_off, dosing = ready.gates.status
    assert top_off.permitted
    assert dosing.reasons == (cause,)


@pytest.mark.parametrize(
    ("reason", "changes"),
    [
        ("uncertain", {"salinity_psu": None}),
        ("uncertain", {"uncertainty_psu": 1.01}),
        ("uncertain", {"uncertainty_psu": float("nan")}),
        ("uncertain", {"quality": Quality.UNCERTAIN}),
        ("out-of-band", {"salinity_psu": 37.01}),
        ("out-of-band", {"salinity_psu": float("nan")}),
        ("temperature-band", {"temperature_c": 29.1}),
        ("stale", {"temperature_c": None}),
    ],
)
def test_a_salinity_driven_permit_needs_a_sure_reading_in_its_band(
    reason: str, changes: dict[str, Any]
) -> None:
    """Uncertain, out-of-band and stale readings hold what acts on the number."""
    ready = world(dosing=SALINITY_DRIVEN, top_off=permit())

    ready.read(**changes)

    assert ready.gates.status[0].reasons[0] == reason


def test_an_old_temperature_holds_what_relies_on_it() -> None:
    """A thermometer silent for an hour ends a salinity-driven permit, not a level-driven one."""
    ready = world(dosing=SALINITY_DRIVEN, top_off=permit())
    silent_since_s = ready.now_s
    ready.healthy(3590, temperature_at_s=silent_since_s)
    assert all(status.permitted for status in ready.gates.status)
    ready.healthy(20, temperature_at_s=silent_since_s)

    assert [status.permitted for status in ready.gates.status] == [False, True]
    assert ready.gates.status[0].first_reason == "stale"


def test_every_cause_holds_a_salinity_driven_permit() -> None:
    """No cause is forgotten in the defaults of a salinity-driven actuator."""
    for delivers in Delivers:
        assert default_causes(Driver.SALINITY, delivers) == set(Cause) - {Cause.NONE}


def test_starts_more_strictly_than_it_goes_on() -> None:
    """Inside the margin a permit goes on, but a hold does not end: no flutter at the limit."""
    ready = world(dosing=SALINITY_DRIVEN)
    ready.read(salinity_psu=36.95)
    assert ready.permitted
    ready.read(salinity_psu=37.05)
    assert not ready.permitted
    ready.healthy(300, salinity_psu=36.95)
    assert not ready.permitted
    ready.healthy(80, salinity_psu=36.85)
    assert ready.permitted


def test_no_flutter_under_a_noisy_condition() -> None:
    """A condition that comes and goes every half minute gives one hold, not one each time."""
    ready = world(dosing=SALINITY_DRIVEN)
    ready.outputs.clear()
    for _ in range(20):
        ready.healthy(30, Cause.BUBBLES)
        ready.healthy(30)

    changes = [record for record in ready.records() if record.kind == "permit"]
    assert len(changes) == 1


def test_the_first_reason_is_kept_until_the_next_permit() -> None:
    """First-out: later reasons do not hide what came first."""
    ready = world(top_off=permit())
    ready.read(Cause.DILUTION)
    ready.change(level=LevelCondition.HIGH)
    ready.read()
    assert ready.document()["reasons"] == ["level-high"]
    assert ready.document()["first_reason"] == "dilution"

    ready.change(level=LevelCondition.NORMAL)
    ready.healthy(80)
    assert ready.document()["first_reason"] is None


@pytest.mark.parametrize(("later_s", "first"), [(30.0, "bubbles"), (3600.0, "uncertain")])
def test_a_doubt_that_gets_its_name_is_told_by_it(later_s: float, first: str) -> None:
    """One odd reading holds, the next says why; a doubt of hours was another matter."""
    ready = world(dosing=SALINITY_DRIVEN)
    ready.read(quality=Quality.UNCERTAIN)
    assert ready.document("dosing")["first_reason"] == "uncertain"

    for _ in range(int(later_s / 30.0)):
        ready.tick_until(ready.now_s + 30.0)
        ready.read(quality=Quality.UNCERTAIN)
    ready.read(Cause.BUBBLES, quality=Quality.UNCERTAIN)

    assert ready.document("dosing")["reasons"] == ["bubbles"]
    assert ready.document("dosing")["first_reason"] == first


def test_a_stalled_loop_does_not_carry_a_permit_on() -> None:
    """When the lease has run out unrenewed, the next evaluation holds first."""
    ready = world(top_off=permit())
    ready.now_s += 91
    ready.read()

    assert ready.document()["first_reason"] == "lapsed"


def test_nothing_is_published_without_link_and_hold_comes_first_after_it() -> None:
    """After a lost link the first document is a hold, and a permit needs its minimum hold."""
    ready = world(top_off=permit())
    ready.outputs.clear()
    ready.change(link_up=False)
    ready.healthy(60)
    assert not ready.documents()

    ready.change(link_up=True)
    assert ready.state == "hold"
    ready.healthy(50)
    assert ready.state == "hold"
    ready.healthy(20)
    assert ready.state == "permit"


def test_a_restart_holds_and_starts_a_new_sequence() -> None:
    """A permit does not survive the daemon, its counters do."""
    ready = World(tank(metered=True)).ready()
    ready.litres(1.5)
    ready.restart(ready.gates.state, "9c01")
    ready.read()

    assert ready.document()["boot_id"] == "9c01"
    assert ready.document()["seq"] == 1
    assert ready.document()["state"] == "hold"
    assert ready.gates.state.gates["top-off"].run.litres_within(ready.now_s, 3600) == 1.5


def test_state_survives_json() -> None:
    """What is saved comes back the same through the shell's serialiser."""
    ready = World(tank(metered=True)).ready()
    ready.litres(1.5)
    adapter = TypeAdapter(GatesState)

    assert adapter.validate_json(adapter.dump_json(ready.gates.state)) == ready.gates.state


def test_a_run_that_is_too_long_ends_and_must_rest() -> None:
    """largest_run_s holds while running, without any message, and until it has rested."""
    ready = world(top_off=permit(largest_run_s=120))
    ready.equipment(on=True)
    ready.healthy(115)
    assert ready.permitted
    ready.healthy(10)
    assert ready.gates.status[0].first_reason == "run-time"
    assert "run-time" in ready.gates.status[0].troubles

    ready.equipment(on=False)
    ready.healthy(110)
    assert not ready.permitted
    ready.healthy(100)
    assert ready.permitted


def test_an_actuator_that_runs_on_after_hold_is_an_overrun() -> None:
    """Still on after hold and grace: latched until it stopped and somebody acknowledged."""
    ready = world(top_off=permit(overrun_grace_s=30))
    ready.equipment(on=True)
    ready.read(Cause.DILUTION)
    ready.healthy(29)
    assert "overrun" not in ready.gates.status[0].troubles
    ready.healthy(1)
    assert "overrun" in ready.gates.status[0].troubles

    ready.equipment(on=False)
    ready.healthy(300)
    assert ready.gates.status[0].reasons == ("overrun",)
    ready.gates.acknowledge("overrun-top-off")
    ready.healthy(80)
    assert ready.permitted


def test_an_acknowledged_overrun_still_holds_while_the_actuator_runs() -> None:
    """Acknowledging alone stops no pump."""
    ready = world(top_off=permit(overrun_grace_s=30))
    ready.equipment(on=True)
    ready.read(Cause.DILUTION)
    ready.healthy(60)
    ready.gates.acknowledge("overrun-top-off")
    ready.healthy(300)
    assert "overrun" in ready.gates.status[0].troubles

    ready.equipment(on=False)
    ready.healthy(80)
    assert ready.permitted


def test_a_report_from_before_a_lost_link_is_no_overrun() -> None:
    """What may have been missed while the link was down raises no false alarm."""
    ready = world(top_off=permit())
    ready.equipment(on=True)
    ready.change(link_up=False)
    ready.healthy(600)
    ready.change(link_up=True)
    ready.healthy(600)

    assert ready.permitted
    assert ready.gates.status[0].troubles == ()


def test_manual_work_in_service_is_no_overrun() -> None:
    """A pump switched by hand in service mode raises nothing."""
    ready = world(top_off=permit())
    ready.change(service=ServicePhase.ACTIVE)
    ready.equipment(on=True)
    ready.healthy(300)
    ready.equipment(on=False)
    ready.change(service=ServicePhase.IDLE)
    ready.healthy(80)

    assert ready.permitted


def test_water_metered_while_held_is_an_overrun() -> None:
    """A siphon runs without its pump, and is seen by the meter."""
    ready = World(tank(metered=True)).ready()
    ready.equipment(on=False)
    ready.read(Cause.DILUTION)
    ready.healthy(100, Cause.DILUTION)
    ready.litres(0.3)
    assert "overrun" not in ready.gates.status[0].troubles
    ready.litres(0.1)
    assert "overrun" in ready.gates.status[0].troubles


def test_an_acknowledged_overrun_counts_only_what_is_metered_afterwards() -> None:
    """Litres that were seen are no news; the next ones in the same hold are another overrun."""
    ready = World(tank(metered=True)).ready()
    ready.equipment(on=False)
    ready.read(Cause.DILUTION)
    ready.healthy(100, Cause.DILUTION)
    ready.litres(0.5)
    ready.litres(2.0)
    ready.gates.acknowledge("overrun-top-off")
    ready.healthy(600, Cause.DILUTION)
    assert not ready.permitted
    assert "overrun" not in ready.gates.status[0].troubles

    ready.litres(0.3)
    assert "overrun" not in ready.gates.status[0].troubles
    ready.litres(0.2)
    assert "overrun" in ready.gates.status[0].troubles


def test_after_an_acknowledged_overrun_the_next_run_of_the_same_hold_is_another() -> None:
    """Acknowledging forgives what was, not what comes."""
    ready = world(top_off=permit(overrun_grace_s=30))
    ready.read(Cause.DILUTION)
    ready.equipment(on=True)
    ready.healthy(40, Cause.DILUTION)
    ready.equipment(on=False)
    ready.gates.acknowledge("overrun-top-off")
    ready.healthy(10, Cause.DILUTION)
    assert "overrun" not in ready.gates.status[0].troubles

    ready.equipment(on=True)
    ready.healthy(40, Cause.DILUTION)
    assert "overrun" in ready.gates.status[0].troubles


PRECAUTION: dict[str, Any] = {"settled": False}
"""A reading that holds for nothing but `starting`."""


def _runs_on(ready: World) -> None:
    ready.equipment(on=True)
    ready.healthy(40, **PRECAUTION)


def test_an_overrun_in_a_hold_for_precaution_does_no_harm_yet() -> None:
    """It is latched like any other; running on for longer than a run may is harm."""
    ready = world(top_off=permit(overrun_grace_s=30, largest_run_s=300))
    _runs_on(ready)
    (status,) = ready.gates.status
    assert status.reasons == ("starting", "overrun")
    assert "overrun" in status.troubles
    assert not status.overrun_harms

    ready.healthy(250, **PRECAUTION)
    assert not ready.gates.status[0].overrun_harms
    ready.healthy(20, **PRECAUTION)
    assert ready.gates.status[0].overrun_harms


def test_an_overrun_does_harm_as_soon_as_more_water_does() -> None:
    """And goes on to do so; that somebody saw the lesser alarm does not let it go."""
    ready = world(top_off=permit(overrun_grace_s=30))
    _runs_on(ready)
    ready.gates.acknowledge("overrun-top-off")
    ready.change(level=LevelCondition.HIGH)
    ready.change(level=LevelCondition.NORMAL)
    assert ready.gates.status[0].overrun_harms

    ready.equipment(on=False)
    ready.healthy(300)
    assert ready.gates.status[0].reasons == ("overrun",)
    ready.gates.acknowledge("overrun-top-off")
    ready.healthy(80)
    assert ready.permitted


def test_an_actuator_that_runs_again_in_spite_of_the_latch_does_harm() -> None:
    """What it did twice it does not because a message was late."""
    ready = world(top_off=permit(overrun_grace_s=30))
    _runs_on(ready)
    ready.equipment(on=False)
    ready.healthy(60)
    assert not ready.gates.status[0].overrun_harms
    ready.equipment(on=True)
    ready.healthy(40)
    assert ready.gates.status[0].overrun_harms


def test_where_the_litres_are_used_up_an_overrun_does_harm() -> None:
    """Whatever began the hold."""
    allowed = permit(largest_litres_hour=2, overrun_grace_s=30)
    ready = World(tank({"top-off": allowed}, metered=True)).ready()
    ready.healthy(40, **PRECAUTION)
    ready.litres(0.5)
    assert "overrun" in ready.gates.status[0].troubles
    assert not ready.gates.status[0].overrun_harms
    ready.litres(1.6)
    assert ready.gates.status[0].overrun_harms


@pytest.mark.parametrize(
    ("delivers", "driven_by"),
    [
        (Delivers.DOSE, Driver.SCHEDULE),
        (Delivers.OTHER, Driver.LEVEL),
        # The test tank states no rate of salt water.
        (Delivers.SALT_WATER, Driver.SALINITY),
    ],
)
def test_an_overrun_that_nothing_measures_always_does_harm(
    delivers: Delivers, driven_by: Driver
) -> None:
    """Nothing would tell when it becomes too much."""
    ready = world(dosing=permit(delivers, driven_by, overrun_grace_s=30))
    _runs_on(ready)

    assert "overrun" in ready.gates.status[0].troubles
    assert ready.gates.status[0].overrun_harms


@pytest.mark.parametrize("cause", [cause for cause in Cause if cause is not Cause.NONE])
def test_an_overrun_in_a_hold_for_a_cause_does_harm(cause: Cause) -> None:
    """No cause is a mere precaution."""
    ready = world(top_off=permit(overrun_grace_s=30, held_by=(cause.value,)))
    ready.equipment(on=True)
    ready.healthy(40, cause)

    assert "overrun" in ready.gates.status[0].troubles
    assert ready.gates.status[0].overrun_harms


def test_a_restart_remembers_the_overrun_as_it_was() -> None:
    """Latched, and whether it did harm."""
    ready = world(top_off=permit(overrun_grace_s=30))
    _runs_on(ready)
    ready.restart(ready.gates.state, "8a40")
    ready.healthy(10, **PRECAUTION)

    assert "overrun" in ready.gates.status[0].troubles
    assert not ready.gates.status[0].overrun_harms


def test_metered_litres_are_bounded_by_the_hour_and_by_the_day() -> None:
    """Reaching a limit in litres holds until enough of it has passed out of the window."""
    allowed = permit(largest_litres_hour=2, largest_litres_day=3)
    ready = World(tank({"top-off": allowed}, metered=True)).ready()
    ready.litres(1.9)
    assert ready.permitted
    ready.litres(0.1)
    assert ready.gates.status[0].reasons == ("litres-hour",)
    ready.healthy(2 * 3600)
    assert ready.permitted
    ready.litres(1.0)
    assert ready.gates.status[0].reasons == ("litres-day",)
    ready.healthy(21 * 3600)
    assert not ready.permitted
    ready.healthy(4 * 3600)
    assert ready.permitted


def test_litres_are_timed_where_nothing_meters_them() -> None:
    """At 60 l/h, two litres are delivered in two minutes, and the hold comes by itself."""
    ready = world(top_off=permit(largest_litres_hour=2, largest_run_s=3600))
    ready.equipment(on=True)
    started_s = ready.now_s
    ready.tick_until(started_s + 29)
    ready.read()
    while ready.permitted:
        ready.healthy(5)

    assert ready.now_s - started_s == pytest.approx(120, abs=10)
    assert ready.gates.status[0].first_reason == "litres-hour"


def test_the_learned_evaporation_sets_the_budget() -> None:
    """With 4 l a day learned, 12 l a day (twice, plus 1 % of 400 l) are allowed, half an hour."""
    ready = World(tank({"top-off": permit(largest_litres_hour=50)}, metered=True)).ready()
    ready.read(evaporation_l_day=4.0)
    ready.litres(11.9)
    assert ready.permitted
    ready.litres(0.1)
    ready.read(evaporation_l_day=4.0)
    assert "litres-day" in ready.gates.status[0].reasons


def test_a_budget_is_never_less_than_what_tanks_usually_evaporate() -> None:
    """Of 400 l, 2 % evaporate on a warm day, whatever was learned: 8 l, and 4 l to catch up."""
    ready = World(tank({"top-off": permit(largest_litres_hour=50)}, metered=True)).ready()
    ready.read(evaporation_l_day=0.0)
    ready.litres(11.9)
    assert ready.permitted
    ready.litres(0.1)
    ready.read(evaporation_l_day=0.0)
    assert "litres-day" in ready.gates.status[0].reasons


def test_a_keeper_who_knows_that_less_evaporates_bounds_the_budget() -> None:
    """largest_evaporation_pct_day below the usual counts."""
    dry = replace(
        tank({"top-off": permit(largest_litres_hour=50)}, metered=True),
        plumbing=Plumbing(top_off_l_h=60, largest_evaporation_pct_day=1.0),
    )
    ready = World(dry).ready()
    ready.read(evaporation_l_day=0.0)
    ready.litres(4.0)
    ready.read(evaporation_l_day=0.0)
    assert "litres-day" in ready.gates.status[0].reasons


def test_a_pause_keeps_runs_apart() -> None:
    """smallest_pause_s forbids the next start, not the run."""
    ready = world(top_off=permit(smallest_pause_s=600))
    ready.equipment(on=True)
    ready.healthy(60)
    assert ready.permitted
    ready.equipment(on=False)
    assert ready.gates.status[0].reasons == ("pause",)
    ready.healthy(595)
    assert not ready.permitted
    ready.healthy(10)
    assert ready.permitted


def test_a_long_hold_is_a_trouble_of_its_own() -> None:
    """After three hours of hold, without any message, somebody is to look at the level."""
    ready = world(top_off=permit())
    ready.read(Cause.SILENT)
    ready.tick_until(ready.now_s + 10_799)
    assert "long-hold" not in ready.gates.status[0].troubles
    ready.tick_until(ready.now_s + 1)
    assert "long-hold" in ready.gates.status[0].troubles


def test_a_limit_that_nothing_counts_holds() -> None:
    """A configured limit is never silently ignored."""
    ready = world(dosing=permit(Delivers.DOSE, Driver.SCHEDULE, largest_litres_day=1))

    assert ready.gates.status[0].reasons == ("uncounted",)


def test_a_bypass_permits_for_a_time_and_says_so() -> None:
    """Bypass: visible, logged, and over by itself."""
    ready = world(top_off=permit())
    ready.read(Cause.DILUTION)
    ready.healthy(120, Cause.DILUTION)
    ready.outputs += ready.gates.bypass(ready.now_s, "top-off", 10, "measured by hand")
    ready.read(Cause.DILUTION)

    assert ready.state == "permit"
    assert ready.document()["bypass_until"] is not None
    assert ready.document()["bypassed"] == ["dilution"]
    assert any(record.data.get("why") == "measured by hand" for record in ready.records())

    ready.healthy(600, Cause.DILUTION)
    assert ready.state == "hold"
    assert ready.document()["bypass_until"] is None


def test_a_bypass_can_be_ended_early() -> None:
    """Zero minutes take a bypass back."""
    ready = world(top_off=permit())
    ready.read(Cause.DILUTION)
    ready.healthy(120, Cause.DILUTION)
    ready.gates.bypass(ready.now_s, "top-off", 10, "measured by hand")
    ready.evaluate()
    ready.gates.bypass(ready.now_s, "top-off", 0, "done")
    ready.evaluate()

    assert not ready.permitted


@pytest.mark.parametrize("minutes", [-1, 60.1, float("nan"), float("inf")])
def test_a_bypass_is_capped(minutes: float) -> None:
    """Longer than configured is refused, with what is accepted."""
    with pytest.raises(UserError, match=r"accepted is 0 \(end it\) up to 60"):
        world(top_off=permit()).gates.bypass(START_S, "top-off", minutes, "")


def test_a_bypass_of_an_unknown_permit_is_refused() -> None:
    """The answer names the permits there are."""
    with pytest.raises(UserError, match=r"no permit 'topoff'; accepted are top-off"):
        world(top_off=permit()).gates.bypass(START_S, "topoff", 1, "")


@pytest.mark.parametrize(
    ("reason", "happens"),
    [
        ("link", lambda w: w.change(link_up=False)),
        ("clock", lambda w: w.change(clock_settled=False)),
        ("another-daemon", lambda w: w.change(alone=False)),
        ("service", lambda w: w.change(service=ServicePhase.ACTIVE)),
        ("starting", lambda w: w.read(settled=False)),
        ("stale", lambda w: w.tick_until(w.now_s + 80)),
        ("level-high", lambda w: w.change(level=LevelCondition.HIGH)),
        ("litres-hour", lambda w: w.litres(11)),
        ("run-time", lambda w: (w.equipment(on=True), w.healthy(700, Cause.DILUTION))),
    ],
)
def test_a_bypass_covers_no_limit(reason: str, happens: Callable[[World], object]) -> None:
    """Limits, service, link and staleness hold through any bypass."""
    ready = World(tank(metered=True)).ready()
    ready.read(Cause.DILUTION)
    ready.healthy(120, Cause.DILUTION)
    ready.gates.bypass(ready.now_s, "top-off", 60, "measured by hand")
    ready.read(Cause.DILUTION)
    assert ready.permitted

    happens(ready)

    assert not ready.permitted
    assert reason in ready.gates.status[0].reasons


def test_an_unchanged_situation_costs_no_output() -> None:
    """A sample that changes nothing is answered with nothing."""
    ready = world(top_off=permit())
    ready.now_s += INTERVAL_S / 10

    assert ready.read() == []
