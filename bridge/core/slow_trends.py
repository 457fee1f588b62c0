"""What shows over hours and days: the habits of the water, a wrong coefficient, a drift."""

from math import log
from typing import Final

from bridge.core.balance import BAND_HOURS, FALL_HOURS, SKIPPED_HOURS, Balance
from bridge.core.blocks import Block, Blocks
from bridge.core.diagnosis_state import DAY_H, HOUR_S, UNKNOWN_SHARE, DiagnosisState
from bridge.core.estimator import Physics
from bridge.core.findings import Cause
from bridge.core.inflow import Inflow
from bridge.core.settings import Tank
from bridge.core.trends import Drift, TemperatureDependence, drift, temperature_dependence
from bridge.core.water_level import usual_swing

COEFFICIENT_THAT_MATTERS_PCT: Final = 0.06
LEAST_DRIFT_PSU: Final = 0.08
LEAST_SKIPPED_HOURS: Final = 3
USUAL_GAP_SLACK: Final = 2.0
"""The time between two top-offs may double with the weather (assumed)."""
DRIFT_REAL_STEP: Final = 0.2
EVAPORATION_DOUBT: Final = 0.3
LEAST_REPLACED: Final = 0.3
RECENT_DAYS: Final = 2


class SlowTrends:
    """Follows one tank from hour to hour."""

    __slots__ = ("_balance", "_blocks", "_inflow", "_physics", "_state", "_tank", "present")

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
        self.present = self._found()
        """Whether a trend is worth to be weighed with every reading."""

    def forget(self) -> None:
        """Forget what was found: it was found of a probe that is another now."""
        self._state.dependence = self._state.drift = None
        self.present = False

    def block(self, at_s: float) -> Block:
        """The running hour; whoever comes first in a new one has the last one judged."""
        block, rolled = self._blocks.at(at_s)
        if rolled:
            self._hourly()
        return block

    def _hourly(self) -> None:
        state = self._state
        water = state.water
        if water is None:
            return
        seen = len(self._blocks.recent(BAND_HOURS))
        skipped = min(max(seen // 2, LEAST_SKIPPED_HOURS), SKIPPED_HOURS)
        self._balance.hourly(
            water.at_s,
            water.salinity_psu,
            [b for b in self._blocks.recent(BAND_HOURS + skipped, skip=skipped) if not b.away],
            self._usual_rise_psu(),
            usual_swing(self._tank),
        )
        self._balance.accept(self._blocks.recent(BAND_HOURS + SKIPPED_HOURS))
        self._balance.falls(
            self._blocks.recent(BAND_HOURS),
            self._blocks.recent(FALL_HOURS),
            self._usual_rise_psu(),
            watched=self._inflow.watched,
        )
        if self._inflow.watched:
            self._balance.usual_litres(self._blocks.litres_by_day())
        if self._tank.plumbing.flow_through_psu_h > 0.0:
            return
        salinity_psu = water.salinity_psu
        state.dependence = temperature_dependence(self._blocks.recent(240), salinity_psu)
        known = state.drift is not None
        state.drift = drift(self._blocks.recent(14 * 24), state.dependence)
        if state.drift is not None:
            # Litres come in lumps: the share is followed from hour to hour.
            share = self._real_share_of_drift(state.drift)
            step = DRIFT_REAL_STEP if known else 1.0
            state.drift_real += step * (share - state.drift_real)
        self.present = self._found()

    def rise_psu_day(self) -> float:
        """What evaporates in a day, as learned, but no less than is usual. [psu/d]."""
        water = self._state.water
        learned = water.slope_psu_h if water else 0.0
        return max(learned, self._physics.slope_psu_h) * DAY_H

    def _usual_rise_psu(self) -> float:
        """Rise between two top-offs: of a day, or of the usual time between the runs seen."""
        gap_s = self._inflow.state.usual_gap_s
        share = 1.0 if gap_s is None else min(USUAL_GAP_SLACK * gap_s / HOUR_S / DAY_H, 1.0)
        return self.rise_psu_day() * share

    def _real_share_of_drift(self, slope: Drift) -> float:
        """Share of a slow trend that is the water, by litres and level.

        The slope learned for evaporation holds the trend itself, so it proves nothing here: only
        litres that have changed against what was usual, or water that is missing, do.
        """
        water = self._state.water
        if water is None:
            return UNKNOWN_SHARE
        rising = slope.psu_per_day > 0.0
        level = self._balance.level_deviation()
        missing = self._balance.missing(water.at_s)
        days = self._blocks.litres_by_day()[:RECENT_DAYS]
        if not self._inflow.watched or not days:
            if rising and level is not None:
                return 0.9 if missing else 0.1
            return UNKNOWN_SHARE
        litres_day = sum(days) / len(days)
        usual_day = self._state.balance.litres_day or 0.0
        per_litre = water.salinity_psu / self._tank.volume_l
        if usual_day * per_litre < LEAST_REPLACED * self.rise_psu_day():
            # Next to nothing was ever added: a rise is evaporation.
            return 0.9 if rising and litres_day <= usual_day else 0.1
        excess = litres_day - usual_day
        contradicted = rising and level is not None and not missing
        if contradicted or abs(excess) < EVAPORATION_DOUBT * usual_day:
            return 0.1
        explained = -excess * per_litre / slope.psu_per_day
        return 0.9 if 0.5 < explained < 3.0 else 0.1  # noqa: PLR2004

    def weigh(self, odds: dict[Cause, float]) -> None:
        """Give their log odds to the causes that a trend or a reference check speaks for."""
        dependence, slope = self._dependence_that_matters(), self._drift_that_matters()
        check = self._state.check
        if dependence is not None:
            odds[Cause.COMPENSATION] = min(2.0 * (abs(dependence.z) - 4.0), 6.0)
        if slope is not None:
            strength = min(1.5 * (abs(slope.z) - 5.0), 5.0)
            direction = Cause.DILUTION if slope.psu_per_day < 0.0 else Cause.CONCENTRATION
            excursion = self._balance.excursion
            away = max(excursion.dilution, excursion.concentration) > 0.5  # noqa: PLR2004
            # While the water is out of its band, that is judged by all there is.
            real = excursion.real_share if away else self._state.drift_real
            odds[Cause.DRIFT] = max(odds[Cause.DRIFT], strength + log(max(1.0 - real, 0.02)))
            odds[direction] = max(odds[direction], strength + log(max(real, 0.02)))
        if check is not None and abs(check.e_n) > 1.0:
            odds[Cause.DRIFT] = max(odds[Cause.DRIFT], min(1.0 + 4.0 * (abs(check.e_n) - 1.0), 5.0))

    def _dependence_that_matters(self) -> TemperatureDependence | None:
        found = self._state.dependence
        matters = found is not None and abs(found.pct_per_c) > COEFFICIENT_THAT_MATTERS_PCT
        return found if matters else None

    def _drift_that_matters(self) -> Drift | None:
        found = self._state.drift
        return found if found is not None and abs(found.total_psu) > LEAST_DRIFT_PSU else None

    def _found(self) -> bool:
        """Whether a trend is worth to be weighed with every reading."""
        return self._dependence_that_matters() is not None or self._drift_that_matters() is not None
