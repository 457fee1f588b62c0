"""The catalogue of scenarios by cause, and the long healthy stretches."""

from collections.abc import Callable
from typing import Final

import numpy as np

from bridge.core.settings import Reports
from bridge.simulation.draft import Draft
from bridge.simulation.fault import TOGGLES_TO_TELL, Fault, resolved, toggles
from bridge.simulation.fault_probe import (
    Drift,
    Exposed,
    ExposedThermometer,
    Invalid,
    LodgedBubble,
    PassingBubbles,
    PickUp,
    Silent,
    Stuck,
    WrongCoefficient,
)
from bridge.simulation.fault_water import (
    DosingPlume,
    NoTopOff,
    Plume,
    SaltWaterLost,
    TopOffRuns,
    WrongWaterChange,
)
from bridge.simulation.scenario import DAY_S, Recipe, Scenario, make
from bridge.simulation.traits import Traits, chance, draw_traits, log_uniform

HOUR_S = 3600.0


def _sign(rng: np.random.Generator) -> float:
    return 1.0 if chance(rng, 0.5) else -1.0


def _begin(rng: np.random.Generator, draft: Draft) -> float:
    """A start of trouble after at least half a healthy day."""
    return draft.start_s + rng.uniform(0.5, 1.2) * DAY_S


def healthy_recipe(rng: np.random.Generator, days: float) -> Recipe:
    """Nothing goes wrong."""
    return Recipe(traits=draw_traits(rng, bare=chance(rng, 0.15)), duration_s=days * DAY_S)


def passing_fault(draft: Draft, start_s: float, longest_h: float) -> Fault:
    """Draw a stretch of passing bubbles."""
    rng = draft.rng
    makers = [
        name
        for name in draft.traits.devices
        if name in {"skimmer", "return-pump"}
        and len(toggles(draft, name, start_s, draft.times_s[-1])) > 0
    ]
    return PassingBubbles(
        start_s=start_s,
        end_s=start_s
        + log_uniform(rng, max(600.0, 20 * draft.traits.interval_s), longest_h * 3600),
        dip_psu=log_uniform(rng, 0.3, 5.0),
        device=str(rng.choice(makers)) if makers and chance(rng, 0.3) else None,
    )


def _passing(rng: np.random.Generator) -> Recipe:
    def faults(draft: Draft) -> list[Fault]:
        first_s = _begin(rng, draft)
        later_s = first_s + rng.uniform(13.0, 20.0) * HOUR_S
        return [passing_fault(draft, first_s, 12.0), passing_fault(draft, later_s, 6.0)]

    return Recipe(traits=draw_traits(rng), duration_s=2.6 * DAY_S, faults=faults)


def _lodged(rng: np.random.Generator) -> Recipe:
    def faults(draft: Draft) -> list[Fault]:
        start_s = _begin(rng, draft)
        end_s = start_s + log_uniform(rng, 1.0, 60.0) * HOUR_S
        return [LodgedBubble(start_s=start_s, end_s=end_s, dip_psu=log_uniform(rng, 0.3, 8.0))]

    return Recipe(traits=draw_traits(rng), duration_s=4.0 * DAY_S, faults=faults)


def pick_up_fault(draft: Draft, start_s: float, end_s: float, *, probes: bool) -> list[Fault]:
    """Draw pick-up from a device (or another probe) that switches often enough to be told."""
    rng, traits = draft.rng, draft.traits
    candidates = [
        name
        for name, device in traits.devices.items()
        if name in draft.states
        and (device.kind == "other-probe") == probes
        and len(switched := toggles(draft, name, start_s, end_s)) >= 2 * TOGGLES_TO_TELL
        and resolved(switched, traits.interval_s)
    ]
    if not candidates:
        return []
    size = max(log_uniform(rng, 0.08, 1.5), 4.0 * traits.noise_psu)
    noisy = chance(rng, 0.25)
    return [
        PickUp(
            start_s=start_s,
            end_s=end_s,
            device=str(rng.choice(candidates)),
            offset_psu=0.0 if noisy else size * _sign(rng),
            noise_psu=size if noisy else 0.0,
        )
    ]


def _pick_up(rng: np.random.Generator, *, probes: bool) -> Recipe:
    traits = draw_traits(rng, everything=True)
    traits.interval_s = float(rng.choice([1, 2, 5, 10, 15, 30, 60]))
    traits.thermometer_interval_s = max(10.0, traits.interval_s)
    # Cycles long enough for the cadence: faster ones cannot be told by anybody.
    for device in traits.devices.values():
        if device.period_s:
            pulse = min(device.duty, 1.0 - device.duty)
            longer_s = max(device.period_s, 6.0 * traits.interval_s / pulse)
            if device.kind != "doser":
                device.period_s = min(longer_s, 6 * HOUR_S)

    # Lights switch twice a day: their pick-up takes a week to show itself.
    days = rng.uniform(6.5, 8.0) if chance(rng, 0.2) else rng.uniform(0.7, 2.0)

    def faults(draft: Draft) -> list[Fault]:
        start_s = _begin(rng, draft)
        return pick_up_fault(draft, start_s, start_s + days * DAY_S, probes=probes)

    return Recipe(traits=traits, duration_s=(days + 1.5) * DAY_S, faults=faults)


