"""Which MQTT version the next connection speaks, and when it is tried."""

from dataclasses import dataclass
from typing import cast

import pytest
from paho.mqtt.enums import MQTTProtocolVersion

from bridge.shell.broker_settings import Protocol
from bridge.shell.reconnector import (
    ANSWER_WITHIN_S,
    LONGEST_PAUSE_S,
    SHORT_LIFE_S,
    SILENT_REFUSALS,
    Reconnector,
)
from bridge.shell.session import Phase, Session

V5, V311 = MQTTProtocolVersion.MQTTv5, MQTTProtocolVersion.MQTTv311


@dataclass
class FakeSession:
    """A connection that does what the test says."""

    protocol: MQTTProtocolVersion
    phase: Phase = Phase.CONNECTING
    reason: str = "connecting"
    client_id: str = "tidegate"
    was_connected: bool = False
    opened_at: float | None = None
    connected_at: float = 0.0
    refused_protocol: bool = False
    hung_up_in_silence: bool = False
    taken_over: bool = False
    thread_lives: bool = True

    @property
    def speaks_5(self) -> bool:
        """As the real one."""
        return self.protocol == V5

    @property
    def usable(self) -> bool:
        """As the real one."""
        return self.phase is Phase.CONNECTED

    def start(self) -> None:
        """Nothing to do."""

    def join(self, timeout_s: float) -> bool:
        """Nothing to wait for."""
        return timeout_s > 0

    def end(self, *, with_will: bool) -> None:
        """Ended, either way."""
        assert with_will in (True, False)
        self.phase = Phase.ENDED


class Bench:
    """A reconnector with a clock that the test moves."""

    def __init__(self, protocol: Protocol = Protocol.AUTO) -> None:
        self.now = 100.0
        self.made: list[FakeSession] = []
        self.reconnector = Reconnector(
            self._make, protocol, name="Broker", monotonic=lambda: self.now
        )
        self.reconnector.tend()

    def _make(self, protocol: MQTTProtocolVersion) -> Session:
        self.made.append(FakeSession(protocol))
        return cast("Session", self.made[-1])

    @property
    def newest(self) -> FakeSession:
        """The connection made last."""
        return self.made[-1]

    def wait(self, seconds: float) -> None:
        """Let time pass, with a look every tenth of a second."""
        for _ in range(round(seconds * 10)):
            self.now += 0.1
            self.reconnector.tend()

    def connect(self) -> None:
        """The broker accepts."""
        session = self.newest
        session.phase, session.was_connected = Phase.CONNECTED, True
        session.connected_at = self.now

    def lose(self) -> None:
        """The connection is lost."""
        self.newest.phase = Phase.ENDED
        self.wait(LONGEST_PAUSE_S + 0.2)


def test_thaw_during_an_attempt_in_3_1_1_lasts_one_connection_only() -> None:
    """A frozen broker is tried in both versions; whichever it thawed at, the next starts with 5."""
    bench = Bench()
    bench.newest.opened_at = bench.now
    bench.wait(ANSWER_WITHIN_S + LONGEST_PAUSE_S)
    assert [each.protocol for each in bench.made] == [V5, V311]

    bench.connect()
    bench.wait(SHORT_LIFE_S + 1.0)
    assert len(bench.made) == 2
    bench.lose()

    assert [each.protocol for each in bench.made] == [V5, V311, V5]


def test_broker_that_speaks_3_1_1_is_asked_again_at_once_and_after_every_loss() -> None:
    """A refusal of the version costs no pause, and is asked for anew on each reconnect."""
    bench = Bench()
    for _ in range(2):
        assert bench.newest.protocol == V5
        bench.newest.refused_protocol = True
        bench.newest.phase = Phase.ENDED
        bench.wait(0.1)
        assert bench.newest.protocol == V311
        bench.connect()
        bench.wait(SHORT_LIFE_S + 1.0)
        bench.lose()

    assert bench.newest.protocol == V5


def test_silent_hang_ups_change_the_version_back_and_forth() -> None:
    """A broker that hangs up without a word may mean either version."""
    bench = Bench()
    for _ in range(4 * SILENT_REFUSALS - 1):
        bench.newest.hung_up_in_silence = True
        bench.newest.phase = Phase.ENDED
        bench.wait(LONGEST_PAUSE_S + 0.2)

    spoken = [each.protocol for each in bench.made]
    assert spoken == 2 * ([V5] * SILENT_REFUSALS + [V311] * SILENT_REFUSALS)


@pytest.mark.parametrize(("configured", "version"), [(Protocol.V5, V5), (Protocol.V311, V311)])
def test_version_that_was_asked_for_is_kept(
    configured: Protocol, version: MQTTProtocolVersion
) -> None:
    """Nothing is tried that the keeper has ruled out."""
    bench = Bench(configured)
    for _ in range(5):
        bench.newest.refused_protocol = True
        bench.newest.phase = Phase.ENDED
        bench.wait(LONGEST_PAUSE_S + 0.2)

    assert {each.protocol for each in bench.made} == {version}
