"""Conductivity of calibration standards at the temperature they happen to have.

Potassium chloride follows temperature by a law of its own, so a standard's value is taken from its
own table and never worked out with a probe's temperature coefficient.
"""

from enum import StrEnum
from typing import Final

from bridge.core import seawater
from bridge.core.errors import OutOfRangeError

STATED_TEMPERATURE_C: Final = 25.0
"""Temperature for which bottles state their value."""


class Standard(StrEnum):
    """Standards whose conductivity is known at any temperature."""

    SEAWATER = "seawater"
    """S = 35."""
    KCL_0_01 = "kcl-0.01"
    KCL_0_1 = "kcl-0.1"
    KCL_1_0 = "kcl-1.0"


# Temperature [°C], conductivity [uS/cm] of 0.01, 0.1 and 1.0 mol KCl per kg of water.
# Source: CRC Handbook of Chemistry and Physics 5-73 (Wu et al. 1991, 1994; Pratt et al. 2001),
# ITS-90, the water's own conductivity subtracted. It prints nothing for 1.0 mol/kg at 18 °C.
_KCL_TABLE: Final = (
    (0.0, 772.92, 7116.85, 63488.0),
    (5.0, 890.96, 8183.70, 72030.0),
    (10.0, 1013.95, 9291.72, 80844.0),
    (15.0, 1141.45, 10437.1, 89900.0),
    (18.0, 1219.93, 11140.6, None),
    (20.0, 1273.03, 11615.9, 99170.0),
    (25.0, 1408.23, 12824.6, 108620.0),
    (30.0, 1546.63, 14059.2, 118240.0),
    (35.0, 1687.79, 15316.0, 127970.0),
    (40.0, 1831.27, 16591.0, 137810.0),
    (45.0, 1976.62, 17880.6, 147720.0),
    (50.0, 2123.43, 19180.9, 157670.0),
)
_KCL: Final[dict[Standard, tuple[tuple[float, float], ...]]] = {
    standard: tuple(
        (row[0], value / 1000.0) for row in _KCL_TABLE if (value := row[column]) is not None
    )
    for column, standard in enumerate(
        (Standard.KCL_0_01, Standard.KCL_0_1, Standard.KCL_1_0), start=1
    )
}
_NEIGHBOURS: Final = 4


def conductivity_ms_cm(
    standard: Standard, temperature_c: float, *, stated_25c_ms_cm: float | None = None
) -> float:
    """Conductivity of a standard at its temperature.

    Args:
        standard: Which one.
        temperature_c: Of the standard itself; 0 to 50 for KCl, -2 to 35 for sea water. [°C]
        stated_25c_ms_cm: What the bottle states for 25 °C, when it differs from the table (a
            bottle of 0.01 mol per litre states 1.413). [mS/cm]

    Returns:
        Conductivity, not compensated. A stated value keeps the standard's own way with
        temperature: it scales the table of KCl, and is turned into a salinity for sea water.
        [mS/cm]

    Raises:
        OutOfRangeError: Temperature or stated value outside what is known.

    Error: the printed digits at the table's temperatures. Between them a cubic through the four
        nearest rows, within 0.001 % (found by leaving out 18 °C). Water open to air adds about
        0.001 mS/cm, which the table leaves out.

    Source: CRC Handbook 5-73 for KCl; PSS-78 for sea water.
    """
    if standard is Standard.SEAWATER:
        salinity = 35.0
        if stated_25c_ms_cm is not None:
            salinity = seawater.salinity_psu(stated_25c_ms_cm, STATED_TEMPERATURE_C)
        return seawater.conductivity_ms_cm(salinity, temperature_c)
    table = _KCL[standard]
    value = _interpolate(table, temperature_c)
    if stated_25c_ms_cm is None:
        return value
    if not stated_25c_ms_cm > 0.0:
        raise OutOfRangeError(f"stated value is {stated_25c_ms_cm:g} mS/cm; it must be above 0")
    return value * stated_25c_ms_cm / _interpolate(table, STATED_TEMPERATURE_C)


def _interpolate(table: tuple[tuple[float, float], ...], temperature_c: float) -> float:
    """Lagrange's cubic through the four rows around a temperature."""
    lowest, highest = table[0][0], table[-1][0]
    if not lowest <= temperature_c <= highest:
        raise OutOfRangeError(
            f"temperature is {temperature_c:g} °C; the KCl table covers "
            f"{lowest:g} to {highest:g} °C"
        )
    below = sum(row[0] <= temperature_c for row in table) - 1
    start = min(max(below - 1, 0), len(table) - _NEIGHBOURS)
    rows = table[start : start + _NEIGHBOURS]
    total = 0.0
    for here_c, value in rows:
        weight = 1.0
        for other_c, _ in rows:
            if other_c != here_c:
                weight *= (temperature_c - other_c) / (here_c - other_c)
        total += weight * value
    return total
