"""``tidegate convert``: one value of sea water in every other unit."""

import argparse
from math import isfinite

from rich.console import Console
from rich.table import Table

from bridge.core import seawater, units
from bridge.core.errors import OutOfRangeError, UserError
from bridge.core.settings import GravityReference, ProbeUnit, TemperatureUnit

STANDARD_TEMPERATURE_C = 25.0
STANDARD_REFERENCE = GravityReference.R25_25


def add_parser(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Declare the subcommand."""
    parser = subparsers.add_parser(
        "convert",
        help="convert conductivity, salinity, specific gravity or temperature",
        description="Show one value of sea water in every other unit, and say what was assumed.",
        epilog="Examples: tidegate convert 1.025 sg --reference 60F/60F; "
        "tidegate convert 53.1 mS/cm --temperature 25.4; tidegate convert 78 F",
    )
    parser.add_argument("value", type=float, help="the number")
    parser.add_argument("unit", help=f"one of {_accepted_units()}; salinity is psu or ppt")
    parser.add_argument(
        "--temperature",
        metavar="T",
        help="temperature of the water, in °C unless F or K follows, for instance 78F "
        f"(left out: {STANDARD_TEMPERATURE_C:g} °C)",
    )
    parser.add_argument(
        "--reference",
        metavar="R",
        help=f"reference of a specific gravity, one of {', '.join(GravityReference)} "
        f"(left out: {STANDARD_REFERENCE})",
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print the conversions."""
    if not isfinite(arguments.value):
        raise UserError(f"value is {arguments.value}; accepted is a finite number")
    temperature_unit = _temperature_unit(arguments.unit)
    if temperature_unit is not None:
        _refuse_unused(arguments)
        _print_temperature(units.to_celsius(arguments.value, temperature_unit))
        return 0
    unit = _probe_unit(arguments.unit)
    if arguments.reference is not None and unit is not ProbeUnit.SG:
        raise UserError(f"--reference belongs to a specific gravity; the unit is {unit}")
    temperature_c = _temperature_c(arguments.temperature)
    reference = _reference(arguments.reference)
    try:
        salinity_psu = _salinity_psu(arguments.value, unit, temperature_c, reference)
        table = _table(salinity_psu, temperature_c)
    except OutOfRangeError as error:
        raise UserError(f"{arguments.value:g} {unit} cannot be converted: {error}") from error

    console = Console()
    console.print(table)
    for sentence in _assumptions(arguments, unit, temperature_c, reference):
        console.print(sentence)
    return 0


def _accepted_units() -> str:
    return ", ".join((*ProbeUnit, *TemperatureUnit))


def _temperature_unit(word: str) -> TemperatureUnit | None:
    return next((unit for unit in TemperatureUnit if unit.lower() == word.lower()), None)


def _probe_unit(word: str) -> ProbeUnit:
    # A micro sign and a Greek mu look alike; both are typed for "u".
    plain = word.lower().replace("\N{MICRO SIGN}", "u").replace("\N{GREEK SMALL LETTER MU}", "u")
    found = next((unit for unit in ProbeUnit if unit.lower() == plain), None)
    if found is None:
        raise UserError(f'unit is "{word}"; accepted are {_accepted_units()}')
    return found


def _temperature_c(text: str | None) -> float:
    if text is None:
        return STANDARD_TEMPERATURE_C
    unit = _temperature_unit(text.strip()[-1:]) or TemperatureUnit.C
    number = text.strip().rstrip("cfkCFK").rstrip("°").rstrip()
    try:
        return units.to_celsius(float(number), unit)
    except ValueError:
        raise UserError(
            f'--temperature is "{text}"; accepted is a number, with C, F or K behind it if you like'
        ) from None


def _reference(text: str | None) -> GravityReference:
    if text is None:
        return STANDARD_REFERENCE
    try:
        return GravityReference(text.upper())
    except ValueError:
        raise UserError(
            f'--reference is "{text}"; accepted are {", ".join(GravityReference)}'
        ) from None


def _refuse_unused(arguments: argparse.Namespace) -> None:
    if arguments.reference is not None or arguments.temperature is not None:
        raise UserError("a temperature is converted by itself; leave the options out")


def _salinity_psu(
    value: float, unit: ProbeUnit, temperature_c: float, reference: GravityReference
) -> float:
    if unit is ProbeUnit.SG:
        return seawater.salinity_from_gravity_psu(value, reference)
    if unit in units.SALINITY_UNITS:
        return value
    return seawater.salinity_psu(units.to_ms_cm(value, unit), temperature_c)


def _table(salinity_psu: float, temperature_c: float) -> Table:
    at = f"at {temperature_c:.4g} °C"
    here = seawater.conductivity_ms_cm(salinity_psu, temperature_c)
    table = Table("quantity", "value", "unit", title="The same sea water")
    table.columns[1].justify = "right"
    table.add_row("practical salinity", f"{salinity_psu:.3f}", "psu (ppt)")
    table.add_row(
        "absolute salinity", f"{seawater.absolute_salinity_g_kg(salinity_psu):.3f}", "g/kg"
    )
    for unit, decimals in ((ProbeUnit.MS_CM, 3), (ProbeUnit.US_CM, 0), (ProbeUnit.S_M, 4)):
        shown = units.from_ms_cm(here, unit)
        table.add_row(f"conductivity {at}", f"{shown:.{decimals}f}", unit)
    at_25 = seawater.conductivity_ms_cm(salinity_psu, seawater.REFERENCE_TEMPERATURE_C)
    table.add_row("conductivity referred to 25 °C", f"{at_25:.3f}", ProbeUnit.MS_CM)
    for reference in GravityReference:
        gravity = seawater.specific_gravity(salinity_psu, reference)
        table.add_row(f"specific gravity {reference}", f"{gravity:.5f}", "")
    density = seawater.density_kg_m3(salinity_psu, temperature_c)
    table.add_row(f"density {at}", f"{density:.2f}", "kg/m³")
    return table


def _assumptions(
    arguments: argparse.Namespace,
    unit: ProbeUnit,
    temperature_c: float,
    reference: GravityReference,
) -> list[str]:
    """What the numbers rest on, said or assumed."""
    chosen = "assumed; use --temperature" if arguments.temperature is None else "as given"
    sentences = [f"Water temperature: {temperature_c:.4g} °C ({chosen})."]
    if unit is ProbeUnit.SG:
        chosen = "assumed; use --reference" if arguments.reference is None else "as given"
        sentences.append(f"Reference of the specific gravity: {reference} ({chosen}).")
    if unit in units.MS_CM_PER_UNIT:
        sentences.append("The conductivity is taken at that temperature, not compensated.")
    return sentences


def _print_temperature(temperature_c: float) -> None:
    table = Table("unit", "temperature", title="The same temperature")
    table.columns[1].justify = "right"
    for unit in TemperatureUnit:
        table.add_row(unit, f"{units.from_celsius(temperature_c, unit):.2f}")
    Console().print(table)
