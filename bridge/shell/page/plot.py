"""What a chart of a stretch of time shows, as columns for the script on the page.

Most of it comes from the history, already thinned out to as many points as fit on a screen. The
newest samples, which wait for the next batch of the history, come from the snapshot.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise, zip_longest
from statistics import median
from typing import Any, Final

import orjson

from bridge.core.findings import Cause
from bridge.core.outputs import Record
from bridge.shell.history_reader import HistoryReader
from bridge.shell.history_schema import HistoryError
from bridge.shell.page.happenings import event_words, records
from bridge.shell.page.recent import Sample
from bridge.shell.page.snapshot import Snapshot
from bridge.shell.page.words import CAUSE_NAMES

MOST_POINTS: Final = 1200
SHORTEST_S: Final = 60.0
LONGEST_S: Final = 11 * 366 * 86400.0
SWITCHES_UP_TO_S: Final = 2 * 86400.0
"""Longer stretches show no single switching and topping-off: there would be thousands."""
RARE_KINDS: Final = ("check", "calibration", "water-change", "service")
FREQUENT_KINDS: Final = ("litres", "equipment")
MOST_EVENTS: Final = 400
ONE_TOP_OFF_S: Final = 900.0
"""Metered water with no longer pause is one topping-off."""
SMALLEST_SHARE: Final = 0.05
"""Of a point's time in a cause, for the point to count as disturbed."""
SHORTEST_DISTURBED_S: Final = 60.0
GAP_POINTS: Final = 2.5
GAP_INTERVALS: Final = 4.0


@dataclass(slots=True)
class Columns:
    """The points of a chart; None where there is nothing to draw."""

    at: list[float] = field(default_factory=list)
    low: list[float | None] = field(default_factory=list)
    mid: list[float | None] = field(default_factory=list)
    high: list[float | None] = field(default_factory=list)
    probe_low: list[float | None] = field(default_factory=list)
    probe: list[float | None] = field(default_factory=list)
    probe_high: list[float | None] = field(default_factory=list)
    causes: list[tuple[float, str | None]] = field(default_factory=list)
    """From when on what disturbed the reading; also between two samples."""

    def add(
        self,
        at_s: float,
        band: tuple[float | None, float | None, float | None],
        probe: tuple[float | None, float | None, float | None],
    ) -> None:
        """Add a point, its triples as low, middle and high."""
        self.at.append(at_s)
        for column, value in zip(
            (self.low, self.mid, self.high, self.probe_low, self.probe, self.probe_high),
            (*band, *probe),
            strict=True,
        ):
            column.append(None if value is None else round(value, 3))


def chart(
    reader: HistoryReader, snapshot: Snapshot, tank: str, *, from_s: float, to_s: float, points: int
) -> bytes:
    """A stretch of one tank as JSON.

    Args:
        reader: The history.
        snapshot: What is too new for it.
        tank: Which tank.
        from_s: Start. [Unix s]
        to_s: End. [Unix s]
        points: As many as the screen is wide, about.
    """
    span_s = min(max(to_s - from_s, SHORTEST_S), LONGEST_S)
    from_s = max(to_s - span_s, 0.0)
    columns, width_s, note = _points(
        reader, tank, from_s=from_s, to_s=to_s, points=min(max(points, 50), MOST_POINTS)
    )
    _add_newest(columns, snapshot.samples(tank, from_s, to_s), from_s=from_s, width_s=width_s)
    kinds = RARE_KINDS + (FREQUENT_KINDS if span_s <= SWITCHES_UP_TO_S else ())
    return orjson.dumps(
        {
            "from": from_s,
            "to": to_s,
            "width": width_s,
            **_with_gaps(columns, width_s),
            "spans": _spans(columns, width_s),
            "events": _events(
                records(reader, snapshot, tank, kinds, from_s=from_s, to_s=to_s, newest=MOST_EVENTS)
            ),
            "switches": span_s <= SWITCHES_UP_TO_S,
            "note": note,
        }
    )


