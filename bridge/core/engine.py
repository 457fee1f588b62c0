"""The engine: time-stamped events in, outputs out. Live, replay and simulation all drive it."""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from heapq import heappop, heappush
from math import inf
from typing import Any, Final

from bridge.core.alarms import AlarmsState, PlantAlarms
from bridge.core.dispatch import COMMAND_LEVEL, dispatch, dispatch_plant
from bridge.core.events import (
    ClockStepped,
    Event,
    LinkDown,
    LinkUp,
    Message,
    Shutdown,
    Tick,
)
from bridge.core.outputs import Complaint, Notice, Output, Publish, Record
from bridge.core.rivals import Rivals
from bridge.core.settings import Settings
from bridge.core.tank import Handler, TankEngine
from bridge.core.tank_state import TankState
from bridge.core.wire.instants import Calendar

CLOCK_SETTLING_S: Final = 60.0
"""After a step of the wall clock nothing is permitted for this long."""

MOMENTS: Final = ("since_s", "bypass_until_s")
"""Keys of a record's data that hold a moment."""


@dataclass(slots=True)
class EngineState:
    """All that survives a restart."""

    tanks: dict[str, TankState] = field(default_factory=dict)
    plant: AlarmsState | None = None
    at_s: float = 0.0
    """When the engine was last told anything; it must not start before that. [Unix s]"""


