"""``tidegate replay``: what the daemon would have made of a capture, or of its own history."""

import argparse
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rich.console import Console
from rich.progress import Progress

from bridge.core.engine import Engine
from bridge.core.errors import UserError
from bridge.core.outputs import Output, Publish, Record
from bridge.shell.capture import CaptureReader, CaptureWriter
from bridge.shell.config import Configuration, load_site
from bridge.shell.replay import replay

if TYPE_CHECKING:
    from bridge.shell.rejudge import Span
    from bridge.shell.rejudge_compare import Comparison


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 (argparse keeps the type to itself)
    """Declare the subcommand."""
    parser = subparsers.add_parser(
        "replay",
        help="run a capture, or the history, through the engine on its own time",
        description="Run the same engine over a capture and write everything that it would have "
        "published. The same capture and configuration give the same output, byte for byte. "
        "Suffixes .gz and .zst compress. With --history, run it over what the daemon itself heard, "
        "and tell with --compare what another configuration would have changed.",
        epilog="Examples: tidegate replay --config tank.toml --input capture.jsonl --output "
        "out.jsonl; tidegate replay --history tidegate-data/history.sqlite3 --config new.toml "
        "--compare. Times without an offset are in the zone of [notify] time_zone.",
    )
    parser.add_argument("--config", required=True, metavar="F", help="the configuration file")
    source = parser.add_mutually_exclusive_group(required=True)
    source.add_argument(
        "--input",
        nargs="+",
        type=Path,
        metavar="F",
        help="the capture; or several that stand for themselves, with a directory as --output",
    )
    source.add_argument("--history", type=Path, metavar="F", help="the history's file")
    parser.add_argument("--output", type=Path, metavar="F", help="where to write")
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
    history = parser.add_argument_group("with --history")
    history.add_argument(
        "--from", dest="from_time", metavar="T", help="like 2026-03-01 or 2026-03-01T08:00"
    )
    history.add_argument("--to", dest="to_time", metavar="T", help="not included")
    history.add_argument(
        "--compare", action="store_true", help="tell what would have changed against what was"
    )
    history.add_argument(
        "--against",
        metavar="F",
        help="compare with what this configuration would have led to, not with what was",
    )
    history.add_argument("--json", action="store_true", help="tell it as JSON")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Replay and say how much there was, or what would have changed.

    Raises:
        UserError: The configuration, a file or an option cannot be used.
    """
    if arguments.history is not None:
        return _judge_again(arguments)
    for option in ("from_time", "to_time", "compare", "against", "json"):
        if getattr(arguments, option):
            name = option.removesuffix("_time")
            raise UserError(f"--{name} goes with --history, not with --input")
    if arguments.output is None:
        raise UserError("--output is missing; say where to write what would have been published")
    settings = load_site(arguments.config)
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
        taken = replay(
            CaptureReader(source, on_progress=on_progress),
            settings=settings,
            make_engine=lambda boot_id, at_s: Engine(settings, boot_id=boot_id, at_s=at_s),
            publish=lambda message: _write(writer, message),
        )
    sys.stderr.write(f"{taken} messages taken, {writer.lines} published, in {arguments.output}.\n")
    return 0


def _write(writer: CaptureWriter, message: Publish) -> None:
    writer.write(message.at_s, message.topic, message.payload, retain=message.retain)


def _judge_again(arguments: argparse.Namespace) -> int:
    # Only here: a replay of a capture should not wait for SQLite.
    from bridge.shell.history_reader import HistoryReader  # noqa: PLC0415
    from bridge.shell.rejudge import span_of  # noqa: PLC0415
    from bridge.shell.report_span import moment  # noqa: PLC0415

    comparing = arguments.compare or arguments.against is not None
    if not comparing and arguments.output is None:
        raise UserError("say what is wanted: --compare, --against F, or --output F")
    if arguments.json and not comparing:
        raise UserError("--json goes with --compare or --against")
    settings = load_site(arguments.config)
    zone = settings.notify.zone
    from_s, to_s = (
        None if text is None else moment(option, text, zone)
        for option, text in (("--from", arguments.from_time), ("--to", arguments.to_time))
    )
    if from_s is not None and to_s is not None and to_s <= from_s:
        raise UserError("--from has to be earlier than --to")
    reader = HistoryReader(arguments.history)
    span = span_of(reader, from_s, to_s)
    with ExitStack() as stack:
        writer = None
        if arguments.output is not None:
            writer = stack.enter_context(CaptureWriter(arguments.output))
        new = _records(reader, settings, span, writer, stack)
        if not comparing:
            for _ in new:
                pass
        else:
            comparisons = _compared(arguments, reader, settings, span, new)
            _tell(arguments, comparisons, settings)
    if writer is not None:
        sys.stderr.write(f"{writer.lines} messages published, in {arguments.output}.\n")
    return 0


def _records(
    reader: Any,  # noqa: ANN401 - imported late
    settings: Configuration,
    span: "Span",
    writer: CaptureWriter | None,
    stack: ExitStack,
) -> Iterator[Record]:
    """What an engine with these settings keeps; what it publishes goes to the writer."""
    from bridge.shell.rejudge import rejudge  # noqa: PLC0415

    done = stack.enter_context(_bar("Judging again", span.to_s - span.begin_s))
    outputs: Iterator[Output] = rejudge(
        reader.inputs(span.begin_s, span.to_s), settings=settings, span=span
    )
    for output in outputs:
        if isinstance(output, Record):
            done(output.at_s - span.begin_s)
            yield output
        elif isinstance(output, Publish) and writer is not None and output.at_s >= span.from_s:
            _write(writer, output)


def _compared(
    arguments: argparse.Namespace,
    reader: Any,  # noqa: ANN401 - imported late
    settings: Configuration,
    span: "Span",
    new: Iterator[Record],
) -> "list[Comparison]":
    from itertools import chain  # noqa: PLC0415

    from bridge.shell.rejudge import stood_before  # noqa: PLC0415
    from bridge.shell.rejudge_compare import compare  # noqa: PLC0415

    before = stood_before(reader, settings.tanks, span)
    with ExitStack() as stack:
        if arguments.against is None:
            old = reader.records(span.begin_s, span.to_s)
        else:
            old = _records(reader, load_site(arguments.against), span, None, stack)
        return compare(
            chain(before, old),
            chain(before, new),
            permits={name: tuple(tank.permits) for name, tank in settings.tanks.items()},
            from_s=span.from_s,
            to_s=span.to_s,
        )


def _tell(
    arguments: argparse.Namespace, comparisons: "list[Comparison]", settings: Configuration
) -> None:
    import orjson  # noqa: PLC0415

    from bridge.shell.rejudge_compare import as_document  # noqa: PLC0415
    from bridge.shell.rejudge_words import words  # noqa: PLC0415

    if arguments.json:
        document = [as_document(each) for each in comparisons]
        sys.stdout.write(orjson.dumps(document, option=orjson.OPT_INDENT_2).decode() + "\n")
        return
    zone = settings.notify.zone
    told = [
        words(each, title=settings.tanks[each.tank].name or each.tank, zone=zone)
        for each in comparisons
    ]
    sys.stdout.write("\n".join(told))


@contextmanager
def _bar(title: str, total: float) -> Iterator[Callable[[float], None]]:
    """A bar on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        yield lambda _: None
        return
    with Progress(console=Console(stderr=True), transient=True) as progress:
        task = progress.add_task(title, total=total)
        yield lambda done: progress.update(task, completed=done)


@contextmanager
def _progress(path: Path) -> Iterator[Callable[[float], None]]:
    with _bar("Replaying", CaptureReader(path).size()) as done:
        yield done
