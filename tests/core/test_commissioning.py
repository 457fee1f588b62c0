"""What the measurements of a commissioning say, on invented and simulated readings."""

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy import stats

from bridge.core import seawater
from bridge.core.commissioning import (
    READINGS_PER_BLOCK,
    Block,
    CommissionState,
    Reading,
    StepName,
    compare_flow,
    device_effect,
    effects,
    temperature_dependence,
    verdict,
)


def readings(values: list[float], temperature_c: float | None = 25.0) -> list[Reading]:
    """Readings every ten seconds."""
    return [Reading(10.0 * n, value, temperature_c) for n, value in enumerate(values)]


def toggled(
    random: np.random.Generator, size_psu: float, *, rounds: int = 4, noise_psu: float = 0.02
) -> list[Block]:
    """A device switched on and off in turn, with a slow drift of the water."""
    blocks = []
    for number in range(2 * rounds + 1):
        on = number % 2 == 0
        values = [
            35 + size_psu * on + 0.002 * number + float(random.normal(0, noise_psu))
            for _ in range(READINGS_PER_BLOCK)
        ]
        blocks.append(Block(on, readings(values)))
    return blocks


def test_a_device_that_does_nothing_is_hardly_ever_named() -> None:
    """By design 1 in 60 (5 % over three devices); over 600 quiet trials at most 3 % are named."""
    random = np.random.default_rng(1)
    named = 0
    for _ in range(600):
        effect = device_effect("light", toggled(random, 0.0, noise_psu=0.2), tried=3)
        assert effect is not None
        named += effect.significant

    assert named <= 18


def test_a_device_that_disturbs_is_found_with_its_size() -> None:
    """An effect of 0.2 in noise of 0.05 is named in at least 95 % of 200 trials."""
    random = np.random.default_rng(2)
    named = 0
    sizes = []
    for _ in range(200):
        effect = device_effect("light", toggled(random, 0.2, noise_psu=0.05), tried=3)
        assert effect is not None
        named += effect.significant
        sizes.append(effect.size_psu)

    assert named >= 190
    assert np.mean(sizes) == pytest.approx(0.2, abs=0.01)


def test_the_probability_by_chance_is_scipys_permutation_test() -> None:
    """The exact sign-flip test agrees with scipy.stats.permutation_test on the same changes."""
    random = np.random.default_rng(3)
    blocks = toggled(random, 0.03, noise_psu=0.05)
    changes = []
    for before, after in pairwise(blocks):
        # The measure of the daemon: median of three after, one settling, against four before.
        later = [r.salinity_psu for r in after.readings][1:4]
        earlier = [r.salinity_psu for r in before.readings][-4:]
        change = float(np.median(later) - np.median(earlier))
        changes.append(change if after.on else -change)
    expected = stats.permutation_test(
        (np.array(changes),), np.mean, permutation_type="samples", n_resamples=np.inf
    ).pvalue

    effect = device_effect("light", blocks, tried=1)

    assert effect is not None
    assert effect.size_psu == pytest.approx(float(np.mean(changes)))
    assert effect.p_value == pytest.approx(float(expected))


def test_too_few_switchings_never_name_a_device() -> None:
    """Two switchings can be chance, however large the step; the sentence says so."""
    blocks = toggled(np.random.default_rng(4), 3.0, rounds=1)

    effect = device_effect("pump", blocks, tried=1)

    assert effect is not None
    assert not effect.significant
    assert "Too few switchings" in effect.sentence


def test_no_switching_no_effect() -> None:
    """Blocks in one state say nothing."""
    assert device_effect("pump", [Block(on=True, readings=readings([35.0] * 8))], tried=1) is None


def test_calm_water_is_called_calm() -> None:
    """The same water, still and flowing, gives no complaint."""
    random = np.random.default_rng(5)
    still, flowing = (
        readings([35 + float(random.normal(0, 0.01)) for _ in range(20)]) for _ in range(2)
    )

    result = compare_flow(still, flowing)

    assert result is not None
    assert not result.disturbed
    assert "calm enough" in result.sentence


