"""Patience with a probe: long where messages get lost, short where they never do."""

from math import log

from hypothesis import example, given
from hypothesis import strategies as st

from bridge.core.learning import SensorLearning
from bridge.core.settings import Probe, ProbeUnit, Reports
from bridge.core.silence import FEW_MISSED, FEWEST_INTERVALS, MOST_INTERVALS, Silence
from bridge.core.tank_state import TankState
from bridge.core.thermometer import WaterThermometer

START_S = 1_772_366_400.0
PROBE = Probe(topic="probe", unit=ProbeUnit.MS_CM, reports=Reports.CONDUCTIVITY, interval_s=10.0)


def patience_s(missed_share: float) -> float:
    """How long after a message the probe counts as silent."""
    state = TankState(missed_share=missed_share, arrived_at_s=START_S)
    silence = Silence(state, SensorLearning(PROBE), WaterThermometer(None), START_S - 1e6)
    silence.expect()
    return silence.probe_s - START_S


@given(st.floats(1e-9, 0.5))
@example(FEW_MISSED)
@example(FEW_MISSED * 1.0101)
def test_false_silence_is_as_rare_for_every_sensor(missed_share: float) -> None:
    """As many intervals as make losses in a row one in ten million, within the bounds."""
    in_a_row = 1.0 + log(1e-7) / log(missed_share)
    expected = 10.0 * min(max(in_a_row, FEWEST_INTERVALS), MOST_INTERVALS)

    # A sum of Unix seconds keeps a quarter of a microsecond.
    assert abs(patience_s(missed_share) - expected) < 1e-6


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
