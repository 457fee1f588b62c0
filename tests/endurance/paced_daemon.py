"""Runs ``tidegate`` on a clock that somebody else lets run, as the demonstration's player does.

The clock is `bridge.shell.story_player.StoryClock`, the one of ``tidegate demo``. All else is the
command as it is: the same loop, the same engine, the same threads. How far it may run stands in a
file of eight bytes, which the driver and this process have in common memory.

``python -m tests.endurance.paced_daemon FILE START_S SPEED run --config F ...``
"""

import mmap
import sys
from pathlib import Path
from struct import Struct
from typing import Final

import bridge.commands.run
from bridge.cli import main
from bridge.shell.story_player import StoryClock

MOMENT: Final = Struct("=d")


class Leash:
    """How far time may run, in memory that two processes share."""

    def __init__(self, path: Path) -> None:
        with path.open("r+b") as file:
            self._memory = mmap.mmap(file.fileno(), MOMENT.size)

    @classmethod
    def new(cls, path: Path, start_s: float) -> "Leash":
        """Make the file, too."""
        path.write_bytes(MOMENT.pack(start_s))
        return cls(path)

    def let_run(self, at_s: float) -> None:
        """Allow time to come that far."""
        MOMENT.pack_into(self._memory, 0, at_s)

    def end_s(self) -> float:
        """How far it may come."""
        moment: float = MOMENT.unpack_from(self._memory)[0]
        return moment


def run(leash: Leash, start_s: float, speed: float, words: list[str]) -> int:
    """Run the command line on the clock of the demonstration."""

    class PacedClock(StoryClock):
        def __init__(self, *, not_before_s: float = 0.0) -> None:
            super().__init__(start_s=max(start_s, not_before_s), speed=speed)

        def now_s(self) -> float:
            self.allow_until(leash.end_s())
            return super().now_s()

    setattr(bridge.commands.run, "EngineClock", PacedClock)  # noqa: B010 - no part of its surface
    return main(words)


if __name__ == "__main__":
    sys.exit(run(Leash(Path(sys.argv[1])), float(sys.argv[2]), float(sys.argv[3]), sys.argv[4:]))
