"""Is the water itself off? The band, the excursions, and whose fault they are."""

import random
from collections.abc import Sequence

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
    settle(balance)
    return balance


def settle(
    balance: Balance,
    blocks: list[Block] | None = None,
    *,
    at_s: float = START_S,
    salinity_psu: float = 35.05,
    usual_swing: float = 5.0,
) -> None:
    """Let an hour be over, two quiet days lying behind."""
    balance.hourly(at_s, salinity_psu, hours(48) if blocks is None else blocks, 0.35, usual_swing)


def judged(
    balance: Balance,
    at_s: float,
    salinity_psu: float,
    *,
    sd: float = 0.001,
    pace_psu_h: float = 0.0,
    moved_psu: float = 1.0,
    tooth_psu: float = 0.0,
    spread_psu: float = 0.05,
    added: Added | None = None,
    reported: bool = False,
) -> Excursion:
    """What a balance makes of one estimate."""
    return balance.judge(
        at_s,
        salinity_psu,
        sd * sd,
        SLOPE_PSU_H,
        pace_psu_h,
        moved_psu,
        tooth_psu,
        spread_psu,
        added,
        reported=reported,
    )


def excursion(
    *steps: tuple[float, float],
    added: Added | None = None,
    level: float | None = None,
    sd: float = 0.005,
) -> Excursion:
    """What is made of a path of (hours, salinity)."""
    balance = banded()
    if level is not None:
        waves(balance)
        while abs((balance.state.level or 0.0) - level) > 0.5:
            # The same for some minutes: one wave is no level.
            balance.level(START_S, level, 1e6)
    for index, (hour, salinity) in enumerate(steps):
        found = judged(
            balance,
            START_S + 3600.0 * hour,
            salinity,
            sd=sd,
            # Over what was seen of the last half day, as the diagnosis measures it.
            pace_psu_h=pace(steps[: index + 1]),
            added=added,
        )
    return found


def pace(steps: Sequence[tuple[float, float]]) -> float:
    """How fast the salinity moved over the last half day; 0 before an hour was seen."""
    hour, salinity = steps[-1]
    since_h, since_psu = next(step for step in steps if step[0] >= hour - 12.0)
    return (salinity - since_psu) / (hour - since_h) if hour - since_h >= 1.0 else 0.0


def waves(balance: Balance, *, days: float = 2.0, at_s: float = START_S) -> None:
    """Some days of a level that swings by two about 100, the last of them just now."""
    for index in range(200):
        balance.level(at_s - 86400.0 * days * (1.0 - index / 200.0), 100.0 + (index % 5) - 2.0, 1e6)
    settle(balance, at_s=at_s)


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
    found = judged(Balance(), START_S, 20.0)

    assert (found.dilution, found.concentration) == (0.0, 0.0)


def test_the_band_is_what_the_undisturbed_hours_showed() -> None:
    """Between the edges of the saw-tooth nothing is off."""
    balance = banded()

    assert balance.state.low_psu == pytest.approx(35.0, abs=0.02)
    assert balance.state.high_psu == pytest.approx(35.1, abs=0.02)
    for salinity in (35.01, 35.05, 35.09):
        found = judged(balance, START_S, salinity)
        assert max(found.dilution, found.concentration) < 0.01


def test_a_tank_that_is_topped_up_once_a_day_may_climb_for_a_day() -> None:
    """While little was seen, the first band leaves room for a day without top-off."""
    first = Balance()
    first.start(35.0, 0.35)
    short = Balance()
    settle(short, hours(10, low=35.0, high=35.05))

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


def test_litres_that_explain_a_slow_fall_make_it_rather_the_water() -> None:
    """At the pace of drift only what was added beyond the usual speaks for the water."""
    surplus = Added(fall_psu=0.55, usual_psu=0.25, sd_psu=0.05)
    path = fall(0.3, 24.0 * 2)

    assert excursion(*path).real_share <= 0.1
    assert excursion(*path, added=surplus).real_share > 0.6


USUAL = Added(fall_psu=0.05, usual_psu=0.05, sd_psu=0.02)
"""No more than the usual was added."""


def test_litres_that_contradict_a_fall_make_it_the_probe() -> None:
    """No more than the usual was added in a day, so that the water has hardly fallen."""
    path = fall(0.4, 24.0)
    found = excursion(*path, added=USUAL)

    assert found.expected_psu == pytest.approx(0.0)
    assert found.real_share <= 0.1
    assert excursion(*path).real_share > 0.5


