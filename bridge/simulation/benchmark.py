"""Scores what a daemon said against the truth. Pure: the daemon is driven elsewhere.

An episode counts as recalled when the first cause reported after its start, other than one that
another fault acting at the time explains, is the right one. A reported stretch counts as right
when a fault of that cause acted during it or shortly before; "unexplained" is right during any
fault, although it recalls none.
"""

from dataclasses import dataclass, field

import numpy as np

from bridge.core.findings import REAL_CHANGES, Cause
from bridge.simulation.scenario import Scenario
from bridge.simulation.timeline import Observed, Segment, mask, segments, spans
from bridge.simulation.truth import BoolArray, FloatArray, Hold, Label

DAY_S = 86400.0
MONTH_S = 30.0 * DAY_S

JOIN_S = 1800.0
"""A cause that comes back within this time belongs to the same report."""

GRACE_S = 3600.0
"""A disturbance may still be named this long after it ended, or until 20 samples have come."""

GRACE_SAMPLES = 20.0

REAL_GRACE_S = DAY_S
"""What the water has become stays true after the fault that did it has stopped."""

LONGEST_DISTURBANCE_S = 12 * 3600.0
"""Disturbed time is judged up to this long after its start."""

GRID_S = 60.0

SETTLING_S = 2 * 3600.0
"""After its start a daemon may hold until it has learned the sensor's habits."""

SHORTEST_WRONG_PERMIT_S = 1.0

PERMIT_OF = {"salinity": "salinity-dosing", "fresh-water": "top-off"}
"""Which permit of a scenario's tank each truth about holding concerns."""

CONDITIONS = ("healthy", "disturbed", "changing")


@dataclass(slots=True)
class CauseScore:
    """Counts for one cause."""

    episodes: int = 0
    recalled: int = 0
    due: int = 0
    """Episodes with a deadline."""
    in_time: int = 0
    """Of those, named by the deadline."""
    reports: int = 0
    right_reports: int = 0
    delays_s: list[float] = field(default_factory=list)
    missed: list[str] = field(default_factory=list)
    """Which scenarios, and what was said instead."""
    wrong: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Errors:
    """Sums over the minutes of one condition."""

    minutes: int = 0
    """Published, of a probe without calibration error."""
    squares: float = 0.0
    published: int = 0
    covered: int = 0
    widths: float = 0.0
    unknown: int = 0
    """Minutes in which no number was published."""


@dataclass(slots=True)
class Score:
    """Counts over any number of scenarios."""

    scenarios: int = 0
    causes: dict[Cause, CauseScore] = field(default_factory=dict)
    errors: dict[str, Errors] = field(
        default_factory=lambda: {condition: Errors() for condition in CONDITIONS}
    )
    healthy_s: float = 0.0
    """Healthy scenarios only, behind the settling time."""
    false_reports: int = 0
    false_high_alarms: int = 0
    false_holds: dict[str, int] = field(default_factory=dict)
    false_hold_s: dict[str, float] = field(default_factory=dict)
    wrong_permits: int = 0
    wrong_permit_s: float = 0.0
    wrong_permit_notes: list[str] = field(default_factory=list)
    holds_due: int = 0
    seconds: float = 0.0
    samples: int = 0
    messages: int = 0

    def of(self, cause: Cause) -> CauseScore:
        """Counts of one cause."""
        return self.causes.setdefault(cause, CauseScore())

    def add(self, other: "Score") -> None:
        """Add the counts of other scenarios."""
        for cause, theirs in other.causes.items():
            _add_fields(self.of(cause), theirs)
        for condition, theirs_errors in other.errors.items():
            _add_fields(self.errors[condition], theirs_errors)
        for name in other.false_holds.keys() | other.false_hold_s.keys():
            self.false_holds[name] = self.false_holds.get(name, 0) + other.false_holds.get(name, 0)
            self.false_hold_s[name] = self.false_hold_s.get(name, 0.0) + other.false_hold_s.get(
                name, 0.0
            )
        for name in (
            "scenarios",
            "healthy_s",
            "false_reports",
            "false_high_alarms",
            "wrong_permits",
            "wrong_permit_s",
            "wrong_permit_notes",
            "holds_due",
            "seconds",
            "samples",
            "messages",
        ):
            setattr(self, name, getattr(self, name) + getattr(other, name))


def _add_fields(ours: CauseScore | Errors, theirs: CauseScore | Errors) -> None:
    for name in ours.__dataclass_fields__:
        setattr(ours, name, getattr(ours, name) + getattr(theirs, name))


def grace_s(label: Label, interval_s: float) -> float:
    """How long after its end a fault may still be named."""
    if label.cause in REAL_CHANGES:
        return REAL_GRACE_S
    return max(GRACE_S, GRACE_SAMPLES * interval_s)


def score(scenario: Scenario, observed: Observed, *, names_causes: bool = True) -> Score:
    """Score one scenario.

    Args:
        scenario: With its truth.
        observed: What was said about it.
        names_causes: False for a baseline that can only say "something is wrong": any report
            then counts as the right cause.
    """
    result = Score(
        scenarios=1,
        seconds=observed.seconds,
        samples=observed.samples,
        messages=observed.messages,
    )
    reported = segments(observed.causes, scenario.end_s, join_s=JOIN_S)
    _score_causes(result, scenario, observed, reported, names_causes=names_causes)
    _score_salinity(result, scenario, observed)
    _score_permits(result, scenario, observed)
    if not scenario.truth.labels:
        begin_s = scenario.start_s + SETTLING_S
        result.healthy_s = max(0.0, scenario.end_s - begin_s)
        result.false_reports = sum(1 for each in reported if each.end_s > begin_s)
        result.false_high_alarms = len(observed.high_alarms)
    return result


