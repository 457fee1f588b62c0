"""The daily or weekly summary: when it is due, and what it says."""

import logging
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

from bridge.core.alarm_text import REASON_WORDS, capital
from bridge.core.findings import Cause
from bridge.core.outputs import Record
from bridge.core.settings import Tank
from bridge.shell.history_reader import HistoryReader
from bridge.shell.history_schema import HistoryError
from bridge.shell.history_series import Series
from bridge.shell.notify_desk import DAY_S, HOUR_S, Information
from bridge.shell.notify_settings import NotifySettings, SummaryEvery

if TYPE_CHECKING:
    from apscheduler.schedulers.background import BackgroundScheduler

log = logging.getLogger(__name__)

SUBJECT: Final = "summary"
GRACE_S: Final = 6 * HOUR_S
"""A summary that was missed, because the daemon was off, is still sent that much later."""
SHORTEST_S: Final = 60.0
"""Less than a minute of anything is not worth a word."""
MOST_TANKS: Final = 5
"""With more, those of which there is nothing to tell are only counted."""
MOST_NAMES: Final = 4
UNKNOWN: Final = "the salinity was not known"


class Summaries:
    """Calls for a summary at the configured time.

    Args:
        settings: When.
        history: The history's file.
        tanks: By name.
        tell: Takes the summary; the same one may come twice, after a restart.
    """

    def __init__(
        self,
        settings: NotifySettings,
        history: Path,
        tanks: Mapping[str, Tank],
        tell: Callable[[Information], None],
    ) -> None:
        self._settings = settings
        self._history = history
        self._tanks = tanks
        self._tell = tell
        self._scheduler: BackgroundScheduler | None = None

    def start(self) -> None:
        """Begin, and make up for a summary that was missed while the daemon was off."""
        if self._settings.summary is SummaryEvery.NEVER:
            return
        # Only who wants summaries pays for the import.
        from apscheduler.schedulers.background import BackgroundScheduler  # noqa: PLC0415
        from apscheduler.triggers.cron import CronTrigger  # noqa: PLC0415

        # It tells of every job at the level that tells of ours.
        logging.getLogger("apscheduler").setLevel(logging.WARNING)
        settings = self._settings
        hour, minute = settings.summary_at.split(":")
        weekly = settings.summary is SummaryEvery.WEEKLY
        scheduler = BackgroundScheduler(
            timezone=settings.zone,
            job_defaults={"misfire_grace_time": int(GRACE_S), "coalesce": True, "max_instances": 1},
        )
        trigger = CronTrigger(
            day_of_week=settings.summary_day.value[:3] if weekly else "*",
            hour=int(hour),
            minute=int(minute),
            timezone=settings.zone,
        )
        scheduler.add_job(self._due, trigger)
        scheduler.add_job(self._due)
        scheduler.start()
        self._scheduler = scheduler

    def close(self) -> None:
        """End; a summary in the making is not waited for."""
        if self._scheduler is not None:
            self._scheduler.shutdown(wait=False)

    def _due(self) -> None:
        now = datetime.now(self._settings.zone)
        begin, end = last_period(now, self._settings)
        if now.timestamp() - end.timestamp() > GRACE_S:
            return
        try:
            summary = summarise(HistoryReader(self._history), self._tanks, begin=begin, end=end)
        except HistoryError as error:
            log.warning("There is no summary: %s", error)
            return
        if summary is not None:
            self._tell(summary)


def last_period(now: datetime, settings: NotifySettings) -> tuple[datetime, datetime]:
    """Begin and end of the newest whole day or week before a moment, in the keeper's zone."""
    hour, minute = (int(part) for part in settings.summary_at.split(":"))
    end = now.astimezone(settings.zone).replace(hour=hour, minute=minute, second=0, microsecond=0)
    days = 1
    if settings.summary is SummaryEvery.WEEKLY:
        days = 7
        wanted = list(type(settings.summary_day)).index(settings.summary_day)
        end -= timedelta(days=(end.weekday() - wanted) % 7)
    if end > now:
        end -= timedelta(days=days)
    # Whole days of the calendar, which may have 23 or 25 hours.
    return end - timedelta(days=days), end


