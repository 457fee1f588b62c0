"""What the water of a tank can do by itself: how fast it evaporates, and how far it wanders."""

from typing import Final

from bridge.core.diagnosis_state import DAY_H
from bridge.core.estimator import Physics
from bridge.core.settings import Tank

TYPICAL_EVAPORATION_PCT_DAY: Final = 1.0
"""Carrier/ASHRAE for usual rooms: 0.5 to 2 % of the volume a day."""
EVAPORATION_SD_PCT_DAY: Final = 0.7
LOWEST_EVAPORATION_PCT_DAY: Final = -1.0
"""A net slope below zero stands for a slow leak or a continuous top-off."""
WANDER_PSU_ROOT_H: Final = 0.008


def physics_of(tank: Tank, salinity_psu: float) -> Physics:
    """What the water of a tank can do, from its plumbing.

    Source of the evaporation: Carrier/ASHRAE for usual rooms, see ``bridge.core.evaporation``.
    """
    flow = tank.plumbing.flow_through_psu_h
    if flow > 0.0:
        return Physics(
            slope_psu_h=0.0,
            slope_sd_psu_h=0.5 * flow,
            slope_min_psu_h=-flow,
            slope_max_psu_h=flow,
            wander_psu_root_h=0.1 * flow,
            slope_memory_h=0.5,
        )
    per_pct_day = salinity_psu / 100.0 / DAY_H
    return Physics(
        slope_psu_h=TYPICAL_EVAPORATION_PCT_DAY * per_pct_day,
        slope_sd_psu_h=EVAPORATION_SD_PCT_DAY * per_pct_day,
        slope_min_psu_h=LOWEST_EVAPORATION_PCT_DAY * per_pct_day,
        slope_max_psu_h=tank.plumbing.largest_evaporation_pct_day * per_pct_day,
        wander_psu_root_h=WANDER_PSU_ROOT_H,
    )
