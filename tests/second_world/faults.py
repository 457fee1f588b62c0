"""Labelled disturbances of the reading, and the label of every episode."""

from dataclasses import dataclass, field

import numpy as np
from numpy.random import Generator
from numpy.typing import NDArray

from tests.second_world.tank import FloatArray

BoolArray = NDArray[np.bool_]


@dataclass(slots=True, kw_only=True)
class Episode:
    """One labelled disturbance or one real failure of the water.

    Attributes:
        cause: Identifier of the contract, section 3.
        look: Which of its looks.
        begin_s: Seconds since the start of the scenario.
        end_s: End of the disturbance.
        excused_until_s: Until then a report of it is no false report: the keeper has put the
            water right, windows have emptied.
        off_until_s: Until then the water is still not what it was, and its finding is right.
        named_by_s: When it has to be named, by issue 3; infinite when there is no deadline.
        held_from_s: From then on a permit that rests on salinity is wrong; see above.
        spans: When the reading is really disturbed, or the water really off, in pairs.
        size_psu: Signed size in salinity.
        untellable: Why nobody could name it from the inputs configured, or empty.
        details: What else there is to know.
    """

    cause: str
    look: str
    begin_s: float
    end_s: float
    excused_until_s: float = 0.0
    off_until_s: float = 0.0
    named_by_s: float = float("inf")
    held_from_s: float = float("inf")
    spans: list[tuple[float, float]] = field(default_factory=list)
    size_psu: float = 0.0
    untellable: str = ""
    details: dict[str, str] = field(default_factory=dict)

    @property
    def is_water(self) -> bool:
        """Whether the water itself fails."""
        return self.cause in {"dilution", "concentration"}


@dataclass(slots=True)
class Effects:
    """What disturbances do to the samples of the probe, all (n,), at ``at_s``."""

    at_s: FloatArray
    offset_psu: FloatArray = field(init=False)
    factor: FloatArray = field(init=False)
    missing: BoolArray = field(init=False)
    garbage: BoolArray = field(init=False)
    frozen: BoolArray = field(init=False)
    disturbed: BoolArray = field(init=False)
    thermometer_out: list[tuple[float, float, float, float]] = field(default_factory=list)
    thermometer_missing: list[tuple[float, float]] = field(default_factory=list)

    def __post_init__(self) -> None:
        count = len(self.at_s)
        self.offset_psu = np.zeros(count)
        self.factor = np.ones(count)
        self.missing = np.zeros(count, dtype=bool)
        self.garbage = np.zeros(count, dtype=bool)
        self.frozen = np.zeros(count, dtype=bool)
        self.disturbed = np.zeros(count, dtype=bool)

    def within(self, begin_s: float, end_s: float) -> BoolArray:
        """Which samples lie in a span."""
        inside: BoolArray = (self.at_s >= begin_s) & (self.at_s < end_s)
        return inside

    def spans_of(self, mask: BoolArray) -> list[tuple[float, float]]:
        """Spans of consecutive samples for which the mask holds."""
        edges = np.flatnonzero(np.diff(np.concatenate(([0], mask.astype(np.int8), [0]))))
        last = len(self.at_s) - 1
        return [
            (float(self.at_s[a]), float(self.at_s[min(b, last)]))
            for a, b in zip(edges[::2], edges[1::2], strict=True)
        ]


def gas_factor(fraction: FloatArray) -> FloatArray:
    """Conductivity with dispersed gas over that without.

    Source: Maxwell 1873, for spheres that do not conduct.
    """
    factor: FloatArray = (1.0 - fraction) / (1.0 + fraction / 2.0)
    return factor


def slow_noise(rng: Generator, at_s: FloatArray, lasting_s: float) -> FloatArray:
    """Noise of unit size whose memory fades with ``lasting_s``, (n,)."""
    steps = np.diff(at_s, prepend=at_s[:1] - 1e9)
    keep = np.exp(-steps / lasting_s)
    fresh = np.sqrt(1.0 - keep**2) * rng.standard_normal(len(at_s))
    out = np.zeros(len(at_s))
    value = 0.0
    for index, (kept, new) in enumerate(zip(keep.tolist(), fresh.tolist(), strict=True)):
        value = kept * value + new
        out[index] = value
    return out
