"""One scenario, ready to be written: truth, labels, and what every sensor publishes."""

from dataclasses import dataclass

import gsw
import numpy as np
from numpy.random import Generator

from bridge.core.seawater import specific_gravity
from bridge.core.settings import GravityReference
from tests.second_world.disturbing import Disturber
from tests.second_world.faults import BoolArray, Effects, slow_noise
from tests.second_world.planning import Plan, generator_of
from tests.second_world.tank import FloatArray, Tank
from tests.second_world.water import Water, run_water

LONG_S = 12 * 86400.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """Everything about one scenario; arrays of the probe are (n,), of the thermometer (m,)."""

    plan: Plan
    water: Water
    effects: Effects
    probe_at_s: FloatArray
    probe_values: FloatArray  # in the unit that the probe reports
    thermometer_at_s: FloatArray
    thermometer_values: FloatArray
    disturbed: BoolArray


def _sample_times(rng: Generator, span_s: float, cadence_s: float, jitter_s: float) -> FloatArray:
    regular = np.arange(cadence_s * 0.5, span_s, cadence_s)
    jittered = regular + np.clip(jitter_s * rng.standard_normal(len(regular)), -0.4 * cadence_s,
                                 0.4 * cadence_s)  # fmt: skip
    kept: FloatArray = jittered[rng.random(len(jittered)) > 0.0005]
    return kept


def _lagged(values: FloatArray, step_s: float, lag_s: float) -> FloatArray:
    """What an instrument with a time constant shows, (n,)."""
    keep = float(np.exp(-step_s / lag_s))
    out, value = np.zeros(len(values)), float(values[0])
    for index, new in enumerate(values.tolist()):
        value = keep * value + (1.0 - keep) * new
        out[index] = value
    return out


def make_scenario(plan: Plan) -> Scenario:
    """Run the water, act the disturbances on it, and read the instruments."""
    rng = generator_of(plan.seed, 1)
    tank, probe = plan.tank, plan.tank.probe
    step_s = 5.0 if plan.span_s < LONG_S else 20.0
    water = run_water(rng, tank, plan.happenings, plan.span_s, step_s)
    at_s = _sample_times(rng, plan.span_s, probe.cadence_s, probe.jitter_s)
    effects = Effects(at_s)
    disturber = Disturber(rng, tank, water, effects)
    for episode in plan.episodes:
        disturber.apply(episode)
    for begin_s, _ in plan.services:
        # The probe is lifted out and wiped while hands are in the water.
        effects.factor[effects.within(begin_s + 200.0, begin_s + 500.0)] *= 0.02

    sensed_c = _lagged(water.temperature_c, step_s, tank.thermometer.lag_s)
    for begin_s, end_s, room_c, lasting_s in effects.thermometer_out:
        away = 1.0 - np.exp(-np.clip(water.grid_s - begin_s, 0.0, None) / lasting_s)
        back = np.exp(-np.clip(water.grid_s - end_s, 0.0, None) / 40.0)
        share = np.where(water.grid_s < end_s, away, away * back)
        sensed_c = sensed_c + share * (room_c - sensed_c)
    sensed_c = sensed_c + tank.thermometer.bias_c
    values = _probe_values(rng, tank, water, effects, sensed_c, step_s)
    if tank.thermometer.with_probe:
        thermometer_at_s = at_s - 0.05
    else:
        cadence_s = tank.thermometer.cadence_s
        thermometer_at_s = _sample_times(rng, plan.span_s, cadence_s, 0.02 * cadence_s)
        thermometer_at_s += rng.uniform(-0.5, 0.4) * cadence_s
    silent = np.zeros(len(thermometer_at_s), dtype=bool)
    for begin_s, end_s in effects.thermometer_missing:
        silent |= (thermometer_at_s >= begin_s) & (thermometer_at_s < end_s)
    thermometer_at_s = thermometer_at_s[~silent]
    noisy_c = np.interp(thermometer_at_s, water.grid_s, sensed_c)
    noisy_c = noisy_c + tank.thermometer.noise_c * rng.standard_normal(len(noisy_c))
    scenario = Scenario(
        plan=plan,
        water=water,
        effects=effects,
        probe_at_s=at_s,
        probe_values=values,
        thermometer_at_s=thermometer_at_s,
        thermometer_values=_rounded(noisy_c, tank.thermometer.step_c),
        disturbed=effects.disturbed,
    )
    _judge_stuck(scenario)
    return scenario


