"""``python -m tests.second_world``: judge Tidegate on tanks of another simulator."""

import argparse
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

from tests.second_world.judging import Score, judge_seed
from tests.second_world.planning import FOCUSES, LOOKS_OF
from tests.second_world.table import tell


def _seeds(text: str) -> list[int]:
    first, _, last = text.partition("-")
    return list(range(int(first), int(last or first) + 1))


def _judged(seed: int, *, keep: Path | None) -> Score:
    if keep is not None:
        return judge_seed(seed, keep)
    with tempfile.TemporaryDirectory() as folder:
        return judge_seed(seed, Path(folder))


def main(words: list[str] | None = None) -> int:
    """Run the seeds and print the tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.second_world", description=__doc__)
    parser.add_argument("--seeds", default="0-27", help="such as 0-27 (default: %(default)s)")
    parser.add_argument("--jobs", type=int, default=1, help="processes (default: %(default)s)")
    parser.add_argument(
        "--only", choices=sorted({*FOCUSES, *LOOKS_OF}), help="scenarios mostly about this"
    )
    parser.add_argument("--keep", type=Path, help="keep captures and outputs in this folder")
    parser.add_argument("--all", action="store_true", help="list episodes judged right as well")
    arguments = parser.parse_args(words)
    seeds = [
        seed
        for seed in _seeds(arguments.seeds)
        if arguments.only in {None, FOCUSES[seed % len(FOCUSES)]}
    ]
    if arguments.keep is not None:
        arguments.keep.mkdir(parents=True, exist_ok=True)
    work = partial(_judged, keep=arguments.keep)
    scores: list[Score] = []
    with ProcessPoolExecutor(arguments.jobs) as pool:
        for result in pool.map(work, seeds):
            scores.append(result)
            sys.stderr.write(f"\r{len(scores)} of {len(seeds)} scenarios")
            sys.stderr.flush()
    sys.stderr.write("\n")
    for line in tell(scores, verbose=arguments.all):
        sys.stdout.write(line + "\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
