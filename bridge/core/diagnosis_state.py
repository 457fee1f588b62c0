"""What the diagnosis of one tank remembers from sample to sample, and over a restart."""

from dataclasses import dataclass, field
from typing import Final

from bridge.core.balance import BalanceState
from bridge.core.blocks import BlocksState
from bridge.core.devices import DevicesState
from bridge.core.episode import EpisodeState
from bridge.core.estimator import WaterState
from bridge.core.findings import Cause
from bridge.core.inflow import InflowState
from bridge.core.trends import Drift, TemperatureDependence

HOUR_S: Final = 3600.0
DAY_H: Final = 24.0
SETTLED_SAMPLES: Final = 6
SETTLED_S: Final = 60.0
UNKNOWN_SHARE: Final = 0.3
"""Slow trends are the probe rather than the water, where nothing tells (judgement of the trade)."""


@dataclass(slots=True)
class CheckEvidence:
    """The newest reference check against the estimate."""

    at_s: float
    difference_psu: float
    """Estimate minus reference."""
    e_n: float
    instrument: str


@dataclass(slots=True)
class Neighbour:
    """A second probe in the same water, and how it usually differs from the estimate."""

    at_s: float
    probe_psu: float
    offset_psu: float = 0.0
    samples: int = 0


@dataclass(slots=True)
class DiagnosisState:
    """Everything that has to survive a restart."""

    water: WaterState | None = None
    episode: EpisodeState | None = None
    inflow: InflowState = field(default_factory=InflowState)
    devices: DevicesState = field(default_factory=DevicesState)
    balance: BalanceState = field(default_factory=BalanceState)
    blocks: BlocksState = field(default_factory=BlocksState)
    dependence: TemperatureDependence | None = None
    drift: Drift | None = None
    drift_real: float = UNKNOWN_SHARE
    """Share of that drift which is the water rather than the probe."""
    check: CheckEvidence | None = None
    neighbour: Neighbour | None = None
    cause: Cause = Cause.NONE
    since_s: float = 0.0
    challenged_s: float | None = None
    """Since when another slow cause has been more probable than the one reported."""
    doubted_s: float | None = None
    """Since when nothing speaks for the slow cause that is reported any more."""
    lingers_until_s: float = 0.0
    """Until when pick-up counts as going on, although its device rests."""
    good_samples: int = 0
    started_s: float | None = None
    last_probe_s: float | None = None
    outside: int = 0
    """Samples outside within the last few; one alone is provisional."""
    last_outside_s: float | None = None
    readings: int = 0
    """Since the first start."""
    before_psu: float | None = None
    """The reading before."""
    quiet_psu: float = 0.0
    """Noise of the quietest tenth of the readings."""
    interference_psu: float = 0.0
    """Largest departure that was put down to it."""
    suspect: str | None = None
    """Device whose switching last coincided with a change, one coincidence or more."""
    interference_device: str | None = None
    running_until_s: float = 0.0
    """Until when water that was found running in is expected to go on."""
    at_level_s: float | None = None
    """When the reading was last not below the water."""
    run_s: float = 0.0
    run_psu: float = 0.0
    """When the present addition began, and the water then."""
    poured_until_s: float = 0.0
    """Until when somebody who was found pouring water is expected to go on."""
    changing_until_s: float = 0.0
    """Until when the water may change by hand."""
    last_episode_s: float | None = None
    last_episode_cause: Cause = Cause.NONE

    def settled(self, at_s: float) -> bool:
        """Whether enough good samples came since the start to rely on the estimate."""
        if self.started_s is None:
            return False
        return self.good_samples >= SETTLED_SAMPLES and at_s - self.started_s >= SETTLED_S
