"""``tidegate reference``: report checks and calibrations, or just convert a reading."""

import argparse
from collections.abc import Mapping
from typing import Any, Final

import orjson
from rich.console import Console

from bridge.core.errors import UserError
from bridge.core.instrument_kinds import InstrumentKind, ReadingUnit
from bridge.core.instruments import reference_value
from bridge.core.reference_commands import check_request
from bridge.core.settings import GravityReference
from bridge.core.wire.commands import ReferenceCheck, parse
from bridge.core.wire.commands import Standard as StandardName

_KINDS: Final = ", ".join(kind.value for kind in InstrumentKind)
_GRAVITIES: Final = ", ".join(GravityReference)
_STANDARDS: Final = ", ".join(StandardName)


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 (argparse keeps the type to itself)
    """Declare the subcommand and what it can do."""
    parser = subparsers.add_parser(
        "reference",
        help="report a reference check or a calibration, fit them, undo one",
        description="Send reference checks and calibrations to the running daemon and show its "
        "answer. A check without --config is only converted to practical salinity.",
    )
    actions = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    check = actions.add_parser("check", help="compare with a hand instrument")
    _check_arguments(check)
    calibration = actions.add_parser("calibration", help="the probe was, or is to be, calibrated")
    _calibration_arguments(calibration)
    fit = actions.add_parser("fit", help="suggest gain and coefficient from the checks")
    fit.add_argument("--confirm", action="store_true", default=None, help="apply the suggestion")
    undo = actions.add_parser("undo", help="take back a calibration or a check")
    undo.add_argument("--calibration", type=int, metavar="N", help="number of the calibration")
    undo.add_argument("--check", type=int, metavar="N", help="number of the check")
    for action in (fit, undo):
        action.add_argument("--by", metavar="NAME", help="who")
    for action in (check, calibration, fit, undo):
        action.add_argument("--config", metavar="FILE", help="configuration of the running daemon")
        action.add_argument("--tank", metavar="NAME", help="which tank, when there are several")
        action.add_argument("--json", action="store_true", help="print the answer as JSON")
    parser.set_defaults(run=run)


def _check_arguments(check: argparse.ArgumentParser) -> None:
    check.add_argument("--instrument", required=True, metavar="KIND", help=f"one of {_KINDS}")
    value = check.add_mutually_exclusive_group(required=True)
    value.add_argument(
        "--reading",
        type=float,
        action="append",
        metavar="X",
        help="as it stands on the instrument; give it several times for repeated readings",
    )
    value.add_argument("--salinity", type=float, metavar="S", help="already corrected")
    check.add_argument("--unit", metavar="U", help=f"of the reading: {', '.join(ReadingUnit)}")
    check.add_argument(
        "--reference",
        dest="gravity_reference",
        metavar="R",
        help=f"of a specific gravity: {_GRAVITIES}",
    )
    check.add_argument("--sample-temperature", dest="sample_temperature_c", type=float, metavar="C")
    corrected = check.add_mutually_exclusive_group()
    corrected.add_argument(
        "--corrected",
        dest="temperature_corrected",
        action="store_true",
        default=None,
        help="the instrument corrects for temperature",
    )
    corrected.add_argument(
        "--not-corrected",
        dest="temperature_corrected",
        action="store_false",
        default=None,
        help="it does not",
    )
    check.add_argument(
        "--coefficient",
        dest="coefficient_pct_per_c",
        type=float,
        metavar="PCT",
        help="of a conductivity meter that refers to 25 °C",
    )
    check.add_argument(
        "--standard-checked",
        action="store_true",
        default=None,
        help="the instrument was itself checked in a standard",
    )
    _common_arguments(check)


def _calibration_arguments(calibration: argparse.ArgumentParser) -> None:
    calibration.add_argument(
        "--standard", required=True, metavar="NAME", help=f"one of {_STANDARDS}"
    )
    calibration.add_argument("--value", type=float, required=True, metavar="X", help="as stated")
    calibration.add_argument("--unit", required=True, metavar="U", help="psu, mS/cm, uS/cm, sg …")
    calibration.add_argument(
        "--reference",
        dest="gravity_reference",
        metavar="R",
        help=f"of a specific gravity: {_GRAVITIES}",
    )
    calibration.add_argument(
        "--temperature",
        dest="temperature_c",
        type=float,
        required=True,
        metavar="C",
        help="of the standard",
    )
    for name, words in (("before", "before calibrating"), ("after", "after calibrating")):
        calibration.add_argument(
            f"--reading-{name}", type=float, metavar="X", help=f"the device's number {words}"
        )
    calibration.add_argument(
        "--apply",
        action="store_true",
        default=None,
        help="leave the device as it is and let the daemon correct",
    )
    calibration.add_argument(
        "--confirm", action="store_true", default=None, help="the questions are answered"
    )
    calibration.add_argument("--by", metavar="NAME", help="who")
    _common_arguments(calibration)


