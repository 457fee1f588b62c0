"""The page's thread: its start, its stream, its end, and the daemon beside it."""

import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from http.client import HTTPConnection, HTTPResponse
from pathlib import Path
from typing import Any

import orjson
import pytest

from bridge.core.engine import Engine
from bridge.core.errors import UserError
from bridge.shell.clock import EngineClock
from bridge.shell.daemon import Daemon, Sinks
from bridge.shell.page.app import FRAGMENTS, MOST_LIVE
from bridge.shell.page.commands import CommandDesk
from bridge.shell.page.server import make_page, serve
from bridge.shell.page_settings import PageSettings
from tests.shell.page.conftest import free_port, served
from tests.support.listener import Listener
from tests.support.live import SETTINGS, broker_settings, running
from tests.support.mosquitto import Mosquitto
from tests.support.page import TANK, Told, loaded

MakeTold = Callable[..., Told]


def opened(home: str, path: str) -> tuple[HTTPConnection, HTTPResponse]:
    """A request that has been answered, at least with its head."""
    connection = HTTPConnection(home.removeprefix("http://"), timeout=10)
    connection.request("GET", path)
    return connection, connection.getresponse()


def told_by(response: HTTPResponse) -> Iterator[dict[str, Any]]:
    """The events of a stream."""
    while line := response.readline():
        if line.startswith(b"data: "):
            yield orjson.loads(line.removeprefix(b"data: "))


@pytest.mark.loopback
def test_a_stream_tells_what_changed(make_told: MakeTold) -> None:
    """A stream begins with every part and goes on with those that changed."""
    told = make_told(until_h=5.95)
    with served(told) as home:
        connection, response = opened(home, f"/tank/{TANK}/live")
        events = told_by(response)
        first = next(events)
        assert set(first["parts"]) == set(FRAGMENTS)
        assert response.headers["content-type"].startswith("text/event-stream")
        told.tell_until(told.now_s + 5.0)
        told.trouble = "the cable is out"
        second = next(events)
        connection.close()

    assert "the cable is out" in second["parts"]["alarms"]
    assert ">Held<" in second["parts"]["permits"]
    assert "work" not in second["parts"]


@pytest.mark.loopback
def test_watchers_are_limited(make_told: MakeTold) -> None:
    """Only so many browsers can hang on to a stream at a time; pages are still served."""
    told = make_told(until_h=0.02)
    with served(told) as home:
        held = [opened(home, f"/tank/{TANK}/live") for _ in range(MOST_LIVE)]
        for _, response in held:
            next(told_by(response))
        refused, page = opened(home, f"/tank/{TANK}/live"), opened(home, f"/tank/{TANK}")
        assert (refused[1].status, page[1].status) == (503, 200)
        for connection, _ in (*held, refused, page):
            connection.close()


@pytest.mark.loopback
def test_the_end_does_not_wait_for_browsers(make_told: MakeTold) -> None:
    """The page stops within two seconds although a browser hangs on to a stream."""
    told = make_told(until_h=0.02)
    with served(told) as home:
        connection, response = opened(home, f"/tank/{TANK}/live")
        next(told_by(response))
        started = time.monotonic()
    assert time.monotonic() - started < 2.5
    connection.close()


@pytest.mark.loopback
def test_a_taken_address_is_explained(make_told: MakeTold) -> None:
    """An address that cannot be used is named, with what to do."""
    told = make_told(until_h=0.02)
    with served(told) as home:
        settings = PageSettings(enabled=True, port=int(home.rpartition(":")[2]))
        with pytest.raises(UserError, match=r"127\.0\.0\.1:\d+ cannot be used: .*another"):
            serve(told.page, settings)


def test_missing_libraries_are_explained(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A page that was asked for but cannot be made says what to install."""
    monkeypatch.setitem(sys.modules, "uvicorn", None)

    with pytest.raises(UserError, match=r'pip install "tidegate\[page\]"'):
        make_page(
            loaded(SETTINGS, tmp_path),
            now_s=time.time,
            submit=lambda *_: None,
            trouble=lambda: None,
        )


def test_answers_of_others_are_passed_over() -> None:
    """Answers to commands that came over the broker change nothing here."""
    sent: list[tuple[str, bytes]] = []

    def submit(topic: str, payload: bytes) -> None:
        sent.append((topic, payload))
        desk.take(b'{"id":"of somebody else","ok":true}')
        desk.take(b'{"id":null,"ok":false,"error":"not JSON"}')
        own = orjson.loads(payload)["id"]
        desk.take(orjson.dumps({"id": own, "ok": True}))
        desk.take(orjson.dumps({"id": own, "ok": False, "error": "twice"}))

    desk = CommandDesk("base", secret="the secret", submit=submit)  # noqa: S106 - no secret
    number, answer = desk.give("reef", "service", {"phase": "start"})

    assert answer.ok
    assert sent[0][0] == "base/reef/command/service"
    assert orjson.loads(sent[0][1])["secret"] == "the secret"  # noqa: S105
    assert desk.answer("reef", number) is answer
    assert desk.answer("pond", number) is None


def test_taking_in_outputs_costs_next_to_nothing(looked_at: Told) -> None:
    """The decision loop spends well under 20 us for each output that the page is shown."""
    again = looked_at.another_page()
    samples = looked_at.page.snapshot.samples(TANK, 0, 1e11)
    outputs = [*looked_at.page.snapshot.events(TANK)] * 100
    assert samples
    assert outputs
    started = time.process_time()
    for output in outputs:
        again.observe(output)

    assert (time.process_time() - started) / len(outputs) < 20e-6


@pytest.mark.broker
def test_the_page_gives_commands_beside_the_broker(broker: Mosquitto, tmp_path: Path) -> None:
    """With the real daemon, a command from the page is carried out, and its result published."""
    clock = EngineClock()
    settings = PageSettings(enabled=True, port=free_port())
    configuration = loaded(SETTINGS, tmp_path, settings)
    daemons: list[Daemon] = []
    page = make_page(
        configuration,
        now_s=clock.now_s,
        submit=lambda topic, payload: daemons[0].submit(topic, payload),  # noqa: PLW0108
        trouble=lambda: daemons[0].trouble if daemons else "not yet started",
    )
    engine = Engine(replace(SETTINGS), boot_id="0badcafe", at_s=clock.now_s())
    with (
        Listener(broker.port) as listener,
        running(
            engine,
            broker_settings(broker.port),
            sinks=Sinks(watchers=(page.observe,)),
            clock=clock,
        ) as started,
    ):
        daemons.append(started.daemon)
        listener.wait_for("tidegate/state", b"ready")
        assert started.daemon.trouble is None
        _, answer = page.desk.give("reef", "service", {"phase": "start", "minutes": 5})
        assert answer.ok
        heard = listener.wait(
            lambda all_heard: [each for each in all_heard if each.topic.endswith("result/service")]
        )
        assert orjson.loads(heard[0].payload)["id"] == answer.document["id"]
        service = page.snapshot.tank("reef").service
        assert service is not None
        assert service["phase"] == "active"
