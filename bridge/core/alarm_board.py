"""A set of alarms that are judged together: delays, suppression, first-out, notices, counts.

A board knows nothing of tanks. It is told which conditions are present and how to word a message.
"""

from collections import deque
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from math import inf
from typing import Any, Final

import orjson

from bridge.core.alarm_catalogue import DAY_S, MINUTE_S, AlarmKind
from bridge.core.alarm_state import SILENCED, AlarmEvent, AlarmPhase, AlarmState
from bridge.core.errors import UserError
from bridge.core.outputs import Notice, NoticeKind, Output, Priority, Publish, Record
from bridge.core.wire.instants import Calendar

LARGEST_SHELF_MIN: Final = 10_080.0
"""A week. Longer, and the alarm needs another remedy."""
CHATTER_RAISES: Final = 3
CHATTER_S: Final = 60.0
FLOOD_RAISES: Final = 10
FLOOD_S: Final = 600.0
"""Chattering and flood as ISA-18.2 and EEMUA 191 count them."""
KEPT_RAISES: Final = 200
RANK: Final = {Priority.LOW: 0, Priority.MEDIUM: 1, Priority.HIGH: 2}

Wording = Callable[[str, NoticeKind], tuple[str, str]]
"""Title and body of a notice on an alarm."""
Told = Callable[[str], Mapping[str, Any]]
"""Texts of an alarm's document: cause, consequence, action."""


@dataclass(slots=True)
class Episode:
    """One underlying disturbance, whatever it was called in its course."""

    episode_id: str
    told: Priority
    """Priority of what was told last; only a higher one is told again."""
    alarm: str
    seen: bool = False
    """Everything that stands in it is acknowledged or silenced."""


@dataclass(slots=True)
class BoardState:
    """The persistent part of a board."""

    alarms: dict[str, AlarmState] = field(default_factory=dict)
    episodes: dict[str, Episode] = field(default_factory=dict)
    first_out: str | None = None
    """Which alarm came first, kept until none is active."""
    raises: deque[tuple[float, str]] = field(default_factory=deque)
    link_up: bool = False


@dataclass(frozen=True, slots=True)
class AlarmKpi:
    """How well the alarms themselves do."""

    raised_day: int
    """Alarms raised within 24 hours."""
    chattering: tuple[str, ...]
    """Raised three times or more within a minute, today."""
    stale: tuple[str, ...]
    """Active for more than 24 hours."""
    flood: bool
    """More than ten within the last ten minutes."""


