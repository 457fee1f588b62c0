"""Where and how long the history is kept, as the keeper configures it."""

from dataclasses import dataclass
from typing import Annotated, ClassVar

from annotated_types import Ge, Le, MinLen

from bridge.core.settings import FORBID_UNKNOWN


@dataclass(frozen=True, slots=True, kw_only=True)
class StorageSettings:
    """The history's file, its resolution over time and how it treats a flash card."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    path: Annotated[str, MinLen(1)] = "tidegate-data/history.sqlite3"
    full_days: Annotated[float, Ge(1), Le(3660)] = 14.0
    """How long every sample is kept; the water level's, too."""
    input_days: Annotated[float, Ge(0), Le(3660)] = 14.0
    """How long every message that was heard is kept, to be judged again; 0 keeps none."""
    minute_days: Annotated[float, Ge(1), Le(36600)] = 90.0
    """How long minute summaries are kept, and the switching of devices."""
    hour_days: Annotated[float, Ge(1), Le(36600)] | None = None
    """How long hour summaries and events are kept; left out, for ever."""
    batch_s: Annotated[float, Ge(0.05), Le(600)] = 30.0
    """Time between writes. A power cut loses at most this much; a flash card likes it long."""
    batch_rows: Annotated[int, Ge(1), Le(100_000)] = 5000
    """Rows that are written at once, without waiting for the time."""
    queue_rows: Annotated[int, Ge(100), Le(1_000_000)] = 20_000
    """Rows that wait in memory while the disk is full; further samples are dropped and counted."""
    largest_mb: Annotated[float, Ge(10)] = 4000.0
    """Size above which full resolution and minute summaries are thinned out earlier."""
    check_s: Annotated[float, Ge(0), Le(600)] = 5.0
    """Longest time that the file is checked for damage at the start."""

    def __post_init__(self) -> None:
        """Refuse a coarser resolution that is kept shorter than a finer one."""
        if self.minute_days < self.full_days:
            raise ValueError("minute_days must not be below full_days")
        if self.hour_days is not None and self.hour_days < self.minute_days:
            raise ValueError("hour_days must not be below minute_days")
