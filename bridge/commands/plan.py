"""``tidegate plan``: how much water to exchange, day by day, to bring the salinity to target."""

import argparse
import sys
from dataclasses import dataclass
from typing import Any

import orjson
from rich.console import Console
from rich.table import Table

from bridge.core.errors import UserError
from bridge.core.exchange import LITRES_PER_US_GALLON, Plan, plan_exchange
from bridge.core.settings import Limits, Settings

DEFAULTS = Limits()


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 (argparse keeps the type to itself)
    """Declare the subcommand."""
    parser = subparsers.add_parser(
        "plan",
        help="plan a water exchange that brings the salinity to target, slowly",
        description="Work out how many litres of fresh or salt water to exchange on which day. "
        "With --config, volume, target and largest daily change come from the tank's settings; "
        "what is stated here counts more.",
        epilog="Examples: tidegate plan --from 36.2 --to 35 --volume 400; "
        "tidegate plan --from 33.5 --config tank.toml --salt-water 38. "
        "Salinities are practical salinities (ppt); for others see tidegate convert.",
    )
    parser.add_argument(
        "--from", dest="from_psu", type=float, required=True, metavar="S", help="salinity now"
    )
    parser.add_argument(
        "--to",
        dest="to_psu",
        type=float,
        metavar="S",
        help=f"salinity wanted (left out: the tank's target, or {DEFAULTS.target_psu:g})",
    )
    volume = parser.add_mutually_exclusive_group()
    volume.add_argument("--volume", type=float, metavar="L", help="water in the system, in litres")
    volume.add_argument(
        "--gallons", type=float, metavar="GAL", help="water in the system, in US gallons"
    )
    parser.add_argument(
        "--salt-water",
        type=float,
        metavar="S",
        help="salinity of the salt water you mix, when the salinity has to rise "
        "(left out: 3 above the target)",
    )
    parser.add_argument(
        "--largest-daily-change",
        type=float,
        metavar="S",
        help=f"in a day (left out: the tank's, or {DEFAULTS.largest_daily_change_psu:g})",
    )
    parser.add_argument(
        "--uncertainty", type=float, metavar="S", help="of the salinity now, when you know it"
    )
    parser.add_argument("--config", metavar="FILE", help="configuration with the tank")
    parser.add_argument("--tank", metavar="NAME", help="which tank, when there are several")
    parser.add_argument("--json", action="store_true", help="print the plan as JSON")
    parser.set_defaults(run=run)


@dataclass(frozen=True, slots=True)
class _Water:
    volume_l: float | None
    limits: Limits


def run(arguments: argparse.Namespace) -> int:
    """Print the plan."""
    water = _water(arguments)
    volume_l = water.volume_l
    if arguments.volume is not None:
        volume_l = arguments.volume
    elif arguments.gallons is not None:
        volume_l = arguments.gallons * LITRES_PER_US_GALLON
    if volume_l is None:
        raise UserError(
            "the volume is missing; give --volume in litres, --gallons in US gallons, "
            "or --config with the tank"
        )
    to_psu = water.limits.target_psu if arguments.to_psu is None else arguments.to_psu
    largest_psu = arguments.largest_daily_change
    if largest_psu is None:
        largest_psu = water.limits.largest_daily_change_psu
    try:
        plan = plan_exchange(
            volume_l=volume_l,
            from_psu=arguments.from_psu,
            to_psu=to_psu,
            largest_daily_change_psu=largest_psu,
            salt_water_psu=arguments.salt_water,
            uncertainty_psu=arguments.uncertainty,
        )
    except ValueError as error:
        raise UserError(f"this cannot be planned: {error}") from error
    if arguments.json:
        sys.stdout.write(_json(plan, volume_l).decode() + "\n")
        return 0
    _print(plan, volume_l, arguments.from_psu, to_psu)
    return 0


def _water(arguments: argparse.Namespace) -> _Water:
    """Volume and limits from the configuration, when one is given."""
    if arguments.config is None:
        if arguments.tank is not None:
            raise UserError("--tank needs --config, the file in which the tank is described")
        return _Water(None, DEFAULTS)
    # Imported only when needed: without a configuration the command stays quick.
    from bridge.shell.config import load_site  # noqa: PLC0415

    settings: Settings = load_site(arguments.config)
    names = sorted(settings.tanks)
    name = arguments.tank
    if name is None:
        if len(names) != 1:
            raise UserError(
                f"{arguments.config} describes {len(names)} tanks; "
                f"say which one with --tank: {', '.join(names)}"
            )
        name = names[0]
    if name not in settings.tanks:
        raise UserError(f'{arguments.config} has no tank "{name}"; accepted are {", ".join(names)}')
    tank = settings.tanks[name]
    return _Water(tank.volume_l, tank.limits)


def _json(plan: Plan, volume_l: float) -> bytes:
    document = {
        "volume_l": volume_l,
        "new_water_psu": plan.new_water_psu,
        "litres": round(plan.litres, 2),
        "us_gallons": round(plan.us_gallons, 2),
        "steps": [
            {
                "day": step.day,
                "litres": round(step.litres, 2),
                "us_gallons": round(step.us_gallons, 2),
                "from_psu": round(step.from_psu, 3),
                "to_psu": round(step.to_psu, 3),
            }
            for step in plan.steps
        ],
        "cautions": list(plan.cautions),
    }
    return orjson.dumps(document, option=orjson.OPT_INDENT_2)


def _print(plan: Plan, volume_l: float, from_psu: float, to_psu: float) -> None:
    console = Console(highlight=False)
    if not plan.steps:
        console.print(f"The salinity is {from_psu:g} already. There is nothing to exchange.")
        return
    water = "fresh water"
    if plan.new_water_psu:
        water = f"salt water of S = {plan.new_water_psu:g}"
    days = "1 day" if len(plan.steps) == 1 else f"{len(plan.steps)} days"
    console.print(
        f"From {from_psu:g} to {to_psu:g} in {volume_l:.0f} l "
        f"({volume_l / LITRES_PER_US_GALLON:.0f} US gallons): exchange "
        f"{plan.litres:.1f} l ({plan.us_gallons:.1f} US gallons) for {water}, in {days}.",
        soft_wrap=True,
    )
    table = Table(box=None, pad_edge=False)
    for heading in ("day", "litres", "US gallons", "salinity before", "after"):
        table.add_column(heading, justify="right")
    for step in plan.steps:
        table.add_row(
            str(step.day),
            f"{step.litres:.1f}",
            f"{step.us_gallons:.1f}",
            f"{step.from_psu:.2f}",
            f"{step.to_psu:.2f}",
        )
    console.print(table)
    for caution in plan.cautions:
        console.print(f"- {caution}", soft_wrap=True)
