"""Refractive index of sea water and of table-salt brine, and what a scale made for brine shows."""

from typing import Final

import numpy as np

from bridge.core.errors import OutOfRangeError

SODIUM_LINE_NM: Final = 589.3
"""Wavelength at which refractometers are marked."""

SCALE_TEMPERATURE_C: Final = 20.0
"""Temperature at which refractometer scales are marked."""

_HIGHEST_PSU: Final = 43.0
_HIGHEST_C: Final = 35.0

# Mass of salt, g per kg of solution; index at 20 °C and 589 nm, relative to air.
# Source: CRC Handbook of Chemistry and Physics, "Concentrative properties of aqueous
# solutions: density, refractive index ...", sodium chloride; printed to four decimals.
_BRINE_INDEX: Final = (
    (0.0, 1.3330),
    (10.0, 1.3347),
    (20.0, 1.3365),
    (30.0, 1.3383),
    (40.0, 1.3400),
    (50.0, 1.3418),
    (60.0, 1.3435),
)
BRINE_UNCERTAINTY_G_KG: Final = 0.3
"""Half-width, of a brine scale's mark: half a unit of the table's last decimal."""

# Mass of salt, g per kg of solution; density at 20 °C, g/cm3. Source: the same table (the rows of
# 10, 40 and 60 g/kg agree with a second printed table, the others are from memory).
_BRINE_DENSITY: Final = (
    (0.0, 0.9982),
    (10.0, 1.0053),
    (20.0, 1.0125),
    (30.0, 1.0196),
    (40.0, 1.0268),
    (50.0, 1.0340),
    (60.0, 1.0413),
)

# The table's last digit is worth 0.6 g/kg, so a smooth curve is nearer the truth than the rows.
_BRINE_CURVE: Final = tuple(
    float(coefficient)
    for coefficient in np.polyfit(
        [row[0] for row in _BRINE_INDEX], [row[1] for row in _BRINE_INDEX], 2
    )
)


def sea_water_index(
    salinity_psu: float, temperature_c: float, wavelength_nm: float = SODIUM_LINE_NM
) -> float:
    """Refractive index of sea water, relative to air.

    Args:
        salinity_psu: Practical salinity, 0..43. [1]
        temperature_c: Water temperature, 0..35. [°C]
        wavelength_nm: 400..700. [nm]

    Returns:
        Refractive index. [1]

    Raises:
        OutOfRangeError: outside those limits.

    Error: 1.5e-5 in its own range, which is 0.1 in salinity. The fit was made for
        0..35 and 0..30 °C; the limits here go a little further, where it is smooth.

    Source: Quan & Fry 1995, Applied Optics 34:3477-3480.
    """
    if not 0 <= salinity_psu <= _HIGHEST_PSU:
        raise OutOfRangeError(f"the index of sea water is known for S 0 to 43, not {salinity_psu}")
    if not 0 <= temperature_c <= _HIGHEST_C:
        raise OutOfRangeError(
            f"the index of sea water is known for 0 to 35 °C, not {temperature_c:g} °C"
        )
    if not 400 <= wavelength_nm <= 700:  # noqa: PLR2004 (stated in the docstring)
        raise OutOfRangeError(f"the wavelength must be 400 to 700 nm, not {wavelength_nm:g} nm")
    s, t, w = salinity_psu, temperature_c, wavelength_nm
    # n = n0 + (n1 + n2 T + n3 T^2) S + n4 T^2 + (n5 + n6 S + n7 T) / w + n8 / w^2 + n9 / w^3
    return (
        1.31405
        + (1.779e-4 - 1.05e-6 * t + 1.6e-8 * t * t) * s
        - 2.02e-6 * t * t
        + (15.868 + 0.01155 * s - 0.00423 * t) / w
        - 4382 / w**2
        + 1.1455e6 / w**3
    )


def salinity_from_index_psu(index: float, temperature_c: float) -> float:
    """Practical salinity of sea water with this refractive index at the sodium line.

    Args:
        index: Refractive index relative to air. [1]
        temperature_c: Temperature of the sample, 0..35. [°C]

    Returns:
        Practical salinity, 0..43. [1]

    Raises:
        OutOfRangeError: no such sea water.

    Source: inverse of :func:`sea_water_index`, which is linear in salinity.
    """
    fresh = sea_water_index(0, temperature_c)
    per_psu = (sea_water_index(40, temperature_c) - fresh) / 40
    salinity = (index - fresh) / per_psu
    if not 0 <= salinity <= _HIGHEST_PSU:
        raise OutOfRangeError(
            f"a refractive index of {index:.5f} at {temperature_c:g} °C is not sea water of "
            "salinity 0 to 43"
        )
    return salinity


def brine_index(salt_g_kg: float) -> float:
    """Refractive index of a solution of table salt at 20 °C and 589 nm, relative to air.

    Args:
        salt_g_kg: Sodium chloride, 0..60. [g/kg]

    Returns:
        Refractive index. [1]

    Raises:
        OutOfRangeError: outside 0..60 g/kg.

    Error: 5e-5, the table's last digit, which is 0.3 g/kg.

    Source: quadratic through the CRC Handbook's indices of sodium chloride solutions.
    """
    highest = _BRINE_INDEX[-1][0]
    if not 0 <= salt_g_kg <= highest:
        raise OutOfRangeError(f"a brine scale runs from 0 to {highest:g}, not to {salt_g_kg:g}")
    square, slope, fresh = _BRINE_CURVE
    return fresh + slope * salt_g_kg + square * salt_g_kg**2


def sea_water_on_brine_scale(salinity_psu: float) -> float:
    """What a scale marked for table-salt brine shows for sea water at 20 °C.

    Args:
        salinity_psu: Practical salinity, 0..43. [1]

    Returns:
        Reading, about 36.5 at S = 35. [g/kg of sodium chloride]

    Raises:
        OutOfRangeError: outside that range.

    Error: 0.3, from the table's last digit.
    """
    index = sea_water_index(salinity_psu, SCALE_TEMPERATURE_C)
    square, slope, fresh = _BRINE_CURVE
    # n = fresh + slope w + square w^2, the root that is near zero for fresh water.
    discriminant = slope**2 - 4 * square * (fresh - index)
    return float((discriminant**0.5 - slope) / (2 * square))


def brine_from_gravity_g_kg(specific_gravity: float) -> float:
    """Salt in a table-salt brine of this specific gravity (20/20).

    Args:
        specific_gravity: Density over that of pure water, both at 20 °C, 1..1.043. [1]

    Returns:
        Sodium chloride, 0..60. [g/kg]

    Raises:
        OutOfRangeError: outside that range.

    Error: 0.1 g/kg.

    Source: CRC Handbook's densities of sodium chloride solutions, interpolated.
    """
    gravities = [density / _BRINE_DENSITY[0][1] for _, density in _BRINE_DENSITY]
    if not 1 <= specific_gravity <= gravities[-1]:
        raise OutOfRangeError(
            f"a brine scale runs from 1.000 to {gravities[-1]:.3f}, not to {specific_gravity:g}"
        )
    return float(np.interp(specific_gravity, gravities, [salt for salt, _ in _BRINE_DENSITY]))
