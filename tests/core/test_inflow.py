"""Fresh water that runs in: metered, timed by its pump, or known to nobody."""

from dataclasses import replace
from math import exp

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from bridge.core.inflow import ASSUMED_TOP_OFF_SHARE_H, RATE_SLACK, Inflow, InflowState
from bridge.core.settings import Plumbing, Tank
from tests.core.engine_rig import FULL, PLAIN, START_S

PUMPED = replace(FULL, metered_top_off=None)
METERED = replace(PLAIN, metered_top_off=FULL.metered_top_off)
HOUR_S = 3600.0


def test_metered_litres_make_the_change_that_dilution_makes() -> None:
    """4 l of fresh water into 400 l at 35 lower it by 35 * 4 / 404."""
    inflow = Inflow(METERED)

    assert inflow.litres(START_S, 4.0, 35.0) == pytest.approx(-35.0 * 4.0 / 404.0)
    assert inflow.litres_since(START_S - 1.0) == 4.0
    assert inflow.litres_since(START_S + 1.0) == 0.0
    assert inflow.litres(START_S, 0.0, 35.0) == 0.0


def test_an_addition_reaches_the_probe_as_it_mixes() -> None:
    """After one mixing time 1 - 1/e of the change is there, in the end all of it."""
    inflow = Inflow(METERED)
    inflow.advance(START_S, 35.0)
    whole = inflow.litres(START_S, 4.0, 35.0)

    first = inflow.advance(START_S + 480.0, 35.0).known_psu
    total = first
    for index in range(2, 30):
        total += inflow.advance(START_S + 480.0 * index, 35.0).known_psu

    assert first == pytest.approx(whole * (1.0 - exp(-1.0)))
    assert total == pytest.approx(whole, abs=2e-5)


def test_a_pump_is_timed() -> None:
    """Without a meter the litres are running time by the plumbing's rate, told when it stops."""
    inflow = Inflow(PUMPED)

    assert inflow.pump(START_S, on=True) == 0.0
    inflow.advance(START_S + 300.0, 35.0)
    assert inflow.litres_since(START_S) == pytest.approx(5.0)
    assert inflow.running_s(START_S + 300.0) == 300.0
    assert inflow.pump(START_S + 600.0, on=False) == pytest.approx(10.0)
    assert inflow.litres_since(START_S) == pytest.approx(10.0)
    assert inflow.running_s(START_S + 700.0) == 0.0


def test_repeated_reports_of_the_same_state_count_once() -> None:
    """A pump that is reported on every minute is one run."""
    inflow = Inflow(PUMPED)
    for minute in range(6):
        inflow.pump(START_S + 60.0 * minute, on=True)
    litres = inflow.pump(START_S + 360.0, on=False)

    assert litres == pytest.approx(6.0)
    assert inflow.pump(START_S + 420.0, on=False) == 0.0
    assert len(inflow.state.runs) == 1


def test_a_meter_wins_over_the_pumps_time() -> None:
    """Where litres are metered, the pump's time adds nothing."""
    inflow = Inflow(FULL)
    inflow.pump(START_S, on=True)

    assert inflow.pump(START_S + 600.0, on=False) == 0.0
    assert inflow.litres_since(START_S) == 0.0


@pytest.mark.parametrize(
    ("tank", "fall_psu_h"),
    [
        # The contract's own example: 60 l/h into 400 l is 5.25 an hour, and pumps give more.
        (PLAIN, RATE_SLACK * 35.0 * 60.0 / 400.0),
        (replace(PLAIN, plumbing=Plumbing()), RATE_SLACK * 35.0 * ASSUMED_TOP_OFF_SHARE_H),
        (
            replace(PLAIN, plumbing=Plumbing(top_off_l_h=60.0, flow_through_psu_h=0.5)),
            RATE_SLACK * 35.0 * 60.0 / 400.0 + 0.5,
        ),
    ],
)
def test_the_fastest_possible_fall_follows_from_the_plumbing(tank: Tank, fall_psu_h: float) -> None:
    """S f / V an hour, with slack for the pump's label, and more only for outside water."""
    change = Inflow(tank).advance(START_S, 35.0)

    assert change.fastest_fall_psu_h == pytest.approx(fall_psu_h)