def _interference(rng: np.random.Generator) -> Recipe:
    return _pick_up(rng, probes=False)


def _adjacent(rng: np.random.Generator) -> Recipe:
    return _pick_up(rng, probes=True)


def _swinging(rng: np.random.Generator, traits: Traits) -> None:
    """Make the water's temperature swing by 1 to 3 degrees a day."""
    traits.light_c_h = rng.uniform(0.15, 0.4)
    traits.light_hours = rng.uniform(7.0, 11.0)
    traits.room_c = traits.set_point_c - rng.uniform(1.0, 3.0)
    traits.heater_c_h = max(0.4, 5.0 / traits.cooling_h)


def _compensation(rng: np.random.Generator) -> Recipe:
    traits = draw_traits(rng)
    _swinging(rng, traits)
    traits.interval_s = max(traits.interval_s, 10.0)
    traits.thermometer_interval_s = max(traits.interval_s, traits.thermometer_interval_s)
    error = _sign(rng) * log_uniform(rng, 0.12, 0.5)
    if traits.reports is Reports.SALINITY:
        traits.device_coefficient = 1.965 + error
        traits.declared_coefficient = 1.965
    else:
        if traits.reports not in {Reports.CONDUCTIVITY_LINEAR, Reports.SALINITY_LINEAR}:
            traits.reports = Reports.CONDUCTIVITY_LINEAR
            if traits.unit.value == "sg":
                traits.reports = Reports.SPECIFIC_GRAVITY_LINEAR
        traits.declared_coefficient = rng.uniform(1.9, 2.2)
        traits.device_coefficient = traits.declared_coefficient + error

    def faults(draft: Draft) -> list[Fault]:
        return [WrongCoefficient(start_s=draft.start_s, end_s=float(draft.times_s[-1]))]

    return Recipe(traits=traits, duration_s=9.0 * DAY_S, faults=faults)


def _drift(rng: np.random.Generator) -> Recipe:
    rate = _sign(rng) * log_uniform(rng, 0.05, 2.0)
    metered = chance(rng, 0.5)
    traits = draw_traits(rng, everything=metered)
    traits.interval_s = max(traits.interval_s, 10.0)
    traits.thermometer_interval_s = max(traits.interval_s, traits.thermometer_interval_s)
    days = float(np.clip(2.0 + 3.0 * 0.2 / abs(rate) * 7.0, 6.0, 32.0))

    def faults(draft: Draft) -> list[Fault]:
        return [
            Drift(
                start_s=draft.start_s + 2.0 * DAY_S,
                end_s=float(draft.times_s[-1]),
                psu_week=rate,
            )
        ]

    checks_s = None if metered and chance(rng, 0.6) else rng.uniform(2.0, 5.0) * DAY_S
    return Recipe(traits=traits, duration_s=days * DAY_S, faults=faults, checks_every_s=checks_s)


def _plume(rng: np.random.Generator) -> Recipe:
    traits = draw_traits(rng, everything=True)
    traits.interval_s = min(traits.interval_s, 30.0)
    traits.thermometer_interval_s = min(traits.thermometer_interval_s, 60.0)
    traits.top_off_daily = False
    # Additions some hours apart: each dip is over before the next begins.
    apart_mm = traits.volume_l * rng.uniform(0.0015, 0.004) / traits.litres_per_mm
    traits.top_off_band_mm = max(traits.top_off_band_mm, apart_mm)
    doser = chance(rng, 0.3)
    device = traits.devices["doser"]
    if doser and device.period_s < 3.0 * HOUR_S:
        device.duty *= device.period_s / (3.0 * HOUR_S)
        device.period_s = 3.0 * HOUR_S

    def faults(draft: Draft) -> list[Fault]:
        start_s = _begin(rng, draft)
        end_s = start_s + rng.uniform(0.8, 2.0) * DAY_S
        dip_psu, mixing_s = log_uniform(rng, 0.3, 4.0), log_uniform(rng, 90, 1500)
        if doser:
            return [
                DosingPlume(
                    start_s=start_s,
                    end_s=end_s,
                    device="doser",
                    dose_psu=0.0 if chance(rng, 0.6) else rng.uniform(80, 200),
                    dip_psu=dip_psu,
                    mixing_s=min(mixing_s, 600.0),
                )
            ]
        return [Plume(start_s=start_s, end_s=end_s, dip_psu=dip_psu, mixing_s=mixing_s)]

    return Recipe(traits=traits, duration_s=3.5 * DAY_S, faults=faults)


