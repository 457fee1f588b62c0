"""From samples to causes: the water is carried, departures are weighed, slow signs are collected.

One object per tank. It keeps the estimate of the water going through every disturbance and gives a
probability to every cause. Each part of that has its own module: the water in ``following`` and
``falls``, implausible readings in ``departures``, ``circumstances`` and ``pick_up``, what takes
hours in ``slow_trends`` and ``excursions``, the mixing of it all in ``cause_shares``. Sentences
about it are written elsewhere, only when somebody reads them.
"""

from bridge.core.balance import Balance
from bridge.core.blocks import Blocks
from bridge.core.cause_shares import (
    CALM,
    CAUSES,
    INDEX,
    NO_FAULTS,
    NONE,
    QUIET_LOG_ODDS,
    Faults,
    choose,
    from_odds,
    mix_episode,
    mix_faults,
)
from bridge.core.circumstances import Circumstances
from bridge.core.departures import Departures
from bridge.core.devices import Devices
from bridge.core.diagnosis_state import DiagnosisState, Neighbour
from bridge.core.episode import EpisodeState
from bridge.core.excursions import Excursions, is_brisk
from bridge.core.falls import Falls
from bridge.core.findings import Cause
from bridge.core.following import FIRST_SD_PSU, LEAST_NOISE_PSU, Follower
from bridge.core.inflow import Inflow
from bridge.core.pick_up import PickUp
from bridge.core.settings import EquipmentKind, Tank
from bridge.core.slow_trends import SlowTrends
from bridge.core.water_level import drained_back, expect_level, fill_units_h
from bridge.core.water_physics import physics_of


