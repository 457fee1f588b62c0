"""``python -m tests.endurance.soak``: months of many tanks, and what became of the daemon.

It takes minutes or hours, as days, tanks and cadence say. Nothing is asserted here; the figures are
printed. `test_endurance.py` asserts.
"""

import argparse
import sys
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory

from tests.endurance.voyage import LEASE_S, Log, Voyage
from tests.support.mosquitto import Mosquitto


def report(log: Log, *, every: int = 1) -> str:
    """The log in words."""
    lines = ["  day  resident kB  threads  descriptors"]
    lines += [
        f"{sight.day:5.1f}  {sight.resident_kb:11d}  {sight.threads:7d}  {sight.descriptors:11d}"
        for sight in [*log.sights[:-1:every], log.sights[-1]]
    ]
    first, last = (median(each for _, each in _part(log, begin)) for begin in (0.0, 0.8))
    longest = max(each for _, each in log.renewals_s)
    lines.append(
        f"{log.messages} messages in, {log.said} heard out, {log.alarms} alarm documents, "
        f"{log.results} commands answered, in {log.lasted_s:.0f} s"
    )
    lines.append(f"history {log.history_bytes / 1e6:.1f} MB; exit code {log.exit_code}")
    lines.append(f"counters: { {key: value for key, value in log.counters.items() if value} }")
    lines.append(
        f"renewals: {len(log.renewals_s)}; wanted every {LEASE_S / 3:.0f} s; first fifth "
        f"{first:.3f} s, last fifth {last:.3f} s, longest {longest:.3f} s"
    )
    return "\n".join(lines) + "\n"


def _part(log: Log, begin: float) -> list[tuple[float, float]]:
    count = len(log.renewals_s)
    return log.renewals_s[int(begin * count) : int((begin + 0.2) * count) + 1]


def main() -> int:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--days", type=float, default=90.0)
    parser.add_argument("--tanks", type=int, default=20)
    parser.add_argument("--cadence-s", type=float, default=300.0)
    parser.add_argument("--looks-per-day", type=float, default=24.0)
    arguments = parser.parse_args()
    with TemporaryDirectory() as name:
        directory = Path(name)
        (directory / "broker").mkdir()
        broker = Mosquitto(directory / "broker")
        broker.start()
        try:
            log = Voyage(
                broker,
                directory,
                days=arguments.days,
                tanks=arguments.tanks,
                cadence_s=arguments.cadence_s,
                looks_per_day=arguments.looks_per_day,
            ).run()
        finally:
            broker.close()
    sys.stdout.write(report(log, every=max(1, len(log.sights) // 40)))
    sys.stdout.write(log.log[-3000:])
    return 0


if __name__ == "__main__":
    sys.exit(main())
