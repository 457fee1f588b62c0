"""What the bridge learns about a probe: cadence, noise, resolution and repeats."""

import random
import struct
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.learning import (
    LONGEST_INTERVAL_S,
    PRIOR_INTERVAL_S,
    PRIOR_NOISE_PSU,
    SensorLearning,
)
from bridge.core.settings import Probe, ProbeUnit, Reports


def probe(
    *,
    unit: ProbeUnit = ProbeUnit.PSU,
    resolution: float | None = None,
    interval_s: float | None = None,
) -> Probe:
    """A probe of a given unit, resolution and cadence."""
    return Probe(
        topic="probe",
        unit=unit,
        reports=Reports.SALINITY if unit is ProbeUnit.PSU else Reports.CONDUCTIVITY,
        resolution=resolution,
        interval_s=interval_s,
    )


def learn(sensor: SensorLearning, values: list[float], interval_s: float = 5.0) -> SensorLearning:
    """Feed salinities that are also the reported numbers."""
    for before, now in pairwise(values):
        sensor.interval(interval_s)
        sensor.reading(interval_s, now - before, now, before)
        if sensor.unscaled:
            sensor.scale(now, now)
    return sensor


def gaussian(noise_psu: float, count: int, seed: int, step_psu: float = 0.0) -> list[float]:
    """White noise around 35, rounded to a step when one is given."""
    rng = random.Random(seed)
    values = [35.0 + rng.gauss(0.0, noise_psu) for _ in range(count)]
    if step_psu:
        digits = 10
        values = [round(round(value / step_psu) * step_psu, digits) for value in values]
    return values


def test_priors_stand_until_there_is_enough_to_learn_from() -> None:
    """Before the first samples the stated priors hold and are marked as not learned."""
    sensor = SensorLearning(probe())

    assert sensor.interval_s == PRIOR_INTERVAL_S
    assert sensor.noise_psu == PRIOR_NOISE_PSU
    assert sensor.resolution is None
    assert not sensor.cadence_known
    assert not sensor.noise_known
    assert not sensor.repeats_known


@pytest.mark.parametrize("interval_s", [0.5, 1.0, 5.0, 60.0, 600.0])
def test_cadence_is_learned_through_drop_outs_and_gaps(interval_s: float) -> None:
    """A fifth of the messages lost and a gap of hours leave the usual interval as it is."""
    rng = random.Random(3)
    sensor = SensorLearning(probe())
    for number in range(400):
        lost = 0
        while rng.random() < 0.2:
            lost += 1
        sensor.interval(interval_s * (1 + lost) * rng.uniform(0.98, 1.02))
        if number % 100 == 50:
            sensor.interval(6 * 3600.0)

    assert sensor.interval_s == pytest.approx(interval_s, rel=0.05)
    assert sensor.upper_interval_s <= min(8 * interval_s, LONGEST_INTERVAL_S)
    assert sensor.late_s >= 3 * interval_s * 0.95


def test_a_changed_cadence_is_adopted_within_45_samples() -> None:
    """When the device is set from 5 s to 60 s, the new interval holds after three blocks."""
    sensor = SensorLearning(probe())
    for _ in range(300):
        sensor.interval(5.0)
    for _ in range(45):
        sensor.interval(60.0)

    assert sensor.interval_s == 60.0
    assert sensor.late_s >= 180.0


def test_an_irregular_cadence_widens_what_counts_as_late() -> None:
    """A device that sends on change, 1 s to 10 min apart, seldom counts as late."""
    rng = random.Random(5)
    sensor = SensorLearning(probe())
    late = 0
    for number in range(4000):
        interval_s = 600.0 ** rng.random()
        late += number > 1000 and interval_s > sensor.late_s
        sensor.interval(interval_s)

    assert late / 3000 < 0.02


@given(noise_psu=st.floats(0.003, 0.3), seed=st.integers(0, 10_000))
def test_noise_is_learned_within_a_third(noise_psu: float, seed: int) -> None:
    """Five hundred samples of white noise give its standard deviation."""
    sensor = learn(SensorLearning(probe()), gaussian(noise_psu, 530, seed))

    assert sensor.noise_settled
    assert noise_psu * 0.67 < sensor.noise_psu < noise_psu * 1.33


def test_noise_is_robust_to_spikes_and_trends() -> None:
    """A tenth of the samples being deep dips on a steep trend hardly changes the noise."""
    rng = random.Random(11)
    values = [
        35.0 + 0.002 * number + rng.gauss(0.0, 0.02) - (2.0 if rng.random() < 0.1 else 0.0)
        for number in range(1500)
    ]
    sensor = learn(SensorLearning(probe()), values)

    assert 0.015 < sensor.noise_psu < 0.035


def test_hours_of_bubbles_do_not_pass_for_noise() -> None:
    """After a quiet day, six hours of tenfold noise raise the learned noise by under half."""
    sensor = learn(SensorLearning(probe()), gaussian(0.02, 4000, 1), 20.0)
    quiet_psu = sensor.noise_psu
    learn(sensor, gaussian(0.2, 6 * 180, 2), 20.0)

    assert sensor.noise_psu < 1.5 * quiet_psu


@pytest.mark.parametrize(
    ("step", "noise_psu"), [(0.1, 0.02), (0.1, 0.15), (0.01, 0.02), (0.0625, 0.1), (1.0, 0.4)]
)
def test_resolution_is_the_smallest_step_seen_often(step: float, noise_psu: float) -> None:
    """Rounded readings show their step, whether noise is above or below it."""
    values = [value - 0.5 * step for value in gaussian(noise_psu, 4000, 7)]
    rounded = [round(round(value / step) * step, 10) for value in values]
    sensor = learn(SensorLearning(probe()), rounded)

    assert sensor.resolution == pytest.approx(step, rel=1e-6)
    assert sensor.rounding_psu == pytest.approx(step, rel=1e-6)


