"""Summaries: many samples to one row for each minute, many summaries to one for a longer span.

Samples are folded here; summaries are merged by SQLite with ``MERGE``, which must say the same as
``Summary.add``. A sample's cause holds until the next sample of the same run of the daemon, so the
time in each cause is right for any cadence, and a daemon that was off credits nothing.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final

from bridge.core.findings import Cause, Flag

MINUTE_MS: Final = 60_000
HOUR_MS: Final = 3_600_000

LONGEST_CREDIT_MS: Final = 24 * HOUR_MS
"""A cause is not believed longer than this without a new sample."""

QUANTITIES: Final = ("salinity", "uncertainty", "probe_salinity", "temperature")

CAUSES: Final = tuple(Cause)

SEVERITY: Final = (Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT, Flag.MISSING, Flag.FAIL)
"""The worst flag of a span is the last of these; "not evaluated" never becomes "pass"."""

RANK: Final = {int(flag): rank for rank, flag in enumerate(SEVERITY)}


def cause_column(cause: Cause) -> str:
    """Column with the milliseconds spent in a cause."""
    return cause.value.replace("-", "_") + "_ms"


@dataclass(slots=True)
class Spread:
    """How often, lowest, mean and highest."""

    n: int = 0
    low: float | None = None
    mean: float | None = None
    high: float | None = None

    def add(self, other: "Spread") -> None:
        """Take in what another span saw."""
        if other.mean is None or other.low is None or other.high is None:
            return
        if self.mean is None or self.low is None or self.high is None:
            self.n, self.low, self.mean, self.high = other.n, other.low, other.mean, other.high
            return
        self.low = min(self.low, other.low)
        self.high = max(self.high, other.high)
        together = self.n + other.n
        self.mean += (other.mean - self.mean) * other.n / together
        self.n = together

    def add_value(self, value: float | None) -> None:
        """Take in one more value; None is none."""
        if value is None:
            return
        self.n += 1
        if self.mean is None or self.low is None or self.high is None:
            self.low = self.mean = self.high = value
            return
        if value < self.low:
            self.low = value
        elif value > self.high:
            self.high = value
        self.mean += (value - self.mean) / self.n


def _spreads() -> list[Spread]:
    return [Spread() for _ in QUANTITIES]


def _no_time() -> list[int]:
    return [0] * len(CAUSES)


@dataclass(slots=True)
class Summary:
    """What happened in one span of time."""

    at_ms: int
    n: int = 0
    spreads: list[Spread] = field(default_factory=_spreads)
    """One for each of ``QUANTITIES``."""
    worst: int = 0
    """Place in ``SEVERITY``; 0 while there is no sample."""
    cause_ms: list[int] = field(default_factory=_no_time)
    """One for each of ``CAUSES``."""

    def add(self, other: "Summary") -> None:
        """Take in another span's summary."""
        self.n += other.n
        for mine, theirs in zip(self.spreads, other.spreads, strict=True):
            mine.add(theirs)
        self.worst = max(self.worst, other.worst)
        self.cause_ms = [a + b for a, b in zip(self.cause_ms, other.cause_ms, strict=True)]

    def row(self) -> tuple[int | float | None, ...]:
        """The values in the order of ``COLUMNS``."""
        values: list[int | float | None] = [self.at_ms, self.n]
        for spread in self.spreads:
            values += (spread.n, spread.low, spread.mean, spread.high)
        return (*values, self.worst, *self.cause_ms)


def summary_from_row(row: tuple[int | float | None, ...]) -> Summary:
    """The summary of a row in the order of ``COLUMNS``."""
    at_ms, n, *rest = row
    width = 4 * len(QUANTITIES)
    spreads = [
        Spread(int(rest[i] or 0), rest[i + 1], rest[i + 2], rest[i + 3]) for i in range(0, width, 4)
    ]
    return Summary(
        at_ms=int(at_ms or 0),
        n=int(n or 0),
        spreads=spreads,
        worst=int(rest[width] or 0),
        cause_ms=[int(value or 0) for value in rest[width + 1 :]],
    )


COLUMNS: Final = ", ".join(
    [
        "at",
        "n",
        *(f"{name}_{part}" for name in QUANTITIES for part in ("n", "min", "mean", "max")),
        "worst",
        *(cause_column(cause) for cause in CAUSES),
    ]
)

MERGE: Final = ", ".join(
    [
        "sum(n)",
        *(
            f"sum({name}_n), min({name}_min), "
            f"sum({name}_mean * {name}_n) / sum({name}_n), max({name}_max)"
            for name in QUANTITIES
        ),
        "max(worst)",
        *(f"sum({cause_column(cause)})" for cause in CAUSES),
    ]
)
"""SQL for all of ``COLUMNS`` but the first, over rows that are grouped by their span."""

FoldedSample = tuple[
    int, int, int | None, int, float | None, float | None, float | None, float | None
]
"""Time in ms, boot (any number), place of the cause in ``CAUSES``, rank of the flag, and one value
for each of ``QUANTITIES``."""


def fold(
    samples: Iterable[FoldedSample], *, width_ms: int, from_ms: int, to_ms: int
) -> list[Summary]:
    """Summaries of ``width_ms`` each, from samples in time order.

    The samples should include the last one before ``from_ms``, whose cause still holds, and the
    first one at or after ``to_ms``, which tells how long the last one's cause held.

    Args:
        samples: In time order.
        width_ms: Span of a summary; spans start at whole multiples of it.
        from_ms: Whole multiple of ``width_ms``.
        to_ms: Samples and causes from here on are left out.

    Returns:
        Only spans with a sample or with time in a cause, in time order.
    """
    spans: dict[int, Summary] = {}
    previous: FoldedSample | None = None
    for sample in samples:
        at_ms = sample[0]
        if previous is not None:
            _credit(spans, previous, sample, width_ms, from_ms, to_ms)
        if from_ms <= at_ms < to_ms:
            span = _span(spans, at_ms - at_ms % width_ms)
            span.n += 1
            span.worst = max(span.worst, sample[3])
            for spread, value in zip(span.spreads, sample[4:], strict=True):
                spread.add_value(value)
        previous = sample
    return [spans[at_ms] for at_ms in sorted(spans)]


def _span(spans: dict[int, Summary], at_ms: int) -> Summary:
    span = spans.get(at_ms)
    if span is None:
        span = spans[at_ms] = Summary(at_ms)
    return span


def _credit(
    spans: dict[int, Summary],
    sample: FoldedSample,
    following: FoldedSample,
    width_ms: int,
    from_ms: int,
    to_ms: int,
) -> None:
    """Write the time between two samples of one run to the first one's cause."""
    cause = sample[2]
    if cause is None or sample[1] != following[1]:
        return
    start = max(sample[0], from_ms)
    end = min(following[0], sample[0] + LONGEST_CREDIT_MS, to_ms)
    while start < end:
        base = start - start % width_ms
        stop = min(end, base + width_ms)
        _span(spans, base).cause_ms[cause] += stop - start
        start = stop
