"""Faults of the water: the number is right and the tank is not, or only the probe's corner is."""

from dataclasses import dataclass

import numpy as np

from bridge.core.findings import Cause
from bridge.simulation.draft import Draft, pour
from bridge.simulation.fault import OBVIOUS_PSU, Fault, blame, nth_sample_s, runs
from bridge.simulation.probe import Readings
from bridge.simulation.truth import FloatArray

NOTICEABLE_PSU = 0.3
"""A real change ought to be found before the water has moved this far."""

ONE_PLUME_S = 300.0
"""Dips closer together than this are one."""

SMALL_PSU = 0.3

PLUME_SAMPLES = 3
"""A plume that fewer samples saw is not labelled."""


def _moved_s(draft: Draft, start_s: float, end_s: float, change_psu: float) -> float:
    """When the mixed water has first moved by a signed amount since the start; else infinite."""
    span = draft.span(start_s, end_s)
    salinity = draft.water().salinity_psu[span]
    if len(salinity) == 0:
        return np.inf
    moved = (salinity - salinity[0]) * np.sign(change_psu)
    past = np.flatnonzero(moved >= abs(change_psu))
    return float(draft.times_s[span][past[0]]) if len(past) else np.inf


def _total_change(draft: Draft, start_s: float, end_s: float) -> float:
    salinity = draft.water().salinity_psu[draft.span(start_s, end_s)]
    return float(salinity[-1] - salinity[0]) if len(salinity) else 0.0


@dataclass(slots=True, kw_only=True)
class TopOffRuns(Fault):
    """The top-off pump does not stop, or the hose siphons; the reservoir ends it."""

    litres: float
    siphon_l_h: float = 0.0
    """When positive the pump stands still and the hose siphons at this rate."""
    metered: bool = True
    hidden: bool = False
    """The pump runs although it tells that it is off, as behind a welded relay."""

    def plan(self, draft: Draft) -> None:
        """Let fresh water run until the reservoir is empty or somebody stops it."""
        span = draft.span(self.start_s, self.end_s)
        rate_l_h = self.siphon_l_h or draft.traits.top_off_l_h
        until = min(
            span.stop, span.start + int(self.litres / rate_l_h * 3600.0 / draft.plan.step_s)
        )
        self.end_s = float(draft.times_s[min(until, len(draft.times_s) - 1)])
        span = slice(span.start, until)
        if self.siphon_l_h:
            draft.plan.siphon_l_h[span] = rate_l_h
            draft.plan.siphon_is_metered = self.metered
        else:
            draft.plan.top_off_forced[span] = True
            if self.hidden:
                draft.hidden_runs.append(("top-off-pump", self.start_s, self.end_s))
        draft.changing[span] = True

    def read(self, draft: Draft, readings: Readings) -> None:
        """Label it."""
        del readings
        change = _total_change(draft, self.start_s, self.end_s)
        blame(
            draft,
            cause=Cause.DILUTION,
            start_s=self.start_s,
            end_s=self.end_s,
            detail="siphon" if self.siphon_l_h else "top-off pump runs on",
            size_psu=change,
            deadline_s=_moved_s(draft, self.start_s, self.end_s, -NOTICEABLE_PSU),
            hold="fresh-water",
            minor=change > -SMALL_PSU,
        )


@dataclass(slots=True, kw_only=True)
class SaltWaterLost(Fault):
    """A leak or an overflowing skimmer takes salt water; the top-off replaces it with fresh."""

    litres_hour: float
    detail: str

    def plan(self, draft: Draft) -> None:
        """Take salt water out."""
        span = draft.span(self.start_s, self.end_s)
        draft.plan.leak_l_h[span] += self.litres_hour
        draft.changing[span] = True

    def read(self, draft: Draft, readings: Readings) -> None:
        """Label it, from when it starts to dilute."""
        del readings
        change = _total_change(draft, self.start_s, self.end_s)
        blame(
            draft,
            cause=Cause.DILUTION,
            start_s=self.start_s,
            end_s=self.end_s,
            detail=self.detail,
            size_psu=change,
            deadline_s=_moved_s(draft, self.start_s, self.end_s, -NOTICEABLE_PSU),
            hold="fresh-water",
            minor=change > -SMALL_PSU,
        )


@dataclass(slots=True, kw_only=True)
class WrongWaterChange(Fault):
    """A water change with water that was mixed wrong."""

    litres: float
    salinity_psu: float
    announced: bool
    told_psu: float | None

    def plan(self, draft: Draft) -> None:
        """Pour it."""
        end_s = pour(
            draft,
            at_s=self.start_s,
            litres=self.litres,
            salinity_psu=self.salinity_psu,
            announced=self.announced,
            told_psu=self.told_psu,
        )
        # The finding concerns what the tank has become: it stays true for a while.
        self.end_s = end_s + 5.0 * draft.traits.mixing_s + 3600.0

    def read(self, draft: Draft, readings: Readings) -> None:
        """Label it with the change of the whole water."""
        change = _total_change(draft, self.start_s, self.end_s)
        seen_s = _moved_s(draft, self.start_s, self.end_s, 0.7 * change)
        settled_s = seen_s + 3.0 * draft.traits.mixing_s
        deadline_s = nth_sample_s(readings, settled_s, 10) if np.isfinite(settled_s) else np.inf
        blame(
            draft,
            cause=Cause.DILUTION if change < 0 else Cause.CONCENTRATION,
            start_s=self.start_s,
            end_s=max(self.end_s, deadline_s + 60.0 if np.isfinite(deadline_s) else self.end_s),
            detail="water change mixed wrong" + (", announced" if self.announced else ""),
            size_psu=change,
            deadline_s=deadline_s,
            hold=None,
            # A keeper who tells the truth about the new water knows already.
            minor=self.announced and self.told_psu is None,
        )


