"""The figures of a benchmark, worked out from its counts, ready for a table or JSON."""

from dataclasses import asdict, dataclass
from math import nan, sqrt

import numpy as np

from bridge.simulation.benchmark import CONDITIONS, MONTH_S, CauseScore, Errors, Score


@dataclass(frozen=True, slots=True)
class CauseFigures:
    """One line of the table of causes; a share without any case is NaN."""

    cause: str
    episodes: int
    recall: float
    due: int
    in_time: float
    """Share of the episodes with a deadline that were named by then."""
    reports: int
    precision: float
    median_delay_s: float
    slow_delay_s: float
    """90th percentile."""
    missed: list[str]
    wrong: list[str]


@dataclass(frozen=True, slots=True)
class ErrorFigures:
    """One line of the table of salinity errors."""

    condition: str
    hours: float
    rms_psu: float
    """Of probes without calibration error."""
    coverage: float
    half_width_psu: float
    unknown: float
    """Share of the time in which no number was published."""


@dataclass(frozen=True, slots=True)
class Figures:
    """Everything that the benchmark tells about one daemon or baseline."""

    scenarios: int
    causes: list[CauseFigures]
    errors: list[ErrorFigures]
    healthy_months: float
    false_reports_month: float
    false_high_alarms_month: float
    false_holds_month: dict[str, float]
    false_hold_share: dict[str, float]
    wrong_permits: int
    holds_due: int
    wrong_permit_s: float
    wrong_permit_notes: list[str]
    microseconds_a_sample: float
    """Everything included: ticks, permits, and the messages of all other inputs."""
    microseconds_a_message: float

    def as_dict(self) -> dict[str, object]:
        """For JSON."""
        return asdict(self)


def share(part: float, whole: float) -> float:
    """A share, NaN of nothing."""
    return part / whole if whole else nan


def figures(score: Score) -> Figures:
    """Work out the figures."""
    months = score.healthy_s / MONTH_S
    return Figures(
        scenarios=score.scenarios,
        causes=[_cause(cause.value, counts) for cause, counts in sorted(score.causes.items())],
        errors=[_error(condition, score.errors[condition]) for condition in CONDITIONS],
        healthy_months=months,
        false_reports_month=share(score.false_reports, months),
        false_high_alarms_month=share(score.false_high_alarms, months),
        false_holds_month={n: share(c, months) for n, c in sorted(score.false_holds.items())},
        false_hold_share={
            n: share(s, score.healthy_s) for n, s in sorted(score.false_hold_s.items())
        },
        wrong_permits=score.wrong_permits,
        holds_due=score.holds_due,
        wrong_permit_s=score.wrong_permit_s,
        wrong_permit_notes=score.wrong_permit_notes,
        microseconds_a_sample=share(score.seconds * 1e6, score.samples),
        microseconds_a_message=share(score.seconds * 1e6, score.messages),
    )


def _cause(name: str, counts: CauseScore) -> CauseFigures:
    delays = counts.delays_s or [nan]
    return CauseFigures(
        cause=name,
        episodes=counts.episodes,
        recall=share(counts.recalled, counts.episodes),
        due=counts.due,
        in_time=share(counts.in_time, counts.due),
        reports=counts.reports,
        precision=share(counts.right_reports, counts.reports),
        median_delay_s=float(np.median(delays)),
        slow_delay_s=float(np.percentile(delays, 90)),
        missed=counts.missed,
        wrong=counts.wrong,
    )


def _error(condition: str, sums: Errors) -> ErrorFigures:
    known = sums.published + sums.unknown
    return ErrorFigures(
        condition=condition,
        hours=known / 60.0,
        rms_psu=sqrt(share(sums.squares, sums.minutes)) if sums.minutes else nan,
        coverage=share(sums.covered, sums.published),
        half_width_psu=share(sums.widths, sums.published),
        unknown=share(sums.unknown, known),
    )
