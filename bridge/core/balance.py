"""Is the water itself off? The salt balance against what is normal for this tank.

Salt stays when water evaporates, so in a healthy tank the salinity moves in a band: it climbs by
evaporation and falls back at the top-off. Leaving the band at a pace that the plumbing allows is a
real change; litres, pump time and level tell the likely reason. A pace or direction that the added
litres contradict is the probe.
"""

from dataclasses import dataclass, field
from math import exp, log, sqrt
from typing import Final

from bridge.core.blocks import Block, quantile
from bridge.core.densities import normal

HOUR_S: Final = 3600.0
BAND_HOURS: Final = 96
SKIPPED_HOURS: Final = 24
"""The newest day does not count as normal yet: a slow fault must not become its own norm."""
LEAST_BAND_HOURS: Final = 8
FIRST_BAND_PSU: Final = 0.05
MARGIN_PSU: Final = 0.12
"""Excursion that is worth a finding, besides the uncertainty of the estimate itself."""
STAYING: Final = 0.6
"""Share of the margin at which a reported excursion ends."""
AMID_ADDITIONS: Final = 0.6
OVERDUE: Final = 1.6
BY_OVERDUE: Final = 0.85
"""Share of a rise that is the water, once a top-off has not come for so many usual pauses."""
LITRES_WEIGH: Final = 3.0
"""Largest log odds by litres: meters miss what comes out of a jug."""
LEVEL_WEIGHS: Final = 4.0
"""Largest log odds by the level: floats stick, and salt can be added slowly, too."""
LEVEL_MISSING: Final = -2.0
LEVEL_SILENT_S: Final = HOUR_S
"""A level that has not been heard for so long tells nothing any more."""
MISSING_FOR_S: Final = 2.0 * HOUR_S
"""A top-off may come late once (assumed)."""
SHARE_MEMORY_H: Final = 6.0
SHIFT_DOUBT: Final = 0.35
SHIFT_DOUBT_S: Final = 24.0 * HOUR_S
ACCEPTED_HOURS: Final = 22
FALL_HOURS: Final = 3
LEAST_FALL_HOURS: Final = 12
FALLS_KNOWN: Final = 60
SELDOM: Final = 0.975
UNSEEN_FALL_HOURS: Final = 84
BRISK_H: Final = 2.0
SLOW_H: Final = 12.0
"""What left the band a moment ago is taken to have been on its way for so long (assumed)."""
LEVEL_STEP: Final = 0.3
LEVEL_NOISES: Final = 1.5
LEVEL_KNOWN_S: Final = 24.0 * HOUR_S
JUMP_LASTS_S: Final = 2.0 * HOUR_S
"""A longer stop of a pump is no feeding break: the level counts as it is again (assumed)."""
SLOW_PSU_H: Final = 0.008
FAST_PSU_H: Final = 0.03
"""Slower than the first is drift unless litres say otherwise, faster than the second is water.

Moored sensors drift 0.015 to 0.065 a year, badly fouled ones more than 2 S a week
(0.012 S an hour); the slowest usual top-off faults move a tank by some hundredths an hour."""
PACED_FROM_PSU: Final = 0.05
"""From this size on the pace of an excursion means something."""
NO_DRIFT_PSU_H: Final = 0.05
"""No film grows this fast: litres that do not explain it were not metered."""


@dataclass(slots=True)
class BalanceState:
    """The normal band and the present excursion."""

    low_psu: float | None = None
    high_psu: float | None = None
    usual_fall_psu: float | None = None
    """Fall within a few hours that is seldom exceeded here; None before it is known."""
    floor_psu: float | None = None
    """Where such a fall from the last few hours would end."""
    band_hours: int = 0
    left_low_s: float | None = None
    left_high_s: float | None = None
    pace_psu_h: float = 0.0
    """Fastest pace of the present excursion: what came quickly and stays is no slow drift."""
    real_share: float = 1.0
    """Share of the present excursion that is real, followed over hours."""
    judged_s: float | None = None
    litres_day: float | None = None
    """Usual litres of fresh water a day."""
    level_normal: float | None = None
    level_spread: float = 0.0
    """Usual deviation of the level from normal: seen, noise, or at first assumed."""
    level: float | None = None
    level_at_s: float | None = None
    levels: list[float] = field(default_factory=list)
    level_noise: float = 0.0
    first_level_s: float = 0.0
    level_raw: float | None = None
    """As it arrived."""
    level_jump: float = 0.0
    """Part of it that came in a jump that no addition makes."""
    level_jump_s: float = 0.0
    low_since_s: float | None = None
    """Since when the level is lower than the top-off usually lets it fall."""
    shifted_s: float | None = None
    """When the water was last changed as announced."""
    shift_doubt_psu: float = 0.0
    mismixed_s: float | None = None
    """When a water change was found wrongly mixed."""


