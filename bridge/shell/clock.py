"""Engine time: Unix seconds that never step.

Engine time is the wall time at start plus what a steady clock has counted since. A lease that is
judged on it cannot be lengthened by setting the wall clock back. The steady clock is the one that
also counts while the machine sleeps, where there is one: after a night with the lid closed every
reading is stale, and the engine must notice.
"""

import time
from collections.abc import Callable
from typing import Final

SMALLEST_STEP_S: Final = 0.5
"""A wall clock that is slewed moves by far less between two looks; a larger move is a step."""


def steady_s() -> float:
    """Seconds on a clock that is never set and also counts while the machine sleeps."""
    return time.clock_gettime(_STEADY_CLOCK)


_STEADY_CLOCK: Final[int] = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)


class EngineClock:
    """The one source of engine time in a running daemon.

    Args:
        speed: Engine seconds per real second. Only the demonstration, whose tank lives faster
            than ours, asks for anything but 1.
        start_s: Engine time at the start; the wall time when left out. [Unix s]
        not_before_s: Where an earlier run's engine time had got to. Should the wall clock be
            behind it, as on a small computer that forgets the time without power, engine time
            goes on from there, and the difference counts as a first step. [Unix s]
        steady: Replaceable for tests.
        wall: Replaceable for tests.
    """

    def __init__(
        self,
        *,
        speed: float = 1.0,
        start_s: float | None = None,
        not_before_s: float = 0.0,
        steady: Callable[[], float] = steady_s,
        wall: Callable[[], float] = time.time,
    ) -> None:
        self._speed = speed
        self._steady = steady
        self._wall = wall
        self._steady_start_s = steady()
        wall_s = wall()
        self._start_s = max(wall_s, not_before_s) if start_s is None else start_s
        self._owed_s = min(0.0, wall_s - not_before_s) if start_s is None else 0.0
        self._steps_s = 0.0
        self._wall_ahead_s = self._measure_wall_ahead_s()

    @property
    def speed(self) -> float:
        """Engine seconds per real second."""
        return self._speed

    def now_s(self) -> float:
        """Engine time, in Unix seconds."""
        return self._start_s + (self._steady() - self._steady_start_s) * self._speed

    def dated_s(self) -> float:
        """Now as documents state it: engine time and every step of the wall clock told so far."""
        return self.now_s() + self._steps_s

    def real_s(self, engine_s: float) -> float:
        """How long a span of engine time lasts on this side of the screen, in seconds."""
        return engine_s / self._speed

    def wall_step_s(self) -> float:
        """How far the wall clock jumped since the last call; 0 when it did not, in seconds."""
        ahead_s = self._measure_wall_ahead_s()
        step_s = ahead_s - self._wall_ahead_s + self._owed_s
        # Slow drift is absorbed, so that months of it never add up to a false step.
        self._wall_ahead_s, self._owed_s = ahead_s, 0.0
        if abs(step_s) < SMALLEST_STEP_S:
            return 0.0
        self._steps_s += step_s
        return step_s

    def _measure_wall_ahead_s(self) -> float:
        return self._wall() - self._steady()
