"""Patience with a probe: long where messages get lost, short where they never do."""

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.learning import SensorLearning
from bridge.core.settings import Probe, ProbeUnit, Reports
from bridge.core.silence import (
    FALSE_SILENCE_S,
    FEWEST_MISSED,
    LATE_SHARE,
    MOST_MISSED,
    SHORTEST_PATIENCE_S,
    STARTING_S,
    Silence,
)
from bridge.core.tank_state import TankState
from bridge.core.thermometer import WaterThermometer

START_S = 1_772_366_400.0
PROBE = Probe(topic="probe", unit=ProbeUnit.MS_CM, reports=Reports.CONDUCTIVITY, interval_s=10.0)


def patience_s(missed_share: float, *, interval_s: float = 10.0) -> float:
    """How long after a message the probe counts as silent."""
    probe = Probe(
        topic="probe", unit=ProbeUnit.MS_CM, reports=Reports.CONDUCTIVITY, interval_s=interval_s
    )
    state = TankState(missed_share=missed_share, arrived_at_s=START_S)
    silence = Silence(state, SensorLearning(probe), WaterThermometer(None), START_S - 1e6)
    silence.expect()
    return silence.probe_s - START_S


def in_a_row(missed_share: float, interval_s: float) -> int:
    """Messages that are missing in a row when the patience is over."""
    missed = patience_s(missed_share, interval_s=interval_s) / interval_s - LATE_SHARE
    assert missed == pytest.approx(round(missed), abs=1e-4)
    return round(missed)


def test_two_missing_messages_are_a_silence_where_none_gets_lost() -> None:
    """One may be late or lost; before the third was due the silence is told."""
    assert FEWEST_MISSED == 2
    # A sum of Unix seconds keeps a quarter of a microsecond.
    assert patience_s(0.0) == pytest.approx(28.5, abs=1e-6)
    assert patience_s(1e-4) == pytest.approx(28.5, abs=1e-6)


@given(st.floats(1e-9, 0.5), st.sampled_from([5.0, 10.0, 60.0, 600.0]))
def test_losses_in_a_row_look_like_a_silence_once_a_year_at_most(
    missed_share: float, interval_s: float
) -> None:
    """Messages lost one by one make so many in a row that seldom, or the most is waited for."""
    missed = in_a_row(missed_share, interval_s)
    in_a_year = FALSE_SILENCE_S / interval_s * missed_share**missed

    assert FEWEST_MISSED <= missed <= MOST_MISSED
    assert in_a_year <= 1.0 + 1e-6 or missed == MOST_MISSED
    # And no longer than that takes.
    sooner = FALSE_SILENCE_S / interval_s * max(missed_share, 1e-6) ** (missed - 1)
    assert sooner > 1.0 - 1e-6 or missed == FEWEST_MISSED


def test_patience_grows_with_the_share_of_messages_that_is_missed() -> None:
    """On a bad radio link up to seven are waited for, by and by."""
    shares = [0.0, 1e-3, 0.01, 0.03, 0.1, 0.3, 0.5]
    waited_s = [patience_s(share) for share in shares]

    assert all(b >= a for a, b in pairwise(waited_s))
    assert len(set(waited_s)) >= 4
    assert waited_s[-1] == pytest.approx(10.0 * (MOST_MISSED + LATE_SHARE), abs=1e-6)


def test_a_probe_that_sends_every_half_second_is_not_given_up_in_a_blink() -> None:
    """A busy network takes some time, however fast the cadence."""
    assert patience_s(0.0, interval_s=0.5) == pytest.approx(SHORTEST_PATIENCE_S, abs=1e-6)


def test_right_after_the_start_a_probe_is_given_its_patience_anew() -> None:
    """What it said to an earlier run does not make it late in this one."""
    state = TankState(arrived_at_s=START_S - 500.0)
    silence = Silence(state, SensorLearning(PROBE), WaterThermometer(None), START_S)
    silence.expect()

    assert silence.probe_s == pytest.approx(START_S + 28.5, abs=1e-6)
    assert START_S + STARTING_S <= silence.silent_s <= silence.probe_s


def test_a_message_that_did_not_come_is_remembered() -> None:
    """A gap raises the share of missed messages, punctual ones lower it."""
    state = TankState()
    before = state.missed_share
    silence = Silence(state, SensorLearning(PROBE), WaterThermometer(None), START_S)

    silence.follow(40.0)
    raised = state.missed_share
    silence.follow(10.0)

    assert before < raised
    assert state.missed_share < raised
