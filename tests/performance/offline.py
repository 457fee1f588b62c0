"""Without a broker: replay, the engine by itself, its parts, many tanks and a long history."""

import math
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from resource import RUSAGE_CHILDREN, getrusage
from types import FrameType
from typing import Any, Final

import bridge.core.engine
from bridge.core.engine import Engine
from bridge.core.events import LinkUp, Message
from bridge.shell.capture import CaptureWriter
from bridge.shell.config import load
from bridge.shell.engine_state import packed
from bridge.shell.stepping import feed
from tests.performance.processes import settings_text

START_S: Final = 1_772_323_200.0
EVERY_S: Final = 10.0
DAY_S: Final = 86_400.0
PERMITS: Final = """
[tanks.t0.permits.top-off]
delivers = "fresh-water"
driven_by = "level"

[tanks.t0.permits.dosing]
delivers = "salt-water"
driven_by = "salinity"
"""
COMPILED: Final = not str(bridge.core.engine.__file__).endswith(".py")
"""Whether the core was compiled when the package was built."""


def readings(count: int, tanks: int = 1, seed: int = 1) -> Iterator[Message]:
    """Healthy water: a probe and a thermometer in turn, every ten seconds in each tank."""
    rng = random.Random(seed)
    for index in range(count // (2 * tanks)):
        at_s = START_S + EVERY_S * index
        water_c = 25.4 + 0.6 * math.sin(at_s / DAY_S * 2.0 * math.pi)
        salinity = 35.0 + 0.02 * math.sin(at_s / 20_000.0)
        for tank in range(tanks):
            moment_s = at_s + EVERY_S * tank / tanks
            shown_c = f"{water_c + rng.gauss(0.0, 0.02):.2f}"
            shown = f"{salinity + rng.gauss(0.0, 0.03):.2f}"
            yield Message(moment_s + 0.001, f"in/{tank}/water", shown_c.encode())
            yield Message(moment_s + 0.002, f"in/{tank}/probe", shown.encode())


def _engine(directory: Path, tanks: int) -> Engine:
    configuration = directory / "tidegate.toml"
    text = settings_text(1883, tanks, directory) + PERMITS
    configuration.write_text(text, "utf-8")
    settings = load(str(configuration))
    engine = Engine(settings, boot_id="performance", at_s=START_S)
    feed(engine, LinkUp(START_S), since_s=START_S)
    return engine


def _drive(engine: Engine, messages: list[Message], since_s: float) -> float:
    """Feed messages; processor time taken. [s]."""
    began_s = time.process_time()
    for message in messages:
        feed(engine, message, since_s=since_s)
        since_s = message.at_s
    return time.process_time() - began_s


@dataclass(slots=True)
class Replay:
    """A whole ``tidegate replay``."""

    messages: int
    cpu_s: float
    """Processor time of the process, its start included. [s]"""
    empty_s: float
    """The same with one message in the capture: the start alone. [s]"""

    @property
    def rate_hz(self) -> float:
        """Messages a second, start included."""
        return self.messages / self.cpu_s

    @property
    def steady_hz(self) -> float:
        """Messages a second behind the start."""
        return self.messages / (self.cpu_s - self.empty_s)


def replay(count: int) -> Replay:
    """Measure ``tidegate replay`` as a process of its own, files read and written."""
    with tempfile.TemporaryDirectory() as name:
        directory = Path(name)
        _engine(directory, 1)
        return Replay(count, _replay_cpu_s(directory, count), _replay_cpu_s(directory, 2))


def _replay_cpu_s(directory: Path, count: int) -> float:
    capture = directory / f"capture-{count}.jsonl"
    with CaptureWriter(capture) as writer:
        for message in readings(count):
            writer.write(message.at_s, message.topic, message.payload, retain=False)
    before = getrusage(RUSAGE_CHILDREN)
    subprocess.run(  # noqa: S603 # ours
        [
            *(sys.executable, "-c", "import sys, bridge.cli; sys.exit(bridge.cli.main())"),
            *("replay", "--config", str(directory / "tidegate.toml")),
            *("--input", str(capture), "--output", str(directory / "out.jsonl")),
        ],
        check=True,
        stderr=subprocess.DEVNULL,
    )
    after = getrusage(RUSAGE_CHILDREN)
    return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime


PARTS: Final = {
    "diagnosis": "estimate and diagnosis",
    "qartod": "plausibility tests and learning",
    "seawater": "correction and its uncertainty",
    "permits": "permits and alarms",
    "documents": "documents",
    "thermometer": "thermometer",
    "payload": "reading the payload",
}
MODULES: Final = {
    **dict.fromkeys(
        ("diagnosis", "estimator", "episode", "inflow", "devices", "blocks", "balance"),
        "diagnosis",
    ),
    **dict.fromkeys(("trends", "densities", "evidence"), "diagnosis"),
    **dict.fromkeys(
        ("qartod", "qartod_change", "qartod_evidence", "learning", "repeats"), "qartod"
    ),
    **dict.fromkeys(("seawater", "compensation", "uncertainty", "_wrapped_ufuncs"), "seawater"),
    **dict.fromkeys(
        ("permits", "permit_gate", "permit_run", "permit_reasons", "calm", "alarms"), "permits"
    ),
    **dict.fromkeys(("alarm_board", "alarm_state"), "permits"),
    **dict.fromkeys(("documents", "tank_documents", "instants"), "documents"),
    "thermometer": "thermometer",
    "payload": "payload",
}


def parts(count: int) -> dict[str, float]:
    """Cost of a probe sample with its thermometer reading, by part. [µs].

    A timer looks every few milliseconds of processor time where the engine is; the shares are
    those of the looks. Empty when the core is compiled, which cannot be looked into so.
    """
    if COMPILED:
        return {}
    looks: Counter[str] = Counter()

    def look(_number: int, frame: FrameType | None) -> None:
        while frame is not None:
            part = MODULES.get(Path(frame.f_code.co_filename).stem)
            if part is not None:
                looks[PARTS[part]] += 1
                return
            frame = frame.f_back
        looks["the rest"] += 1

    with tempfile.TemporaryDirectory() as name:
        engine = _engine(Path(name), 1)
        messages = list(readings(count))
        before: Any = signal.signal(signal.SIGPROF, look)
        signal.setitimer(signal.ITIMER_PROF, 0.001, 0.001)
        took_s = _drive(engine, messages, START_S)
        signal.setitimer(signal.ITIMER_PROF, 0.0)
        signal.signal(signal.SIGPROF, before)
    pair_us = 2e6 * took_s / count
    whole = sum(looks.values())
    return {part: pair_us * seen / whole for part, seen in looks.most_common()}


@dataclass(slots=True)
class Grown:
    """Cost with a number of tanks, or after a length of history."""

    size: float
    """Tanks, or days."""
    pair_us: float
    """A probe sample and its thermometer reading. [µs]"""
    kilobytes: float
    """Saved state. [kB]"""


def by_tanks(sizes: tuple[int, ...], count: int) -> list[Grown]:
    """Cost of a message against the number of tanks in one engine."""
    found = []
    for tanks in sizes:
        with tempfile.TemporaryDirectory() as name:
            messages = list(readings(max(count, 60 * tanks), tanks))
            engine = _engine(Path(name), tanks)
            took_s = _drive(engine, messages, START_S)
            kilobytes = len(packed(engine.state)) / 1000.0
            found.append(Grown(tanks, 2e6 * took_s / len(messages), kilobytes))
    return found


def by_history(days: tuple[int, ...]) -> list[Grown]:
    """Cost of a message, and size of the saved state, after days of readings each 10 s."""
    found = []
    with tempfile.TemporaryDirectory() as name:
        engine, since_s = _engine(Path(name), 1), START_S
        per_day = int(2 * DAY_S / EVERY_S)
        stream = readings(per_day * max(days))
        for day in range(1, max(days) + 1):
            messages = [next(stream) for _ in range(per_day)]
            took_s = _drive(engine, messages, since_s)
            since_s = messages[-1].at_s
            if day in days:
                kilobytes = len(packed(engine.state)) / 1000.0
                found.append(Grown(day, 2e6 * took_s / per_day, kilobytes))
    return found
