"""``tidegate report``: what happened to a tank over a stretch of time, as a page or a picture."""

import argparse
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

from bridge.core.errors import UserError
from bridge.shell.config import Configuration, load
from bridge.shell.report_facts import Facts, gather
from bridge.shell.report_span import span
from bridge.shell.whole_file import write_whole

FAILED: Final = 1


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 (argparse keeps the type to itself)
    """Declare the subcommand."""
    parser = subparsers.add_parser(
        "report",
        help="write a report of a day, a week or a year as a page or a picture",
        description="Write what the history tells of a stretch of time: salinity, causes, holds, "
        "alarms, water, checks, and what to do. A file that ends in .html can be read in any "
        "browser and printed; one that ends in .png holds a chart and the key figures. The daemon "
        "may be running meanwhile.",
        epilog="Examples: tidegate report --config tank.toml --last 7d --output week.html; "
        "tidegate report --config tank.toml --from 2026-03-01 --to 2026-04-01 --output march.png. "
        "Times without an offset are in the zone of [notify] time_zone.",
    )
    parser.add_argument(
        "--config", required=True, metavar="F", help="configuration with the path of the history"
    )
    parser.add_argument(
        "--from", dest="from_time", metavar="T", help="like 2026-03-01 or 2026-03-01T08:00"
    )
    parser.add_argument(
        "--to", dest="to_time", metavar="T", help="not included (left out: until now)"
    )
    parser.add_argument("--last", metavar="L", help="instead of both: the last 24h, 7d or 4w")
    parser.add_argument("--tank", metavar="NAME", help="only this one (left out: all)")
    parser.add_argument(
        "--output", required=True, type=Path, metavar="F", help="ending in .html or .png"
    )
    parser.add_argument("--force", action="store_true", help="replace a file that is there")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Write the report and say where it is.

    Raises:
        UserError: The configuration, the history, an option or the file cannot be used.
    """
    output: Path = arguments.output
    render = _renderer(output)
    if output.exists() and not arguments.force:
        raise UserError(f"{output} is there already; give another name, or --force to replace it")
    configuration = load(arguments.config)
    zone = configuration.notify.zone
    from_s, to_s = span(
        arguments.from_time, arguments.to_time, arguments.last, now_s=time.time(), zone=zone
    )
    path = Path(configuration.storage.path)
    tanks = [
        gather(path, name, configuration.tanks[name], from_s=from_s, to_s=to_s, zone=zone)
        for name in _names(configuration, arguments)
    ]
    if all(facts.empty for facts in tanks):
        begin, end = tanks[0].at(from_s), tanks[0].at(to_s)
        sys.stderr.write(
            f"Nothing was recorded from {begin:%Y-%m-%d %H:%M} to {end:%Y-%m-%d %H:%M} "
            f"({zone}), so there is no report.\n"
        )
        return FAILED
    write_whole(output, render(tanks))
    sys.stderr.write(f"Report written to {output}.\n")
    return 0


def _names(configuration: Configuration, arguments: argparse.Namespace) -> Sequence[str]:
    names = sorted(configuration.tanks)
    if arguments.tank is None:
        return names
    if arguments.tank not in names:
        raise UserError(
            f'{arguments.config} has no tank "{arguments.tank}"; accepted are {", ".join(names)}'
        )
    return [arguments.tank]


def _renderer(output: Path) -> Callable[[Sequence[Facts]], bytes]:
    ending = output.suffix.lower()
    if ending in {".html", ".htm"}:
        from bridge.shell.report_html import render  # noqa: PLC0415 (only for a page)

        return lambda tanks: render(tanks).encode()
    if ending != ".png":
        raise UserError(f"--output: {output} has to end in .html or .png")
    try:
        from bridge.shell.report_png import render_png  # noqa: PLC0415 (an optional library)
    except ImportError as error:
        raise UserError(
            'a picture needs the library Pillow; install it with pip install "tidegate[chart]", '
            "or write a page (.html)"
        ) from error
    return render_png
