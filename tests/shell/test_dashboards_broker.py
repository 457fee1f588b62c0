"""Dashboards on a real broker: over restarts of daemon, broker and hub, and after a death."""

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import orjson
import pytest

from bridge.core.engine import EngineState
from bridge.core.outputs import Output
from bridge.core.settings import Settings
from bridge.shell.broker_settings import Protocol
from bridge.shell.clock import EngineClock
from bridge.shell.config import Configuration
from bridge.shell.dashboards.bridge import DashboardBridge
from bridge.shell.dashboards.memory import Store
from bridge.shell.dashboards.settings import DashboardSettings
from bridge.shell.dashboards.setup import make_dashboards
from bridge.shell.history import History
from bridge.shell.storage_settings import StorageSettings
from tests.shell.test_dashboards import ALL, CONFIG, TANK, Box, alarm, permit, salinity
from tests.support.dashboards import HomieWatcher, check_config
from tests.support.listener import Heard, Listener
from tests.support.live import SETTINGS, broker_settings
from tests.support.mosquitto import Mosquitto

pytestmark = pytest.mark.broker
STATE, ROOT_STATE = f"{TANK}/$state", "homie/5/tidegate/$state"
PERMIT, FLAT_PERMIT = f"{TANK}/permits/top-off", "tidegate/reef/flat/permit-top-off"


class Filled:
    """A dashboard bridge with a daemon that the test plays."""

    def __init__(
        self,
        port: int,
        store: Store,
        dashboards: DashboardSettings = ALL,
        settings: Settings = SETTINGS,
        protocol: Protocol = Protocol.AUTO,
    ) -> None:
        self.ready = True
        self.commands: list[tuple[str, bytes]] = []
        self.clock = EngineClock()
        configuration = Configuration(
            tanks=settings.tanks,
            broker=broker_settings(port, keepalive_s=5, protocol=protocol),
            dashboards=dashboards,
        )
        bridge = make_dashboards(
            configuration,
            store=store,
            state=EngineState(),
            clock=self.clock,
            submit=lambda topic, payload: self.commands.append((topic, payload)),
            ready=lambda: self.ready,
        )
        assert bridge is not None
        self.bridge: DashboardBridge = bridge

    def tell(self, *outputs: Output) -> None:
        """What the engine said just now."""
        for output in outputs:
            self.bridge.observe(output._replace(at_s=self.clock.now_s()))  # type: ignore[union-attr]


@contextmanager
def filled(
    port: int,
    store: Store,
    dashboards: DashboardSettings = ALL,
    settings: Settings = SETTINGS,
    protocol: Protocol = Protocol.AUTO,
) -> Iterator[Filled]:
    """Run one for the length of the block."""
    made = Filled(port, store, dashboards, settings, protocol)
    made.bridge.start()
    try:
        yield made
    finally:
        made.bridge.close()


def until(condition: Callable[[], Any], timeout_s: float = 8.0) -> None:
    """Wait until something is true."""
    deadline = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < deadline
        time.sleep(0.02)


def held(port: int) -> dict[str, bytes]:
    """What the broker keeps: what a newcomer is told at once."""
    with Listener(port) as newcomer:
        newcomer.publish("test/end", b"x")
        newcomer.wait_for("test/end")
        return {each.topic: each.payload for each in newcomer.heard if each.retain}


def judge(heard: list[Heard]) -> HomieWatcher:
    """Everything that was heard, in order, by the rules of the conventions."""
    watcher = HomieWatcher()
    for each in heard:
        watcher.take(each.topic, each.payload)
        if each.topic.startswith("hub/device/") and each.payload:
            check_config(each.topic, each.payload)
    return watcher


