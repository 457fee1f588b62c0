"""``tidegate run``: the daemon."""

import argparse
import logging
import secrets
from pathlib import Path
from typing import Any

from bridge.core.engine import Engine
from bridge.shell.assembly import assemble
from bridge.shell.clock import EngineClock
from bridge.shell.config import load_with_sources
from bridge.shell.daemon import EngineBrokenError, Sinks
from bridge.shell.engine_state import packed, unpacked
from bridge.shell.history import History
from bridge.shell.liveness import default_health_file
from bridge.shell.notify_setup import start_telling
from bridge.shell.page.server import make_page, serve
from bridge.shell.signals import stopping

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
        default=default_health_file(),
        metavar="F",
        help="where the daemon shows that it is alive; read by python -m bridge.shell.health "
        "(default: %(default)s)",
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Run until told to stop.

    Raises:
        UserError: The configuration cannot be used.
    """
    loaded = load_with_sources(arguments.config)
    configuration = loaded.configuration
    logging.basicConfig(level=logging.INFO, format="%(asctime)s %(levelname)s %(message)s")
    boot_id = secrets.token_hex(BOOT_ID_BYTES)
    history = History(configuration.storage)
    clock = EngineClock()
    engine = Engine(
        configuration,
        boot_id=boot_id,
        at_s=clock.now_s(),
        state=unpacked(history.load_state()),
    )
    telling = start_telling(configuration, history, engine.state)
    page = stop_page = None
    try:
        if configuration.page.enabled:
            page = make_page(
                loaded,
                now_s=clock.now_s,
                # The daemon comes after the page, because it shows the page what it does.
                submit=lambda topic, payload: daemon.submit(topic, payload),  # noqa: PLW0108
                trouble=lambda: daemon.trouble,
            )
        daemon = assemble(
            engine,
            settings=configuration,
            broker=configuration.broker,
            boot_id=boot_id,
            clock=clock,
            sinks=Sinks(
                records=history.records,
                notices=telling.notifier.notices if telling is not None else None,
                storage_fault=lambda: history.health().trouble,
                save_state=lambda state: history.save_state(
                    packed(state), at_s=clock.now_s(), boot_id=boot_id
                ),
                watchers=() if page is None else (page.observe,),
            ),
            health_file=arguments.health_file,
        )
        if page is not None:
            stop_page = serve(page, configuration.page)
        with stopping(daemon.stop):
            daemon.run()
    except EngineBrokenError:
        log.exception("The daemon gives up, so that it can be started afresh.")
        return 1
    finally:
        if stop_page is not None:
            stop_page()
        if telling is not None:
            telling.close()
        history.close(HISTORY_CLOSE_S)
    return 0
