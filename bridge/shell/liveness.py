"""Tells the outside that the decision loop turns: a small file, and the service manager.

The file is written by the decision loop and by nothing else, so its age is a fact about the loop,
not about the process. A broker that is away is reported in it and is no reason to restart.
"""

import contextlib
import logging
import os
import socket
import tempfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import orjson

from bridge.shell.clock import steady_s

log = logging.getLogger(__name__)

WRITE_EVERY_S: Final = 2.0
OLDEST_S: Final = 15.0
"""A loop that has not turned for so long is dead or as good as."""


def default_health_file(share: str | None = None) -> Path:
    """Where the file is kept when nothing else is said.

    Under systemd that is the service's run-time directory; elsewhere the directory for temporary
    files, which a read-only container keeps in memory.

    Args:
        share: The daemon's share, where several look after the tanks of a site.
    """
    name = "health.json" if share is None else f"health-{share}.json"
    directory = os.environ.get("RUNTIME_DIRECTORY")
    if directory:
        return Path(directory.split(":", maxsplit=1)[0]) / name
    return Path(tempfile.gettempdir()) / f"tidegate-{os.getuid()}" / name


class HealthFile:
    """Writes the file; a full disk is counted on to be temporary and never stops the loop."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._next_at = 0.0
        self._failed = False

    @property
    def due(self) -> bool:
        """Whether it is time to write again."""
        return steady_s() >= self._next_at

    def write(self, facts: Mapping[str, Any], *, now: bool = False) -> None:
        """Write the facts, at most every `WRITE_EVERY_S` unless ``now``."""
        steady = steady_s()
        if steady < self._next_at and not now:
            return
        self._next_at = steady + WRITE_EVERY_S
        document = {"steady_s": steady, "pid": os.getpid(), **facts}
        # Replaced in one move, so that nobody ever reads half a file.
        draft = self._path.with_name(f"{self._path.name}.{os.getpid()}")
        try:
            self._path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            draft.write_bytes(orjson.dumps(document))
            draft.replace(self._path)
        except OSError as error:
            if not self._failed:
                log.warning("The health file %s cannot be written: %s.", self._path, error)
            self._failed = True
        else:
            self._failed = False

    def remove(self) -> None:
        """Take the file away at the end of the process."""
        with contextlib.suppress(OSError):
            self._path.unlink()


def judge(path: Path, *, oldest_s: float = OLDEST_S) -> tuple[bool, str]:
    """Whether the daemon behind a health file is alive, and a sentence that says why.

    Args:
        path: The file.
        oldest_s: Age beyond which the loop counts as dead. [s]
    """
    try:
        document = orjson.loads(path.read_bytes())
        age_s = steady_s() - float(document["steady_s"])
    except FileNotFoundError:
        return False, f"{path} does not exist: the daemon is not running."
    except (OSError, ValueError, KeyError, TypeError) as error:
        return False, f"{path} cannot be read: {error}."
    # Negative: the file is from before this machine was started.
    if not 0.0 <= age_s <= oldest_s:
        return (
            False,
            f"The decision loop last turned {age_s:.0f} s ago; {oldest_s:.0f} s is allowed.",
        )
    return True, f"The decision loop turned {age_s:.0f} s ago; broker: {document.get('link')}."


class ServiceManager:
    """Notifications to systemd; silent where there is none.

    Source of the protocol: the sd_notify manual page, "Standalone Implementations".
    """

    def __init__(self) -> None:
        address = os.environ.get("NOTIFY_SOCKET", "")
        # A leading @ stands for the zero byte of an abstract address.
        self._address = "\0" + address[1:] if address.startswith("@") else address
        interval_us = os.environ.get("WATCHDOG_USEC", "")
        self._every_s = int(interval_us) / 2e6 if interval_us.isdigit() else WRITE_EVERY_S
        self._next_at = 0.0

    def alive(self) -> None:
        """Pat the watchdog, often enough and no more."""
        steady = steady_s()
        if self._address and steady >= self._next_at:
            self._next_at = steady + self._every_s
            self.tell("WATCHDOG=1")

    def tell(self, words: str) -> None:
        """Send one notification, such as ``READY=1``."""
        if not self._address:
            return
        with (
            contextlib.suppress(OSError),
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as channel,
        ):
            channel.connect(self._address)
            channel.sendall(words.encode())
