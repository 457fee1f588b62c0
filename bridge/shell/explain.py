"""The configuration as the daemon understands it, told tank by tank in plain words."""

import textwrap
from collections.abc import Iterator
from typing import Any, Final

from bridge.core.qartod_bounds import ASSUMED_TOP_OFF_PER_H, fastest_fall_psu_h, fastest_rise_psu_h
from bridge.core.settings import Delivers, Driver, Equipment, Permit, Tank
from bridge.shell.broker_settings import BrokerSettings, Protocol
from bridge.shell.config import Configuration, Loaded
from bridge.shell.config_problems import HIDDEN, value_text
from bridge.shell.explain_gaps import doubts, gaps
from bridge.shell.explain_probe import probe_words, source_words, thermometer_words
from bridge.shell.settings_shape import Shape, shapes

WIDTH: Final = 96
TOLD_IN_WORDS: Final = ("base_topic", "tanks", "command_secret", "broker")
"""Keys that have a paragraph of their own; every other section is listed."""
MINUTE_S: Final = 60
HOUR_S: Final = 3600

DELIVERED: Final = {
    Delivers.FRESH_WATER: "fresh water",
    Delivers.SALT_WATER: "salt water",
    Delivers.DOSE: "a dose",
    Delivers.OTHER: "something else than water or a dose",
}
DRIVEN: Final = {
    Driver.LEVEL: "the water level",
    Driver.SALINITY: "the salinity",
    Driver.SCHEDULE: "a schedule",
}


def explain(loaded: Loaded) -> str:
    """Tell what a configuration means.

    Args:
        loaded: A configuration that has passed every check.

    Returns:
        Paragraphs for a terminal; no secret is in them.
    """
    configuration = loaded.configuration
    lines = [*_opening(loaded), "", "Broker", *_items(_broker(configuration))]
    for name, shape in shapes(Configuration).items():
        if name not in TOLD_IN_WORDS:
            value = getattr(configuration, name)
            lines += ["", f"[{name}]", *(f"  {line}" for line in listed(shape, value))]
    for name, tank in configuration.tanks.items():
        lines += ["", *_tank(name, tank)]
    return "\n".join(lines) + "\n"


def _items(items: list[str]) -> Iterator[str]:
    """Sentences as an indented list."""
    for item in items:
        yield from textwrap.wrap(
            item, WIDTH, initial_indent="  - ", subsequent_indent="    ", break_on_hyphens=False
        )


def duration(seconds: float) -> str:
    """A time in the unit that reads best."""
    if seconds >= 2 * HOUR_S:
        return f"{seconds / HOUR_S:.3g} h"
    if seconds >= 2 * MINUTE_S:
        return f"{seconds / MINUTE_S:.3g} min"
    return f"{seconds:g} s"


def listed(shape: Shape, value: Any) -> Iterator[str]:  # noqa: ANN401 - any section
    """A section as ``key = value`` lines, secrets masked."""
    if shape.secret:
        yield f"{shape.name} = {HIDDEN if value is not None else 'left out'}"
    elif value is None:
        yield f"{shape.name}: left out"
    elif shape.table is not None:
        for name, below in shapes(shape.table).items():
            yield from listed(below, getattr(value, name))
    elif shape.named_tables is not None or shape.listed_tables is not None:
        entries = value.items() if isinstance(value, dict) else enumerate(value)
        table = shape.named_tables or shape.listed_tables
        if not value:
            yield f"{shape.name}: none"
        for entry, below in entries:
            yield f"{shape.name} {entry}:"
            for name, inner in shapes(table).items() if table is not None else ():
                yield from (f"  {line}" for line in listed(inner, getattr(below, name)))
    else:
        yield f"{shape.name} = {value_text(value)}"


def _opening(loaded: Loaded) -> list[str]:
    count = len(loaded.configuration.tanks)
    lines = [f"{loaded.file}: sound; {count} tank{'s' if count != 1 else ''}."]
    if loaded.variables:
        names = ", ".join(sorted(loaded.variables.values()))
        lines += textwrap.wrap(f"From the environment: {names}.", WIDTH)
    return lines