def summarise(
    reader: HistoryReader, tanks: Mapping[str, Tank], *, begin: datetime, end: datetime
) -> Information | None:
    """What happened in a stretch of time; None when nothing is known of it.

    Raises:
        HistoryError: The history cannot be read.
    """
    from_s, to_s = begin.timestamp(), end.timestamp()
    lines, quiet = [], 0
    known = False
    for name, tank in tanks.items():
        series = reader.series(name, from_s, to_s, 200)
        known = known or bool(series.at_s)
        noteworthy, line = _of_tank(reader, name, series, from_s, to_s)
        if len(tanks) > MOST_TANKS and not noteworthy:
            quiet += 1
        else:
            lines.append(f"{capital(tank.name or name)}: {line}")
    if not known:
        return None
    if quiet:
        lines.append(f"{quiet} tanks without anything to tell.")
    days = round((to_s - from_s) / DAY_S)
    title = f"Tidegate: the last {'day' if days == 1 else f'{days} days'}"
    return Information(SUBJECT, to_s, title, "\n".join(lines), (from_s, to_s))


def _of_tank(
    reader: HistoryReader, tank: str, series: Series, from_s: float, to_s: float
) -> tuple[bool, str]:
    """Whether anything is worth telling, and the line that tells it."""
    if not series.at_s:
        return True, "nothing was received."
    events = reader.events(tank, ("permit", "alarm", "litres"), from_s, to_s)
    before = reader.events(tank, ("permit",), 0, from_s, newest=100)
    causes = {
        name: spent
        for name, spent in reader.cause_seconds(tank, from_s, to_s).items()
        if name != Cause.NONE and spent >= SHORTEST_S
    }
    held = {
        permit: spent
        for permit, spent in held_s([*before, *events], from_s, to_s).items()
        if spent >= SHORTEST_S
    }
    alarms = _alarms(events, from_s)
    litres = sum(e.data["litres"] for e in events if e.kind == "litres")
    parts = [_salinity(series)]
    parts.append(
        "disturbed or changing: " + _times({REASON_WORDS.get(c, c): s for c, s in causes.items()})
        if causes
        else "undisturbed"
    )
    if held:
        parts.append("held: " + _times(held))
    if alarms:
        names = list(dict.fromkeys(alarms))
        more = f" and {len(names) - MOST_NAMES} more" if len(names) > MOST_NAMES else ""
        count = "1 alarm" if len(alarms) == 1 else f"{len(alarms)} alarms"
        parts.append(f"{count} ({', '.join(names[:MOST_NAMES])}{more})")
    if litres:
        parts.append(f"topped off {litres:.1f} l")
    return bool(causes or held or alarms), "; ".join(parts) + "."


def _salinity(series: Series) -> str:
    lows = [value for value in series.salinity.low if value is not None]
    highs = [value for value in series.salinity.high if value is not None]
    if not lows or not highs:
        return UNKNOWN
    said = f"salinity {min(lows):.1f} to {max(highs):.1f}"
    newest, uncertainty = series.salinity.mean[-1], series.uncertainty.mean[-1]
    if newest is not None and uncertainty is not None:
        said += f", last {newest:.1f} ± {max(uncertainty, 0.1):.1f}"
    return said


def held_s(events: Iterable[Record], from_s: float, to_s: float) -> dict[str, float]:
    """Seconds that each permit was held between two moments."""
    since: dict[str, float] = {}
    total: dict[str, float] = {}

    def add(permit: str, until_s: float) -> None:
        begin_s = since.pop(permit, None)
        if begin_s is not None:
            spent = max(0.0, until_s - max(begin_s, from_s))
            total[permit] = total.get(permit, 0.0) + spent

    for event in events:
        if event.kind != "permit" or "state" not in event.data:
            continue
        permit = event.data["permit"]
        if event.data["state"] == "hold":
            since.setdefault(permit, event.at_s)
        else:
            add(permit, event.at_s)
    for permit in list(since):
        add(permit, to_s)
    return total


def _alarms(events: Iterable[Record], from_s: float) -> list[str]:
    """Name of every alarm that was raised, once for each time."""
    raised: dict[tuple[str, float], None] = {}
    for event in events:
        if event.kind == "alarm" and event.data["active"] and event.data["since_s"] >= from_s:
            raised[event.data["alarm"], event.data["since_s"]] = None
    return [alarm for alarm, _ in raised]


def _times(spent_s: Mapping[str, float]) -> str:
    """Names with how long, the longest first."""
    longest_first = sorted(spent_s.items(), key=lambda pair: (-pair[1], pair[0]))
    return ", ".join(f"{name} {_length(spent)}" for name, spent in longest_first[:MOST_NAMES])


def _length(spent_s: float) -> str:
    hours, minutes = divmod(round(spent_s / 60), 60)
    if not hours:
        return f"{minutes} min"
    return f"{hours} h {minutes} min" if minutes and hours < 10 else f"{hours} h"  # noqa: PLR2004