def exposed_fault(draft: Draft, start_s: float) -> Fault:
    """Draw an exposure."""
    rng = draft.rng
    end_s = start_s + log_uniform(rng, max(180.0, 8 * draft.traits.interval_s), 6 * HOUR_S)
    if chance(rng, 0.25):
        return ExposedThermometer(start_s=start_s, end_s=start_s + rng.uniform(1, 8) * HOUR_S)
    wetted = rng.uniform(0.0, 0.03) if chance(rng, 0.6) else rng.uniform(0.25, 0.85)
    return Exposed(start_s=start_s, end_s=end_s, wetted=wetted, pump_stops=chance(rng, 0.4))


def _exposed(rng: np.random.Generator) -> Recipe:
    def faults(draft: Draft) -> list[Fault]:
        first_s = _begin(rng, draft)
        return [
            exposed_fault(draft, first_s),
            exposed_fault(draft, first_s + rng.uniform(12, 20) * HOUR_S),
        ]

    return Recipe(traits=draw_traits(rng), duration_s=2.8 * DAY_S, faults=faults)


def _stuck(rng: np.random.Generator) -> Recipe:
    def faults(draft: Draft) -> list[Fault]:
        start_s = _begin(rng, draft)
        return [Stuck(start_s=start_s, end_s=start_s + log_uniform(rng, 3.0, 50.0) * HOUR_S)]

    return Recipe(traits=draw_traits(rng), duration_s=4.0 * DAY_S, faults=faults)


def _gap_s(draft: Draft) -> float:
    return log_uniform(draft.rng, max(8.0 * draft.traits.interval_s, 120.0), 12 * HOUR_S)


def _silent(rng: np.random.Generator) -> Recipe:
    def faults(draft: Draft) -> list[Fault]:
        first_s = _begin(rng, draft)
        later_s = first_s + 18 * HOUR_S
        return [
            Silent(start_s=first_s, end_s=first_s + _gap_s(draft)),
            Silent(start_s=later_s, end_s=later_s + _gap_s(draft)),
        ]

    return Recipe(traits=draw_traits(rng), duration_s=2.8 * DAY_S, faults=faults)


def _invalid(rng: np.random.Generator) -> Recipe:
    def faults(draft: Draft) -> list[Fault]:
        first_s = _begin(rng, draft)
        later_s = first_s + 18 * HOUR_S
        return [
            Invalid(start_s=first_s, end_s=first_s + _gap_s(draft)),
            Invalid(start_s=later_s, end_s=later_s + _gap_s(draft)),
        ]

    return Recipe(traits=draw_traits(rng), duration_s=2.8 * DAY_S, faults=faults)


def dilution_fault(draft: Draft, start_s: float) -> Fault:
    """Draw a way in which the water gets fresher."""
    rng, traits = draft.rng, draft.traits
    end_s = start_s + rng.uniform(0.5, 1.5) * DAY_S
    litres = traits.volume_l * log_uniform(rng, 0.02, 0.2)
    match int(rng.integers(5)):
        case 0:
            return TopOffRuns(start_s=start_s, end_s=end_s, litres=litres, hidden=chance(rng, 0.4))
        case 1:
            return TopOffRuns(
                start_s=start_s,
                end_s=end_s,
                litres=litres,
                siphon_l_h=traits.top_off_l_h * rng.uniform(0.3, 1.2),
                metered=chance(rng, 0.5),
            )
        case 2:
            return SaltWaterLost(
                start_s=start_s,
                end_s=start_s + rng.uniform(1.0, 2.5) * DAY_S,
                litres_hour=traits.volume_l * log_uniform(rng, 0.0006, 0.004),
                detail="skimmer throws out salt water",
            )
        case 3:
            rate = min(traits.top_off_l_h * 0.8, traits.volume_l * log_uniform(rng, 0.003, 0.05))
            return SaltWaterLost(
                start_s=start_s,
                end_s=start_s + min(1.5 * DAY_S, 0.25 * traits.volume_l / rate * 3600.0),
                litres_hour=rate,
                detail="leak with top-off",
            )
        case _:
            return wrong_change(draft, start_s, -1.0)


def wrong_change(draft: Draft, start_s: float, sign: float) -> Fault:
    """Draw a water change whose new water is off by 2 to 8."""
    rng, traits = draft.rng, draft.traits
    announced = chance(rng, 0.7)
    wrong_psu = traits.target_psu + sign * rng.uniform(2.0, 8.0)
    return WrongWaterChange(
        start_s=start_s,
        end_s=start_s,
        litres=traits.volume_l * rng.uniform(0.1, 0.3),
        salinity_psu=wrong_psu,
        announced=announced,
        # The keeper believes that it was mixed right, or measured it.
        told_psu=traits.target_psu if chance(rng, 0.6) else None,
    )


