"""``tidegate notify --test``: whether alerts arrive."""

import argparse
import sys
import time
import uuid
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from bridge.core.errors import UserError
from bridge.shell.config import Configuration, load
from bridge.shell.history_schema import HistoryError
from bridge.shell.notify_send import send
from bridge.shell.notify_text import Message, Tone

TITLE = "Tidegate: this is a test"
BODY = "Alerts reach this target. Nothing is wrong, and nothing has to be done."


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 (argparse keeps the type to itself)
    """Declare the subcommand."""
    parser = subparsers.add_parser(
        "notify",
        help="send a test alert",
        description="Send a test alert to every target under [notify.targets], at once and "
        "without regard to quiet hours, and say for each what happened.",
    )
    parser.add_argument("--config", required=True, metavar="F", help="the configuration file")
    parser.add_argument(
        "--test", action="store_true", required=True, help="really send; there is nothing else yet"
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Send, and print one line for each target.

    Returns:
        0 when every target took it, 1 when one did not.

    Raises:
        UserError: The configuration cannot be used, or names no target.
    """
    configuration = load(arguments.config)
    targets = configuration.notify.targets
    if not targets:
        raise UserError(
            f"{arguments.config}: notify.targets: there is none; "
            "add [notify.targets.<name>] with a url"
        )
    failed = False
    with TemporaryDirectory(prefix="tidegate-") as directory:
        chart, remark = _chart(configuration, Path(directory))
        message = Message(TITLE, f"{BODY} {remark}", Tone.INFO)
        for name, target in targets.items():
            outcome = send(target.url, message, delivery=uuid.uuid4().hex, chart=chart)
            failed = failed or not outcome.ok
            said = "sent" if outcome.ok else f"not sent: {outcome.reason}"
            sys.stdout.write(f"{name}: {said}\n")
            sys.stdout.flush()
    return 1 if failed else 0


def _chart(configuration: Configuration, directory: Path) -> tuple[Path | None, str]:
    """A picture of the first tank, and a sentence about it."""
    settings = configuration.notify
    if not settings.attach_chart:
        return None, "Charts are turned off."
    try:
        from bridge.shell.chart import draw_last_hours  # noqa: PLC0415 # optional library
    except ImportError:
        return None, "No chart comes along, because the extra 'chart' is not installed."
    name, tank = next(iter(configuration.tanks.items()))
    try:
        picture = draw_last_hours(
            Path(configuration.storage.path),
            name,
            to_s=time.time(),
            zone=settings.zone,
            normal_psu=(tank.limits.low_psu, tank.limits.high_psu),
        )
    except HistoryError:
        picture = None
    if picture is None:
        return None, "No chart comes along yet, because nothing was recorded in the last hours."
    path = directory / "chart.png"
    path.write_bytes(picture)
    return path, f"The chart shows the last hours of {tank.name or name}."