def test_no_litres_make_a_fall_drift_that_no_film_can_do() -> None:
    """0.4 in four hours is water, whatever the meter says: a jug has none."""
    path = fall(0.4, 4.0)

    assert excursion(*path, added=USUAL).real_share > 0.9
    # The same litres, at a pace that a film can just do, do count.
    assert excursion(*fall(0.4, 10.0), added=USUAL).real_share < 0.7


def test_what_came_quickly_and_stays_is_no_slow_drift() -> None:
    """The fastest pace of an excursion counts to its end, though the days since make it slow."""
    fell = fall(0.4, 2.0)
    rested = tuple((2.0 + hour, 34.6) for hour in range(1, 72))

    assert excursion(*fell, *rested).real_share > 0.9
    assert excursion(*fall(0.4, 73.0)).real_share < 0.5


def left_long_ago() -> Balance:
    """A balance whose water left the band two days ago."""
    balance = banded()
    balance.state.left_low_s = START_S - 48.0 * 3600.0
    return balance


def test_the_pace_of_an_excursion_that_is_over_is_forgotten() -> None:
    """The next one is judged by its own pace."""
    balance = left_long_ago()
    judged(balance, START_S, 34.6, pace_psu_h=-0.2)
    assert balance.state.pace_psu_h == pytest.approx(0.2)

    judged(balance, START_S + 3600.0, 35.05, pace_psu_h=0.45)
    assert balance.state.pace_psu_h == 0.0
    found = judged(balance, START_S + 7200.0, 34.9, pace_psu_h=-0.004)

    assert found.pace_psu_h < 0.2


@pytest.mark.parametrize(("size_psu", "pace_psu_h"), [(0.04, -0.5), (0.3, 0.5)])
def test_a_pace_counts_away_from_the_band_and_from_some_size_on(
    size_psu: float, pace_psu_h: float
) -> None:
    """Neither what hardly left the band nor the way back makes an excursion quick."""
    balance = left_long_ago()

    judged(balance, START_S, 35.0 - size_psu, pace_psu_h=pace_psu_h)

    assert balance.state.pace_psu_h == 0.0


def test_of_an_excursion_that_is_told_the_share_follows_within_hours() -> None:
    """Litres come in lumps: one litre more or less does not turn a finding at once."""
    contradicting = Added(fall_psu=0.0, usual_psu=0.0, sd_psu=0.05)
    balance = left_long_ago()
    told_first = judged(balance, START_S, 34.6, pace_psu_h=-0.02).real_share
    shares = [
        judged(
            balance, START_S + 1800.0 * (n + 1), 34.6, added=contradicting, reported=True
        ).real_share
        for n in range(48)
    ]

    assert told_first > 0.6
    assert shares[0] > told_first - 0.1
    assert shares == sorted(shares, reverse=True)
    assert shares[-1] < 0.2


def test_where_the_band_moves_past_the_water_the_water_was_there_for_a_day() -> None:
    """The band lags by a day: the water did not leave it just now, at whatever pace."""
    balance = banded()

    settle(balance, hours(60, low=35.3, high=35.4), salinity_psu=35.05)

    assert balance.state.low_psu == pytest.approx(35.3, abs=0.02)
    assert balance.state.left_low_s == START_S - 86400.0
    assert balance.state.left_high_s is None
    assert judged(balance, START_S, 35.05).pace_psu_h < 0.02


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
        balance.level(START_S - 200_000.0 + index, 100.0 + (index % 5) - 2.0, 1e6)
    assert balance.level_deviation() is None
    waves(balance)
    while (balance.state.level or 0.0) < 107.5:
        balance.level(START_S, 108.0, 1e6)

    deviation = balance.level_deviation()
    assert deviation is not None
    assert 3.0 < deviation < 5.0


def test_on_the_first_day_the_swing_of_the_level_is_assumed() -> None:
    """Still water has not shown how far a top-off lets it swing; after a day it has."""
    spreads = []
    for days in (0.5, 0.99, 1.01):
        balance = banded()
        for index in range(100):
            balance.level(START_S - 86400.0 * days * (1.0 - index / 100.0), 100.0, 1e6)
        settle(balance, usual_swing=5.0)
        spreads.append(balance.state.level_spread)

    assert spreads == [5.0, 5.0, 0.0]


def resting_pump(*, fill_units_h: float) -> list[float]:
    """How high the level stands, in its swings, while a return pump rests for half an hour.

    The water of the display drains back: the level leaps by 40 within two readings.
    """
    balance = banded()
    waves(balance)
    deviations = []
    for minute, level in enumerate([100.0] * 10 + [140.0] * 30 + [100.0] * 10):
        balance.level(START_S + 60.0 * minute, level, fill_units_h)
        deviations.append(balance.level_deviation() or 0.0)
    return deviations


