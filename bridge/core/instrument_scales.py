"""From an instrument's scale to practical salinity, by published relations.

Each kind yields a converter from the number read and the sample's temperature; what had to be
assumed on the way goes into the conversion's sentences and budget.
"""

import math
from collections.abc import Callable
from typing import Final

from bridge.core.errors import OutOfRangeError, UserError
from bridge.core.instrument_kinds import (
    REFRACTOMETERS,
    Conversion,
    HandReading,
    InstrumentKind,
    ReadingUnit,
)
from bridge.core.refraction import (
    BRINE_UNCERTAINTY_G_KG,
    SCALE_TEMPERATURE_C,
    brine_from_gravity_g_kg,
    brine_index,
    salinity_from_index_psu,
    sea_water_index,
    sea_water_on_brine_scale,
)
from bridge.core.seawater import (
    GRAVITY_TEMPERATURE_C,
    HIGHEST_SALINITY_PSU,
    LOWEST_SALINITY_PSU,
    density_kg_m3,
    salinity_from_gravity_psu,
    salinity_psu,
    specific_gravity,
)
from bridge.core.settings import GravityReference, ProbeUnit
from bridge.core.units import MS_CM_PER_UNIT, to_ms_cm

GLASS_EXPANSION_PER_C: Final = 25e-6
"""Cubic expansion of hydrometer glass, the conventional value of ISO 1768:1975."""

STANDARD_PSU: Final = 35.0
"""The sea-water standard by which a refractometer is set or checked."""

# Standard uncertainty of a sample's temperature: as measured, and as taken from the tank.
_SAMPLE_UNCERTAINTY_C: Final = 0.3
_ASSUMED_UNCERTAINTY_C: Final = 1.0
# Devices ship with 2.0 to 2.2 %/°C (common practice, no source); half-width taken as 0.2.
_METER_COEFFICIENT_PCT: Final = 2.0
_METER_COEFFICIENT_HALF_WIDTH_PCT: Final = 0.2
# 20/20, 25/25 and 60F/60F differ by 0.6 in salinity at 1.025 (TEOS-10), so half of it either way.
_GRAVITY_REFERENCE_HALF_WIDTH_PSU: Final = 0.3
_CELL_REFERENCE_C: Final = 25.0

Converter = Callable[[float, float], float]
"""From a reading and the sample's temperature to practical salinity."""


def converter(reading: HandReading, work: Conversion) -> tuple[Converter, float, float]:
    """Converter, temperature to use it at, and the standard uncertainty of that temperature."""
    unit = reading.unit
    if unit is ReadingUnit.INDEX or reading.kind in REFRACTOMETERS:
        return _refractometer(reading, work)
    if reading.kind is InstrumentKind.HYDROMETER_GLASS and unit in _HYDROMETER_UNITS:
        return _glass_hydrometer(reading, work)
    if unit in {ReadingUnit.PSU, ReadingUnit.PPT}:
        return (lambda value, _: value), SCALE_TEMPERATURE_C, 0.0
    if unit is ReadingUnit.SG:
        reference = _gravity_reference(reading, work, GravityReference.R25_25)
        return (
            (lambda value, _: salinity_from_gravity_psu(value, reference)),
            GRAVITY_TEMPERATURE_C[reference],
            0.0,
        )
    if reading.kind is InstrumentKind.HYDROMETER_SWING_ARM or (
        reading.kind is InstrumentKind.HYDROMETER_GLASS
    ):
        raise UserError(f"a hydrometer does not read {unit}; accepted are sg, psu, ppt")
    return _conductivity_meter(reading, work)


def _temperature(reading: HandReading, work: Conversion, what: str) -> tuple[float, float]:
    if reading.sample_temperature_c is not None:
        return reading.sample_temperature_c, _SAMPLE_UNCERTAINTY_C
    if reading.assumed_temperature_c is not None:
        work.assume(
            f"The sample is taken to have had the tank's {reading.assumed_temperature_c:.1f} °C."
        )
        return reading.assumed_temperature_c, _ASSUMED_UNCERTAINTY_C
    raise UserError(f"{what} needs sample_temperature_c, the sample's temperature in °C")


def _refractometer(reading: HandReading, work: Conversion) -> tuple[Converter, float, float]:
    to_index = _scale_index(reading, work)
    if reading.temperature_corrected is None:
        work.assume("The refractometer is taken to correct for temperature by itself.")
    if reading.temperature_corrected is False:
        temperature_c, uncertainty_c = _temperature(
            reading, work, "a refractometer without temperature correction"
        )
        work.assume(
            "Corrected from the sample's temperature to the scale's 20 °C by Quan and Fry 1995."
        )
    else:
        temperature_c, uncertainty_c = SCALE_TEMPERATURE_C, 0.0

    def convert(value: float, at_c: float) -> float:
        return salinity_from_index_psu(to_index(value), at_c)

    return convert, temperature_c, uncertainty_c


