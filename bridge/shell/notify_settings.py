"""Whom to tell, when, and how often, as the keeper configures it."""

import re
from dataclasses import dataclass, field
from datetime import time
from enum import StrEnum
from typing import Annotated, ClassVar, Final
from zoneinfo import ZoneInfo

from annotated_types import Ge, Le, MinLen

from bridge.core.outputs import Priority
from bridge.core.settings import FORBID_UNKNOWN

TIME_OF_DAY: Final = re.compile(r"(?:[01]\d|2[0-3]):[0-5]\d")


class SummaryEvery(StrEnum):
    """How often a summary is sent."""

    NEVER = "never"
    DAILY = "daily"
    WEEKLY = "weekly"


class Weekday(StrEnum):
    """Day of the weekly summary."""

    MONDAY = "monday"
    TUESDAY = "tuesday"
    WEDNESDAY = "wednesday"
    THURSDAY = "thursday"
    FRIDAY = "friday"
    SATURDAY = "saturday"
    SUNDAY = "sunday"


@dataclass(frozen=True, slots=True, kw_only=True)
class Target:
    """One phone, mailbox or other place that alerts go to."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    url: Annotated[str, MinLen(1)] = field(repr=False)
    """Address in the notation of Apprise; often holds a password or token."""
    least_priority: Priority = Priority.LOW
    """What is less urgent is not told here."""
    summary: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class NotifySettings:
    """Alerts to the keeper's phone."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    targets: dict[str, Target] = field(default_factory=dict)
    path: Annotated[str, MinLen(1)] = "tidegate-data/alerts.sqlite3"
    """What is still to be sent, so that a restart neither loses nor repeats it."""
    time_zone: Annotated[str, MinLen(1)] = "UTC"
    """For quiet hours and summaries, for instance ``Europe/Berlin``."""
    quiet_from: str | None = None
    quiet_to: str | None = None
    """Time of day. Between the two only what is of high priority is told."""
    gather_s: Annotated[float, Ge(0), Le(600)] = 15.0
    """What comes within this time is told in one message. High priority does not wait."""
    repeat_after_min: Annotated[float, Ge(0), Le(10_080)] = 60.0
    """Reminder while an alarm stands and nobody has acknowledged it; 0, none."""
    largest_per_hour: Annotated[int, Ge(1), Le(60)] = 6
    """Messages to one target within an hour. New alarms of high priority are not counted out."""
    attach_chart: bool = True
    """A small picture of the last six hours; needs the extra ``chart``."""
    summary: SummaryEvery = SummaryEvery.NEVER
    summary_at: str = "08:00"
    summary_day: Weekday = Weekday.MONDAY

    def __post_init__(self) -> None:
        """Refuse what no clock or calendar knows."""
        for key in ("quiet_from", "quiet_to", "summary_at"):
            value = getattr(self, key)
            if value is not None and not TIME_OF_DAY.fullmatch(value):
                raise ValueError(f'{key} must be a time of day from "00:00" to "23:59"')
        if (self.quiet_from is None) != (self.quiet_to is None):
            raise ValueError("quiet_from and quiet_to belong together")
        if self.quiet_from is not None and self.quiet_from == self.quiet_to:
            raise ValueError("quiet_from must differ from quiet_to")
        try:
            ZoneInfo(self.time_zone)
        except (ValueError, OSError, LookupError):
            raise ValueError(
                'time_zone must be a name of the IANA time zone database, such as "Europe/Berlin"'
            ) from None

    @property
    def zone(self) -> ZoneInfo:
        """The keeper's time zone."""
        return ZoneInfo(self.time_zone)

    @property
    def quiet_hours(self) -> tuple[time, time] | None:
        """Begin and end of the quiet hours; None when there are none."""
        if self.quiet_from is None or self.quiet_to is None:
            return None
        return time.fromisoformat(self.quiet_from), time.fromisoformat(self.quiet_to)
