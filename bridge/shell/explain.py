"""The configuration as the daemon understands it, told tank by tank in plain words."""

import textwrap
from collections.abc import Iterator
from typing import Any, Final

from bridge.core.qartod_bounds import ASSUMED_TOP_OFF_PER_H, fastest_fall_psu_h, fastest_rise_psu_h
from bridge.core.settings import Equipment, Tank
from bridge.shell.broker_settings import BrokerSettings, Protocol
from bridge.shell.config import Configuration, Loaded
from bridge.shell.config_problems import HIDDEN, value_text
from bridge.shell.explain_gaps import doubts, gaps
from bridge.shell.explain_permit import permit_words
from bridge.shell.explain_probe import probe_words, source_words, thermometer_words
from bridge.shell.settings_shape import Shape, shapes

WIDTH: Final = 96
TOLD_IN_WORDS: Final = ("base_topic", "tanks", "command_secret", "shares", "share", "broker")
"""Keys that have a paragraph of their own; every other section is listed."""


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
    lines += [*_shares(loaded.configuration)]
    if loaded.variables:
        names = ", ".join(sorted(loaded.variables.values()))
        lines += textwrap.wrap(f"From the environment: {names}.", WIDTH)
    return lines


def _shares(configuration: Configuration) -> Iterator[str]:
    if not configuration.shares:
        return
    told = "; ".join(
        f"{name} has {', '.join(share.tanks)}" for name, share in configuration.shares.items()
    )
    if configuration.share is None:
        which = "Start one daemon for each, with --share or TIDEGATE_SHARE."
    else:
        which = f"This is the daemon of {configuration.share}."
    yield from textwrap.wrap(f"The tanks are shared: {told}. {which}", WIDTH)


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
        login = f"as user {value_text(broker.username)} with {password}"
    encryption = "encrypted (TLS)" if broker.tls else "not encrypted"
    words = (
        f"{value_text(broker.host)}, port {broker.port_number}, {encryption}, {login}, client id "
        f"{value_text(broker.client_id)}; {protocol}."
    )
    local = broker.host in ("localhost", "127.0.0.1", "::1")
    if broker.password is not None and not broker.tls and not local:
        words += " The password crosses the network in the clear; consider tls = true."
    return words


def _tank(name: str, tank: Tank) -> Iterator[str]:
    title = f"Tank {name}" + (f" ({value_text(tank.name)})" if tank.name is not None else "")
    yield f"{title}: {tank.volume_l:g} litres"
    sections = [("Probe", probe_words(tank, tank.probe))]
    if tank.second_probe is not None:
        sections.append(("Second probe", probe_words(tank, tank.second_probe)))
    sections += [
        ("Thermometer", thermometer_words(tank, tank.thermometer)),
        ("Other inputs", [*_inputs(tank)]),
        ("What the water can do", [*_water(tank)]),
        *((f"Permit {key}", permit_words(tank, permit)) for key, permit in tank.permits.items()),
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
    on, off = (
        " or ".join(value_text(word) for word in words) for words in (equipment.on, equipment.off)
    )
    return f"on when it says {on}, off when it says {off}"


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
