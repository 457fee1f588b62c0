"""The actuator behind a permit: whether it runs, since when, and how much it delivered."""

from collections import deque
from dataclasses import dataclass, field
from math import inf
from typing import Final

from bridge.core.permit_limits import DAY_S, HOUR_S, GateLimits

BUCKET_S: Final = 300.0
LONGEST_REST_S: Final = HOUR_S
STRAY_SHARE: Final = 0.001
"""Water metered while held is an overrun from this share of the volume (0.035 at S = 35)."""


@dataclass(slots=True)
class RunState:
    """What is known of the actuator, kept over a restart so that no limit starts anew."""

    on: bool | None = None
    """As last reported; None when not reported since the link came up."""
    since_s: float | None = None
    """Start of the run that is under way, or has to be assumed so."""
    counted_to_s: float = 0.0
    """Up to when the litres of the run under way are counted."""
    stopped_at_s: float | None = None
    tripped: bool = False
    """The run was too long; lasts until the actuator has rested."""
    stray_l: float = 0.0
    """Metered while held."""
    buckets: deque[list[float]] = field(default_factory=deque)
    """Litres of the last day: number of the bucket (Unix time / 300) and litres, oldest first."""

    def add_litres(self, at_s: float, litres: float) -> None:
        """Count litres at a moment."""
        number = at_s // BUCKET_S
        if self.buckets and self.buckets[-1][0] >= number:
            self.buckets[-1][1] += litres
        else:
            self.buckets.append([number, litres])
        while self.buckets[0][0] < number - DAY_S / BUCKET_S:
            self.buckets.popleft()

    def litres_within(self, at_s: float, window_s: float) -> float:
        """Litres of the last `window_s`; a bucket counts whole while any part of it is inside."""
        oldest = (at_s - window_s) // BUCKET_S
        total_l = 0.0
        for number, litres in reversed(self.buckets):
            if number < oldest:
                break
            total_l += litres
        return total_l

    def report(self, at_s: float, *, on: bool | None, limits: GateLimits) -> None:
        """Take in a report of the actuator."""
        self._count(at_s, limits)
        self.on = on
        if on and self.since_s is None:
            self.since_s = self.counted_to_s = at_s
        elif on is False:
            self._stop(at_s)

    def forget(self) -> None:
        """The link went down or the daemon restarted: a report may have been missed."""
        self.on = None

    def advance(self, at_s: float, *, lease_end_s: float, limits: GateLimits) -> None:
        """Let time pass: count litres, end a run nobody reports any more, trip and untrip.

        Args:
            at_s: Now. [Unix s]
            lease_end_s: When the last lease ran, or runs, out. [Unix s]
            limits: The permit's.
        """
        if self.since_s is not None and self.on is None:
            # An actuator that honours leases is off by then; one that does not is beyond a
            # guess, and reports again if it reports at all.
            end_s = max(lease_end_s, self.counted_to_s)
            if at_s >= end_s:
                self._count(end_s, limits)
                self._stop(end_s)
        self._count(at_s, limits)
        if self.since_s is not None:
            self.tripped |= at_s >= self.since_s + limits.largest_run_s
        elif self.tripped and at_s >= self.rested_at_s(limits):
            self.tripped = False

    def rested_at_s(self, limits: GateLimits) -> float:
        """When a run that was too long has been followed by rest enough."""
        rest_s = max(limits.smallest_pause_s, min(limits.largest_run_s, LONGEST_REST_S))
        return -inf if self.stopped_at_s is None else self.stopped_at_s + rest_s

    def moments(self, *, lease_end_s: float, limits: GateLimits) -> list[float]:
        """When time alone changes something, as `advance` would find it."""
        if self.since_s is None:
            if self.stopped_at_s is None:
                return []
            return [self.stopped_at_s + limits.smallest_pause_s, self.rested_at_s(limits)]
        end_s = max(lease_end_s, self.counted_to_s) if self.on is None else inf
        return [self.since_s + limits.largest_run_s, end_s]

    def _count(self, at_s: float, limits: GateLimits) -> None:
        if self.since_s is None or at_s <= self.counted_to_s:
            return
        if limits.rate_l_h is not None:
            self.add_litres(at_s, limits.rate_l_h * (at_s - self.counted_to_s) / HOUR_S)
        self.counted_to_s = at_s

    def _stop(self, at_s: float) -> None:
        if self.since_s is not None:
            self.since_s = None
            self.stopped_at_s = at_s
