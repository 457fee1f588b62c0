"""A scenario in the making: the tank's routine laid on a grid, before the faults act on it."""

from dataclasses import dataclass, field

import numpy as np

from bridge.simulation.traits import DeviceTraits, Traits, chance
from bridge.simulation.truth import BoolArray, FloatArray, Hold, Label
from bridge.simulation.water import WaterPlan, WaterTrace, integrate

STEP_S = 5.0
"""Grid of the water; probe samples are interpolated between its points."""

EPOCH_S = 1_767_225_600.0
"""2026-01-01T00:00:00Z; scenarios start on some day after it."""


@dataclass(slots=True, kw_only=True)
class Command:
    """A command that the keeper sends, as a JSON object without its ``id``."""

    at_s: float
    name: str
    body: dict[str, object]


@dataclass(slots=True, kw_only=True)
class Draft:
    """Everything that faults may change before the water is carried and the probe is read."""

    rng: np.random.Generator
    traits: Traits
    start_s: float
    duration_s: float
    times_s: FloatArray
    states: dict[str, BoolArray]
    """True state of each device at the grid points."""
    plan: WaterPlan
    trace: WaterTrace | None = None
    changing: BoolArray
    labels: list[Label] = field(default_factory=list)
    holds: list[Hold] = field(default_factory=list)
    commands: list[Command] = field(default_factory=list)
    hidden_runs: list[tuple[str, float, float]] = field(default_factory=list)
    """Spans in which a device runs although it tells that it is off."""

    def span(self, start_s: float, end_s: float) -> slice:
        """Grid indices of a span of time."""
        low = int(np.searchsorted(self.times_s, start_s))
        return slice(low, int(np.searchsorted(self.times_s, end_s)))

    def water(self) -> WaterTrace:
        """The carried water; only once `carry` was called."""
        if self.trace is None:
            raise RuntimeError("the water has not been carried yet")
        return self.trace

    def carry(self) -> None:
        """Let the water go through the plan."""
        self.trace = integrate(self.traits, self.plan)
        self.states["top-off-pump"] = self.trace.top_off_pump
        self.states["heater"] = self.trace.heater


def cycle(times_s: FloatArray, device: DeviceTraits, rng: np.random.Generator) -> BoolArray:
    """On-off cycles with a period that wanders by a few percent."""
    if device.period_s <= 0.0:
        return np.full(len(times_s), fill_value=True)
    span_s = float(times_s[-1] - times_s[0])
    count = int(span_s / device.period_s * 1.3) + 3
    lengths_s = device.period_s * np.clip(rng.normal(1.0, 0.04, count), 0.8, 1.2)
    starts_s = times_s[0] - device.phase * device.period_s + np.cumsum(lengths_s) - lengths_s[0]
    number = np.searchsorted(starts_s, times_s, side="right") - 1
    into_s = times_s - starts_s[np.maximum(number, 0)]
    on_s = np.maximum(device.duty * lengths_s[np.maximum(number, 0)], 2 * STEP_S)
    states: BoolArray = (number >= 0) & (into_s < on_s)
    return states


def wander(
    rng: np.random.Generator, times_s: FloatArray, *, spread: float, correlation_h: float
) -> FloatArray:
    """A slow random wander (Ornstein-Uhlenbeck), interpolated from half-hourly points."""
    knots = int((times_s[-1] - times_s[0]) / 1800.0) + 2
    keep = float(np.exp(-0.5 / correlation_h))
    values = [rng.normal(0.0, spread)]
    for shock in rng.normal(0.0, spread * np.sqrt(1 - keep**2), knots - 1):
        values.append(values[-1] * keep + shock)
    return np.asarray(np.interp(times_s, times_s[0] + 1800.0 * np.arange(knots), np.array(values)))


def _feeding(rng: np.random.Generator, times_s: FloatArray, pumps: list[BoolArray]) -> None:
    """Stop some pumps for a few minutes once or twice a day."""
    hours = [rng.uniform(8, 12)] + ([rng.uniform(17, 21)] if chance(rng, 0.5) else [])
    day = np.floor(times_s[0] / 86400.0)
    while day * 86400.0 < times_s[-1]:
        for hour in hours:
            start_s = day * 86400.0 + hour * 3600.0 + rng.uniform(-900, 900)
            end_s = start_s + rng.uniform(300, 1200)
            low, high = np.searchsorted(times_s, [start_s, end_s])
            for pump in pumps:
                pump[low:high] = False
        day += 1


def _water_changes(draft: Draft) -> None:
    """Lay the keeper's regular water changes into the plan, well mixed and near the target."""
    traits, rng = draft.traits, draft.rng
    if traits.change_every_days <= 0.0:
        return
    at_s = draft.start_s + rng.uniform(1.0, traits.change_every_days + 1.0) * 86400.0
    # A change starts in daytime.
    at_s = np.floor(at_s / 86400.0) * 86400.0 + rng.uniform(9, 19) * 3600.0
    while at_s < draft.start_s + draft.duration_s - 4 * 3600.0:
        if at_s > draft.start_s + 3600.0:
            pour(
                draft,
                at_s=at_s,
                litres=traits.change_share * traits.volume_l,
                salinity_psu=traits.target_psu + rng.normal(0.0, 0.2),
                announced=traits.change_announced,
            )
        at_s += traits.change_every_days * 86400.0 + rng.normal(0.0, 3600.0)


