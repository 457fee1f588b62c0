"""What the plausibility tests remember from one sample to the next."""

from dataclasses import dataclass, field
from typing import Final

from bridge.core.findings import Flag
from bridge.core.learning import LearningState

# Local names: looking a member up on an enumeration costs more than a whole comparison.
PASS: Final = Flag.PASS
NOT_EVALUATED: Final = Flag.NOT_EVALUATED
SUSPECT: Final = Flag.SUSPECT
FAIL: Final = Flag.FAIL
MISSING: Final = Flag.MISSING

TESTS: Final = (
    "gap",
    "syntax",
    "gross_range",
    "climatology",
    "spike",
    "rate_of_change",
    "flat_line",
    "multi_variate",
    "attenuated_signal",
)
"""The tests of every probe, by the manual's names; ``neighbour`` joins with a second probe."""


def no_flags() -> dict[str, Flag]:
    """Flags before the first sample: there is nothing to judge."""
    return dict.fromkeys(TESTS, MISSING)


@dataclass(slots=True)
class QartodState:
    """Everything the tests remember; plain values, meant to be saved."""

    learning: LearningState = field(default_factory=LearningState)
    flags: dict[str, Flag] = field(default_factory=no_flags)

    # What the present flags are about, in order or not.
    judged_psu: float | None = None
    judged_reported: float | None = None

    # The newest sample in order of time, usable or not.
    at_s: float | None = None
    reported: float | None = None
    interval_s: float | None = None
    arrived_at_s: float | None = None
    untimely_at_s: float | None = None
    untimely_run: int = 0
    duplicates: int = 0
    overdue_s: float | None = None

    # The newest two with a salinity, since the last gap.
    salinity_psu: float | None = None
    salinity_at_s: float = 0.0
    temperature_c: float | None = None
    earlier_psu: float | None = None
    earlier_at_s: float = 0.0
    earlier_c: float | None = None

    # An excursion: samples that left a level and have not come back or stayed.
    excursion_samples: int = 0
    excursion_at_s: float = 0.0
    coherent_samples: int = 0
    anchor_psu: float = 0.0
    anchor_at_s: float = 0.0
    anchor_c: float | None = None
    largest_excursion_psu: float = 0.0
    settled: str | None = None
    settled_samples: int = 0
    settled_flag: Flag = NOT_EVALUATED

    # The change that the rate was judged by.
    change_psu: float = 0.0
    change_s: float = 0.0
    allowed_psu: float = 0.0

    # Means of blocks of samples, for changes too slow to stand out between two samples.
    block_samples: int = 0
    block_sum_psu: float = 0.0
    block_started_at_s: float = 0.0
    block_sum_s: float = 0.0
    mean_psu: float | None = None
    mean_at_s: float = 0.0
    slow_suspect: bool = False
    slow_change_psu: float = 0.0
    slow_allowed_psu: float = 0.0
    slow_s: float = 0.0

    # A jump of the thermometer that explains a jump of the salinity.
    jump: bool = False
    jump_at_s: float = 0.0
    jump_from_psu: float = 0.0
    jump_from_c: float = 0.0
    switched_at_s: float | None = None
    switched: str = ""
    coincident: bool = False

    neighbour_psu: float | None = None
    neighbour_at_s: float = 0.0
