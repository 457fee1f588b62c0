"""Scenarios: a drawn tank, what befalls it, the messages of it all, and the truth."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import gsw
import numpy as np

from bridge.core.settings import (
    Calibration,
    Delivers,
    Driver,
    Equipment,
    EquipmentKind,
    GravityReference,
    Level,
    LevelUnit,
    Limits,
    MeteredTopOff,
    Permit,
    Plumbing,
    Probe,
    Reports,
    Settings,
    Tank,
    TemperatureUnit,
    Thermometer,
)
from bridge.simulation import messages as wire
from bridge.simulation.draft import Command, Draft, lay_out
from bridge.simulation.fault import Fault
from bridge.simulation.messages import Sent
from bridge.simulation.probe import PSU_PER_SHARE, device_number, read_probe, take_samples
from bridge.simulation.traits import Traits, chance
from bridge.simulation.truth import Truth

TANK_ID = "reef"
DAY_S = 86400.0


@dataclass(slots=True, kw_only=True)
class Recipe:
    """How a scenario is made: the tank, how long, and what befalls it."""

    traits: Traits
    duration_s: float
    start_s: float | None = None
    faults: Callable[[Draft], list[Fault]] | None = None
    """Called once the routine is laid out, because faults refer to its devices and times."""
    checks_every_s: float | None = None
    """The keeper compares with a hand instrument this often."""


@dataclass(slots=True, kw_only=True)
class Scenario:
    """One simulated stretch of one tank."""

    name: str
    seed: int
    tank: Tank
    truth: Truth
    traits: Traits
    start_s: float
    end_s: float
    messages: list[Sent] = field(repr=False)
    """In order of arrival."""

    def settings(self) -> Settings:
        """Settings of a daemon that watches only this tank."""
        return Settings(tanks={TANK_ID: self.tank})

    def __iter__(self) -> Iterator[Sent]:
        """The messages in order of arrival."""
        return iter(self.messages)


def make(name: str, seed: int, recipe: Recipe, rng: np.random.Generator) -> Scenario:
    """Make a scenario from its recipe."""
    draft = lay_out(rng, recipe.traits, duration_s=recipe.duration_s, start_s=recipe.start_s)
    faults = recipe.faults(draft) if recipe.faults is not None else []
    for fault in faults:
        fault.plan(draft)
    draft.carry()
    if recipe.checks_every_s is not None:
        _check_by_hand(draft, recipe.checks_every_s)
    traits = draft.traits
    trace = draft.water()
    calibrated_at_c = float(np.mean(trace.temperature_c)) + rng.normal(0.0, 0.3)

    readings = take_samples(draft, rng)
    for fault in faults:
        fault.read(draft, readings)
    numbers = read_probe(draft, readings, rng, calibrated_at_c)
    sent = list(wire.probe_messages(draft, readings, numbers, "tank/probe", rng))

    every = max(1, round(traits.thermometer_interval_s / traits.interval_s))
    sent += wire.thermometer_messages(
        draft, readings.times_s[::every], readings.thermometer_c[::every], "tank/water-c", rng
    )
    if traits.second_probe:
        # The second probe hangs elsewhere: the water there is mixed, nothing disturbs it.
        other = take_samples(draft, rng)
        other.salinity_psu = np.interp(other.times_s, draft.times_s, trace.salinity_psu)
        other.gain[:] = 1.0 + rng.normal(0.0, 0.1) / 35.0
        numbers = read_probe(draft, other, rng, calibrated_at_c)
        sent += wire.probe_messages(draft, other, numbers, "tank/probe-2", rng)
    for device_name, device in traits.devices.items():
        topic = f"tank/device/{device_name}"
        sent += wire.device_messages(draft, device_name, device, topic, rng)
    if traits.level_unit is not None:
        sent += wire.level_messages(draft, "tank/level", rng)
    if traits.meter_unit is not None:
        sent += wire.litres_messages(draft, "tank/fresh", rng)
    sent += wire.command_messages(draft, f"tidegate/{TANK_ID}")
    sent.sort(key=lambda message: message.at_s)

    truth = Truth(
        times_s=draft.times_s,
        salinity_psu=trace.salinity_psu,
        probe_salinity_psu=trace.zone_psu,
        temperature_c=trace.temperature_c,
        volume_l=trace.volume_l,
        level_mm=trace.level_mm,
        fresh_l=trace.fresh_l,
        evaporated_l=trace.evaporated_l,
        changing=draft.changing,
        probe_bias_psu=_bias_psu(traits, float(np.mean(trace.temperature_c))),
        coefficient_error_pct_per_c=traits.device_coefficient - traits.declared_coefficient,
        labels=sorted(draft.labels, key=lambda label: label.start_s),
        holds=sorted(draft.holds, key=lambda hold: hold.start_s),
    )
    return Scenario(
        name=name,
        seed=seed,
        tank=configure(traits, rng),
        truth=truth,
        traits=traits,
        start_s=draft.start_s,
        end_s=float(draft.times_s[-1]),
        messages=sent,
    )


def _bias_psu(traits: Traits, usual_c: float) -> float:
    """Error of a corrected, noise-free reading in this tank at its usual temperature."""
    bias = PSU_PER_SHARE * traits.gain_error - 0.77 * traits.thermometer_offset_c
    if traits.reports is Reports.SALINITY:
        clean = np.array(gsw.C_from_SP(traits.target_psu, usual_c, 0.0))
        bias += float(device_number(traits, clean, np.array(usual_c))) - traits.target_psu
    return bias


def _check_by_hand(draft: Draft, every_s: float) -> None:
    """Reference checks with a hand instrument, in daytime, honest about its uncertainty."""
    rng = draft.rng
    expanded = float(rng.uniform(0.1, 0.5))
    # The instrument has an error of its own that stays, and one of each reading.
    own = rng.normal(0.0, 0.35 * expanded)
    at_s = draft.start_s + rng.uniform(0.3, 1.0) * every_s
    while at_s < draft.times_s[-1] - 60.0:
        true = float(np.interp(at_s, draft.times_s, draft.water().salinity_psu))
        draft.commands.append(
            Command(
                at_s=at_s,
                name="reference-check",
                body={
                    "instrument": "bench meter",
                    "salinity": round(true + own + rng.normal(0.0, 0.3 * expanded), 2),
                    "expanded_uncertainty": round(expanded, 2),
                },
            )
        )
        at_s += every_s * rng.uniform(0.8, 1.2)


def configure(traits: Traits, rng: np.random.Generator) -> Tank:
    """What the keeper of this tank would have written into the configuration."""
    linear = {
        Reports.CONDUCTIVITY_LINEAR,
        Reports.SALINITY_LINEAR,
        Reports.SPECIFIC_GRAVITY_LINEAR,
    }
    probe = Probe(
        topic="tank/probe",
        path="reading.value" if traits.json else None,
        time_path="time" if traits.stamped else None,
        unit=traits.unit,
        reports=traits.reports,
        coefficient_pct_per_c=round(traits.declared_coefficient, 4)
        if traits.reports in linear
        else None,
        reference_temperature_c=traits.reference_c if traits.reports in linear else 25.0,
        gravity_reference=GravityReference(traits.gravity_reference)
        if traits.reports is Reports.SPECIFIC_GRAVITY_LINEAR
        else None,
        resolution=traits.resolution if traits.tells_resolution else None,
        interval_s=traits.interval_s if traits.tells_interval else None,
        calibration=Calibration(),
    )
    equipment = {
        name: Equipment(
            topic=f"tank/device/{name}",
            kind=EquipmentKind(device.kind),
            on=(device.words[0],),
            off=(device.words[1],),
            threshold=device.watts / 2.0 if device.watts is not None else None,
        )
        for name, device in traits.devices.items()
    }
    tells_level = chance(rng, 0.5)
    level = None
    if traits.level_unit is not None:
        per_unit = {LevelUnit.MM: 1.0, LevelUnit.CM: 10.0, LevelUnit.PERCENT: 2.5}
        normal = {
            LevelUnit.MM: wire.MM_NORMAL,
            LevelUnit.CM: wire.MM_NORMAL / 10.0,
            LevelUnit.PERCENT: wire.PERCENT_NORMAL,
        }
        level = Level(
            topic="tank/level",
            unit=traits.level_unit,
            normal=normal[traits.level_unit] if tells_level else None,
            litres_per_unit=traits.litres_per_mm
            * per_unit[traits.level_unit]
            * float(rng.normal(1.0, 0.05))
            if tells_level
            else None,
        )
    # A keeper knows the volume to some percent and the pump's rate from its data sheet.
    return Tank(
        volume_l=round(traits.volume_l * float(rng.normal(1.0, 0.04)), 1),
        probe=probe,
        second_probe=replace(probe, topic="tank/probe-2") if traits.second_probe else None,
        thermometer=Thermometer(
            topic="tank/water-c", unit=TemperatureUnit(traits.thermometer_unit)
        ),
        equipment=equipment,
        level=level,
        metered_top_off=MeteredTopOff(
            topic="tank/fresh", unit=traits.meter_unit, counting=traits.meter_counting
        )
        if traits.meter_unit is not None
        else None,
        plumbing=Plumbing(
            top_off_l_h=traits.top_off_l_h * float(rng.uniform(1.0, 1.2))
            if traits.tells_pump
            else None
        ),
        limits=Limits(target_psu=round(traits.target_psu, 1)),
        permits={
            "top-off": Permit(
                delivers=Delivers.FRESH_WATER,
                driven_by=Driver.LEVEL,
                equipment="top-off-pump" if "top-off-pump" in equipment else None,
            ),
            "salinity-dosing": Permit(delivers=Delivers.SALT_WATER, driven_by=Driver.SALINITY),
        },
    )
