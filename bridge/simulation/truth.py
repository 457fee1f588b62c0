"""What really happened in a simulated tank: the water, and the labelled faults."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from bridge.core.findings import Cause

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """One fault: when it acted, what it was, how large, and by when it ought to be seen."""

    start_s: float
    end_s: float
    cause: Cause
    detail: str
    size_psu: float
    """Typical effect on the reading (signed), or on the water for a real change; 0 if none."""
    deadline_s: float
    """Time by which it is reasonable to expect a diagnosis; infinite when it is not."""
    device: str | None = None
    """Identifier of the device that does it, when there is one."""
    minor: bool = False
    """Too small, short or fast to be told by anybody: naming it is right, not naming it no miss."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """A span in which some actuators must not be permitted."""

    start_s: float
    end_s: float
    of: str
    """``salinity``: actuators driven by the reading; ``fresh-water``: those that dilute."""
    cause: Cause


@dataclass(slots=True, kw_only=True)
class Truth:
    """Ground truth of one scenario; arrays share the shape ``(n,)``."""

    times_s: FloatArray
    salinity_psu: FloatArray
    """Practical salinity that the water would have if it were mixed this instant."""
    probe_salinity_psu: FloatArray
    """Practical salinity of the water that surrounds the probe."""
    temperature_c: FloatArray
    volume_l: FloatArray
    level_mm: FloatArray
    fresh_l: FloatArray
    """Fresh water added since the start, cumulative."""
    evaporated_l: FloatArray
    changing: BoolArray
    """The water really changes, beyond the healthy saw-tooth of evaporation and top-off."""
    probe_bias_psu: float = 0.0
    """Calibration error of the probe at S = 35; 0 for an unbiased one."""
    coefficient_error_pct_per_c: float = 0.0
    """What the device uses minus what is declared."""
    labels: list[Label] = field(default_factory=list)
    holds: list[Hold] = field(default_factory=list)

    def salinity_at(self, times_s: FloatArray) -> FloatArray:
        """Practical salinity of the mixed water at the given times."""
        return np.interp(times_s, self.times_s, self.salinity_psu)
