"""Slow judgements: the temperature's share and the drift, with uncertainties that hold."""

from math import pi, sin

import numpy as np
import pytest
from numpy.typing import NDArray
from statsmodels.regression.linear_model import GLSAR

from bridge.core.blocks import Block, Blocks, quantile
from bridge.core.trends import (
    PSU_PER_PCT_AT_35,
    TemperatureDependence,
    drift,
    regress,
    temperature_dependence,
)

FloatArray = NDArray[np.float64]
FIRST_HOUR = 492_324


class Days:
    """Hourly blocks of an invented tank that is topped up when it has climbed by a tooth."""

    def __init__(
        self,
        days: float,
        *,
        seed: int,
        psu_per_c: float = 0.0,
        drift_psu_day: float = 0.0,
        swing_c: float = 1.5,
        tooth_psu: float = 0.02,
        evaporation_psu_h: float = 0.0146,
        warm_drives: float = 0.0,
        light_drives: float = 0.0,
        noise_psu: float = 0.005,
        step_psu: float = 0.0,
        undone_psu_per_c: float = 0.0,
    ) -> None:
        rng = np.random.default_rng(seed)
        self.blocks: list[Block] = []
        water = 35.0
        offset = rng.uniform(0.0, 24.0)
        room = 0.0
        for hour in range(int(24 * days)):
            daily = sin(2.0 * pi * (hour - offset) / 24.0)
            room = 0.97 * room + rng.normal(0.0, 0.05)
            celsius = 25.0 + 0.5 * swing_c * daily + room
            lit = 1.0 if daily > 0.0 else 0.0
            rate = evaporation_psu_h * (
                1.0 + warm_drives * (celsius - 25.0) + light_drives * (lit - 0.5)
            )
            start = water
            water += max(rate, 0.0)
            fallen = 0.0
            while water - 35.0 > tooth_psu:
                water -= tooth_psu
                fallen += tooth_psu
            # The hour's mean lies half a fall above its end, and half a rise below.
            mean = 0.5 * (start + water)
            probe = mean + psu_per_c * (celsius - 25.0) + drift_psu_day * hour / 24.0
            block = Block(FIRST_HOUR + hour)
            block.samples = 60
            block.probe_psu = probe + rng.normal(0.0, noise_psu)
            if step_psu > 0.0:
                # What the device shows is rounded, and only then is its compensation undone.
                undone = undone_psu_per_c * (celsius - 25.0)
                within = np.linspace(start, water, 60) - mean
                shown = block.probe_psu - undone + within + rng.normal(0.0, noise_psu, 60)
                shown = np.round(shown / step_psu) * step_psu
                block.probe_psu = float(shown.mean()) + undone
                for number in shown:
                    block.sent(float(number))
                block.step_psu, block.noise_psu = step_psu, noise_psu
                block.undone_psu_per_c = undone_psu_per_c
            block.temperature_c = celsius + rng.normal(0.0, 0.01)
            block.low_psu, block.high_psu = min(start, water), max(start, water)
            block.fallen_psu, block.lit_share = fallen, lit
            self.blocks.append(block)


def z(found: TemperatureDependence, psu_per_c: float) -> float:
    """Error in stated standard uncertainties."""
    return abs(found.psu_per_c - psu_per_c) / found.standard_uncertainty_psu_per_c


@pytest.mark.parametrize("rho", [0.3, 0.6, 0.85])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_regression_is_that_of_statsmodels(seed: int, rho: float) -> None:
    """Coefficients and uncertainties equal those of statsmodels' GLSAR.

    statsmodels estimates the autocorrelation by Yule-Walker; the two iterations differ by less
    than a tenth of the uncertainty.
    """
    rng = np.random.default_rng(seed)
    count = 240
    noise = np.zeros(count)
    for index in range(1, count):
        noise[index] = rho * noise[index - 1] + rng.normal(0.0, 0.02)
    when = np.arange(count, dtype=float)
    columns = np.column_stack([np.ones(count), when - when.mean(), np.sin(2 * np.pi * when / 24)])
    values = columns @ np.array([35.0, 2e-4, 0.05]) + noise

    coefficients, uncertainties = regress(columns, values)
    model = GLSAR(values, columns, rho=1)
    expected = model.iterative_fit(maxiter=10)

    assert np.all(np.abs(coefficients - expected.params) < 0.1 * expected.bse + 1e-12)
    assert uncertainties == pytest.approx(expected.bse, rel=0.1)


def test_what_is_not_determined_has_no_certainty() -> None:
    """Two equal regressors leave an infinite uncertainty, not a number out of the blue."""
    when = np.arange(50.0)
    _, uncertainties = regress(np.column_stack([when, when]), when)

    assert np.all(np.isinf(uncertainties))


@pytest.mark.parametrize("psu_per_c", [-0.08, 0.0, 0.05])
@pytest.mark.parametrize("tooth_psu", [0.02, 0.15, 0.4])
def test_the_dependence_is_recovered_within_its_uncertainty(
    psu_per_c: float, tooth_psu: float
) -> None:
    """Over ten tanks the error is a few stated uncertainties at most, whatever the saw-tooth."""
    errors = []
    for seed in range(10):
        days = Days(7, seed=seed, psu_per_c=psu_per_c, tooth_psu=tooth_psu)
        found = temperature_dependence(days.blocks, 35.0)
        assert found is not None
        errors.append(z(found, psu_per_c))

    assert max(errors) < 4.0
    assert sorted(errors)[5] < 2.0


