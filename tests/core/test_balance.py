"""Is the water itself off? The band, the excursions, and whose fault they are."""

import random

import pytest

from bridge.core.balance import Added, Balance, BalanceState, Excursion
from bridge.core.blocks import Block

START_S = 1_772_366_400.0
SLOPE_PSU_H = 0.0146


def hours(count: int, *, low: float = 35.0, high: float = 35.1, seed: int = 1) -> list[Block]:
    """Undisturbed hours of a tank whose salinity saws between two values."""
    rng = random.Random(seed)
    blocks = []
    for index in range(count):
        block = Block(index)
        for _ in range(10):
            value = rng.uniform(low, high)
            block.add(value, 25.0, value)
        blocks.append(block)
    return blocks


def banded(state: BalanceState | None = None) -> Balance:
    """A balance that has learned a band of 35.0 to 35.1 over two days."""
    balance = Balance(state)
    balance.hourly(hours(48), 0.35)
    return balance


def excursion(
    *steps: tuple[float, float],
    added: Added | None = None,
    level: float | None = None,
    sd: float = 0.005,
) -> Excursion:
    """What is made of a path of (hours, salinity)."""
    balance = banded()
    if level is not None:
        for index in range(200):
            balance.level(START_S - 3600.0, 100.0 + (index % 5) - 2.0)
        balance.hourly(hours(48), 0.35)
        balance.level(START_S, level)
    for hour, salinity in steps:
        found = balance.judge(
            START_S + 3600.0 * hour, salinity, sd * sd, SLOPE_PSU_H, added, reported=False
        )
    return found


def fall(size_psu: float, in_h: float) -> tuple[tuple[float, float], ...]:
    """A steady fall from the band, in steps of a minute at least."""
    count = max(int(60 * in_h), 2)
    return tuple((in_h * n / count, 35.0 - size_psu * n / count) for n in range(count + 1))


def rise(size_psu: float, in_h: float) -> tuple[tuple[float, float], ...]:
    """A steady rise above the band."""
    count = max(int(60 * in_h), 2)
    return tuple((in_h * n / count, 35.1 + size_psu * n / count) for n in range(count + 1))


def test_before_a_band_is_known_nothing_is_an_excursion() -> None:
    """An engine that has just started calls no salinity off."""
    found = Balance().judge(START_S, 20.0, 1e-6, SLOPE_PSU_H, None, reported=False)

    assert (found.dilution, found.concentration) == (0.0, 0.0)


def test_the_band_is_what_the_undisturbed_hours_showed() -> None:
    """Between the edges of the saw-tooth nothing is off."""
    balance = banded()

    assert balance.state.low_psu == pytest.approx(35.0, abs=0.02)
    assert balance.state.high_psu == pytest.approx(35.1, abs=0.02)
    for salinity in (35.01, 35.05, 35.09):
        found = balance.judge(START_S, salinity, 1e-5, SLOPE_PSU_H, None, reported=False)
        assert max(found.dilution, found.concentration) < 0.01


def test_a_tank_that_is_topped_up_once_a_day_may_climb_for_a_day() -> None:
    """While little was seen, the first band leaves room for a day without top-off."""
    first = Balance()
    first.start(35.0, 0.35)
    short = Balance()
    short.hourly(hours(10, low=35.0, high=35.05), 0.35)

    assert first.state.high_psu == pytest.approx(35.35)
    assert short.state.high_psu == pytest.approx(35.35, abs=0.02)


@pytest.mark.parametrize("size_psu", [0.25, 0.3, 1.0])
def test_a_quick_fall_out_of_the_band_is_dilution(size_psu: float) -> None:
    """A quarter below the band within the hour is found, and is the water: drift is slower."""
    found = excursion(*fall(size_psu, 0.5))

    assert found.dilution > 0.9
    assert found.concentration == pytest.approx(0.0, abs=1e-6)
    assert found.real_share > 0.9


def test_a_climb_at_the_pace_of_evaporation_is_concentration() -> None:
    """0.35 a day above the band is a top-off that has stopped."""
    found = excursion(*rise(0.35, 24.0))

    assert found.concentration > 0.9
    assert found.real_share > 0.8


def test_a_slow_fall_is_rather_the_probe() -> None:
    """0.3 within a week, with nothing else known, is more likely drift than water."""
    found = excursion(*fall(0.3, 24.0 * 7))

    assert found.dilution > 0.9
    assert found.real_share < 0.5


