"""Whether the water is out of its band, and whether that is the water or the probe."""

from math import log
from typing import Final

from bridge.core.balance import NO_DRIFT_PSU_H, Added, Balance, Excursion, logistic
from bridge.core.blocks import Blocks
from bridge.core.diagnosis_state import DAY_H, HOUR_S, UNKNOWN_SHARE, DiagnosisState
from bridge.core.estimator import Physics, WaterState
from bridge.core.findings import Cause
from bridge.core.inflow import Inflow
from bridge.core.settings import Tank
from bridge.core.slow_trends import LEAST_DRIFT_PSU, LEAST_REPLACED
from bridge.core.water_level import level_factor

EXCURSIONS: Final = frozenset({Cause.DILUTION, Cause.CONCENTRATION, Cause.DRIFT})
EVAPORATION_UNSEEN: Final = 0.7
"""Doubt about a day's evaporation that no litres have confirmed yet, as a share of it."""
SPREAD_SHARE: Final = 0.0015
"""Half of the usual swing of the level, as a share of the volume (assumed)."""
PACE_HOURS: Final = 12
MOVED_HOURS: Final = 3


def is_brisk(excursion: Excursion) -> bool:
    """Whether an excursion came faster than any film grows."""
    return excursion.pace_psu_h > NO_DRIFT_PSU_H


def _logit(share: float) -> float:
    bounded = min(max(share, 0.01), 0.99)
    return log(bounded / (1.0 - bounded))


