"""The messages of the optional inputs say what the truth says, in the configured unit."""

import numpy as np
import pytest

from bridge.core.settings import Counting, LevelUnit, VolumeUnit
from bridge.simulation.catalogue import healthy_recipe
from bridge.simulation.messages import MM_NORMAL, PERCENT_NORMAL, PERCENT_PER_MM, decimals
from bridge.simulation.scenario import Scenario, make
from bridge.simulation.traits import draw_devices
from tests.simulation.support import numbers


def tank(seed: int, **changes: object) -> Scenario:
    """A healthy day of a tank with everything configured, with some traits set."""
    rng = np.random.default_rng(seed)
    recipe = healthy_recipe(rng, 1.5)
    recipe.traits.devices = draw_devices(rng, everything=True)
    recipe.traits.change_every_days = 0.0
    recipe.traits.interval_s = recipe.traits.thermometer_interval_s = 60.0
    recipe.traits.level_unit = LevelUnit.MM
    recipe.traits.meter_unit = VolumeUnit.ML
    recipe.traits.top_off_daily = False
    for name, value in changes.items():
        setattr(recipe.traits, name, value)
    return make("healthy", seed, recipe, rng)


@pytest.mark.parametrize("unit", list(VolumeUnit))
@pytest.mark.parametrize("counting", list(Counting))
def test_the_meter_counts_what_was_added(unit: VolumeUnit, counting: Counting) -> None:
    """The metered litres are those added, within a meter's error of some percent."""
    run = tank(3, meter_unit=unit, meter_counting=counting)
    _, values = numbers(run, "tank/fresh")
    litres = values / (1000.0 if unit is VolumeUnit.ML else 1.0)
    counted = litres[-1] - litres[0] if counting is Counting.CUMULATIVE else litres.sum()

    assert run.truth.fresh_l[-1] > 0.2
    assert counted == pytest.approx(run.truth.fresh_l[-1], rel=0.1, abs=0.02)


@pytest.mark.parametrize("unit", list(LevelUnit))
def test_the_level_is_told_in_its_unit(unit: LevelUnit) -> None:
    """The level follows the truth in millimetres, centimetres or percent."""
    run = tank(4, level_unit=unit, level_noise_mm=0.3)
    times_s, values = numbers(run, "tank/level")
    match unit:
        case LevelUnit.MM:
            seen_mm = values - MM_NORMAL
        case LevelUnit.CM:
            seen_mm = 10.0 * values - MM_NORMAL
        case LevelUnit.PERCENT:
            seen_mm = (values - PERCENT_NORMAL) / PERCENT_PER_MM
    true_mm = np.interp(times_s, run.truth.times_s, run.truth.level_mm)

    assert np.median(np.abs(seen_mm - true_mm)) < 1.0


@pytest.mark.parametrize(
    ("unit", "offset", "scale"), [("C", 0, 1), ("F", 32, 1.8), ("K", 273.15, 1)]
)
def test_the_thermometer_is_told_in_its_unit(unit: str, offset: float, scale: float) -> None:
    """The temperature follows the truth in °C, °F or K."""
    run = tank(5, thermometer_unit=unit, thermometer_offset_c=0.0)
    times_s, values = numbers(run, "tank/water-c")
    true_c = np.interp(times_s, run.truth.times_s, run.truth.temperature_c)

    assert np.median(np.abs((values - offset) / scale - true_c)) < 0.1


def test_the_top_off_pump_tells_when_it_runs() -> None:
    """Fresh water comes only while the pump's state is on, and the first state is retained."""
    run = tank(6)
    device = run.tank.equipment["top-off-pump"]
    sent = [message for message in run if message.topic == device.topic]
    if device.threshold is not None:
        on = np.array([float(m.payload) > device.threshold for m in sent])
    else:
        on = np.array([m.payload.decode() in device.on for m in sent])
    at_s = np.array([m.at_s for m in sent])
    flowing_s = run.truth.times_s[1:][np.diff(run.truth.fresh_l) > 0.0]
    told = on[np.searchsorted(at_s, flowing_s + 10.0, side="right") - 1]

    assert sent[0].retained
    assert not any(m.retained for m in sent[1:])
    assert len(flowing_s) > 0
    # The last steps of a run fall into the ten seconds allowed for the message.
    assert told.mean() > 0.6


@pytest.mark.parametrize(
    ("step", "expected"), [(0.001, 3), (0.05, 2), (0.1, 1), (1.0, 0), (50.0, 0), (0.0625, 4)]
)
def test_numbers_show_their_resolution(step: float, expected: int) -> None:
    """As many decimals are sent as the resolution needs, and no more."""
    assert decimals(step) == expected