def _scale_index(reading: HandReading, work: Conversion) -> Callable[[float], float]:
    """From the scale's number to the refractive index that moves the line there."""
    unit = reading.unit
    if unit is ReadingUnit.INDEX:
        return lambda value: value
    if unit not in {ReadingUnit.PSU, ReadingUnit.PPT, ReadingUnit.SG}:
        raise UserError(f"a refractometer does not read {unit}; accepted are psu, ppt, sg, nD")
    if reading.kind is InstrumentKind.REFRACTOMETER_BRINE:
        work.assume(
            "The scale is taken as marked for table-salt brine; sea water of S = 35 shows 36.5 "
            "there (CRC indices against Quan and Fry 1995).",
            BRINE_UNCERTAINTY_G_KG / math.sqrt(3),
        )
        shift = 0.0
        if reading.standard_checked:
            shift = sea_water_on_brine_scale(STANDARD_PSU) - STANDARD_PSU
            work.assume("The scale is taken as set to show 35 in the sea-water standard of S = 35.")
        if unit is ReadingUnit.SG:
            return lambda value: brine_index(brine_from_gravity_g_kg(value) + shift)
        return lambda value: brine_index(value + shift)
    if unit is ReadingUnit.SG:
        reference = _gravity_reference(reading, work, GravityReference.R20_20)
        return lambda value: sea_water_index(
            salinity_from_gravity_psu(value, reference), SCALE_TEMPERATURE_C
        )
    return lambda value: sea_water_index(value, SCALE_TEMPERATURE_C)


_HYDROMETER_UNITS: Final = frozenset({ReadingUnit.SG, ReadingUnit.PSU, ReadingUnit.PPT})


def _glass_hydrometer(reading: HandReading, work: Conversion) -> tuple[Converter, float, float]:
    reference = _gravity_reference(reading, work, GravityReference.R25_25)
    reference_c = GRAVITY_TEMPERATURE_C[reference]
    if reading.temperature_corrected:
        temperature_c, uncertainty_c = reference_c, 0.0
    else:
        temperature_c, uncertainty_c = _temperature(reading, work, "a glass hydrometer")
        work.assume(
            "Corrected for the sample's temperature with glass of 25e-6 per °C (ISO 1768) and "
            "sea water by TEOS-10."
        )
    pure_kg_m3 = density_kg_m3(STANDARD_PSU, reference_c) / specific_gravity(
        STANDARD_PSU, reference
    )

    def convert(value: float, at_c: float) -> float:
        gravity = value if reading.unit is ReadingUnit.SG else specific_gravity(value, reference)
        # The body sinks until it displaces its own mass; warmer glass displaces more volume.
        density = gravity * pure_kg_m3 / (1 + GLASS_EXPANSION_PER_C * (at_c - reference_c))
        return _salinity_from_density_psu(density, at_c)

    return convert, temperature_c, uncertainty_c


def _salinity_from_density_psu(density: float, temperature_c: float) -> float:
    """Invert the density, which rises with salinity, by bisection."""
    low, high = LOWEST_SALINITY_PSU, HIGHEST_SALINITY_PSU
    if not density_kg_m3(low, temperature_c) <= density <= density_kg_m3(high, temperature_c):
        raise OutOfRangeError(
            f"a density of {density:.1f} kg/m3 at {temperature_c:g} °C is not sea water of "
            "salinity 2 to 42"
        )
    for _ in range(60):
        middle = (low + high) / 2
        if density_kg_m3(middle, temperature_c) < density:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _conductivity_meter(reading: HandReading, work: Conversion) -> tuple[Converter, float, float]:
    unit = ProbeUnit(reading.unit.value)
    if unit not in MS_CM_PER_UNIT:
        raise UserError(f"a conductivity meter does not read {reading.unit}")
    if reading.temperature_corrected is None:
        raise UserError(
            "a conductivity needs temperature_corrected: true when the meter refers it to 25 °C, "
            "false when it shows the conductivity at the sample's temperature"
        )
    temperature_c, uncertainty_c = _temperature(reading, work, "a conductivity")
    if not reading.temperature_corrected:

        def convert(value: float, at_c: float) -> float:
            return salinity_psu(to_ms_cm(value, unit), at_c)

        return convert, temperature_c, uncertainty_c

    coefficient = reading.coefficient_pct_per_c

    def refer(value: float, at_c: float, coefficient_pct: float) -> float:
        undone = to_ms_cm(value, unit) * (1 + coefficient_pct / 100 * (at_c - _CELL_REFERENCE_C))
        return salinity_psu(undone, at_c)

    if coefficient is None:
        coefficient = _METER_COEFFICIENT_PCT
        try:
            high, low = (
                refer(reading.readings[0], temperature_c, coefficient + sign * half_width)
                for sign, half_width in (
                    (1, _METER_COEFFICIENT_HALF_WIDTH_PCT),
                    (-1, _METER_COEFFICIENT_HALF_WIDTH_PCT),
                )
            )
        except OutOfRangeError as error:
            raise UserError(f"the reading does not fit sea water: {error}") from error
        work.assume(
            "The meter is taken to refer to 25 °C with 2.0 % per °C; its own value was not stated.",
            abs(high - low) / 2 / math.sqrt(3),
        )
    used = coefficient
    return (lambda value, at_c: refer(value, at_c, used)), temperature_c, uncertainty_c


def _gravity_reference(
    reading: HandReading, work: Conversion, usual: GravityReference
) -> GravityReference:
    if reading.gravity_reference is not None:
        return reading.gravity_reference
    work.assume(
        f"The specific gravity is taken to refer to {usual.value}; it was not stated.",
        _GRAVITY_REFERENCE_HALF_WIDTH_PSU / math.sqrt(3),
    )
    return usual
