"""The broker connection keeps its promises against a real mosquitto."""

import socket
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from bridge.core.events import Message
from bridge.core.outputs import Publish
from bridge.shell.broker_settings import Protocol
from bridge.shell.link import LARGEST_PAYLOAD, Lifecycle, subscriptions_for
from bridge.shell.session import BrokerFilesError, Session, tls_context
from tests.shell.driven import Driven
from tests.support.fake_engine import ECHO_TOPIC, PERMIT_TOPIC
from tests.support.listener import Listener
from tests.support.live import broker_settings
from tests.support.mosquitto import Mosquitto

STATE = "tidegate/state"


def permit(payload: bytes, **changes: object) -> Publish:
    """A perishable message."""
    return Publish(
        time.time(),
        PERMIT_TOPIC,
        payload,
        expires_after_s=15.0,
        perishable=True,
        **changes,  # type: ignore[arg-type]
    )


@pytest.mark.broker
def test_first_connection_waits_for_the_broker(make_broker: Callable[..., Mosquitto]) -> None:
    """A broker that is not there yet raises nothing; the link comes up when the broker does."""
    broker = make_broker()
    driven = Driven(broker.port)
    driven.until(lambda: "cannot be reached" in driven.link.facts.reason)

    broker.start()

    driven.up()
    assert driven.link.close(within_s=2.0)


@pytest.mark.broker
def test_connection_uses_nodelay(broker: Mosquitto, monkeypatch: pytest.MonkeyPatch) -> None:
    """Small messages do not wait for Nagle's algorithm."""
    opened: list[socket.socket] = []
    original = Session._socket_opened  # noqa: SLF001 # the socket is nowhere else to be had

    def spy(self: Session, client: Client, userdata: object, sock: socket.socket) -> None:
        original(self, client, userdata, sock)
        opened.append(sock)

    monkeypatch.setattr(Session, "_socket_opened", spy)
    driven = Driven(broker.port)
    driven.up()

    assert opened[0].getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0
    driven.link.close(within_s=2.0)


@pytest.mark.broker
def test_permit_is_never_kept_while_offline(make_broker: Callable[..., Mosquitto]) -> None:
    """Of what is published while the broker is away, permits are dropped and the rest is kept."""
    broker = make_broker()
    driven = Driven(broker.port)
    driven.link.tend()
    driven.link.publish(permit(b"old"))
    for number in range(5):
        driven.link.publish(Publish(time.time(), ECHO_TOPIC, b"%d" % number))
    broker.start()
    with Listener(broker.port) as listener:
        driven.up()
        driven.until(lambda: listener.of(ECHO_TOPIC))

        assert listener.of(ECHO_TOPIC) == [b"4"], "only the newest of a topic is kept"
        assert listener.of(PERMIT_TOPIC) == []
    assert driven.counters.permits_withheld == 1
    assert driven.counters.outbox_dropped == 4
    driven.link.close(within_s=2.0)


@pytest.mark.broker
def test_unacknowledged_permit_is_not_sent_again(make_broker: Callable[..., Mosquitto]) -> None:
    """What a dying broker never acknowledged: permits are forgotten, other values sent again."""
    broker = make_broker()
    broker.start()
    driven = Driven(broker.port)
    driven.up()
    broker.freeze()
    driven.link.publish(permit(b"lost"))
    driven.link.publish(Publish(time.time(), ECHO_TOPIC, b"kept"))
    broker.kill()
    broker.start()
    with Listener(broker.port) as listener:
        driven.until(lambda: listener.of(ECHO_TOPIC) and driven.link.facts.up)

        assert listener.of(ECHO_TOPIC) == [b"kept"]
        assert listener.of(PERMIT_TOPIC) == []
    driven.link.close(within_s=2.0)


@pytest.mark.broker
def test_permit_expires_on_the_broker(broker: Mosquitto) -> None:
    """A permit carries its lease as MQTT 5 message expiry."""
    driven = Driven(broker.port)
    driven.up()
    with Listener(broker.port) as listener:
        driven.link.publish(permit(b"p"))
        driven.link.flush()

        assert listener.wait_for(PERMIT_TOPIC).expiry_s == 15
    driven.link.close(within_s=2.0)


