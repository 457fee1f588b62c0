"""The water of one tank: salt is conserved, fresh water evaporates and is topped off.

Two boxes: a small zone around the probe that exchanges with the rest, and the rest. Salt and
water are carried as masses of the whole, so that mixing can neither make nor lose salt.
"""

import math
from dataclasses import dataclass

import numpy as np

from bridge.simulation.air import evaporation_kg_m2_h
from bridge.simulation.traits import Traits
from bridge.simulation.truth import BoolArray, FloatArray

GRAMS_PER_KG_AT_35 = 35.16504
"""Absolute salinity of reference sea water of practical salinity 35 (Millero et al. 2008)."""

DENSITY_KG_L = 1.0233
"""Sea water of S = 35 at 25 °C (TEOS-10)."""

EXPANSION_PER_C = 2.97e-4
"""Thermal expansion of sea water of S = 35 at 25 °C (TEOS-10)."""

STILL_WATER_SLOWDOWN = 15.0
"""Mixing is this many times slower while the return pump rests (common practice, no source)."""


@dataclass(slots=True, kw_only=True)
class WaterPlan:
    """What acts on the water at each step of the grid; arrays have the shape ``(n,)``."""

    step_s: float
    start_s: float
    room_c: FloatArray
    humidity: FloatArray
    lights: BoolArray
    return_pump: BoolArray
    mixing_s: FloatArray
    plume_share: FloatArray
    top_off_blocked: BoolArray
    """The float says full, or the controller is switched off."""
    top_off_forced: BoolArray
    """The pump runs whatever the float says."""
    siphon_l_h: FloatArray
    """Fresh water that flows without the pump."""
    leak_l_h: FloatArray
    """Salt water that leaves: a leak, a skimmer that overflows, the drain of a water change."""
    inflow_l_h: FloatArray
    """Prepared water that is poured in."""
    inflow_psu: FloatArray
    inflow_plume_share: FloatArray
    reservoir_l: FloatArray
    """Fresh water put into the reservoir at a step; infinite for one that never runs dry."""
    siphon_is_metered: bool = True
    first_level_mm: float = 0.0
    top_off_hour: float = 9.0


@dataclass(slots=True, kw_only=True)
class WaterTrace:
    """How the water went; arrays have the shape ``(n,)``."""

    salinity_psu: FloatArray
    zone_psu: FloatArray
    temperature_c: FloatArray
    volume_l: FloatArray
    level_mm: FloatArray
    salt_kg: FloatArray
    salt_moved_kg: FloatArray
    """Salt added minus salt lost since the start, for the balance."""
    water_moved_kg: FloatArray
    fresh_l: FloatArray
    metered_l: FloatArray
    evaporated_l: FloatArray
    top_off_pump: BoolArray
    heater: BoolArray


def practical(salt_kg: float, mass_kg: float) -> float:
    """Practical salinity of a mass of sea water that holds this much sea salt."""
    return 1000.0 * salt_kg / mass_kg * 35.0 / GRAMS_PER_KG_AT_35


def salt_share(salinity_psu: float) -> float:
    """Mass of sea salt per mass of sea water."""
    return salinity_psu / 35.0 * GRAMS_PER_KG_AT_35 / 1000.0


def litre_mass_kg(salinity_psu: float) -> float:
    """Mass of a litre at 25 °C, linear between fresh water and S = 35 (TEOS-10 end points)."""
    return 0.99705 + (DENSITY_KG_L - 0.99705) * salinity_psu / 35.0


