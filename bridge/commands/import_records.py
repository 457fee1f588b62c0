"""``tidegate import-records``: checks and calibrations from a file into the history."""

import argparse
import sys
from pathlib import Path
from typing import Any

from bridge.commands.export import add_history, history_path
from bridge.shell.history_import import KINDS, append, read_records


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 (argparse keeps the type to itself)
    """Declare the subcommand."""
    parser = subparsers.add_parser(
        "import-records",
        help="add reference checks and calibrations from a file to the history",
        description=f"Add records of the kinds {' and '.join(KINDS)} from a CSV or JSON file, as "
        "tidegate export writes it. Records that are there already are left alone, so the same "
        "file may be imported twice. Imported records are shown and exported; they do not change "
        "the correction that is in force.",
    )
    add_history(parser)
    parser.add_argument(
        "--input", required=True, type=Path, metavar="F", help="ending in .csv or .json"
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Import and say how much was new.

    Raises:
        UserError: the file or the history cannot be used; nothing was added then.
    """
    imported = append(history_path(arguments), read_records(arguments.input))
    sys.stderr.write(f"{imported.added} records added, {imported.known} were there already.\n")
    return 0
