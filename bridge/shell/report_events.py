"""What the rows of a history add up to over a stretch of time: holds, episodes, alarms, litres."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta, tzinfo
from typing import Final, TypeVar

from bridge.core.alarm_board import CHATTER_RAISES, CHATTER_S, FLOOD_RAISES, FLOOD_S
from bridge.core.findings import Cause
from bridge.core.outputs import Record

DAY_S: Final = 86_400.0


@dataclass(slots=True)
class Stretch:
    """A stretch of time, cut at the ends of the report."""

    begin_s: float
    end_s: float
    before: bool = False
    """It had begun before the report does."""
    lasting: bool = False
    """It was not over when the report ends."""

    @property
    def length_s(self) -> float:
        """How long it was within the report, in seconds."""
        return self.end_s - self.begin_s


@dataclass(slots=True)
class Episode(Stretch):
    """A time in which one cause was found."""

    cause: str = ""
    evidence: tuple[str, ...] = ()


@dataclass(slots=True)
class Hold(Stretch):
    """A time in which a permit was held."""

    permit: str = ""
    reasons_s: dict[str, float] = field(default_factory=dict)
    """How long each reason stood; several can stand at once, in seconds."""


@dataclass(slots=True)
class Alarm(Stretch):
    """A time in which an alarm was active."""

    alarm: str = ""
    owner: str = ""
    """Tank, or empty for the whole installation."""
    priority: str = ""
    since_s: float = 0.0
    """When it was raised, which may be before the report. [Unix s]"""
    seen: bool = False
    """Somebody acknowledged or silenced it."""


S = TypeVar("S", bound=Stretch)


@dataclass(frozen=True, slots=True)
class AlarmFigures:
    """How well the alarms themselves did, counted as ISA-18.2 does."""

    raised: int
    raised_a_day: float
    chattering: tuple[str, ...]
    """Raised three times or more within a minute."""
    stale: tuple[str, ...]
    """Active for more than a day on end."""
    floods: int
    """Raisings that came when more than ten had come within ten minutes."""


def episodes(rows: Iterable[Record], from_s: float, to_s: float) -> list[Episode]:
    """Times in which something was found, from rows of kind ``cause``.

    Args:
        rows: In time order, the last one before the report included.
        from_s: Begin of the report. [Unix s]
        to_s: End of the report. [Unix s]
    """
    found: list[Episode] = []
    open_: Episode | None = None
    for row in rows:
        cause = row.data["cause"]
        if open_ is not None and cause == open_.cause:
            continue
        if open_ is not None:
            open_.end_s = row.at_s
            found.append(open_)
        evidence = tuple(row.data.get("evidence", ()))
        open_ = None
        if cause != Cause.NONE:
            open_ = Episode(row.at_s, to_s, lasting=True, cause=cause, evidence=evidence)
    if open_ is not None:
        found.append(open_)
    for episode in found[: None if open_ is None else -1]:
        episode.lasting = False
    return _cut(found, from_s, to_s)


def holds(rows: Iterable[Record], from_s: float, to_s: float) -> list[Hold]:
    """Times in which permits were held, from rows of kind ``permit``, in time order.

    Args:
        rows: In time order, the last ones before the report included.
        from_s: Begin of the report. [Unix s]
        to_s: End of the report. [Unix s]
    """
    running: dict[str, Hold] = {}
    standing: dict[str, Record] = {}
    found: list[Hold] = []

    for row in rows:
        # A bypass has rows of its own, without a state.
        if "state" not in row.data:
            continue
        permit = row.data["permit"]
        hold = running.get(permit)
        if hold is not None:
            _credit(hold, standing[permit], max(from_s, standing[permit].at_s), min(to_s, row.at_s))
        if row.data["state"] == "hold":
            if hold is None:
                hold = running[permit] = Hold(row.at_s, to_s, permit=permit)
                found.append(hold)
            standing[permit] = row
        elif hold is not None:
            hold.end_s = row.at_s
            del running[permit]
    for permit, hold in running.items():
        _credit(hold, standing[permit], max(from_s, standing[permit].at_s), to_s)
        hold.lasting = True
    return _cut(found, from_s, to_s)


def alarms(rows: Iterable[Record], from_s: float, to_s: float) -> list[Alarm]:
    """Times in which alarms were active, from rows of kind ``alarm``, in time order.

    Args:
        rows: In time order, those of some time before the report included.
        from_s: Begin of the report. [Unix s]
        to_s: End of the report. [Unix s]
    """
    running: dict[tuple[str, str], Alarm] = {}
    found: list[Alarm] = []
    for row in rows:
        data = row.data
        key = row.tank, data["alarm"]
        alarm = running.get(key)
        since_s = data.get("since_s") or row.at_s
        if alarm is not None and (not data["active"] or since_s != alarm.since_s):
            alarm.end_s = row.at_s
            del running[key]
            alarm = None
        if data["active"] and alarm is None:
            alarm = running[key] = Alarm(
                since_s,
                to_s,
                alarm=data["alarm"],
                owner=row.tank,
                priority=data["priority"],
                since_s=since_s,
            )
            found.append(alarm)
        if alarm is not None and data["state"] in {"acknowledged", "shelved"}:
            alarm.seen = True
    for alarm in running.values():
        alarm.lasting = True
    return _cut(found, from_s, to_s)


def alarm_figures(found: Iterable[Alarm], from_s: float, to_s: float) -> AlarmFigures:
    """Counts over the alarms of a report.

    Args:
        found: From :func:`alarms`.
        from_s: Begin of the report. [Unix s]
        to_s: End of the report. [Unix s]
    """
    listed = list(found)
    raised = [alarm for alarm in listed if alarm.since_s >= from_s]
    times: dict[str, list[float]] = {}
    for alarm in raised:
        times.setdefault(alarm.alarm, []).append(alarm.since_s)
    everything = sorted(alarm.since_s for alarm in raised)
    return AlarmFigures(
        raised=len(raised),
        raised_a_day=len(raised) * DAY_S / (to_s - from_s),
        chattering=tuple(
            alarm
            for alarm, at_s in times.items()
            if any(
                last - first <= CHATTER_S
                for first, last in zip(at_s, at_s[CHATTER_RAISES - 1 :], strict=False)
            )
        ),
        stale=tuple(dict.fromkeys(a.alarm for a in listed if a.end_s - a.since_s > DAY_S)),
        floods=sum(
            sum(at_s - FLOOD_S < other <= at_s for other in everything) > FLOOD_RAISES
            for at_s in everything
        ),
    )


def litres_by_day(
    rows: Iterable[Record], from_s: float, to_s: float, zone: tzinfo
) -> dict[str, float]:
    """Metered litres of each day of the report, days without any included, by ISO date.

    Args:
        rows: Of kind ``litres``.
        from_s: Begin of the report. [Unix s]
        to_s: End of the report. [Unix s]
        zone: Whose days.
    """
    day = datetime.fromtimestamp(from_s, zone).date()
    last = datetime.fromtimestamp(max(from_s, to_s - 1.0), zone).date()
    sums: dict[str, float] = {}
    while day <= last:
        sums[day.isoformat()] = 0.0
        day += timedelta(days=1)
    for row in rows:
        name = datetime.fromtimestamp(row.at_s, zone).date().isoformat()
        sums[name] = sums.get(name, 0.0) + row.data["litres"]
    return sums


def reasons_s(found: Iterable[Hold]) -> Mapping[str, float]:
    """How long each reason stood over several holds, the longest first, in seconds."""
    sums: dict[str, float] = {}
    for hold in found:
        for reason, spent_s in hold.reasons_s.items():
            sums[reason] = sums.get(reason, 0.0) + spent_s
    return dict(sorted(sums.items(), key=lambda pair: (-pair[1], pair[0])))


def _credit(hold: Hold, row: Record, begin_s: float, end_s: float) -> None:
    """Count the time between two moments for every reason that a row gives."""
    if end_s > begin_s:
        for reason in row.data.get("reasons", ()):
            hold.reasons_s[reason] = hold.reasons_s.get(reason, 0.0) + end_s - begin_s


def _cut(found: list[S], from_s: float, to_s: float) -> list[S]:
    """Those within the report, cut at its ends."""
    kept = []
    for stretch in found:
        if stretch.end_s <= from_s or stretch.begin_s >= to_s:
            continue
        stretch.before = stretch.begin_s < from_s
        stretch.begin_s = max(stretch.begin_s, from_s)
        stretch.end_s = min(stretch.end_s, to_s)
        kept.append(stretch)
    return kept