@pytest.mark.broker
def test_will_and_greeting(broker: Mosquitto) -> None:
    """A lost connection leaves ``lost`` behind, retained; a new one says ``init`` at once."""
    driven = Driven(broker.port)
    driven.up()
    driven.link.announce(Lifecycle.READY)
    driven.link.flush()
    with Listener(broker.port) as listener:
        listener.wait_for(STATE, b"ready")
        driven.link._reconnector.session._cut()  # type: ignore[union-attr] # noqa: SLF001
        listener.wait_for(STATE, b"lost")
        driven.until(lambda: listener.of(STATE)[-1] == b"init")
    driven.link.close(within_s=2.0)


@pytest.mark.broker
@pytest.mark.parametrize("word", [b"lost", b"disconnected"])
def test_ready_is_said_again_when_contradicted(broker: Mosquitto, word: bytes) -> None:
    """An own will that overtakes the birth does not stay."""
    driven = Driven(broker.port)
    driven.up()
    driven.link.announce(Lifecycle.READY)
    driven.link.flush()
    with Listener(broker.port) as listener:
        listener.publish(STATE, word, retain=True)
        driven.until(lambda: listener.of(STATE)[-2:] == [word, b"ready"])
    driven.link.close(within_s=2.0)


@pytest.mark.broker
def test_retain_flags(broker: Mosquitto) -> None:
    """A stored value arrives as retained, a live one does not, and a retained command always."""
    with Listener(broker.port) as listener:
        listener.publish("home/stored", b"1", retain=True)
        driven = Driven(broker.port)
        driven.up()
        listener.publish("home/live", b"2", retain=True)
        listener.publish("tidegate/reef/command/bypass", b"{}", retain=True)
        driven.until(lambda: len(driven.messages) == 3)

    assert {each.topic: each.retained for each in driven.messages} == {
        "home/stored": True,
        "home/live": False,
        "tidegate/reef/command/bypass": True,
    }
    driven.link.close(within_s=2.0)


def test_only_commands_keep_the_senders_retain_flag() -> None:
    """Sensors that publish everything retained can still be alive; topics are taken once."""
    chosen = subscriptions_for(("home/p", "tidegate/reef/command/+", "home/p"), "tidegate")

    assert [(each.topic, each.keep_retain_flag) for each in chosen] == [
        ("home/p", False),
        ("tidegate/reef/command/+", True),
    ]