def _rounded(values: FloatArray, step: float) -> FloatArray:
    rounded: FloatArray = np.round(np.round(values / step) * step, 6)
    return rounded


def _probe_values(
    rng: Generator,
    tank: Tank,
    water: Water,
    effects: Effects,
    sensed_c: FloatArray,
    step_s: float,
) -> FloatArray:
    probe, at_s = tank.probe, effects.at_s
    wet_psu = np.interp(at_s, water.grid_s, _lagged(water.at_probe_psu, step_s, probe.lag_s))
    water_c = np.interp(at_s, water.grid_s, water.temperature_c)
    device_c = np.interp(at_s, water.grid_s, sensed_c)
    noise = probe.white_psu * rng.standard_normal(len(at_s))
    noise += probe.wander_psu * slow_noise(rng, at_s, probe.wander_s)
    # 1 % of conductivity is 0.394 in salinity at 35 and 25 C (DOMAIN, section 2).
    shift = (effects.offset_psu + noise + probe.bias_psu) / 39.4
    conductivity = gsw.C_from_SP(wet_psu, water_c, 0.0) * effects.factor * (1.0 + shift)
    conductivity = np.clip(conductivity, 0.0, None)
    values = _as_reported(tank, conductivity, device_c)
    values = _rounded(values, probe.step)
    last = 0.0
    for index in np.flatnonzero(effects.frozen).tolist():
        if index and not effects.frozen[index - 1]:
            last = float(values[index - 1])
        values[index] = last
    return values


def _as_reported(tank: Tank, conductivity: FloatArray, device_c: FloatArray) -> FloatArray:
    probe = tank.probe
    scale = 1000.0 if probe.unit == "uS/cm" else 1.0
    linear = 1.0 + probe.device_pct_per_c / 100.0 * (device_c - 25.0)
    # Calibrated once, where the tank is: there the wrong coefficient does no harm.
    usual_c = tank.temperature_c - 25.0
    linear *= (1.0 + probe.stated_pct_per_c / 100.0 * usual_c) / (
        1.0 + probe.device_pct_per_c / 100.0 * usual_c
    )
    if probe.reports == "conductivity":
        return conductivity * scale
    if probe.reports == "conductivity-linear":
        return conductivity / linear * scale
    if probe.reports == "salinity":
        error_pct = probe.device_pct_per_c - probe.stated_pct_per_c
        salinity = gsw.SP_from_C(conductivity, np.clip(device_c, 0.0, 40.0), 0.0)
        salinity = salinity * (1.0 - error_pct / 100.0 * (device_c - tank.temperature_c))
    else:
        salinity = gsw.SP_from_C(conductivity / linear, 25.0, 0.0)
    salinity = np.nan_to_num(salinity, nan=0.0)
    if probe.reports == "specific-gravity-linear":
        reference = GravityReference(probe.gravity_reference)
        gravity = np.asarray(specific_gravity(np.clip(salinity, 2.0, 42.0), reference))
        # Below what the scale is made for the number goes on to that of pure water.
        return np.where(salinity < 2.0, 1.0 + (gravity - 1.0) * salinity / 2.0, gravity)
    return np.asarray(salinity)


def _judge_stuck(scenario: Scenario) -> None:
    """A value that stands is unnatural only when healthy ones do not stand as long."""
    first_s = min((e.begin_s for e in scenario.plan.episodes), default=scenario.plan.span_s)
    healthy = scenario.probe_values[scenario.probe_at_s < max(first_s, 6 * 3600.0)]
    changes = np.flatnonzero(np.diff(healthy)) if len(healthy) > 1 else np.array([])
    runs = np.diff(np.concatenate(([0], changes, [len(healthy)])))
    longest = int(runs.max(initial=1))
    cadence_s = scenario.plan.tank.probe.cadence_s
    for episode in scenario.plan.episodes:
        if episode.look != "stuck":
            continue
        episode.details["healthy run"] = str(longest)
        need_s = max(30, 3 * longest) * cadence_s
        if episode.end_s - episode.begin_s < need_s:
            episode.untellable = f"healthy values stand for {longest} samples too"
        else:
            episode.named_by_s = episode.held_from_s = episode.begin_s + need_s