def test_the_leap_of_a_level_when_a_return_pump_rests_is_no_surplus() -> None:
    """No top-off is so quick: 40 within a minute, where the pump makes 60 in an hour."""
    assert max(abs(deviation) for deviation in resting_pump(fill_units_h=60.0)) < 2.0
    # What additions could have done in the time is water.
    assert max(resting_pump(fill_units_h=6000.0)) > 10.0


def test_a_leap_that_lasts_is_the_level_as_it_is() -> None:
    """After two hours it is no feeding break: what stands there counts."""
    balance = banded()
    waves(balance)
    for minute in range(150):
        balance.level(START_S + 60.0 * minute, 140.0, 60.0)
        if minute == 110:
            assert abs(balance.level_deviation() or 0.0) < 2.0

    assert (balance.level_deviation() or 0.0) > 10.0


def test_what_runs_in_after_a_leap_is_seen_above_it() -> None:
    """A leap is taken off, not whatever comes after it."""
    balance = banded()
    waves(balance)
    for minute in range(100):
        balance.level(START_S + 60.0 * minute, 140.0 + 0.5 * minute, 60.0)

    assert (balance.level_deviation() or 0.0) > 5.0


def test_a_level_in_a_leap_does_not_become_normal() -> None:
    """The normal level is learned from what stands without it."""
    balance = banded()
    waves(balance)
    for second in range(0, 6000, 20):
        balance.level(START_S + second, 140.0, 60.0)
    settle(balance, at_s=START_S + 6000.0)

    assert balance.state.level_normal == pytest.approx(100.0, abs=2.0)


def test_doubt_about_the_estimate_widens_the_margin() -> None:
    """A quarter outside the band says little while the estimate is unsure by as much."""
    assert excursion(*fall(0.25, 0.5), sd=0.2).dilution < 0.1


def test_an_excursion_ends_later_than_it_began() -> None:
    """A cause that is reported does not flicker while the water lingers at the margin."""
    balance = banded()
    for reported, lowest in ((False, 0.0), (True, 0.9)):
        found = judged(balance, START_S, 35.0 - 0.12, reported=reported)
        assert found.dilution >= lowest
    assert found.dilution > 0.9


def test_while_the_water_is_off_its_band_does_not_follow() -> None:
    """A failure that lasts for days does not become the normal state."""
    balance = banded()
    judged(balance, START_S, 34.0)
    settle(balance, hours(96, low=34.0, high=34.1), salinity_psu=34.0)

    assert balance.state.low_psu == pytest.approx(35.0, abs=0.02)


def test_a_change_on_purpose_moves_the_band_along() -> None:
    """After a water change that lowers the tank by 0.5 nothing is off at 34.55."""
    balance = banded()
    judged(balance, START_S, 34.5)
    balance.shift(-0.5)

    found = judged(balance, START_S, 34.55)

    assert found.dilution < 0.01
    assert balance.state.left_low_s is None


def test_the_usual_litres_are_the_median_of_the_last_days() -> None:
    """One day of a stuck pump does not make its litres usual."""
    balance = banded()
    balance.usual_litres([])
    assert balance.state.litres_day is None

    # One full day behind the newest one is a habit already: better than the evaporation of a book.
    balance.usual_litres([4.0])
    assert balance.state.litres_day == pytest.approx(4.0)

    balance.usual_litres([4.1, 40.0, 4.0, 3.9, 4.2])

    assert balance.state.litres_day == pytest.approx(4.1)


def test_a_usual_run_of_the_top_off_is_no_brisk_fall() -> None:
    """A tooth that a drifting probe shows below its band is not taken for water that rushes in."""
    paces = []
    for tooth_psu in (0.0, 0.3):
        balance = banded()
        judged(balance, 0.0, 35.05, moved_psu=0.0)
        found = judged(balance, 1800.0, 34.8, moved_psu=-0.2, tooth_psu=tooth_psu)
        paces.append(found.pace_psu_h)

    assert paces[0] > 0.2
    assert paces[1] < paces[0]


# ---------------------------------------------------------------------- what the level says


def stand(balance: Balance, at_s: float, level: float) -> None:
    """The level is there from now on: some seconds of it, as one wave is no level."""
    for second in range(1, 41):
        balance.level(at_s + second, level, 1e6)


