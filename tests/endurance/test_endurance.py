"""The daemon after a day, and after three months, is the daemon of the first hour."""

import sys
from collections.abc import Callable
from pathlib import Path
from statistics import median

import pytest

from tests.endurance.soak import report
from tests.endurance.voyage import LEASE_S, Log, Voyage
from tests.support.mosquitto import Mosquitto

WITHOUT_FAULT = (
    "engine_errors",
    "callback_errors",
    "sink_errors",
    "messages_dropped",
    "guard_trips",
)
STALE = ("stalls", "outbox_dropped", "permits_withheld", "publishes_refused")
LEARNED_BY_DAY = 21.0
"""Two weeks are looked back on, by the diagnosis and by the history at full resolution, and SQLite
fills its cache of pages meanwhile; what is kept in memory has its size after three weeks."""


def judge(log: Log, *, days: float, tanks: int, cadence_s: float) -> None:
    """What holds for every length."""
    steps = days * 86_400.0 / cadence_s
    assert log.exit_code == 0
    assert log.messages > 1.8 * tanks * steps
    for counter in (*WITHOUT_FAULT, *STALE):
        assert log.counters[counter] == 0, counter
    assert "Traceback" not in log.log
    assert log.results > 0.9 * tanks * 2 * days - tanks
    threads = [sight.threads for sight in log.sights]
    # One of a pool serves the page at the moment, or none does.
    assert max(threads) - min(threads) <= 2
    descriptors = [sight.descriptors for sight in log.sights]
    assert max(descriptors) - min(descriptors) <= 4
    assert median(sight.descriptors for sight in log.sights[-5:]) <= descriptors[0] + 1


def renewals(log: Log, begin: float, end: float) -> list[float]:
    """Spans between two renewals of a permit, in a part of the way."""
    last = log.renewals_s[-1][0]
    return [span for day, span in log.renewals_s if begin * last <= day <= end * last]


@pytest.mark.broker
def test_a_day_of_two_tanks(broker: Mosquitto, tmp_path: Path) -> None:
    """288 readings of each sensor: no error, no thread or descriptor more, permits on time."""
    log = Voyage(broker, tmp_path, days=1.0, tanks=2, cadence_s=300.0).run()

    judge(log, days=1.0, tanks=2, cadence_s=300.0)
    assert log.sights[-1].resident_kb < 1.15 * log.sights[0].resident_kb
    assert median(renewals(log, 0.5, 1.0)) < LEASE_S / 2


@pytest.mark.broker
@pytest.mark.soak
def test_ninety_days_of_twenty_tanks(make_broker: Callable[..., Mosquitto], tmp_path: Path) -> None:
    """A million messages: memory flat once what is looked back on is full, permits on time."""
    broker = make_broker()
    broker.start()
    log = Voyage(broker, tmp_path, days=90.0, tanks=20, cadence_s=300.0, looks_per_day=4.0).run()

    sys.stdout.write(report(log, every=10))
    judge(log, days=90.0, tanks=20, cadence_s=300.0)
    full = [sight.resident_kb for sight in log.sights if sight.day > LEARNED_BY_DAY]
    third = len(full) // 3
    assert median(full[-third:]) < 1.02 * median(full[:third])
    first, last = renewals(log, 0.0, 0.2), renewals(log, 0.8, 1.0)
    assert median(last) == pytest.approx(median(first), rel=0.02)