def _level_driven(rng: np.random.Generator) -> Traits:
    traits = draw_traits(rng)
    traits.top_off_daily = False
    return traits


def _dilution(rng: np.random.Generator) -> Recipe:
    def faults(draft: Draft) -> list[Fault]:
        return [dilution_fault(draft, _begin(rng, draft))]

    return Recipe(traits=_level_driven(rng), duration_s=4.2 * DAY_S, faults=faults)


def concentration_fault(draft: Draft, start_s: float) -> Fault:
    """Draw a way in which the water gets saltier."""
    rng = draft.rng
    match int(rng.integers(3)):
        case 0:
            return wrong_change(draft, start_s, 1.0)
        case number:
            return NoTopOff(
                start_s=start_s,
                end_s=float(draft.times_s[-1]),
                detail="reservoir empty" if number == 1 else "float stuck",
            )


def _concentration(rng: np.random.Generator) -> Recipe:
    def faults(draft: Draft) -> list[Fault]:
        return [concentration_fault(draft, _begin(rng, draft))]

    return Recipe(traits=_level_driven(rng), duration_s=5.0 * DAY_S, faults=faults)


def _overlap(rng: np.random.Generator) -> Recipe:
    """Two or three faults at once."""

    def faults(draft: Draft) -> list[Fault]:
        start_s = _begin(rng, draft)
        during_s = start_s + rng.uniform(1.0, 5.0) * HOUR_S
        end_s = start_s + 20 * HOUR_S
        slow: list[Fault] = []
        match int(rng.integers(4)):
            case 0:
                slow = [dilution_fault(draft, start_s)]
            case 1:
                slow = pick_up_fault(draft, start_s, end_s, probes=False)
            case 2:
                slow = [LodgedBubble(start_s=start_s, end_s=end_s, dip_psu=rng.uniform(0.5, 2))]
            case _:
                slow = [concentration_fault(draft, start_s)]
        match int(rng.integers(3)):
            case 0:
                return [*slow, passing_fault(draft, during_s, 4.0)]
            case 1:
                return [*slow, exposed_fault(draft, during_s)]
            case _:
                return [*slow, Silent(start_s=during_s, end_s=during_s + _gap_s(draft))]

    return Recipe(traits=_level_driven(rng), duration_s=3.5 * DAY_S, faults=faults)


SCENARIOS: Final[dict[str, Callable[[np.random.Generator], Recipe]]] = {
    "bubbles-passing": _passing,
    "bubbles-lodged": _lodged,
    "interference": _interference,
    "adjacent-probe": _adjacent,
    "compensation": _compensation,
    "drift": _drift,
    "plume": _plume,
    "exposed": _exposed,
    "stuck": _stuck,
    "silent": _silent,
    "invalid": _invalid,
    "dilution": _dilution,
    "concentration": _concentration,
    "overlap": _overlap,
}
"""Fault scenarios by name; each draws its own tank."""


MOST_SAMPLES: Final = 300_000
"""A healthy stretch of a fast probe is shortened to this many samples."""

MOST_ATTEMPTS: Final = 100


def scenario(name: str, seed: int, *, shortest_interval_s: float = 0.0) -> Scenario:
    """Make a fault scenario.

    Args:
        name: One of `SCENARIOS`.
        seed: Not negative; the same seed gives the same scenario.
        shortest_interval_s: Draw again when the probe would be faster than this. [s]

    Raises:
        KeyError: the name is not in the catalogue.
    """
    key = [seed, sorted(SCENARIOS).index(name) + 1]
    for attempt in range(MOST_ATTEMPTS):
        rng = np.random.default_rng([*key, attempt])
        recipe = SCENARIOS[name](rng)
        if recipe.traits.interval_s < shortest_interval_s:
            continue
        made = make(name, seed, recipe, rng)
        # A draw in which the fault hardly touched the reading is not that scenario.
        if not all(label.minor for label in made.truth.labels):
            return made
    raise RuntimeError(f"scenario {name} with seed {seed} never produced its fault")


def healthy(seed: int, days: float = 30.0, *, shortest_interval_s: float = 0.0) -> Scenario:
    """Make a stretch in which nothing goes wrong; shorter for a probe that is very fast."""
    for attempt in range(MOST_ATTEMPTS):
        rng = np.random.default_rng([seed, 0, attempt])
        recipe = healthy_recipe(rng, days)
        if recipe.traits.interval_s >= shortest_interval_s:
            break
    recipe.duration_s = min(recipe.duration_s, MOST_SAMPLES * recipe.traits.interval_s)
    return make("healthy", seed, recipe, rng)
