"""The budget of a reading against Monte Carlo and an independent library."""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import uncertainties
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.compensation import Corrector, natural_factor
from bridge.core.seawater import conductivity_ms_cm, salinity_psu, specific_gravity
from bridge.core.settings import (
    Calibration,
    GravityReference,
    Probe,
    ProbeUnit,
    Reports,
    Thermometer,
)
from bridge.core.uncertainty import Budget, ReadingUncertainty, sensitivity

SALINITY, TEMPERATURE_C, COEFFICIENT = 34.7, 28.1, 2.1
THERMOMETER = Thermometer(topic="t", expanded_uncertainty_c=0.2)
DRAWS = 20_000
# The calibration's uncertainty is stated in salinity at S = 35; 0.394 S for 1 % of conductivity.
GAIN_UNCERTAINTY = 0.1 / 39.4


def probe(reports: Reports, unit: ProbeUnit, **more: Any) -> Probe:  # noqa: ANN401 (keys of Probe)
    """A probe whose every contribution is large enough to be seen."""
    return Probe(
        topic="p",
        unit=unit,
        reports=reports,
        coefficient_uncertainty_pct_per_c=0.05,
        calibration=Calibration(expanded_uncertainty_psu=0.2),
        **more,
    )


def shown_by_device(reports: Reports, at_water_ms_cm: float, temperature_c: float) -> float:
    """The number a device of each kind makes of a conductivity, by its own thermometer."""
    linear = at_water_ms_cm / (1 + COEFFICIENT / 100 * (temperature_c - 25.0))
    match reports:
        case Reports.CONDUCTIVITY:
            return at_water_ms_cm
        case Reports.CONDUCTIVITY_LINEAR:
            return linear
        case Reports.CONDUCTIVITY_NATURAL:
            return at_water_ms_cm * natural_factor(temperature_c)
        case Reports.SALINITY_LINEAR:
            return salinity_psu(linear, 25.0)
        case Reports.SPECIFIC_GRAVITY_LINEAR:
            return specific_gravity(salinity_psu(linear, 25.0), GravityReference.R25_25)
        case Reports.SALINITY:
            return salinity_psu(at_water_ms_cm, temperature_c)


KINDS = [
    (probe(Reports.CONDUCTIVITY, ProbeUnit.MS_CM), 0.2),
    (probe(Reports.CONDUCTIVITY_NATURAL, ProbeUnit.MS_CM), 0.2),
    (probe(Reports.CONDUCTIVITY_LINEAR, ProbeUnit.MS_CM, coefficient_pct_per_c=2.1), 0.2),
    (probe(Reports.SALINITY_LINEAR, ProbeUnit.PSU, coefficient_pct_per_c=2.1), 0.1),
    (
        probe(
            Reports.SPECIFIC_GRAVITY_LINEAR,
            ProbeUnit.SG,
            coefficient_pct_per_c=2.1,
            gravity_reference=GravityReference.R25_25,
        ),
        0.0002,
    ),
    (probe(Reports.SALINITY, ProbeUnit.PSU), 0.1),
]


def budget(kind: Probe, resolution: float, **more: float) -> Budget:
    """The budget of a reading of the water above."""
    shown = shown_by_device(
        kind.reports, conductivity_ms_cm(SALINITY, TEMPERATURE_C), TEMPERATURE_C
    )
    return ReadingUncertainty(kind, THERMOMETER, **more).budget(
        reported=shown,
        salinity_psu=SALINITY,
        temperature_c=TEMPERATURE_C,
        resolution=resolution,
        noise_psu=0.02,
    )


@pytest.mark.parametrize(("kind", "step"), KINDS, ids=lambda value: getattr(value, "reports", ""))
def test_budget_is_the_scatter_of_simulated_readings(kind: Probe, step: float) -> None:
    """Errors drawn at random through device and correction scatter as the budget says.

    The device shares the tank's thermometer and its error. Where the device's coefficient or
    table is uncertain, the device uses a drawn one and the correction the stated one.
    """
    random = np.random.default_rng(44)
    true = conductivity_ms_cm(SALINITY, TEMPERATURE_C)
    thermometer = random.normal(0.0, THERMOMETER.expanded_uncertainty_c / 2, DRAWS)
    gain = random.normal(1.0, GAIN_UNCERTAINTY, DRAWS)
    rounding = random.uniform(-step / 2, step / 2, DRAWS)
    noise = random.normal(0.0, 0.02, DRAWS)
    unit = random.normal(0.0, 1.0, DRAWS)
    uniform = random.uniform(-0.0005, 0.0005, DRAWS)
    corrector = Corrector(kind)

    found = np.empty(DRAWS)
    for i in range(DRAWS):
        read_c = TEMPERATURE_C + thermometer[i]
        away_c = read_c - 25.0
        conductivity = true * gain[i]
        if kind.coefficient_pct_per_c is not None:
            drawn = COEFFICIENT + 0.05 * unit[i]
            conductivity *= (1 + COEFFICIENT / 100 * away_c) / (1 + drawn / 100 * away_c)
        elif kind.reports is Reports.SALINITY:
            drawn = 2.0 + 0.2 / math.sqrt(3) * unit[i]
            conductivity *= (1 + 0.02 * away_c) / (1 + drawn / 100 * away_c)
        elif kind.reports is Reports.CONDUCTIVITY_NATURAL:
            conductivity *= 1 + uniform[i] / natural_factor(read_c)
        shown = shown_by_device(kind.reports, conductivity, read_c) + rounding[i]
        found[i] = corrector.salinity_psu(shown, read_c) + noise[i]

    predicted = budget(kind, step).standard_psu
    # The scatter of 20,000 draws is itself known within 1 % (k = 2).
    assert found.std() == pytest.approx(predicted, rel=0.03)
    assert found.mean() == pytest.approx(SALINITY, abs=0.01)


