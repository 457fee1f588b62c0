"""What a target is told, and when, over drawn histories of alarms."""

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime

from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from bridge.core.outputs import Notice, NoticeKind, Priority
from bridge.shell.notify_desk import Desk, DeskState, Information
from bridge.shell.notify_settings import NotifySettings
from bridge.shell.notify_text import Message, Tone

STATE: TypeAdapter[DeskState] = TypeAdapter(DeskState)
RANK = {Priority.LOW: 0, Priority.MEDIUM: 1, Priority.HIGH: 2}
NOON_S = datetime(2026, 3, 1, 12, tzinfo=UTC).timestamp()
HOUR_S = 3600.0
NAMED = re.compile(r"(Still: |Over: )?<([^>]+)>")


def notice(
    episode: str,
    kind: NoticeKind = NoticeKind.RAISED,
    priority: Priority = Priority.MEDIUM,
    **changes: str,
) -> Notice:
    """A notice whose title names the episode and its priority."""
    over = "Over: " if kind is NoticeKind.CLEARED else ""
    texts = {"title": f"{over}<{episode} {priority}>", "body": "What. First: this."} | changes
    return Notice(0.0, "reef", "alarm", episode, kind, priority, **texts)


def configured(**changes: object) -> NotifySettings:
    """Settings; quiet from ten in the evening to seven, in UTC."""
    return NotifySettings(
        **({"quiet_from": "22:00", "quiet_to": "07:00"} | changes)  # type: ignore[arg-type]
    )


def is_quiet(at_s: float) -> bool:
    """By the calendar, and not by the desk's own reckoning."""
    hour = datetime.fromtimestamp(at_s, UTC).hour
    return hour >= 22 or hour < 7


@dataclass
class Alarm:
    """One alarm of the world that the desk hears of."""

    episode: str
    priority: Priority
    seen: bool = False


@dataclass
class World:
    """Plays the engine, and remembers what was told."""

    settings: NotifySettings
    least: Priority
    at_s: float = NOON_S
    standing: dict[str, Alarm] = field(default_factory=dict)
    told: list[tuple[float, Message, list[tuple[str, str]]]] = field(default_factory=list)
    raises: dict[str, Priority] = field(default_factory=dict)
    """Highest priority at which an episode was raised."""
    urgent: set[str] = field(default_factory=set)
    """High ones that were raised, were not told, and are not over or seen."""

    def __post_init__(self) -> None:
        self.desk = Desk(self.settings, self.least)

    def look(self) -> None:
        """Let the desk speak."""
        message = self.desk.due(self.at_s)
        if message is None:
            assert not self.urgent
            return
        named = NAMED.findall(f"{message.title} {message.body}")
        fresh = {name for mark, name in named if not mark}
        reminders = {name.split(" ")[0] for mark, name in named if mark == "Still: "}
        assert reminders <= {alarm.episode for alarm in self.standing.values() if not alarm.seen}
        assert {f"{episode} {Priority.HIGH}" for episode in self.urgent} <= fresh
        self.check_cap(fresh)
        self.urgent.clear()
        self.told.append((self.at_s, message, named))

    def check_cap(self, fresh: set[str]) -> None:
        """No more messages an hour than configured, unless a new alarm of high priority came."""
        recent = [at_s for at_s, _, _ in self.told if at_s > self.at_s - HOUR_S]
        assert len(recent) < self.settings.largest_per_hour or any(
            name.endswith(Priority.HIGH) for name in fresh
        )

    def do(self, step: tuple[str, int, Priority]) -> None:
        """One thing happens."""
        what, number, priority = step
        group = f"reef/{number}"
        alarm = self.standing.get(group)
        if what == "wait":
            self.at_s += (1.0, 20.0, 400.0, HOUR_S)[number]
        elif what == "restart":
            self.restart()
        elif what == "raise" and alarm is None:
            alarm = self.standing[group] = Alarm(f"{group}/{self.at_s * 1000:.0f}", priority)
            self.raised(alarm)
        elif what == "raise" and alarm is not None and RANK[priority] > RANK[alarm.priority]:
            alarm.priority, alarm.seen = priority, False
            self.raised(alarm)
        elif what == "acknowledge" and alarm is not None and not alarm.seen:
            alarm.seen = True
            self.tell(alarm, NoticeKind.ACKNOWLEDGED)
        elif what == "clear" and alarm is not None:
            del self.standing[group]
            self.tell(alarm, NoticeKind.CLEARED)
        self.look()
        self.at_s += 0.5

    def raised(self, alarm: Alarm) -> None:
        """It is raised, or becomes more urgent."""
        self.raises[alarm.episode] = alarm.priority
        if alarm.priority is Priority.HIGH:
            self.urgent.add(alarm.episode)
        self.tell(alarm, NoticeKind.RAISED)

    def tell(self, alarm: Alarm, kind: NoticeKind) -> None:
        """The desk hears of it."""
        if kind is not NoticeKind.RAISED:
            self.urgent.discard(alarm.episode)
        self.desk.take(notice(alarm.episode, kind, alarm.priority), self.at_s)

    def restart(self) -> None:
        """The process ends and starts again from what was saved."""
        saved = STATE.dump_json(self.desk.state)
        self.desk = Desk(self.settings, self.least, STATE.validate_json(saved))
        kinds = {True: NoticeKind.ACKNOWLEDGED, False: NoticeKind.RAISED}
        remembered = [notice(a.episode, kinds[a.seen], a.priority) for a in self.standing.values()]
        self.desk.start(remembered, self.at_s)

    def let_pass(self, hours: int) -> None:
        """Nothing happens for a while."""
        for _ in range(hours * 12):
            self.at_s += 300.0
            self.look()


