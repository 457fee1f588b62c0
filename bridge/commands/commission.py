"""``tidegate commission``: walk through setting up a probe, with live values, and report."""

import argparse
import sys
from pathlib import Path
from typing import Any, Final

from pydantic import TypeAdapter, ValidationError
from rich.console import Console

from bridge.commands.commission_walk import LiveSource, Stopped, Walk
from bridge.core.commissioning import STATE_VERSION, CommissionState, verdict
from bridge.core.errors import UserError
from bridge.shell.whole_file import write_whole

_STATE: Final = TypeAdapter(CommissionState)


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 (argparse keeps the type to itself)
    """Declare the subcommand."""
    parser = subparsers.add_parser(
        "commission",
        help="walk through setting up a probe, with live values and a report",
        description="Check place and cables, calibrate, compare still with flowing water and with "
        "a hand instrument, try every device for its effect, and write a report. Type stop at any "
        "question to go on another time. The daemon must be running; --practice needs nothing.",
    )
    source = parser.add_mutually_exclusive_group(required=True)
    source.add_argument("--config", metavar="FILE", help="configuration of the running daemon")
    source.add_argument(
        "--practice", action="store_true", help="practise in a simulated tank; nothing is real"
    )
    parser.add_argument("--tank", metavar="NAME", help="which tank, when there are several")
    parser.add_argument(
        "--state",
        type=Path,
        metavar="FILE",
        help="where the progress is kept (default: commission-<tank>.json)",
    )
    parser.add_argument(
        "--report",
        type=Path,
        metavar="FILE",
        help="where the report goes (default: commission-<tank>.html)",
    )
    parser.add_argument("--again", action="store_true", help="forget the progress, begin anew")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Walk through, save, report."""
    console = Console(highlight=False, markup=False)
    source = _source(arguments)
    try:
        return _walk(arguments, source, console)
    finally:
        source.close()


def _walk(arguments: argparse.Namespace, source: LiveSource, console: Console) -> int:
    kept: Path = arguments.state or Path(f"commission-{source.tank}.json")
    report: Path = arguments.report or Path(f"commission-{source.tank}.html")
    state = None if arguments.again else load_state(kept)
    if state is None:
        state = CommissionState(
            tank=source.tank, started_at_s=source.now_s, practice=source.practice
        )
    elif state.tank != source.tank or state.practice is not source.practice:
        raise UserError(
            f"{kept} belongs to {state.tank}; give another --state, or --again to begin anew"
        )
    else:
        console.print(f"Resuming; done so far: {', '.join(state.done) or 'nothing'}.")

    def tell(line: str) -> None:
        console.print(line, soft_wrap=True)

    def ask(question: str) -> str:
        console.print(question, soft_wrap=True)
        line = sys.stdin.readline()
        if not line:
            raise Stopped
        return line

    walk = Walk(source, state, ask=ask, tell=tell, save=lambda s: save_state(kept, s))
    finished = True
    try:
        walk.run()
    except (Stopped, KeyboardInterrupt):
        finished = False
        # Whatever was begun, permits must not stay held because somebody went for a coffee.
        source.send("service", {"phase": "end"})
    except UserError:
        save_state(kept, state)
        raise
    save_state(kept, state)
    # Imported here: the report is only needed at the end.
    from bridge.shell.commission_report import render  # noqa: PLC0415

    write_whole(report, render(state, finished_at_s=source.now_s).encode())
    for line in verdict(state):
        mark = {True: "fine", False: "look", None: "open"}[line.fine]
        tell(f"[{mark}] {line.sentence}")
    tell(f"Report: {report}. Progress: {kept}.")
    if not finished:
        tell("Stopped. The same command goes on from here.")
    return 0


def _source(arguments: argparse.Namespace) -> LiveSource:
    if arguments.practice:
        from bridge.simulation.practice import PracticeTank  # noqa: PLC0415 (only for practice)

        return PracticeTank()
    from bridge.shell.config import load  # noqa: PLC0415 (practice needs no configuration)
    from bridge.shell.live_source import BrokerSource  # noqa: PLC0415

    configuration = load(arguments.config)
    names = sorted(configuration.tanks)
    name = arguments.tank or (names[0] if len(names) == 1 else "")
    if name not in configuration.tanks:
        raise UserError(
            f"{arguments.config}: say which tank with --tank; accepted are {', '.join(names)}"
        )
    return BrokerSource(configuration, configuration.broker, name)


def load_state(path: Path) -> CommissionState | None:
    """Progress kept earlier; None when there is none.

    Raises:
        UserError: the file is not one of ours, or cannot be read.
    """
    try:
        content = path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise UserError(f"{path}: the progress cannot be read: {error.strerror}") from error
    try:
        state = _STATE.validate_json(content)
    except ValidationError as error:
        raise UserError(
            f"{path}: this is no progress of a commissioning; give another --state, or --again "
            "to begin anew"
        ) from error
    if state.version != STATE_VERSION:
        raise UserError(f"{path}: made by another version; use --again to begin anew")
    return state


def save_state(path: Path, state: CommissionState) -> None:
    """Keep the progress; an interruption leaves the old file whole.

    Raises:
        UserError: the file cannot be written.
    """
    write_whole(path, _STATE.dump_json(state))
