"""Connections whose only purpose is to die with the decision loop.

The link's own will covers a process that is killed and a machine that vanishes. It does not cover
a decision loop that hangs while paho's network thread keeps answering the broker. So the daemon
holds further connections and feeds them from the decision loop; when the food stops coming, they
leave in the way that makes the broker publish their wills (MQTT 5: DISCONNECT 0x04; MQTT 3.1.1: the
socket is dropped).

MQTT knows one will per connection, so there is:
- one guard whose will sets the life-cycle topic to ``lost``. A permit is valid only while that
  topic says ``ready``, so this alone closes every gate that follows the contract, whatever the
  number of tanks;
- for the first `MOST_PERMIT_GUARDS` permits (a household has a few), one guard each, whose will is
  a retained ``hold`` on the permit's own topic, for gates that look at nothing else.

What remains is the lease itself, which needs nobody's help to run out.

A permit is issued only while every guard stands: `Guard.facts` is part of what the decision loop
calls "the link is up".
"""

import logging
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import orjson
from paho.mqtt.enums import MQTTProtocolVersion

from bridge.shell.broker_settings import BrokerSettings
from bridge.shell.counters import Counters
from bridge.shell.link import Lifecycle, LinkFacts, state_topic
from bridge.shell.reconnector import Reconnector
from bridge.shell.session import Session, Will, tls_context

log = logging.getLogger(__name__)

MOST_PERMIT_GUARDS: Final = 8
KEEPALIVE_S: Final = 5
"""A frozen process is declared dead by the broker after one and a half of these."""

ALLOWED_STALL_S: Final = 4.0
"""Longer than any pass of the loop that was measured, and far below the shortest lease."""

LOOK_S: Final = 0.2


@dataclass(frozen=True, slots=True)
class GuardedPermit:
    """A permit topic and the lease it is issued with."""

    topic: str
    lease_s: float


def hold_document(permit: GuardedPermit, *, boot_id: str, at_s: float) -> bytes:
    """The hold that the broker publishes for a dead daemon.

    Its ``boot_id`` is not the daemon's: sequence numbers start anew with each boot id, so this
    one, composed long before, is not mistaken for an outdated message of the dead daemon.

    Args:
        permit: What to hold.
        boot_id: The daemon's.
        at_s: When the guard was connected; the moment of death is not known in advance. [Unix s]
    """
    stamp = datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds")
    stamp = stamp.replace("+00:00", "Z")
    return orjson.dumps(
        {
            "time": stamp,
            "boot_id": f"{boot_id}-guard",
            "seq": 0,
            "state": "hold",
            "lease_s": permit.lease_s,
            "reasons": ["lost"],
            "first_reason": "lost",
            "since": stamp,
            "bypass_until": None,
        }
    )


