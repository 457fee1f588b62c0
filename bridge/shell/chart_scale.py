"""What every chart of the salinity agrees on: range, marks, gaps, and where it was disturbed."""

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta, tzinfo
from math import floor, log10
from typing import Final

from bridge.core.findings import Cause
from bridge.shell.history_series import Series

SMALLEST_SPAN_PSU: Final = 0.4
"""So that noise is not drawn as drama."""
STEPS: Final = (1.0, 2.0, 5.0, 10.0)
UNDISTURBED: Final = frozenset({Cause.NONE, Cause.DILUTION, Cause.CONCENTRATION})
"""What is no fault of the reading is not shaded."""
SHARE: Final = 0.5
"""A point is disturbed when that much of its time was."""
DAYS_FROM_S: Final = 2 * 86400.0
"""Longer charts are marked by days."""
MOST_MARKS: Final = 7


def salinity_range(series: Series) -> tuple[float, float] | None:
    """Lowest and highest salinity to show; a single spike does not flatten everything else."""
    means = [v for v in (*series.salinity.mean, *series.probe_salinity.mean) if v is not None]
    if not means:
        return None
    means.sort()
    cut = len(means) // 200
    low, high = means[cut], means[-1 - cut]
    for salinity, uncertainty in zip(series.salinity.mean, series.uncertainty.mean, strict=True):
        if salinity is not None and uncertainty is not None:
            low, high = min(low, salinity - uncertainty), max(high, salinity + uncertainty)
    margin = max(0.08 * (high - low), (SMALLEST_SPAN_PSU - (high - low)) / 2)
    return low - margin, high + margin


def disturbed(series: Series) -> Iterator[tuple[float, float, str]]:
    """Stretches with a disturbance: begin, end and cause."""
    begin_s, end_s, cause = 0.0, 0.0, ""
    for at_s, causes in zip(series.at_s, series.causes_s, strict=True):
        worst = max(
            (name for name in causes if name not in UNDISTURBED), key=causes.__getitem__, default=""
        )
        if worst and causes[worst] < SHARE * sum(causes.values()):
            worst = ""
        if worst != cause or at_s > end_s + series.width_s:
            if cause:
                yield begin_s, end_s, cause
            begin_s, cause = at_s, worst
        end_s = at_s + series.width_s
    if cause:
        yield begin_s, end_s, cause


def time_marks(from_s: float, to_s: float, zone: tzinfo) -> Iterator[tuple[float, str]]:
    """Moments to mark below a chart, with what is written there, in the zone given."""
    begin = datetime.fromtimestamp(from_s, zone)
    if to_s - from_s > DAYS_FROM_S:
        days = max(1, -(-round((to_s - from_s) / 86400) // MOST_MARKS))
        moment = begin.replace(hour=0, minute=0, second=0, microsecond=0)
        if moment < begin:
            moment += timedelta(days=1)
        step = timedelta(days=days)
    else:
        hours = max(1, round((to_s - from_s) / 3600 / 6))
        moment = begin.replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
        step = timedelta(hours=hours)
    while moment.timestamp() <= to_s:
        by_day = step >= timedelta(days=1)
        yield moment.timestamp(), f"{moment.day} {moment:%b}" if by_day else f"{moment:%H:%M}"
        # The calendar's days and hours: summer time begins and ends within some charts.
        moment += step


def step_of(span: float) -> float:
    """Distance of the marks: 1, 2 or 5 of some power of ten, about four of them."""
    power = 10.0 ** floor(log10(span / 4))
    return next((n * power for n in STEPS if n * power >= span / 4), 10 * power)


def runs(series: Series, values: Sequence[float | None]) -> Iterator[list[tuple[float, int]]]:
    """Stretches without a gap, as middle of the point's time and its place."""
    run: list[tuple[float, int]] = []
    for place, value in enumerate(values):
        middle_s = series.at_s[place] + series.width_s / 2
        if value is None or (run and middle_s - run[-1][0] > 5 * series.width_s):
            if run:
                yield run
            run = []
        if value is not None:
            run.append((middle_s, place))
    if run:
        yield run
