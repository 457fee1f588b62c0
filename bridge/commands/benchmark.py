"""``tidegate benchmark``: the engine against simulated tanks with known faults."""

import argparse
import importlib.util
import sys
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from math import isnan, nan
from multiprocessing import get_context
from pathlib import Path
from typing import Any, Final

import numpy as np
import orjson
from rich import box
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

import bridge
from bridge.core.engine import Engine
from bridge.core.errors import UserError
from bridge.core.events import Event, Message
from bridge.core.outputs import Output, Record
from bridge.shell.stepping import feed
from bridge.simulation.benchmark import CONDITIONS, Score, score
from bridge.simulation.catalogue import SCENARIOS, healthy, scenario
from bridge.simulation.figures import Figures, figures
from bridge.simulation.scenario import Scenario
from bridge.simulation.timeline import Observed
from bridge.simulation.watcher import watch

FIRST_SEED: Final = {"development": 1_000, "reporting": 1_000_000}
"""Where each set of seeds starts. A run of any size uses seeds of its own set only."""

MOST_SCENARIOS: Final = 100_000

HEALTHY: Final = "healthy"
OURS: Final = "tidegate"
QUICK_COUNT: Final = 1
QUICK_DAYS: Final = 3.0
QUICK_INTERVAL_S: Final = 30.0
DAYS: Final = 30.0

PLAIN_WIDTH: Final = 120

Baseline = Callable[[Any, Any, Any], Observed]


