"""The water thermometer: followed closely, and not believed when it says what water cannot do."""

import random
from collections.abc import Callable
from math import isfinite, pi, sin

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from bridge.core.thermometer import ThermometerState, WaterThermometer

START_S = 1_772_366_400.0


class Pool:
    """A thermometer in some water."""

    def __init__(self, *, interval_s: float = 30.0, step_c: float = 0.01, seed: int = 1) -> None:
        self.thermometer = WaterThermometer(None)
        self.rng = random.Random(seed)
        self.interval_s, self.step_c = interval_s, step_c
        self.at_s = START_S
        self.water: Callable[[float], float] = lambda _hours: 25.0

    @property
    def water_c(self) -> float:
        """The truth."""
        return self.water((self.at_s - START_S) / 3600.0)

    def read(self, celsius: float | None = None, *, noise_c: float = 0.01) -> None:
        """One reading of the water, or of what is given."""
        self.at_s += self.interval_s
        true_c = self.water_c if celsius is None else celsius
        value = true_c + self.rng.gauss(0.0, noise_c)
        self.thermometer.reading(self.at_s, round(round(value / self.step_c) * self.step_c, 6))

    def run(self, readings: int, celsius: float | None = None, *, noise_c: float = 0.01) -> None:
        """Several."""
        for _ in range(readings):
            self.read(celsius, noise_c=noise_c)

    @property
    def usable_c(self) -> float:
        """The temperature that compensation would use now."""
        usable = self.thermometer.usable(self.at_s)
        assert usable is not None
        return usable


def test_nothing_is_usable_before_the_first_reading() -> None:
    """No temperature is assumed."""
    assert WaterThermometer(None).usable(START_S) is None


def test_a_daily_swing_is_followed() -> None:
    """A swing of 1.5 C over the day is followed to 0.03 C, which is 0.02 S."""
    pool = Pool()
    pool.water = lambda hours: 25.0 + 0.75 * sin(2.0 * pi * hours / 24.0)
    worst = 0.0
    for index in range(24 * 120):
        pool.read()
        if index > 20:
            worst = max(worst, abs(pool.usable_c - pool.water_c))

    assert worst < 0.03
    assert not pool.thermometer.dry


def test_a_heater_is_water_and_not_a_fault() -> None:
    """Half a degree an hour up and down every quarter of an hour never looks dry."""
    pool = Pool()
    pool.water = lambda hours: 25.0 + 0.5 * (0.25 - abs(hours % 0.5 - 0.25))
    for _ in range(6 * 120):
        pool.read()
        assert not pool.thermometer.dry
    assert pool.usable_c == pytest.approx(pool.water_c, abs=0.05)


@pytest.mark.parametrize("room_c", [18.0, 21.0, 23.5, 30.0])
def test_a_thermometer_in_the_air_is_noticed_and_the_water_kept(room_c: float) -> None:
    """A jump to room temperature is dry at its second reading; the last good one goes on."""
    pool = Pool()
    pool.run(60)

    pool.run(2, room_c)

    assert pool.thermometer.dry
    assert pool.usable_c == pytest.approx(25.0, abs=0.15)


def test_a_slow_cooling_in_the_air_does_not_carry_the_water_along() -> None:
    """A probe that dries in minutes is held, too: water does not cool by 4 C in 20 minutes."""
    pool = Pool()
    pool.run(60)
    for index in range(40):
        pool.read(21.0 + 4.0 * 0.9**index)

    assert pool.thermometer.dry
    assert pool.usable_c > 24.4


def test_back_in_the_water_it_is_believed_as_soon_as_it_rests() -> None:
    """The first good reading may be one on its way through; the second ends the exposure."""
    pool = Pool()
    pool.run(60)
    pool.run(10, 20.0)

    pool.read()
    assert pool.thermometer.dry
    pool.read()

    assert not pool.thermometer.dry
    assert pool.usable_c == pytest.approx(25.0, abs=0.1)


def test_one_odd_reading_is_not_a_dry_thermometer() -> None:
    """A single glitch neither names a fault nor moves the temperature."""
    pool = Pool()
    pool.run(60)

    pool.run(1, 60.0)
    pool.run(1, 20.0)

    assert not pool.thermometer.dry
    assert pool.usable_c == pytest.approx(25.0, abs=0.1)


def test_the_first_odd_reading_is_sudden_the_second_is_dry() -> None:
    """One alone counts only together with the probe; two are enough by themselves."""
    pool = Pool()
    pool.run(60)
    seen = [(pool.thermometer.sudden, pool.thermometer.dry)]
    for celsius in (21.0, 21.0, 25.0, 25.0):
        pool.read(celsius)
        seen.append((pool.thermometer.sudden, pool.thermometer.dry))

    assert seen == [(False, False), (True, False), (True, True), (True, True), (False, False)]