def _broker(configuration: Configuration) -> list[str]:
    broker = configuration.broker
    base = configuration.base_topic
    if configuration.command_secret is None:
        commands = (
            f"Whoever may publish under {base}/ may give commands (reference checks, bypass, "
            "service); set command_secret, or restrict the broker's accounts."
        )
    else:
        commands = f"Commands are obeyed only with the command secret {HIDDEN}."
    return [_connection(broker), f"Results are published under {base}/.", commands]


def _connection(broker: BrokerSettings) -> str:
    protocol = {
        Protocol.AUTO: "MQTT 5, or 3.1.1 where the broker does not know it",
        Protocol.V5: "MQTT 5 only",
        Protocol.V311: "MQTT 3.1.1 only",
    }[broker.protocol]
    login = "without a user name"
    if broker.username is not None:
        password = f"password {HIDDEN}" if broker.password is not None else "no password"
        login = f'as user "{broker.username}" with {password}'
    encryption = "encrypted (TLS)" if broker.tls else "not encrypted"
    words = (
        f"{broker.host}, port {broker.port_number}, {encryption}, {login}, client id "
        f'"{broker.client_id}"; {protocol}.'
    )
    local = broker.host in ("localhost", "127.0.0.1", "::1")
    if broker.password is not None and not broker.tls and not local:
        words += " The password crosses the network in the clear; consider tls = true."
    return words


def _tank(name: str, tank: Tank) -> Iterator[str]:
    title = f"Tank {name}" + (f' ("{tank.name}")' if tank.name is not None else "")
    yield f"{title}: {tank.volume_l:g} litres"
    sections = [("Probe", probe_words(tank, tank.probe))]
    if tank.second_probe is not None:
        sections.append(("Second probe", probe_words(tank, tank.second_probe)))
    sections += [
        ("Thermometer", thermometer_words(tank, tank.thermometer)),
        ("Other inputs", [*_inputs(tank)]),
        ("What the water can do", [*_water(tank)]),
        ("Permits", [_permit(key, tank, permit) for key, permit in tank.permits.items()]),
        ("Left out, and what that costs", gaps(tank)),
        ("Worth a second look", doubts(tank)),
    ]
    for heading, items in sections:
        if items:
            yield f"  {heading}"
            yield from (f"  {line}" for line in _items(items))


def _inputs(tank: Tank) -> Iterator[str]:
    for name, equipment in tank.equipment.items():
        yield f"{name} ({equipment.kind}): {source_words(equipment)}; {_states(equipment)}."
    if tank.level is not None:
        level = tank.level
        normal = "learned" if level.normal is None else f"{level.normal:g} {level.unit}"
        litres = (
            "learned"
            if level.litres_per_unit is None
            else f"{level.litres_per_unit:g} litres for each {level.unit}"
        )
        yield (
            f"Water level: {source_words(level)}; in {level.unit}; normal level {normal}; "
            f"surface {litres}."
        )
    if tank.metered_top_off is not None:
        meter = tank.metered_top_off
        yield (
            f"Fresh water added: {source_words(meter)}; in {meter.unit}, "
            f"{'a running total' if meter.counting == 'cumulative' else 'each addition by itself'}."
        )


def _states(equipment: Equipment) -> str:
    if equipment.threshold is not None:
        return f"on above {equipment.threshold:g}"
    return f"on when it says {'/'.join(equipment.on)}, off when {'/'.join(equipment.off)}"


