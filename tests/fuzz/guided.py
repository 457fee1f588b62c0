"""``python -m tests.fuzz.guided payloads --seconds 120``: fuzzing that is led by coverage.

It needs atheris (``pip install atheris``), which the tests do not install. What it finds belongs
into a test of its own. Doors: payloads, commands, configuration, captures.
"""

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import atheris

with atheris.instrument_imports(include=["bridge"]):
    from bridge.core.settings import Equipment, EquipmentKind, Source
    from bridge.core.wire.commands import CommandError, parse
    from bridge.core.wire.payload import number_reader, state_reader
    from bridge.shell.capture import CaptureError, CaptureReader
    from bridge.shell.config import parse as parse_configuration
    from bridge.shell.config_problems import ConfigurationError

READERS = [
    number_reader(Source(topic="x")),
    number_reader(Source(topic="x", path="a.0.b", time_path="t")),
    state_reader(Equipment(topic="x", kind=EquipmentKind.OTHER)),
    state_reader(Equipment(topic="x", kind=EquipmentKind.OTHER, path="a")),
]
COMMANDS = (
    *("reference-check", "calibration", "water-change", "acknowledge", "shelve", "bypass"),
    *("service", "fit", "undo", "other"),
)


def payloads(data: bytes) -> None:
    """A number, a state, or a reason."""
    for read in READERS:
        read(data)


def commands(data: bytes) -> None:
    """A command or a refusal."""
    for name in COMMANDS:
        try:
            parse(name, data, secret=None)
        except CommandError:
            continue


def configuration(data: bytes) -> None:
    """A configuration or its problems."""
    try:
        parse_configuration(data, file="fuzzed.toml", environment={})
    except ConfigurationError:
        return


def captures(path: Path) -> Callable[[bytes], None]:
    """Messages or what is wrong; the first byte says how it is compressed."""

    def read(data: bytes) -> None:
        suffix = ("", ".gz", ".zst")[data[0] % 3] if data else ""
        file = path.with_suffix(suffix or ".jsonl")
        file.write_bytes(data[1:])
        try:
            list(CaptureReader(file))
        except CaptureError:
            return

    return read


def main() -> None:
    """Fuzz one door for a while."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("door", choices=["payloads", "commands", "configuration", "captures"])
    parser.add_argument("--seconds", type=int, default=60)
    arguments = parser.parse_args()
    with TemporaryDirectory() as directory:
        doors: dict[str, Any] = {
            "payloads": payloads,
            "commands": commands,
            "configuration": configuration,
            "captures": captures(Path(directory) / "capture"),
        }
        words = [
            sys.argv[0],
            f"-max_total_time={arguments.seconds}",
            "-max_len=2000",
            "-verbosity=1",
        ]
        atheris.Setup(words, doors[arguments.door])
        atheris.Fuzz()


if __name__ == "__main__":
    main()