class Guard:
    """The guard connections and the thread that watches over the decision loop.

    Args:
        settings: How to reach the broker.
        base_topic: For the life-cycle topic.
        permits: In order of importance; the first `MOST_PERMIT_GUARDS` get a guard of their own.
        boot_id: The daemon's.
        now_s: Engine time, for the stamp in the holds.
        counters: Where trips are counted.
        on_change: Called when `facts` may have changed; from the guard's threads.
        allowed_stall_s: How long the decision loop may leave it unfed. [s]
        monotonic: Replaceable for tests.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        *,
        base_topic: str,
        permits: Sequence[GuardedPermit],
        boot_id: str,
        now_s: Callable[[], float],
        counters: Counters,
        on_change: Callable[[], None],
        allowed_stall_s: float = ALLOWED_STALL_S,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._settings = settings
        self._counters = counters
        self._on_change = on_change
        self._allowed_stall_s = allowed_stall_s
        self._monotonic = monotonic
        self._context = tls_context(settings)
        self._fed_at = monotonic()
        self._closing = False
        self._tripped = False
        self._trip_reason: str | None = None
        self._facts = LinkFacts(up=False, generation=0, reason="the guard is not connected yet")
        self._standing: tuple[Session, ...] = ()
        self._look = threading.Event()
        self._thread = threading.Thread(target=self._watch, name="tidegate-guard", daemon=True)

        def lost(_now: float) -> Will:
            return Will(state_topic(base_topic), Lifecycle.LOST.encode())

        def hold(permit: GuardedPermit) -> Callable[[float], Will]:
            return lambda at_s: Will(
                permit.topic, hold_document(permit, boot_id=boot_id, at_s=at_s)
            )

        wills = [lost, *(hold(permit) for permit in permits[:MOST_PERMIT_GUARDS])]
        self._reconnectors = [
            Reconnector(
                self._maker(number, will, now_s),
                settings.protocol,
                name="Guard connection",
                monotonic=monotonic,
            )
            for number, will in enumerate(wills)
        ]

    @property
    def facts(self) -> LinkFacts:
        """Whether every guard stands."""
        return self._facts

    def start(self) -> None:
        """Connect, and begin to watch."""
        self._fed_at = self._monotonic()
        self._thread.start()

    def feed(self) -> None:
        """The decision loop has finished a pass."""
        self._fed_at = self._monotonic()

    def trip(self, reason: str) -> None:
        """Publish every will now; the guards come back when the loop goes on."""
        self._trip_reason = reason
        self._set_down(f"the guard tripped: {reason}")
        self._look.set()

    def close(self, *, with_will: bool, within_s: float) -> None:
        """Stop watching and end the connections."""
        self._closing = True
        self._look.set()
        if self._thread.is_alive():
            self._thread.join(within_s)
        sessions = [each.session for each in self._reconnectors if each.session is not None]
        for session in sessions:
            session.end(with_will=with_will)
        deadline = self._monotonic() + within_s
        for session in sessions:
            session.join(max(0.05, deadline - self._monotonic()))
        self._standing = ()
        for reconnector in self._reconnectors:
            reconnector.forget()

    def _maker(
        self, number: int, will: Callable[[float], Will], now_s: Callable[[], float]
    ) -> Callable[[MQTTProtocolVersion], Session]:
        suffix = "guard" if number == 0 else f"guard-{number}"

        def make(protocol: MQTTProtocolVersion) -> Session:
            return Session(
                self._settings,
                client_id=f"{self._settings.client_id}-{suffix}",
                protocol=protocol,
                keepalive_s=KEEPALIVE_S,
                will=will(now_s()),
                counters=self._counters,
                on_change=self._look.set,
                context=self._context,
                monotonic=self._monotonic,
            )

        return make

    def _watch(self) -> None:
        while not self._closing:
            try:
                self._watch_once()
            except Exception:
                # Without a watching thread nothing is guarded: no permit may rest on it.
                log.exception("The guard failed; permits are held.")
                self._set_down("the guard failed")
            self._look.wait(LOOK_S)
            self._look.clear()

    def _watch_once(self) -> None:
        stalled_s = self._monotonic() - self._fed_at
        reason, self._trip_reason = self._trip_reason, None
        if reason is None and stalled_s > self._allowed_stall_s:
            reason = f"the decision loop stood still for {stalled_s:.1f} s"
            if self._tripped:
                return
        if reason is not None:
            # Down first: no permit may go out between the wills and the news of them.
            self._set_down(f"the guard tripped: {reason}")
            self._leave_with_wills(reason)
            self._tripped = True
        else:
            self._tripped = False
            for reconnector in self._reconnectors:
                reconnector.tend()
        self._renew_facts()

    def _set_down(self, reason: str) -> None:
        self._facts = LinkFacts(up=False, generation=self._facts.generation, reason=reason)
        self._on_change()

    def _leave_with_wills(self, reason: str) -> None:
        self._counters.guard_trips += 1
        log.error("The guard trips: %s.", reason)
        for reconnector in self._reconnectors:
            if reconnector.session is not None:
                reconnector.session.end(with_will=True)
        for reconnector in self._reconnectors:
            reconnector.drop(f"the guard tripped: {reason}", with_will=True)

    def _renew_facts(self) -> None:
        sessions = tuple(each.session for each in self._reconnectors)
        standing = tuple(each for each in sessions if each is not None and each.usable)
        old = self._facts
        if self._trip_reason is not None:
            return
        if len(standing) == len(sessions):
            new = standing != self._standing
            self._standing = standing
            generation = old.generation + new
            self._facts = LinkFacts(up=True, generation=generation, reason="connected")
        else:
            reason = next(
                each.reason
                for each in self._reconnectors
                if each.session is None or not each.session.usable
            )
            self._facts = LinkFacts(up=False, generation=old.generation, reason=reason)
        if self._facts != old:
            self._on_change()