def test_budget_agrees_with_an_independent_library() -> None:
    """The same propagation by the uncertainties package gives the same figure."""
    shown = shown_by_device(
        Reports.CONDUCTIVITY_LINEAR, conductivity_ms_cm(SALINITY, TEMPERATURE_C), TEMPERATURE_C
    )

    def measured(reported: float, thermometer_c: float, gain: float, coefficient: float) -> float:
        # The device shares the thermometer, so its error is in the reading already.
        device = (1 + COEFFICIENT / 100 * (TEMPERATURE_C + thermometer_c - 25.0)) / (
            1 + COEFFICIENT / 100 * (TEMPERATURE_C - 25.0)
        )
        undone = 1 + coefficient / 100 * (TEMPERATURE_C + thermometer_c - 25.0)
        return salinity_psu(gain * reported / device * undone, TEMPERATURE_C + thermometer_c)

    combined = uncertainties.wrap(measured)(
        uncertainties.ufloat(shown, 0.2 / math.sqrt(12)),
        uncertainties.ufloat(0.0, 0.1),
        uncertainties.ufloat(1.0, GAIN_UNCERTAINTY),
        uncertainties.ufloat(COEFFICIENT, 0.05),
    )

    kind = next(kind for kind, _ in KINDS if kind.reports is Reports.CONDUCTIVITY_LINEAR)
    assert budget(kind, 0.2).standard_psu == pytest.approx(
        math.hypot(combined.std_dev, 0.02), rel=0.01
    )


def test_thermometer_is_worth_what_is_known() -> None:
    """0.1 °C is 0.077 S at S = 35 and 25 °C, and 1 % of conductivity 0.394 S."""
    at = sensitivity(35.0, 25.0)

    assert at.per_degree_psu * 0.1 == pytest.approx(-0.077, abs=0.001)
    assert at.per_relative_conductivity_psu * 0.01 == pytest.approx(0.394, abs=0.002)


@settings(derandomize=True, max_examples=100)
@given(st.floats(2, 42), st.floats(-2, 35))
def test_cached_sensitivity_is_near_the_exact_one(salinity: float, temperature_c: float) -> None:
    """The cell's sensitivity is within 3 % of the one at the very point, or 0.004 S for 1 %."""
    inside = min(max(salinity, 2.1), 41.9)
    temperature = min(max(temperature_c, -1.9), 34.9)
    conductivity = conductivity_ms_cm(inside, temperature)
    exact = (
        salinity_psu(conductivity * 1.0001, temperature)
        - salinity_psu(conductivity * 0.9999, temperature)
    ) / 0.0002

    found = sensitivity(salinity, temperature_c).per_relative_conductivity_psu

    assert found == pytest.approx(exact, rel=0.03, abs=0.4)


def test_a_wrong_coefficient_matters_away_from_where_it_was_calibrated() -> None:
    """Its contribution is nothing at the calibration's temperature and grows from there."""
    kind = probe(Reports.CONDUCTIVITY_LINEAR, ProbeUnit.MS_CM, coefficient_pct_per_c=2.1)

    def coefficient_psu(temperature_c: float, calibration_c: float | None) -> float:
        return (
            ReadingUncertainty(kind, THERMOMETER, calibration_temperature_c=calibration_c)
            .budget(
                reported=53.0,
                salinity_psu=35.0,
                temperature_c=temperature_c,
                resolution=0.0,
                noise_psu=0.0,
            )
            .coefficient_psu
        )

    assert coefficient_psu(25.0, None) == 0.0
    assert coefficient_psu(27.0, 27.0) == 0.0
    assert 0 < coefficient_psu(26.0, None) < coefficient_psu(28.0, None)
    assert coefficient_psu(22.0, None) > coefficient_psu(24.0, None) > 0


def test_expanded_uncertainty_and_the_largest_contribution() -> None:
    """Squares add, k is 2, and the list starts with what is worth improving."""
    total = Budget(0.3, 0.0, 0.4, 0.0, 0.0)

    assert total.standard_psu == pytest.approx(0.5)
    assert total.expanded_psu == pytest.approx(1.0)
    assert total.contributions[0] == ("calibration", 0.4)


def test_the_budget_does_not_depend_on_what_came_before() -> None:
    """A reading has one uncertainty, whichever readings preceded it."""
    kind, step = KINDS[2]
    first = budget(kind, step)
    for salinity in (30.0, 34.74, 34.76, 40.0):
        sensitivity(salinity, TEMPERATURE_C)

    assert budget(kind, step) == first


