"""Fresh water that runs in: metered, timed by the pump, or unknown.

Tells, at each sample, which change of the water is *known* (litres), which is *possible* (the pump
runs, or nobody knows) and how long an addition still mixes.
"""

from dataclasses import dataclass, field
from math import exp

from bridge.core.settings import EquipmentKind, Tank

HOUR_S = 3600.0
ASSUMED_TOP_OFF_SHARE_H = 0.15
"""Delivery when the plumbing rate is not given: 15 % of the volume an hour (assumed)."""
ASSUMED_MIXING_S = 480.0
"""Mixing time when neither given nor learned. Common practice, no source: minutes to tens of."""
HIDDEN_TOP_OFF_H = 3.0
"""Where nothing tells of top-off, one is expected every few hours (assumed)."""
DIPPING_MEMORY = 0.3
GAP_MEMORY = 0.2
UNTOLD_SHARE = 0.2
"""Share of the additions that a meter tells late (assumed)."""
NO_ADDITION_ODDS = 0.02
RATE_SLACK = 1.5
"""Pumps deliver more than their label with a short hose."""


@dataclass(slots=True)
class InflowState:
    """What has run in lately."""

    at_s: float | None = None
    pump_on: bool | None = None
    pump_since_s: float | None = None
    pump_known_s: float | None = None
    pending_psu: float = 0.0
    """Fall by litres already metered that the probe has not seen yet (mixing)."""
    meter: float | None = None
    """Last cumulative meter reading, in litres."""
    last_addition_s: float | None = None
    run_start_s: float | None = None
    """Start of the present or last run of additions."""
    mixing_s: float = ASSUMED_MIXING_S
    usual_gap_s: float | None = None
    """Usual time from one run to the next; None before two of them."""
    runs: list[float] = field(default_factory=list)
    """Starts of the runs of the last day."""
    dipping: float = 0.0
    """Share of the last runs with which the reading dipped."""
    run_dipped: bool = False
    recent: list[tuple[float, float]] = field(default_factory=list)
    """Additions of the last hours: (time, litres)."""


@dataclass(slots=True)
class Change:
    """What the water did, or may have done, since the last sample."""

    known_psu: float = 0.0
    known_sd_psu: float = 0.0
    fall_prior: float = 0.0
    """Probability that unmetered fresh water runs in."""
    fastest_fall_psu_h: float = 0.0
    fastest_rise_psu_h: float = 0.0


