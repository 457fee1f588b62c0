"""Runs ``tidegate`` with handles for the faults that cannot be caused from outside of a process.

- SIGUSR1 hangs the decision loop, which is the main thread, for the seconds that the file ``hang``
  in the control directory says; paho's network threads live on. With ``busy`` before the number it
  computes instead of sleeping.
- The wall clock that the daemon sees is ahead by the seconds in the file ``wall``.
- The minute in which a start and a step of the clock settle lasts a few seconds, or 200 runs would
  take all day. It delays only the opening of a gate.
"""

import signal
import sys
import time
from pathlib import Path
from typing import Final

import bridge.core.diagnosis_state
import bridge.core.engine
from bridge.cli import main
from bridge.shell.clock import EngineClock

SETTLING_S: Final = 4.0


def hang(control: Path) -> None:
    """Stay away from the decision loop's work."""
    manner, _, seconds = (control / "hang").read_text().rpartition(" ")
    until = time.monotonic() + float(seconds)
    while (left_s := until - time.monotonic()) > 0:
        if manner != "busy":
            time.sleep(left_s)


def run(control: Path, arguments: list[str]) -> int:
    """Install the handles and run the command line."""

    def wall_s() -> float:
        ahead = control / "wall"
        return time.time() + (float(ahead.read_text() or 0) if ahead.exists() else 0.0)

    signal.signal(signal.SIGUSR1, lambda *_: hang(control))
    EngineClock.__init__.__kwdefaults__["wall"] = wall_s  # type: ignore[index]
    bridge.core.diagnosis_state.SETTLED_S = SETTLING_S  # type: ignore[misc]
    bridge.core.engine.CLOCK_SETTLING_S = SETTLING_S  # type: ignore[misc]
    return main(arguments)


if __name__ == "__main__":
    sys.exit(run(Path(sys.argv[1]), sys.argv[2:]))
