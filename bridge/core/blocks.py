"""Hourly summaries of one tank: the memory that slow judgements rest on."""

from dataclasses import dataclass, field
from math import isfinite

HOUR_S = 3600.0
KEPT_HOURS = 24 * 15


@dataclass(slots=True)
class Block:
    """One hour of undisturbed readings."""

    hour: int
    """Whole hours since the Unix epoch."""
    samples: int = 0
    probe_psu: float = 0.0
    """Mean of the undisturbed probe readings."""
    temperature_c: float = 0.0
    low_psu: float = 0.0
    high_psu: float = 0.0
    litres: float = 0.0
    """Fresh water added, metered or estimated from the pump's running time."""
    fallen_psu: float = 0.0
    """Sum of falls that looked like added fresh water."""
    level: float | None = None
    lit_share: float = 0.0
    """Share of the hour with the light on."""
    away: bool = False
    """Whether the water was found out of its usual band: such an hour is no norm."""
    number: float | None = None
    """What the device sent, in its own unit; only of use when it did not move."""
    moved: bool = False
    """Whether that number changed within the hour."""
    step_psu: float = 0.0
    """Step of the number as sent, as a step of salinity."""
    noise_psu: float = 0.0
    """Standard deviation of the sensor, as learned by then."""
    undone_psu_per_c: float = 0.0
    """How the salinity follows the temperature while the number sent stands still."""

    @property
    def middle_psu(self) -> float:
        """Middle between the lowest and the highest estimate of the water."""
        return 0.5 * (self.low_psu + self.high_psu)

    def add(self, probe_psu: float, temperature_c: float, water_psu: float) -> None:
        """Take in one undisturbed sample."""
        self.samples += 1
        weight = 1.0 / self.samples
        self.probe_psu += weight * (probe_psu - self.probe_psu)
        self.temperature_c += weight * (temperature_c - self.temperature_c)
        if self.samples == 1:
            self.low_psu = self.high_psu = water_psu
        else:
            self.low_psu = min(self.low_psu, water_psu)
            self.high_psu = max(self.high_psu, water_psu)

    def sent(self, number: float) -> None:
        """Note what the device sent."""
        if self.number is None:
            self.number = number
        elif number != self.number:
            self.moved = True


@dataclass(slots=True)
class BlocksState:
    """Finished hours, oldest first, and the running one."""

    finished: list[Block] = field(default_factory=list)
    running: Block | None = None


class Blocks:
    """Rolls hours over."""

    __slots__ = ("state",)

    def __init__(self, state: BlocksState | None = None) -> None:
        self.state = state or BlocksState()

    def at(self, at_s: float) -> tuple[Block, bool]:
        """The block of this moment, and whether an hour was just finished."""
        hour = int(at_s // HOUR_S)
        running = self.state.running
        if running is None:
            running = self.state.running = Block(hour)
        if hour <= running.hour:
            return running, False
        finished = self.state.finished
        finished.append(running)
        if len(finished) > KEPT_HOURS:
            del finished[: len(finished) - KEPT_HOURS]
        running = self.state.running = Block(hour)
        return running, True

    def recent(self, hours: int, *, skip: int = 0) -> list[Block]:
        """Finished blocks with samples of the last ``hours``, without the newest ``skip``."""
        running = self.state.running
        if running is None:
            return []
        first, last = running.hour - hours, running.hour - skip
        # One block an hour at most: none before the newest ``hours`` of them can be meant.
        newest = self.state.finished[-hours:]
        return [b for b in newest if first <= b.hour < last and b.samples]

    def litres_of(self, hours: int) -> float:
        """Litres of the last whole hours and of the running one, disturbed or not."""
        running = self.state.running
        if running is None:
            return 0.0
        first = running.hour - hours
        newest = self.state.finished[-hours:]
        return running.litres + sum(b.litres for b in newest if b.hour >= first)

    def litres_by_day(self) -> list[float]:
        """Litres of each full day before the last one, the newest first."""
        running = self.state.running
        if running is None:
            return []
        totals: dict[int, float] = {}
        hours: dict[int, int] = {}
        for block in self.state.finished:
            age = (running.hour - 1 - block.hour) // 24
            totals[age] = totals.get(age, 0.0) + block.litres
            hours[age] = hours.get(age, 0) + 1
        return [totals[age] for age in sorted(totals) if age >= 1 and hours[age] >= 20]  # noqa: PLR2004

    def shift(self, change_psu: float) -> None:
        """Move all remembered salinities by a known change of the water, such as a water change."""
        for block in [*self.state.finished, *([self.state.running] if self.state.running else [])]:
            block.probe_psu += change_psu
            block.low_psu += change_psu
            block.high_psu += change_psu


def quantile(values: list[float], share: float) -> float:
    """Linear quantile of a list of finite numbers. ValueError when it is empty."""
    ordered = sorted([value for value in values if isfinite(value)])
    if not ordered:
        raise ValueError("a quantile needs at least one value")
    position = share * (len(ordered) - 1)
    low = int(position)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (position - low) * (ordered[high] - ordered[low])
