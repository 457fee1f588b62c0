"""A stretch of the history in as many points as a chart needs, from the coarsest rows that do."""

import sqlite3
from dataclasses import dataclass
from typing import Final

from bridge.core.findings import Flag
from bridge.shell.history_fold import (
    CAUSES,
    HOUR_MS,
    MERGE,
    MINUTE_MS,
    QUANTITIES,
    SEVERITY,
    Summary,
    fold,
    summary_from_row,
)
from bridge.shell.history_retention import Progress, read_samples
from bridge.shell.history_rows import Words

SECOND_MS: Final = 1000

HOURS_FROM_MS: Final = 30 * MINUTE_MS
"""Points at least this long are made an hour long: a month from minutes is slow to draw, and a
screen shows no difference."""


@dataclass(frozen=True, slots=True)
class Band:
    """One quantity, a value for each point; None where there is none."""

    low: list[float | None]
    mean: list[float | None]
    high: list[float | None]


@dataclass(frozen=True, slots=True)
class Series:
    """Points of one tank in time order; times without any data have no point."""

    tank: str
    width_s: float
    """Length of time that a point stands for."""
    at_s: list[float]
    """Start of each point's time."""
    samples: list[int]
    salinity: Band
    uncertainty: Band
    probe_salinity: Band
    temperature: Band
    worst: list[Flag | None]
    """Worst QARTOD flag; None where no sample arrived."""
    causes_s: list[dict[str, float]]
    """Seconds in each cause that occurred."""


def width_for(from_ms: int, to_ms: int, buckets: int) -> int:
    """Length of a point in ms: a whole number of seconds, minutes or hours."""
    wanted = max(1, -(-(to_ms - from_ms) // buckets))
    unit = SECOND_MS if wanted < MINUTE_MS else MINUTE_MS if wanted < HOURS_FROM_MS else HOUR_MS
    return -(-wanted // unit) * unit


def summaries(
    connection: sqlite3.Connection,
    words: Words,
    tank: int,
    progress: Progress,
    *,
    from_ms: int,
    to_ms: int,
    width_ms: int,
) -> list[Summary]:
    """Summaries of ``width_ms`` each.

    Hour rows reach from the beginning to ``hours_to``, minute rows from there to ``minutes_to``,
    single samples from there on: as coarse as the width allows, and finer than that only where
    the coarser rows are not made yet, coarser only where the finer ones are thinned out.
    """
    folded_hours = progress.folded_to - progress.folded_to % HOUR_MS
    hours_to = folded_hours if width_ms >= HOUR_MS else progress.minute_from
    minutes_to = progress.folded_to if width_ms >= MINUTE_MS else progress.full_from
    start = from_ms - from_ms % width_ms
    end = -(-to_ms // width_ms) * width_ms
    found: dict[int, Summary] = {}
    for table, first, last in (
        ("hour", start, min(hours_to, end)),
        ("minute", max(start, hours_to), min(minutes_to, end)),
    ):
        rows = connection.execute(
            f"SELECT at / :width * :width AS base, {MERGE} FROM {table} "  # noqa: S608 - own names
            "WHERE tank = :tank AND at >= :first AND at < :last GROUP BY base",
            {"width": width_ms, "tank": tank, "first": first, "last": last},
        )
        for row in rows:
            _add(found, summary_from_row(row))
    first = max(start, minutes_to)
    if first < end:
        samples = read_samples(connection, words, tank, first, end)
        for summary in fold(samples, width_ms=width_ms, from_ms=first, to_ms=end):
            _add(found, summary)
    return [found[at_ms] for at_ms in sorted(found)]


def _add(found: dict[int, Summary], summary: Summary) -> None:
    known = found.get(summary.at_ms)
    if known is None:
        found[summary.at_ms] = summary
    else:
        known.add(summary)


def series_of(tank: str, width_ms: int, points: list[Summary]) -> Series:
    """The points as columns, as charts want them."""
    salinity, uncertainty, probe_salinity, temperature = (
        Band(
            [point.spreads[place].low for point in points],
            [point.spreads[place].mean for point in points],
            [point.spreads[place].high for point in points],
        )
        for place in range(len(QUANTITIES))
    )
    return Series(
        tank,
        width_ms / 1000,
        [point.at_ms / 1000 for point in points],
        [point.n for point in points],
        salinity,
        uncertainty,
        probe_salinity,
        temperature,
        [SEVERITY[point.worst] if point.n else None for point in points],
        [causes_s(point) for point in points],
    )


def causes_s(summary: Summary) -> dict[str, float]:
    """Seconds in each cause that occurred."""
    return {
        cause.value: spent / 1000
        for cause, spent in zip(CAUSES, summary.cause_ms, strict=True)
        if spent
    }
