"""The live loop: one thread that decides, and nothing else that does.

Each pass reads from the broker, looks at the facts (link, guard, wall clock), feeds the engine in
the order of time, carries out what it asks for, sends that, and then feeds the guard, the health
file and the service manager. Whatever stops this loop stops all of them.

When the loop was late (a suspended process, an overload), what the engine says about the past is
not published as permits; it is told that the link broke and came back instead, so that it starts
from hold and judges afresh. The same goes for a loop that has not come to the end of what there
was to read for a while: what it reads may have waited for it, and nobody can tell for how long.
"""

import logging
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from bridge.core.events import ClockStepped, Event, LinkDown, LinkUp, Message, Shutdown, Tick
from bridge.core.outputs import Complaint, Notice, Output, Publish, Record
from bridge.shell.clock import EngineClock
from bridge.shell.counters import Complaints, Counters
from bridge.shell.guard import Guard
from bridge.shell.inbox import Inbox
from bridge.shell.link import Lifecycle, Link, LinkFacts
from bridge.shell.liveness import HealthFile, ServiceManager
from bridge.shell.stepping import (
    MOST_TICKS_AT_ONCE,
    EnginePort,
    EngineStuckError,
    feed,
)

log = logging.getLogger(__name__)

LONGEST_PASS_S: Final = 0.25
"""Real seconds that the loop waits at most, so that guard and watchdog are fed in time."""

LATE_S: Final = 2.0
"""Real seconds after which a decision is about the past."""

BATCH: Final = 16
"""Messages between two looks at the facts and at the broker. Fewer than the library sends before
the first is acknowledged, so that answers do not pile up behind acknowledgements nobody reads."""

SAVE_EVERY_S: Final = 60.0
LOOK_EVERY_S: Final = 1.0
"""Between two looks at the wall clock and at the storage."""

MOST_ENGINE_ERRORS: Final = 20
"""Within `ENGINE_ERRORS_WITHIN_S`; more and the process gives up, for a clean restart."""

ENGINE_ERRORS_WITHIN_S: Final = 60.0
FAREWELL_S: Final = 2.0
"""For the last messages to be acknowledged; with the rest of the shutdown it stays below 5 s."""


class EngineBrokenError(RuntimeError):
    """The engine fails again and again; a restart is the only cure left."""


@dataclass(frozen=True, slots=True)
class Sinks:
    """Where outputs go that are not for the broker. All are called from the decision loop."""

    records: Callable[[Record], None] | None = None
    events: Callable[[Event], None] | None = None
    """Shown every event that the engine was told, after it was."""
    notices: Callable[[Notice], None] | None = None
    save_state: Callable[[Any], None] | None = None
    storage_fault: Callable[[], str | None] | None = None
    """Asked now and then why nothing can be kept; None while all is well."""
    telling_fault: Callable[[], str | None] | None = None
    """Asked now and then whom alerts do not reach; None while all arrive."""
    watchers: tuple[Callable[[Output], None], ...] = ()
    """Shown every output that is carried out."""