def integrate(traits: Traits, plan: WaterPlan) -> WaterTrace:  # noqa: C901, PLR0912, PLR0915
    """Carry the water through the plan, one explicit step after the other.

    A single long loop over plain floats: at half a million steps a month anything prettier
    costs minutes.
    """
    count = len(plan.room_c)
    step_s = plan.step_s
    step_h = step_s / 3600.0
    surface_m2 = traits.volume_l / 1000.0 / traits.depth_m
    nominal_kg = traits.volume_l * DENSITY_KG_L
    salt_kg = salt_share(traits.target_psu) * nominal_kg
    mass_kg = nominal_kg + plan.first_level_mm * traits.litres_per_mm * 0.99705
    zone_kg = nominal_kg * traits.zone_share
    zone_psu = practical(salt_kg, mass_kg)
    temperature_c = max(traits.set_point_c, float(plan.room_c[0]))
    heating = False
    pumping = False
    asked = False
    reservoir_l = 0.0
    fresh_l = metered_l = evaporated_l = salt_moved_kg = water_moved_kg = 0.0
    pump_step_l = traits.top_off_l_h * step_h

    room = plan.room_c.tolist()
    lights = plan.lights.tolist()
    running = plan.return_pump.tolist()
    mixing = plan.mixing_s.tolist()
    plume = plan.plume_share.tolist()
    blocked = plan.top_off_blocked.tolist()
    forced = plan.top_off_forced.tolist()
    siphon = (plan.siphon_l_h * step_h).tolist()
    leak = (plan.leak_l_h * step_h).tolist()
    inflow = (plan.inflow_l_h * step_h).tolist()
    inflow_psu = plan.inflow_psu.tolist()
    inflow_plume = plan.inflow_plume_share.tolist()
    refill = plan.reservoir_l.tolist()
    # Evaporation varies slowly against a step: it is worked out once every few minutes.
    humidity = plan.humidity.tolist()
    every = max(1, round(120.0 / step_s))
    evaporation_kg = 0.0

    keep: list[list[float]] = [[0.0] * count for _ in range(11)]
    (
        k_mixed,
        k_zone,
        k_temp,
        k_volume,
        k_level,
        k_salt,
        k_smoved,
        k_wmoved,
        k_fresh,
        k_meter,
        k_evap,
    ) = keep
    k_pump = [False] * count
    k_heat = [False] * count

    day_h = (plan.start_s % 86400.0) / 3600.0
    for index in range(count):
        # Warmth
        if temperature_c < traits.set_point_c - traits.heater_band_c / 2:
            heating = True
        elif temperature_c > traits.set_point_c + traits.heater_band_c / 2:
            heating = False
        warming_c_h = (room[index] - temperature_c) / traits.cooling_h
        if heating:
            warming_c_h += traits.heater_c_h
        if lights[index]:
            warming_c_h += traits.light_c_h
        temperature_c += warming_c_h * step_h

        # Evaporation
        if index % every == 0:
            factor = traits.surface_factor * (traits.light_evaporation if lights[index] else 1.0)
            evaporation_kg = (
                surface_m2
                * step_h
                * evaporation_kg_m2_h(
                    water_c=temperature_c,
                    air_c=room[index],
                    humidity=humidity[index],
                    air_speed_m_s=traits.air_speed_m_s,
                    factor=factor,
                )
            )
        mass_kg -= evaporation_kg
        water_moved_kg -= evaporation_kg
        evaporated_l += evaporation_kg / 0.99705

        # Level and top-off
        volume_l = mass_kg / DENSITY_KG_L * (1.0 + EXPANSION_PER_C * (temperature_c - 25.0))
        level_mm = (volume_l - traits.volume_l) / traits.litres_per_mm
        if not running[index]:
            level_mm += traits.drain_back_l / traits.litres_per_mm
        reservoir_l += refill[index]
        if traits.top_off_daily:
            before_h = day_h
            day_h = (day_h + step_h) % 24.0
            if before_h <= plan.top_off_hour < day_h or (day_h < before_h < plan.top_off_hour):
                asked = True
            if level_mm >= 0.0:
                asked = False
            pumping = asked
        elif level_mm <= -traits.top_off_band_mm:
            pumping = True
        elif level_mm >= 0.0:
            pumping = False
        on = forced[index] or (pumping and not blocked[index])
        added_l = min(pump_step_l, reservoir_l) if on else 0.0
        siphoned_l = min(siphon[index], reservoir_l - added_l)
        metered_l += added_l + (siphoned_l if plan.siphon_is_metered else 0.0)
        added_l += siphoned_l
        reservoir_l -= added_l
        fresh_l += added_l
        added_kg = added_l * 0.99705

        # Salt water out and in
        mixed_psu = practical(salt_kg, mass_kg)
        poured_kg = poured_psu = 0.0
        if leak[index] or inflow[index]:
            lost_kg = leak[index] * DENSITY_KG_L
            lost_salt_kg = salt_kg * lost_kg / mass_kg
            poured_psu = inflow_psu[index]
            poured_kg = inflow[index] * litre_mass_kg(poured_psu)
            gained_salt_kg = poured_kg * salt_share(poured_psu)
            salt_kg += gained_salt_kg - lost_salt_kg
            mass_kg += poured_kg - lost_kg
            salt_moved_kg += gained_salt_kg - lost_salt_kg
            water_moved_kg += poured_kg - lost_kg
        mass_kg += added_kg
        water_moved_kg += added_kg

        # The zone around the probe
        mixing_s = mixing[index] if running[index] else mixing[index] * STILL_WATER_SLOWDOWN
        zone_psu += (mixed_psu - zone_psu) * (1.0 - math.exp(-step_s / mixing_s))
        if added_kg:
            zone_psu -= zone_psu * min(1.0, plume[index] * added_kg / zone_kg)
        if poured_kg:
            zone_psu += (poured_psu - zone_psu) * min(
                1.0, inflow_plume[index] * poured_kg / zone_kg
            )

        k_mixed[index] = practical(salt_kg, mass_kg)
        k_zone[index] = zone_psu
        k_temp[index] = temperature_c
        k_volume[index] = volume_l
        k_level[index] = level_mm
        k_salt[index] = salt_kg
        k_smoved[index] = salt_moved_kg
        k_wmoved[index] = water_moved_kg
        k_fresh[index] = fresh_l
        k_meter[index] = metered_l
        k_evap[index] = evaporated_l
        k_pump[index] = on
        k_heat[index] = heating

    arrays = [np.array(values) for values in keep]
    return WaterTrace(
        salinity_psu=arrays[0],
        zone_psu=arrays[1],
        temperature_c=arrays[2],
        volume_l=arrays[3],
        level_mm=arrays[4],
        salt_kg=arrays[5],
        salt_moved_kg=arrays[6],
        water_moved_kg=arrays[7],
        fresh_l=arrays[8],
        metered_l=arrays[9],
        evaporated_l=arrays[10],
        top_off_pump=np.array(k_pump),
        heater=np.array(k_heat),
    )
