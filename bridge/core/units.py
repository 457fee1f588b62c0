"""Units that may arrive or be shown, to and from the ones used inside (mS/cm and °C).

Practical salinity has no unit; ``psu`` and ``ppt`` name the same number, and specific gravity is
turned into salinity by ``bridge.core.seawater``, because it needs a reference temperature.
"""

from typing import Final, TypeVar

from bridge.core.seawater import FloatArray
from bridge.core.settings import ProbeUnit, TemperatureUnit

Number = TypeVar("Number", float, FloatArray)

MS_CM_PER_UNIT: Final[dict[ProbeUnit, float]] = {
    ProbeUnit.MS_CM: 1.0,
    ProbeUnit.US_CM: 0.001,
    ProbeUnit.S_M: 10.0,
}
"""Conductivity units, and how many mS/cm each is."""

SALINITY_UNITS: Final = frozenset({ProbeUnit.PSU, ProbeUnit.PPT})


def to_ms_cm(conductivity: Number, unit: ProbeUnit) -> Number:
    """Conductivity in mS/cm.

    Args:
        conductivity: A number or an array. [``unit``]
        unit: One of mS/cm, uS/cm, S/m.

    Returns:
        The same conductivity. [mS/cm]

    Raises:
        ValueError: ``unit`` is no unit of conductivity.
    """
    return conductivity * _factor(unit)


def from_ms_cm(conductivity_ms_cm: Number, unit: ProbeUnit) -> Number:
    """Conductivity in another unit; the inverse of :func:`to_ms_cm`.

    Args:
        conductivity_ms_cm: A number or an array. [mS/cm]
        unit: One of mS/cm, uS/cm, S/m.

    Returns:
        The same conductivity. [``unit``]

    Raises:
        ValueError: ``unit`` is no unit of conductivity.
    """
    return conductivity_ms_cm / _factor(unit)


def to_celsius(temperature: Number, unit: TemperatureUnit) -> Number:
    """Temperature in degrees Celsius.

    Args:
        temperature: A number or an array. [``unit``]
        unit: C, F or K.

    Returns:
        The same temperature; whether water can have it is not judged here. [°C]
    """
    match unit:
        case TemperatureUnit.C:
            return temperature
        case TemperatureUnit.F:
            return (temperature - 32.0) / 1.8
        case TemperatureUnit.K:
            return temperature - 273.15


def from_celsius(temperature_c: Number, unit: TemperatureUnit) -> Number:
    """Temperature in another unit; the inverse of :func:`to_celsius`.

    Args:
        temperature_c: A number or an array. [°C]
        unit: C, F or K.

    Returns:
        The same temperature. [``unit``]
    """
    match unit:
        case TemperatureUnit.C:
            return temperature_c
        case TemperatureUnit.F:
            return temperature_c * 1.8 + 32.0
        case TemperatureUnit.K:
            return temperature_c + 273.15


def _factor(unit: ProbeUnit) -> float:
    if unit not in MS_CM_PER_UNIT:
        raise ValueError(f"{unit} is no unit of conductivity; accepted are mS/cm, uS/cm, S/m")
    return MS_CM_PER_UNIT[unit]