def _water(tank: Tank) -> Iterator[str]:
    limits, plumbing = tank.limits, tank.plumbing
    fall_psu_h = fastest_fall_psu_h(tank, limits.target_psu)
    rise_psu_h = fastest_rise_psu_h(tank, limits.target_psu)
    if plumbing.top_off_l_h is None:
        assumed_l_h = ASSUMED_TOP_OFF_PER_H * tank.volume_l
        fresh = f"{assumed_l_h:g} litres of fresh water an hour (assumed: "
        fresh += f"{ASSUMED_TOP_OFF_PER_H * 100:g} % of the volume; state plumbing.top_off_l_h)"
    else:
        fresh = f"{plumbing.top_off_l_h:g} litres of fresh water an hour"
    salt = ""
    if plumbing.salt_water_l_h > 0:
        salt = f" and {plumbing.salt_water_l_h:g} of changed water, taken at its worst"
    through = ""
    if plumbing.flow_through_psu_h > 0:
        through = f"; {plumbing.flow_through_psu_h:g} an hour of either is the inflow"
    yield (
        f"Salinity can fall by at most {fall_psu_h:.3g} an hour ({fall_psu_h / 60:.2g} a minute), "
        f"with {fresh}{salt}, and rise by at most {rise_psu_h:.2g} an hour, with "
        f"{plumbing.largest_evaporation_pct_day:g} % evaporation a day{salt}{through}. A reading "
        "that moves faster is not the water."
    )
    mixing = (
        "its mixing time is learned"
        if plumbing.mixing_min is None
        else f"an addition mixes within {plumbing.mixing_min:g} minutes"
    )
    yield (
        f"Normal is salinity {limits.low_psu:g} to {limits.high_psu:g} (target "
        f"{limits.target_psu:g}) at {limits.low_c:g} to {limits.high_c:g} °C; {mixing}."
    )
    yield (
        f"When the salinity is known to no better than ± {limits.largest_uncertainty_psu:g}, none "
        f"is published. Advice changes it by at most {limits.largest_daily_change_psu:g} a day."
    )


def _permit(name: str, tank: Tank, permit: Permit) -> str:
    device = ""
    if permit.equipment is not None:
        device = f" through {permit.equipment} ({tank.equipment[permit.equipment].kind})"
    driver = DRIVEN[permit.driven_by]
    stale = "judged by the probe's rhythm"
    if permit.stale_after_s is not None:
        stale = f"over {duration(permit.stale_after_s)}"
    words = [
        f"{name}: delivers {DELIVERED[permit.delivers]}{device}, driven by {driver}.",
        f"A permit lasts {duration(permit.lease_s)} unless renewed,",
        f"and a hold at least {duration(permit.minimum_hold_s)}.",
        _permit_limits(permit),
        "Always held: at start and shutdown, without the broker, in service, and on readings that",
        f"are missing or too old ({stale}).",
        _held_by(permit),
        f"A hold of {duration(permit.long_hold_s)} raises an alarm.",
        f"A bypass lasts at most {permit.largest_bypass_min:g} minutes.",
    ]
    return " ".join(words)


def _held_by(permit: Permit) -> str:
    if permit.held_by is None:
        return (
            f"Held by the findings that are the default for {DRIVEN[permit.driven_by]} "
            "(docs/permits.md)."
        )
    if not permit.held_by:
        return "Held by no finding about the reading."
    return f"Held by your own choice of findings: {', '.join(permit.held_by)}."


def _permit_limits(permit: Permit) -> str:
    limits = []
    if permit.largest_run_s is not None:
        limits.append(f"{duration(permit.largest_run_s)} a run")
    if permit.largest_litres_hour is not None:
        limits.append(f"{permit.largest_litres_hour:g} litres an hour")
    if permit.largest_litres_day is not None:
        limits.append(f"{permit.largest_litres_day:g} litres a day")
    words = "At most " + ", ".join(limits) + "." if limits else "No largest run or litres."
    if permit.smallest_pause_s > 0:
        words += f" At least {duration(permit.smallest_pause_s)} between runs."
    for what, low, high in (
        ("salinity", permit.low_psu, permit.high_psu),
        ("water temperature in °C", permit.low_c, permit.high_c),
    ):
        bounds = [f"from {low:g}"] if low is not None else []
        bounds += [f"up to {high:g}"] if high is not None else []
        if bounds:
            words += f" Only at a {what} {' '.join(bounds)}."
    return words
