"""What a daemon said over a scenario, as series that can be compared with the truth."""

from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from bridge.core.findings import Cause
from bridge.simulation.truth import BoolArray, FloatArray


@dataclass(slots=True, kw_only=True)
class Observed:
    """Everything that a daemon, or a baseline, published about one scenario."""

    times_s: list[float] = field(default_factory=list)
    salinity_psu: list[float] = field(default_factory=list)
    """NaN while it was published as unknown."""
    uncertainty_psu: list[float] = field(default_factory=list)
    causes: list[tuple[float, Cause]] = field(default_factory=list)
    """Each change of the cause in the salinity document."""
    permits: dict[str, list[tuple[float, bool]]] = field(default_factory=dict)
    """Each change of a permit: when, and whether it permits."""
    high_alarms: list[tuple[str, str]] = field(default_factory=list)
    """High-priority alarms: which, and since when."""
    seconds: float = 0.0
    """Processor time spent."""
    samples: int = 0
    """Probe samples taken."""
    messages: int = 0
    """All messages taken."""

    def sample(self, at_s: float, salinity: float, uncertainty: float, cause: Cause) -> None:
        """Take one published salinity document."""
        self.times_s.append(at_s)
        self.salinity_psu.append(salinity)
        self.uncertainty_psu.append(uncertainty)
        if not self.causes or self.causes[-1][1] is not cause:
            self.causes.append((at_s, cause))

    def permit(self, at_s: float, name: str, *, permitted: bool) -> None:
        """Take one published permit."""
        history = self.permits.setdefault(name, [])
        if not history or history[-1][1] is not permitted:
            history.append((at_s, permitted))

    def held_last(self, at_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Salinity and uncertainty as a reader of the retained topic would have seen them."""
        if not self.times_s:
            unknown = np.full(len(at_s), np.nan)
            return unknown, unknown
        index = np.searchsorted(np.array(self.times_s), at_s, side="right") - 1
        known = index >= 0
        index = np.maximum(index, 0)
        salinity = np.where(known, np.array(self.salinity_psu)[index], np.nan)
        return salinity, np.where(known, np.array(self.uncertainty_psu)[index], np.nan)


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch in which one cause was reported."""

    start_s: float
    end_s: float
    cause: Cause


def segments(
    causes: list[tuple[float, Cause]], end_s: float, *, join_s: float = 0.0
) -> list[Segment]:
    """Stretches of each cause other than none; the same cause again within a gap is one."""
    found: list[Segment] = []
    last: dict[Cause, int] = {}
    edges = [*causes, (end_s, Cause.NONE)]
    for (start_s, cause), (until_s, _) in pairwise(edges):
        if cause is Cause.NONE:
            continue
        before = last.get(cause)
        if before is not None and start_s - found[before].end_s <= join_s:
            found[before] = Segment(found[before].start_s, max(until_s, start_s), cause)
            continue
        last[cause] = len(found)
        found.append(Segment(start_s, until_s, cause))
    return found


def spans(
    history: list[tuple[float, bool]], end_s: float, *, value: bool
) -> list[tuple[float, float]]:
    """Stretches in which a two-valued history has the given value."""
    edges = [*history, (end_s, not value)]
    return [
        (start_s, until_s)
        for (start_s, now), (until_s, _) in pairwise(edges)
        if now is value and until_s > start_s
    ]


def mask(times_s: FloatArray, stretches: list[tuple[float, float]]) -> BoolArray:
    """Which times lie in any of the stretches."""
    inside = np.zeros(len(times_s), dtype=np.bool_)
    for start_s, end_s in stretches:
        inside |= (times_s >= start_s) & (times_s < end_s)
    return inside