def risen(
    *,
    low_for_h: float | None,
    level: float,
    size_psu: float = 0.35,
    pace_psu_h: float = 0.0146,
    added: Added | None = None,
) -> Excursion:
    """A rise above the band, with the level where it is since so many hours."""
    balance = banded()
    waves(balance)
    since_s = START_S + 86400.0
    balance.state.left_high_s = START_S
    if low_for_h is not None:
        waves(balance, at_s=since_s - low_for_h * 3600.0)
    stand(balance, since_s - (low_for_h or 0.0) * 3600.0, level)
    stand(balance, since_s - 60.0, level)
    return judged(
        balance, since_s, 35.1 + size_psu, pace_psu_h=pace_psu_h, moved_psu=0.0, added=added
    )


def test_a_rise_under_a_level_that_stands_where_it_always_did_is_the_probe() -> None:
    """Salt does not evaporate: without missing water, and too slow for salt, the water stays."""
    untold = excursion(*rise(0.35, 24.0)).real_share

    assert untold > 0.8
    assert risen(low_for_h=None, level=100.0).real_share < 0.3
    # Water that is missing as much as the rise asks for makes it real, a first late hour as well.
    assert risen(low_for_h=1.0, level=90.0).real_share > untold


def test_the_level_is_no_witness_against_salt_that_was_poured_in() -> None:
    """0.4 in four hours is no film, and salt takes no water away."""
    assert risen(low_for_h=None, level=100.0, pace_psu_h=0.1).real_share > 0.6


def test_the_further_the_water_rose_the_more_of_it_has_to_be_missing() -> None:
    """A level that is a little low goes with a small rise, and is too little for a large one."""
    small, large = (
        risen(low_for_h=1.0, level=96.0, size_psu=size, pace_psu_h=0.0146).real_share
        for size in (0.13, 1.2)
    )

    assert large < small


USUAL_RUNS_ON = Added(fall_psu=0.35, usual_psu=0.35, sd_psu=0.05)


@pytest.mark.parametrize(("low_for_h", "missing"), [(1.5, False), (2.5, True)])
def test_water_is_missing_only_when_a_late_top_off_is_no_reason_any_more(
    low_for_h: float, *, missing: bool
) -> None:
    """For two hours it may just be late; then no litres that a meter tells outweigh the lack."""
    balance = banded()
    waves(balance)
    stand(balance, START_S, 92.0)
    now_s = START_S + low_for_h * 3600.0
    stand(balance, now_s - 60.0, 92.0)

    assert balance.missing(now_s) is missing
    # A sensor that fell silent with a low level tells nothing of the water a day later.
    assert not balance.missing(now_s + 86_400.0)
    found = risen(low_for_h=low_for_h, level=92.0, added=USUAL_RUNS_ON)
    assert (found.real_share >= 0.95) is missing


def test_a_top_off_that_came_after_all_ends_the_lack() -> None:
    """The level is back at its place: what was low before counts no more."""
    balance = banded()
    waves(balance)
    stand(balance, START_S, 92.0)
    stand(balance, START_S + 86300.0, 92.0)
    assert balance.missing(START_S + 86400.0)
    stand(balance, START_S + 86400.0, 100.0)

    assert not balance.missing(START_S + 86500.0)


def test_a_rise_with_a_top_off_overdue_is_the_water() -> None:
    """Between two top-offs every tank climbs; when none has come for two pauses, one failed."""
    path = rise(0.35, 24.0)
    waiting, overdue = (
        excursion(*path, added=Added(0.2, 0.25, 0.3, overdue=pauses)).real_share
        for pauses in (1.0, 2.0)
    )

    assert waiting < 0.6
    assert overdue > waiting + 0.2


# ---------------------------------------------------------------------- changes on purpose


def test_a_known_change_neither_restarts_an_excursion_nor_makes_it_brisk() -> None:
    """A water change that leaves the tank too fresh, as it has been for days, is no new fall."""
    balance = banded()
    balance.state.left_low_s = START_S - 48.0 * 3600.0
    balance.shift(-0.2)

    found = judged(balance, START_S, 34.5, moved_psu=-0.2)

    assert found.hours == pytest.approx(48.0)
    assert found.pace_psu_h < 0.03


# ---------------------------------------------------------------------- falls within hours


def wandering(count: int = 96, *, last: float = 35.4) -> list[Block]:
    """Days in which the water went from 34.5 to 35.5, and never by more than 0.1 in hours."""
    blocks = hours(count, low=-0.03, high=0.03)
    for block in blocks:
        middle = 34.5 + block.hour / count
        block.probe_psu += middle
        block.low_psu += middle
        block.high_psu += middle
    newest = blocks[-3:]
    for block in newest:
        block.low_psu, block.high_psu = last - 0.03, last + 0.03
    return blocks