class Diagnosis:
    """One tank's estimate and causes."""

    __slots__ = (
        "_departures",
        "_excursions",
        "_follower",
        "_pick_up",
        "_trends",
        "balance",
        "blocks",
        "devices",
        "inflow",
        "probabilities",
        "state",
        "tank",
    )

    def __init__(self, tank: Tank, state: DiagnosisState | None = None) -> None:
        self.tank = tank
        fresh = state is None
        self.state = state = state or DiagnosisState()
        physics = physics_of(tank, tank.limits.target_psu)
        self.inflow = inflow = Inflow(tank, None if fresh else state.inflow)
        state.inflow = inflow.state
        self.devices = devices = Devices(
            [n for n, e in tank.equipment.items() if e.kind is not EquipmentKind.TOP_OFF_PUMP],
            state.devices,
        )
        self.balance = balance = Balance(state.balance)
        expect_level(tank, state.balance)
        self.blocks = blocks = Blocks(state.blocks)
        self.probabilities = [0.0] * len(CAUSES)
        self.probabilities[INDEX[Cause.NONE]] = 1.0

        self._trends = SlowTrends(tank, state, physics, inflow, balance, blocks)
        self._excursions = Excursions(tank, state, physics, inflow, balance, blocks)
        self._pick_up = PickUp(tank, state, devices)
        falls = Falls(tank, state, inflow, self._trends)
        self._departures = Departures(
            state,
            inflow,
            devices,
            balance,
            Circumstances(tank, state, inflow, devices, balance),
            self._pick_up,
            falls,
        )
        self._follower = Follower(
            tank,
            state,
            physics,
            inflow,
            devices,
            balance,
            self._trends,
            self._pick_up,
            falls,
            self._departures,
        )

    # ------------------------------------------------------------------ evidence coming in

    def equipment(self, at_s: float, name: str, *, on: bool) -> None:
        """A device reported its state."""
        if self.tank.equipment[name].kind is EquipmentKind.TOP_OFF_PUMP:
            self._trends.block(at_s).litres += self.inflow.pump(at_s, on=on)
            return
        switched = self.devices.switched(name, at_s, on=on)
        episode = self._departures.episode
        if switched and episode is not None and episode.state.edge_device == name:
            episode.device_switched()

    def litres(self, at_s: float, litres: float) -> None:
        """Fresh water was metered."""
        water = self.state.water
        water_psu = water.salinity_psu if water else self.tank.limits.target_psu
        self.inflow.litres(at_s, litres, water_psu)
        self._trends.block(at_s).litres += litres

    def level(self, at_s: float, level: float) -> None:
        """A water level arrived."""
        if drained_back(self.tank, self.devices, at_s):
            return
        spread = self.state.balance.level_spread
        self.balance.level(at_s, level, fill_units_h(self.tank, self.inflow, spread))
        self._trends.block(at_s).level = level

    def neighbour_reading(self, at_s: float, probe_psu: float) -> None:
        """The second probe's compensated reading; used with the next reading of the first."""
        neighbour = self.state.neighbour
        if neighbour is None:
            self.state.neighbour = Neighbour(at_s, probe_psu)
        else:
            neighbour.at_s, neighbour.probe_psu = at_s, probe_psu

    def known_change(self, change_psu: float, sd_psu: float, before_psu: float) -> None:
        """The water was changed on purpose, by an announced water change."""
        water = self._follower.water
        if water is not None:
            water.state.salinity_psu = before_psu + change_psu
            water.widen(sd_psu * sd_psu)
        moved_psu = change_psu - self.balance.brought_back(before_psu, change_psu)
        self.balance.shift(moved_psu, at_s=self.state.last_probe_s, sd_psu=sd_psu)
        self.blocks.shift(moved_psu)
        # What was found before is to be found anew: no wait until it may end.
        self.state.doubted_s = 0.0

    def hands_in(self, until_s: float) -> None:
        """Work on the water began: until it is reported done, the reading is no evidence."""
        self.state.changing_until_s = until_s

    def water_changed(
        self, at_s: float, change_psu: float | None, before_psu: float | None
    ) -> None:
        """A water change is done; for the mixing time the reading may go where it will.

        Args:
            at_s: When. [s]
            change_psu: What it should make; None when litres or salinity were not told. [psu]
            before_psu: The water when it began. [psu]
        """
        if change_psu is not None and before_psu is not None:
            self.known_change(change_psu, 0.3 * abs(change_psu) + 0.1, before_psu)
        else:
            self.state.balance.low_psu = self.state.balance.high_psu = None
            self.state.blocks.finished.clear()
        if self._follower.water is not None:
            self._follower.water.widen(0.2**2)
        self.state.changing_until_s = at_s + max(3.0 * self.inflow.state.mixing_s, 1800.0)

    def trust_probe(self) -> None:
        """Take the next readings as the water again: after calibration, or a check that agrees."""
        self._departures.drop()
        if self._follower.water is not None:
            self._follower.water.widen(FIRST_SD_PSU**2)
        self.state.outside = 0
        self.state.check = None
        self.state.balance.low_psu = self.state.balance.high_psu = None
        self.state.balance.floor_psu = None
        self.state.blocks.finished.clear()
        self.state.good_samples = 0
        self._trends.forget()

    def probe(
        self,
        at_s: float,
        probe_psu: float,
        temperature_c: float,
        noise_psu: float,
        interval_s: float,
        floor_psu: float = LEAST_NOISE_PSU,
    ) -> None:
        """Take in one compensated reading; the arguments are those of ``Follower.probe``."""
        self._follower.probe(at_s, probe_psu, temperature_c, noise_psu, interval_s, floor_psu)

    def idle(self, at_s: float) -> None:
        """Time passed without a usable reading: carry the water, with growing doubt."""
        self._follower.idle(at_s)

    # ------------------------------------------------------------------ conclusions

    @property
    def episode(self) -> EpisodeState | None:
        """The running episode, confirmed or not."""
        return self.state.episode

    @property
    def confirmed(self) -> bool:
        """Whether an episode is more than a single odd sample."""
        return self._departures.confirmed

    @property
    def doubtful(self) -> bool:
        """Whether the newest reading is far off the water, without a second one to confirm it."""
        return self._departures.doubtful

    def settled(self, at_s: float) -> bool:
        """Whether enough good samples came since the start to rely on the estimate."""
        return self.state.settled(at_s)

    def estimate(self) -> tuple[float, float] | None:
        """The water's salinity and its variance (without calibration and thermometer)."""
        return self._follower.estimate()

    def conclude(self, at_s: float, faults: Faults) -> Cause:
        """Give every cause its probability and pick the one that is reported."""
        if self._calm(at_s, faults):
            self.balance.inside()
            self.probabilities = CALM
            return NONE if self.state.cause is NONE else choose(self.state, CALM, at_s)
        probabilities = self._slow(at_s, corrected=not (faults.dry or faults.sudden))
        episode = self._departures.episode
        if episode is not None and self._departures.confirmed:
            mix_episode(probabilities, episode, self._pick_up, faults)
        mix_faults(probabilities, faults)
        total = sum(probabilities)
        self.probabilities = [p / total for p in probabilities]
        return choose(
            self.state,
            self.probabilities,
            at_s,
            brisk=is_brisk(self.balance.excursion),
            returning=episode is not None and episode.state.clean_run > 0,
        )

    def _calm(self, at_s: float, faults: Faults) -> bool:
        """Whether there is nothing to weigh: by far the most moments, so this is quick."""
        state = self.state
        if state.episode is not None or faults is not NO_FAULTS or state.check is not None:
            return False
        if at_s < state.lingers_until_s:
            return False
        if self._trends.present:
            return False
        water, balance = state.water, state.balance
        if water is None or balance.low_psu is None or balance.high_psu is None:
            return water is None or balance.low_psu is None
        low_psu = balance.low_psu
        if balance.floor_psu is not None and balance.floor_psu > low_psu:
            low_psu = balance.floor_psu
        return low_psu <= water.salinity_psu <= balance.high_psu

    def _slow(self, at_s: float, *, corrected: bool) -> list[float]:
        """Probabilities without regard to a running episode.

        ``corrected`` is whether the readings could be corrected by a temperature of the water.
        """
        odds = dict.fromkeys(CAUSES, QUIET_LOG_ODDS)
        odds[Cause.NONE] = 0.0
        odds[Cause.UNEXPLAINED] = QUIET_LOG_ODDS
        if self.tank.plumbing.flow_through_psu_h <= 0.0:
            if corrected:
                self._excursions.weigh(at_s, odds)
            self._trends.weigh(odds)
        self._pick_up.weigh(at_s, odds)
        return from_odds(odds)