def test_a_better_thermometer_makes_a_smaller_uncertainty() -> None:
    """Only the thermometer's contribution follows the thermometer."""
    kind, step = KINDS[0]
    shown = conductivity_ms_cm(SALINITY, TEMPERATURE_C)

    def with_thermometer(thermometer: Thermometer) -> Budget:
        return ReadingUncertainty(kind, thermometer).budget(
            reported=shown,
            salinity_psu=SALINITY,
            temperature_c=TEMPERATURE_C,
            resolution=step,
            noise_psu=0.02,
        )

    plain = with_thermometer(THERMOMETER)
    better = with_thermometer(replace(THERMOMETER, expanded_uncertainty_c=0.1))

    assert better.thermometer_psu == pytest.approx(plain.thermometer_psu / 2)
    assert better._replace(thermometer_psu=plain.thermometer_psu) == plain


@pytest.mark.parametrize("kind", [kind for kind, _ in KINDS], ids=lambda kind: kind.reports)
@pytest.mark.parametrize("temperature_c", [21.0, 28.1, 31.0])
def test_each_step_of_the_display_is_worth_what_the_correction_makes_of_it(
    kind: Probe, temperature_c: float
) -> None:
    """The resolution's contribution is the slope of the very correction, within 2 %."""
    corrector = Corrector(kind)
    true = conductivity_ms_cm(SALINITY, temperature_c)
    shown = shown_by_device(kind.reports, true, temperature_c)
    step = 1e-4 * shown
    if kind.unit is ProbeUnit.SG:
        step = 1e-6
    slope = (
        corrector.salinity_psu(shown + step, temperature_c)
        - corrector.salinity_psu(shown - step, temperature_c)
    ) / (2 * step)

    found = ReadingUncertainty(kind, THERMOMETER).budget(
        reported=shown,
        salinity_psu=SALINITY,
        temperature_c=temperature_c,
        resolution=step,
        noise_psu=0.0,
    )

    assert found.resolution_psu == pytest.approx(slope * step / math.sqrt(12), rel=0.02)


@pytest.mark.parametrize("temperature_c", [18.0, 21.0, 28.1, 34.0])
def test_a_coefficient_is_worth_what_the_correction_makes_of_it(temperature_c: float) -> None:
    """Its contribution is the change that another coefficient makes, within 2 %."""
    kind = KINDS[2][0]
    shown = shown_by_device(
        kind.reports, conductivity_ms_cm(SALINITY, temperature_c), temperature_c
    )
    higher, lower = (
        Corrector(replace(kind, coefficient_pct_per_c=COEFFICIENT + change)).salinity_psu(
            shown, temperature_c
        )
        for change in (0.05, -0.05)
    )

    found = ReadingUncertainty(kind, THERMOMETER).budget(
        reported=shown,
        salinity_psu=SALINITY,
        temperature_c=temperature_c,
        resolution=0.0,
        noise_psu=0.0,
    )

    assert found.coefficient_psu == pytest.approx(abs(higher - lower) / 2, rel=0.02)


GRAVITIES = [kind for kind, _ in KINDS if kind.unit is ProbeUnit.SG]


@pytest.mark.parametrize("kind", GRAVITIES, ids=lambda kind: kind.reports)
@pytest.mark.parametrize("reported", [0.0, 0.9, 1.0, 1.0005, 1.04, 1.2, 40.0])
def test_a_gravity_that_is_no_sea_water_before_its_correction_has_a_budget(
    kind: Probe, reported: float
) -> None:
    """A badly calibrated device may show what only its correction makes sea water."""
    found = ReadingUncertainty(kind, THERMOMETER).budget(
        reported=reported,
        salinity_psu=SALINITY,
        temperature_c=TEMPERATURE_C,
        resolution=1e-4,
        noise_psu=0.02,
    )

    assert math.isfinite(found.standard_psu)
    # A ten-thousandth of gravity is some 0.13 S everywhere (TEOS-10), before what gain it needs.
    assert found.resolution_psu * math.sqrt(12) > 0.1


@pytest.mark.parametrize("kind", GRAVITIES, ids=lambda kind: kind.reports)
@pytest.mark.parametrize("limit_psu", [2.0, 42.0])
def test_at_the_ends_of_the_scale_the_budget_of_a_gravity_does_not_jump(
    kind: Probe, limit_psu: float
) -> None:
    """Beyond the last gravity of sea water its sensitivity is that of the end."""
    reference = kind.gravity_reference
    assert reference is not None
    end = specific_gravity(limit_psu, reference)
    inside, outside = (
        ReadingUncertainty(kind, THERMOMETER)
        .budget(
            reported=end + side * 2e-5 * (1.0 if limit_psu > 20.0 else -1.0),
            salinity_psu=SALINITY,
            temperature_c=TEMPERATURE_C,
            resolution=1e-4,
            noise_psu=0.0,
        )
        .resolution_psu
        for side in (-1.0, 1.0)
    )

    assert outside == pytest.approx(inside, rel=0.02)