@pytest.mark.broker
def test_callback_error_does_not_kill_the_network(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """An error in a callback is counted and told, and the next message arrives."""
    driven = Driven(broker.port)
    driven.up()
    original = driven.inbox.put
    failures = iter([True])

    def put(message: Message) -> None:
        if next(failures, False):
            raise RuntimeError("a bug of ours")
        original(message)

    monkeypatch.setattr(driven.inbox, "put", put)
    with Listener(broker.port) as listener:
        listener.publish("home/x", b"1")
        listener.publish("home/x", b"2")
        driven.until(lambda: driven.messages)

    assert [each.payload for each in driven.messages] == [b"2"]
    assert driven.counters.callback_errors == 1
    assert "A network callback failed" in caplog.text
    driven.link.close(within_s=2.0)


@pytest.mark.broker
@pytest.mark.parametrize("part", ["loop_read", "loop_write", "loop_misc"])
def test_error_in_the_network_library_costs_one_connection(
    broker: Mosquitto, part: str, caplog: pytest.LogCaptureFixture
) -> None:
    """It is counted and told, a new connection is made, and the broker has said ``lost``."""
    driven = Driven(broker.port)
    driven.up()
    session = driven.link._reconnector.session  # noqa: SLF001
    assert session is not None

    def fail(*_: object) -> None:
        raise RuntimeError("a bug of theirs")

    with Listener(broker.port) as listener:
        setattr(session._client, part, fail)  # noqa: SLF001
        driven.until(lambda: not driven.link.facts.up)
        listener.wait_for(STATE, b"lost")
        driven.up()

    assert driven.link.facts.generation == 2
    assert driven.counters.callback_errors == 1
    assert "The network library failed" in caplog.text
    driven.link.close(within_s=2.0)


@pytest.mark.broker
@pytest.mark.soak
def test_link_that_nobody_drives_is_lost(broker: Mosquitto) -> None:
    """A decision loop that hangs gives no sign of life, so the broker publishes the will."""
    driven = Driven(broker.port, keepalive_s=5)
    driven.up()
    with Listener(broker.port) as listener:
        listener.wait_for(STATE, b"lost", 20.0)
    driven.link.close(within_s=2.0)


@pytest.mark.broker
def test_flood_is_read_in_parts(broker: Mosquitto, monkeypatch: pytest.MonkeyPatch) -> None:
    """While more keeps coming, the caller is let decide now and then, and knows that it is late."""
    monkeypatch.setattr("bridge.shell.link.SHORTEST_READ_S", 1e-6)
    driven = Driven(broker.port)
    driven.up()
    with Listener(broker.port) as listener:
        for number in range(100):
            listener.publish("home/x", b"%d" % number)
        outcomes = []
        deadline = time.monotonic() + 8.0
        while len(driven.messages) < 100 and time.monotonic() < deadline:
            outcomes.append(driven.link.exchange(0.02))
            driven.messages += driven.inbox.take(0.0)

    assert [each.payload for each in driven.messages] == [b"%d" % each for each in range(100)]
    assert False in outcomes
    assert driven.link.exchange(0.0) or driven.link.exchange(0.0)
    driven.link.close(within_s=2.0)


@pytest.mark.broker
def test_frozen_broker_counts_as_down(
    make_broker: Callable[..., Mosquitto], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A broker that keeps its socket and is silent is down long before TCP notices."""
    monkeypatch.setattr("bridge.shell.link.SILENCE_S", 1.0)
    monkeypatch.setattr("bridge.shell.link.HEARTBEAT_S", 0.2)
    broker = make_broker()
    broker.start()
    driven = Driven(broker.port)
    driven.up()
    broker.freeze()
    driven.until(lambda: not driven.link.facts.up, 3.0)
    assert "silent" in driven.link.facts.reason

    broker.thaw()

    driven.up()
    driven.link.close(within_s=2.0)


@pytest.mark.broker
def test_echo_that_never_comes_is_explained(make_broker: Callable[..., Mosquitto]) -> None:
    """A broker that takes everything and gives nothing back never counts as up."""
    directory_rules = "topic write #\n"
    broker = make_broker()
    rules = broker.log.with_name("rules.acl")
    rules.write_text(directory_rules, encoding="utf-8")
    broker = make_broker(extra=f"acl_file {rules}")
    broker.start()
    driven = Driven(broker.port)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("bridge.shell.link.SILENCE_S", 0.5)
        driven.until(lambda: "does not give them back" in driven.link.facts.reason)
    assert not driven.link.facts.up


@pytest.mark.loopback
def test_refused_subscription_is_down_with_its_reason() -> None:
    """A SUBACK that refuses a topic leaves the link down, and names topic and reason."""
    server = socket.create_server(("127.0.0.1", 0))
    port = server.getsockname()[1]

    def serve() -> None:
        connection, _ = server.accept()
        with connection:
            connection.recv(4096)
            connection.sendall(bytes([0x20, 3, 0, 0, 0]))  # CONNACK, MQTT 5, accepted
            received = b""
            while b"home/#" not in received:
                received += connection.recv(4096)
            start = received.index(0x82)
            mid = received[start + 2 : start + 4]
            codes = bytes([0, 0, 0x87, 0])  # state, heartbeat, home/# refused, command
            connection.sendall(bytes([0x90, 3 + len(codes)]) + mid + b"\0" + codes)
            released.wait(10.0)

    released = threading.Event()
    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    driven = Driven(port)
    driven.until(lambda: "refused the subscription" in driven.link.facts.reason)

    assert "home/# (not authorized)" in driven.link.facts.reason
    assert not driven.link.facts.up
    released.set()
    driven.link.close(within_s=0.2)
    thread.join(2.0)
    server.close()


@pytest.mark.broker
def test_wrong_password_is_told(make_broker: Callable[..., Mosquitto]) -> None:
    """A refused connection says why, and is tried again."""
    broker = make_broker(anonymous=False)
    broker.start()
    driven = Driven(broker.port, username="reef", password="wrong")  # noqa: S106

    driven.until(lambda: "not authorized" in driven.link.facts.reason)


@pytest.mark.broker
def test_password(make_broker: Callable[..., Mosquitto], tmp_path: Path) -> None:
    """User name and password open the door."""
    passwords = tmp_path / "passwords"
    subprocess.run(  # noqa: S603
        ["mosquitto_passwd", "-b", "-c", str(passwords), "reef", "salty"],  # noqa: S607
        check=True,
        capture_output=True,
    )
    passwords.chmod(0o644)
    broker = make_broker(anonymous=False, extra=f"password_file {passwords}")
    broker.start()
    driven = Driven(broker.port, username="reef", password="salty")  # noqa: S106

    driven.up()
    driven.link.close(within_s=2.0)


@pytest.mark.broker
def test_second_client_with_the_same_id_is_explained(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Being thrown out by a namesake says so, and does not become a fast fight."""
    monkeypatch.setattr("bridge.shell.reconnector.LONGEST_PAUSE_S", 2.0)
    driven = Driven(broker.port)
    driven.up()
    rival = Client(
        CallbackAPIVersion.VERSION2, client_id="tidegate", protocol=MQTTProtocolVersion.MQTTv5
    )
    rival.reconnect_delay_set(1, 1)
    rival.connect("127.0.0.1", broker.port)
    rival.loop_start()
    driven.until(lambda: "same client id" in driven.link.facts.reason, 15.0)
    connections = driven.counters.connections
    time.sleep(1.0)
    driven.link.tend()

    assert driven.counters.connections == connections
    rival.disconnect()
    rival.loop_stop()
    driven.up()
    driven.link.close(within_s=2.0)


@pytest.mark.broker
def test_huge_payload_is_cut(broker: Mosquitto) -> None:
    """A payload past the limit is cut to one byte more, so that it still shows as too large."""
    driven = Driven(broker.port)
    driven.up()
    with Listener(broker.port) as listener:
        listener.publish("home/x", b"7" * 1_000_000)
        driven.until(lambda: driven.messages)

    assert len(driven.messages[0].payload) == LARGEST_PAYLOAD + 1
    assert driven.counters.messages_cut == 1
    driven.link.close(within_s=2.0)


@pytest.mark.broker
def test_older_protocol_on_request(broker: Mosquitto) -> None:
    """MQTT 3.1.1 can be asked for."""
    driven = Driven(broker.port, protocol=Protocol.V311)
    driven.up()

    assert driven.link._reconnector.session.speaks_5 is False  # type: ignore[union-attr] # noqa: SLF001
    driven.link.close(within_s=2.0)


@pytest.mark.broker
def test_close_is_bounded_with_a_frozen_broker(broker: Mosquitto) -> None:
    """An acknowledgement that never comes does not hold up the shutdown."""
    driven = Driven(broker.port)
    driven.up()
    broker.freeze()
    driven.link.publish(permit(b"never acknowledged"))
    started = time.monotonic()

    settled = driven.link.close(within_s=1.0)

    assert not settled
    assert time.monotonic() - started < 3.0


def test_missing_certificate_is_the_keepers_to_mend() -> None:
    """A wrong path is one sentence with key, value and what is accepted."""
    with pytest.raises(BrokerFilesError, match=r"broker\.ca_file: /nowhere/ca\.pem.*PEM"):
        tls_context(broker_settings(1, tls=True, ca_file="/nowhere/ca.pem"))