steps = st.lists(
    st.tuples(
        st.sampled_from(["wait", "raise", "raise", "acknowledge", "clear", "clear", "restart"]),
        st.integers(0, 3),
        st.sampled_from(list(Priority)),
    ),
    min_size=15,
    max_size=50,
)


def played(history: Sequence[tuple[str, int, Priority]], least: Priority, cap: int) -> World:
    """A world after a history, which the cap and urgency checks have already survived."""
    world = World(configured(largest_per_hour=cap), least)
    for step in history:
        world.do(step)
    return world


@given(steps, st.sampled_from(list(Priority)), st.integers(1, 4))
@settings(max_examples=80)
def test_nothing_is_told_twice(
    history: list[tuple[str, int, Priority]], least: Priority, cap: int
) -> None:
    """An episode is told once for each priority that it reaches, and its end once."""
    world = played(history, least, cap)
    world.let_pass(30)

    for mark in ("", "Over: "):
        names = [name for _, _, named in world.told for found, name in named if found == mark]
        assert len(names) == len(set(names))


@given(steps, st.sampled_from(list(Priority)), st.integers(1, 4))
@settings(max_examples=80)
def test_nothing_is_lost(
    history: list[tuple[str, int, Priority]], least: Priority, cap: int
) -> None:
    """What stands and nobody has seen is told within a day, at the priority that it has now."""
    world = played(history, least, cap)
    world.let_pass(30)

    told = {name for _, _, named in world.told for mark, name in named if not mark}
    for alarm in world.standing.values():
        if not alarm.seen and RANK[alarm.priority] >= RANK[least]:
            assert f"{alarm.episode} {alarm.priority}" in told


@given(steps, st.sampled_from(list(Priority)))
@settings(max_examples=60)
def test_quiet_hours_let_only_high_priority_through(
    history: list[tuple[str, int, Priority]], least: Priority
) -> None:
    """Between ten and seven every word is about an alarm of high priority."""
    world = played(history, least, 4)
    world.let_pass(30)

    for at_s, _, named in world.told:
        if is_quiet(at_s):
            assert all(name.endswith(Priority.HIGH) for _, name in named)


@given(steps, st.sampled_from(list(Priority)))
@settings(max_examples=60)
def test_an_end_is_told_only_of_what_was_told(
    history: list[tuple[str, int, Priority]], least: Priority
) -> None:
    """Good news about something unheard of is only confusing."""
    world = played(history, least, 3)
    world.let_pass(30)

    told: set[str] = set()
    for _, _, named in world.told:
        for mark, name in named:
            episode = name.split(" ")[0]
            assert mark != "Over: " or episode in told
        told |= {name.split(" ")[0] for mark, name in named if not mark}
        assert {n.split(" ")[0] for mark, n in named if mark == "Still: "} <= told


