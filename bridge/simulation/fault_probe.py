"""Faults of the reading: the water is fine, the number is not."""

from dataclasses import dataclass

import numpy as np

from bridge.core.findings import Cause
from bridge.simulation.draft import Draft
from bridge.simulation.fault import (
    OBVIOUS_PSU,
    TOGGLES_TO_TELL,
    Fault,
    blame,
    nth_sample_s,
    resolved,
    running,
    runs,
    switch_ons,
    toggles,
)
from bridge.simulation.probe import (
    CONDUCTIVITY_35_AT_25,
    PSU_PER_SHARE,
    Readings,
    gas_for_dip,
    maxwell,
    smooth,
)
from bridge.simulation.traits import chance, log_uniform
from bridge.simulation.truth import BoolArray, FloatArray

ONE_BURST_S = 900.0
ONE_BURST_SAMPLES = 5
"""Dips closer together than this are one burst of bubbles."""

SMALLEST_SWING_C = 0.8
"""Below it the coefficient can hardly be told from evaporation."""

FEWEST_DIPS = 3
"""A burst that fewer samples saw could be anything."""

SMALL_PSU = 0.3

TELLING_SWING_C = 1.5
"""Daily swing at which a wrong coefficient ought to be found within five days."""

WEEK_S = 604800.0

PROBE_EXPANDED_PSU = 0.2
"""Default calibration uncertainty of the settings (k = 2)."""

UNLIKE_WATER_C = 1.5

DRY = 0.05
"""Wetted share below which a cell counts as dry."""

MS_CM_PER_PSU = CONDUCTIVITY_35_AT_25 / PSU_PER_SHARE


def _inside(readings: Readings, start_s: float, end_s: float) -> BoolArray:
    inside: BoolArray = (readings.times_s >= start_s) & (readings.times_s < end_s)
    return inside


