"""A broker for the demonstration: on a free port of the loopback interface, gone with its owner.

``mosquitto`` is used when it is installed, else the pure-Python broker of the ``demo`` extra
(which speaks MQTT 3.1.1 only; the daemon falls back). It runs in a process of its own that ends
when its standard input closes, so nothing is left behind even when the owner is killed.
"""

import asyncio
import contextlib
import importlib.util
import logging
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from types import TracebackType
from typing import Final, Self

from bridge.core.errors import UserError

READY_WITHIN_S: Final = 15.0
GONE_WITHIN_S: Final = 3.0
MOSQUITTO: Final = "mosquitto"
PURE_PYTHON: Final = "amqtt"
EXTRA_PLACES: Final = "/usr/sbin:/usr/local/sbin"
"""Where distributions put servers, which not every shell has on its PATH."""


class EmbeddedBrokerError(UserError):
    """No broker can be started; the text is for the keeper."""


def _find_mosquitto() -> str | None:
    return shutil.which(MOSQUITTO, path=f"{os.environ.get('PATH', '')}:{EXTRA_PLACES}")


def available() -> str:
    """Which broker would be used.

    Raises:
        EmbeddedBrokerError: None is installed.
    """
    if _find_mosquitto() is not None:
        return MOSQUITTO
    if importlib.util.find_spec(PURE_PYTHON) is not None:
        return PURE_PYTHON
    raise EmbeddedBrokerError(
        "No MQTT broker is installed for the demonstration; install one with "
        '"pip install tidegate[demo]", or install mosquitto.'
    )


class EmbeddedBroker:
    """A context manager around the process.

    Args:
        kind: ``mosquitto`` or ``amqtt``; the best that is installed when left out.

    Raises:
        EmbeddedBrokerError: None is installed, or it does not start.
    """

    def __init__(self, kind: str | None = None) -> None:
        self.kind = kind if kind is not None else available()
        self.port = _free_port()
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        """Start it and wait until it accepts connections."""
        self._process = subprocess.Popen(  # noqa: S603 # our own module
            [sys.executable, "-m", "bridge.shell.embedded_broker", self.kind, str(self.port)],
            stdin=subprocess.PIPE,
            # A Ctrl-C at the terminal is for the owner, who then says goodbye in good order.
            start_new_session=True,
        )
        deadline = time.monotonic() + READY_WITHIN_S
        while time.monotonic() < deadline:
            if self._process.poll() is not None:
                break
            with (
                contextlib.suppress(OSError),
                socket.create_connection(("127.0.0.1", self.port), 0.2),
            ):
                return self
            time.sleep(0.02)
        self.close()
        raise EmbeddedBrokerError(f"The broker {self.kind} does not start on this machine.")

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        """End it."""
        self.close()

    def close(self) -> None:
        """End it, gently first."""
        process, self._process = self._process, None
        if process is None:
            return
        if process.stdin is not None:
            with contextlib.suppress(OSError):
                process.stdin.close()
        try:
            process.wait(GONE_WITHIN_S)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def _serve_mosquitto(port: int) -> None:
    program = _find_mosquitto()
    if program is None:
        raise EmbeddedBrokerError("mosquitto is not installed.")
    with tempfile.TemporaryDirectory(prefix="tidegate-demo-") as directory:
        configuration = Path(directory) / "mosquitto.conf"
        configuration.write_text(
            f"listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n"
            "set_tcp_nodelay true\nlog_type none\n",
            encoding="utf-8",
        )
        server = subprocess.Popen(  # noqa: S603 # found by name, fixed words
            [program, "-c", str(configuration)], stdin=subprocess.DEVNULL
        )
        try:
            _wait_for_owner()
        finally:
            server.terminate()
            server.wait()


def _serve_pure_python(port: int) -> None:
    from amqtt.broker import Broker  # noqa: PLC0415 # an extra, loaded only when used

    logging.getLogger("amqtt").setLevel(logging.CRITICAL)
    logging.getLogger("transitions").setLevel(logging.CRITICAL)

    async def serve() -> None:
        broker = Broker(
            {
                "listeners": {"default": {"type": "tcp", "bind": f"127.0.0.1:{port}"}},
                "plugins": {
                    "amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}
                },
            }
        )
        await broker.start()
        await asyncio.to_thread(_wait_for_owner)
        await broker.shutdown()

    asyncio.run(serve())


def _wait_for_owner() -> None:
    """Return when the owner closes our standard input, or is gone."""
    while sys.stdin.buffer.read(1):
        pass


def main(arguments: list[str]) -> int:
    """Serve until the owner is gone: ``KIND PORT``."""
    kind, port = arguments
    serve = _serve_mosquitto if kind == MOSQUITTO else _serve_pure_python
    serve(int(port))
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