class AlarmBoard:
    """Alarms that share a topic.

    Args:
        owner: Tank, or empty for the whole installation.
        topic: Everything before the alarm's own level.
        kinds: All alarms, those that explain others before those explained.
        state: As saved; None for the first start.
        calendar: For the moments in the documents.
    """

    def __init__(
        self,
        owner: str,
        topic: str,
        kinds: Mapping[str, AlarmKind],
        state: BoardState | None,
        calendar: Calendar,
    ) -> None:
        self.state = state or BoardState()
        self._calendar = calendar
        self.kinds = kinds
        self.wake_at_s = -inf
        self._owner = owner
        self._topic = topic
        self._groups = {alarm: kind.group or alarm for alarm, kind in kinds.items()}
        # An alarm that is configured no longer takes its state with it.
        for alarm in [alarm for alarm in self.state.alarms if alarm not in kinds]:
            del self.state.alarms[alarm]

    def update(
        self,
        at_s: float,
        conditions: Mapping[str, bool | None],
        *,
        quiet: bool,
        link_up: bool,
        wording: Wording,
        told: Told,
        eased: Collection[str] = (),
    ) -> list[Output]:
        """Judge every alarm.

        Args:
            at_s: Now. [Unix s]
            conditions: Whether each is present; None where it cannot be judged now.
            quiet: Suppress all by design.
            link_up: Whether documents can be published.
            wording: Title and body of a notice.
            told: Texts of a document.
            eased: Alarms that do no harm so far.
        """
        outputs: list[Output] = []
        for alarm, condition in conditions.items():
            if condition is not None:
                self._judge(at_s, alarm, condition=condition)
                outputs += self._ease(at_s, alarm, wording, eased=alarm in eased)
        for alarm in self.kinds:
            state = self.state.alarms.get(alarm)
            if state is not None:
                outputs += self._step(at_s, alarm, state, quiet=quiet, wording=wording)
        outputs += self._end_episodes(at_s, wording)
        if not any(state.active for state in self.state.alarms.values()):
            self.state.first_out = None
        appeared = link_up and not self.state.link_up
        self.state.link_up = link_up
        for alarm in self.kinds:
            state = self.state.alarms.get(alarm)
            if state is None:
                continue
            changed = state.summary != state.shown
            if changed:
                state.shown = state.summary
                outputs.append(self._record(at_s, alarm, state))
            if link_up and (changed or appeared):
                outputs += self._publish(at_s, alarm, state, told)
        self._forget()
        self.wake_at_s = self._next_wake_s(quiet=quiet)
        return outputs

    def acknowledge(self, alarm: str) -> None:
        """Take note that somebody has seen an alarm; `update` afterwards publishes it.

        Raises:
            UserError: No such alarm, or nothing to acknowledge.
        """
        state = self._known(alarm)
        if state.acknowledged:
            waiting = [name for name, other in self.state.alarms.items() if not other.acknowledged]
            raise UserError(
                f"acknowledge: alarm '{alarm}' does not wait for it; "
                f"waiting are: {', '.join(waiting) or 'none'}"
            )
        state.acknowledged = True
        state.happen(AlarmEvent.ACKNOWLEDGE)

    def shelve(self, at_s: float, alarm: str, minutes: float) -> None:
        """Silence an alarm for a time, or end that with 0 minutes; `update` afterwards.

        Raises:
            UserError: No such alarm, or too long.
        """
        if not 0 <= minutes <= LARGEST_SHELF_MIN:
            raise UserError(
                f"shelve: minutes is {minutes:g}; "
                f"accepted is 0 (end it) up to {LARGEST_SHELF_MIN:g}, a week"
            )
        state = self._known(alarm)
        state.shelved_until_s = at_s + MINUTE_S * minutes
        if minutes > 0:
            state.happen(AlarmEvent.SHELVE)

    def kpi(self, at_s: float) -> AlarmKpi:
        """How well the alarms themselves do."""
        today = [
            (raised_s, alarm) for raised_s, alarm in self.state.raises if raised_s > at_s - DAY_S
        ]
        chattering = []
        for alarm in self.kinds:
            times = [raised_s for raised_s, raised in today if raised == alarm]
            windows = zip(times, times[CHATTER_RAISES - 1 :], strict=False)
            if any(last - first <= CHATTER_S for first, last in windows):
                chattering.append(alarm)
        return AlarmKpi(
            raised_day=len(today),
            chattering=tuple(chattering),
            stale=tuple(
                alarm
                for alarm, state in self.state.alarms.items()
                if state.active and at_s - state.since_s > DAY_S
            ),
            flood=sum(raised_s > at_s - FLOOD_S for raised_s, _ in today) > FLOOD_RAISES,
        )

    def condition(self, alarm: str) -> bool:
        """Whether the condition was present when last judged; for deadbands."""
        state = self.state.alarms.get(alarm)
        return state is not None and state.condition

    def kind(self, alarm: str) -> AlarmKind:
        """An alarm as it is now: milder, as long as it does no harm."""
        kind, state = self.kinds[alarm], self.state.alarms.get(alarm)
        if kind.eased is None or state is None or not state.eased:
            return kind
        return replace(
            kind,
            consequence=kind.eased.consequence,
            priority=kind.eased.priority,
            respond_within_s=kind.eased.respond_within_s,
        )

    def _known(self, alarm: str) -> AlarmState:
        if alarm not in self.kinds:
            raise UserError(f"there is no alarm '{alarm}'; accepted are {', '.join(self.kinds)}")
        return self.state.alarms.setdefault(alarm, AlarmState())

    def _judge(self, at_s: float, alarm: str, *, condition: bool) -> None:
        state = self.state.alarms.get(alarm)
        if state is None:
            if not condition:
                return
            state = self.state.alarms[alarm] = AlarmState()
        state.judge(at_s, condition=condition)

    def _ease(self, at_s: float, alarm: str, wording: Wording, *, eased: bool) -> list[Output]:
        """Take in whether an alarm does harm; one that stands only ever gets worse."""
        state = self.state.alarms.get(alarm)
        if state is None or state.eased is eased:
            return []
        if not state.active:
            state.eased = eased
            return []
        if eased:
            return []
        state.eased = False
        # Neither the look nor the silence was for this.
        state.acknowledged, state.shelved_until_s = False, None
        state.happen(AlarmEvent.RAISE)
        return self._tell(at_s, alarm, wording) if state.phase not in SILENCED else []

    def _stands(self, alarm: str) -> bool:
        state = self.state.alarms.get(alarm)
        return state is not None and (
            state.condition or state.active or state.phase is AlarmPhase.RETURNED
        )

    def _suppressed(self, alarm: str, *, quiet: bool) -> bool:
        return quiet or any(self._stands(other) for other in self.kinds[alarm].explained_by)

    def _step(
        self, at_s: float, alarm: str, state: AlarmState, *, quiet: bool, wording: Wording
    ) -> list[Output]:
        kind = self.kinds[alarm]
        outputs: list[Output] = []
        suppressed = self._suppressed(alarm, quiet=quiet)
        if suppressed:
            state.happen(AlarmEvent.SUPPRESS)
            state.waiting = not state.active
        elif state.waiting:
            state.waiting = False
            state.changed_at_s = at_s
        if not suppressed and state.phase in SILENCED:
            was_shelved = state.phase is AlarmPhase.SHELVED
            state.release(at_s)
            if state.phase is AlarmPhase.UNACKNOWLEDGED:
                if was_shelved:
                    # The keeper asked to be reminded: it is told like a new one.
                    self.state.episodes.pop(self._groups[alarm], None)
                outputs += self._tell(at_s, alarm, wording)
        due_at_s = state.due_at_s(kind)
        if due_at_s is None or at_s < due_at_s:
            return outputs
        if not state.condition:
            state.clear(kind)
        elif not suppressed:
            outputs += self._raise(at_s, alarm, state, wording)
        return outputs

    def _raise(self, at_s: float, alarm: str, state: AlarmState, wording: Wording) -> list[Output]:
        state.active = True
        state.acknowledged = False
        state.since_s = at_s
        state.happen(AlarmEvent.RAISE)
        self.state.raises.append((at_s, alarm))
        while len(self.state.raises) > KEPT_RAISES:
            self.state.raises.popleft()
        if self.state.first_out is None:
            self.state.first_out = alarm
        # A cause that takes another's place ends it: the disturbance goes on under one name.
        for other, other_state in self.state.alarms.items():
            same = other != alarm and self._groups[other] == self._groups[alarm]
            if same and other_state.active and not other_state.condition:
                other_state.clear(self.kinds[other])
        return self._tell(at_s, alarm, wording) if state.phase not in SILENCED else []

    def _tell(self, at_s: float, alarm: str, wording: Wording) -> list[Output]:
        kind, group = self.kind(alarm), self._groups[alarm]
        episode = self.state.episodes.get(group)
        if episode is not None and RANK[kind.priority] <= RANK[episode.told]:
            return []
        if episode is None:
            episode_id = f"{self._owner}/{group}/{round(at_s * 1000)}"
            episode = self.state.episodes[group] = Episode(episode_id, kind.priority, alarm)
        episode.told, episode.alarm, episode.seen = kind.priority, alarm, False
        return [self._notice(at_s, episode, NoticeKind.RAISED, wording)]

    def _end_episodes(self, at_s: float, wording: Wording) -> list[Output]:
        outputs: list[Output] = []
        for group, episode in list(self.state.episodes.items()):
            states = [
                state
                for alarm, state in self.state.alarms.items()
                if self._groups[alarm] == group and state.active
            ]
            if not states:
                del self.state.episodes[group]
                outputs.append(self._notice(at_s, episode, NoticeKind.CLEARED, wording))
            elif not episode.seen and all(s.acknowledged or s.phase in SILENCED for s in states):
                episode.seen = True
                outputs.append(self._notice(at_s, episode, NoticeKind.ACKNOWLEDGED, wording))
        return outputs

    def _notice(self, at_s: float, episode: Episode, kind: NoticeKind, wording: Wording) -> Notice:
        title, body = wording(episode.alarm, kind)
        return Notice(
            at_s=at_s,
            tank=self._owner,
            alarm=episode.alarm,
            episode=episode.episode_id,
            kind=kind,
            priority=episode.told,
            title=title,
            body=body,
        )

    def _record(self, at_s: float, alarm: str, state: AlarmState) -> Record:
        data = {
            "alarm": alarm,
            "state": state.phase.value,
            "active": state.active,
            "priority": self.kind(alarm).priority.value,
            "since_s": state.since_s,
        }
        return Record(at_s, self._owner, "alarm", data)

    def _publish(self, at_s: float, alarm: str, state: AlarmState, told: Told) -> list[Output]:
        topic = f"{self._topic}/{alarm}"
        nothing = state.phase is AlarmPhase.NORMAL or (
            state.phase is AlarmPhase.SUPPRESSED and not state.active and state.acknowledged
        )
        if nothing:
            if not state.on_broker:
                return []
            state.on_broker = False
            return [Publish(at_s=at_s, topic=topic, payload=b"")]
        state.on_broker = True
        kind = self.kind(alarm)
        shelved = state.shelved_until_s
        document = {
            "time": self._calendar.iso_utc(at_s),
            "alarm": alarm,
            "state": state.phase.value,
            "active": state.active,
            "acknowledged": state.acknowledged,
            "priority": kind.priority.value,
            "since": self._calendar.iso_utc(state.since_s or at_s),
            **told(alarm),
            "respond_within_s": kind.respond_within_s,
            "first_out": self.state.first_out == alarm,
            "shelved_until": None if shelved is None else self._calendar.iso_utc(shelved),
        }
        return [Publish(at_s=at_s, topic=topic, payload=orjson.dumps(document))]

    def _forget(self) -> None:
        """Drop what is back to normal in every respect, so that the state stays small."""
        for alarm, state in list(self.state.alarms.items()):
            idle = state.phase is AlarmPhase.NORMAL and not (state.condition or state.on_broker)
            if idle:
                del self.state.alarms[alarm]

    def _next_wake_s(self, *, quiet: bool) -> float:
        wake_at_s = inf
        for alarm, state in self.state.alarms.items():
            if state.phase is AlarmPhase.SHELVED and state.shelved_until_s is not None:
                wake_at_s = min(wake_at_s, state.shelved_until_s)
            due_at_s = state.due_at_s(self.kinds[alarm])
            waits = state.condition and self._suppressed(alarm, quiet=quiet)
            if due_at_s is not None and not waits:
                wake_at_s = min(wake_at_s, due_at_s)
        return wake_at_s