class Engine:
    """Everything the daemon decides.

    Args:
        settings: What the keeper configured.
        boot_id: Identifies this run; derived in a replay, drawn by the shell when live.
        at_s: Engine time at start. [Unix s]
        state: As saved; None for the first start.
    """

    def __init__(
        self, settings: Settings, *, boot_id: str, at_s: float, state: EngineState | None = None
    ) -> None:
        self._settings = settings
        saved = state or EngineState()
        self._calendar = Calendar()
        self._tanks = {
            name: TankEngine(
                name,
                settings,
                boot_id=boot_id,
                at_s=at_s,
                calendar=self._calendar,
                state=saved.tanks.get(name),
            )
            for name in settings.tanks
        }
        self._plant = PlantAlarms(
            base_topic=settings.base_topic, state=saved.plant, calendar=self._calendar
        )
        self.state = EngineState(
            {name: tank.state for name, tank in self._tanks.items()}, self._plant.state, at_s
        )
        self._routes: dict[str, list[tuple[TankEngine, Handler]]] = {}
        for tank in self._tanks.values():
            for topic, handler in tank.bindings():
                self._routes.setdefault(topic, []).append((tank, handler))
        self._commands = {
            f"{settings.base_topic}/{name}/{COMMAND_LEVEL}/": tank
            for name, tank in self._tanks.items()
        }
        self._plant_commands = f"{settings.base_topic}/{COMMAND_LEVEL}"
        self._rivals = Rivals(settings, boot_id=boot_id)
        self._link_up = False
        self._clock_settles_s = -inf
        self._storage_fault: str | None = None
        self._telling_fault: str | None = None
        # Tanks by when they want to be woken. An entry that is out of date is passed over.
        self._alarm_clock: list[tuple[float, str]] = []
        self._wanted: dict[str, float] = {}
        self._wake_at_s: float | None = None
        for tank in self._tanks.values():
            self._rearm(tank)

    @property
    def topics(self) -> tuple[str, ...]:
        """Topics and filters to subscribe to, in a stable order."""
        commands = (*self._commands, f"{self._plant_commands}/")
        return (*self._routes, *(f"{prefix}+" for prefix in commands))

    @property
    def watched_topics(self) -> tuple[str, ...]:
        """Topics of our own to listen to for others; no input, and no part of a capture."""
        return self._rivals.topics

    @property
    def wake_at_s(self) -> float:
        """When the next :class:`Tick` is wanted; infinite when never."""
        # Asked for several times between two events, which alone change it.
        if self._wake_at_s is None:
            clock = self._alarm_clock
            while clock and self._wanted[clock[0][1]] != clock[0][0]:
                heappop(clock)
            first = clock[0][0] if clock else inf
            settles_s = self._clock_settles_s if self._clock_settles_s > -inf else inf
            self._wake_at_s = min(first, settles_s, self._plant.wake_at_s, self._rivals.wake_at_s)
        return self._wake_at_s

    def step(self, event: Event) -> list[Output]:
        """Take one event and say what is to be done."""
        self.state.at_s = event.at_s
        self._wake_at_s = None
        # By far the most events are messages.
        outputs = self._message(event) if isinstance(event, Message) else self._take(event)
        return self._dated(outputs) if self._calendar.ahead_s else outputs

    def _take(self, event: Event) -> list[Output]:
        match event:
            case Message():
                return self._message(event)
            case Tick(at_s=at_s):
                return self._tick(at_s)
            case LinkUp(at_s=at_s):
                outputs: list[Output] = []
                if self._link_up:
                    # A break that was over before anybody noticed it: what was permitted before
                    # may have been lost, so everything is said again.
                    self._link_up = False
                    outputs += self._circumstances(at_s)
                self._link_up = True
                return outputs + self._circumstances(at_s)
            case LinkDown(at_s=at_s):
                self._link_up = False
                return self._circumstances(at_s)
            case ClockStepped(at_s=at_s, step_s=step_s):
                self._calendar.step(step_s)
                self._clock_settles_s = at_s + CLOCK_SETTLING_S
                return self._circumstances(at_s)
            case Shutdown(at_s=at_s):
                return [o for tank in self._tanks.values() for o in tank.shut_down(at_s)]

    def storage(self, at_s: float, fault: str | None) -> list[Output]:
        """The history reported a fault, or that all is well again."""
        self._storage_fault = fault
        self._wake_at_s = None
        return self._dated(self._circumstances(at_s))

    def telling(self, at_s: float, fault: str | None) -> list[Output]:
        """Alerts do not reach somebody, or all is well again."""
        self._telling_fault = fault
        self._wake_at_s = None
        return self._dated(list(self._plant_alarms(at_s)))

    def _dated(self, outputs: list[Output]) -> list[Output]:
        """What is kept and told carries the date of the wall clock; messages do so already."""
        ahead_s = self._calendar.ahead_s
        return [_moved(output, ahead_s) for output in outputs] if ahead_s else outputs

    def _message(self, message: Message) -> list[Output]:
        routes = self._routes.get(message.topic)
        if routes is None:
            return self._command(message)
        outputs: list[Output] = []
        for tank, handler in routes:
            found = handler(message.at_s, message.payload, message.retained)
            outputs = outputs + found if outputs else found
            self._rearm(tank)
        return outputs

    def _command(self, message: Message) -> list[Output]:
        head, _, name = message.topic.rpartition("/")
        tank = self._commands.get(f"{head}/")
        if head == self._plant_commands:
            return self._plant_command(name, message)
        if tank is None:
            return self._foreign(message)
        outputs = dispatch(
            tank,
            name,
            message,
            base=f"{self._settings.base_topic}/{tank.name}",
            secret=self._settings.command_secret,
        )
        self._rearm(tank)
        return outputs

    def _plant_command(self, name: str, message: Message) -> list[Output]:
        outputs = dispatch_plant(
            self._plant,
            name,
            message,
            base=self._settings.base_topic,
            secret=self._settings.command_secret,
        )
        # The answer last, as for a tank.
        return [*outputs[:-1], *self._plant_alarms(message.at_s), *outputs[-1:]]

    def _foreign(self, message: Message) -> list[Output]:
        """A topic of our own, on which nobody else should be heard."""
        was_told = self._rivals.told
        foreign = self._rivals.hear(message)
        if foreign is None:
            return []
        outputs: list[Output] = []
        if foreign.tank is None:
            concerned = list(self._tanks.values())
        else:
            concerned = [self._tanks[foreign.tank]]
        if foreign.answer:
            for tank in concerned:
                tank.gates.say_again()
        elif not any(tank.situation.alone for tank in concerned):
            return []
        if was_told is None:
            outputs += self._plant_alarms(message.at_s)
        for tank in concerned:
            outputs += self._circumstances_of(tank, message.at_s)
        return outputs

    def _rearm(self, tank: TankEngine) -> None:
        wake_at_s, name = tank.wake_at_s, tank.name
        if self._wanted.get(name) != wake_at_s:
            self._wanted[name] = wake_at_s
            if wake_at_s < inf:
                heappush(self._alarm_clock, (wake_at_s, name))

    def _tick(self, at_s: float) -> list[Output]:
        outputs: list[Output] = []
        if -inf < self._clock_settles_s <= at_s:
            self._clock_settles_s = -inf
            outputs += self._circumstances(at_s)
        if self._rivals.wake_at_s <= at_s and self._rivals.forget(at_s):
            outputs += self._circumstances(at_s)
        clock = self._alarm_clock
        while clock and clock[0][0] <= at_s:
            wanted_s, name = heappop(clock)
            if self._wanted[name] != wanted_s:
                continue
            tank = self._tanks[name]
            self._wanted[name] = inf
            outputs += tank.tick(at_s)
            self._rearm(tank)
        outputs += self._plant_alarms(at_s)
        return outputs

    def _circumstances(self, at_s: float) -> list[Output]:
        outputs = list(self._plant_alarms(at_s))
        for tank in self._tanks.values():
            outputs += self._circumstances_of(tank, at_s)
        return outputs

    def _circumstances_of(self, tank: TankEngine, at_s: float) -> list[Output]:
        outputs = tank.circumstances(
            at_s,
            link_up=self._link_up,
            clock_settled=self._clock_settled,
            alone=not self._rivals.concern(tank.name),
        )
        self._rearm(tank)
        return outputs

    @property
    def _clock_settled(self) -> bool:
        return self._clock_settles_s == -inf

    def _plant_alarms(self, at_s: float) -> Sequence[Output]:
        return self._plant.update(
            at_s,
            link_up=self._link_up,
            clock_settled=self._clock_settled,
            storage_fault=self._storage_fault,
            telling_fault=self._telling_fault,
            rival=self._rivals.told,
        )


def _moved(output: Output, ahead_s: float) -> Output:
    if isinstance(output, Publish):
        # Its time decides whether it is still worth sending, not what it says.
        return output
    at_s = output.at_s + ahead_s
    if isinstance(output, Notice | Complaint):
        return replace(output, at_s=at_s)
    moments = {key: value + ahead_s for key, value in _moments(output) if value is not None}
    return output._replace(at_s=at_s, data={**output.data, **moments})


def _moments(record: Record) -> list[tuple[str, Any]]:
    return [(key, record.data[key]) for key in MOMENTS if key in record.data]
