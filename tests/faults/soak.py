"""Many trials at random: ``python -m tests.faults.soak --runs 200 --at-once 4 --seed 1``.

Plants run side by side, each with its own broker and ports. Each trial draws a fault and its timing
from the seed. A broken promise is reported with the daemon's log, and the plant is made anew. As
root, the network and the disk are part of it; without, those two are left out and it says so.
"""

import argparse
import random
import sys
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from threading import Lock
from typing import Final

from tests.faults.catalogue import FAULTS, HungService, small_disk
from tests.faults.namespaces import missing, rooms
from tests.faults.plant import Plant
from tests.faults.trial import BrokenPromiseError, Fault, Outcome, try_out

NEEDS_ROOT: Final = frozenset({"network cut", "disk full"})


@dataclass(slots=True)
class Tally:
    """What came of all trials so far."""

    outcomes: list[Outcome] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    lock: Lock = field(default_factory=Lock)

    @property
    def finished(self) -> int:
        """Trials that ended, well or not."""
        return len(self.outcomes) + len(self.broken)


@contextmanager
def full_plant(directory: Path, seed: int, protocol: str = "auto") -> Iterator[Plant]:
    """A plant that every fault can strike, as far as this user may."""
    with ExitStack() as stack:
        network = storage = None
        if missing() is None:
            network = stack.enter_context(rooms("daemon", "gates"))
            storage = stack.enter_context(small_disk(directory / "disk"))
        service = HungService(network["daemon"].host if network else "127.0.0.1")
        stack.callback(service.close)
        yield stack.enter_context(
            Plant(
                directory,
                seed=seed,
                more=service.section,
                network=network,
                storage=storage,
                protocol=protocol,
            )
        )


def say(line: str) -> None:
    """Onto standard output, at once."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def possible() -> list[Fault]:
    """The faults that this user may cause."""
    return [fault for name, fault in FAULTS.items() if not missing() or name not in NEEDS_ROOT]


def work(share: list[tuple[Fault, int]], seed: int, tally: Tally, total: int) -> None:
    """One plant after another, until all trials of this share are done."""
    left = list(share)
    # Without MQTT 5 no permit expires on the broker: the gate's own clock has to do.
    protocol = "auto" if seed % 3 else "3.1.1"
    while left:
        with (
            tempfile.TemporaryDirectory(prefix="tidegate-soak-") as directory,
            full_plant(Path(directory), seed, protocol) as plant,
        ):
            while left:
                fault, drawn = left.pop(0)
                if not _trial(plant, fault, drawn, tally, total):
                    break


def _trial(plant: Plant, fault: Fault, drawn: int, tally: Tally, total: int) -> bool:
    try:
        outcome = try_out(plant, fault, random.Random(drawn))
    except BrokenPromiseError as error:
        with tally.lock:
            tally.broken.append(f"{error} (seed {drawn})")
            say(f"BROKEN: {error} (seed {drawn})\n{plant.tell_log()}")
        return False
    with tally.lock:
        tally.outcomes.append(outcome)
        say(
            f"{tally.finished}/{total} {outcome.fault}: closed after "
            f"{outcome.closed_after_s:.2f} s, open again after {outcome.open_after_s:.1f} s"
        )
    return True


def soak(runs: int, at_once: int, seed: int, names: list[str]) -> Tally:
    """Do the trials; each fault comes up equally often."""
    chance = random.Random(seed)
    faults = [fault for fault in possible() if not names or fault.name in names]
    trials = [(faults[number % len(faults)], chance.randrange(2**32)) for number in range(runs)]
    chance.shuffle(trials)
    tally = Tally()
    with ThreadPoolExecutor(at_once) as pool:
        list(
            pool.map(
                lambda place: work(trials[place::at_once], seed + place, tally, runs),
                range(at_once),
            )
        )
    return tally


def main() -> int:
    """Run and sum up; exit 1 when a promise was broken."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=200)
    parser.add_argument("--at-once", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", action="append", default=[], choices=list(FAULTS))
    options = parser.parse_args()
    if reason := missing():
        say(f"without the network and the disk: {reason}")
    began = time.monotonic()
    tally = soak(options.runs, options.at_once, options.seed, options.only)
    say(f"{tally.finished} trials in {time.monotonic() - began:.0f} s")
    for name in FAULTS:
        of_it = [outcome for outcome in tally.outcomes if outcome.fault == name]
        if of_it:
            closed = max(outcome.closed_after_s for outcome in of_it)
            reopened = max(outcome.open_after_s for outcome in of_it)
            say(
                f"{name}: {len(of_it)} kept, closed after {closed:.2f} s at most, "
                f"open again after {reopened:.1f} s at most"
            )
    say(f"broken promises: {len(tally.broken)}")
    for line in tally.broken:
        say(f"  {line}")
    return 1 if tally.broken else 0


if __name__ == "__main__":
    sys.exit(main())
