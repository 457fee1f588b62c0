"""``tidegate replay``: what the daemon would have made of a capture."""

import argparse
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import Progress

from bridge.core.engine import Engine
from bridge.core.outputs import Publish
from bridge.shell.capture import CaptureReader, CaptureWriter
from bridge.shell.config import load
from bridge.shell.replay import replay


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 (argparse keeps the type to itself)
    """Declare the subcommand."""
    parser = subparsers.add_parser(
        "replay",
        help="run a capture through the engine, on its own time",
        description="Run the same engine over a capture and write everything that it would have "
        "published. The same capture and configuration give the same output, byte for byte. "
        "Suffixes .gz and .zst compress.",
    )
    parser.add_argument("--config", required=True, metavar="F", help="the configuration file")
    parser.add_argument(
        "--input",
        required=True,
        nargs="+",
        type=Path,
        metavar="F",
        help="the capture; or several that stand for themselves, with a directory as --output",
    )
    parser.add_argument("--output", required=True, type=Path, metavar="F", help="where to write")
    many = parser.add_argument_group("many tanks, or much time; the output is the same")
    many.add_argument(
        "--jobs",
        type=int,
        default=1,
        metavar="N",
        help="judge so many tanks at a time, each in a process of its own (default: %(default)s)",
    )
    many.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="let the workers of this Dask scheduler do it, like tcp://192.0.2.7:8786",
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Replay and say how much there was.

    Raises:
        UserError: The configuration or a file cannot be used.
    """
    settings = load(arguments.config)
    if len(arguments.input) > 1 or arguments.jobs != 1 or arguments.scheduler is not None:
        from bridge.commands.replay_pieces import replay_in_pieces  # noqa: PLC0415

        return replay_in_pieces(
            arguments.input,
            arguments.output,
            settings=settings,
            jobs=arguments.jobs,
            scheduler=arguments.scheduler,
        )
    [source] = arguments.input
    with _progress(source) as on_progress, CaptureWriter(arguments.output) as writer:

        def publish(message: Publish) -> None:
            writer.write(message.at_s, message.topic, message.payload, retain=message.retain)

        taken = replay(
            CaptureReader(source, on_progress=on_progress),
            settings=settings,
            make_engine=lambda boot_id, at_s: Engine(settings, boot_id=boot_id, at_s=at_s),
            publish=publish,
        )
    sys.stderr.write(f"{taken} messages taken, {writer.lines} published, in {arguments.output}.\n")
    return 0


@contextmanager
def _progress(path: Path) -> Iterator[Callable[[int], None] | None]:
    """A bar on a terminal, nothing elsewhere."""
    size = CaptureReader(path).size()
    if not sys.stderr.isatty():
        yield None
        return
    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task("Replaying", total=size)
        yield lambda done: progress.update(task, completed=done)
