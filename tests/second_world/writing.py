"""The scenario as a capture and a configuration, as the contract has them."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from tests.second_world.planning import generator_of
from tests.second_world.scenario import Scenario
from tests.second_world.tank import Device, Tank

EPOCH = datetime(2026, 1, 5, tzinfo=UTC)
EPOCH_S = EPOCH.timestamp()
TANK = "cove"
GARBAGE = {
    "nan": ("nan", "NaN", "inf"),
    "empty": ("", " "),
    "error": ("error", "ERR 3", "unavailable"),
    "null": ("null", "[]", "{}"),
    "cut": ('{"value": 3', "3 5.1", "--"),
}

Message = tuple[float, str, str]


def _instant(at_s: float) -> str:
    moment = EPOCH + timedelta(seconds=at_s)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def write_capture(scenario: Scenario, path: Path) -> None:
    """Write every message of the scenario in the order of time."""
    rng = generator_of(scenario.plan.seed, 2)
    messages = [
        *_probe_messages(scenario, rng),
        *_thermometer_messages(scenario),
        *_device_messages(scenario),
        *_level_messages(scenario, rng),
        *_commands(scenario, rng),
    ]
    messages.sort(key=lambda each: each[0])
    with path.open("w", encoding="utf-8") as file:
        for at_s, topic, payload in messages:
            line = {"time": _instant(at_s), "topic": topic, "payload": payload, "retain": False}
            file.write(json.dumps(line) + "\n")


def _probe_messages(scenario: Scenario, rng: np.random.Generator) -> list[Message]:
    effects, wrapped = scenario.effects, scenario.plan.seed % 3 == 0
    out: list[Message] = []
    for index, (at_s, value) in enumerate(
        zip(scenario.probe_at_s.tolist(), scenario.probe_values.tolist(), strict=True)
    ):
        if effects.missing[index]:
            continue
        payload = json.dumps({"probe": {"value": value}}) if wrapped else f"{value:g}"
        if not wrapped:
            payload = repr(value)
        if effects.garbage[index]:
            words = next(
                GARBAGE[e.details["payload"]]
                for e in scenario.plan.episodes
                if e.look == "invalid" and e.begin_s <= at_s < e.end_s
            )
            payload = words[int(rng.integers(len(words)))]
        out.append((at_s, "cove/probe", payload))
    return out


def _thermometer_messages(scenario: Scenario) -> list[Message]:
    return [
        (at_s, "cove/temperature", repr(value))
        for at_s, value in zip(
            scenario.thermometer_at_s.tolist(), scenario.thermometer_values.tolist(), strict=True
        )
    ]


def _told_devices(scenario: Scenario) -> tuple[Device, ...]:
    if not scenario.plan.tank.told_devices:
        return ()
    water = scenario.water
    return (*scenario.plan.tank.devices, water.top_off, water.heater)


def _device_messages(scenario: Scenario) -> list[Message]:
    out: list[Message] = []
    for device in _told_devices(scenario):
        topic = f"cove/plug/{device.name}"
        begun = device.switches_s > 0.0
        first = bool(np.count_nonzero(~begun) % 2)
        out.append((0.2, topic, "on" if first else "off"))
        state = first
        for at_s in device.switches_s[begun].tolist():
            state = not state
            if at_s < scenario.plan.span_s:
                out.append((at_s + 0.4, topic, "on" if state else "off"))
    return out


def _level_messages(scenario: Scenario, rng: np.random.Generator) -> list[Message]:
    tank, water = scenario.plan.tank, scenario.water
    if not tank.told_level:
        return []
    every_s = max(30.0, tank.probe.cadence_s)
    at_s = np.arange(7.0, scenario.plan.span_s, every_s)
    # The compartment has a floor and an edge.
    level = 180.0 + np.clip(np.interp(at_s, water.grid_s, water.level_mm), -120.0, 90.0)
    level = np.round((level + tank.level_noise_mm * rng.standard_normal(len(at_s))) * 2.0) / 2.0
    out = [
        (time_s, "cove/level", repr(value))
        for time_s, value in zip(at_s.tolist(), level.tolist(), strict=True)
    ]
    metered_s = np.arange(11.0, scenario.plan.span_s, 60.0)
    total = np.interp(metered_s, water.grid_s, water.metered_l)
    last = -1.0
    for index, (time_s, value) in enumerate(zip(metered_s.tolist(), total.tolist(), strict=True)):
        # A meter tells every new total at once, and now and then that nothing has changed.
        if value > last + 1e-4 or index % 10 == 0:
            out.append((time_s, "cove/fresh", f"{value:.3f}"))
            last = value
    return out


def _commands(scenario: Scenario, rng: np.random.Generator) -> list[Message]:
    out: list[Message] = []
    count = 0

    def say(at_s: float, name: str, keys: dict[str, object]) -> None:
        nonlocal count
        count += 1
        payload = json.dumps({"id": f"k{count}", **keys})
        out.append((at_s, f"tidegate/{TANK}/command/{name}", payload))

    for each in scenario.plan.happenings.exchanges:
        if each.announced and each.begin_s < scenario.plan.span_s:
            psu = each.filled_psu if each.announced_psu is None else each.announced_psu
            keys: dict[str, object] = {"litres": round(each.litres, 2), "salinity": psu}
            say(each.begin_s - 5.0, "water-change", {"phase": "start", **keys})
            say(each.end_s + 5.0, "water-change", {"phase": "end", **keys})
    for begin_s, end_s in scenario.plan.services:
        say(begin_s, "service", {"phase": "start"})
        say(end_s, "service", {"phase": "end"})
    for at_s in scenario.plan.checks_s:
        truth = float(np.interp(at_s, scenario.water.grid_s, scenario.water.salinity_psu)) + float(
            rng.normal(0.0, 0.08)
        )
        say(
            at_s,
            "reference-check",
            {
                "instrument": "bench meter",
                "salinity": round(truth, 2),
                "expanded_uncertainty": 0.2,
            },
        )
    return out


def write_configuration(scenario: Scenario, path: Path) -> None:
    """Write what the keeper of this tank would have put down."""
    tank, probe = scenario.plan.tank, scenario.plan.tank.probe
    rng = generator_of(scenario.plan.seed, 3)
    # Within 5 % is what a keeper knows of the volume; 10 % of the pump's rate.
    volume_l = tank.volume_l * (1.0 + 0.025 * float(np.clip(rng.standard_normal(), -2, 2)))
    rate_l_h = tank.top_off_l_h * (1.0 + 0.05 * float(np.clip(rng.standard_normal(), -2, 2)))
    lines = [
        '[broker]\nhost = "localhost"\n',
        f"[tanks.{TANK}]\nvolume_l = {volume_l:.1f}\n",
        f'[tanks.{TANK}.probe]\ntopic = "cove/probe"\nunit = "{probe.unit}"',
        f'reports = "{probe.reports}"',
    ]
    if scenario.plan.seed % 3 == 0:
        lines.append('path = "probe.value"')
    if probe.reports.endswith("linear"):
        lines.append(f"coefficient_pct_per_c = {probe.stated_pct_per_c}")
    if probe.unit == "sg":
        lines.append(f'gravity_reference = "{probe.gravity_reference}"')
    lines.append(f'\n[tanks.{TANK}.thermometer]\ntopic = "cove/temperature"\n')
    for device in _told_devices(scenario):
        lines.append(f"[tanks.{TANK}.equipment.{device.name}]")
        lines.append(f'kind = "{device.kind}"\ntopic = "cove/plug/{device.name}"\n')
    lines += _water_lines(tank, rng)
    lines.append(f"[tanks.{TANK}.plumbing]")
    if tank.inputs != "bare" or rng.random() < 0.6:
        lines.append(f"top_off_l_h = {rate_l_h:.2f}")
    lines.append(f"\n[tanks.{TANK}.limits]\ntarget_psu = {tank.salinity_psu:.1f}")
    lines.append(f"\n[tanks.{TANK}.permits.top-off]")
    # Nothing in a capture obeys a permit; that the pump goes on proves nothing here.
    lines.append('delivers = "fresh-water"\ndriven_by = "level"\noverrun_grace_s = 1e7\n')
    lines.append(f"[tanks.{TANK}.permits.brine]")
    lines.append('delivers = "salt-water"\ndriven_by = "salinity"\n')
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def _water_lines(tank: Tank, rng: np.random.Generator) -> list[str]:
    if not tank.told_level:
        return []
    lines = [f'[tanks.{TANK}.level]\ntopic = "cove/level"\nunit = "mm"']
    if rng.random() < 0.6:
        lines.append("normal = 180")
    if rng.random() < 0.6:
        lines.append(f"litres_per_unit = {tank.litres_per_mm:.4f}")
    lines.append(f'\n[tanks.{TANK}.metered_top_off]\ntopic = "cove/fresh"\nunit = "l"\n')
    return lines