@pytest.mark.parametrize("step_c", [0.01, 0.1, 0.5])
def test_healthy_water_is_never_sudden(step_c: float) -> None:
    """A heater that switches every quarter of an hour, read in fine steps and in coarse ones."""
    pool = Pool(step_c=step_c)
    pool.water = lambda hours: 25.0 + 0.5 * (0.25 - abs(hours % 0.5 - 0.25))
    for _ in range(6 * 120):
        pool.read()
        assert not pool.thermometer.sudden


def test_a_new_temperature_that_stays_is_accepted_in_the_end() -> None:
    """A cold water change of 2 C is the water's own after three quarters of an hour."""
    pool = Pool()
    pool.run(60)
    pool.run(80, 23.0)
    assert pool.thermometer.dry

    pool.run(15, 23.0)

    assert not pool.thermometer.dry
    assert pool.usable_c == pytest.approx(23.0, abs=0.1)


def test_a_probe_that_contradicts_it_delays_that() -> None:
    """While the probe makes sense with the temperature held, the odd one is not accepted."""
    pool = Pool()
    pool.run(60)
    for _ in range(300):
        pool.read(20.0)
        pool.thermometer.refute(pool.at_s, confirmed=False)

    assert pool.thermometer.dry
    assert pool.usable_c == pytest.approx(25.0, abs=0.15)


@pytest.mark.parametrize("step_c", [0.1, 0.5])
def test_coarse_steps_are_recognised_and_no_fault(step_c: float) -> None:
    """A display in tenths or halves of a degree is learned as such, and its steps are no jumps."""
    pool = Pool(step_c=step_c)
    pool.water = lambda hours: 25.0 + 0.75 * sin(2.0 * pi * hours / 24.0)
    for _ in range(24 * 120):
        pool.read(noise_c=0.02)
        assert not pool.thermometer.dry

    assert pool.thermometer.resolution_c == pytest.approx(step_c, rel=0.01)
    assert pool.usable_c == pytest.approx(pool.water_c, abs=0.75 * step_c)
    # Half a step stands: the stated doubt is of that size.
    assert 0.1 * step_c < pool.thermometer.sd_c < step_c


def test_the_temperature_serves_for_a_quarter_of_an_hour_and_no_longer() -> None:
    """Water keeps its temperature for a while; then nothing is better than an old number."""
    pool = Pool()
    pool.run(60)

    assert pool.thermometer.usable(pool.at_s + 890.0) is not None
    assert pool.thermometer.usable(pool.at_s + 910.0) is None


@pytest.mark.parametrize("gap_h", [0.5, 2.0, 6.0, 24.0, 24.0 * 30])
def test_after_a_gap_of_any_length_it_works_as_before(gap_h: float) -> None:
    """Hours or weeks without a reading leave a filter that follows and states a sane doubt."""
    pool = Pool()
    pool.run(60)
    pool.at_s += gap_h * 3600.0
    pool.water = lambda _hours: 25.6
    pool.run(60)

    assert pool.usable_c == pytest.approx(25.6, abs=0.05)
    assert 0.0 < pool.thermometer.sd_c < 0.05


def test_cadence_is_learned_and_silence_counted_by_it() -> None:
    """Three missing readings are silence, however slow or quick the thermometer usually is."""
    for interval_s in (5.0, 60.0, 600.0):
        pool = Pool(interval_s=interval_s)
        pool.run(40)

        assert pool.thermometer.interval_s == pytest.approx(interval_s)
        silent_s = pool.thermometer.silent_at_s(START_S) - pool.at_s
        assert 3.0 * interval_s < silent_s <= 4.0 * interval_s


def test_an_impossible_number_is_no_reading() -> None:
    """Below -2 or above 45 C counts as a message without a usable number."""
    pool = Pool()
    pool.run(60)
    before = pool.thermometer.state.temperature_c
    for celsius in (-127.0, 85.0):
        pool.thermometer.reading(pool.at_s + 1.0, celsius)

    assert pool.thermometer.state.temperature_c == before
    assert pool.thermometer.state.invalid == 2


@given(
    st.lists(
        st.tuples(
            st.sampled_from([0.0, 1.0, 60.0, 3000.0, 20_000.0, 1e6]),
            st.floats(min_value=-2.0, max_value=45.0),
        ),
        max_size=40,
    ),
    st.integers(min_value=0, max_value=40),
)
def test_any_sequence_is_followed_the_same_across_a_restart(
    readings: list[tuple[float, float]], cut: int
) -> None:
    """Whatever comes, the numbers stay proper, and saved and restored they are the same."""
    straight, saved = WaterThermometer(None), WaterThermometer(None)
    adapter = TypeAdapter(ThermometerState)
    at_s = START_S
    for index, (after_s, celsius) in enumerate(readings):
        at_s += after_s
        straight.reading(at_s, celsius)
        if index == cut:
            saved = WaterThermometer(None, adapter.validate_json(adapter.dump_json(saved.state)))
        saved.reading(at_s, celsius)

        assert saved.state == straight.state
        assert isfinite(straight.sd_c)
        assert straight.state.variance > 0.0
        usable = straight.usable(at_s)
        assert usable is None or -2.2 <= usable <= 45.2
