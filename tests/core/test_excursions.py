"""Out of the band: what litres, runs of the top-off and trends say about whose fault it is."""

from dataclasses import replace

import pytest

from bridge.core.balance import Balance, Excursion
from bridge.core.blocks import Block, Blocks
from bridge.core.diagnosis_state import DiagnosisState
from bridge.core.estimator import Physics, WaterState
from bridge.core.excursions import Excursions
from bridge.core.findings import Cause
from bridge.core.inflow import Inflow
from bridge.core.settings import MeteredTopOff
from bridge.core.trends import Drift
from tests.core.engine_rig import PLAIN, START_S

METERED = replace(PLAIN, metered_top_off=MeteredTopOff(topic="litres"))
PHYSICS = Physics(0.0146, 0.01, -0.0146, 0.07, 0.008)
HOUR = int(START_S // 3600.0)


class Bench:
    """A metered tank with a band of 35.0 to 35.1 and undisturbed hours behind it."""

    def __init__(self, salinity_psu: float, *, hours: list[float] | None = None) -> None:
        self.state = DiagnosisState(
            water=WaterState(START_S, salinity_psu, 0.0146, 1e-6, 0.0, 1e-10)
        )
        self.blocks = Blocks(self.state.blocks)
        self.inflow = Inflow(METERED, self.state.inflow)
        self.balance = Balance(self.state.balance)
        band = self.state.balance
        band.low_psu, band.high_psu, band.band_hours = 35.0, 35.1, 96
        past = [35.05] * 48 if hours is None else hours
        for index, middle_psu in enumerate(past):
            block = Block(HOUR - len(past) + index)
            block.add(middle_psu, 25.0, middle_psu)
            self.state.blocks.finished.append(block)
        self.state.blocks.running = Block(HOUR)

    def weighed(self) -> tuple[Excursion, dict[Cause, float]]:
        """What is made of the water now, and the log odds it gives."""
        weigher = Excursions(METERED, self.state, PHYSICS, self.inflow, self.balance, self.blocks)
        odds = dict.fromkeys(Cause, -7.0)
        weigher.weigh(START_S, odds)
        return self.balance.excursion, odds


def test_litres_of_more_than_a_day_are_summed_from_the_hours() -> None:
    """Away for 40 hours with the usual half litre in each: nothing is lacking, nothing too much."""
    bench = Bench(34.6)
    bench.state.balance.left_low_s = START_S - 40.0 * 3600.0
    bench.state.balance.litres_day = 12.0
    for block in bench.state.blocks.finished:
        block.litres = 0.5
    for hour in range(24):
        # Single additions are remembered for a day.
        bench.inflow.litres(START_S - 3600.0 * (24 - hour) + 60.0, 0.5, 35.0)

    found, _ = bench.weighed()

    # The sixteen hours before that day hold 8 l, which are 0.7 in 400 l.
    assert found.expected_psu == pytest.approx(0.0, abs=0.08)


@pytest.mark.parametrize(("run_l", "expected_psu_h"), [(0.0, 0.25 / 9.5), (2.0, 0.076 / 9.5)])
def test_the_pace_of_a_fall_is_what_a_usual_run_of_the_top_off_does_not_make(
    run_l: float, expected_psu_h: float
) -> None:
    """Every healthy tank drops by a tooth within minutes; two litres in 400 make 0.174."""
    bench = Bench(34.8, hours=[35.05] * 6 + [34.8] * 3)
    bench.state.balance.left_low_s = START_S - 3.0 * 3600.0
    # As long ago as the oldest of the hours looked at.
    for index, block in enumerate(bench.state.blocks.finished):
        block.hour = HOUR - 10 + index + (index > 5)
    if run_l:
        bench.state.inflow.recent.append((START_S - 4.0 * 3600.0, run_l))
        bench.state.inflow.runs.append(START_S - 4.0 * 3600.0)

    bench.weighed()

    assert bench.state.balance.pace_psu_h == pytest.approx(expected_psu_h, rel=0.02)


def shares(drift_real: float, *, psu_per_day: float = 0.1, pace_psu_h: float = 0.0) -> float:
    """Log odds of concentration over drift, with a trend of days and what it is put down to."""
    bench = Bench(35.5)
    bench.state.balance.left_high_s = START_S - 48.0 * 3600.0
    bench.state.balance.pace_psu_h = pace_psu_h
    bench.state.drift = Drift(psu_per_day, 0.005, 7.0)
    bench.state.drift_real = drift_real
    _, odds = bench.weighed()
    return odds[Cause.CONCENTRATION] - odds[Cause.DRIFT]


def test_a_trend_of_days_that_leads_there_is_heard_as_well() -> None:
    """What litres and level said of a week counts for where that week has led."""
    assert shares(0.1) < shares(0.3) - 0.5
    assert shares(0.9) > shares(0.3) + 0.5


@pytest.mark.parametrize(("psu_per_day", "pace_psu_h"), [(-0.1, 0.0), (0.1, 0.2)])
def test_a_trend_that_leads_elsewhere_or_is_outrun_says_nothing(
    psu_per_day: float, pace_psu_h: float
) -> None:
    """It fell before the water rose, or the water moved as no trend does."""
    told, other = (
        shares(real, psu_per_day=psu_per_day, pace_psu_h=pace_psu_h) for real in (0.1, 0.9)
    )

    assert told == pytest.approx(other)