def _score_causes(
    result: Score,
    scenario: Scenario,
    observed: Observed,
    reported: list[Segment],
    *,
    names_causes: bool,
) -> None:
    labels, interval_s = scenario.truth.labels, scenario.traits.interval_s
    where = f"{scenario.name}/{scenario.seed}"
    raw = segments(observed.causes, scenario.end_s)
    for label in labels:
        if label.minor:
            continue
        counts = result.of(label.cause)
        counts.episodes += 1
        others = {
            other.cause
            for other in labels
            if other is not label
            and other.cause is not label.cause
            and other.start_s < label.end_s
            and other.end_s + grace_s(other, interval_s) > label.start_s
        }
        first = next(
            (
                each
                for each in raw
                if each.end_s > label.start_s
                and each.start_s <= label.end_s + interval_s
                and (not names_causes or each.cause not in others)
            ),
            None,
        )
        named = first is not None and (not names_causes or first.cause is label.cause)
        if first is not None and named:
            counts.recalled += 1
            counts.delays_s.append(max(0.0, first.start_s - label.start_s))
        else:
            said = "nothing" if first is None else first.cause.value
            counts.missed.append(f"{where}: {label.detail}, size {label.size_psu:+.2f}: {said}")
        if np.isfinite(label.deadline_s) and label.deadline_s <= label.end_s:
            counts.due += 1
            counts.in_time += any(
                each.start_s <= label.deadline_s
                and each.end_s > label.start_s
                and (each.cause is label.cause or not names_causes)
                for each in raw
            )
    for each in reported:
        counts = result.of(each.cause)
        counts.reports += 1
        right = any(
            (each.cause in {label.cause, Cause.UNEXPLAINED} or not names_causes)
            and each.start_s <= label.end_s + grace_s(label, interval_s)
            and each.end_s >= label.start_s
            for label in labels
        )
        counts.right_reports += right
        if not right:
            hours = (each.start_s - scenario.start_s) / 3600.0
            counts.wrong.append(f"{where}: after {hours:.1f} h")


def conditions(scenario: Scenario, times_s: FloatArray) -> dict[str, BoolArray]:
    """Which times are healthy, disturbed, or really changing."""
    truth = scenario.truth
    disturbed = mask(
        times_s,
        [
            (label.start_s, min(label.end_s, label.start_s + LONGEST_DISTURBANCE_S))
            for label in truth.labels
            if label.cause not in REAL_CHANGES
        ],
    )
    touched = mask(times_s, [(label.start_s, label.end_s) for label in truth.labels])
    index = np.searchsorted(truth.times_s, times_s, side="right") - 1
    changing = truth.changing[np.maximum(index, 0)]
    return {
        "healthy": ~touched & ~changing,
        "disturbed": disturbed,
        "changing": changing & ~disturbed,
    }


def _score_salinity(result: Score, scenario: Scenario, observed: Observed) -> None:
    times_s = np.arange(scenario.start_s + SETTLING_S, scenario.end_s, GRID_S)
    salinity, uncertainty = observed.held_last(times_s)
    error = salinity - scenario.truth.salinity_at(times_s)
    # A wrong coefficient is itself a bias; it is judged as disturbed time, whatever its size.
    unbiased = abs(scenario.truth.probe_bias_psu) < 0.005  # noqa: PLR2004
    for condition, chosen in conditions(scenario, times_s).items():
        sums = result.errors[condition]
        known = chosen & np.isfinite(error)
        sums.unknown += int(np.sum(chosen & ~np.isfinite(error)))
        if unbiased:
            sums.minutes += int(np.sum(known))
            sums.squares += float(np.sum(error[known] ** 2))
        bounded = known & np.isfinite(uncertainty)
        sums.published += int(np.sum(bounded))
        sums.covered += int(np.sum(np.abs(error[bounded]) <= uncertainty[bounded]))
        sums.widths += float(np.sum(uncertainty[bounded]))


def _score_permits(result: Score, scenario: Scenario, observed: Observed) -> None:
    begin_s = scenario.start_s + SETTLING_S
    if not scenario.truth.labels:
        excused = [
            (float(scenario.truth.times_s[first]) - 600.0, float(scenario.truth.times_s[last]))
            for first, last in _changing(scenario)
        ]
        for name, history in observed.permits.items():
            for start_s, end_s in spans(history, scenario.end_s, value=False):
                if end_s <= begin_s or any(a <= start_s <= b + GRACE_S for a, b in excused):
                    continue
                result.false_holds[name] = result.false_holds.get(name, 0) + 1
                held_s = end_s - max(start_s, begin_s)
                result.false_hold_s[name] = result.false_hold_s.get(name, 0.0) + held_s
    for hold in scenario.truth.holds:
        history = observed.permits.get(PERMIT_OF[hold.of], [])
        result.holds_due += 1
        wrong_s = _overlap(spans(history, scenario.end_s, value=True), hold)
        if wrong_s > SHORTEST_WRONG_PERMIT_S:
            result.wrong_permits += 1
            result.wrong_permit_s += wrong_s
            result.wrong_permit_notes.append(
                f"{scenario.name}/{scenario.seed}: {PERMIT_OF[hold.of]} permitted "
                f"{wrong_s:.0f} s of {hold.end_s - hold.start_s:.0f} s of {hold.cause.value}"
            )


def _changing(scenario: Scenario) -> list[tuple[int, int]]:
    edges = np.diff(np.concatenate(([0], scenario.truth.changing.astype(np.int8), [0])))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1) - 1
    return list(zip(starts.tolist(), ends.tolist(), strict=True))


def _overlap(permitted: list[tuple[float, float]], hold: Hold) -> float:
    return sum(
        max(0.0, min(end_s, hold.end_s) - max(start_s, hold.start_s))
        for start_s, end_s in permitted
    )
