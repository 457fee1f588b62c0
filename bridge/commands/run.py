"""``tidegate run``: the daemon."""

import argparse
import logging
import secrets
import sys
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bridge.core.engine import Engine, EngineState
from bridge.core.events import Event
from bridge.core.outputs import Output
from bridge.shell import logs
from bridge.shell.assembly import assemble
from bridge.shell.clock import EngineClock
from bridge.shell.config import Configuration, Loaded, for_one_daemon, load_with_sources
from bridge.shell.daemon import Daemon, EngineBrokenError, Sinks
from bridge.shell.dashboards.setup import make_dashboards
from bridge.shell.engine_state import packed, resumed
from bridge.shell.file_rights import exposed
from bridge.shell.history import History
from bridge.shell.history_inputs import InputTap, Started
from bridge.shell.liveness import default_health_file
from bridge.shell.notify_secrets import secrets_of
from bridge.shell.signals import stopping

if TYPE_CHECKING:
    from bridge.shell.notify_setup import Telling

log = logging.getLogger(__name__)

BOOT_ID_BYTES = 4
HISTORY_CLOSE_S = 1.0


def add_parser(subparsers: Any) -> None:  # noqa: ANN401 (argparse keeps the type to itself)
    """Declare the subcommand."""
    parser = subparsers.add_parser(
        "run",
        help="run the daemon",
        description="Connect to the broker and work until told to stop (SIGTERM or Ctrl-C). "
        "A broker that is away is waited for.",
    )
    parser.add_argument("--config", required=True, metavar="F", help="the configuration file")
    parser.add_argument(
        "--health-file",
        type=Path,
        metavar="F",
        help="where the daemon shows that it is alive; read by python -m bridge.shell.health "
        f"(default: {default_health_file()})",
    )
    parser.add_argument(
        "--share",
        metavar="NAME",
        help="look after the tanks of this share only, where several daemons share those of a site",
    )
    parser.add_argument(
        "--log-json", action="store_true", help="write one JSON object a line, for a log collector"
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Run until told to stop.

    Raises:
        UserError: The configuration cannot be used.
    """
    loaded = load_with_sources(arguments.config, share=arguments.share)
    configuration = for_one_daemon(loaded.configuration)
    logs.set_up(sys.stderr, as_json=arguments.log_json, secrets=_secrets(configuration))
    if (others_read := exposed(loaded)) is not None:
        log.warning("%s.", others_read)
    boot_id = secrets.token_hex(BOOT_ID_BYTES)
    history = History(configuration.storage)
    clock = EngineClock()

    def make_engine(state: EngineState | None) -> Engine:
        nonlocal clock
        clock = EngineClock(not_before_s=0.0 if state is None else state.at_s)
        return Engine(configuration, boot_id=boot_id, at_s=clock.now_s(), state=state)

    engine = resumed(
        history.load_state(),
        make_engine,
        aside=Path(configuration.storage.path).with_suffix(".unusable-state.json"),
    )
    telling = _telling(configuration, history, engine)
    page = metrics = None
    with ExitStack() as stack:
        stack.callback(history.close, HISTORY_CLOSE_S)
        if telling is not None:
            stack.callback(telling.close)
        # Page and metrics are there before the daemon, because it shows them what it does.
        if configuration.page.enabled:
            page = _page(loaded, clock, lambda: daemon)
        if configuration.metrics.enabled:
            metrics = _metrics(configuration, clock, history, lambda: daemon)
        dashboards = make_dashboards(
            configuration,
            store=history,
            state=engine.state,
            clock=clock,
            # The daemon comes after them, as after the page.
            submit=lambda topic, payload: daemon.submit(topic, payload),  # noqa: PLW0108
            ready=lambda: daemon.trouble is None,
        )
        daemon = assemble(
            engine,
            settings=configuration,
            broker=configuration.broker,
            boot_id=boot_id,
            clock=clock,
            sinks=Sinks(
                records=history.records,
                events=_tap(configuration, history, engine),
                notices=telling.notifier.notices if telling is not None else None,
                storage_fault=lambda: history.health().fault,
                telling_fault=None
                if telling is None
                else (lambda: telling.notifier.health().fault),
                save_state=lambda state: history.save_state(
                    packed(state), at_s=clock.now_s(), boot_id=boot_id
                ),
                watchers=tuple(each.observe for each in (page, metrics, dashboards) if each),
            ),
            health_file=arguments.health_file or default_health_file(configuration.share),
        )
        for each in (page, metrics):
            if each is not None:
                stack.callback(each.serve())
        if dashboards is not None:
            dashboards.start()
            stack.callback(dashboards.close)
        with stopping(daemon.stop):
            try:
                daemon.run()
            except EngineBrokenError:
                log.exception("The daemon gives up, so that it can be started afresh.")
                return 1
    return 0


def _tap(
    configuration: Configuration, history: History, engine: Engine
) -> Callable[[Event], None] | None:
    """Keeps what the engine is told; None when that is not wanted."""
    if not configuration.storage.input_days:
        return None
    history.inputs(Started(engine.state.at_s))
    return InputTap(configuration, engine.topics, history.inputs)


# What is not configured is not imported either: it would delay every start.


def _telling(configuration: Configuration, history: History, engine: Engine) -> "Telling | None":
    if not configuration.notify.targets:
        return None
    from bridge.shell.notify_setup import start_telling  # noqa: PLC0415 - see above

    return start_telling(configuration, history, engine.state)


@dataclass(frozen=True, slots=True)
class Shown:
    """Something that is shown every output, and serves what it makes of them."""

    observe: Callable[[Output], None]
    serve: Callable[[], Callable[[], None]]
    """Begins, and returns what ends it."""


def _page(loaded: Loaded, clock: EngineClock, daemon: Callable[[], Daemon]) -> Shown:
    from bridge.shell.page.server import make_page, serve  # noqa: PLC0415 - see above

    page = make_page(
        loaded,
        now_s=clock.dated_s,
        submit=lambda topic, payload: daemon().submit(topic, payload),
        trouble=lambda: daemon().trouble,
    )
    return Shown(page.observe, lambda: serve(page, loaded.configuration.page))


def _metrics(
    configuration: Configuration, clock: EngineClock, history: History, daemon: Callable[[], Daemon]
) -> Shown:
    from bridge.shell.metrics import Metrics, serve  # noqa: PLC0415 - see above

    metrics = Metrics(
        configuration.base_topic,
        now_s=clock.dated_s,
        # Asked each time: there is no daemon yet.
        counters=lambda: daemon().counters.as_dict(),  # noqa: PLW0108
        history=history.health,
    )
    return Shown(metrics.observe, lambda: serve(metrics, configuration.metrics))


def _secrets(configuration: Configuration) -> set[str]:
    """What must never be written to the log."""
    known = {configuration.broker.password, configuration.command_secret, configuration.page.token}
    told = {part for each in configuration.notify.targets.values() for part in secrets_of(each.url)}
    return {secret for secret in known if secret is not None} | told