@given(steps)
@settings(max_examples=60)
def test_reminders_keep_their_distance(history: list[tuple[str, int, Priority]]) -> None:
    """Two messages about the same standing alarm are an hour apart, or it became more urgent."""
    world = played(history, Priority.LOW, 6)
    world.let_pass(30)

    last: dict[str, float] = defaultdict(lambda: -1e9)
    for at_s, _, named in world.told:
        for mark, name in named:
            if mark == "Still: ":
                assert at_s - last[name] >= HOUR_S
            last[name] = at_s


@given(steps, st.lists(st.integers(0, 40), max_size=4))
@settings(max_examples=60)
def test_a_restart_changes_nothing(
    history: list[tuple[str, int, Priority]], places: list[int]
) -> None:
    """With the engine's memory intact, the same is told at the same time with and without it."""
    plain = [step for step in history if step[0] != "restart"]
    broken = list(plain)
    for place in places:
        broken.insert(place, ("restart", 0, Priority.LOW))
    straight, restarted = World(configured(), Priority.LOW), World(configured(), Priority.LOW)
    for step in plain:
        straight.do(step)
    for step in broken:
        if step[0] == "restart":
            restarted.restart()
        else:
            restarted.do(step)

    assert restarted.told == straight.told


def test_an_engine_that_forgot_does_not_cause_a_second_message() -> None:
    """After a crash the engine raises under a new name what it no longer remembers."""
    desk = Desk(configured())
    desk.take(notice("reef/bubbles/1", priority=Priority.HIGH), NOON_S)
    assert desk.due(NOON_S) is not None
    desk = Desk(configured(), state=STATE.validate_json(STATE.dump_json(desk.state)))
    desk.start((), NOON_S + 60)
    desk.take(notice("reef/bubbles/2", priority=Priority.HIGH), NOON_S + 120)

    assert desk.due(NOON_S + 120) is None

    desk.take(notice("reef/bubbles/2", NoticeKind.CLEARED), NOON_S + 600)
    message = desk.due(NOON_S + 700)

    assert message is not None
    assert message.title.startswith("Over: ")


def test_what_ended_while_the_daemon_was_off_is_told_as_over() -> None:
    """An alarm that nobody confirms after a restart does not cause reminders for ever."""
    desk = Desk(configured())
    desk.take(notice("reef/bubbles/1"), NOON_S)
    desk.due(NOON_S + 60)
    desk.start((), NOON_S + 120)
    told = [desk.due(NOON_S + 600.0 * n) for n in range(1, 40)]
    messages = [message for message in told if message is not None]

    assert [message.tone for message in messages] == [Tone.SUCCESS]
    assert "since the restart" in messages[0].body


def test_an_alarm_that_was_lost_in_a_crash_is_told_after_it() -> None:
    """What the engine remembers and the desk never heard of is told at the start."""
    desk = Desk(configured())
    desk.start([notice("reef/leak/1", priority=Priority.HIGH)], NOON_S)
    message = desk.due(NOON_S)

    assert message is not None
    assert "reef/leak/1" in message.title


def test_the_end_of_a_shelf_is_told_like_a_new_alarm() -> None:
    """Whoever put an alarm off is reminded when the time is over."""
    desk = Desk(configured())
    desk.take(notice("reef/drift/1"), NOON_S)
    desk.due(NOON_S + 60)
    desk.take(notice("reef/drift/1", NoticeKind.ACKNOWLEDGED), NOON_S + 120)
    desk.take(notice("reef/drift/2"), NOON_S + 900)

    assert desk.due(NOON_S + 1000) is not None


def test_an_engine_that_remembers_an_older_name_is_understood() -> None:
    """The end is told, too, when the engine went back to the name before the newest one."""
    desk = Desk(configured())
    desk.take(notice("reef/bubbles/2"), NOON_S)
    desk.due(NOON_S + 60)
    desk.start([notice("reef/bubbles/1")], NOON_S + 120)

    assert desk.due(NOON_S + 180) is None

    desk.take(notice("reef/bubbles/1", NoticeKind.CLEARED), NOON_S + 240)

    assert desk.due(NOON_S + 300) is not None


