"""What the water really does: salt, volume, level and temperature, step by step.

Salt is conserved. Evaporation takes pure water, a float switch asks for fresh water below its
normal level and stops at it, a heater holds the lower temperature and lamps add to it by day.
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.random import Generator

from tests.second_world.tank import DAY_S, HOUR_S, Device, FloatArray, Tank


@dataclass(slots=True, kw_only=True)
class Exchange:
    """A water change: draining, then filling with water of a salinity.

    Without ``salinity_psu`` the keeper mixes what brings the tank back to where it began, and
    takes out the surplus.
    """

    begin_s: float
    litres: float
    drain_for_s: float
    fill_for_s: float
    salinity_psu: float | None = None
    announced_psu: float | None = None
    announced: bool = True
    filled_psu: float = 0.0
    drained_l: float = 0.0

    @property
    def end_s(self) -> float:
        """When the last of the new water is in."""
        return self.begin_s + self.drain_for_s + self.fill_for_s


@dataclass(slots=True, kw_only=True)
class Happenings:
    """What befalls the water; each span is begin and end in seconds, a rate is litres a second."""

    pump_stuck_on: list[tuple[float, float]] = field(default_factory=list)
    pump_barred: list[tuple[float, float]] = field(default_factory=list)
    reservoir_empty: list[tuple[float, float]] = field(default_factory=list)
    lost: list[tuple[float, float, float]] = field(default_factory=list)
    siphoned: list[tuple[float, float, float]] = field(default_factory=list)
    exchanges: list[Exchange] = field(default_factory=list)


@dataclass(frozen=True, slots=True, kw_only=True)
class Water:
    """The truth on a regular grid; arrays are (n,)."""

    grid_s: FloatArray
    salinity_psu: FloatArray  # salt over volume
    at_probe_psu: FloatArray  # the same when mixed as far as the probe
    temperature_c: FloatArray
    level_mm: FloatArray
    metered_l: FloatArray
    plume: FloatArray  # 0 to 1: how far the chamber below the top-off's hose is filled by it
    top_off: Device
    heater: Device


def _mask(grid_s: FloatArray, spans: list[tuple[float, float]]) -> list[bool]:
    mask = np.zeros(len(grid_s), dtype=bool)
    for begin_s, end_s in spans:
        mask |= (grid_s >= begin_s) & (grid_s < end_s)
    as_list: list[bool] = mask.tolist()
    return as_list


def _rates(grid_s: FloatArray, spans: list[tuple[float, float, float]]) -> list[float]:
    rate = np.zeros(len(grid_s))
    for begin_s, end_s, litres_s in spans:
        rate[(grid_s >= begin_s) & (grid_s < end_s)] += litres_s
    as_list: list[float] = rate.tolist()
    return as_list


def _evaporation_l_s(rng: Generator, tank: Tank, grid_s: FloatArray) -> list[float]:
    """More by day, when lamps and fans run, and another amount every day."""
    hour = (grid_s / HOUR_S) % 24.0
    middle_h = tank.lights_on_h + tank.lights_for_h / 2.0
    by_hour = 1.0 + rng.uniform(0.05, 0.45) * np.cos((hour - middle_h) * np.pi / 12.0)
    days = int(grid_s[-1] // DAY_S) + 3
    knots = np.clip(1.0 + 0.12 * rng.standard_normal(days), 0.6, 1.4)
    by_day = np.interp(grid_s / DAY_S, np.arange(days) - 0.5, knots)
    mean_l_s = tank.volume_l * tank.evaporation_pct_day / 100.0 / DAY_S
    as_list: list[float] = (mean_l_s * by_hour * by_day).tolist()
    return as_list


def _switches(grid_s: FloatArray, on: list[bool]) -> FloatArray:
    """Times at which a list of states changes, the first one on."""
    states = np.array([False, *on], dtype=bool)
    changed = np.flatnonzero(states[1:] != states[:-1])
    times: FloatArray = grid_s[changed].astype(float)
    return times


def run_heat(tank: Tank, grid_s: FloatArray) -> tuple[FloatArray, Device]:
    """Temperature of the water in degrees Celsius, (n,), and the heater that holds it."""
    lamp = tank.device("light")
    lit = lamp.is_on(grid_s).tolist() if lamp else [False] * len(grid_s)
    step_s = float(grid_s[1] - grid_s[0])
    # What the heater gave till then, and what warms the water by the swing while they are on.
    lamp_c_s = (tank.temperature_c - tank.room_c) / tank.loss_s + tank.swing_c / (
        tank.loss_s * (1.0 - float(np.exp(-tank.lights_for_h * HOUR_S / tank.loss_s)))
    )
    room_c: list[float] = (
        tank.room_c + 0.8 * np.sin((grid_s / DAY_S - 0.4) * 2.0 * np.pi)
    ).tolist()
    now_c, heating = tank.temperature_c, False
    out_c, on = np.zeros(len(grid_s)), [False] * len(grid_s)
    for index, shines in enumerate(lit):
        if now_c < tank.temperature_c - 0.1:
            heating = True
        elif now_c > tank.temperature_c + 0.1:
            heating = False
        now_c += step_s * (
            (room_c[index] - now_c) / tank.loss_s
            + (lamp_c_s if shines else 0.0)
            + (tank.heater_c_h / HOUR_S if heating else 0.0)
        )
        out_c[index] = now_c
        on[index] = heating
    return out_c, Device(name="heat", kind="heater", switches_s=_switches(grid_s, on))


def run_water(
    rng: Generator, tank: Tank, happenings: Happenings, span_s: float, step_s: float
) -> Water:
    """Let the tank live for ``span_s`` seconds in steps of ``step_s``.

    The salinity of exchanges that are to restore the tank is filled in on the way.
    """
    grid_s = np.arange(0.0, span_s + step_s, step_s)
    evaporation = _evaporation_l_s(rng, tank, grid_s)
    forced = _mask(grid_s, happenings.pump_stuck_on)
    barred = _mask(
        grid_s, happenings.pump_barred + [(e.begin_s, e.end_s) for e in happenings.exchanges]
    )
    dry = _mask(grid_s, happenings.reservoir_empty)
    lost = _rates(grid_s, happenings.lost)
    siphoned = _rates(grid_s, happenings.siphoned)
    pump = tank.device("return-pump")
    returning = pump.is_on(grid_s).tolist() if pump else [True] * len(grid_s)
    temperature_c, heater = run_heat(tank, grid_s)
    exchanges = sorted(happenings.exchanges, key=lambda each: each.begin_s)

    flow_l_s = tank.top_off_l_h / HOUR_S
    volume, salt = tank.volume_l, tank.volume_l * tank.salinity_psu
    drained_back, metered, plume = 0.0, 0.0, 0.0
    seen, pumping = tank.salinity_psu, False
    near_in, near_out = step_s / 45.0, step_s / 240.0
    out_s: list[tuple[float, float, float, float, float]] = []
    pump_on: list[bool] = []
    for index, at_s in enumerate(grid_s.tolist()):
        salinity = salt / volume
        # The water in the pipes drains into the sump within a minute or two of a stop.
        target_l = 0.0 if returning[index] else tank.drain_back_l
        drained_back += (target_l - drained_back) * min(1.0, step_s / 60.0)
        missing_l = tank.volume_l - volume - drained_back
        if missing_l > tank.hysteresis_l:
            pumping = True
        elif missing_l <= 0.0:
            pumping = False
        runs = (pumping or forced[index]) and not barred[index]
        fresh_l_s = (flow_l_s if runs and not dry[index] else 0.0) + siphoned[index]
        drain_l_s, fill_l_s, fill_psu = _exchange_now(tank, exchanges, at_s, volume, salt)
        metered += fresh_l_s * step_s
        volume += (fresh_l_s + fill_l_s - evaporation[index] - lost[index] - drain_l_s) * step_s
        salt += (fill_l_s * fill_psu - (lost[index] + drain_l_s) * salinity) * step_s
        mixing_s = tank.mixing_s if returning[index] else 6.0 * tank.mixing_s
        seen += (salinity - seen) * min(1.0, step_s / mixing_s)
        wanted = 1.0 if fresh_l_s > 0.0 else 0.0
        plume += (wanted - plume) * min(1.0, near_in if wanted else near_out)
        level_mm = (volume - tank.volume_l + drained_back) / tank.litres_per_mm
        out_s.append((salt / volume, seen, level_mm, metered, plume))
        pump_on.append(runs)
    columns = np.array(out_s).T
    return Water(
        grid_s=grid_s,
        salinity_psu=columns[0],
        at_probe_psu=columns[1],
        temperature_c=temperature_c,
        level_mm=columns[2],
        metered_l=columns[3],
        plume=columns[4],
        top_off=Device(name="fresh", kind="top-off-pump", switches_s=_switches(grid_s, pump_on)),
        heater=heater,
    )


def _exchange_now(
    tank: Tank, exchanges: list[Exchange], at_s: float, volume_l: float, salt: float
) -> tuple[float, float, float]:
    """Litres a second out and in, and the salinity of what comes in."""
    for each in exchanges:
        if each.begin_s <= at_s < each.end_s:
            break
    else:
        return 0.0, 0.0, 0.0
    if not each.drained_l:
        surplus_l = max(0.0, volume_l - tank.volume_l) if each.salinity_psu is None else 0.0
        each.drained_l = each.litres + surplus_l
        left_l = volume_l - each.drained_l
        restoring = (
            tank.salinity_psu * (left_l + each.litres) - salt / volume_l * left_l
        ) / each.litres
        wanted = restoring if each.salinity_psu is None else each.salinity_psu
        each.filled_psu = round(float(np.clip(wanted, 5.0, 41.5)), 2)
    if at_s < each.begin_s + each.drain_for_s:
        return each.drained_l / each.drain_for_s, 0.0, 0.0
    return 0.0, each.litres / each.fill_for_s, each.filled_psu
