"""Numbers that hang: how long equal numbers may follow each other."""

from dataclasses import replace

import pytest

from bridge.core.learning import SensorLearning
from bridge.core.repeats import Repeats
from bridge.core.settings import ProbeUnit, Reports
from bridge.core.tank_state import TankState
from tests.core.engine_rig import PLAIN, Rig


class Sensor(SensorLearning):
    """A sensor of which everything is known: every other reading repeats the one before."""

    def __init__(self, *, coarse: bool) -> None:
        super().__init__(PLAIN.probe)
        self.rounding_psu = 0.1 if coarse else 1e-4
        self.state.noise_psu = 0.02

    @property
    def coarse(self) -> bool:
        """Whether rounding hides the noise."""
        return self.rounding_psu > 0.05

    @property
    def interval_s(self) -> float:
        """A reading a minute."""
        return 60.0

    def repeat_probability(self) -> float:
        """One half, so that chance alone allows two dozen."""
        return 0.5


def needed(*, coarse: bool, days: float) -> int:
    """Length at which a run counts as hanging, where runs of a hundred are usual."""
    state = TankState()
    state.longest_run, state.reported = 100.0, 34.9
    state.run_history = round(days * 1440)
    repeats = Repeats(state, Sensor(coarse=coarse))
    for length in range(1, 1000):
        repeats.follow(35.0)
        state.reported = 35.0
        if repeats.flat():
            return length
    raise AssertionError("a number that never moves again was not found to hang")


def test_a_coarse_number_may_rest_for_longer_than_a_fine_one() -> None:
    """How long a tenth lasts depends on where the water happens to lie between two of them."""
    fine, coarse = needed(coarse=False, days=3.0), needed(coarse=True, days=3.0)

    assert 200 < fine <= 260
    assert coarse > 1.4 * fine


def test_before_two_days_were_seen_a_coarse_number_may_rest_for_longer_still() -> None:
    """Runs follow the day of the tank; the first one has not shown the longest."""
    assert needed(coarse=True, days=1.0) > needed(coarse=True, days=3.0)
    assert needed(coarse=False, days=1.0) == needed(coarse=False, days=3.0)


CONDUCTIVITY = replace(
    PLAIN,
    probe=replace(PLAIN.probe, unit=ProbeUnit.MS_CM, reports=Reports.CONDUCTIVITY),
)
"""A probe that leaves the correction by temperature to the daemon."""


@pytest.mark.parametrize("warming_c", [-1.0, 1.0])
def test_a_hanging_number_under_a_moving_temperature_does_not_move_the_water(
    warming_c: float,
) -> None:
    """One degree makes 0.77 of a number that stands still; none of that is salt."""
    rig = Rig(CONDUCTIVITY)
    rig.run(1200, 53.07, noise_psu=0.01)
    before = rig.salinity["salinity"]
    for _ in range(60):
        rig.read(53.07, 25.0 + rig.rng.gauss(0.0, 0.01))
    assert rig.cause == "stuck"

    moved = []
    for minute in range(120):
        temperature_c = 25.0 + warming_c * min(minute / 60.0, 1.0)
        moved.append(rig.read(53.07, temperature_c, after_s=10.0)["salinity"])

    assert rig.cause == "stuck"
    assert max(abs(salinity - before) for salinity in moved) < 0.1
