"""How far and how fast the water of one tank can be and can change."""

from dataclasses import dataclass
from math import sqrt
from typing import Final

from bridge.core.learning import PRIOR_RESOLUTION_PSU
from bridge.core.settings import Tank

LOWEST_PSU: Final = 2.0
HIGHEST_PSU: Final = 42.0
"""Range of the practical salinity scale (UNESCO 44)."""
LOWEST_C: Final = -2.0
HIGHEST_C: Final = 35.0
"""Temperatures for which the practical salinity scale was fitted (UNESCO 44)."""
ASSUMED_TOP_OFF_PER_H: Final = 0.15
"""Share of the volume that an unstated top-off may deliver in an hour."""
PSU_PER_C: Final = 0.77
"""Fall of the corrected salinity at 35 per degree that the thermometer reads too high, between
22 and 29 C (computed with gsw.SP_from_C)."""
HEATING_C_H: Final = 1.8
"""2 W a litre (common practice, no source) over 3.99 kJ/(kg C) and 1.023 kg/l."""
INFLOW_C_H: Final = 20.0
"""Allowed instead where outside water flows through: it brings its own temperature."""
USUAL_EVAPORATION_PER_DAY: Final = 0.01
"""Share of the volume; 0.005 to 0.02 follow from the ASHRAE relation for indoor tanks."""


def fastest_fall_psu_h(tank: Tank, salinity_psu: float) -> float:
    """Fastest fall of salinity that the plumbing allows [1/h].

    Fresh water at f litres an hour lowers S by S f / V an hour. An automatic salt-water change
    counts as if its container held fresh water, the worst mistake that can be made with it.

    Args:
        tank: Its volume and plumbing.
        salinity_psu: Salinity that it has. [1]
    """
    plumbing = tank.plumbing
    top_off_l_h = plumbing.top_off_l_h
    if top_off_l_h is None:
        top_off_l_h = ASSUMED_TOP_OFF_PER_H * tank.volume_l
    fresh_l_h = top_off_l_h + plumbing.salt_water_l_h
    return salinity_psu * fresh_l_h / tank.volume_l + plumbing.flow_through_psu_h


def fastest_rise_psu_h(tank: Tank, salinity_psu: float) -> float:
    """Fastest rise of salinity that evaporation and plumbing allow [1/h].

    An automatic salt-water change counts as if it delivered water of salinity 42.

    Args:
        tank: Its volume and plumbing.
        salinity_psu: Salinity that it has. [1]
    """
    plumbing = tank.plumbing
    evaporation_psu_h = salinity_psu * plumbing.largest_evaporation_pct_day / 100.0 / 24.0
    brine_psu = max(0.0, HIGHEST_PSU - salinity_psu)
    exchange_psu_h = brine_psu * plumbing.salt_water_l_h / tank.volume_l
    return evaporation_psu_h + exchange_psu_h + plumbing.flow_through_psu_h


def naturally_flat_s(resolution_psu: float, salinity_psu: float) -> float:
    """Time in which still water and usual evaporation must have moved the reading [s].

    Three times what evaporation of 1 % a day needs to cross one step of the reading, because
    top-off takes much of it back.

    Args:
        resolution_psu: Step of the reading; 0 when unknown, then 0.1 is assumed. [1]
        salinity_psu: Salinity of the water. [1]
    """
    step_psu = resolution_psu or PRIOR_RESOLUTION_PSU
    return 3.0 * 86_400.0 * step_psu / (USUAL_EVAPORATION_PER_DAY * max(salinity_psu, 1.0))


@dataclass(frozen=True, slots=True)
class Bounds:
    """Bounds of one tank that do not change from sample to sample."""

    low_psu: float
    high_psu: float
    suspect_low_psu: float
    suspect_high_psu: float
    fall_psu_h: float
    rise_psu_h: float
    temperature_change_c_h: float
    temperature_jump_c: float
    thermometer_psu: float
    neighbour_expanded_psu: float | None


def bounds(tank: Tank) -> Bounds:
    """Work out the bounds of one tank from what the keeper stated.

    Args:
        tank: Its settings.

    Returns:
        Suspect range: the normal band widened by its own width on either side. Rates: at the
        target salinity. Temperature jump: expanded uncertainty of a difference of two readings.
    """
    limits, uncertainty_c = tank.limits, tank.thermometer.expanded_uncertainty_c
    width_psu = limits.high_psu - limits.low_psu
    neighbour_psu = None
    if tank.second_probe is not None:
        first_psu = tank.probe.calibration.expanded_uncertainty_psu
        second_psu = tank.second_probe.calibration.expanded_uncertainty_psu
        neighbour_psu = sqrt(first_psu**2 + second_psu**2)
    flows_through = tank.plumbing.flow_through_psu_h > 0
    return Bounds(
        low_psu=limits.low_psu,
        high_psu=limits.high_psu,
        suspect_low_psu=max(LOWEST_PSU, limits.low_psu - width_psu),
        suspect_high_psu=min(HIGHEST_PSU, limits.high_psu + width_psu),
        fall_psu_h=fastest_fall_psu_h(tank, limits.target_psu),
        rise_psu_h=fastest_rise_psu_h(tank, limits.target_psu),
        temperature_change_c_h=INFLOW_C_H if flows_through else HEATING_C_H,
        temperature_jump_c=sqrt(2.0) * uncertainty_c,
        thermometer_psu=PSU_PER_C * uncertainty_c / 2.0,
        neighbour_expanded_psu=neighbour_psu,
    )
