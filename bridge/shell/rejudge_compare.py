"""Two judgements of the same time, side by side: what was, and what would have been."""

import heapq
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from math import hypot, sqrt
from typing import Any, Final

from bridge.core.findings import Cause
from bridge.core.outputs import Record
from bridge.shell.report_events import Alarm, Episode, Hold, alarms, episodes, holds, reasons_s

SAME_MOMENT_S: Final = 0.05
"""Both judged the same reading; times are kept to the millisecond."""

KINDS: Final = ("cause", "permit", "alarm", "check")


@dataclass(slots=True)
class Estimates:
    """How two published salinities differ, over the readings that both judged."""

    readings: int = 0
    known: list[int] = field(default_factory=lambda: [0, 0])
    """Of these, how many had a salinity: before and after."""
    both: int = 0
    total: float = 0.0
    squares: float = 0.0
    largest_psu: float = 0.0
    """With its sign: new less old."""
    largest_at_s: float | None = None
    agreeing: int = 0
    """Of both, how many differ by no more than their uncertainties allow (E_n up to 1)."""
    uncertainties: list[float] = field(default_factory=lambda: [0.0, 0.0])

    def take(self, at_s: float, old: Mapping[str, Any], new: Mapping[str, Any]) -> None:
        """One reading, as judged twice."""
        self.readings += 1
        values = [each["salinity"] for each in (old, new)]
        for side, value in enumerate(values):
            self.known[side] += value is not None
        if None in values:
            return
        spreads = [each["uncertainty"] or 0.0 for each in (old, new)]
        difference = values[1] - values[0]
        self.both += 1
        self.total += difference
        self.squares += difference * difference
        if self.largest_at_s is None or abs(difference) > abs(self.largest_psu):
            self.largest_psu, self.largest_at_s = difference, at_s
        self.agreeing += abs(difference) <= hypot(*spreads)
        for side, spread in enumerate(spreads):
            self.uncertainties[side] += spread

    @property
    def mean_psu(self) -> float | None:
        """New less old, on average."""
        return self.total / self.both if self.both else None

    @property
    def rms_psu(self) -> float | None:
        """Root of the mean square of the differences."""
        return sqrt(self.squares / self.both) if self.both else None

    def uncertainty_psu(self, side: int) -> float | None:
        """Mean expanded uncertainty, before (0) or after (1)."""
        return self.uncertainties[side] / self.both if self.both else None


@dataclass(slots=True)
class Judgement:
    """What one side said of one tank over the time that is compared."""

    holds: list[Hold]
    alarms: list[Alarm]
    episodes: list[Episode]
    checks: list[Mapping[str, Any]]

    @property
    def agreeing_checks(self) -> int:
        """Hand readings that the estimate agreed with (E_n up to 1)."""
        return sum(abs(check["e_n"]) <= 1.0 for check in self.checks if check["e_n"] is not None)


@dataclass(slots=True)
class Comparison:
    """Of one tank."""

    tank: str
    from_s: float
    to_s: float
    estimates: Estimates
    permits: tuple[str, ...]
    old: Judgement
    new: Judgement

    def held(self, permit: str) -> tuple[list[Hold], list[Hold]]:
        """The holds of a permit, before and after."""
        old, new = (
            [hold for hold in side.holds if hold.permit == permit] for side in (self.old, self.new)
        )
        return old, new


def compare(
    old: Iterable[Record],
    new: Iterable[Record],
    *,
    permits: Mapping[str, tuple[str, ...]],
    from_s: float,
    to_s: float,
) -> list[Comparison]:
    """Compare two streams of records.

    Args:
        old: What was, in time order; what stood before the begin included.
        new: What would have been, in the same way.
        permits: By tank, for all tanks that are to be compared.
        from_s: Begin. [Unix s]
        to_s: End, not included. [Unix s]
    """
    rows: dict[str, tuple[list[Record], list[Record]]] = {tank: ([], []) for tank in permits}
    estimates = {tank: Estimates() for tank in permits}
    newest: dict[str, list[Record | None]] = {tank: [None, None] for tank in permits}
    both = heapq.merge(_of_side(0, old), _of_side(1, new), key=lambda each: each[1].at_s)
    for side, record in both:
        at_s = record.at_s
        if record.tank not in rows or at_s >= to_s:
            continue
        if record.kind in KINDS:
            rows[record.tank][side].append(record)
        elif record.kind == "sample" and at_s >= from_s:
            pair = newest[record.tank]
            pair[side] = record
            first, second = pair
            if (
                first is not None
                and second is not None
                and abs(first.at_s - second.at_s) <= SAME_MOMENT_S
            ):
                estimates[record.tank].take(at_s, first.data, second.data)
                pair[0] = pair[1] = None
    return [
        Comparison(
            tank,
            from_s,
            to_s,
            estimates[tank],
            names,
            _judgement(rows[tank][0], from_s, to_s),
            _judgement(rows[tank][1], from_s, to_s),
        )
        for tank, names in permits.items()
    ]