@pytest.mark.parametrize("protocol", [Protocol.V5, Protocol.V311])
def test_a_life_from_start_to_end(broker: Mosquitto, protocol: Protocol) -> None:
    """init, description, values, ready; at the end the permit is held and the word disconnected."""
    with Listener(broker.port) as listener:
        with filled(broker.port, Box(), protocol=protocol) as daemon:
            daemon.tell(salinity(), permit("permit"), alarm("bubbles"))
            listener.wait_for(ROOT_STATE, b"ready")
            listener.wait_for(PERMIT, b"permit")
            listener.wait_for("tidegate/reef/flat/salinity", b"35.02")
            listener.wait_for(CONFIG)
        listener.wait_for(ROOT_STATE, b"disconnected")
        listener.wait_for(FLAT_PERMIT, b"hold")
        time.sleep(0.3)
        heard = list(listener.heard)

    watcher = judge(heard)
    assert watcher.held[STATE] == watcher.held[ROOT_STATE] == b"disconnected"
    assert watcher.held[PERMIT] == b"hold"
    assert listener.of(ROOT_STATE) == [b"init", b"ready", b"disconnected"]
    assert held(broker.port)[f"{TANK}/$alert/bubbles"]


def test_a_permit_ends_without_renewal_and_carries_its_expiry(broker: Mosquitto) -> None:
    """It falls back to hold by itself, and the broker would forget it, too."""
    with Listener(broker.port) as listener, filled(broker.port, Box()) as daemon:
        listener.wait_for(ROOT_STATE, b"ready")
        short = permit("permit")
        document = orjson.loads(short.payload) | {"lease_s": 2.0}
        daemon.tell(short._replace(payload=orjson.dumps(document)))
        given = listener.wait_for(PERMIT, b"permit")
        assert given.expiry_s in {1, 2}
        ended = listener.wait_for(PERMIT, b"hold", timeout_s=4.0)

        assert ended.at - given.at < 3.0


def test_a_daemon_that_is_not_ready_permits_nothing(broker: Mosquitto) -> None:
    """While the daemon holds for want of a connection, the devices are in init, with holds."""
    with Listener(broker.port) as listener, filled(broker.port, Box()) as daemon:
        daemon.tell(permit("permit"))
        listener.wait_for(PERMIT, b"permit")
        listener.wait_for(ROOT_STATE, b"ready")
        daemon.ready = False
        listener.wait_for(PERMIT, b"hold")
        listener.wait_for(ROOT_STATE, b"init")
        daemon.ready = True
        listener.wait_for(ROOT_STATE, b"ready")


def test_a_dead_process_is_said_to_be_lost(broker: Mosquitto) -> None:
    """The root device's will says it; the convention counts it for every tank."""
    with Listener(broker.port) as listener, filled(broker.port, Box()) as daemon:
        listener.wait_for(ROOT_STATE, b"ready")
        session = daemon.bridge._reconnector.session  # noqa: SLF001 - stands for a cut cable
        assert session is not None
        session._cut()  # noqa: SLF001
        listener.wait(lambda _: b"lost" in listener.of(ROOT_STATE))
        listener.wait_for(ROOT_STATE, b"ready")
        time.sleep(0.3)

        assert judge(list(listener.heard)).held[STATE] == b"ready"


def test_a_restarted_broker_is_told_everything_again(broker: Mosquitto) -> None:
    """A broker that forgot everything ends with the same messages as before."""
    with filled(broker.port, Box()) as daemon:
        daemon.tell(salinity(), permit("hold"), alarm("bubbles"))
        until(lambda: held(broker.port).get(ROOT_STATE) == b"ready")
        before = held(broker.port)
        broker.kill()
        time.sleep(0.5)
        broker.start()
        until(lambda: held(broker.port).get(ROOT_STATE) == b"ready", 15.0)

        assert held(broker.port) == before


def test_a_restarted_daemon_keeps_versions_and_takes_away_what_is_over(
    broker: Mosquitto,
) -> None:
    """The description is the same; an alarm that ended meanwhile is no alert any more."""
    box, description = Box(), f"{TANK}/$description"
    with Listener(broker.port) as listener, filled(broker.port, box) as daemon:
        daemon.tell(salinity(), alarm("bubbles"), alarm("drift"))
        listener.wait_for(f"{TANK}/$alert/bubbles")
        listener.wait_for(ROOT_STATE, b"ready")
    before = held(broker.port)
    with Listener(broker.port) as listener, filled(broker.port, box) as daemon:
        daemon.tell(salinity(), alarm("drift"))
        listener.wait_for(ROOT_STATE, b"ready")
        time.sleep(0.5)
    after = held(broker.port)

    assert after[description] == before[description]
    assert f"{TANK}/$alert/drift" in after
    assert before.keys() - after.keys() == {f"{TANK}/$alert/bubbles"}


