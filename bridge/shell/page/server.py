"""Runs the page in a thread with a loop of its own, beside the decision loop."""

import asyncio
import contextlib
import logging
import socket
import threading
from collections.abc import Callable
from typing import TYPE_CHECKING, Final

from bridge.core.errors import UserError
from bridge.shell.config import Loaded
from bridge.shell.page_settings import PageSettings

if TYPE_CHECKING:
    from bridge.shell.page.app import Page

log = logging.getLogger(__name__)

MOST_CONNECTIONS: Final = 100
STOP_WITHIN_S: Final = 2.0
NEEDED: Final = (
    '[page] enabled = true needs libraries that are not installed: pip install "tidegate[page]"'
)


def make_page(
    loaded: Loaded,
    *,
    now_s: Callable[[], float],
    submit: Callable[[str, bytes], None],
    trouble: Callable[[], str | None],
    speed: float = 1.0,
) -> "Page":
    """The page; show its ``observe`` every output, and `serve` it.

    Args:
        loaded: The configuration.
        now_s: Engine time.
        submit: Puts a command where messages of the broker arrive.
        trouble: Why the daemon is not connected; None while it is.
        speed: Engine seconds per real second.

    Raises:
        UserError: the libraries are missing.
    """
    try:
        import uvicorn  # noqa: F401, PLC0415 - an extra

        from bridge.shell.page.app import Page  # noqa: PLC0415 - needs the extra
    except ImportError as error:
        raise UserError(NEEDED) from error
    return Page(loaded, now_s=now_s, submit=submit, trouble=trouble, speed=speed)


def serve(page: "Page", settings: PageSettings) -> Callable[[], None]:
    """Serve the page until the returned function is called.

    Raises:
        UserError: the address cannot be used.
    """
    import uvicorn  # noqa: PLC0415 - an extra

    listening = _listen(settings)
    server = uvicorn.Server(
        uvicorn.Config(
            page.app(),
            lifespan="off",
            http="h11",
            ws="none",
            loop="asyncio",
            log_config=None,
            log_level=logging.WARNING,
            access_log=False,
            # Who is behind a proxy is judged by ourselves, from the address that really connects.
            proxy_headers=False,
            server_header=False,
            limit_concurrency=MOST_CONNECTIONS,
            timeout_keep_alive=15,
            timeout_graceful_shutdown=1,
            h11_max_incomplete_event_size=16 * 1024,
        )
    )
    loop = asyncio.new_event_loop()

    def run() -> None:
        try:
            with asyncio.Runner(loop_factory=lambda: loop) as runner:
                runner.run(server.serve(sockets=[listening]))
        except Exception:  # the daemon goes on without its page
            log.exception("The page has stopped.")

    thread = threading.Thread(target=run, name="page", daemon=True)
    thread.start()
    log.info("The page is at http://%s:%d/.", *_shown(settings))

    def stop() -> None:
        def end() -> None:
            page.closing.set()
            server.should_exit = True

        with contextlib.suppress(RuntimeError):  # the loop is closed already
            loop.call_soon_threadsafe(end)
        thread.join(STOP_WITHIN_S)

    return stop


def _shown(settings: PageSettings) -> tuple[str, int]:
    host = f"[{settings.host}]" if ":" in settings.host else settings.host
    return host, settings.port


def _listen(settings: PageSettings) -> socket.socket:
    try:
        found = socket.getaddrinfo(
            settings.host, settings.port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )
        family, kind, protocol, _, address = found[0]
        listening = socket.socket(family, kind, protocol)
        try:
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind(address)
            # Not left to the server's thread: only here can the keeper be told.
            listening.listen(128)
        except OSError:
            listening.close()
            raise
    except OSError as error:
        raise UserError(
            f"[page] {settings.host}:{settings.port} cannot be used: {error.strerror}. "
            "Choose another host or port."
        ) from error
    return listening