@pytest.mark.parametrize("seed", range(6))
def test_the_coefficient_is_right_to_half_a_tenth_after_five_days(seed: int) -> None:
    """A coefficient that is 0.15 %/C too high shows as such, to 0.05, with a 1.5 C swing."""
    wrong_pct = 0.15
    days = Days(5, seed=seed, psu_per_c=wrong_pct * PSU_PER_PCT_AT_35)

    found = temperature_dependence(days.blocks, 35.0)

    assert found is not None
    assert found.pct_per_c == pytest.approx(wrong_pct, abs=0.05)
    assert found.z > 4.0


@pytest.mark.parametrize("tooth_psu", [0.02, 0.15, 0.4])
@pytest.mark.parametrize(("warm_drives", "light_drives"), [(0.3, 0.0), (0.0, 0.6), (0.2, 0.4)])
def test_a_light_that_warms_and_evaporates_does_not_feign_a_coefficient(
    tooth_psu: float, warm_drives: float, light_drives: float
) -> None:
    """Evaporation that follows lamp and warmth is not taken for a wrong coefficient."""
    for seed in range(8):
        days = Days(
            8,
            seed=seed,
            tooth_psu=tooth_psu,
            warm_drives=warm_drives,
            light_drives=light_drives,
        )
        found = temperature_dependence(days.blocks, 35.0)

        assert found is not None
        # Reported from a size that matters and from z = 4 on.
        assert abs(found.pct_per_c) < 0.06 or abs(found.z) < 4.0


@pytest.mark.parametrize("days", [4, 6, 10])
@pytest.mark.parametrize("undone_psu_per_c", [-0.08, -0.03, 0.03, 0.08])
@pytest.mark.parametrize("step_psu", [0.05, 0.132])
def test_rounding_feigns_no_coefficient(
    step_psu: float, undone_psu_per_c: float, days: int
) -> None:
    """A number in coarse steps hides the device's compensation, and undoing it feigns nothing.

    0.0001 of specific gravity is 0.132 in salinity. What a linear coefficient of 1.8 to 2.2 %/°C
    leaves to be undone is within 0.08 per degree.
    """
    for seed in range(6):
        blocks = Days(
            days,
            seed=seed,
            swing_c=2.3,
            noise_psu=0.006,
            step_psu=step_psu,
            undone_psu_per_c=undone_psu_per_c,
        ).blocks
        found = temperature_dependence(blocks, 35.0)

        assert found is not None
        # Reported from a size that matters and from z = 4 on.
        assert abs(found.pct_per_c) < 0.06 or abs(found.z) < 4.0


@pytest.mark.parametrize("undone_psu_per_c", [-0.08, 0.08])
@pytest.mark.parametrize("wrong_pct", [-0.2, 0.15])
def test_fine_rounding_hides_no_coefficient(wrong_pct: float, undone_psu_per_c: float) -> None:
    """In steps of 0.01 a wrong coefficient is found as sharply as without any rounding."""
    for seed in range(4):
        blocks = Days(
            5,
            seed=seed,
            psu_per_c=wrong_pct * PSU_PER_PCT_AT_35,
            step_psu=0.01,
            undone_psu_per_c=undone_psu_per_c,
        ).blocks
        found = temperature_dependence(blocks, 35.0)

        assert found is not None
        assert found.pct_per_c == pytest.approx(wrong_pct, abs=0.05)
        assert abs(found.z) > 4.0


def test_a_coarse_number_that_the_device_compensates_well_hides_none() -> None:
    """A device that reports salinity leaves nothing to be undone: steps of 0.1 do no harm."""
    blocks = Days(5, seed=1, psu_per_c=0.08, swing_c=2.0, noise_psu=0.03, step_psu=0.1).blocks

    found = temperature_dependence(blocks, 35.0)

    assert found is not None
    assert found.psu_per_c == pytest.approx(0.08, abs=0.05 * PSU_PER_PCT_AT_35)
    assert found.z > 4.0


def test_hours_in_which_the_number_is_stuck_do_not_count() -> None:
    """Twelve hours stuck every other day, while the water warms: undoing feigns no coefficient."""
    undone = 0.08
    for seed in range(6):
        days = Days(6, seed=seed, step_psu=0.01, undone_psu_per_c=undone)
        for first in range(30, 140, 48):
            stuck = days.blocks[first]
            number = stuck.number
            for block in days.blocks[first : first + 12]:
                block.number, block.moved = number, False
                warmer_c = block.temperature_c - stuck.temperature_c
                block.probe_psu = stuck.probe_psu + undone * warmer_c
        found = temperature_dependence(days.blocks, 35.0)

        assert found is not None
        assert abs(found.pct_per_c) < 0.06 or abs(found.z) < 4.0


