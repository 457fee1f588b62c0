"""``tidegate demo``: an invented tank, a real broker, the real daemon, and what comes of it."""

import argparse
import logging
import queue
import secrets
import sys
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

import numpy as np
from rich.console import Console
from rich.live import Live

from bridge.core.engine import Engine
from bridge.core.errors import UserError
from bridge.shell.assembly import assemble
from bridge.shell.broker_settings import BrokerSettings, Protocol
from bridge.shell.config import Configuration, Loaded
from bridge.shell.daemon import Daemon, Sinks
from bridge.shell.demo_view import INVENTED, Picture, plain_line, screen
from bridge.shell.embedded_broker import PURE_PYTHON, EmbeddedBroker
from bridge.shell.history import History
from bridge.shell.page_settings import PageSettings
from bridge.shell.signals import stopping
from bridge.shell.storage_settings import StorageSettings
from bridge.shell.story_player import StoryClock, StoryPlayer, payload_of
from bridge.simulation.scenario import TANK_ID
from bridge.simulation.story import SPEED, Story, tell

FRAMES_PER_S: Final = 8
PLAIN_EVERY_S: Final = 1800.0
"""Story time between two lines where there is no terminal to draw on."""

READY_WITHIN_S: Final = 15.0
HISTORY_EVERY_S: Final = 0.5
PAGE_PORT: Final = PageSettings().port
LAST_PORT: Final = 65_535


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 (argparse keeps the type to itself)
    """Declare the subcommand."""
    parser = subparsers.add_parser(
        "demo",
        help="see it work on an invented tank",
        description="Start a broker on this machine only, a simulated tank that publishes through "
        "it in fast motion, and the daemon; show what it makes of the readings. The data is "
        "invented. It ends by itself; Ctrl-C ends it sooner.",
    )
    parser.add_argument(
        "--speed",
        type=float,
        default=SPEED,
        metavar="N",
        help="seconds of the story told in one second (default: %(default)g)",
    )
    parser.add_argument(
        "--page",
        nargs="?",
        type=int,
        const=PAGE_PORT,
        metavar="PORT",
        help="show it on the page for a browser, too, as long as the story lasts; 60 is a good "
        f"speed for that (port when left out: {PAGE_PORT})",
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Tell the story.

    Raises:
        UserError: There is no broker to start, or the speed makes no sense.
    """
    if not 1.0 <= arguments.speed <= SPEED * 4:
        raise UserError(f"--speed is {arguments.speed:g}; 1 to {SPEED * 4:g} is accepted.")
    logging.basicConfig(level=logging.ERROR, format="%(message)s")
    if arguments.page is not None and not 1 <= arguments.page <= LAST_PORT:
        raise UserError(f"--page is {arguments.page}; a port from 1 to {LAST_PORT} is accepted.")
    story = tell(arguments.speed)
    stop = threading.Event()
    with stopping(stop.set), ExitStack() as stack:
        broker = stack.enter_context(EmbeddedBroker())
        return _tell(story, broker, stop, stack, arguments.page)


def _tell(
    story: Story,
    embedded: EmbeddedBroker,
    stop: threading.Event,
    stack: ExitStack,
    page_port: int | None,
) -> int:
    settings = story.scenario.settings()
    broker = BrokerSettings(
        host="127.0.0.1",
        port=embedded.port,
        protocol=Protocol.V311 if embedded.kind == PURE_PYTHON else Protocol.V5,
    )
    clock = StoryClock(start_s=story.scenario.start_s, speed=story.speed)
    boot_id = secrets.token_hex(4)
    sinks, address = Sinks(), ""
    if page_port is not None:
        sinks, address = _show_page(story, clock, broker, page_port, stack, lambda: daemon)
    daemon = assemble(
        Engine(settings, boot_id=boot_id, at_s=clock.now_s()),
        settings=settings,
        broker=broker,
        boot_id=boot_id,
        clock=clock,
        sinks=sinks,
    )
    heard: queue.SimpleQueue[tuple[str, bytes]] = queue.SimpleQueue()
    player = StoryPlayer(
        story,
        clock=clock,
        broker=broker,
        listen_to=(
            f"{settings.base_topic}/state",
            f"{settings.base_topic}/{TANK_ID}/salinity",
            f"{settings.base_topic}/{TANK_ID}/diagnosis",
            f"{settings.base_topic}/{TANK_ID}/permit/+",
        ),
        on_message=lambda message: heard.put(payload_of(message)),
        arrived=lambda: daemon.counters.messages_received,
    )
    stack.callback(player.close)
    if not player.connect():
        sys.stderr.write("tidegate: the demonstration's broker does not answer.\n")
        return 1
    thread = threading.Thread(target=daemon.run, name="decision loop", daemon=True)
    thread.start()
    stack.callback(_end, daemon, thread)
    picture = Picture(settings.base_topic, TANK_ID)

    def look() -> None:
        while not heard.empty():
            picture.take(*heard.get())
        picture.now_s = clock.now_s()
        truth = story.scenario.truth
        picture.truth_psu = float(np.interp(picture.now_s, truth.times_s, truth.salinity_psu))
        chapter = story.chapter_at(picture.now_s)
        picture.title, picture.text = chapter.title, chapter.text

    if not _wait_ready(picture, look, stop):
        return 0 if stop.is_set() else 1
    player.start()
    sys.stdout.write(f"{INVENTED} Broker: {embedded.kind}.{address}\n")
    show = _show_live if sys.stdout.isatty() else _show_plain
    show(picture, look, lambda: stop.is_set() or player.finished or not thread.is_alive())
    sys.stdout.write(f"{'The end' if player.finished else 'Stopped'}. {INVENTED}\n")
    return 0 if thread.is_alive() else 1


def _show_page(
    story: Story,
    clock: StoryClock,
    broker: BrokerSettings,
    port: int,
    stack: ExitStack,
    daemon: Callable[[], Daemon],
) -> tuple[Sinks, str]:
    """The daemon's own page over a history that is thrown away, and where it is."""
    # Only who asks for the page needs its libraries.
    from bridge.shell.page.server import make_page, serve  # noqa: PLC0415

    folder = stack.enter_context(TemporaryDirectory(prefix="tidegate-demo-"))
    storage = StorageSettings(path=str(Path(folder) / "history.sqlite3"), batch_s=HISTORY_EVERY_S)
    history = History(storage)
    stack.callback(history.close, 1.0)
    settings = story.scenario.settings()
    configuration = Configuration(
        base_topic=settings.base_topic,
        tanks=settings.tanks,
        broker=broker,
        storage=storage,
        page=PageSettings(enabled=True, port=port),
    )
    page = make_page(
        Loaded(configuration, "the demonstration", {}),
        now_s=clock.now_s,
        submit=lambda topic, payload: daemon().submit(topic, payload),
        trouble=lambda: daemon().trouble,
        speed=story.speed,
    )
    stack.callback(serve(page, configuration.page))
    address = f" Page: http://127.0.0.1:{port}/"
    return Sinks(records=history.records, watchers=(page.observe,)), address


def _wait_ready(picture: Picture, look: Callable[[], None], stop: threading.Event) -> bool:
    deadline = time.monotonic() + READY_WITHIN_S
    while picture.state != "ready":
        if stop.wait(0.02) or time.monotonic() > deadline:
            return False
        look()
    return True


def _end(daemon: Daemon, thread: threading.Thread) -> None:
    daemon.stop()
    thread.join(5.0)


def _show_live(picture: Picture, look: Callable[[], None], is_over: Callable[[], bool]) -> None:
    with Live(screen(picture), console=Console(), auto_refresh=False) as live:
        while not is_over():
            look()
            live.update(screen(picture), refresh=True)
            time.sleep(1.0 / FRAMES_PER_S)


def _show_plain(picture: Picture, look: Callable[[], None], is_over: Callable[[], bool]) -> None:
    title = ""
    shown: tuple[object, ...] = ()
    next_s = 0.0
    while not is_over():
        look()
        if picture.title != title:
            title = picture.title
            sys.stdout.write(f"\n{picture.clock}  {title}. {picture.text}\n")
        now = (picture.cause, *(document["state"] for document in picture.permits.values()))
        if picture.salinity and (now != shown or picture.now_s >= next_s):
            shown = now
            next_s = picture.now_s + PLAIN_EVERY_S
            sys.stdout.write(plain_line(picture) + "\n")
            sys.stdout.flush()
        time.sleep(1.0 / FRAMES_PER_S)
