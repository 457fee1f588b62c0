"""Water vapour and evaporation, written for the simulator alone.

The core has its own evaporation model. This one is deliberately a second implementation with
another vapour-pressure formula, so that the core is not tested against itself.
"""

import math

SEA_WATER_VAPOUR_FACTOR = 0.98
"""Vapour pressure over sea water of S = 35 relative to fresh water (Raoult; from memory)."""


def saturation_pressure_kpa(temperature_c: float) -> float:
    """Saturation vapour pressure over fresh water.

    Args:
        temperature_c: Between -20 and 50. [°C]

    Returns:
        Pressure. [kPa]

    Error: about 0.05 % between 0 and 50 °C.

    Source: Buck (1981), J. Appl. Meteorol. 20:1527, in its 1996 revision (from memory).
    """
    return 0.61121 * math.exp(
        (18.678 - temperature_c / 234.5) * (temperature_c / (257.14 + temperature_c))
    )


def latent_heat_kj_kg(temperature_c: float) -> float:
    """Latent heat of vaporisation of water.

    Args:
        temperature_c: Between 0 and 40. [°C]

    Returns:
        Heat. [kJ/kg]

    Source: the usual straight line through the steam tables (from memory).
    """
    return 2501.0 - 2.361 * temperature_c


def evaporation_kg_m2_h(
    *,
    water_c: float,
    air_c: float,
    humidity: float,
    air_speed_m_s: float = 0.0,
    factor: float = 0.74,
) -> float:
    """Evaporation from a free sea-water surface, never negative.

    Args:
        water_c: Water temperature. [°C]
        air_c: Room temperature. [°C]
        humidity: Relative humidity of the room, 0 to 1.
        air_speed_m_s: Air movement over the water. [m/s]
        factor: 0.74 for a quiet surface, about 1 for a disturbed one.

    Returns:
        Evaporated water. [kg/m2/h]

    Source: Carrier (1918) in the form of the ASHRAE handbook; the quiet factor from Smith, Löf
    and Jones (1998). In SI units W = (0.089 + 0.0782 v)(pw - pa)/Y in kg/(m2 s).
    """
    deficit_kpa = SEA_WATER_VAPOUR_FACTOR * saturation_pressure_kpa(water_c)
    deficit_kpa -= humidity * saturation_pressure_kpa(air_c)
    rate = (0.08893 + 0.0783 * air_speed_m_s) * deficit_kpa / latent_heat_kj_kg(water_c)
    return max(0.0, 3600.0 * factor * rate)