@pytest.mark.parametrize("change_psu", [-1.1, 0.6])
def test_another_level_after_a_water_change_is_no_dependence(change_psu: float) -> None:
    """Hours before and after a change that was estimated wrongly are not set against each other."""
    for seed in range(6):
        days = Days(6, seed=seed, psu_per_c=0.06)
        for block in days.blocks[70:]:
            block.probe_psu += change_psu
        found = temperature_dependence(days.blocks, 35.0)

        assert found is not None
        assert found.psu_per_c == pytest.approx(0.06, abs=0.05 * PSU_PER_PCT_AT_35)


def test_no_swing_no_judgement() -> None:
    """Too short a history, or too steady a temperature, gives none at all."""
    assert temperature_dependence(Days(2, seed=1).blocks, 35.0) is None
    assert temperature_dependence([], 35.0) is None
    steady = Days(8, seed=1, swing_c=0.0).blocks
    for block in steady:
        block.temperature_c = 25.0
    assert temperature_dependence(steady, 35.0) is None


@pytest.mark.parametrize("psu_day", [-0.03, 0.0143, 0.03])
def test_a_drift_is_recovered_within_its_uncertainty(psu_day: float) -> None:
    """A tenth a week, either way, shows within two weeks with its sign and size."""
    for seed in range(6):
        found = drift(Days(14, seed=seed, drift_psu_day=psu_day).blocks, None)

        assert found is not None
        assert abs(found.psu_per_day - psu_day) < 4.0 * found.standard_uncertainty_psu_per_day
        assert found.psu_per_day == pytest.approx(psu_day, abs=0.004)
        assert found.total_psu == pytest.approx(psu_day * 13.0, abs=0.05)


def test_a_healthy_fortnight_does_not_drift() -> None:
    """Over twenty tanks with a saw-tooth the slope is never far from nothing."""
    scores = [
        abs(found.z)
        for seed in range(20)
        if (found := drift(Days(14, seed=seed, tooth_psu=0.15).blocks, None)) is not None
    ]

    assert len(scores) == 20
    # Reported from z = 5 on.
    assert max(scores) < 5.0


def test_a_season_is_not_a_drift() -> None:
    """Water that warms by 2 C over a fortnight with a wrong coefficient is taken out beforehand."""
    days = Days(14, seed=3, psu_per_c=0.08)
    for index, block in enumerate(days.blocks):
        warmer = 2.0 * index / len(days.blocks)
        block.temperature_c += warmer
        block.probe_psu += 0.08 * warmer
    dependence = temperature_dependence(days.blocks[-240:], 35.0)
    assert dependence is not None

    corrected, raw = drift(days.blocks, dependence), drift(days.blocks, None)

    assert corrected is not None
    assert raw is not None
    assert abs(corrected.total_psu) < 0.4 * abs(raw.total_psu)


def test_few_days_are_no_drift() -> None:
    """Three days are not enough to call anything slow."""
    assert drift(Days(3, seed=1).blocks, None) is None
    assert drift([], None) is None


# ---------------------------------------------------------------------- hourly blocks


def test_hours_roll_over_and_only_good_ones_count() -> None:
    """An hour ends with the first sample of the next; an hour without good samples is left out."""
    blocks = Blocks()
    for hour in (0, 1, 3):
        block, rolled = blocks.at(3600.0 * hour + 10.0)
        assert rolled is (hour > 0)
        if hour != 1:
            block.add(35.0, 25.0, 35.0)
            block.add(35.2, 25.2, 35.1)
    blocks.at(3600.0 * 4)

    good = blocks.recent(24)

    assert [b.hour for b in good] == [0, 3]
    assert good[0].probe_psu == pytest.approx(35.1)
    assert (good[0].low_psu, good[0].high_psu) == (35.0, 35.1)
    assert blocks.recent(24, skip=2) == good[:1]


def test_a_known_change_moves_the_memory_along() -> None:
    """After a water change the remembered hours are as if it had always been so."""
    blocks = Blocks()
    blocks.at(0.0)[0].add(35.0, 25.0, 35.0)
    blocks.at(3600.0)[0].add(35.0, 25.0, 35.0)
    blocks.shift(-0.5)
    blocks.at(7200.0)

    assert [b.probe_psu for b in blocks.recent(24)] == [34.5, 34.5]


def test_litres_are_counted_by_whole_days() -> None:
    """The running day does not count, and a day with many missing hours neither."""
    blocks = Blocks()
    for hour in range(24 * 4 + 1):
        if 24 <= hour < 34:
            continue
        blocks.at(3600.0 * hour)[0].litres += 0.5

    assert blocks.litres_by_day() == [12.0, 12.0]


def test_the_quantile_is_numpys() -> None:
    """Linear interpolation; numbers that are not finite do not count."""
    rng = np.random.default_rng(1)
    values = rng.normal(size=37).tolist()
    for share in (0.0, 0.1, 0.5, 0.93, 1.0):
        assert quantile([*values, float("nan")], share) == pytest.approx(
            float(np.quantile(values, share))
        )
    with pytest.raises(ValueError, match="at least one"):
        quantile([float("nan")], 0.5)