@dataclass(slots=True)
class Excursion:
    """How likely it is that the water has left its band, and the share that is real."""

    dilution: float = 0.0
    """Probability that the water is fresher than its band."""
    concentration: float = 0.0
    real_share: float = 1.0
    """Share of that probability that is the water rather than the probe drifting."""
    size_psu: float = 0.0
    pace_psu_h: float = 0.0
    hours: float = 0.0
    expected_psu: float | None = None
    """Change that added and evaporated litres since then make; None when nobody meters them."""


@dataclass(frozen=True, slots=True)
class Added:
    """Fresh water since an excursion began, as the change of salinity it makes."""

    fall_psu: float
    """Fall by all that was added."""
    usual_psu: float
    """The part that usually replaces evaporation in that time."""
    sd_psu: float
    """Doubt about the difference."""
    overdue: float = 0.0
    """Time since the last addition over the usual time from one to the next; 0 when unknown."""


def logistic(x: float) -> float:
    """Share that has the log odds ``x``."""
    if x < -30.0:  # noqa: PLR2004
        return 0.0
    return 1.0 / (1.0 + exp(-min(x, 30.0)))


class Balance:
    """Keeps the band, judges excursions."""

    __slots__ = ("_swing", "excursion", "state")

    def __init__(self, state: BalanceState | None = None) -> None:
        self.state = state or BalanceState()
        self.excursion = Excursion()
        # Sorting hundreds of levels costs more than all the rest; they come seldom.
        self._swing: float | None = None

    def start(self, salinity_psu: float, expected_rise_psu_day: float) -> None:
        """Assume a band around the first settled estimate: one day without top-off at most."""
        state = self.state
        if state.low_psu is None:
            state.low_psu = salinity_psu - FIRST_BAND_PSU
            state.high_psu = salinity_psu + max(expected_rise_psu_day, FIRST_BAND_PSU)

    def hourly(
        self,
        at_s: float,
        salinity_psu: float,
        blocks: list[Block],
        expected_rise_psu_day: float,
        usual_swing: float,
    ) -> None:
        """Renew the band from undisturbed hours, newest ones left out.

        Args:
            at_s: Now. [s]
            salinity_psu: Estimate. [psu]
            blocks: Undisturbed hours of the last days, oldest first.
            expected_rise_psu_day: Rise by a day of evaporation. [psu]
            usual_swing: Of the level, to assume on the first day.
        """
        state = self.state
        excursion = self.excursion
        away = max(excursion.dilution, excursion.concentration) > 0.5  # noqa: PLR2004
        state.band_hours = len(blocks)
        if len(blocks) >= LEAST_BAND_HOURS and not away:
            low = quantile([b.low_psu for b in blocks], 0.1)
            high = quantile([b.high_psu for b in blocks], 0.9)
            if len(blocks) < BAND_HOURS // 2:
                # A tank topped up once a day has not shown its whole tooth yet.
                high = max(high, low + expected_rise_psu_day)
            state.low_psu, state.high_psu = low, high
            # Where the band moves over the water, the water was there for long.
            before_s = at_s - 24.0 * HOUR_S
            if salinity_psu < low and state.left_low_s is None:
                state.left_low_s = before_s
            if salinity_psu > high and state.left_high_s is None:
                state.left_high_s = before_s
        if state.levels and not away:
            normal_level = quantile(state.levels, 0.5)
            state.level_normal = normal_level
            known = at_s - state.first_level_s > LEVEL_KNOWN_S
            state.level_spread = max(
                self.level_swing(),
                LEVEL_NOISES * state.level_noise,
                0.0 if known else usual_swing,
            )

    def accept(self, blocks: list[Block]) -> None:
        """Take a level at which the water has stayed for a day as its new norm.

        The finding has been told for a day; what the keeper left as it is, is meant to be so.

        Args:
            blocks: Undisturbed hours of the last days, oldest first.
        """
        state = self.state
        newest = blocks[-ACCEPTED_HOURS:]
        if len(newest) < ACCEPTED_HOURS or not all(b.away for b in newest):
            return
        if self.excursion.real_share < 0.5:  # noqa: PLR2004
            # A probe that drifts makes no norm.
            return
        low = quantile([b.low_psu for b in newest], 0.1)
        high = quantile([b.high_psu for b in newest], 0.9)
        middles = [b.middle_psu for b in newest]
        half = len(middles) // 2
        moved = sum(middles[half:]) / (len(middles) - half) - sum(middles[:half]) / half
        if abs(moved) > MARGIN_PSU or state.low_psu is None or state.high_psu is None:
            return
        for block in blocks[:-ACCEPTED_HOURS]:
            block.away = True
        for block in newest:
            block.away = False
        state.low_psu, state.high_psu = low, max(high, low + state.high_psu - state.low_psu)
        state.left_low_s = state.left_high_s = None
        state.pace_psu_h = 0.0
        self.excursion.dilution = self.excursion.concentration = 0.0

    def falls(
        self,
        blocks: list[Block],
        newest: list[Block],
        expected_rise_psu: float,
        *,
        watched: bool,
    ) -> None:
        """Learn how far the water falls within a few hours, and where such a fall would end now.

        A band that holds the traces of days says little about an hour.

        Args:
            blocks: Undisturbed hours of the last days, oldest first, the newest included.
            newest: Those of the last few hours.
            expected_rise_psu: Rise between two top-offs, which the next one takes back. [psu]
            watched: Whether additions are seen. Who tops off by hand may do so every few days.
        """
        state = self.state
        if len(blocks) >= (LEAST_FALL_HOURS if watched else UNSEEN_FALL_HOURS):
            falls = [
                max(b.high_psu for b in blocks[i - FALL_HOURS : i + 1]) - blocks[i].low_psu
                for i in range(FALL_HOURS, len(blocks))
                if blocks[i].hour - blocks[i - FALL_HOURS].hour == FALL_HOURS
            ]
            if falls:
                usual_psu = quantile(falls, SELDOM)
                if len(falls) < FALLS_KNOWN:
                    # A top-off that comes once a day has been seen twice at most.
                    usual_psu = max(usual_psu, expected_rise_psu)
                state.usual_fall_psu = usual_psu
        if state.usual_fall_psu is None or not newest or state.low_psu is None:
            state.floor_psu = None
        else:
            floor_psu = max(b.high_psu for b in newest) - state.usual_fall_psu
            # A fall back to where the water usually is puts right what was wrong before.
            middle_psu = 0.5 * (state.low_psu + (state.high_psu or state.low_psu))
            state.floor_psu = min(floor_psu, middle_psu)

    def usual_litres(self, by_day: list[float]) -> None:
        """Learn what is usually added in a day; known once there is one full day.

        That day has to lie behind the newest one, so even a tank that is off by now may have shown
        its habit before.
        """
        excursion = self.excursion
        away = max(excursion.dilution, excursion.concentration) > 0.5  # noqa: PLR2004
        if by_day and (not away or self.state.litres_day is None):
            self.state.litres_day = quantile(by_day[:7], 0.5)

    def brought_back(self, before_psu: float, change_psu: float) -> float:
        """The part of a change that only brings water back that was out of its band. [psu]."""
        low, high = self.state.low_psu, self.state.high_psu
        if low is None or high is None:
            return 0.0
        if change_psu > 0.0:
            return min(change_psu, max(low - before_psu, 0.0))
        return max(change_psu, min(high - before_psu, 0.0))

    def shift(self, change_psu: float, *, at_s: float | None = None, sd_psu: float = 0.0) -> None:
        """The water was changed on purpose; its band moves along, and is in doubt for a day.

        Args:
            change_psu: As announced. [psu]
            at_s: When. [s]
            sd_psu: Doubt about it: litres and salinity of the new water are not exact. [psu]
        """
        state = self.state
        state.shifted_s, state.shift_doubt_psu = at_s, SHIFT_DOUBT * sd_psu
        if state.low_psu is not None and state.high_psu is not None:
            state.low_psu += change_psu
            state.high_psu += change_psu
        if state.floor_psu is not None:
            state.floor_psu += change_psu

    def inside(self) -> None:
        """The water is within its band: an excursion that was is over."""
        state = self.state
        if state.left_low_s is not None or state.left_high_s is not None:
            state.left_low_s = state.left_high_s = None
            state.pace_psu_h = 0.0
            self.excursion.dilution = self.excursion.concentration = 0.0

    def level(self, at_s: float, level: float, fill_units_h: float) -> None:
        """Take in a water level.

        Args:
            at_s: When. [s]
            level: In any unit.
            fill_units_h: The fastest that additions can raise it, per hour.
        """
        state = self.state
        before, before_s = state.level_raw, state.level_at_s
        state.level_raw, state.level_at_s = level, at_s
        if before is not None and before_s is not None:
            jump = level - before
            possible = fill_units_h * max(at_s - before_s, 0.0) / HOUR_S
            if state.level_spread > 0.0 and abs(jump) > max(possible, 3.0 * state.level_spread):
                # No addition does that: a pump stopped and its water stands elsewhere now.
                self._jump(at_s, jump)
                if state.level_jump == 0.0:
                    state.level = level
                return
            if state.level_jump and at_s - state.level_jump_s > JUMP_LASTS_S:
                state.level_jump = 0.0
        level -= state.level_jump
        if state.level is None:
            state.level, state.first_level_s = level, at_s
        else:
            # Waves and splashes: one reading in a few is odd.
            odd = level - state.level
            state.level_noise += LEVEL_STEP * (abs(odd) - state.level_noise)
            state.level += LEVEL_STEP * odd
        if state.level_jump:
            return
        deviation = self.level_deviation()
        if deviation is None or deviation >= LEVEL_MISSING:
            state.low_since_s = None
        elif state.low_since_s is None:
            state.low_since_s = at_s
        state.levels.append(level)
        self._swing = None
        if len(state.levels) > 400:  # noqa: PLR2004 - thinned, so that days are remembered
            state.levels = state.levels[::2]

    def _jump(self, at_s: float, jump: float) -> None:
        """Add up the parts of a jump there and back; what is about undone is over."""
        state = self.state
        before = state.level_jump
        state.level_jump += jump
        state.level_jump_s = at_s
        back = before * jump < 0.0
        if back and (state.level_jump * before <= 0.0 or abs(state.level_jump) < 0.3 * abs(jump)):
            state.level_jump = 0.0

    def level_deviation(self) -> float | None:
        """Level above (+) or below (-) normal in units of its usual swing; None when unknown."""
        state = self.state
        if state.level is None or state.level_normal is None or len(state.levels) < 20:  # noqa: PLR2004
            return None
        return (state.level - state.level_normal) / self.level_unit(state.level_normal)

    def level_swing(self) -> float:
        """Deviation of the level from its middle that was seen, in its unit; 0 at first."""
        if self._swing is None:
            levels = self.state.levels
            if not levels:
                return 0.0
            middle = quantile(levels, 0.5)
            self._swing = max(quantile(levels, 0.95) - middle, middle - quantile(levels, 0.05))
        return self._swing

    def level_unit(self, normal: float) -> float:
        """What deviations of the level are counted in, in its unit; never 0."""
        return max(self.state.level_spread, 1e-3 * abs(normal), 1e-6)

    def missing(self, at_s: float) -> bool:
        """Whether water has been missing for longer than a late top-off makes it."""
        since_s, heard_s = self.state.low_since_s, self.state.level_at_s
        if since_s is None or heard_s is None or at_s - heard_s > LEVEL_SILENT_S:
            return False
        return at_s - since_s > MISSING_FOR_S

    def judge(
        self,
        at_s: float,
        salinity_psu: float,
        variance: float,
        slope_psu_h: float,
        pace_psu_h: float,
        moved_psu: float,
        tooth_psu: float,
        spread_psu: float,
        added: Added | None,
        *,
        reported: bool,
    ) -> Excursion:
        """Weigh the present excursion.

        Args:
            at_s: When. [s]
            salinity_psu: Estimate that follows the reading. [psu]
            variance: Its variance, without the calibration's. [psu^2]
            slope_psu_h: Learned rise by evaporation. [psu/h]
            pace_psu_h: How fast the estimate moved over the last hours; signed. [psu/h]
            moved_psu: How far it moved over the last two or three. [psu]
            tooth_psu: What a usual run of the top-off makes, with some slack; 0 when unknown. [psu]
            spread_psu: Change by the water that makes the usual deviation of the level. [psu]
            added: What the fresh water since the excursion began should have done; None when
                nobody meters or times it.
            reported: Whether the excursion is already the reported cause: it then ends later than
                it began.
        """
        state, excursion = self.state, self.excursion
        excursion.expected_psu = None
        if state.low_psu is None or state.high_psu is None:
            excursion.dilution = excursion.concentration = 0.0
            return excursion
        below, above = state.low_psu - salinity_psu, salinity_psu - state.high_psu
        if state.floor_psu is not None:
            below = max(below, state.floor_psu - salinity_psu)
        state.left_low_s = self._left(state.left_low_s, at_s, below)
        state.left_high_s = self._left(state.left_high_s, at_s, above)
        if state.left_low_s is None and state.left_high_s is None:
            excursion.dilution = excursion.concentration = excursion.size_psu = 0.0
            state.pace_psu_h = 0.0
            return excursion
        level = self.level_deviation()
        margin, width = self._margin(at_s, variance, below, level, reported=reported), 0.015
        left_s = state.left_low_s if below > 0.0 else state.left_high_s
        hours = max((at_s - (left_s if left_s is not None else at_s)) / HOUR_S, 1.0 / 60.0)
        size = max(below, above)
        if size > PACED_FROM_PSU:
            away_psu_h = pace_psu_h if above > 0.0 else -pace_psu_h
            # Beyond what a usual top-off makes in such a time.
            jumped_psu = abs(moved_psu) - 2.0 * sqrt(variance)
            brisk = hours < BRISK_H and size > MARGIN_PSU and jumped_psu > tooth_psu
            brisk_psu_h = size / max(hours, 0.5) if brisk else 0.0
            state.pace_psu_h = max(state.pace_psu_h, away_psu_h, brisk_psu_h)
        excursion.size_psu, excursion.hours = size, hours
        # A usual top-off alone may have brought it there in a moment.
        lately_psu_h = (size - tooth_psu - 2.0 * sqrt(variance)) / max(hours, 1.0)
        excursion.pace_psu_h = max(state.pace_psu_h, lately_psu_h, size / max(hours, SLOW_H))
        excursion.dilution = logistic((below - margin) / width)
        excursion.concentration = logistic((above - margin) / width)
        if added is not None:
            excursion.expected_psu = added.usual_psu - added.fall_psu
        if below > 0.0:
            share = self._real_fall(level, added)
        else:
            share = self._real_rise(slope_psu_h, level, spread_psu, added)
            if self.missing(at_s):
                share = max(share, 0.95)
        # Litres come in lumps: once an excursion is being told, the share follows within hours.
        step = 1.0
        if reported and state.judged_s is not None and excursion.pace_psu_h < NO_DRIFT_PSU_H:
            step = min(max(at_s - state.judged_s, 0.0) / HOUR_S / SHARE_MEMORY_H, 1.0)
        state.judged_s = at_s
        state.real_share += step * (share - state.real_share)
        excursion.real_share = state.real_share
        return excursion

    def _margin(
        self, at_s: float, variance: float, below: float, level: float | None, *, reported: bool
    ) -> float:
        """How far out of the band is worth a finding. [psu]."""
        margin = MARGIN_PSU + 2.0 * sqrt(variance)
        if self.state.band_hours < LEAST_BAND_HOURS:
            margin += 0.06
        if self.state.shifted_s is not None and at_s - self.state.shifted_s < SHIFT_DOUBT_S:
            margin += self.state.shift_doubt_psu
        if reported:
            margin *= STAYING
        if level is not None and (level > 2.0 if below > 0.0 else level < -2.0):  # noqa: PLR2004
            # Water in surplus or missing is seen before the salinity is far off.
            margin *= 0.6
        return margin

    @staticmethod
    def _left(left_s: float | None, at_s: float, outside_psu: float) -> float | None:
        if outside_psu > 0.01:  # noqa: PLR2004
            return left_s if left_s is not None else at_s
        return None if outside_psu <= 0.0 else left_s

    def _real_fall(self, level: float | None, added: Added | None) -> float:
        """Share of a fall that is real, by litres, level and pace."""
        excursion = self.excursion
        pace = excursion.pace_psu_h
        by_pace = (log(pace) - log(SLOW_PSU_H)) / (log(FAST_PSU_H) - log(SLOW_PSU_H))
        share = min(max(by_pace, 0.1), 0.97)
        if added is not None:
            share = self._by_litres(share, added.fall_psu - added.usual_psu, added.sd_psu)
        if level is not None and level > 2.0:  # noqa: PLR2004
            return max(share, 0.95)
        return share

    def _real_rise(
        self, slope_psu_h: float, level: float | None, spread_psu: float, added: Added | None
    ) -> float:
        """Share of a rise that is real: evaporation without top-off climbs at a known pace."""
        excursion = self.excursion
        ratio = excursion.pace_psu_h / max(slope_psu_h, 1e-4)
        share = 0.85 if 0.4 < ratio < 2.5 else 0.7 if ratio >= 2.5 else 0.15  # noqa: PLR2004
        if added is not None:
            if added.overdue > OVERDUE:
                share = max(share, BY_OVERDUE)
            else:
                # Between two additions every healthy reading climbs at this pace, too.
                share = min(share, AMID_ADDITIONS)
            share = self._by_litres(share, added.usual_psu - added.fall_psu, added.sd_psu)
            if added.fall_psu < 0.05 * added.usual_psu and added.usual_psu > 2.0 * added.sd_psu:
                share = max(share, 0.9)
        if level is not None and excursion.pace_psu_h < NO_DRIFT_PSU_H:
            # A pace like this is not salt poured in: water has to be missing, and the level tells.
            share = logistic(log(share / (1.0 - share)) + self._missing_log(level, spread_psu))
        return share

    def _missing_log(self, level: float, spread_psu: float) -> float:
        """Log odds by the level that a rise is evaporated water which nobody replaced."""
        lacking = self.excursion.size_psu / max(spread_psu, 1e-6)
        doubt = 1.0 + 0.4 * lacking
        by_water = normal(level + 1.0 + lacking, doubt)
        by_probe = 0.9 * normal(level, 1.0) + 0.1 * normal(level, 3.0)
        return min(max(log((by_water + 1e-9) / (by_probe + 1e-9)), -LEVEL_WEIGHS), LEVEL_WEIGHS)

    def _by_litres(self, share: float, moved_psu: float, sd_psu: float) -> float:
        """Weigh a share by the change that the litres make.

        Were the excursion real, the litres would explain all of it; were it the probe, none.
        """
        size = self.excursion.size_psu
        ratio = (size * moved_psu - 0.5 * size * size) / (sd_psu * sd_psu)
        if self.excursion.pace_psu_h > NO_DRIFT_PSU_H:
            # No film grows so fast: what the litres do not explain was not metered.
            ratio = max(ratio, 0.0)
        ratio = min(max(ratio, -LITRES_WEIGH), LITRES_WEIGH)
        return logistic(log(share / (1.0 - share)) + ratio)