def _passing_gas(rng: np.random.Generator, times_s: FloatArray, typical: float) -> FloatArray:
    """Gas fraction while bubbles pass: a cell is clear, then crossed by a swarm, then clear.

    A two-state process in continuous time, sampled; within a swarm the fraction is gamma
    distributed around the typical one and changes from swarm to swarm.
    """
    swarm_s, clear_s = log_uniform(rng, 4.0, 60.0), log_uniform(rng, 3.0, 90.0)
    shape = rng.uniform(0.8, 4.0)
    gas = np.zeros(len(times_s))
    if len(times_s) == 0:
        return gas
    span_s = float(times_s[-1] - times_s[0]) + swarm_s
    pairs = int(2.0 * span_s / (swarm_s + clear_s)) + 20
    lengths = np.column_stack((rng.exponential(swarm_s, pairs), rng.exponential(clear_s, pairs)))
    edges_s = times_s[0] + np.concatenate(([0.0], np.cumsum(lengths.ravel())))
    which = np.searchsorted(edges_s, times_s, side="right") - 1
    strength = rng.gamma(shape, typical / shape, pairs + 1)
    swarm = which % 2 == 0
    gas[swarm] = strength[np.minimum(which[swarm] // 2, pairs)]
    flicker = np.clip(rng.normal(1.0, 0.25, len(times_s)), 0.2, 2.0)
    return np.minimum(gas * flicker, 0.6)


@dataclass(slots=True, kw_only=True)
class PassingBubbles(Fault):
    """Micro-bubbles cross the cell: noisy dips, never a rise, that come and go."""

    dip_psu: float
    device: str | None = None
    """Bubbles follow each start of this device and fade, instead of coming all the time."""

    def read(self, draft: Draft, readings: Readings) -> None:
        """Add gas to the cell."""
        rng = draft.rng
        inside = _inside(readings, self.start_s, self.end_s)
        if not inside.any():
            return
        times_s = readings.times_s[inside]
        gas = _passing_gas(rng, times_s, gas_for_dip(self.dip_psu))
        detail = "passing"
        if self.device is not None:
            fade_s = log_uniform(rng, 300, 3600)
            starts_s = switch_ons(draft, self.device)
            starts_s = np.concatenate(([self.start_s], starts_s[starts_s > self.start_s]))
            since_s = times_s - starts_s[np.searchsorted(starts_s, times_s, side="right") - 1]
            gas *= np.exp(-since_s / fade_s) * np.where(
                running(draft, self.device, times_s), 1.0, 0.1
            )
            detail = f"passing, after each start of {self.device}"
        readings.gas[inside] = np.minimum(0.6, readings.gas[inside] + gas)
        # As the reading shows it, behind the lag of the probe.
        dip = PSU_PER_SHARE * (1.0 - smooth(maxwell(gas), times_s, draft.traits.lag_s))
        dipped = dip > max(0.1, 4.0 * draft.traits.noise_psu)
        for first, after in _bursts(times_s, dipped):
            begin_s, end_s = float(times_s[first]), float(times_s[after - 1])
            deep = np.flatnonzero(dip[first:after] >= OBVIOUS_PSU)
            seen_s = begin_s if len(deep) == 0 else float(times_s[first + deep[0]])
            deadline_s = nth_sample_s(readings, seen_s, 3) if len(deep) else np.inf
            blame(
                draft,
                cause=Cause.BUBBLES,
                start_s=begin_s,
                end_s=end_s + 1.0,
                detail=detail,
                size_psu=-float(np.max(dip[first:after])),
                deadline_s=deadline_s,
                device=self.device,
                minor=bool(
                    dipped[first:after].sum() < FEWEST_DIPS or np.max(dip[first:after]) < SMALL_PSU
                ),
            )


def _bursts(times_s: FloatArray, dipped: BoolArray) -> list[tuple[int, int]]:
    """Join dips that are close together into bursts."""
    spans: list[tuple[int, int]] = []
    for first, after in runs(dipped):
        close = spans and (
            times_s[first] - times_s[spans[-1][1] - 1] < ONE_BURST_S
            or first - spans[-1][1] < ONE_BURST_SAMPLES
        )
        if close:
            spans[-1] = (spans[-1][0], after)
        else:
            spans.append((first, after))
    return spans


@dataclass(slots=True, kw_only=True)
class LodgedBubble(Fault):
    """A bubble sits on an electrode for hours or days, then lets go at once."""

    dip_psu: float

    def read(self, draft: Draft, readings: Readings) -> None:
        """Add a nearly constant gas fraction."""
        rng = draft.rng
        inside = _inside(readings, self.start_s, self.end_s)
        count = int(inside.sum())
        if count == 0:
            return
        # The bubble slowly grows or dissolves by some percent and trembles a little.
        slow = np.cumsum(rng.normal(0.0, 1.0, count))
        slow *= rng.uniform(0.0, 0.08) / max(1.0, float(np.max(np.abs(slow))))
        tremble = rng.normal(0.0, rng.uniform(0.0, 0.02), count)
        gas = gas_for_dip(self.dip_psu) * (1.0 + slow + tremble)
        readings.gas[inside] = np.minimum(0.6, readings.gas[inside] + gas)
        deadline_s = (
            nth_sample_s(readings, self.start_s, 3) if self.dip_psu >= OBVIOUS_PSU else np.inf
        )
        blame(
            draft,
            cause=Cause.BUBBLES,
            start_s=self.start_s,
            end_s=self.end_s,
            detail="lodged",
            size_psu=-self.dip_psu,
            deadline_s=deadline_s,
        )


@dataclass(slots=True, kw_only=True)
class PickUp(Fault):
    """Pick-up from a device or from another probe: an offset, or noise, while it runs."""

    device: str
    offset_psu: float
    noise_psu: float = 0.0

    def read(self, draft: Draft, readings: Readings) -> None:
        """Add the offset or the noise at the samples taken while the device runs."""
        delay_s = draft.rng.uniform(0.0, 1.5) * min(draft.traits.interval_s, 60.0)
        on = _inside(readings, self.start_s, self.end_s)
        on &= running(draft, self.device, readings.times_s - delay_s)
        readings.pick_up_ms_cm[on] += self.offset_psu * MS_CM_PER_PSU
        readings.extra_noise_ms_cm[on] += self.noise_psu * MS_CM_PER_PSU
        switched_s = toggles(draft, self.device, self.start_s, self.end_s)
        deadline_s = np.inf
        if resolved(switched_s, draft.traits.interval_s):
            deadline_s = (
                float(switched_s[TOGGLES_TO_TELL - 1]) + delay_s + 2.0 * draft.traits.interval_s
            )
        kind = draft.traits.devices[self.device].kind
        cause = Cause.ADJACENT_PROBE if kind == "other-probe" else Cause.INTERFERENCE
        # It begins to show when the device is on for the first time.
        shown = readings.times_s[on]
        if len(shown) == 0:
            return
        blame(
            draft,
            cause=cause,
            start_s=float(shown[0]),
            end_s=self.end_s,
            detail="noise" if self.noise_psu else "offset",
            size_psu=self.offset_psu or self.noise_psu,
            deadline_s=deadline_s,
            device=self.device,
            minor=not np.isfinite(deadline_s),
        )


@dataclass(slots=True, kw_only=True)
class Drift(Fault):
    """Film, scale or ageing: the cell constant creeps one way."""

    psu_week: float

    def read(self, draft: Draft, readings: Readings) -> None:
        """Let the gain creep from the start to the end."""
        rng = draft.rng
        weeks = np.clip((readings.times_s - self.start_s) / WEEK_S, 0.0, None)
        # Growth is not quite straight: it speeds up or slows down with time.
        bend = rng.uniform(0.85, 1.15)
        span = max((self.end_s - self.start_s) / WEEK_S, 1e-9)
        path = span * (np.minimum(weeks, span) / span) ** bend
        readings.gain *= 1.0 + self.psu_week * path / PSU_PER_SHARE
        deadline_s = self._contradicted_s(draft)
        if draft.traits.meter_unit is not None:
            # Told by the water balance once it has moved 0.2 (0.1 a week within 14 days).
            deadline_s = min(deadline_s, self.start_s + 0.2 / abs(self.psu_week) * WEEK_S)
        wrong_s = self.start_s + 0.4 / abs(self.psu_week) * WEEK_S
        blame(
            draft,
            cause=Cause.DRIFT,
            start_s=self.start_s,
            end_s=self.end_s,
            detail=f"{self.psu_week:+.2f} a week",
            size_psu=self.psu_week,
            deadline_s=deadline_s if deadline_s < self.end_s else np.inf,
            hold_from_s=max(wrong_s, deadline_s),
            minor=deadline_s >= self.end_s,
        )

    def _contradicted_s(self, draft: Draft) -> float:
        """When a reference check first contradicts the reading (E number above 1)."""
        for command in draft.commands:
            if command.name == "reference-check" and command.at_s > self.start_s:
                moved = abs(self.psu_week) * (command.at_s - self.start_s) / WEEK_S
                checked = float(str(command.body["expanded_uncertainty"]))
                if moved > np.hypot(checked, PROBE_EXPANDED_PSU):
                    return command.at_s + 60.0
        return np.inf


@dataclass(slots=True, kw_only=True)
class WrongCoefficient(Fault):
    """The declared temperature coefficient is not the device's; drawn into the traits."""

    def read(self, draft: Draft, readings: Readings) -> None:
        """Only label it: the traits already differ."""
        traits = draft.traits
        error = traits.device_coefficient - traits.declared_coefficient
        day = np.floor((readings.times_s - self.start_s) / 86400.0)
        swings = [np.ptp(readings.water_c[day == each]) for each in np.unique(day)[:-1]]
        swing_c = float(np.median(swings))
        blame(
            draft,
            cause=Cause.COMPENSATION,
            start_s=self.start_s,
            end_s=self.end_s,
            detail=f"{error:+.2f} %/C, daily swing about {swing_c:.1f} C",
            size_psu=abs(error) / 100.0 * PSU_PER_SHARE * swing_c,
            deadline_s=self.start_s + 5 * 86400.0 if swing_c >= TELLING_SWING_C else np.inf,
            hold=None,
            minor=swing_c < SMALLEST_SWING_C,
        )


@dataclass(slots=True, kw_only=True)
class Exposed(Fault):
    """The cell is out of the water or half dry, because the level fell or a hand moved it."""

    wetted: float
    pump_stops: bool

    def plan(self, draft: Draft) -> None:
        """A return pump that stops may be what lowers the level around the probe."""
        if self.pump_stops:
            draft.plan.return_pump[draft.span(self.start_s - 30.0, self.end_s)] = False

    def read(self, draft: Draft, readings: Readings) -> None:
        """Take the water from the electrodes within a sample or two."""
        rng = draft.rng
        inside = _inside(readings, self.start_s, self.end_s)
        count = int(inside.sum())
        if count == 0:
            return
        since_s = readings.times_s[inside] - self.start_s
        drip_s = rng.uniform(0.1, 0.6) * min(draft.traits.interval_s, 20.0)
        left = self.wetted * (1.0 + 0.15 * rng.standard_normal(count) * (self.wetted > DRY))
        readings.wetted[inside] = np.clip(left + (1.0 - left) * np.exp(-since_s / drip_s), 0, 1)
        detail = "dry" if self.wetted < DRY else "half dry"
        if chance(rng, 0.4):
            # The thermometer sits in the same holder and follows the room.
            self._cool(draft, readings, inside, since_s)
            detail += ", thermometer too"
        blame(
            draft,
            cause=Cause.EXPOSED,
            start_s=self.start_s,
            end_s=self.end_s,
            detail=detail,
            size_psu=-PSU_PER_SHARE * (1.0 - self.wetted) * 0.9,
            deadline_s=nth_sample_s(readings, self.start_s, 3),
        )

    @staticmethod
    def _cool(draft: Draft, readings: Readings, inside: BoolArray, since_s: FloatArray) -> None:
        room_c = np.interp(readings.times_s[inside], draft.times_s, draft.plan.room_c) - 1.0
        share = 1.0 - np.exp(-since_s / draft.rng.uniform(60, 400))
        readings.thermometer_c[inside] += (room_c - readings.thermometer_c[inside]) * share


@dataclass(slots=True, kw_only=True)
class ExposedThermometer(Fault):
    """The thermometer alone slips out of the water and takes the room's temperature."""

    def read(self, draft: Draft, readings: Readings) -> None:
        """Let what the thermometer feels go to the wet-bulb side of the room."""
        inside = _inside(readings, self.start_s, self.end_s)
        if not inside.any():
            return
        since_s = readings.times_s[inside] - self.start_s
        room_c = np.interp(readings.times_s[inside], draft.times_s, draft.plan.room_c) - 1.5
        share = 1.0 - np.exp(-since_s / draft.rng.uniform(60, 300))
        change_c = (room_c - readings.thermometer_c[inside]) * share
        if float(np.max(np.abs(change_c))) < UNLIKE_WATER_C:
            # In a room as warm as the water it makes no difference.
            return
        readings.thermometer_c[inside] += change_c
        moved = np.flatnonzero(np.abs(change_c) > 1.0)
        seen_s = np.inf if len(moved) == 0 else float(readings.times_s[inside][moved[0]])
        blame(
            draft,
            cause=Cause.EXPOSED,
            start_s=self.start_s,
            end_s=self.end_s,
            detail="thermometer alone",
            size_psu=float(change_c[-1]) * -0.77,
            deadline_s=nth_sample_s(readings, seen_s, 3) if np.isfinite(seen_s) else np.inf,
        )


@dataclass(slots=True, kw_only=True)
class Stuck(Fault):
    """The number freezes."""

    def read(self, draft: Draft, readings: Readings) -> None:
        """Repeat the last number."""
        first, after = np.searchsorted(readings.times_s, [self.start_s, self.end_s])
        if after <= first:
            return
        readings.frozen_since[int(first)] = int(after)
        # How soon a flat line is unnatural depends on noise against resolution.
        lively = draft.traits.noise_psu > 0.4 * resolution_psu(draft)
        wait_s = 40 * draft.traits.interval_s if lively else 12 * 3600.0
        deadline_s = self.start_s + max(wait_s, 1200.0)
        blame(
            draft,
            cause=Cause.STUCK,
            start_s=self.start_s,
            end_s=self.end_s,
            detail="lively sensor" if lively else "coarse sensor",
            size_psu=0.0,
            deadline_s=deadline_s if deadline_s < self.end_s else np.inf,
            minor=deadline_s >= self.end_s,
        )


def resolution_psu(draft: Draft) -> float:
    """Resolution of the probe's number, in practical salinity near S = 35."""
    scale = {"psu": 1.0, "ppt": 1.0, "sg": 1320.0, "mS/cm": 0.742, "uS/cm": 0.742e-3, "S/m": 7.42}
    return draft.traits.resolution * scale[draft.traits.unit]


@dataclass(slots=True, kw_only=True)
class Silent(Fault):
    """No message comes."""

    def read(self, draft: Draft, readings: Readings) -> None:
        """Drop every sample."""
        inside = _inside(readings, self.start_s, self.end_s)
        readings.sent[inside] = False
        last = readings.times_s[readings.sent & (readings.times_s < self.start_s)]
        since_s = float(last[-1]) if len(last) else self.start_s
        blame(
            draft,
            cause=Cause.SILENT,
            start_s=self.start_s,
            end_s=self.end_s,
            detail="no messages",
            size_psu=0.0,
            deadline_s=since_s + 3.0 * draft.traits.interval_s + 1.0,
        )


GARBAGE = (
    b"",
    b"nan",
    b"NaN",
    b"unavailable",
    b"ERR",
    b"-",
    b"{",
    b'{"value":null}',
    b"\xff\xfe\x00",
    b"inf",
    b"[]",
    b"1,2,3",
    b"-999",
    b"9" * 400,
)


@dataclass(slots=True, kw_only=True)
class Invalid(Fault):
    """Messages come, but there is no usable number in them."""

    def read(self, draft: Draft, readings: Readings) -> None:
        """Replace the payloads."""
        rng = draft.rng
        # One broken device sends one or two kinds of garbage, not the whole zoo.
        kinds = [GARBAGE[int(rng.integers(len(GARBAGE)))] for _ in range(2)]
        share = 1.0 if chance(rng, 0.7) else rng.uniform(0.85, 1.0)
        for index in np.flatnonzero(_inside(readings, self.start_s, self.end_s)):
            if rng.random() < share:
                readings.garbage[int(index)] = kinds[int(rng.integers(2))]
        blame(
            draft,
            cause=Cause.INVALID,
            start_s=self.start_s,
            end_s=self.end_s,
            detail=repr(kinds[0][:12]),
            size_psu=0.0,
            deadline_s=nth_sample_s(readings, self.start_s, 5),
        )
