"""The faults."""

import random
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Final

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.faults.namespaces import cut
from tests.faults.plant import Plant
from tests.faults.trial import Fault, running_too_long

CLIENT_IDS: Final = ("tidegate", "tidegate-guard", "tidegate-guard-1", "tidegate-guard-2")
"""Of the daemon's connections, by its default configuration and two permits."""


@contextmanager
def daemon_killed(plant: Plant, _chance: random.Random) -> Iterator[None]:
    """SIGKILL; a supervisor starts it again."""
    plant.kill_daemon()
    yield
    plant.start_daemon()


@contextmanager
def daemon_frozen(plant: Plant, _chance: random.Random) -> Iterator[None]:
    """SIGSTOP: sockets stay open, nothing answers."""
    plant.signal_daemon(signal.SIGSTOP)
    try:
        yield
    finally:
        plant.signal_daemon(signal.SIGCONT)


@contextmanager
def loop_hung(plant: Plant, chance: random.Random) -> Iterator[None]:
    """The decision loop hangs or computes for ever; the network threads live on."""
    seconds = chance.uniform(8.0, 26.0)
    manner = chance.choice(("sleep", "busy"))
    (plant.control / "hang").write_text(f"{manner} {seconds}")
    until = time.monotonic() + seconds
    plant.signal_daemon(signal.SIGUSR1)
    yield
    time.sleep(max(0.0, until - time.monotonic()))


@contextmanager
def broker_killed(plant: Plant, _chance: random.Random) -> Iterator[None]:
    """SIGKILL, and a new one that remembers nothing."""
    plant.broker.kill()
    yield
    plant.broker.start()


@contextmanager
def broker_frozen(plant: Plant, _chance: random.Random) -> Iterator[None]:
    """SIGSTOP: it accepts connections and answers nothing, then hands out what is old."""
    plant.broker.freeze()
    try:
        yield
    finally:
        plant.broker.thaw()


@contextmanager
def clock_stepped(plant: Plant, chance: random.Random) -> Iterator[None]:
    """The wall clock is set by an hour, either way."""
    before = float((plant.control / "wall").read_text()) if _has_wall(plant) else 0.0
    # There and back again, so that a long soak does not walk off into the future.
    step_s = -before if before else chance.choice((3600.0, -3600.0))
    draft = plant.control / "wall.new"
    draft.write_text(str(before + step_s))
    draft.replace(plant.control / "wall")
    yield


def _has_wall(plant: Plant) -> bool:
    return (plant.control / "wall").exists()


@contextmanager
def namesake(plant: Plant, chance: random.Random) -> Iterator[None]:
    """Another program connects with one of the daemon's client ids, again and again."""
    stop = threading.Event()
    client_id = chance.choice(CLIENT_IDS)

    def fight() -> None:
        while not stop.is_set():
            client = mqtt.Client(
                CallbackAPIVersion.VERSION2, client_id=client_id, protocol=mqtt.MQTTv5
            )
            with suppress(OSError):
                client.connect("127.0.0.1", plant.broker.port)
                while not stop.is_set() and client.loop(0.05) == mqtt.MQTT_ERR_SUCCESS:
                    pass
                client.disconnect()
            stop.wait(0.05)

    thread = threading.Thread(target=fight, daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join(5.0)


@contextmanager
def network_cut(plant: Plant, chance: random.Random) -> Iterator[None]:
    """The cable between the broker and the daemon, or the gates, or both, is pulled."""
    with cut(chance.choice((("daemon",), ("gates",), ("daemon", "gates"))), plant.network):
        yield


@contextmanager
def disk_full(plant: Plant, chance: random.Random) -> Iterator[None]:
    """Not a byte is left where the history is; then an actuator runs on, or the daemon dies."""
    assert plant.storage is not None
    fill(plant.storage / "filler")
    try:
        # For the history to notice.
        time.sleep(3.0)
        with _something_else(plant, chance):
            yield
    finally:
        (plant.storage / "filler").unlink()


def fill(path: Path) -> None:
    """Take all the room that is left."""
    with path.open("wb", buffering=0) as filler, suppress(OSError):
        for size in (65536, 512, 1):
            with suppress(OSError):
                while True:
                    filler.write(b"x" * size)


@contextmanager
def phone_hung(plant: Plant, chance: random.Random) -> Iterator[None]:
    """The notification service takes the connection and never answers; then as above."""
    with _something_else(plant, chance):
        yield


@contextmanager
def two_in_a_row(plant: Plant, chance: random.Random) -> Iterator[None]:
    """A fault that is over before a lease could run out, and another right after it."""
    brief = chance.choice((daemon_frozen, broker_frozen, broker_killed, namesake))
    with brief(plant, chance):
        time.sleep(chance.uniform(0.1, 10.0))
    plant.struck_at = time.monotonic()
    with chance.choice((daemon_killed, daemon_frozen, broker_killed))(plant, chance):
        yield


@contextmanager
def _something_else(plant: Plant, chance: random.Random) -> Iterator[None]:
    plant.struck_at = time.monotonic()
    strike = chance.choice((_run_too_long, daemon_killed))
    with strike(plant, chance):
        yield


@contextmanager
def _run_too_long(plant: Plant, _chance: random.Random) -> Iterator[None]:
    with running_too_long(plant):
        yield


class HungService:
    """Listens, accepts, and says nothing."""

    def __init__(self, host: str = "127.0.0.1") -> None:
        self._listener = socket.create_server((host, 0), backlog=64)
        self._taken: list[socket.socket] = []
        threading.Thread(target=self._accept, daemon=True).start()

    @property
    def section(self) -> str:
        """The part of the configuration that makes the daemon tell it."""
        host, port = self._listener.getsockname()
        return f'[notify.targets.phone]\nurl = "json://{host}:{port}"\n'

    @property
    def asked(self) -> int:
        """How many connections it took."""
        return len(self._taken)

    def _accept(self) -> None:
        with suppress(OSError):
            while True:
                self._taken.append(self._listener.accept()[0])

    def close(self) -> None:
        """Stop."""
        # Closing alone does not wake a thread that waits in accept().
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for taken in self._taken:
            taken.close()


@contextmanager
def small_disk(directory: Path) -> Iterator[Path]:
    """A file system of its own, of 8 MB; needs root."""
    directory.mkdir()
    subprocess.run(  # noqa: S603 # fixed words
        ["/bin/mount", "-t", "tmpfs", "-o", "size=8m", "tmpfs", str(directory)], check=True
    )
    try:
        yield directory
    finally:
        subprocess.run(["/bin/umount", "-l", str(directory)], check=True)  # noqa: S603


FAULTS: Final = {
    fault.name: fault
    for fault in (
        Fault("daemon killed", daemon_killed),
        Fault("daemon frozen", daemon_frozen, lasts_s=(0.0, 30.0)),
        Fault("loop hung", loop_hung, lasts_s=(0.0, 0.0)),
        Fault("broker killed", broker_killed),
        Fault("broker frozen", broker_frozen, lasts_s=(0.0, 30.0)),
        Fault("clock stepped", clock_stepped, lasts_s=(0.0, 0.0)),
        Fault("namesake", namesake),
        Fault("network cut", network_cut, lasts_s=(0.0, 20.0)),
        Fault("disk full", disk_full, lasts_s=(0.0, 0.0)),
        Fault("phone hung", phone_hung, lasts_s=(0.0, 0.0)),
        Fault("two in a row", two_in_a_row, lasts_s=(0.0, 3.0)),
    )
}
