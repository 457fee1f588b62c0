"""Engine time goes its way whatever is done to the wall clock."""

from bridge.shell.clock import EngineClock


class Hands:
    """Two clocks to be moved by hand."""

    def __init__(self) -> None:
        self.steady = 50.0
        self.wall = 1_772_366_400.0

    def clock(self, speed: float = 1.0) -> EngineClock:
        """A clock on them."""
        return EngineClock(speed=speed, steady=lambda: self.steady, wall=lambda: self.wall)

    def pass_by(self, seconds: float) -> None:
        """Time goes on."""
        self.steady += seconds
        self.wall += seconds


def test_starts_at_wall_time_and_never_steps() -> None:
    """Setting the wall clock an hour back or forth does not move engine time."""
    hands = Hands()
    clock = hands.clock()
    hands.pass_by(10.0)
    hands.wall -= 3600.0
    hands.pass_by(5.0)

    assert clock.now_s() == 1_772_366_415.0


def test_steps_are_told_once_with_their_size() -> None:
    """Each jump of the wall clock is reported once, either way."""
    hands = Hands()
    clock = hands.clock()
    hands.pass_by(10.0)
    assert clock.wall_step_s() == 0.0
    hands.wall += 3600.0
    assert clock.wall_step_s() == 3600.0
    assert clock.wall_step_s() == 0.0
    hands.wall -= 7200.0
    hands.pass_by(1.0)
    assert clock.wall_step_s() == -7200.0


def test_slow_drift_is_no_step() -> None:
    """A clock that is slewed by 0.05 % for a day is not stepped."""
    hands = Hands()
    clock = hands.clock()
    for _ in range(86_400):
        hands.pass_by(1.0)
        hands.wall += 0.0005
        assert clock.wall_step_s() == 0.0


def test_speed() -> None:
    """With speed 60 a real second is a minute, and a minute lasts a real second."""
    hands = Hands()
    clock = hands.clock(speed=60.0)
    hands.pass_by(2.0)

    assert clock.now_s() == 1_772_366_520.0
    assert clock.real_s(60.0) == 1.0


def test_engine_time_goes_on_where_it_had_got_to() -> None:
    """A wall clock that is behind an earlier run costs a first step, not a step back in time."""
    steady, wall = [100.0], [5_000.0]
    clock = EngineClock(not_before_s=8_600.0, steady=lambda: steady[0], wall=lambda: wall[0])

    assert clock.now_s() == 8_600.0
    assert clock.wall_step_s() == -3_600.0
    assert clock.wall_step_s() == 0.0
    assert clock.dated_s() == 5_000.0
    steady[0] += 10.0
    wall[0] += 10.0 + 7_200.0
    assert clock.wall_step_s() == 7_200.0
    assert clock.now_s() == 8_610.0
    assert clock.dated_s() == 12_210.0


def test_wall_clock_ahead_of_an_earlier_run_is_no_step() -> None:
    """Time that passed while nothing ran is ordinary time."""
    clock = EngineClock(not_before_s=10.0, steady=lambda: 0.0, wall=lambda: 5_000.0)

    assert clock.now_s() == clock.dated_s() == 5_000.0
    assert clock.wall_step_s() == 0.0
