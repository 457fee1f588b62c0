"""The ``tidegate`` command: finds the subcommand, runs it, and turns errors into sentences.

Each subcommand is a module of ``bridge.commands`` with ``add_parser(subparsers)``, which sets
``run`` (from the parsed arguments to the exit code) as a default of its parser.
"""

import argparse
import os
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Final

from bridge import __version__
from bridge.core.errors import UserError

COMMANDS: Final = (
    "benchmark",
    "check",
    "commission",
    "convert",
    "demo",
    "export",
    "import-records",
    "notify",
    "plan",
    "record",
    "reference",
    "replay",
    "report",
    "run",
)

# Before the first import of numpy. Nothing here is larger than a few rows: the threads of its
# linear algebra would only spin and hold memory.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

SUCCESS: Final = 0
FAILED: Final = 1
WRONG_USAGE: Final = 2


def main(argv: Sequence[str] | None = None) -> int:
    """Run one subcommand.

    Args:
        argv: Words after the program's name; ``sys.argv`` when left out.

    Returns:
        0 success, 1 the work failed, 2 wrong usage or configuration.
    """
    words = list(sys.argv[1:] if argv is None else argv)
    debug = "--debug" in words
    arguments = _parser(words).parse_args([word for word in words if word != "--debug"])
    try:
        code: int = arguments.run(arguments)
    except UserError as error:
        if debug:
            raise
        sys.stderr.write(f"tidegate: {error}\n")
        return WRONG_USAGE
    except KeyboardInterrupt:
        return FAILED
    except Exception as error:  # the last resort between a bug and a keeper
        if debug:
            raise
        sys.stderr.write(
            f"tidegate: {arguments.command} failed: {str(error) or type(error).__name__}. "
            "Run it again with --debug for the details.\n"
        )
        return FAILED
    return code


def _parser(words: Sequence[str]) -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="tidegate", description="Corrected salinity from a conductivity probe, with reasons."
    )
    parser.add_argument("--version", action="version", version=f"%(prog)s {__version__}")
    parser.add_argument("--debug", action="store_true", help="show the traceback of an error")
    subparsers = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    # Only the wanted command is imported, so that the daemon does not wait for the others.
    wanted = next((word for word in words if not word.startswith("-")), None)
    for name in (wanted,) if wanted in COMMANDS else COMMANDS:
        import_module(f"bridge.commands.{name.replace('-', '_')}").add_parser(subparsers)
    return parser
