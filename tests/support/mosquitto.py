"""A real mosquitto on a free loopback port, to be started, stopped, frozen and killed."""

import os
import shutil
import signal
import socket
import subprocess
import time
from contextlib import suppress
from pathlib import Path

PROGRAM = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")

WAIT_S = 5.0


def free_port() -> int:
    """A port of the loopback interface that nothing listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


class Mosquitto:
    """One broker process with a configuration of its own.

    Args:
        directory: For its configuration and log.
        extra: Further lines of configuration, before the listener's.
        listener_extra: Lines that belong to the listener (certificates).
        anonymous: Whether clients need no name.
        port: On the loopback interface; left out, a free one.
    """

    def __init__(
        self,
        directory: Path,
        *,
        extra: str = "",
        listener_extra: str = "",
        anonymous: bool = True,
        port: int | None = None,
    ) -> None:
        assert PROGRAM is not None
        self.port = free_port() if port is None else port
        self.log = directory / "mosquitto.log"
        self._configuration = directory / "mosquitto.conf"
        self._configuration.write_text(
            f"""
per_listener_settings false
{"user root" if os.getuid() == 0 else ""}
persistence false
allow_anonymous {str(anonymous).lower()}
set_tcp_nodelay true
log_dest file {self.log}
log_type error
log_type warning
log_type notice
{extra}
listener {self.port} 127.0.0.1
max_connections 200
{listener_extra}
""",
            encoding="utf-8",
        )
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def pid(self) -> int:
        """The process, while it runs."""
        assert self._process is not None
        return self._process.pid

    def start(self) -> None:
        """Start it and wait until it accepts connections."""
        assert PROGRAM is not None
        self._process = subprocess.Popen(  # noqa: S603 # the program and file are ours
            [PROGRAM, "-c", str(self._configuration)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        deadline = time.monotonic() + WAIT_S
        while time.monotonic() < deadline:
            assert self._process.poll() is None, f"mosquitto ended: {self._read_log()}"
            with suppress(OSError), socket.create_connection(("127.0.0.1", self.port), 0.2):
                return
            time.sleep(0.01)
        raise AssertionError(f"mosquitto does not listen: {self._read_log()}")

    def stop(self) -> None:
        """End it in good order."""
        self._signal(signal.SIGTERM)
        self._wait()

    def kill(self) -> None:
        """End it as a power cut would."""
        self._signal(signal.SIGKILL)
        self._wait()

    def freeze(self) -> None:
        """It keeps its sockets and answers nothing."""
        self._signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Go on where it was frozen."""
        self._signal(signal.SIGCONT)

    def close(self) -> None:
        """Whatever state it is in, end it."""
        if self._process is not None:
            with suppress(ProcessLookupError):
                self._signal(signal.SIGKILL)
            self._wait()

    def _signal(self, number: signal.Signals) -> None:
        if self._process is not None and self._process.poll() is None:
            self._process.send_signal(number)

    def _wait(self) -> None:
        if self._process is not None:
            self._process.wait(WAIT_S)
            self._process = None

    def _read_log(self) -> str:
        return self.log.read_text(encoding="utf-8") if self.log.exists() else "no log"
