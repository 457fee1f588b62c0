"""The daemon and the bare echo at the same broker, in turn, so that both see the same machine."""

import statistics
import tempfile
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from tests.performance.processes import Process, daemon, echo, wait_for
from tests.performance.wire import Wire, latencies_s, publish_packet, throughput
from tests.support.mosquitto import Mosquitto

TANKS: Final = 20
WINDOW: Final = 200
"""Messages under way at a time; enough that nobody waits for the other end."""
WATER_EVERY: Final = 60
"""Readings of a probe to one of its thermometer, which nothing answers."""
RATE_HZ: Final = 200.0
ANSWERS: Final = (b"out/", b"tidegate/")


@dataclass(slots=True)
class Figures:
    """What was measured of one side."""

    rates_hz: list[float] = field(default_factory=list)
    """Answered messages a second, of each round."""
    cpu_us: list[float] = field(default_factory=list)
    """Processor time for each of them. [µs]"""
    taken_s: list[float] = field(default_factory=list)
    resident_kb: float = 0.0

    @property
    def rate_hz(self) -> float:
        """Of the middle round."""
        return statistics.median(self.rates_hz)

    @property
    def cpu(self) -> float:
        """Of the middle round. [µs]."""
        return statistics.median(self.cpu_us)

    def quantile_ms(self, share: float) -> float:
        """Latency that this share of the messages keeps to. [ms]."""
        ordered = sorted(self.taken_s)
        return 1000.0 * ordered[min(int(share * len(ordered)), len(ordered) - 1)]


def side_by_side(*, qos: int, rounds: int, for_s: float, count: int) -> dict[str, Figures]:
    """Throughput and latency of both, round by round in turn.

    Args:
        qos: Quality of service of what is sent to them. The daemon answers with 1 in any case.
        rounds: How often each has its turn.
        for_s: How long it is driven as fast as it goes. [s]
        count: Messages at an even rate whose latency is taken.
    """
    found = {"echo": Figures(), "daemon": Figures()}
    with _both(qos) as (port, processes):
        wire = Wire(port, "load", ("out/#", "tidegate/+/salinity"), qos=qos)
        packets = {name: _packets(name, qos) for name in processes}
        for name in processes:
            # Connected, and every topic known to both sides.
            throughput(wire, packets[name], ANSWERS, window=WINDOW, for_s=1.0)
        for _ in range(rounds):
            for name, process in processes.items():
                process.check()
                began_s, used_s = time.monotonic(), process.cpu_s()
                answered = throughput(wire, packets[name], ANSWERS, window=WINDOW, for_s=for_s)
                took_s, used_s = time.monotonic() - began_s, process.cpu_s() - used_s
                found[name].rates_hz.append(answered / took_s)
                found[name].cpu_us.append(1e6 * used_s / max(answered, 1))
                time.sleep(0.5)
                while wire.topics(0.2):
                    pass
                found[name].taken_s += latencies_s(
                    wire, packets[name][1:WATER_EVERY], ANSWERS, rate_hz=RATE_HZ, count=count
                )
                found[name].resident_kb = process.resident_kb()
        wire.close()
    return found


@contextmanager
def _both(qos: int) -> Iterator[tuple[int, dict[str, Process]]]:
    with ExitStack() as stack:
        directory = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        broker = Mosquitto(directory, extra="max_queued_messages 10000\nmax_inflight_messages 100")
        broker.start()
        stack.callback(broker.close)
        processes = {
            "echo": stack.enter_context(echo(broker.port, qos, directory)),
            "daemon": stack.enter_context(daemon(broker.port, TANKS, directory)),
        }
        wait_for("ready", directory / "daemon.log")
        yield broker.port, processes


def _packets(name: str, qos: int) -> list[bytes]:
    """Readings of all tanks in turn, with a temperature now and then."""
    prefix = "in" if name == "daemon" else "plain/in"
    packets = []
    for index in range(TANKS * WATER_EVERY):
        tank, number = index % TANKS, index + 1
        if name == "daemon" and index % WATER_EVERY == 0:
            water = f"in/{index // WATER_EVERY}/water"
            packets.append(publish_packet(water, b"25.40", qos=qos, number=60_000 + number))
        value = f"{35.0 + 0.01 * (index * 7919 % 11 - 5):.2f}".encode()
        topic = f"{prefix}/{tank}/probe"
        packets.append(publish_packet(topic, value, qos=qos, number=number))
    return packets


@dataclass(slots=True)
class Crowd:
    """A daemon with many tanks that each send one message a second."""

    tanks: int
    sent: int
    answered: int
    """More than were sent when a cause changed: that is published without a reading, too."""
    cores: float
    """Share of one processor core that it needed."""
    resident_kb: float


def crowd(tanks: int, *, for_s: float) -> Crowd:
    """Drive every tank once a second, probe nine times of ten.

    Args:
        tanks: How many.
        for_s: How long, after a warm-up of five seconds. [s]
    """
    with ExitStack() as stack:
        directory = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        broker = Mosquitto(directory, extra="max_queued_messages 100000")
        broker.start()
        stack.callback(broker.close)
        process = stack.enter_context(daemon(broker.port, tanks, directory))
        wait_for("ready", directory / "daemon.log")
        wire = Wire(broker.port, "load", ("tidegate/+/salinity",), qos=0)
        _drive(wire, tanks, 0, for_s=5.0)
        used_s, began_s = process.cpu_s(), time.monotonic()
        sent, answered = _drive(wire, tanks, 5, for_s=for_s)
        process.check()
        took_s = time.monotonic() - began_s
        cores = (process.cpu_s() - used_s) / took_s
        wire.close()
        return Crowd(tanks, sent, answered, cores, process.resident_kb())


def _drive(wire: Wire, tanks: int, seed: int, *, for_s: float) -> tuple[int, int]:
    """Send evenly, a tenth of a second at a time; probe readings sent, and answers."""
    sent = answered = index = 0
    began_s = time.monotonic()
    while (elapsed_s := time.monotonic() - began_s) < for_s:
        due = int(elapsed_s * tanks) - index
        packets = []
        for _ in range(due):
            tank, lap = index % tanks, index // tanks + seed
            water = (lap + tank) % 10 == 0
            value = b"25.40" if water else b"%.2f" % (35.0 + 0.01 * ((lap * 7 + tank) % 11 - 5))
            topic = f"in/{tank}/{'water' if water else 'probe'}"
            packets.append(publish_packet(topic, value, qos=0, number=1))
            sent += not water
            index += 1
        if packets:
            wire.send(b"".join(packets))
        answered += len(wire.topics(0.02))
        time.sleep(0.02)
    ends_s = time.monotonic() + 1.0
    while time.monotonic() < ends_s:
        answered += len(wire.topics(0.1))
    return sent, answered
