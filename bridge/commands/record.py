"""``tidegate record``: write what the broker delivers into a capture."""

import argparse
import logging
import sys
from contextlib import ExitStack
from pathlib import Path
from typing import Any

from rich.console import Console

from bridge.core.engine import Engine
from bridge.core.errors import UserError
from bridge.shell.capture import CaptureWriter
from bridge.shell.clock import EngineClock
from bridge.shell.config import load
from bridge.shell.recorder import Recorder
from bridge.shell.signals import stopping

log = logging.getLogger(__name__)


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 (argparse keeps the type to itself)
    """Declare the subcommand."""
    parser = subparsers.add_parser(
        "record",
        help="write the messages of a live broker into a capture",
        description="Write every message that the daemon would take, commands included, into a "
        "capture for tidegate replay. Ctrl-C ends it. Suffixes .gz and .zst compress. Until it "
        "ends, the file has the suffix .partial.",
    )
    parser.add_argument("--config", required=True, metavar="F", help="the configuration file")
    parser.add_argument("--output", required=True, type=Path, metavar="F", help="the capture")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Record until told to stop.

    Raises:
        UserError: The configuration or the file cannot be used.
    """
    configuration = load(arguments.config)
    output: Path = arguments.output
    if output.is_file() and output.stat().st_size:
        raise UserError(f"{output}: there is a file already; give a new name or remove it.")
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    clock = EngineClock()
    engine = Engine(configuration, boot_id="record", at_s=clock.now_s())
    recorder = Recorder(
        configuration.broker,
        base_topic=configuration.base_topic,
        topics=engine.topics,
        clock=clock,
    )
    with (
        stopping(recorder.stop),
        CaptureWriter(output, keep_partial=True) as writer,
        ExitStack() as stack,
    ):
        if sys.stderr.isatty():
            status = stack.enter_context(Console(stderr=True).status("Recording"))
            recorder.run(
                writer, on_look=lambda: status.update(f"{writer.lines} messages; Ctrl-C ends")
            )
        else:
            recorder.run(writer)
    dropped = recorder.counters.messages_dropped
    log.info("%d messages in %s.", writer.lines, output)
    if dropped:
        log.warning("%d more came too fast to be written.", dropped)
    return 0 if recorder.counters.connections else 1