def test_litres_that_explain_a_fall_make_it_real() -> None:
    """However slowly it went: what was added beyond the usual is the fall."""
    surplus = Added(fall_psu=0.55, usual_psu=0.25, sd_psu=0.05)

    assert excursion(*fall(0.3, 24.0 * 2), added=surplus).real_share > 0.9


def test_litres_that_contradict_a_fall_make_it_the_probe() -> None:
    """No more than the usual was added, so that the water cannot have fallen."""
    usual = Added(fall_psu=0.05, usual_psu=0.05, sd_psu=0.02)

    found = excursion(*fall(0.4, 4.0), added=usual)

    assert found.expected_psu == pytest.approx(0.0)
    assert found.real_share <= 0.1


def test_a_reservoir_run_dry_is_told_from_a_probe_that_drifts_up() -> None:
    """A climb without litres is real; with the usual litres running on it is the probe."""
    dry = excursion(*rise(0.35, 24.0), added=Added(0.0, 0.35, 0.07))
    drifting = excursion(*rise(0.35, 24.0), added=Added(0.35, 0.35, 0.07))

    assert dry.real_share >= 0.9
    assert drifting.real_share <= 0.15


@pytest.mark.parametrize(("size", "level"), [(0.15, 110.0), (-0.15, 90.0)])
def test_the_level_makes_it_sooner_and_surer(size: float, level: float) -> None:
    """Water in surplus with a fall, or missing with a climb, is found at a smaller excursion."""
    path = fall(size, 0.4) if size > 0 else rise(-size, 10.0)
    alone, told = excursion(*path), excursion(*path, level=level)

    assert max(alone.dilution, alone.concentration) < 0.9
    assert max(told.dilution, told.concentration) > 0.9
    assert told.real_share >= 0.95


def test_the_level_is_counted_in_its_own_usual_swing() -> None:
    """Unknown while little was seen; then in units of the usual swing, whatever the unit."""
    balance = banded()
    assert balance.level_deviation() is None
    for index in range(100):
        balance.level(START_S, 100.0 + (index % 5) - 2.0)
    assert balance.level_deviation() is None
    balance.hourly(hours(48), 0.35)
    balance.level(START_S, 108.0)

    deviation = balance.level_deviation()
    assert deviation is not None
    assert 3.0 < deviation < 5.0


def test_doubt_about_the_estimate_widens_the_margin() -> None:
    """A quarter outside the band says little while the estimate is unsure by as much."""
    assert excursion(*fall(0.25, 0.5), sd=0.2).dilution < 0.1


def test_an_excursion_ends_later_than_it_began() -> None:
    """A cause that is reported does not flicker while the water lingers at the margin."""
    balance = banded()
    for reported, lowest in ((False, 0.0), (True, 0.9)):
        found = balance.judge(START_S, 35.0 - 0.12, 1e-6, SLOPE_PSU_H, None, reported=reported)
        assert found.dilution >= lowest
    assert found.dilution > 0.9


def test_while_the_water_is_off_its_band_does_not_follow() -> None:
    """A failure that lasts for days does not become the normal state."""
    balance = banded()
    balance.judge(START_S, 34.0, 1e-6, SLOPE_PSU_H, None, reported=False)
    balance.hourly(hours(96, low=34.0, high=34.1), 0.35)

    assert balance.state.low_psu == pytest.approx(35.0, abs=0.02)


def test_a_change_on_purpose_moves_the_band_along() -> None:
    """After a water change that lowers the tank by 0.5 nothing is off at 34.55."""
    balance = banded()
    balance.judge(START_S, 34.5, 1e-6, SLOPE_PSU_H, None, reported=False)
    balance.shift(-0.5)

    found = balance.judge(START_S, 34.55, 1e-6, SLOPE_PSU_H, None, reported=False)

    assert found.dilution < 0.01
    assert balance.state.left_low_s is None


def test_the_usual_litres_are_the_median_of_the_last_days() -> None:
    """One day of a stuck pump does not make its litres usual."""
    balance = banded()
    balance.usual_litres([4.0])
    assert balance.state.litres_day is None

    balance.usual_litres([4.1, 40.0, 4.0, 3.9, 4.2])

    assert balance.state.litres_day == pytest.approx(4.1)
