"""``tidegate export``: the history, or a part of it, as a table in a file."""

import argparse
import sys
from pathlib import Path
from typing import Any, Final

from bridge.core.errors import UserError
from bridge.core.events import Message
from bridge.core.wire.instants import unix_s
from bridge.shell.capture import CaptureWriter
from bridge.shell.config import load
from bridge.shell.history_export import WRITERS, Choice, Content, export
from bridge.shell.history_reader import HistoryReader
from bridge.shell.history_rows import LATEST_MS

MESSAGES: Final = "messages"


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 (argparse keeps the type to itself)
    """Declare the subcommand."""
    parser = subparsers.add_parser(
        "export",
        help="write the history to a CSV, JSON or Parquet file",
        description="Write samples, minute or hour summaries, or events (checks, calibrations, "
        "alarms, permits, device switches …) to a file, or every message that was heard as a "
        "capture for tidegate replay. The daemon may be running meanwhile.",
        epilog="Examples: tidegate export --config tank.toml --output reef.csv; "
        "tidegate export --history history.sqlite3 --what events --kind check --kind calibration "
        "--output checks.json; tidegate export --config tank.toml --what messages "
        "--from 2026-03-01 --output capture.jsonl.zst.",
    )
    add_history(parser)
    parser.add_argument(
        "--output", required=True, type=Path, metavar="F", help=f"ending in {', '.join(WRITERS)}"
    )
    parser.add_argument(
        "--what",
        default=Content.SAMPLES.value,
        choices=[*(content.value for content in Content), MESSAGES],
        metavar="W",
        help=f"one of {', '.join(Content)}, {MESSAGES} (default: %(default)s)",
    )
    parser.add_argument(
        "--tank", action="append", metavar="NAME", help="may be repeated (left out: all)"
    )
    parser.add_argument(
        "--kind", action="append", metavar="KIND", help="of events; may be repeated (default: all)"
    )
    parser.add_argument("--from", dest="from_time", metavar="T", help="like 2026-03-01T00:00Z")
    parser.add_argument("--to", dest="to_time", metavar="T", help="not included")
    parser.set_defaults(run=run)


def add_history(parser: argparse.ArgumentParser) -> None:
    """Declare where the history is: said directly, or by the configuration."""
    where = parser.add_mutually_exclusive_group(required=True)
    where.add_argument("--config", metavar="F", help="configuration with the path of the history")
    where.add_argument("--history", type=Path, metavar="F", help="the history itself")


def history_path(arguments: argparse.Namespace) -> Path:
    """Where the history is.

    Raises:
        UserError: the configuration cannot be used.
    """
    if arguments.history is not None:
        return Path(arguments.history)
    return Path(load(arguments.config).storage.path)


def run(arguments: argparse.Namespace) -> int:
    """Export and say how much it was.

    Raises:
        UserError: the history, an option or the file cannot be used.
    """
    reader = HistoryReader(history_path(arguments))
    if arguments.what == MESSAGES:
        return _messages(reader, arguments)
    present = reader.tanks()
    for tank in arguments.tank or ():
        if tank not in present:
            raise UserError(
                f'--tank: the history has no tank "{tank}"; it has {", ".join(present) or "none"}'
            )
    content = Content(arguments.what)
    if arguments.kind and content is not Content.EVENTS:
        raise UserError("--kind chooses among events; add --what events")
    choice = Choice(
        content,
        tuple(arguments.tank or present),
        _time("--from", arguments.from_time, 0.0),
        _time("--to", arguments.to_time, LATEST_MS / 1000),
        tuple(arguments.kind) if arguments.kind else None,
    )
    rows = export(reader, choice, arguments.output)
    sys.stderr.write(f"{rows} {content} written to {arguments.output}.\n")
    return 0


def _messages(reader: HistoryReader, arguments: argparse.Namespace) -> int:
    """Write what was heard, of all tanks, as a capture."""
    if arguments.tank or arguments.kind:
        raise UserError(f"--what {MESSAGES} is of all tanks; leave out --tank and --kind")
    from_s = _time("--from", arguments.from_time, 0.0)
    to_s = _time("--to", arguments.to_time, LATEST_MS / 1000)
    with CaptureWriter(arguments.output) as writer:
        for each in reader.inputs(from_s, to_s):
            if isinstance(each, Message):
                writer.write(each.at_s, each.topic, each.payload, retain=each.retained)
    sys.stderr.write(f"{writer.lines} messages written to {arguments.output}.\n")
    return 0


def _time(option: str, text: str | None, otherwise_s: float) -> float:
    if text is None:
        return otherwise_s
    try:
        return unix_s(text if "T" in text else f"{text}T00:00Z")
    except ValueError as error:
        raise UserError(
            f'{option}: "{text}" is not a time; write a day like 2026-03-01 (UTC) or '
            "2026-03-01T12:00+01:00"
        ) from error