def test_resolution_survives_32_bit_floats() -> None:
    """Numbers that went through 32-bit floats on the device show their step all the same."""
    values = [
        struct.unpack("f", struct.pack("f", value))[0]
        for value in gaussian(0.02, 2000, 8, step_psu=0.01)
    ]
    sensor = learn(SensorLearning(probe()), values)

    assert sensor.resolution == pytest.approx(0.01, rel=2e-3)


@given(seed=st.integers(0, 200))
def test_a_continuous_reading_has_no_resolution(seed: int) -> None:
    """Chance repeats of a small step are not taken for a resolution."""
    sensor = learn(SensorLearning(probe()), gaussian(0.02, 3000, seed))

    assert sensor.resolution is None


def test_configured_values_take_precedence() -> None:
    """What the keeper stated is used, whatever the samples say."""
    sensor = SensorLearning(probe(resolution=0.5, interval_s=30.0))
    learn(sensor, gaussian(0.02, 500, 9, step_psu=0.01))

    assert sensor.interval_s == 30.0
    assert sensor.late_s == 90.0
    assert sensor.resolution == 0.5
    assert sensor.rounding_psu == 0.5


@pytest.mark.parametrize(
    ("unit", "reported", "step", "expected_psu"),
    [
        # gsw: at 35 and 25 C, +0.1 mS/cm is +0.0742.
        (ProbeUnit.MS_CM, 53.071, 0.1, 0.0742),
        (ProbeUnit.US_CM, 53071.0, 100.0, 0.0742),
        # gsw: specific gravity 25/25 of 35 is 1.02637, of 36 it is 1.02713.
        (ProbeUnit.SG, 1.02637, 0.001, 1.31),
        (ProbeUnit.PSU, 35.0, 0.1, 0.1),
    ],
)
def test_a_step_of_the_reading_is_known_as_salinity(
    unit: ProbeUnit, reported: float, step: float, expected_psu: float
) -> None:
    """The resolution in the probe's unit is expressed in salinity within a tenth."""
    sensor = SensorLearning(probe(unit=unit, resolution=step))
    sensor.scale(35.0, reported)

    assert sensor.rounding_psu == pytest.approx(expected_psu, rel=0.1)


def test_a_device_that_sends_more_often_than_it_measures_is_recognised() -> None:
    """Ten equal readings per measurement teach repeats, and no smaller noise."""
    values = [value for value in gaussian(0.02, 300, 13) for _ in range(10)]
    sensor = learn(SensorLearning(probe()), values, 1.0)

    assert sensor.repeats_known
    assert sensor.natural_repeats(1e-6) > 40
    assert sensor.noise_psu > 0.01


def test_a_stuck_probe_does_not_teach_that_it_may_be_stuck() -> None:
    """A day of one value, then life again, leaves natural repeats and noise nearly alone."""
    values = gaussian(0.02, 3000, 15, step_psu=0.01)
    sensor = learn(SensorLearning(probe()), values)
    noise_psu, repeats = sensor.noise_psu, sensor.natural_repeats(1e-6)
    learn(sensor, [values[-1]] + [35.0] * 17_000 + values[:100])

    assert sensor.natural_repeats(1e-6) < 1.5 * repeats
    assert sensor.noise_psu == pytest.approx(noise_psu, rel=0.3)


def printing(decimals: int, samples: int, *, water_psu: float = 35.0) -> SensorLearning:
    """What a probe teaches that rests on one printed number, as a coarse one does for hours."""
    return learn(SensorLearning(probe()), [round(water_psu, decimals)] * samples)


@pytest.mark.parametrize(("decimals", "step_psu"), [(0, 1.0), (1, 0.1), (2, 0.01), (3, 0.001)])
def test_the_last_decimal_written_is_a_floor_of_the_noise(decimals: int, step_psu: float) -> None:
    """Rounding to a step hides step / sqrt(12), before any step of the reading was seen."""
    sensor = printing(decimals, 40, water_psu=35.123456789)

    assert sensor.resolution is None
    assert sensor.state.printed == pytest.approx(step_psu)
    assert sensor.effective_noise_psu >= step_psu / 12.0**0.5 * 0.999


def test_a_few_round_numbers_tell_nothing_about_the_decimals() -> None:
    """Four readings of 35 may be chance; the most decimals seen are those of the device."""
    assert printing(0, 5).state.printed is None
    sensor = learn(SensorLearning(probe()), [35.0] * 10 + [35.02] * 2 + [35.0] * 20)

    assert sensor.state.printed == pytest.approx(0.01)
    assert sensor.state.printed_psu == pytest.approx(0.01)


def test_a_step_that_was_seen_counts_rather_than_the_decimals_written() -> None:
    """Two decimals whose last is always even: the step is 0.02, and that is the floor."""
    sensor = learn(SensorLearning(probe()), gaussian(0.001, 4000, seed=3, step_psu=0.02))
    stepping = learn(SensorLearning(probe()), gaussian(0.03, 4000, seed=3, step_psu=0.02))

    assert sensor.effective_noise_psu >= 0.01 / 12.0**0.5
    assert stepping.resolution == pytest.approx(0.02)
    assert stepping.rounding_psu == pytest.approx(0.02)


def test_a_float_with_all_its_digits_has_no_floor_to_speak_of() -> None:
    """A device that sends unrounded floats is as fine as its noise."""
    sensor = learn(SensorLearning(probe()), gaussian(0.01, 2000, seed=3))

    assert sensor.effective_noise_psu == pytest.approx(0.01, rel=0.3)