def test_an_end_is_final() -> None:
    """A notice that comes again after its episode ended is not told."""
    desk = Desk(configured())
    desk.take(notice("reef/bubbles/1"), NOON_S)
    desk.due(NOON_S + 60)
    desk.take(notice("reef/bubbles/1", NoticeKind.CLEARED), NOON_S + 120)
    desk.due(NOON_S + 180)
    desk.take(notice("reef/bubbles/1"), NOON_S + 240)

    assert desk.due(NOON_S + 400) is None


def test_what_is_back_at_once_is_not_told_as_over() -> None:
    """An end is left out when the same alarm was raised again before it could be told."""
    desk = Desk(configured())
    desk.take(notice("reef/bubbles/1"), NOON_S)
    desk.due(NOON_S + 60)
    desk.take(notice("reef/bubbles/1", NoticeKind.CLEARED), NOON_S + 120)
    desk.take(notice("reef/bubbles/2"), NOON_S + 125)
    message = desk.due(NOON_S + 180)

    assert message is not None
    assert "Over" not in f"{message.title} {message.body}"


def test_a_clock_that_is_set_back_does_not_exhaust_the_hour() -> None:
    """Messages that seem to lie in the future count for an hour from now, not until then."""
    desk = Desk(configured(quiet_from=None, quiet_to=None, largest_per_hour=1))
    desk.take(notice("reef/a/1"), NOON_S)
    desk.due(NOON_S + 60)
    desk.take(notice("reef/b/1"), NOON_S + 120)
    back_s = NOON_S - 24 * HOUR_S

    assert desk.due(back_s) is None
    assert desk.due(back_s + HOUR_S + 1) is not None


def test_a_clock_that_is_set_back_only_delays_reminders() -> None:
    """After a day's step backwards the reminder comes an hour later, not a day."""
    desk = Desk(configured(quiet_from=None, quiet_to=None))
    desk.take(notice("reef/leak/1", priority=Priority.HIGH), NOON_S)
    desk.due(NOON_S)
    back_s = NOON_S - 24 * HOUR_S

    assert desk.due(back_s) is None
    assert desk.due(back_s + HOUR_S + 1) is not None


def test_one_alarm_keeps_its_words_and_many_share_one_caution() -> None:
    """Alone an alarm is told as it is; together the rest is named, and then counted."""
    desk = Desk(configured())
    caution = "Leak. First: look. Caution: unplug the pump first."
    desk.take(notice("reef/0/0", title="Reef: leak.", body=caution), NOON_S)
    alone = desk.due(NOON_S + 60)
    for number in range(1, 10):
        changed = notice(f"reef/{number}/0", title=f"Reef: leak {number}.", body=caution)
        desk.take(changed, NOON_S + 100)
    together = desk.due(NOON_S + 160)

    assert alone == Message("Reef: leak.", caution, Tone.WARNING, "reef")
    assert together is not None
    assert together.title == "Reef: leak 1 (and 8 more)"
    assert together.body.count("Caution:") == 1
    assert "Reef: leak 3. Leak. First: look." in together.body
    assert "Also: Reef: leak 4; Reef: leak 5; Reef: leak 6; 3 more." in together.body


def test_a_summary_is_told_once_and_waits_for_the_morning() -> None:
    """Made again after a restart, the same summary is not told again."""
    desk = Desk(configured())
    night_s = NOON_S + 11 * HOUR_S
    desk.inform(Information("summary", night_s, "Last day", "All well."))
    desk.inform(Information("summary", night_s, "Last day", "All well."))

    assert desk.due(night_s) is None

    morning = desk.due(night_s + 9 * HOUR_S)
    desk.inform(Information("summary", night_s, "Last day", "All well."))

    assert morning == Message("Last day", "All well.", Tone.INFO)
    assert desk.due(night_s + 10 * HOUR_S) is None


def test_less_urgent_reminders_become_rare() -> None:
    """High priority is repeated every hour, less after 1, 2, 4, 8, 16 and then every 24 hours."""
    counts = {}
    for priority in (Priority.HIGH, Priority.LOW):
        desk = Desk(configured(quiet_from=None, quiet_to=None))
        desk.take(notice("reef/x/1", priority=priority), NOON_S)
        told = [desk.due(NOON_S + 60.0 * minute) for minute in range(1, 60 * 56)]
        counts[priority] = sum(message is not None for message in told)

    assert counts == {Priority.HIGH: 56, Priority.LOW: 7}
