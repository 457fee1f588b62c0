"""A high level holds while it stands, and no longer than the water needs to be back."""

from collections.abc import Iterable
from dataclasses import replace
from math import exp

import pytest

from bridge.core.balance import Balance, BalanceState
from bridge.core.level_watch import BACK_READINGS, BACK_S, ODD_LEVEL, LevelState, LevelWatch
from bridge.core.settings import Level
from bridge.core.situation import LevelCondition
from tests.core.engine_rig import PLAIN, Rig

START_S = 1_772_366_400.0
FILL_UNITS_H = 700.0
"""The top-off and its slack: 6 in half a minute."""
NORMAL, SWING = 100.0, 2.0


class Sump:
    """A watch over a sump whose level is usually 100, give or take 2."""

    def __init__(self, every_s: float = 30.0) -> None:
        """Learn what is usual, and have a quiet half hour."""
        usual = BalanceState(level_normal=NORMAL, level_spread=SWING)
        self.balance = Balance(usual)
        self.watch = LevelWatch(LevelState(), self.balance)
        self.every_s, self.now_s = every_s, START_S
        self.read([NORMAL] * 60)

    def read(self, levels: Iterable[float]) -> list[LevelCondition]:
        """One reading after the other; returns what was thought after each."""
        found = []
        for level in levels:
            self.now_s += self.every_s
            self.balance.level(self.now_s, level, FILL_UNITS_H)
            self.watch.reading(self.now_s, level)
            found.append(self.watch.condition(self.now_s))
        return found

    def feeding(
        self, drain: float = 32.0, *, late_s: float = 0.0, surplus: float = 0.0
    ) -> list[LevelCondition]:
        """The return pump rests for ten minutes: its water drains into the sump in the first few.

        Args:
            drain: How far that raises the level.
            late_s: Of the first reading, after the pump stopped.
            surplus: How far the level rises by the end because of water that runs in.
        """
        times_s = [late_s + index * self.every_s for index in range(int(600.0 / self.every_s))]
        return self.read(
            NORMAL + drain * (1.0 - exp(-at_s / 60.0)) + surplus * at_s / 600.0 for at_s in times_s
        )

    def refill(
        self, drain: float = 32.0, *, late_s: float = 0.0, surplus: float = 0.0, minutes: int = 30
    ) -> list[LevelCondition]:
        """The return pump runs again, and the display takes back what drained."""
        count = int(60.0 * minutes / self.every_s)
        times_s = [late_s + index * self.every_s for index in range(count)]
        return self.read(NORMAL + surplus + drain * exp(-at_s / 60.0) for at_s in times_s)


@pytest.mark.parametrize("every_s", [15.0, 30.0, 60.0])
@pytest.mark.parametrize("drain", [20.0, 26.0, 32.0, 45.0])
@pytest.mark.parametrize("late", [0.0, 0.3, 0.7])
def test_after_a_feeding_break_the_level_is_usual_within_minutes(
    every_s: float, drain: float, late: float
) -> None:
    """However its leap was seen, in one or in parts that look like additions."""
    sump = Sump(every_s)
    sump.feeding(drain)
    found = sump.refill(drain, late_s=late * every_s)

    # Down from 45 to two swings it drains for 145 s; then what it takes to be sure.
    usual_s = 145.0 + max(BACK_S, BACK_READINGS * every_s)
    assert set(found[int(usual_s / every_s) + 1 :]) == {LevelCondition.NORMAL}


def test_what_is_left_of_a_leap_holds_no_longer() -> None:
    """The smoothed level alone goes on to be high; the readings say otherwise."""
    left = 0
    for late_s in range(0, 30, 2):
        for drain in range(14, 46):
            sump = Sump()
            sump.feeding(drain, late_s=late_s)
            sump.refill(drain)
            left += (sump.balance.level_deviation() or 0.0) > ODD_LEVEL
            assert sump.watch.condition(sump.now_s) is LevelCondition.NORMAL

    # Else nothing was tested.
    assert left > 0


def test_a_level_that_stands_high_holds_as_long_as_it_stands() -> None:
    """Water that ran in slowly, for hours; single usual readings change nothing."""
    sump = Sump()
    sump.read(NORMAL + 0.5 * index for index in range(60))
    for _ in range(50):
        found = sump.read([130.0, 130.0, NORMAL, NORMAL, 130.0])
        assert set(found) == {LevelCondition.HIGH}


def test_waves_at_a_quick_sensor_do_not_lower_a_high_level() -> None:
    """Readings in a wave's trough, many of them, are not a minute."""
    sump = Sump(every_s=1.0)
    sump.read(NORMAL + 0.05 * index for index in range(600))
    for _ in range(20):
        found = sump.read([*[130.0] * 8, *[NORMAL] * 4])
        assert set(found) == {LevelCondition.HIGH}


@pytest.mark.parametrize("level", [0.0, 80.0, 105.0, 110.0])
def test_only_the_usual_level_ends_a_high_one(level: float) -> None:
    """A sensor that fails to nought, or a level still somewhat high, is no way back."""
    sump = Sump()
    sump.read(NORMAL + 0.5 * index for index in range(60))
    found = sump.read([level] * BACK_READINGS)

    assert set(found) == {LevelCondition.HIGH}


def test_what_is_left_of_a_leap_hides_no_surplus() -> None:
    """Three quarters of an hour after the break the level climbs, as a top-off lets it."""
    left = 0
    for late_s in range(0, 30, 2):
        for drain in range(14, 46):
            sump = Sump()
            sump.feeding(drain)
            sump.refill(drain, late_s=late_s)
            found = sump.read(NORMAL + 0.25 * index for index in range(60))
            left += (sump.balance.level_deviation() or 0.0) < ODD_LEVEL
            assert found[-1] is LevelCondition.HIGH

    # Else nothing was tested.
    assert left > 0


def test_what_ran_in_during_the_break_is_seen_after_it() -> None:
    """Ten swings of water that the top-off could have brought stand there when the pump runs."""
    sump = Sump()
    sump.feeding(surplus=20.0)
    found = sump.refill(surplus=20.0)

    assert set(found) == {LevelCondition.HIGH}


def test_a_level_is_judged_when_it_arrives() -> None:
    """No probe reading is needed for a hold, nor for its end."""
    level = Level(topic="level", normal=100.0)
    rig = Rig(replace(PLAIN, level=level))
    for _ in range(60):
        rig.send("level", 100.0, after_s=10.0)
        rig.read(35.0, after_s=0.0)
    assert rig.permit("top-off")["state"] == "permit"

    for index in range(20):
        rig.send("level", 100.0 + 2.5 * index, after_s=1.0)
    assert rig.permit("top-off")["reasons"] == ["level-high"]