def fallen_to(salinity_psu: float, *, from_psu: float = 35.4) -> Excursion:
    """A wide band, the last hours at one place, and the water now at another."""
    balance = banded()
    blocks = wandering(last=from_psu)
    settle(balance, blocks, salinity_psu=35.0)
    balance.falls(blocks, blocks[-3:], 0.35, watched=True)
    return judged(balance, START_S, salinity_psu)


def test_a_fall_larger_than_usual_is_told_although_the_band_is_wide() -> None:
    """A band with the traces of days in it holds what no few hours have ever done here."""
    assert fallen_to(34.75).dilution > 0.9
    # The same place, where the water has been for hours: that is what the band is for.
    assert fallen_to(34.75, from_psu=34.78).dilution < 0.1


def test_a_fall_back_to_the_middle_of_the_band_puts_right_what_was_wrong() -> None:
    """A late top-off takes the tank to where it usually is."""
    assert fallen_to(35.02).dilution < 0.1


def test_while_little_was_seen_a_day_of_evaporation_may_be_taken_back_at_once() -> None:
    """A top-off that comes once a day has been seen once in two days: it is no fault."""
    usual = []
    for count in (40, 96):
        balance = banded()
        blocks = wandering(count)
        balance.falls(blocks, blocks[-3:], 0.35, watched=True)
        usual.append(balance.state.usual_fall_psu or 0.0)

    assert usual[0] == pytest.approx(0.35)
    assert usual[1] < 0.35


def test_who_tops_off_by_hand_may_do_so_every_few_days() -> None:
    """Where nobody tells of additions, days have to pass before a fall can be an unusual one."""
    seen = []
    for watched in (True, False):
        balance = banded()
        blocks = wandering(60)
        balance.falls(blocks, blocks[-3:], 0.35, watched=watched)
        seen.append(balance.state.floor_psu is not None)

    assert seen == [True, False]


def test_a_rare_fall_becomes_usual_although_it_was_told() -> None:
    """A top-off every third day is a habit: it is not to be told for ever."""
    balance = banded()
    blocks = hours(96)
    for block in blocks[24:27] + blocks[90:93]:
        block.low_psu -= 0.7
        block.away = True
    balance.falls(blocks, blocks[-3:], 0.05, watched=False)

    assert (balance.state.usual_fall_psu or 0.0) > 0.6


def test_hours_of_long_ago_are_no_height_to_fall_from() -> None:
    """After days of silence nothing is known of the last few hours."""
    balance = banded()
    balance.falls(hours(96), [], 0.05, watched=True)

    assert balance.state.floor_psu is None


# ---------------------------------------------------------------------- a new norm


def stayed(
    count: int, *, at_psu: float = 34.5, real_share: float = 0.9, creep_psu: float = 0.0
) -> Balance:
    """A tank that left its band of 35.0 to 35.1 and has been away for so many hours."""
    balance = banded()
    balance.excursion.real_share = real_share
    blocks = hours(40 + count)
    for index, block in enumerate(blocks[40:]):
        moved = at_psu - 35.05 + creep_psu * index / count
        block.away = True
        block.probe_psu += moved
        block.low_psu += moved
        block.high_psu += moved
    balance.accept(blocks)
    return balance


def test_a_level_that_was_kept_for_a_day_is_accepted() -> None:
    """It was told for a day; what the keeper leaves as it is, is meant to be so."""
    kept = stayed(22).state

    assert kept.low_psu == pytest.approx(34.45, abs=0.03)
    assert kept.high_psu == pytest.approx(34.55, abs=0.03)
    assert judged(Balance(kept), START_S, 34.5).dilution < 0.05


@pytest.mark.parametrize(
    ("hours_away", "real_share", "creep_psu"),
    [(20, 0.9, 0.0), (22, 0.2, 0.0), (22, 0.9, 0.5)],
    ids=["too short", "a probe that drifts", "still on its way"],
)
def test_what_does_not_stay_or_is_not_the_water_makes_no_norm(
    hours_away: int, real_share: float, creep_psu: float
) -> None:
    """Less than a day, a probe that drifts, and water that goes on falling stay told."""
    balance = stayed(hours_away, real_share=real_share, creep_psu=creep_psu)

    assert balance.state.low_psu == pytest.approx(35.0, abs=0.02)
    assert judged(balance, START_S, 34.5).dilution > 0.9