def pour(
    draft: Draft,
    *,
    at_s: float,
    litres: float,
    salinity_psu: float,
    announced: bool,
    told_psu: float | None = None,
    plume_share: float | None = None,
) -> float:
    """Change water: drain, then refill with prepared water. Returns when it is finished."""
    traits, rng, plan = draft.traits, draft.rng, draft.plan
    drain_s = rng.uniform(300, 1500)
    fill_s = rng.uniform(300, 1500)
    drain = draft.span(at_s, at_s + drain_s)
    fill = draft.span(at_s + drain_s + 60.0, at_s + drain_s + 60.0 + fill_s)
    drained_s = (drain.stop - drain.start) * plan.step_s
    filled_s = (fill.stop - fill.start) * plan.step_s
    if drained_s <= 0.0 or filled_s <= 0.0:
        return at_s
    plan.leak_l_h[drain] += litres / drained_s * 3600.0
    plan.inflow_l_h[fill] = litres / filled_s * 3600.0
    plan.inflow_psu[fill] = salinity_psu
    plan.inflow_plume_share[fill] = traits.zone_share if plume_share is None else plume_share
    end_s = at_s + drain_s + 60.0 + fill_s
    # The keeper switches the top-off off while the level is down.
    plan.top_off_blocked[draft.span(at_s - 60.0, end_s + 60.0)] = True
    settled_s = end_s + 5.0 * float(plan.mixing_s[min(fill.stop, len(plan.mixing_s) - 1)])
    draft.changing[draft.span(at_s, settled_s)] = True
    if announced:
        told = salinity_psu if told_psu is None else told_psu
        body: dict[str, object] = {"litres": round(litres, 1), "salinity": round(told, 1)}
        if chance(rng, 0.6):
            draft.commands.append(
                Command(at_s=at_s - 20.0, name="water-change", body={"phase": "start", **body})
            )
            draft.commands.append(
                Command(at_s=end_s + 30.0, name="water-change", body={"phase": "end", **body})
            )
        else:
            draft.commands.append(Command(at_s=end_s + 30.0, name="water-change", body=body))
    return end_s


def lay_out(
    rng: np.random.Generator, traits: Traits, *, duration_s: float, start_s: float | None = None
) -> Draft:
    """Lay the healthy routine of a tank on the grid."""
    if start_s is None:
        # On a whole grid step, at any time of the day.
        start_s = EPOCH_S + 86400.0 * int(rng.integers(0, 300)) + 60.0 * int(rng.integers(0, 1440))
    times_s = start_s + STEP_S * np.arange(int(duration_s / STEP_S) + 1, dtype=np.float64)
    count = len(times_s)
    hour = (times_s % 86400.0) / 3600.0
    lights = ((hour - traits.light_on_h) % 24.0) < traits.light_hours
    # The room is warmest in the late afternoon.
    room_c = (
        traits.room_c
        + traits.room_swing_c * np.cos((hour - 16.5) / 24.0 * 2.0 * np.pi)
        + wander(rng, times_s, spread=0.5, correlation_h=30.0)
    )
    humidity = np.clip(
        traits.humidity + wander(rng, times_s, spread=0.06, correlation_h=20.0), 0.15, 0.9
    )
    always = np.full(count, fill_value=True)
    states: dict[str, BoolArray] = {"return-pump": always.copy(), "light": lights}
    for name, device in traits.devices.items():
        if device.kind in {"skimmer", "wave-pump", "doser", "other-probe", "other"}:
            states[name] = cycle(times_s, device, rng)
    if chance(rng, 0.5):
        resting = [states["return-pump"]] if chance(rng, 0.5) else []
        _feeding(rng, times_s, resting + [states[n] for n in ("skimmer",) if n in states])
    zeros = np.zeros(count)
    never = np.zeros(count, dtype=np.bool_)
    reservoir_l = zeros.copy()
    reservoir_l[0] = np.inf
    plan = WaterPlan(
        step_s=STEP_S,
        start_s=start_s,
        room_c=room_c,
        humidity=humidity,
        lights=lights,
        return_pump=states["return-pump"],
        mixing_s=np.full(count, traits.mixing_s),
        plume_share=np.full(count, traits.plume_share),
        top_off_blocked=never.copy(),
        top_off_forced=never.copy(),
        siphon_l_h=zeros.copy(),
        leak_l_h=zeros.copy(),
        inflow_l_h=zeros.copy(),
        inflow_psu=zeros.copy(),
        inflow_plume_share=zeros.copy(),
        reservoir_l=reservoir_l,
        first_level_mm=-traits.top_off_band_mm * rng.random(),
        top_off_hour=rng.uniform(7, 22),
    )
    draft = Draft(
        rng=rng,
        traits=traits,
        start_s=start_s,
        duration_s=duration_s,
        times_s=times_s,
        states=states,
        plan=plan,
        changing=never.copy(),
    )
    _water_changes(draft)
    return draft