@pytest.mark.parametrize(
    ("shift", "noise", "words"),
    [(-0.5, 0.01, "bubbles"), (0.5, 0.01, "pick-up"), (0.0, 0.3, "restless")],
)
def test_flow_that_matters_is_named_by_its_look(shift: float, noise: float, words: str) -> None:
    """Low means bubbles, high means pick-up, restless may be either."""
    random = np.random.default_rng(6)
    still = readings([35 + float(random.normal(0, 0.01)) for _ in range(20)])
    flowing = readings([35 + shift + float(random.normal(0, noise)) for _ in range(40)])

    result = compare_flow(still, flowing)

    assert result is not None
    assert result.disturbed
    assert words in result.sentence


def test_few_readings_say_nothing_about_flow() -> None:
    """Four readings are no comparison."""
    assert compare_flow(readings([35.0] * 4), readings([35.0] * 20)) is None


def swinging(residual_pct: float, random: np.random.Generator) -> list[Reading]:
    """Two days of water at S = 35 whose device divides by a coefficient that is off."""
    found = []
    for n in range(576):
        temperature = 25.5 + math.sin(n / 288 * 2 * math.pi)
        true = seawater.conductivity_ms_cm(35, temperature)
        away = temperature - 25
        believed = true / (1 + (2 + residual_pct) / 100 * away) * (1 + 0.02 * away)
        salinity = seawater.salinity_psu(believed, temperature) + float(random.normal(0, 0.02))
        found.append(Reading(300.0 * n, salinity, temperature))
    return found


@pytest.mark.parametrize("residual", [-0.2, 0.0, 0.25])
def test_the_swing_tells_the_residual_coefficient(residual: float) -> None:
    """What must be added to the coefficient in force is found within its uncertainty."""
    swing = temperature_dependence(swinging(residual, np.random.default_rng(7)))

    assert swing is not None
    assert swing.residual_pct_per_c == pytest.approx(
        residual, abs=max(0.01, 3 * swing.standard_uncertainty_pct_per_c)
    )
    assert swing.standard_uncertainty_pct_per_c < 0.02


def test_steady_water_tells_no_coefficient() -> None:
    """Less than 1 °C of swing, or few readings, tell nothing."""
    assert temperature_dependence(readings([35.0] * 100)) is None
    assert temperature_dependence(swinging(0.2, np.random.default_rng(8))[:30]) is None
    assert temperature_dependence(readings([35.0] * 100, None)) is None


def test_the_verdict_of_nothing_done_claims_nothing() -> None:
    """What was not done is neither fine nor wrong."""
    lines = verdict(CommissionState(tank="reef", started_at_s=0.0))

    assert {line.step for line in lines} == set(StepName) - {StepName.CAUTIONS}
    assert all(line.fine is None for line in lines)


def test_the_verdict_names_what_is_wrong() -> None:
    """Open points, refused calibrations, differing checks and disturbing devices are listed."""
    random = np.random.default_rng(9)
    state = CommissionState(
        tank="reef",
        started_at_s=0.0,
        done=[StepName.PLACE, StepName.CABLES],
        answers={"place: It hangs in calm water": False, "cables: Crosses at right angles": True},
        calibration={"recorded": False, "questions": ["Is the reading steady now?"]},
        reference={
            "verdict": "differ",
            "sentence": "They differ.",
            "advice": {"sentence": "Check the instrument."},
        },
        devices={"light": toggled(random, 0.4), "skimmer": toggled(random, 0.0)},
        fit={
            "coefficient_pct_per_c": 2.4,
            "coefficient_expanded_uncertainty_pct_per_c": 0.2,
            "coefficient_in_force_pct_per_c": 2.0,
            "missing": [],
        },
    )

    lines = verdict(state)

    assert [(line.step, line.fine) for line in lines] == [
        (StepName.PLACE, False),
        (StepName.CABLES, True),
        (StepName.CALIBRATION, False),
        (StepName.FLOW, None),
        (StepName.REFERENCE, False),
        (StepName.DEVICES, False),
        (StepName.DEVICES, True),
        (StepName.TEMPERATURE, False),
    ]
    assert "It hangs in calm water" in lines[0].sentence
    assert len(effects(state)) == 2