class Excursions:
    """Weighs one tank's estimate against the band in which its water usually stays."""

    __slots__ = ("_balance", "_blocks", "_inflow", "_physics", "_state", "_tank")

    def __init__(
        self,
        tank: Tank,
        state: DiagnosisState,
        physics: Physics,
        inflow: Inflow,
        balance: Balance,
        blocks: Blocks,
    ) -> None:
        self._tank, self._state, self._physics = tank, state, physics
        self._inflow, self._balance, self._blocks = inflow, balance, blocks

    def weigh(self, at_s: float, odds: dict[Cause, float]) -> None:
        """Give their log odds to dilution, concentration and drift."""
        water, balance = self._state.water, self._state.balance
        if water is None or self._still_mixing(at_s):
            return
        left_s = balance.left_low_s or balance.left_high_s
        added = None
        if self._inflow.watched and left_s is not None:
            # Whether more or less is added than usual shows only over a whole usual pause.
            gap_s = self._inflow.state.usual_gap_s or 0.0
            left_s = min(left_s, at_s - min(1.2 * gap_s, DAY_H * HOUR_S))
            added = self._added_since(at_s, left_s, water)
        excursion = self._balance.judge(
            at_s,
            water.salinity_psu,
            water.salinity_variance,
            max(water.slope_psu_h, 0.3 * self._physics.slope_psu_h),
            self._pace_psu_h(at_s, water.salinity_psu),
            self._moved_psu(water.salinity_psu),
            self._tooth_psu(water.salinity_psu),
            0.0 if balance.level is None else self._spread_psu(water.salinity_psu),
            added,
            reported=self._state.cause in EXCURSIONS,
        )
        self._heed_trend(excursion)
        running = self._blocks.state.running
        if running is not None and excursion.dilution > 0.5:  # noqa: PLR2004
            # A climb only shows how seldom somebody tops off here.
            running.away = True
        for share, cause in (
            (excursion.dilution, Cause.DILUTION),
            (excursion.concentration, Cause.CONCENTRATION),
        ):
            if share > 0.05:  # noqa: PLR2004
                strength = log(share / max(1.0 - share, 0.005))
                odds[cause] = max(odds[cause], strength + log(max(excursion.real_share, 0.02)))
                odds[Cause.DRIFT] = max(
                    odds[Cause.DRIFT], strength + log(max(1.0 - excursion.real_share, 0.02))
                )

    def _heed_trend(self, excursion: Excursion) -> None:
        """A trend of days that leads there tells, too, whether it is the water."""
        slope = self._state.drift
        if slope is None or abs(slope.total_psu) < LEAST_DRIFT_PSU or is_brisk(excursion):
            return
        if excursion.size_psu <= 0.0:
            return
        falling = excursion.dilution > excursion.concentration
        if falling is (slope.psu_per_day < 0.0):
            told = _logit(self._state.drift_real) - _logit(UNKNOWN_SHARE)
            excursion.real_share = logistic(_logit(excursion.real_share) + told)

    def _still_mixing(self, at_s: float) -> bool:
        """Whether the probe's corner was unmixed just now: it says little about the tank yet."""
        last_s = self._state.last_episode_s
        return (
            last_s is not None
            and self._state.last_episode_cause is Cause.PLUME
            and at_s - last_s < 3.0 * self._inflow.state.mixing_s
        )

    def _added_since(self, at_s: float, left_s: float, water: WaterState) -> Added:
        """Fresh water since the water left its band, against what is usual here."""
        per_litre = water.salinity_psu / self._tank.volume_l
        from_s = left_s - HOUR_S / 4.0
        hours = (at_s - from_s) / HOUR_S
        if hours < DAY_H:
            litres = self._inflow.litres_since(from_s)
        else:
            litres = self._blocks.litres_of(int(hours))
        usual_day = self._state.balance.litres_day
        evaporated_day = max(water.slope_psu_h, 0.0) * DAY_H
        if usual_day is None or usual_day * per_litre < LEAST_REPLACED * evaporated_day:
            # Days without a drop are no habit to measure by.
            usual_psu = evaporated_day / DAY_H * hours
            sd = EVAPORATION_UNSEEN * usual_psu + per_litre * self._inflow.usual_run_l() + 0.02
        else:
            usual_psu = usual_day / DAY_H * hours * per_litre
            # One run more or less than usual, and a fifth for the weather.
            sd = 0.2 * usual_psu + per_litre * self._inflow.usual_run_l()
        if not self._inflow.metered:
            sd += 0.2 * litres * per_litre
        else:
            # A meter may tell only when the run is over.
            running_h = self._inflow.running_s(at_s) / HOUR_S
            sd += 0.5 * per_litre * self._inflow.rate_l_h * min(running_h, hours)
        return Added(litres * per_litre, usual_psu, sd, self._inflow.overdue(at_s))

    def _tooth_psu(self, salinity_psu: float) -> float:
        """Fall by a usual run of the top-off, half as much again. [psu].

        Where nobody tells, it is the fall usually seen, at first the width of the band.
        """
        if self._inflow.watched:
            return 1.5 * self._inflow.usual_run_l() / self._tank.volume_l * salinity_psu
        balance = self._state.balance
        width_psu = (balance.high_psu or 0.0) - (balance.low_psu or 0.0)
        return width_psu if balance.usual_fall_psu is None else balance.usual_fall_psu

    def _moved_psu(self, salinity_psu: float) -> float:
        """How far the estimate moved over the last two or three hours. [psu]."""
        blocks = self._blocks.recent(MOVED_HOURS)
        return salinity_psu - blocks[0].middle_psu if blocks else 0.0

    def _pace_psu_h(self, at_s: float, salinity_psu: float) -> float:
        """How fast the estimate moved over the last few hours, a usual top-off aside. [psu/h]."""
        blocks = self._blocks.recent(PACE_HOURS)
        if not blocks:
            return 0.0
        hours = at_s / HOUR_S - (blocks[0].hour + 0.5)
        if hours < 1.0:
            return 0.0
        moved_psu = salinity_psu - blocks[0].middle_psu
        tooth_psu = self._inflow.usual_run_l() / self._tank.volume_l * salinity_psu
        beyond_psu = max(abs(moved_psu) - tooth_psu, 0.0)
        return (beyond_psu if moved_psu > 0.0 else -beyond_psu) / hours

    def _spread_psu(self, salinity_psu: float) -> float:
        """Change of the salinity by the water that moves the level by its usual deviation. [psu].

        Where no litres tell, the water's own band does: it climbs while the level falls.
        """
        settings, state = self._tank.level, self._state.balance
        if settings is not None and settings.litres_per_unit is not None:
            litres = state.level_spread / level_factor(settings.unit) * settings.litres_per_unit
            return litres / self._tank.volume_l * salinity_psu
        run_l = self._inflow.usual_run_l()
        if run_l > 0.0:
            shown_psu = 0.5 * run_l / self._tank.volume_l * salinity_psu
        elif state.low_psu is not None and state.high_psu is not None:
            shown_psu = max(0.5 * (state.high_psu - state.low_psu), SPREAD_SHARE * salinity_psu)
        else:
            shown_psu = SPREAD_SHARE * salinity_psu
        # The deviation that is assumed at first may be wider than the one that was seen.
        return shown_psu * max(state.level_spread / max(self._balance.level_swing(), 1e-6), 1.0)
