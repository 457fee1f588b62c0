"""Decides what one target is told, and when: no clock, no network, no file.

There is one desk for each target. It follows the episodes that the alarms report and turns them
into as few messages as serve the keeper:

- an episode is told once, and again only when it becomes more urgent;
- what comes close together is told together;
- in quiet hours only high priority is told; the rest is told afterwards, if it still stands;
- a reminder follows while nobody has acknowledged it, and the end is told of what was told;
- there is a largest number of messages an hour, which only a new alarm of high priority exceeds.

After a crash the engine may have forgotten the last minute and raise under a new name what was
told before. Episodes that the engine does not confirm at the start are therefore kept as doubtful
for a while: raised again they go on, otherwise they have ended while nobody watched.
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass, field, replace
from datetime import datetime, time, tzinfo
from math import inf
from typing import Final

from bridge.core.outputs import Notice, NoticeKind, Priority
from bridge.shell.notify_settings import NotifySettings
from bridge.shell.notify_text import TONE, Item, Message, Tone, compose

HOUR_S: Final = 3600.0
DAY_S: Final = 86400.0
DOUBT_S: Final = 1.5 * HOUR_S
"""Longer than the longest delay of an alarm, an hour, after which it would be raised again."""
KEPT_CLOSED: Final = 200
KEPT_ENDED: Final = 50
RANK: Final = {Priority.LOW: 0, Priority.MEDIUM: 1, Priority.HIGH: 2}


@dataclass(slots=True)
class Standing:
    """An episode that stands."""

    episode: str
    tank: str
    priority: Priority
    title: str
    body: str
    raised_at_s: float
    told_at_s: float | None = None
    told_priority: Priority | None = None
    reminders: int = 0
    seen: bool = False
    doubtful_until_s: float | None = None

    @property
    def to_tell(self) -> bool:
        """Whether it, or its present priority, was never told and nobody has seen it."""
        if self.seen:
            return False
        return self.told_priority is None or RANK[self.priority] > RANK[self.told_priority]


@dataclass(slots=True)
class Ended:
    """A told episode whose end is still to be told."""

    group: str
    tank: str
    priority: Priority
    title: str
    body: str
    ended_at_s: float


@dataclass(slots=True)
class Information:
    """Something that is no alarm, such as a summary."""

    subject: str
    """A newer one on the same subject replaces it."""
    about_s: float
    """The moment that it is about; the same one is not told twice. [Unix s]"""
    title: str
    body: str
    report_s: tuple[float, float] | None = None
    """Begin and end of the report that goes along; None for none. [Unix s]"""


@dataclass(slots=True)
class DeskState:
    """All that must survive a restart."""

    standing: dict[str, Standing] = field(default_factory=dict)
    """By what they are about, which stays the same when an episode is raised anew."""
    ended: list[Ended] = field(default_factory=list)
    informations: list[Information] = field(default_factory=list)
    informed_s: dict[str, float] = field(default_factory=dict)
    """The newest moment that each subject was about."""
    closed: dict[str, Priority] = field(default_factory=dict)
    """Names of past episodes and how urgent they were."""
    sent_at_s: list[float] = field(default_factory=list)
    """Within the last hour."""


class Desk:
    """The policy for one target.

    Args:
        settings: Quiet hours, reminders and limits.
        least_priority: What is less urgent is not told.
        state: As saved; None for the first start.
    """

    def __init__(
        self,
        settings: NotifySettings,
        least_priority: Priority = Priority.LOW,
        state: DeskState | None = None,
    ) -> None:
        self.state = state or DeskState()
        self._least = RANK[least_priority]
        self._gather_s = settings.gather_s
        self._repeat_s = settings.repeat_after_min * 60
        self._most = settings.largest_per_hour
        self._quiet = settings.quiet_hours
        self._zone = settings.zone

    @property
    def pending(self) -> bool:
        """Whether something waits to be told, reminders left aside."""
        state = self.state
        fresh = any(s.to_tell and RANK[s.priority] >= self._least for s in state.standing.values())
        return bool(fresh or state.ended or state.informations)

    def start(self, remembered: Collection[Notice], at_s: float) -> None:
        """Compare with the episodes that the engine remembers, once after a restart.

        One that it remembers and that was never reported was lost in a crash: it is taken now.
        """
        by_group = {_group(notice.episode): notice for notice in remembered}
        for group, standing in self.state.standing.items():
            notice = by_group.pop(group, None)
            if notice is None:
                standing.doubtful_until_s = at_s + DOUBT_S
                continue
            # The name by which the engine will report its end.
            standing.episode, standing.doubtful_until_s = notice.episode, None
            if notice.kind is not NoticeKind.RAISED:
                standing.seen = True
            elif RANK[notice.priority] > RANK[standing.priority]:
                self.take(notice, at_s)
        for notice in by_group.values():
            self.take(notice, at_s)

    def take(self, notice: Notice, at_s: float) -> None:
        """Take note of what happened to an episode."""
        group = _group(notice.episode)
        standing = self.state.standing.get(group)
        if notice.kind is NoticeKind.RAISED:
            self._raise(group, standing, notice, at_s)
        elif standing is None or standing.episode != notice.episode:
            # Over already, or known under a newer name.
            return
        elif notice.kind is NoticeKind.ACKNOWLEDGED:
            standing.seen = True
        else:
            self._end(group, notice.title, notice.body, at_s)

    def inform(self, information: Information) -> None:
        """Take something to tell that is no alarm."""
        if information.about_s <= self.state.informed_s.get(information.subject, -inf):
            return
        self.state.informed_s[information.subject] = information.about_s
        others = [i for i in self.state.informations if i.subject != information.subject]
        self.state.informations = [*others, information]

    def due(self, at_s: float) -> Message | None:
        """The message to be sent now, which from here on counts as told; or None.

        Args:
            at_s: The wall clock. It may have been set back. [Unix s]
        """
        self._mend_times(at_s)
        self._end_doubtful(at_s)
        fresh, reminders, ended, informations = self._candidates(at_s)
        urgent = any(standing.priority is Priority.HIGH for standing in fresh)
        ready = (
            urgent
            or bool(reminders or informations)
            or any(at_s >= s.raised_at_s + self._gather_s for s in fresh)
            or any(at_s >= e.ended_at_s + self._gather_s for e in ended)
        )
        if not ready or (len(self.state.sent_at_s) >= self._most and not urgent):
            return None
        items = [
            *(_raised_item(standing) for standing in _by_urgency(fresh)),
            *(_reminder_item(standing) for standing in _by_urgency(reminders)),
            *(Item(end.title, end.body, Tone.SUCCESS, end.tank) for end in ended),
            *(Item(info.title, info.body, Tone.INFO) for info in informations),
        ]
        for standing in fresh:
            standing.told_at_s, standing.told_priority = at_s, standing.priority
            standing.reminders = 0
        for standing in reminders:
            standing.told_at_s = at_s
            standing.reminders += 1
        self.state.ended = [end for end in self.state.ended if end not in ended]
        if informations:
            self.state.informations = []
        self.state.sent_at_s.append(at_s)
        reports = [info.report_s for info in informations if info.report_s is not None]
        return replace(compose(items), report_s=reports[-1] if reports else None)

    def _raise(self, group: str, standing: Standing | None, notice: Notice, at_s: float) -> None:
        past = self.state.closed.get(notice.episode)
        if past is not None and RANK[notice.priority] <= RANK[past]:
            return
        new = Standing(
            notice.episode, notice.tank, notice.priority, notice.title, notice.body, at_s
        )
        if standing is None:
            self.state.standing[group] = new
            # What is back at once has not ended in the keeper's eyes.
            self.state.ended = [end for end in self.state.ended if end.group != group]
            return
        if standing.episode != notice.episode and standing.doubtful_until_s is None:
            # The shelf on which the keeper put it has run out: told like a new one.
            self.state.standing[group] = new
            return
        standing.episode = notice.episode
        standing.doubtful_until_s = None
        more_urgent = RANK[notice.priority] > RANK[standing.priority]
        if more_urgent:
            standing.seen = False
        if more_urgent or standing.told_at_s is None:
            standing.priority = notice.priority
            standing.title, standing.body = notice.title, notice.body

    def _end(self, group: str, title: str, body: str, at_s: float) -> None:
        standing = self.state.standing.pop(group)
        self.state.closed[standing.episode] = standing.priority
        for episode in list(self.state.closed)[:-KEPT_CLOSED]:
            del self.state.closed[episode]
        if standing.told_at_s is None:
            return
        end = Ended(group, standing.tank, standing.priority, title, body, at_s)
        self.state.ended = [*self.state.ended, end][-KEPT_ENDED:]

    def _end_doubtful(self, at_s: float) -> None:
        for group, standing in list(self.state.standing.items()):
            until_s = standing.doubtful_until_s
            if until_s is not None and at_s >= until_s:
                body = "It was not seen again since the restart, and may have ended before."
                self._end(group, f"Over: {standing.title}", body, at_s)

    def _candidates(
        self, at_s: float
    ) -> tuple[list[Standing], list[Standing], list[Ended], list[Information]]:
        """What could be told now: new alarms, reminders, ends, other information."""
        quiet = self._is_quiet(at_s)

        def may(priority: Priority) -> bool:
            return RANK[priority] >= self._least and (not quiet or priority is Priority.HIGH)

        told = [s for s in self.state.standing.values() if may(s.priority)]
        fresh = [s for s in told if s.to_tell]
        reminders = [s for s in told if not s.to_tell and self._reminder_due(s, at_s)]
        ended = [end for end in self.state.ended if may(end.priority)]
        return fresh, reminders, ended, [] if quiet else self.state.informations

    def _reminder_due(self, standing: Standing, at_s: float) -> bool:
        # What the engine has not confirmed since a restart may be over: no reminder of it.
        doubtful = standing.doubtful_until_s is not None
        if standing.seen or standing.told_at_s is None or doubtful or not self._repeat_s:
            return False
        pause_s = self._repeat_s
        if standing.priority is not Priority.HIGH:
            # Less urgent things may wait for days; an hourly reminder would only be muted.
            doubled_s = self._repeat_s * 2.0 ** min(standing.reminders, 20)
            pause_s = max(self._repeat_s, min(doubled_s, DAY_S))
        return at_s >= standing.told_at_s + pause_s

    def _is_quiet(self, at_s: float) -> bool:
        return self._quiet is not None and is_within(at_s, self._quiet, self._zone)

    def _mend_times(self, at_s: float) -> None:
        """Forget old messages; after the clock was set back, count waiting times from now."""
        state = self.state
        state.sent_at_s = [min(s, at_s) for s in state.sent_at_s if s > at_s - HOUR_S]
        for standing in state.standing.values():
            standing.raised_at_s = min(standing.raised_at_s, at_s)
            if standing.told_at_s is not None:
                standing.told_at_s = min(standing.told_at_s, at_s)
            if standing.doubtful_until_s is not None:
                standing.doubtful_until_s = min(standing.doubtful_until_s, at_s + DOUBT_S)
        for end in state.ended:
            end.ended_at_s = min(end.ended_at_s, at_s)


def is_within(at_s: float, hours: tuple[time, time], zone: tzinfo) -> bool:
    """Whether a moment lies between two times of day, the second one not included."""
    begin, end = hours
    now = datetime.fromtimestamp(at_s, zone).time()
    return begin <= now < end if begin < end else now >= begin or now < end


def _group(episode: str) -> str:
    """What an episode is about: its name without the moment at its end."""
    about, slash, _ = episode.rpartition("/")
    return about if slash else episode


def _by_urgency(standing: Iterable[Standing]) -> list[Standing]:
    return sorted(standing, key=lambda s: (-RANK[s.priority], s.raised_at_s, s.episode))


def _raised_item(standing: Standing) -> Item:
    return Item(standing.title, standing.body, TONE[standing.priority], standing.tank)


def _reminder_item(standing: Standing) -> Item:
    return Item(f"Still: {standing.title}", standing.body, TONE[standing.priority], standing.tank)