@pytest.mark.parametrize(
    ("birth_topic", "birth"), [(None, "online"), ("elsewhere/hub", "here I am")]
)
def test_a_hub_that_starts_is_told_again(
    broker: Mosquitto, birth_topic: str | None, birth: str
) -> None:
    """The birth message brings the config topics once more, and only them."""
    dashboards = replace(ALL, hub_birth_topic=birth_topic, hub_birth_payload=birth)
    topic = birth_topic or "hub/status"
    with Listener(broker.port) as listener, filled(broker.port, Box(), dashboards):
        listener.wait_for(ROOT_STATE, b"ready")
        listener.publish(topic, b"something else")
        time.sleep(0.8)
        listener.forget()
        listener.publish(topic, birth.encode())
        check_config(CONFIG, listener.wait_for(CONFIG).payload)
        time.sleep(0.5)

        assert {each.topic for each in listener.heard} == {topic, CONFIG}


def test_entries_go_with_their_tank(broker: Mosquitto, tmp_path: Path) -> None:
    """A tank that was removed leaves nothing behind, in any form; the other stays."""
    storage = StorageSettings(path=str(tmp_path / "history.sqlite3"), batch_s=0.05)
    reef = SETTINGS.tanks["reef"]
    two = replace(SETTINGS, tanks={"reef": reef, "frag": reef})
    history = History(storage)
    with filled(broker.port, history, settings=two) as daemon:
        frag = salinity()._replace(topic="tidegate/frag/salinity")
        daemon.tell(salinity(), frag)
        until(lambda: held(broker.port).get(ROOT_STATE) == b"ready")
    assert "hub/device/tidegate-frag/config" in held(broker.port)
    history.close()
    history = History(storage)
    with filled(broker.port, history) as daemon:
        daemon.tell(salinity())
        until(lambda: held(broker.port).get(ROOT_STATE) == b"ready")
    history.close()
    left = held(broker.port)

    assert not [topic for topic in left if "frag" in topic]
    assert left[f"{TANK}/water/salinity"] == b"35.02"
    root = orjson.loads(left["homie/5/tidegate/$description"])
    assert root["children"] == ["tidegate-reef"]


def test_dashboards_that_are_switched_off_leave_nothing_behind(broker: Mosquitto) -> None:
    """The broker is as if they had never been on, and the connection ends."""
    box = Box()
    with filled(broker.port, box) as daemon:
        daemon.tell(salinity(), alarm("bubbles"), permit("permit"))
        until(lambda: held(broker.port).get(ROOT_STATE) == b"ready")
    assert box.content
    with filled(broker.port, box, DashboardSettings()) as daemon:
        until(lambda: not daemon.bridge._thread.is_alive())  # noqa: SLF001

    assert held(broker.port) == {}
    assert box.content == {}


def test_requests_reach_the_engine_and_kept_ones_do_not(broker: Mosquitto) -> None:
    """A live request becomes a command; a retained or senseless one becomes nothing."""
    topic = f"{TANK}/control/service/set"
    with Listener(broker.port) as listener:
        listener.publish(topic, b"active", retain=True)
        with filled(broker.port, Box()) as daemon:
            listener.wait_for(ROOT_STATE, b"ready")
            listener.publish(topic, b"idle", retain=True)
            listener.publish(topic, b"nonsense")
            listener.publish(f"{TANK}/control/reference-check/set", b"35.1", qos=2)
            until(lambda: daemon.commands)
            time.sleep(0.3)

    [(command_topic, payload)] = daemon.commands
    assert command_topic == "tidegate/reef/command/reference-check"
    assert orjson.loads(payload)["salinity"] == 35.1
