"""How often one visitor may try something."""

import time
from collections import OrderedDict
from collections.abc import Callable
from typing import Final

MOST_VISITORS: Final = 1000
"""Remembered at a time; the one seen longest ago is forgotten first."""


class RateLimit:
    """A bucket of tries for each visitor, refilled steadily.

    Args:
        tries: That a rested visitor has.
        per_s: In which a used-up bucket fills again. [s]
        monotonic: Replaceable for tests.
    """

    def __init__(
        self, tries: int, per_s: float, *, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self._tries = float(tries)
        self._rate = tries / per_s
        self._monotonic = monotonic
        self._buckets: OrderedDict[str, tuple[float, float]] = OrderedDict()

    def allow(self, visitor: str) -> bool:
        """Use up one try; False when there is none left."""
        now = self._monotonic()
        left, seen_at = self._buckets.pop(visitor, (self._tries, now))
        left = min(self._tries, left + (now - seen_at) * self._rate)
        allowed = left >= 1.0
        self._buckets[visitor] = (left - 1.0 if allowed else left, now)
        while len(self._buckets) > MOST_VISITORS:
            self._buckets.popitem(last=False)
        return allowed
