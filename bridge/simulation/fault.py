"""What every fault can do: change the plan of the water, then the readings of the probe."""

from dataclasses import dataclass

import numpy as np

from bridge.core.findings import Cause
from bridge.simulation.draft import Draft
from bridge.simulation.probe import Readings
from bridge.simulation.truth import BoolArray, FloatArray, Hold, Label

OBVIOUS_PSU = 0.5
"""A disturbance of this size ought to be found within a few samples."""

TOGGLES_TO_TELL = 6
"""Switchings of a device within which its pick-up ought to be told."""

SHORTEST_RESOLVED_SAMPLES = 2.0
"""On and off parts of a cycle shorter than this cannot be seen in the readings."""


@dataclass(slots=True, kw_only=True)
class Fault:
    """A fault that acts between two times; subclasses override what they need."""

    start_s: float
    end_s: float

    def plan(self, draft: Draft) -> None:
        """Change what acts on the water, before it is carried."""

    def read(self, draft: Draft, readings: Readings) -> None:
        """Change what the probe sees, after the water was carried, and label it."""


def blame(
    draft: Draft,
    *,
    cause: Cause,
    start_s: float,
    end_s: float,
    detail: str,
    size_psu: float,
    deadline_s: float,
    device: str | None = None,
    hold: str | None = "salinity",
    hold_from_s: float | None = None,
    minor: bool = False,
) -> None:
    """Write a label and, unless ``hold`` is None, the span in which actuators must not act."""
    draft.labels.append(
        Label(
            start_s=start_s,
            end_s=end_s,
            cause=cause,
            detail=detail,
            size_psu=size_psu,
            deadline_s=deadline_s,
            device=device,
            minor=minor,
        )
    )
    begin_s = deadline_s if hold_from_s is None else hold_from_s
    if hold is not None and begin_s < end_s:
        draft.holds.append(Hold(start_s=begin_s, end_s=end_s, of=hold, cause=cause))


def runs(mask: BoolArray) -> list[tuple[int, int]]:
    """First and after-last index of each run of true values."""
    edges = np.diff(np.concatenate(([0], mask.astype(np.int8), [0])))
    return list(zip(np.flatnonzero(edges == 1), np.flatnonzero(edges == -1), strict=True))


def switch_ons(draft: Draft, device: str) -> FloatArray:
    """Times at which a device switches on."""
    state = draft.states[device]
    return np.asarray(draft.times_s[1:][state[1:] & ~state[:-1]])


def toggles(draft: Draft, device: str, start_s: float, end_s: float) -> FloatArray:
    """Times at which a device switches either way, within a span."""
    state = draft.states[device]
    times_s = draft.times_s[1:][state[1:] != state[:-1]]
    return np.asarray(times_s[(times_s >= start_s) & (times_s < end_s)])


def resolved(switched_s: FloatArray, interval_s: float) -> bool:
    """Whether a device switches often enough, and slowly enough, to be told by samples."""
    if len(switched_s) < TOGGLES_TO_TELL:
        return False
    # The short parts (on or off) are a quarter of all at the least.
    return float(np.percentile(np.diff(switched_s), 25)) >= SHORTEST_RESOLVED_SAMPLES * interval_s


def running(draft: Draft, device: str, times_s: FloatArray) -> BoolArray:
    """Whether a device runs at given times."""
    index = np.searchsorted(draft.times_s, times_s, side="right") - 1
    return np.asarray(draft.states[device][np.maximum(index, 0)])


def nth_sample_s(readings: Readings, after_s: float, number: int) -> float:
    """Time of the n-th sample that is sent after a time; infinite when there is none."""
    times_s = readings.times_s[readings.sent & (readings.times_s >= after_s)]
    return float(times_s[number - 1]) if len(times_s) >= number else np.inf
