"""``tidegate import-records``: checks and calibrations from a file, for daemon and history."""

import argparse
import sys
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from bridge.commands.export import add_history, history_path
from bridge.core.checks import ON_RECORD
from bridge.core.errors import UserError
from bridge.core.outputs import Record
from bridge.shell.config import load
from bridge.shell.history_import import KINDS, append, as_command, read_records
from bridge.shell.live_source import BrokerSource


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 (argparse keeps the type to itself)
    """Declare the subcommand."""
    parser = subparsers.add_parser(
        "import-records",
        help="add reference checks and calibrations from a file to the history",
        description=f"Add records of the kinds {' and '.join(KINDS)} from a CSV or JSON file, as "
        "tidegate export writes it. Records that are there already are left alone, so the same "
        "file may be imported twice. With --config, checks are told to the running daemon, which "
        "judges them with its own and keeps them; with --history they are only shown and exported. "
        "Imported calibrations never change the correction that is in force.",
    )
    add_history(parser)
    parser.add_argument(
        "--input", required=True, type=Path, metavar="F", help="ending in .csv or .json"
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Import and say how much was new.

    Raises:
        UserError: the file, the configuration or the history cannot be used; nothing was added.
    """
    records = read_records(arguments.input)
    told = []
    if arguments.config is not None:
        told = [(each, keys) for each in records if (keys := as_command(each)) is not None]
    kept = [each for each in records if all(each is not other for other, _ in told)]
    code = _tell(arguments.config, told) if told else 0
    if kept or not told:
        imported = append(history_path(arguments), kept)
        sys.stderr.write(f"{imported.added} records added, {imported.known} were there already.\n")
    return code


def _tell(config: str, told: Sequence[tuple[Record, Mapping[str, Any]]]) -> int:
    """Tell the running daemon of each check, the oldest first."""
    configuration = load(config)
    strangers = sorted({each.tank for each, _ in told} - configuration.tanks.keys())
    if strangers:
        raise UserError(
            f"{config} has no tank {', '.join(strangers)}; accepted are "
            f"{', '.join(sorted(configuration.tanks))}"
        )
    taken, known, refused = 0, 0, []
    for tank in sorted({each.tank for each, _ in told}):
        source = BrokerSource(configuration, configuration.broker, tank)
        try:
            for each, keys in sorted(told, key=lambda pair: pair[0].at_s):
                if each.tank != tank:
                    continue
                answer = source.send("reference-check", keys)
                error = str(answer.get("error", ""))
                taken += bool(answer.get("ok"))
                known += ON_RECORD in error
                if error and ON_RECORD not in error:
                    refused.append(f"{keys['time']}: {error}")
        finally:
            source.close()
    sys.stderr.write(f"{taken} checks told to the daemon, {known} were on record already.\n")
    for line in refused:
        sys.stderr.write(f"Refused: {line}\n")
    return 1 if refused else 0