def _points(
    reader: HistoryReader, tank: str, *, from_s: float, to_s: float, points: int
) -> tuple[Columns, float, str | None]:
    columns = Columns()
    try:
        series = reader.series(tank, from_s, to_s, points)
    except HistoryError as error:
        return columns, max(1.0, (to_s - from_s) / points), str(error)
    salinity, uncertainty, probe = series.salinity, series.uncertainty, series.probe_salinity
    for place, at_s in enumerate(series.at_s):
        columns.causes.append((at_s, _disturbing(series.causes_s[place], series.width_s)))
        if not series.samples[place]:
            # Between two samples a cause goes on, but there is nothing to draw.
            continue
        low, high, unsure = salinity.low[place], salinity.high[place], uncertainty.mean[place]
        wide = low is not None and high is not None and unsure is not None
        columns.add(
            at_s,
            (
                low - unsure if wide else None,  # type: ignore[operator] # wide says so
                salinity.mean[place],
                high + unsure if wide else None,  # type: ignore[operator]
            ),
            (probe.low[place], probe.mean[place], probe.high[place]),
        )
    return columns, series.width_s, None


def _disturbing(causes_s: dict[str, float], width_s: float) -> str | None:
    seconds, cause = max(
        ((spent, cause) for cause, spent in causes_s.items() if cause != Cause.NONE),
        default=(0.0, ""),
    )
    least_s = min(SHORTEST_DISTURBED_S, 0.5 * width_s)
    return cause if seconds >= max(least_s, SMALLEST_SHARE * width_s) else None


def _add_newest(columns: Columns, samples: list[Sample], *, from_s: float, width_s: float) -> None:
    known_to_s = columns.at[-1] + width_s if columns.at else from_s
    due_s = max(from_s, known_to_s)
    for sample in samples:
        at_s, salinity, unsure = sample.at_s, sample.salinity, sample.uncertainty
        if at_s < due_s:
            continue
        due_s = at_s + width_s
        band = (
            (None, salinity, None)
            if salinity is None or unsure is None
            else (salinity - unsure, salinity, salinity + unsure)
        )
        columns.add(at_s, band, (sample.probe_salinity,) * 3)
        columns.causes.append((at_s, None if sample.cause == Cause.NONE else sample.cause))


def _with_gaps(columns: Columns, width_s: float) -> dict[str, Sequence[float | None]]:
    """The columns, with an empty point wherever nothing was heard for long."""
    at = columns.at
    steps = [later - earlier for earlier, later in pairwise(at)]
    usual_s = median(steps) if steps else width_s
    longest_s = max(GAP_POINTS * width_s, GAP_INTERVALS * usual_s)
    breaks = {place + 1 for place, step in enumerate(steps) if step > longest_s}
    names = ("low", "mid", "high", "probe_low", "probe", "probe_high")
    if not breaks:
        return {"at": at, **{name: getattr(columns, name) for name in names}}
    found: dict[str, Sequence[float | None]] = {}
    for name in ("at", *names):
        values: list[float | None] = []
        for place, value in enumerate(getattr(columns, name)):
            if place in breaks:
                values.append(at[place - 1] + usual_s if name == "at" else None)
            values.append(value)
        found[name] = values
    return found


def _spans(columns: Columns, width_s: float) -> list[dict[str, Any]]:
    """Stretches in which one and the same thing disturbed the reading."""
    spans: list[dict[str, Any]] = []
    before: str | None = None
    ends = [at_s for at_s, _ in columns.causes[1:]]
    for (at_s, cause), later_s in zip_longest(columns.causes, ends):
        end_s = at_s + max(GAP_POINTS * width_s, SHORTEST_DISTURBED_S)
        if later_s is not None:
            end_s = min(end_s, later_s)
        if cause is not None:
            if cause == before:
                spans[-1]["to"] = end_s
            else:
                words = CAUSE_NAMES.get(cause, cause)
                spans.append({"from": at_s, "to": end_s, "cause": cause, "words": words})
        before = cause
    return spans


def _events(rows: list[Record]) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    for record in rows:
        data = record.data
        if record.kind == "litres":
            last = next((entry for entry in reversed(found) if entry["kind"] == "litres"), None)
            if last is not None and record.at_s - last["until"] <= ONE_TOP_OFF_S:
                last["until"] = record.at_s
                last["litres"] += data["litres"]
                last["words"] = f"Top-off, {last['litres']:.2g} l"
                continue
            found.append(
                {
                    "at": record.at_s,
                    "until": record.at_s,
                    "litres": data["litres"],
                    "kind": "litres",
                    "words": f"Top-off, {data['litres']:.2g} l",
                }
            )
            continue
        found.append({"at": record.at_s, "kind": record.kind, "words": event_words(record)})
    return found
