"""Keeps one connection alive: the next session after the last, slower each time it fails.

In ``auto``, MQTT 5 is tried first. A broker that says it does not speak it, twice closes the
connection before answering, or does not answer at all (some misread the newer greeting and wait
for more of it) is spoken to in 3.1.1. Every new connection after a good one starts
with 5 again, because without it permits have no expiry on the broker.
"""

import logging
import time
from collections.abc import Callable
from typing import Final

from paho.mqtt.enums import MQTTProtocolVersion

from bridge.shell.broker_settings import Protocol
from bridge.shell.session import Phase, Session

log = logging.getLogger(__name__)

FIRST_PAUSE_S: Final = 0.25
LONGEST_PAUSE_S: Final = 5.0
SHORT_LIFE_S: Final = 15.0
SHORT_LIVES: Final = 3
"""After so many connections in a row that were accepted and lost again soon, slow down. Two
programs with the same client id throw each other out like this, and not every broker says so."""

ANSWER_WITHIN_S: Final = 4.0
"""Longer than any broker was seen to take, even on a busy single-board computer."""

NAMESAKE: Final = (
    "another program may be connecting with the same client id, {}; every program needs its own"
)

SILENT_REFUSALS: Final = 2
"""So often may a broker hang up without a word before the other version is tried."""


class Reconnector:
    """Owns the current session; driven by whoever calls `tend` often.

    Args:
        make: Makes a session for a protocol version; not yet started.
        protocol: As configured.
        on_end: Told of every session that ended, before the next is made.
        monotonic: Replaceable for tests.
    """

    def __init__(
        self,
        make: Callable[[MQTTProtocolVersion], Session],
        protocol: Protocol,
        *,
        name: str,
        on_end: Callable[[Session], None] = lambda _session: None,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._make = make
        self._configured = protocol
        self._name = name
        self._on_end = on_end
        self._monotonic = monotonic
        self._protocol = (
            MQTTProtocolVersion.MQTTv311
            if protocol is Protocol.V311
            else MQTTProtocolVersion.MQTTv5
        )
        self._silent_refusals = 0
        self._short_lives = 0
        self._pause_s = FIRST_PAUSE_S
        self._next_at = 0.0
        self._told = ""
        self._reason = "not connected yet"
        self.session: Session | None = None

    @property
    def reason(self) -> str:
        """Why the connection is as it is, for the keeper."""
        return self.session.reason if self.session is not None else self._reason

    def tend(self) -> None:
        """Notice an ended session, and start the next when its time has come."""
        now = self._monotonic()
        session = self.session
        if session is not None:
            if self._is_unanswered(session, now):
                session.hung_up_in_silence = True
                # Once is enough: this one costs seconds each time.
                self._silent_refusals = SILENT_REFUSALS
                self.drop("the broker accepts the connection and does not answer", with_will=False)
                return
            if session.phase is not Phase.ENDED and session.thread_lives:
                if session.usable and now - session.connected_at > SHORT_LIFE_S:
                    self._pause_s = FIRST_PAUSE_S
                    self._short_lives = 0
                    self._told = ""
                return
            if session.phase is not Phase.ENDED:
                self._reason = "the network thread stopped"
            else:
                self._reason = session.reason
            self._learn(session, now)
        if now >= self._next_at:
            self.session = self._make(self._protocol)
            self.session.start()

    @staticmethod
    def _is_unanswered(session: Session, now: float) -> bool:
        return (
            session.phase is Phase.CONNECTING
            and session.opened_at is not None
            and now - session.opened_at > ANSWER_WITHIN_S
        )

    def drop(self, reason: str, *, with_will: bool) -> None:
        """End the current session; `tend` makes the next."""
        session = self.session
        if session is None:
            return
        session.end(with_will=with_will)
        session.join(0.2)
        self._reason = reason
        self._learn(session, self._monotonic())

    def forget(self) -> None:
        """Let go of a session that was ended for good."""
        self.session = None

    def _learn(self, session: Session, now: float) -> None:
        self.session = None
        session.join(0.05)
        self._on_end(session)
        if session.was_connected and now - session.connected_at <= SHORT_LIFE_S:
            self._short_lives += 1
        fight = session.taken_over or self._short_lives >= SHORT_LIVES
        if fight and not session.taken_over:
            self._reason += f"; {NAMESAKE.format(session.client_id)}"
        if self._reason != self._told:
            log.warning("%s: %s.", self._name, self._reason)
            self._told = self._reason
        at_once = False
        if session.was_connected:
            self._silent_refusals = 0
            if self._configured is Protocol.AUTO:
                self._protocol = MQTTProtocolVersion.MQTTv5
        elif self._configured is Protocol.AUTO:
            at_once = self._change_protocol(session)
        pause_s = LONGEST_PAUSE_S if fight else self._pause_s
        self._next_at = now if at_once else now + pause_s
        if not at_once:
            self._pause_s = min(LONGEST_PAUSE_S, self._pause_s * 2)

    def _change_protocol(self, session: Session) -> bool:
        """Whether the other version is to be tried at once."""
        if session.refused_protocol and session.speaks_5:
            self._protocol = MQTTProtocolVersion.MQTTv311
            self._silent_refusals = 0
            return True
        if session.hung_up_in_silence:
            self._silent_refusals += 1
            if self._silent_refusals >= SILENT_REFUSALS:
                self._silent_refusals = 0
                self._protocol = (
                    MQTTProtocolVersion.MQTTv311 if session.speaks_5 else MQTTProtocolVersion.MQTTv5
                )
        return False
