"""Evaporation from the surface of a tank, and what it does to the salinity."""

from math import exp
from typing import Final

import gsw

from bridge.core import seawater
from bridge.core.errors import OutOfRangeError

# Salt lowers the vapour pressure of water. From memory: 2 % at S = 35.
_SEA_WATER_VAPOUR_FACTOR: Final = 0.98

# The conditions beyond which no room goes; common practice, no source.
_DRIEST_AIR_TEMPERATURE_C: Final = 20.0
_DRIEST_AIR_HUMIDITY: Final = 0.2
_STRONGEST_FAN_M_S: Final = 1.5

_LITRES_PER_M3: Final = 1000.0
_PURE_WATER_KG_L: Final = float(gsw.rho_t_exact(0.0, 25.0, 0.0)) / _LITRES_PER_M3


def saturation_pressure_kpa(temperature_c: float) -> float:
    """Vapour pressure over pure water.

    Args:
        temperature_c: -20 to 60. [°C]

    Returns:
        Saturation pressure. [kPa]

    Raises:
        OutOfRangeError: Temperature outside -20..60 °C.

    Error: 0.1 %, between 0 and 40 °C.

    Source: Magnus form of the WMO Guide to Instruments and Methods of Observation (WMO-No. 8),
        annex 4.B.
    """
    if not -20.0 <= temperature_c <= 60.0:  # noqa: PLR2004 (the docstring's limits)
        raise OutOfRangeError(f"temperature is {temperature_c:g} °C; valid is -20 to 60 °C")
    return 0.6112 * exp(17.62 * temperature_c / (243.12 + temperature_c))


def evaporation_kg_m2_h(
    water_temperature_c: float,
    air_temperature_c: float,
    relative_humidity: float,
    *,
    air_speed_m_s: float = 0.0,
    activity: float = 1.0,
) -> float:
    """Rate of evaporation from open sea water, the Carrier equation of the ASHRAE handbook.

    Args:
        water_temperature_c: -2 to 35. [°C]
        air_temperature_c: Of the room, -20 to 60. [°C]
        relative_humidity: Of the room, 0 to 1. [1]
        air_speed_m_s: Over the surface, 0 to 5. [m/s]
        activity: 1 for ruffled water; 0.74 for a quiet surface. [1]

    Returns:
        Rate, 0 when the air would rather condense. [kg/(m2 h)]

    Raises:
        OutOfRangeError: An argument lies outside its range.

    Error: some 20 % between published measurements of pools; tanks were not among them.

    Source: ASHRAE Handbook, HVAC Applications (after Carrier 1918), in the form
        ``W = (95 + 0.425 v) (pw - pa) / Y`` with ft/min, inHg and Btu/lb; quiet factor of Smith,
        Löf and Jones 1998. Latent heat from memory.
    """
    if not seawater.LOWEST_TEMPERATURE_C <= water_temperature_c <= seawater.HIGHEST_TEMPERATURE_C:
        raise OutOfRangeError(
            f"water temperature is {water_temperature_c:g} °C; valid is -2 to 35 °C"
        )
    if not 0.0 <= relative_humidity <= 1.0:
        raise OutOfRangeError(f"relative humidity is {relative_humidity:g}; valid is 0 to 1")
    if not 0.0 <= air_speed_m_s <= 5.0:  # noqa: PLR2004 (the docstring's limits)
        raise OutOfRangeError(f"air speed is {air_speed_m_s:g} m/s; valid is 0 to 5 m/s")
    over_water_kpa = _SEA_WATER_VAPOUR_FACTOR * saturation_pressure_kpa(water_temperature_c)
    in_air_kpa = relative_humidity * saturation_pressure_kpa(air_temperature_c)
    air_speed_ft_min = air_speed_m_s * 60.0 / 0.3048
    latent_heat_btu_lb = (2501.0 - 2.37 * water_temperature_c) / 2.326
    difference_in_hg = (over_water_kpa - in_air_kpa) / 3.38639
    rate_lb_ft2_h = (95.0 + 0.425 * air_speed_ft_min) * difference_in_hg / latent_heat_btu_lb
    return max(0.0, activity * rate_lb_ft2_h * 0.45359237 / 0.3048**2)


def evaporation_bounds_l_day(surface_m2: float, water_temperature_c: float) -> tuple[float, float]:
    """Least and most water that can evaporate in a day.

    Args:
        surface_m2: Of all open water, tank and sump, above 0. [m2]
        water_temperature_c: -2 to 35. [°C]

    Returns:
        Lowest, 0 because a lid can stop it, and highest: ruffled water under a strong fan
        (1.5 m/s) in dry winter air (20 °C, 20 % relative humidity). [l/d]

    Raises:
        OutOfRangeError: An argument lies outside its range.

    Source: :func:`evaporation_kg_m2_h`; the conditions are common practice, no source.
    """
    if not surface_m2 > 0.0:
        raise OutOfRangeError(f"surface is {surface_m2:g} m²; it must be above 0")
    highest_kg_m2_h = evaporation_kg_m2_h(
        water_temperature_c,
        _DRIEST_AIR_TEMPERATURE_C,
        _DRIEST_AIR_HUMIDITY,
        air_speed_m_s=_STRONGEST_FAN_M_S,
    )
    return 0.0, highest_kg_m2_h * 24.0 * surface_m2 / _PURE_WATER_KG_L


def salinity_after_evaporation_psu(
    salinity_psu: float, volume_l: float, evaporated_l: float, temperature_c: float = 25.0
) -> float:
    """Salinity when pure water has left and all the salt has stayed.

    Args:
        salinity_psu: Practical Salinity before, 2 to 42. [1]
        volume_l: Volume before, above 0. [l]
        evaporated_l: Pure water lost, 0 to below half the volume; negative for water added. [l]
        temperature_c: Of the water, -2 to 35. [°C]

    Returns:
        Practical Salinity after. [1]

    Raises:
        OutOfRangeError: An argument lies outside its range.

    Error: the simple ``S V / (V - evaporated)`` is 2.6 % of the rise higher at S = 35, for it
        takes the water lost to be as dense as sea water.

    Source: conservation of salt by mass; densities of TEOS-10.
    """
    if not volume_l > 0.0:
        raise OutOfRangeError(f"volume is {volume_l:g} l; it must be above 0")
    if not evaporated_l < volume_l / 2.0:
        raise OutOfRangeError(
            f"evaporated water is {evaporated_l:g} l; it must be below half of {volume_l:g} l"
        )
    mass_kg = volume_l * seawater.density_kg_m3(salinity_psu, temperature_c) / _LITRES_PER_M3
    return salinity_psu * mass_kg / (mass_kg - evaporated_l * _PURE_WATER_KG_L)
