"""The demonstration's broker serves the loopback interface only, and leaves nothing behind."""

import socket

import pytest

from bridge.shell.broker_settings import Protocol
from bridge.shell.embedded_broker import MOSQUITTO, PURE_PYTHON, EmbeddedBroker
from tests.shell.driven import Driven
from tests.support.fake_engine import PERMIT_TOPIC, FakeEngine
from tests.support.listener import Listener
from tests.support.live import broker_settings, running

pytestmark = pytest.mark.broker


def is_open(address: str, port: int) -> bool:
    """Whether somebody listens there."""
    try:
        with socket.create_connection((address, port), 1.0):
            return True
    except OSError:
        return False


@pytest.mark.parametrize("kind", [MOSQUITTO, PURE_PYTHON])
def test_daemon_lives_on_it(kind: str) -> None:
    """Either broker carries the whole road, on the loopback interface only."""
    protocol = Protocol.V5 if kind == MOSQUITTO else Protocol.V311
    with EmbeddedBroker(kind) as broker:
        with (
            Listener(broker.port, version_5=kind == MOSQUITTO) as listener,
            running(FakeEngine(), broker_settings(broker.port, protocol=protocol)),
        ):
            listener.wait_for("tidegate/state", b"ready", 10.0)
            listener.wait_for(PERMIT_TOPIC)
            listener.publish("home/x", b"1")
            listener.wait_for("tidegate/reef/echo", b"1")
        # Another address of the same machine: open only to a broker that listens everywhere.
        assert is_open("127.0.0.1", broker.port)
        assert not is_open("127.0.0.2", broker.port)
    assert not is_open("127.0.0.1", broker.port)


def test_older_protocol_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """A broker that cannot read MQTT 5 is spoken to in 3.1.1, again after a loss."""
    monkeypatch.setattr("bridge.shell.reconnector.ANSWER_WITHIN_S", 1.0)
    with EmbeddedBroker(PURE_PYTHON) as broker:
        driven = Driven(broker.port)
        driven.up()
        driven.link._reconnector.session._cut()  # type: ignore[union-attr] # noqa: SLF001
        driven.until(lambda: driven.link.facts.generation == 2)
        driven.up()
        driven.link.close(within_s=2.0)


def test_nothing_is_left_behind_when_the_owner_dies() -> None:
    """Closing the pipe, as the operating system does for a killed owner, ends the broker."""
    with EmbeddedBroker(MOSQUITTO) as broker:
        process = broker._process  # noqa: SLF001
        assert process is not None
        assert process.stdin is not None
        process.stdin.close()
        process.wait(5.0)

        assert not is_open("127.0.0.1", broker.port)