def _of_side(side: int, records: Iterable[Record]) -> Iterator[tuple[int, Record]]:
    return ((side, record) for record in records)


def _judgement(rows: list[Record], from_s: float, to_s: float) -> Judgement:
    by_kind: dict[str, list[Record]] = {kind: [] for kind in KINDS}
    for row in rows:
        by_kind[row.kind].append(row)
    return Judgement(
        holds(by_kind["permit"], from_s, to_s),
        alarms(by_kind["alarm"], from_s, to_s),
        episodes(by_kind["cause"], from_s, to_s),
        [row.data for row in by_kind["check"] if row.at_s >= from_s and not row.data["undone"]],
    )


def only_here(these: Iterable[Hold], those: Iterable[Hold]) -> Iterator[Hold]:
    """Holds of which no part was held on the other side."""
    others = list(those)
    for hold in these:
        if not any(o.begin_s < hold.end_s and hold.begin_s < o.end_s for o in others):
            yield hold


def as_document(comparison: Comparison) -> dict[str, Any]:
    """The comparison as plain data; times in Unix seconds, salinities as practical salinity."""
    estimates = comparison.estimates
    return {
        "tank": comparison.tank,
        "from_s": comparison.from_s,
        "to_s": comparison.to_s,
        "salinity": {
            "readings": estimates.readings,
            "known_before": estimates.known[0],
            "known_after": estimates.known[1],
            "mean_difference": _rounded(estimates.mean_psu),
            "rms_difference": _rounded(estimates.rms_psu),
            "largest_difference": _rounded(estimates.largest_psu),
            "largest_at_s": estimates.largest_at_s,
            "agreeing_share": _rounded(
                estimates.agreeing / estimates.both if estimates.both else None
            ),
            "mean_uncertainty_before": _rounded(estimates.uncertainty_psu(0)),
            "mean_uncertainty_after": _rounded(estimates.uncertainty_psu(1)),
        },
        "checks": {
            "before": len(comparison.old.checks),
            "agreeing_before": comparison.old.agreeing_checks,
            "after": len(comparison.new.checks),
            "agreeing_after": comparison.new.agreeing_checks,
        },
        "permits": {name: _permit(*comparison.held(name)) for name in comparison.permits},
        "alarms": _by_name(comparison, "alarm"),
        "causes": _by_name(comparison, "cause"),
    }


def _permit(old: list[Hold], new: list[Hold]) -> dict[str, Any]:
    return {
        "held_before_s": round(sum(hold.length_s for hold in old), 1),
        "held_after_s": round(sum(hold.length_s for hold in new), 1),
        "holds_before": len(old),
        "holds_after": len(new),
        "no_more": [_hold(hold) for hold in only_here(old, new)],
        "anew": [_hold(hold) for hold in only_here(new, old)],
    }


def _hold(hold: Hold) -> dict[str, Any]:
    return {
        "from_s": round(hold.begin_s, 3),
        "to_s": round(hold.end_s, 3),
        "reasons": list(reasons_s([hold])),
    }


def stretches(comparison: Comparison, kind: str) -> dict[str, list[tuple[int, float]]]:
    """How often and how long, before and after, by alarm or by cause, in alphabetical order."""
    found: dict[str, list[tuple[int, float]]] = {}
    for side, judgement in enumerate((comparison.old, comparison.new)):
        listed: list[tuple[str, float]] = (
            [(each.alarm, each.length_s) for each in judgement.alarms]
            if kind == "alarm"
            else [(each.cause, each.length_s) for each in judgement.episodes]
        )
        for name, length_s in listed:
            times, spent_s = found.setdefault(name, [(0, 0.0), (0, 0.0)])[side]
            found[name][side] = times + 1, spent_s + length_s
    return {name: found[name] for name in sorted(found) if name != Cause.NONE}


def _by_name(comparison: Comparison, kind: str) -> dict[str, dict[str, float]]:
    return {
        name: {
            "times_before": old[0],
            "times_after": new[0],
            "before_s": round(old[1], 1),
            "after_s": round(new[1], 1),
        }
        for name, (old, new) in stretches(comparison, kind).items()
    }


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 4)
