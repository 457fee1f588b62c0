"""Network namespaces with a cable to each, for faults of the network; needs root."""

import os
import shutil
import subprocess
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from itertools import count
from typing import Final

IP: Final = shutil.which("ip", path=f"{os.environ.get('PATH', '')}:/sbin:/usr/sbin")


_number = count()


@dataclass(frozen=True, slots=True)
class Room:
    """A namespace with a cable to this side."""

    name: str
    cable: str
    """The end of it on this side."""
    host: str
    """The address of this side, as seen from inside."""

    @property
    def inside(self) -> tuple[str, ...]:
        """Words before a command to run it there."""
        return (str(IP), "netns", "exec", self.name)


def _ip(words: str) -> None:
    assert IP is not None
    subprocess.run([IP, *words.split()], check=True, capture_output=True)  # noqa: S603 # fixed words


@cache
def missing() -> str | None:
    """Why there can be no namespaces here; None when there can."""
    if IP is None:
        return "the program ip is not installed"
    if os.getuid() != 0:
        return "network namespaces need root"
    try:
        _ip(f"netns add probe-{os.getpid()}")
        _ip(f"netns delete probe-{os.getpid()}")
    except subprocess.CalledProcessError as error:
        return f"no network namespace can be made here: {error.stderr.decode().strip()}"
    return None


@contextmanager
def rooms(*names: str) -> Iterator[dict[str, Room]]:
    """Namespaces by name, each with a cable of its own to this side."""
    made: dict[str, Room] = {}
    try:
        for name in names:
            made[name] = _room(name)
        yield made
    finally:
        for room in made.values():
            # Its end of the cable goes with it, and the other end with that.
            _ip(f"netns delete {room.name}")


def _room(name: str) -> Room:
    space = f"tidegate-test-{os.getpid()}-{next(_number)}"
    _ip(f"netns add {space}")
    for number in range(64):
        cable = f"tgtest{number}"
        try:
            # Whoever gets the name also has the addresses that go with it.
            _ip(f"link add {cable} type veth peer name inside netns {space}")
        except subprocess.CalledProcessError:
            continue
        # Addresses for tests of network devices (RFC 2544), which no real network uses.
        room = Room(space, cable, f"198.18.{number}.1")
        _ip(f"address add {room.host}/30 dev {cable}")
        _ip(f"link set {cable} up")
        _ip(f"-n {space} address add 198.18.{number}.2/30 dev inside")
        _ip(f"-n {space} link set inside up")
        _ip(f"-n {space} link set lo up")
        return room
    _ip(f"netns delete {space}")
    raise AssertionError(f"no cable is free for {name}")


@contextmanager
def cut(names: Sequence[str], made: dict[str, Room]) -> Iterator[None]:
    """Pull the cables of some rooms."""
    for name in names:
        _ip(f"link set {made[name].cable} down")
    try:
        yield
    finally:
        for name in names:
            _ip(f"link set {made[name].cable} up")
