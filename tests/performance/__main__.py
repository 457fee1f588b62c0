"""Measures all of it and prints a table, in a quarter of an hour.

    python -m tests.performance            as docs/performance.md shows it
    python -m tests.performance --quick    in a minute, to see that it works

Machines differ, and do other things as well; the ratios are what tells something.
"""

import argparse
import sys
from collections.abc import Sequence

from rich.console import Console
from rich.progress import Progress

from tests.performance.live import crowd, side_by_side
from tests.performance.offline import COMPILED, by_history, by_tanks, parts, replay
from tests.performance.table import (
    crowd_lines,
    grown_lines,
    live_lines,
    parts_lines,
    replay_lines,
)

SECTIONS = ("live", "crowd", "replay", "parts", "tanks", "history")


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.performance", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="at a small scale")
    parser.add_argument(
        "--only", choices=SECTIONS, action="append", help="this section, not all; may be repeated"
    )
    chosen = parser.parse_args(arguments)
    sections = tuple(chosen.only or SECTIONS)
    console = Console(stderr=True)
    lines = [f"The core was {'compiled' if COMPILED else 'interpreted'}.", ""]
    with Progress(console=console, transient=True) as progress:
        task = progress.add_task("Measuring", total=len(sections))
        for section in sections:
            progress.update(task, description=f"Measuring: {section}")
            lines += measured(section, quick=chosen.quick)
            progress.advance(task)
    sys.stdout.write("\n".join(lines).rstrip() + "\n")
    return 0


def measured(section: str, *, quick: bool) -> list[str]:
    """Lines of Markdown with what was measured."""
    match section:
        case "live":
            scale = (
                {"rounds": 1, "for_s": 1.0, "count": 50}
                if quick
                else {"rounds": 3, "for_s": 8.0, "count": 1500}
            )
            return live_lines(
                {qos: side_by_side(qos=qos, **scale) for qos in (0, 1)}  # type: ignore[arg-type]
            )
        case "crowd":
            return crowd_lines(
                [crowd(20, for_s=3.0)]
                if quick
                else [crowd(10, for_s=20.0), crowd(1000, for_s=60.0)]
            )
        case "replay":
            return replay_lines(replay(2_000 if quick else 400_000))
        case "parts":
            return parts_lines(parts(4_000 if quick else 200_000))
        case "tanks":
            sizes = (1, 10) if quick else (1, 10, 100, 1000)
            return grown_lines("tanks", by_tanks(sizes, 2_000 if quick else 40_000))
        case _:
            return grown_lines("days", by_history((1, 2) if quick else (1, 7, 30, 90)))


if __name__ == "__main__":
    sys.exit(main())
