"""``tidegate check``: whether a configuration is sound, and what the daemon makes of it."""

import argparse
import sys
from typing import Any

from bridge.shell.config import load_with_sources
from bridge.shell.explain import explain


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
    sys.stdout.write(explain(load_with_sources(arguments.config)))
    return 0
