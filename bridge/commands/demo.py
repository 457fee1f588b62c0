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
from typing import Any, Final

import numpy as np
from rich.console import Console
from rich.live import Live

from bridge.core.engine import Engine
from bridge.core.errors import UserError
from bridge.shell.assembly import assemble
from bridge.shell.broker_settings import BrokerSettings, Protocol
from bridge.shell.daemon import Daemon, Sinks
from bridge.shell.demo_view import INVENTED, Picture, plain_line, screen
from bridge.shell.embedded_broker import PURE_PYTHON, EmbeddedBroker
from bridge.shell.signals import stopping
from bridge.shell.story_player import StoryClock, StoryPlayer, payload_of
from bridge.simulation.scenario import TANK_ID
from bridge.simulation.story import SPEED, Story, tell

FRAMES_PER_S: Final = 8
PLAIN_EVERY_S: Final = 1800.0
"""Story time between two lines where there is no terminal to draw on."""

READY_WITHIN_S: Final = 15.0


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
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Tell the story.

    Raises:
        UserError: There is no broker to start, or the speed makes no sense.
    """
    if not 1.0 <= arguments.speed <= SPEED * 4:
        raise UserError(f"--speed is {arguments.speed:g}; 1 to {SPEED * 4:g} is accepted.")
    logging.basicConfig(level=logging.ERROR, format="%(message)s")
    story = tell(arguments.speed)
    stop = threading.Event()
    with stopping(stop.set), ExitStack() as stack:
        broker = stack.enter_context(EmbeddedBroker())
        return _tell(story, broker, stop, stack)


def _tell(story: Story, embedded: EmbeddedBroker, stop: threading.Event, stack: ExitStack) -> int:
    settings = story.scenario.settings()
    broker = BrokerSettings(
        host="127.0.0.1",
        port=embedded.port,
        protocol=Protocol.V311 if embedded.kind == PURE_PYTHON else Protocol.V5,
    )
    clock = StoryClock(start_s=story.scenario.start_s, speed=story.speed)
    boot_id = secrets.token_hex(4)
    daemon = assemble(
        Engine(settings, boot_id=boot_id, at_s=clock.now_s()),
        settings=settings,
        broker=broker,
        boot_id=boot_id,
        clock=clock,
        sinks=Sinks(),
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
    sys.stdout.write(f"{INVENTED} Broker: {embedded.kind}.\n")
    show = _show_live if sys.stdout.isatty() else _show_plain
    show(picture, look, lambda: stop.is_set() or player.finished or not thread.is_alive())
    sys.stdout.write(f"{'The end' if player.finished else 'Stopped'}. {INVENTED}\n")
    return 0 if thread.is_alive() else 1


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