@dataclass(frozen=True, slots=True)
class Case:
    """One scenario to run."""

    name: str
    seed: int
    days: float
    shortest_interval_s: float
    baselines: bool

    def make(self) -> Scenario:
        """Simulate it."""
        if self.name == HEALTHY:
            return healthy(self.seed, self.days, shortest_interval_s=self.shortest_interval_s)
        return scenario(self.name, self.seed, shortest_interval_s=self.shortest_interval_s)


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 (argparse keeps the type to itself)
    """Declare the subcommand."""
    parser = subparsers.add_parser(
        "benchmark",
        help="measure the diagnosis on simulated tanks with known faults",
        description="Run the engine over simulated tanks whose faults are known, and print how "
        "many it named, how fast, how often it was wrong, and how far its salinity was off. "
        "The data are invented. The plain methods beside it need a source tree and the extra "
        "'test'.",
    )
    parser.add_argument(
        "--seeds",
        choices=sorted(FIRST_SEED),
        default="reporting",
        help="which set of seeds (left out: reporting); the sets never meet",
    )
    parser.add_argument(
        "--causes",
        metavar="C[,C]",
        help=f"only these scenarios, of {', '.join((*sorted(SCENARIOS), HEALTHY))}",
    )
    parser.add_argument(
        "--count", type=int, metavar="N", help="scenarios of each kind (left out: 20)"
    )
    parser.add_argument("--workers", type=int, default=2, metavar="N", help="processes")
    parser.add_argument(
        "--quick", action="store_true", help="one slow-probe scenario of each kind, in a minute"
    )
    parser.add_argument("--details", action="store_true", help="list what was missed or wrong")
    parser.add_argument("--output", type=Path, metavar="JSON", help="write all figures to a file")
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Run the scenarios and print the tables.

    Raises:
        UserError: An argument is not acceptable.
    """
    cases = _cases(arguments)
    scores: dict[str, Score] = {}
    for result in _results(cases, arguments.workers):
        for method, each in result.items():
            scores.setdefault(method, Score()).add(each)
    worked_out = {method: figures(each) for method, each in scores.items()}
    # Into a file or a pipe the tables keep their full width.
    console = Console(width=None if sys.stdout.isatty() else PLAIN_WIDTH)
    for table in tables(worked_out):
        console.print(table)
    if arguments.details:
        _print_details(console, worked_out[OURS])
    if arguments.output is not None:
        document = {
            "seeds": arguments.seeds,
            "quick": arguments.quick,
            "version": bridge.__version__,
            "methods": {method: each.as_dict() for method, each in worked_out.items()},
        }
        try:
            arguments.output.write_bytes(orjson.dumps(document, option=orjson.OPT_INDENT_2))
        except OSError as error:
            raise UserError(f"--output {arguments.output}: {error.strerror}") from error
    return 0


def _cases(arguments: argparse.Namespace) -> list[Case]:
    known = (*sorted(SCENARIOS), HEALTHY)
    names = arguments.causes.split(",") if arguments.causes else list(known)
    for name in names:
        if name not in known:
            raise UserError(f"--causes {name}: accepted are {', '.join(known)}")
    count = arguments.count
    if count is None:
        count = QUICK_COUNT if arguments.quick else 20
    if not 1 <= count <= MOST_SCENARIOS:
        raise UserError(f"--count {count}: accepted is 1 to {MOST_SCENARIOS}")
    if arguments.workers < 1:
        raise UserError(f"--workers {arguments.workers}: accepted is 1 or more")
    first = FIRST_SEED[arguments.seeds]
    if arguments.seeds == "development":
        count = min(count, FIRST_SEED["reporting"] - first)
    baselines = _baseline_file() is not None
    return [
        Case(
            name,
            first + number,
            QUICK_DAYS if arguments.quick else DAYS,
            QUICK_INTERVAL_S if arguments.quick else 0.0,
            baselines,
        )
        # The long healthy stretches first, so that no worker is left alone with one.
        for name in sorted(names, key=lambda each: each != HEALTHY)
        for number in range(count)
    ]


def _results(cases: list[Case], workers: int) -> Iterator[Mapping[str, Score]]:
    """Results in the order of the cases, with a progress bar on a terminal."""
    console = Console(stderr=True)
    with (
        Progress(console=console, transient=True, disable=not console.is_terminal) as progress,
        ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool,
    ):
        task = progress.add_task("Simulating", total=len(cases))
        futures = {pool.submit(run_case, case): number for number, case in enumerate(cases)}
        results: dict[int, Mapping[str, Score]] = {}
        for future in as_completed(futures):
            results[futures[future]] = future.result()
            progress.advance(task)
    # In a fixed order, so that the lists in the outcome do not depend on the workers.
    yield from (results[number] for number in range(len(cases)))


def run_case(case: Case) -> dict[str, Score]:
    """Simulate one case and score the engine and the baselines on it."""
    simulated = case.make()
    probe: list[tuple[float, float]] = []

    since_s = simulated.start_s

    def feed_and_listen(engine: Engine, event: Event) -> list[Output]:
        nonlocal since_s
        outputs = feed(engine, event, since_s=since_s)
        since_s = event.at_s
        if isinstance(event, Message) and event.topic == simulated.tank.probe.topic:
            # The document of this very message is the last; those of ticks repeat a reading.
            for output in reversed(outputs):
                if isinstance(output, Record) and output.kind == "sample":
                    reading = output.data["probe_salinity"]
                    probe.append((output.at_s, nan if reading is None else reading))
                    break
        return outputs

    observed = watch(simulated, feed_and_listen)
    result = {OURS: score(simulated, observed)}
    if case.baselines and probe:
        times_s, probe_psu = np.array(probe).T
        for name, judge in _baselines().items():
            usable = np.isfinite(probe_psu)
            seen = judge(times_s[usable], probe_psu[usable], simulated.tank)
            result[name] = score(simulated, seen, names_causes=False)
    return result


def _baseline_file() -> Path | None:
    """Where the plain methods are, in a source tree with the libraries that they need."""
    path = Path(bridge.__file__).parents[1] / "tests" / "simulation" / "baselines.py"
    installed = importlib.util.find_spec("ioos_qc") is not None
    return path if path.is_file() and installed else None


def _baselines() -> dict[str, Baseline]:
    path = _baseline_file()
    if path is None:
        return {}
    spec = importlib.util.spec_from_file_location("tidegate_baselines", path)
    if spec is None or spec.loader is None:
        return {}
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    found: dict[str, Baseline] = module.BASELINES
    return found


def tables(worked_out: Mapping[str, Figures]) -> Iterator[Table]:
    """The tables of the benchmark, one method beside the other."""
    for method, each in worked_out.items():
        table = Table(title=f"Causes: {method}", title_justify="left", box=box.SIMPLE)
        table.add_column("cause", no_wrap=True)
        # Episodes, share with the right first cause, episodes with a deadline, share named by it,
        # reports, share of them that were right, and the delay of the right ones.
        heads = ("episodes", "recall", "due", "in time", "reports", "precise", "delay", "90 %")
        for head in heads:
            table.add_column(head, justify="right", no_wrap=True)
        for line in each.causes:
            if not line.episodes and not line.reports:
                continue
            table.add_row(
                line.cause if method == OURS or line.episodes else "(anything)",
                str(line.episodes),
                _percent(line.recall),
                str(line.due),
                _percent(line.in_time),
                str(line.reports),
                _percent(line.precision),
                _duration(line.median_delay_s),
                _duration(line.slow_delay_s),
            )
        yield table
    yield _comparison(worked_out)


def _comparison(worked_out: Mapping[str, Figures]) -> Table:
    table = Table(title="All methods on the same data", title_justify="left", box=box.SIMPLE)
    table.add_column("figure")
    for method in worked_out:
        table.add_column(method, justify="right")
    rows: list[tuple[str, Callable[[Figures], str]]] = [
        ("scenarios", lambda f: str(f.scenarios)),
        ("healthy tank-months", lambda f: f"{f.healthy_months:.2f}"),
        ("false reports a healthy month", lambda f: _number(f.false_reports_month)),
        ("false high alarms a healthy month", lambda f: _number(f.false_high_alarms_month)),
        ("false holds a healthy month", lambda f: _per_permit(f.false_holds_month, _number)),
        ("false-hold time", lambda f: _per_permit(f.false_hold_share, _fine_percent)),
        ("wrong permits of holds due", lambda f: f"{f.wrong_permits} of {f.holds_due}"),
        ("time wrongly permitted", lambda f: _duration(f.wrong_permit_s)),
    ]
    for index, condition in enumerate(CONDITIONS):
        rows += _error_rows(index, condition)
    rows += [
        ("us a probe sample, all inputs", lambda f: _cost(f.microseconds_a_sample)),
        ("us a message of any input", lambda f: _cost(f.microseconds_a_message)),
    ]
    for name, show in rows:
        table.add_row(name, *(show(each) for each in worked_out.values()))
    return table


def _error_rows(index: int, condition: str) -> list[tuple[str, Callable[[Figures], str]]]:
    return [
        (f"RMS error, {condition}", lambda f: _number(f.errors[index].rms_psu, 3)),
        (f"coverage, {condition}", lambda f: _percent(f.errors[index].coverage)),
        (f"mean half-width, {condition}", lambda f: _number(f.errors[index].half_width_psu, 3)),
        (f"not published, {condition}", lambda f: _percent(f.errors[index].unknown)),
    ]


def _print_details(console: Console, ours: Figures) -> None:
    for line in ours.causes:
        for text in line.missed:
            console.print(f"missed {line.cause}: {text}", highlight=False)
        for text in line.wrong:
            console.print(f"wrong {line.cause}: {text}", highlight=False)
    for text in ours.wrong_permit_notes:
        console.print(f"wrong permit: {text}", highlight=False)


def _percent(value: float) -> str:
    return "-" if isnan(value) else f"{100.0 * value:.1f} %"


def _fine_percent(value: float) -> str:
    return "-" if isnan(value) else f"{100.0 * value:.3f} %"


def _number(value: float, digits: int = 2) -> str:
    return "-" if isnan(value) else f"{value:.{digits}f}"


def _cost(microseconds: float) -> str:
    """The baselines work on whole arrays; their cost says nothing."""
    return f"{microseconds:.1f}" if microseconds > 0.0 else "-"


def _per_permit(values: Mapping[str, float], show: Callable[[float], str]) -> str:
    return "\n".join(f"{name} {show(value)}" for name, value in values.items()) or "0"


def _duration(seconds: float) -> str:
    if isnan(seconds):
        return "-"
    for unit, length_s in (("d", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 2.0 * length_s:
            return f"{seconds / length_s:.1f} {unit}"
    return f"{seconds:.0f} s"
