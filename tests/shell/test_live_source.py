"""Live values for a walk-through, against a real broker with an invented daemon behind it."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace

import orjson
import pytest

from bridge.core.commissioning import Reading, Switch
from bridge.core.settings import Equipment, EquipmentKind
from bridge.core.wire.instants import iso_utc
from bridge.shell import live_source
from bridge.shell.broker_settings import BrokerSettings
from bridge.shell.live_source import BrokerSource, LiveSourceError
from tests.support.listener import Listener
from tests.support.live import SETTINGS, broker_settings
from tests.support.mosquitto import Mosquitto, free_port

TANK = replace(
    SETTINGS.tanks["reef"],
    equipment={"light": Equipment(topic="home/light", kind=EquipmentKind.LIGHT)},
)
WITH_LIGHT = replace(SETTINGS, tanks={"reef": TANK}, command_secret="kelp-and-brine")  # noqa: S106
SALINITY = "tidegate/reef/salinity"


def document(at_s: float, salinity: float | None) -> bytes:
    """What the daemon publishes, as far as it matters here."""
    return orjson.dumps(
        {
            "time": iso_utc(at_s),
            "probe_salinity": salinity,
            "temperature": 25.4,
            "reported": 53.1,
        }
    )


@contextmanager
def connected(port: int) -> Iterator[BrokerSource]:
    """A source for the length of the block."""
    source = BrokerSource(WITH_LIGHT, broker_settings(port), "reef", interval_s=0.2)
    try:
        yield source
    finally:
        source.close()


@pytest.mark.broker
def test_readings_and_switchings_arrive_in_order(broker: Mosquitto) -> None:
    """New readings count; a kept one and an unknown salinity do not."""
    with Listener(broker.port) as listener:
        listener.publish(SALINITY, document(1000.0, 30.0), retain=True)
        with connected(broker.port) as source:
            listener.publish("home/light", b"on")
            listener.publish(SALINITY, document(1010.0, None))
            listener.publish(SALINITY, document(1020.0, 35.0))
            listener.publish("home/light", b"off")
            listener.publish(SALINITY, document(1030.0, 35.1))

            updates = source.gather(2)

    assert [type(update) for update in updates] == [Switch, Reading, Switch, Reading]
    readings = [update for update in updates if isinstance(update, Reading)]
    assert [(r.at_s, r.salinity_psu, r.temperature_c, r.reported) for r in readings] == [
        (1020.0, 35.0, 25.4, 53.1),
        (1030.0, 35.1, 25.4, 53.1),
    ]


@pytest.mark.broker
def test_a_command_is_sent_with_the_secret_and_its_own_answer_is_taken(broker: Mosquitto) -> None:
    """Another's answer on the same topic is not mistaken for ours."""
    with Listener(broker.port) as listener, connected(broker.port) as source:

        def daemon() -> None:
            command = orjson.loads(listener.wait_for("tidegate/reef/command/fit").payload)
            answer = {"ok": True, "secret_seen": command["secret"]}
            for command_id in ("somebody-else", command["id"]):
                listener.publish(
                    "tidegate/reef/result/fit", orjson.dumps({"id": command_id, **answer})
                )

        helper = threading.Thread(target=daemon)
        # Only a command heard from now on is answered.
        helper.start()
        answer = source.send("fit", {})
        helper.join(5.0)

    assert answer["ok"] is True
    assert answer["secret_seen"] == WITH_LIGHT.command_secret
    assert answer["id"] != "somebody-else"


@pytest.mark.broker
def test_a_daemon_that_does_not_answer_is_said(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Waiting has an end, and the sentence says what to look at."""
    monkeypatch.setattr(live_source, "ANSWER_S", 0.6)
    with connected(broker.port) as source:
        assert "is it running?" in source.send("fit", {})["error"]


@pytest.mark.broker
def test_a_silent_probe_is_said(broker: Mosquitto, monkeypatch: pytest.MonkeyPatch) -> None:
    """No reading for long ends the wait with a sentence."""
    monkeypatch.setattr(live_source, "LONGEST_SILENCE_S", 0.6)
    with (
        connected(broker.port) as source,
        pytest.raises(LiveSourceError, match="does the probe send"),
    ):
        source.gather(1)


@pytest.mark.broker
def test_a_switching_is_waited_for(broker: Mosquitto) -> None:
    """After the keeper switched, the device's own word is looked for."""
    with Listener(broker.port) as listener, connected(broker.port) as source:
        listener.publish("home/light", b"on")

        updates = source.operated("light", on=True)

    assert [(u.device, u.on) for u in updates if isinstance(u, Switch)] == [("light", True)]


@pytest.mark.loopback
def test_no_broker_is_said_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where nothing listens, the keeper is sent to the configuration."""
    monkeypatch.setattr(live_source, "CONNECT_S", 1.0)

    with pytest.raises(LiveSourceError, match="check \\[broker\\]"):
        BrokerSource(WITH_LIGHT, BrokerSettings(host="127.0.0.1", port=free_port()), "reef")
