"""``tidegate check``: whether a configuration is sound, and what the daemon makes of it."""

import argparse
import sys
import textwrap
from typing import Any

from bridge.shell.config import load_with_sources
from bridge.shell.explain import WIDTH, explain
from bridge.shell.file_rights import exposed


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 (argparse keeps the type to itself)
    """Declare the subcommand."""
    parser = subparsers.add_parser(
        "check",
        help="check a configuration and say what was understood",
        description="Check a configuration file, with the environment laid over it, and say tank "
        "by tank what was understood, what is missing and which diagnoses that costs. Nothing is "
        "connected or changed.",
    )
    parser.add_argument("--config", required=True, metavar="F", help="the configuration file")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Print what was understood.

    Raises:
        ConfigurationError: The configuration cannot be used.
    """
    loaded = load_with_sources(arguments.config)
    sys.stdout.write(explain(loaded))
    if (others_read := exposed(loaded)) is not None:
        sys.stdout.write("\n" + textwrap.fill(f"Take care: {others_read}.", WIDTH) + "\n")
    return 0