def _common_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--uncertainty",
        dest="expanded_uncertainty",
        type=float,
        metavar="S",
        help="expanded (k = 2), in salinity; left out, the usual one",
    )
    parser.add_argument("--time", metavar="ISO", help="when, for instance 2026-03-01T12:00:00Z")
    parser.add_argument("--note", metavar="TEXT")


_NAMES: Final = {
    "check": "reference-check",
    "calibration": "calibration",
    "fit": "fit",
    "undo": "undo",
}
_OURS: Final = frozenset({"command", "action", "run", "config", "tank", "json", "debug"})


def run(arguments: argparse.Namespace) -> int:
    """Send the command, or convert the reading, and show the answer."""
    name = _NAMES[arguments.action]
    keys = {
        key: value
        for key, value in vars(arguments).items()
        if key not in _OURS and value is not None
    }
    readings = keys.pop("reading", None)
    if readings is not None:
        keys |= {"readings": readings} if len(readings) > 1 else {"reading": readings[0]}
    # Checked here as well, so that a slip is answered without a broker.
    command = parse(name, orjson.dumps({"id": "check", **keys}))
    if arguments.config is not None:
        answer = _send(arguments, name, keys)
    elif isinstance(command, ReferenceCheck):
        answer = _converted(command)
    else:
        raise UserError(f"{arguments.action} needs --config, to find the running daemon")
    console = Console(highlight=False, markup=False)
    if arguments.json:
        console.print(orjson.dumps(answer, option=orjson.OPT_INDENT_2).decode(), soft_wrap=True)
    else:
        for line in _lines(answer):
            console.print(line, soft_wrap=True)
    return 0 if answer.get("ok") else 1


def _converted(command: ReferenceCheck) -> dict[str, Any]:
    request = check_request(command, None)
    if request.hand is None:
        raise UserError("a corrected salinity needs no conversion; give --config to report it")
    value = reference_value(request.hand)
    salinity, uncertainty = value.salinity_psu, value.expanded_uncertainty_psu
    return {
        "ok": True,
        "salinity": round(salinity, 3),
        "expanded_uncertainty": round(uncertainty, 3),
        "scatter": round(value.scatter_psu, 3),
        "sentence": f"Practical salinity {salinity:.2f} ± {uncertainty:.2f}. Converted only: "
        "give --config to report it to the daemon.",
        "assumptions": list(value.assumptions),
        "budget": [
            {"source": line.source, "standard_uncertainty": round(line.standard_uncertainty_psu, 3)}
            for line in value.budget
        ],
    }


def _send(arguments: argparse.Namespace, name: str, keys: Mapping[str, Any]) -> dict[str, Any]:
    # Imported here: converting a reading needs neither configuration nor network.
    from bridge.shell.config import load  # noqa: PLC0415
    from bridge.shell.live_source import BrokerSource  # noqa: PLC0415

    configuration = load(arguments.config)
    names = sorted(configuration.tanks)
    tank = arguments.tank or (names[0] if len(names) == 1 else "")
    if tank not in configuration.tanks:
        raise UserError(
            f"{arguments.config}: say which tank with --tank; accepted are {', '.join(names)}"
        )
    source = BrokerSource(configuration, configuration.broker, tank)
    try:
        return source.send(name, keys)
    finally:
        source.close()


def _lines(answer: Mapping[str, Any]) -> list[str]:
    """The answer in plain words."""
    if not answer.get("ok"):
        return [f"Not done: {answer.get('error', 'no reason was given')}"]
    lines = [str(answer["sentence"])] if "sentence" in answer else []
    if "undone" in answer:
        lines.append(f"Number {answer['undone']} is taken back.")
    if answer.get("what_would_tell"):
        lines.append(str(answer["what_would_tell"]))
    for key in ("questions", "cautions", "assumptions", "sentences"):
        lines += [f"- {sentence}" for sentence in answer.get(key, ())]
    for part in answer.get("budget", ()):
        lines.append(f"  {part['standard_uncertainty']:.2f}  {part['source']}")
    advice = answer.get("advice")
    if isinstance(advice, Mapping):
        lines.append(f"Advice: {advice['sentence']}")
        lines += [f"  {reason}" for reason in advice.get("reasons", ())]
    return lines