class Daemon:
    """Joins engine, link and guard.

    Args:
        engine: Decides.
        clock: Engine time.
        inbox: Arrivals, filled by the link.
        link: The broker.
        guard: Dies with this loop.
        counters: Totals.
        sinks: History, phone, saved state.
        health: Written each pass.
    """

    def __init__(
        self,
        engine: EnginePort,
        *,
        clock: EngineClock,
        inbox: Inbox,
        link: Link,
        guard: Guard,
        counters: Counters,
        sinks: Sinks,
        health: HealthFile | None = None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._engine = engine
        self._clock = clock
        self._inbox = inbox
        self._link = link
        self._guard = guard
        self._counters = counters
        self._sinks = sinks
        self._health = health
        self._service_manager = ServiceManager()
        self._monotonic = monotonic
        self._complaints = Complaints()
        self._stop = threading.Event()
        self._up = False
        self._known: tuple[LinkFacts, LinkFacts] | None = None
        self._stalled = False
        self._latest_s = clock.now_s()
        self._all_read_s = self._latest_s
        self._ticks_again = 0
        self._engine_errors_at: list[float] = []
        self._storage_fault: str | None = None
        self._telling_fault: str | None = None
        now = monotonic()
        self._next_save_at = now + SAVE_EVERY_S
        self._next_clock_at = now

    @property
    def counters(self) -> Counters:
        """Totals since the start."""
        return self._counters

    @property
    def trouble(self) -> str | None:
        """Why permits are held for want of a connection; None while connected."""
        for facts in (self._link.facts, self._guard.facts):
            if not facts.up:
                return facts.reason
        return None if self._up else "the start is not over yet"

    def submit(self, topic: str, payload: bytes) -> None:
        """Take a command as if it had come over the broker; may be called from another thread."""
        self._inbox.put(Message(self._clock.now_s(), topic, payload))

    def stop(self) -> None:
        """Ask the loop to end; may be called from a signal handler or another thread."""
        self._stop.set()
        self._inbox.wake()

    def run(self) -> None:
        """Decide until `stop`, then hold everything and say goodbye.

        Raises:
            EngineBrokenError: The engine keeps failing.
        """
        self._guard.start()
        self._service_manager.tell("READY=1")
        try:
            while not self._stop.is_set():
                self.turn()
        finally:
            self._shut_down()

    def turn(self, timeout_s: float = LONGEST_PASS_S) -> None:
        """One pass of the loop."""
        self._link.tend()
        for_tick_s = self._clock.real_s(self._engine.wake_at_s - self._clock.now_s())
        self._exchange(max(0.0, min(timeout_s, for_tick_s)))
        self._notice_surroundings()
        messages = self._inbox.take(0.0)
        for start in range(0, len(messages), BATCH):
            if start:
                # So that what arrives is stamped soon, and acknowledgements are not kept waiting.
                self._exchange(0.0)
            for message in messages[start : start + BATCH]:
                self._decide(message)
            self._finish_pass()
            if self._stop.is_set():
                return
        self._decide_on_time()
        self._finish_pass()

    def _exchange(self, timeout_s: float) -> None:
        """Read and write; then see to the facts, before anything is decided upon what was read."""
        all_read = self._link.exchange(timeout_s)
        now_s = self._clock.now_s()
        behind_s = self._clock.real_s(now_s - self._all_read_s) - timeout_s
        if behind_s > LATE_S and self._up:
            self._notice_stall(behind_s)
        if all_read:
            self._all_read_s = now_s
        self._notice_facts()

    def _notice_facts(self) -> None:
        """Tell the engine what happened to the connections."""
        facts = (self._link.facts, self._guard.facts)
        up = facts[0].up and facts[1].up
        generations = (facts[0].generation, facts[1].generation)
        known = (
            (self._known[0].generation, self._known[1].generation)
            if self._known is not None
            else None
        )
        broke = self._up and (not up or generations != known or self._stalled)
        if broke:
            if not up:
                self._link.announce(Lifecycle.INIT)
                reason = facts[0].reason if not facts[0].up else facts[1].reason
                log.warning("Permits are held: %s.", reason)
            self._up = False
            self._decide(LinkDown(self._clock.now_s()))
        if up and not self._up:
            self._up = True
            self._stalled = False
            self._decide(LinkUp(self._clock.now_s()))
            self._link.announce(Lifecycle.READY)
            log.info("Connected to the broker; ready.")
        self._known = facts

    def _notice_surroundings(self) -> None:
        """Tell the engine about the wall clock and the storage."""
        now = self._monotonic()
        if now < self._next_clock_at:
            return
        self._next_clock_at = now + LOOK_EVERY_S
        step_s = self._clock.wall_step_s()
        if step_s:
            log.warning("The wall clock was set by %+.1f s.", step_s)
            self._decide(ClockStepped(self._clock.now_s(), step_s))
        if self._sinks.storage_fault is not None:
            fault = self._sinks.storage_fault()
            if fault != self._storage_fault:
                self._storage_fault = fault
                self._carry_out_all(lambda: self._engine.storage(self._engine_now_s(), fault))
        if self._sinks.telling_fault is not None:
            stuck = self._sinks.telling_fault()
            if stuck != self._telling_fault:
                self._telling_fault = stuck
                self._carry_out_all(lambda: self._engine.telling(self._engine_now_s(), stuck))

    def _decide_on_time(self) -> None:
        """Give the engine the tick that it asked for."""
        now_s = self._clock.now_s()
        wake_at_s = self._engine.wake_at_s
        if wake_at_s > now_s:
            return
        # After a pause, one tick now instead of all that were missed: the past cannot be mended.
        late_s = self._clock.real_s(now_s - max(wake_at_s, self._latest_s))
        if late_s > LATE_S:
            self._notice_stall(late_s)
        self._step(Tick(now_s))

    def _decide(self, event: Event) -> None:
        late_s = self._clock.real_s(self._clock.now_s() - event.at_s)
        if late_s > LATE_S:
            self._notice_stall(late_s)
        self._step(event)

    def _notice_stall(self, late_s: float) -> None:
        if not self._stalled:
            self._stalled = True
            self._counters.stalls += 1
            log.warning("The decision loop is %.1f s behind; permits are held.", late_s)

    def _step(self, event: Event) -> None:
        # Arrivals are stamped in another thread; engine time must not run backwards for that.
        if event.at_s < self._latest_s:
            event = _moved(event, self._latest_s)
        since_s, self._latest_s = self._latest_s, event.at_s
        self._carry_out_all(lambda: self._outputs(event, since_s))
        self._hand("what was heard", self._sinks.events, event)

    def _engine_now_s(self) -> float:
        """Now, for what is told to the engine outside of an event."""
        self._latest_s = max(self._latest_s, self._clock.now_s())
        return self._latest_s

    def _carry_out_all(self, decide: Callable[[], list[Output]]) -> None:
        try:
            outputs = decide()
        except Exception as error:  # noqa: BLE001 # our own bug must end in hold, not in a crash
            self._survive(error)
            return
        for output in outputs:
            self._carry_out(output)

    def _outputs(self, event: Event, since_s: float) -> list[Output]:
        if isinstance(event, Tick):
            outputs = self._engine.step(event)
            stuck = not self._engine.wake_at_s > event.at_s
            self._ticks_again = self._ticks_again + 1 if stuck else 0
            if self._ticks_again > MOST_TICKS_AT_ONCE:
                raise EngineStuckError(f"ticks keep asking for one at {self._engine.wake_at_s}")
            return outputs
        if self._stalled:
            return self._engine.step(event)
        return feed(self._engine, event, since_s=since_s)

    def _survive(self, error: Exception) -> None:
        """An error in the engine: let the guard publish hold, and go on if it is a rare one."""
        self._counters.engine_errors += 1
        self._complaints.tell("engine", "The engine failed; permits are held.", error=error)
        self._guard.trip("the engine failed")
        now = self._monotonic()
        recent = [at for at in self._engine_errors_at if now - at < ENGINE_ERRORS_WITHIN_S]
        self._engine_errors_at = [*recent, now]
        if len(self._engine_errors_at) > MOST_ENGINE_ERRORS:
            raise EngineBrokenError("the engine keeps failing; the log above says how") from error

    def _carry_out(self, output: Output) -> None:
        if isinstance(output, Publish):
            if output.perishable:
                age_s = self._clock.real_s(self._clock.now_s() - output.at_s)
                if age_s > LATE_S:
                    self._counters.permits_withheld += 1
                    # It may have been a hold: the engine must say afresh what is permitted.
                    self._notice_stall(age_s)
                    return
            self._link.publish(output)
        elif isinstance(output, Record):
            self._hand("records", self._sinks.records, output)
        elif isinstance(output, Complaint):
            log.warning(
                "Topic %s: %d payload(s) not usable; the last: %s.",
                output.topic,
                output.times,
                output.reason,
            )
        else:
            self._hand("notices", self._sinks.notices, output)
        for watcher in self._sinks.watchers:
            self._hand("what is shown", watcher, output)

    def _hand(self, name: str, sink: Callable[[Any], None] | None, what: Any) -> None:  # noqa: ANN401
        if sink is None:
            return
        try:
            sink(what)
        except Exception as error:  # noqa: BLE001 # a full disk must not stop decisions
            self._counters.sink_errors += 1
            self._complaints.tell(name, f"What goes to {name} was lost.", error=error)

    def _finish_pass(self) -> None:
        self._link.flush()
        now = self._monotonic()
        self._guard.feed()
        self._service_manager.alive()
        if self._health is not None:
            self._health.write(self._report())
        if now >= self._next_save_at:
            self._next_save_at = now + SAVE_EVERY_S
            self._hand("saved state", self._sinks.save_state, self._engine.state)

    def _report(self) -> dict[str, Any]:
        return {
            "link": self._link.facts.reason,
            "guard": self._guard.facts.reason,
            "ready": self._up,
            "counters": self._counters.as_dict(),
        }

    def _shut_down(self) -> None:
        """Hold, keep the state, say goodbye; the broker says it for us if that fails."""
        self._service_manager.tell("STOPPING=1")
        errors = self._counters.engine_errors
        broken = len(self._engine_errors_at) > MOST_ENGINE_ERRORS
        if not broken:
            self._decide(Shutdown(self._clock.now_s()))
        held = not broken and self._counters.engine_errors == errors
        settled = self._link.close(within_s=FAREWELL_S)
        # The wills are the last word whenever the holds themselves may not have gone out.
        self._guard.close(with_will=not (held and settled), within_s=0.5)
        self._hand("saved state", self._sinks.save_state, self._engine.state)
        if self._health is not None:
            self._health.remove()


def _moved(event: Event, at_s: float) -> Event:
    """The event at a later moment."""
    if isinstance(event, Message):
        return Message(at_s, event.topic, event.payload, event.retained)
    if isinstance(event, ClockStepped):
        return ClockStepped(at_s, event.step_s)
    return type(event)(at_s)