class Inflow:
    """Follows the fresh water of one tank."""

    __slots__ = ("_has_pump", "_metered", "change", "rate_l_h", "state", "tank")

    def __init__(self, tank: Tank, state: InflowState | None = None) -> None:
        self.tank = tank
        self.state = state or InflowState()
        if state is None and tank.plumbing.mixing_min is not None:
            self.state.mixing_s = tank.plumbing.mixing_min * 60.0
        self.rate_l_h = tank.plumbing.top_off_l_h or ASSUMED_TOP_OFF_SHARE_H * tank.volume_l
        self._metered = tank.metered_top_off is not None
        self._has_pump = any(e.kind is EquipmentKind.TOP_OFF_PUMP for e in tank.equipment.values())
        self.change = Change()

    @property
    def watched(self) -> bool:
        """Whether anything tells of added fresh water."""
        return self._metered or self._has_pump

    @property
    def metered(self) -> bool:
        """Whether the litres are measured rather than timed."""
        return self._metered

    def usual_run_l(self) -> float:
        """Litres of a usual run of the last day; 0 when there was none."""
        runs = len(self.state.runs)
        return sum(litres for _, litres in self.state.recent) / runs if runs else 0.0

    def pump(self, at_s: float, *, on: bool) -> float:
        """The top-off pump reported its state.

        Returns:
            Litres of the run that just ended, by its time; 0 when a meter tells them.
        """
        state = self.state
        state.pump_known_s = at_s
        if on and not state.pump_on:
            self._began(at_s)
        if on != state.pump_on:
            state.pump_on, state.pump_since_s = on, at_s
            if not on and not self._metered and state.run_start_s is not None:
                litres = (at_s - state.run_start_s) / HOUR_S * self.rate_l_h
                self._keep(at_s, litres)
                return litres
        if on:
            state.last_addition_s = at_s
        return 0.0

    def litres(self, at_s: float, litres: float, salinity_psu: float) -> float:
        """Fresh water was metered.

        Returns:
            The salinity change it makes, once mixed. [psu]
        """
        if litres <= 0.0:
            return 0.0
        if not self.active(at_s):
            self._began(at_s)
        self.state.last_addition_s = at_s
        self._keep(at_s, litres)
        change = -salinity_psu * litres / (self.tank.volume_l + litres)
        self.state.pending_psu += change
        return change

    def _began(self, at_s: float) -> None:
        state = self.state
        if state.run_start_s is not None:
            state.dipping += DIPPING_MEMORY * (float(state.run_dipped) - state.dipping)
        state.run_dipped = False
        if state.run_start_s is not None:
            gap_s = at_s - state.run_start_s
            usual_s = state.usual_gap_s if state.usual_gap_s is not None else gap_s
            # A long pause is a fault of the top-off rather than a new habit.
            state.usual_gap_s = usual_s + GAP_MEMORY * (min(gap_s, 3.0 * usual_s) - usual_s)
        state.run_start_s = state.last_addition_s = at_s
        state.runs.append(at_s)
        while state.runs[0] < at_s - 24 * HOUR_S:
            state.runs.pop(0)

    def plume_odds(self, at_s: float, started_s: float) -> float:
        """How much more likely than usual it is that a dip now comes from the addition.

        Args:
            at_s: Start of the dip. [s]
            started_s: Engine start: runs before it are unknown. [s]

        Returns:
            Factor on the prior odds: the inverse of the chance that a run began just before, more
            when earlier runs brought dips too.
        """
        state = self.state
        if state.run_start_s is None or not self.active(at_s):
            return NO_ADDITION_ODDS
        since_s = max(at_s - state.run_start_s, 30.0)
        known_s = min(max(at_s - started_s, 6 * HOUR_S), 24 * HOUR_S)
        chance = min(len(state.runs) * since_s / known_s, 1.0)
        return min(0.5 / chance, 30.0) * (1.0 + 20.0 * state.dipping)

    def dipped(self) -> None:
        """The reading dipped with the present run."""
        self.state.run_dipped = True

    def _keep(self, at_s: float, litres: float) -> None:
        recent = self.state.recent
        recent.append((at_s, litres))
        while recent and recent[0][0] < at_s - 24 * HOUR_S:
            recent.pop(0)

    def litres_since(self, at_s: float) -> float:
        """Litres added since ``at_s`` (at most a day back), the running pump included."""
        total = sum(litres for when, litres in self.state.recent if when >= at_s)
        state = self.state
        if state.pump_on and not self._metered and state.at_s is not None and state.pump_since_s:
            total += max(state.at_s - max(state.pump_since_s, at_s), 0.0) / HOUR_S * self.rate_l_h
        return total

    def active(self, at_s: float) -> bool:
        """Whether an addition is going on or still mixing."""
        state = self.state
        if state.pump_on:
            return True
        last = state.last_addition_s
        return last is not None and at_s - last < 3.0 * state.mixing_s

    def overdue(self, at_s: float) -> float:
        """Time since the last addition over the usual time between two; 0 when unknown."""
        state = self.state
        if state.last_addition_s is None or not state.usual_gap_s:
            return 0.0
        return max(at_s - state.last_addition_s, 0.0) / state.usual_gap_s

    def running_s(self, at_s: float) -> float:
        """How long the top-off pump has been on; 0 when off or unknown. [s]."""
        state = self.state
        if not state.pump_on or state.pump_since_s is None:
            return 0.0
        return at_s - state.pump_since_s

    def advance(self, at_s: float, salinity_psu: float) -> Change:
        """What happened to the water since the last call."""
        state, change = self.state, self.change
        elapsed_s = 0.0 if state.at_s is None else max(at_s - state.at_s, 0.0)
        state.at_s = at_s
        change.known_psu = change.known_sd_psu = 0.0
        fall_h = salinity_psu * self.rate_l_h * RATE_SLACK / self.tank.volume_l
        plumbing = self.tank.plumbing
        change.fastest_rise_psu_h = (
            salinity_psu * plumbing.largest_evaporation_pct_day / 2400.0
            + salinity_psu * plumbing.salt_water_l_h / self.tank.volume_l
            + plumbing.flow_through_psu_h
        )
        change.fastest_fall_psu_h = fall_h
        if state.pump_on and not self._metered and plumbing.top_off_l_h is not None:
            # As long as it runs, so much comes, told by its time.
            litres = plumbing.top_off_l_h * elapsed_s / HOUR_S
            state.pending_psu -= salinity_psu * litres / (self.tank.volume_l + litres)
        change.known_psu = state.pending_psu * (1.0 - exp(-elapsed_s / state.mixing_s))
        state.pending_psu -= change.known_psu
        if state.pending_psu > -1e-5:  # noqa: PLR2004 - a hundredth of any resolution
            state.pending_psu = 0.0
        change.known_sd_psu = -0.5 * change.known_psu
        if self.active(at_s):
            change.fall_prior = 0.5
        elif self._has_pump and state.pump_on is False:
            # Known to be off: a leak, or a jug by hand.
            change.fall_prior = 0.0005
        else:
            # Nobody tells, or the meter tells only when the run is over.
            change.fall_prior = 1.0 - exp(-elapsed_s / HOUR_S / HIDDEN_TOP_OFF_H)
            if self._metered:
                change.fall_prior *= UNTOLD_SHARE
        change.fastest_fall_psu_h += plumbing.flow_through_psu_h
        return change