def test_the_fastest_possible_rise_is_evaporation_and_salt_water() -> None:
    """5 % a day of evaporation at most, and whatever an automatic salt-water change can do."""
    plain = Inflow(PLAIN).advance(START_S, 35.0).fastest_rise_psu_h
    changed = replace(PLAIN, plumbing=Plumbing(salt_water_l_h=4.0))
    with_salt = Inflow(changed).advance(START_S, 35.0).fastest_rise_psu_h

    assert plain == pytest.approx(35.0 * 0.05 / 24.0)
    assert with_salt == pytest.approx(plain + 35.0 * 4.0 / 400.0)


def test_what_is_known_decides_how_likely_unseen_water_is() -> None:
    """Likely while the pump runs, hardly when it is known to be off, in between when unknown."""
    running, off, unknown = Inflow(PUMPED), Inflow(PUMPED), Inflow(PLAIN)
    for inflow in (running, off, unknown):
        inflow.advance(START_S, 35.0)
    running.pump(START_S, on=True)
    off.pump(START_S, on=False)

    likely = running.advance(START_S + 60.0, 35.0).fall_prior
    hardly = off.advance(START_S + 60.0, 35.0).fall_prior
    perhaps = unknown.advance(START_S + 60.0, 35.0).fall_prior

    assert hardly < perhaps < likely


def test_an_addition_is_active_until_it_has_mixed() -> None:
    """For three mixing times after the last litres, no longer."""
    inflow = Inflow(METERED)
    inflow.litres(START_S, 1.0, 35.0)

    assert inflow.active(START_S + 3.0 * 480.0 - 1.0)
    assert not inflow.active(START_S + 3.0 * 480.0 + 1.0)


def test_a_dip_right_after_a_rare_addition_is_its_plume() -> None:
    """The odds are high after a rare run, low between runs, higher still if runs dipped before."""
    inflow = Inflow(METERED)
    began_s = START_S - 24.0 * HOUR_S
    idle = inflow.plume_odds(START_S, began_s)
    inflow.litres(START_S, 1.0, 35.0)
    rare = inflow.plume_odds(START_S + 60.0, began_s)
    for run in range(1, 30):
        inflow.litres(START_S + 2400.0 * run, 1.0, 35.0)
    often = inflow.plume_odds(START_S + 2400.0 * 29 + 60.0, began_s)
    for run in range(30, 34):
        inflow.dipped()
        inflow.litres(START_S + 2400.0 * run, 1.0, 35.0)
    dipping = inflow.plume_odds(START_S + 2400.0 * 33 + 60.0, began_s)

    assert idle < 0.1
    assert rare > 10.0
    assert often < rare
    assert dipping > 3.0 * often


def test_only_the_last_day_is_remembered() -> None:
    """A month of runs leaves a day's worth in memory."""
    inflow = Inflow(METERED)
    for hour in range(24 * 30):
        inflow.litres(START_S + HOUR_S * hour, 0.5, 35.0)

    assert len(inflow.state.recent) <= 25
    assert len(inflow.state.runs) <= 25
    assert inflow.usual_run_l() == pytest.approx(0.5)


@given(
    st.lists(
        st.tuples(
            st.sampled_from([0.0, 5.0, 60.0, 1800.0, 1e6]),
            st.sampled_from(["on", "off", "litres", "advance"]),
        ),
        max_size=40,
    ),
    st.integers(min_value=0, max_value=40),
)
def test_any_history_is_told_the_same_across_a_restart(
    history: list[tuple[float, str]], cut: int
) -> None:
    """Known changes add up to the litres at most, and a restart changes nothing."""
    adapter = TypeAdapter(InflowState)
    straight, saved = Inflow(FULL), Inflow(FULL)
    at_s, expected, seen = START_S, 0.0, 0.0
    for index, (after_s, what) in enumerate(history):
        at_s += after_s
        if index == cut:
            saved = Inflow(FULL, adapter.validate_json(adapter.dump_json(saved.state)))
        for inflow in (straight, saved):
            if what == "litres":
                change = inflow.litres(at_s, 2.0, 35.0)
            elif what == "advance":
                change = inflow.advance(at_s, 35.0).known_psu
            else:
                inflow.pump(at_s, on=what == "on")
                change = 0.0
        expected += change if what == "litres" else 0.0
        seen += change if what == "advance" else 0.0

        assert saved.state == straight.state
        assert seen >= expected - 1e-4
        assert straight.running_s(at_s) >= 0.0