@dataclass(slots=True, kw_only=True)
class NoTopOff(Fault):
    """The reservoir is empty or the float sticks: the water evaporates and nothing comes."""

    detail: str

    def plan(self, draft: Draft) -> None:
        """Stop the fresh water."""
        span = draft.span(self.start_s, self.end_s)
        draft.plan.top_off_blocked[span] = True
        draft.changing[span] = True

    def read(self, draft: Draft, readings: Readings) -> None:
        """Label it from when the water leaves the band in which it usually swings."""
        del readings
        trace = draft.water()
        span = draft.span(self.start_s, self.end_s)
        low_mm = -draft.traits.top_off_band_mm
        if draft.traits.top_off_daily:
            past = draft.span(draft.start_s, self.start_s)
            low_mm = float(np.min(trace.level_mm[past], initial=low_mm))
        lower = np.flatnonzero(trace.level_mm[span] < low_mm - 0.2)
        if len(lower) == 0:
            return
        start_s = float(draft.times_s[span][lower[0]])
        draft.changing[draft.span(self.start_s, start_s)] = False
        change = _total_change(draft, start_s, self.end_s)
        blame(
            draft,
            cause=Cause.CONCENTRATION,
            start_s=start_s,
            end_s=self.end_s,
            detail=self.detail,
            size_psu=change,
            deadline_s=_moved_s(draft, start_s, self.end_s, NOTICEABLE_PSU),
            hold=None,
            minor=change < SMALL_PSU,
        )


@dataclass(slots=True, kw_only=True)
class Plume(Fault):
    """The hose of the top-off ends near the probe: each addition dips the reading for a while."""

    dip_psu: float
    mixing_s: float

    def plan(self, draft: Draft) -> None:
        """Send more of each addition past the probe."""
        traits = draft.traits
        span = draft.span(self.start_s, self.end_s)
        # Steady dip of a zone that is flushed with its mixing time.
        zone_l = traits.zone_share * traits.volume_l
        addition_l = max(traits.top_off_band_mm * traits.litres_per_mm, 1e-6)
        run_s = addition_l / traits.top_off_l_h * 3600.0
        held_l = (
            traits.top_off_l_h / 3600.0 * self.mixing_s * (1.0 - np.exp(-run_s / self.mixing_s))
        )
        share = self.dip_psu / traits.target_psu * zone_l / held_l
        draft.plan.mixing_s[span] = self.mixing_s
        draft.plan.plume_share[span] = min(1.0, share)

    def read(self, draft: Draft, readings: Readings) -> None:
        """Label each dip."""
        label_plumes(draft, readings, self.start_s, self.end_s, "top-off near the probe")


@dataclass(slots=True, kw_only=True)
class DosingPlume(Fault):
    """A doser delivers right beside the probe, fresh or much saltier than the tank."""

    device: str
    dose_psu: float
    dip_psu: float
    mixing_s: float

    def plan(self, draft: Draft) -> None:
        """Add the doses to the zone of the probe."""
        span = draft.span(self.start_s, self.end_s)
        on = np.zeros(len(draft.times_s), dtype=np.bool_)
        on[span] = draft.states[self.device][span]
        on &= draft.plan.inflow_l_h == 0.0
        pulse_s = float(np.mean([b - a for a, b in runs(on)] or [1])) * draft.plan.step_s
        zone_l = draft.traits.zone_share * draft.traits.volume_l
        wanted_l = self.dip_psu / abs(self.dose_psu - draft.traits.target_psu) * zone_l
        # The whole dose passes the probe.
        rate_l_h = min(wanted_l, 0.0005 * draft.traits.volume_l) / pulse_s * 3600.0
        draft.plan.mixing_s[span] = self.mixing_s
        draft.plan.inflow_l_h[on] = rate_l_h
        draft.plan.inflow_psu[on] = self.dose_psu
        draft.plan.inflow_plume_share[on] = 1.0

    def read(self, draft: Draft, readings: Readings) -> None:
        """Label each dip or peak."""
        label_plumes(draft, readings, self.start_s, self.end_s, f"{self.device} near the probe")


def label_plumes(
    draft: Draft, readings: Readings, start_s: float, end_s: float, detail: str
) -> None:
    """Label every span in which the water at the probe is not that of the tank."""
    trace = draft.water()
    away: FloatArray = trace.zone_psu - trace.salinity_psu
    away = np.where((draft.times_s >= start_s) & (draft.times_s < end_s), away, 0.0)
    noticeable = max(0.1, 4.0 * draft.traits.noise_psu)
    spans: list[tuple[int, int]] = []
    for first, after in runs(np.abs(away) > noticeable):
        if spans and (first - spans[-1][1]) * draft.plan.step_s < ONE_PLUME_S:
            spans[-1] = (spans[-1][0], after)
        else:
            spans.append((first, after))
    for first, after in spans:
        begin_s, finish_s = float(draft.times_s[first]), float(draft.times_s[after - 1])
        sampled = (readings.times_s >= begin_s) & (readings.times_s < finish_s) & readings.sent
        if sampled.sum() < PLUME_SAMPLES:
            continue
        local = away[first:after]
        peak = float(local[np.argmax(np.abs(local))])
        deep = np.flatnonzero(np.abs(local) >= OBVIOUS_PSU)
        seen_s = np.inf if len(deep) == 0 else float(draft.times_s[first + deep[0]])
        blame(
            draft,
            cause=Cause.PLUME,
            start_s=begin_s,
            end_s=finish_s,
            detail=detail,
            size_psu=peak,
            deadline_s=nth_sample_s(readings, seen_s, 3) if np.isfinite(seen_s) else np.inf,
            minor=abs(peak) < SMALL_PSU,
        )
