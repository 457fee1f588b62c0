"""When what goes wrong: episodes in their order, with healthy hours before and between."""

from copy import deepcopy
from dataclasses import dataclass, field

import numpy as np
from numpy.random import Generator

from tests.second_world.faults import Episode
from tests.second_world.tank import (
    DAY_S,
    HOUR_S,
    Tank,
    between,
    draw_tank,
    log_uniform,
    pick,
)
from tests.second_world.water import Exchange, Happenings

FOCUSES = (
    "bubbles",
    "lodged",
    "interference",
    "adjacent-probe",
    "compensation",
    "drift",
    "plume",
    "exposed",
    "stuck",
    "silent",
    "dilution",
    "concentration",
    "overlap",
    "healthy",
)
"""The seed modulo their number decides what a scenario is mostly about."""

CAUSE_OF = {
    "passing": "bubbles",
    "lodged": "bubbles",
    "device": "interference",
    "neighbour": "adjacent-probe",
    "coefficient": "compensation",
    "drift": "drift",
    "plume-top-off": "plume",
    "plume-doser": "plume",
    "out": "exposed",
    "half-dry": "exposed",
    "thermometer-out": "exposed",
    "stuck": "stuck",
    "silent": "silent",
    "thermometer-silent": "silent",
    "invalid": "invalid",
    "pump-stuck": "dilution",
    "siphon": "dilution",
    "skimmer-overflow": "dilution",
    "leak": "dilution",
    "fresh-change": "dilution",
    "reservoir-empty": "concentration",
    "float-stuck": "concentration",
    "salty-change": "concentration",
}

LOOKS_OF = {
    "bubbles": ("passing",),
    "lodged": ("lodged",),
    "interference": ("device",),
    "adjacent-probe": ("neighbour",),
    "plume": ("plume-top-off", "plume-top-off", "plume-doser"),
    "exposed": ("out", "half-dry", "thermometer-out"),
    "stuck": ("stuck",),
    "silent": ("silent", "invalid", "thermometer-silent", "invalid"),
    "dilution": ("pump-stuck", "siphon", "skimmer-overflow", "leak", "fresh-change"),
    "concentration": ("reservoir-empty", "float-stuck", "salty-change"),
}

QUICK = (
    "passing",
    "lodged",
    "out",
    "half-dry",
    "thermometer-out",
    "stuck",
    "silent",
    "invalid",
    "pump-stuck",
    "fresh-change",
    "salty-change",
    "plume-top-off",
)


@dataclass(slots=True, kw_only=True)
class Plan:
    """A tank and what will befall it."""

    seed: int
    focus: str
    span_s: float
    tank: Tank
    episodes: list[Episode] = field(default_factory=list)
    happenings: Happenings = field(default_factory=Happenings)
    services: list[tuple[float, float]] = field(default_factory=list)
    checks_s: list[float] = field(default_factory=list)


def _cadence_s(rng: Generator, focus: str) -> float:
    choices = {
        "drift": (60.0, 300.0),
        "healthy": (10.0, 30.0, 60.0, 60.0, 300.0),
        "compensation": (10.0, 30.0, 60.0, 300.0),
        "concentration": (10.0, 30.0, 60.0, 300.0),
        "interference": (1.0, 5.0, 10.0, 30.0, 60.0),
        "adjacent-probe": (1.0, 5.0, 10.0, 30.0, 60.0),
    }.get(focus, (1.0, 5.0, 10.0, 10.0, 30.0, 60.0, 300.0))
    return choices[int(rng.integers(len(choices)))]


def _days(rng: Generator, focus: str, cadence_s: float) -> float:
    if focus == "drift":
        return between(rng, 22.0, 30.0)
    if focus == "healthy":
        return between(rng, 10.0, 14.0)
    if focus == "compensation":
        return between(rng, 6.5, 9.0)
    low, high = {1.0: (1.5, 2.0), 5.0: (2.0, 3.0), 10.0: (3.0, 5.0)}.get(cadence_s, (4.0, 6.0))
    return between(rng, low, high)


def draw_plan(seed: int) -> Plan:
    """Draw the scenario of a seed."""
    focus = FOCUSES[seed % len(FOCUSES)]
    rng = generator_of(seed)
    cadence_s = _cadence_s(rng, focus)
    span_s = _days(rng, focus, cadence_s) * DAY_S
    inputs = pick(rng, "full", "full", "full", "equipment", "level", "bare")
    reports = pick(
        rng,
        "salinity-linear",
        "salinity-linear",
        "conductivity-linear",
        "conductivity",
        "salinity",
        "specific-gravity-linear",
    )
    swing_c = between(rng, 0.3, 2.5)
    error_pct = 0.0
    if focus == "compensation":
        # Uncompensated conductivity has no coefficient that could be wrong.
        reports = pick(rng, "salinity-linear", "conductivity-linear", "salinity")
        error_pct = between(rng, 0.12, 0.4) * (1.0 if rng.random() < 0.5 else -1.0)
        swing_c = between(rng, 0.8, 2.5)
    tank = draw_tank(
        rng,
        span_s,
        cadence_s=cadence_s,
        inputs=inputs,
        reports=reports,
        swing_c=swing_c,
        coefficient_error_pct=error_pct,
    )
    plan = Plan(seed=seed, focus=focus, span_s=span_s, tank=tank)
    if focus == "drift":
        _plan_drift(rng, plan)
    elif focus == "compensation":
        _plan_coefficient(rng, plan, error_pct)
    elif focus == "healthy":
        _plan_keeping(rng, plan)
    else:
        _plan_episodes(rng, plan)
    if tank.told_devices or rng.random() < 0.4:
        _plan_checks(rng, plan)
    return plan


def generator_of(seed: int, *more: int) -> Generator:
    """The source of randomness of a seed; further numbers give independent ones."""
    return np.random.default_rng([20260105, seed, *more])


def _plan_drift(rng: Generator, plan: Plan) -> None:
    begin_s = between(rng, 5.0, 8.0) * DAY_S
    rate = between(rng, 0.1, 0.5) * (1.0 if rng.random() < 0.5 else -1.0)
    plan.episodes.append(
        Episode(
            cause="drift",
            look="drift",
            begin_s=begin_s,
            end_s=plan.span_s,
            excused_until_s=plan.span_s,
            size_psu=rate,
            details={"a week": f"{rate:+.2f}"},
        )
    )


def _plan_coefficient(rng: Generator, plan: Plan, error_pct: float) -> None:
    tank = plan.tank
    effect = error_pct * tank.swing_c * 0.394
    episode = Episode(
        cause="compensation",
        look="coefficient",
        begin_s=0.0,
        end_s=plan.span_s,
        excused_until_s=plan.span_s,
        size_psu=-effect,
        details={"error %/C": f"{error_pct:+.2f}", "swing C": f"{tank.swing_c:.1f}"},
    )
    if tank.swing_c >= 1.5:
        episode.named_by_s = episode.held_from_s = 5.0 * DAY_S
    plan.episodes.append(episode)
    if rng.random() < 0.5:
        _water_change(rng, plan, between(rng, 2.0, 5.0) * DAY_S)


def _water_change(rng: Generator, plan: Plan, at_s: float) -> None:
    """A healthy one: announced, of nearly the tank's salinity."""
    tank = plan.tank
    salinity = round(tank.salinity_psu + float(rng.normal(0.0, 0.15)), 1)
    plan.happenings.exchanges.append(
        Exchange(
            begin_s=at_s,
            litres=tank.volume_l * between(rng, 0.05, 0.15),
            drain_for_s=between(rng, 300.0, 1200.0),
            fill_for_s=between(rng, 300.0, 1500.0),
            salinity_psu=salinity,
            announced_psu=salinity,
        )
    )


def _plan_keeping(rng: Generator, plan: Plan) -> None:
    """Ordinary keeping: a water change a week, hands in the water announced as service."""
    at_s = between(rng, 1.5, 5.0) * DAY_S + 10.0 * HOUR_S
    while at_s < plan.span_s - DAY_S:
        _water_change(rng, plan, at_s)
        at_s += between(rng, 4.0, 8.0) * DAY_S
    if rng.random() < 0.6:
        begin_s = between(rng, 5.5, 9.5) * DAY_S
        plan.services.append((begin_s, begin_s + between(rng, 900.0, 2400.0)))


def _plan_checks(rng: Generator, plan: Plan) -> None:
    at_s = between(rng, 0.5, 6.0) * DAY_S
    while at_s < plan.span_s:
        if not any(e.is_water and e.begin_s <= at_s <= e.excused_until_s for e in plan.episodes):
            plan.checks_s.append(at_s)
        at_s += between(rng, 5.0, 9.0) * DAY_S


def _plan_episodes(rng: Generator, plan: Plan) -> None:
    fast = plan.tank.probe.cadence_s < 5.0
    at_s = (between(rng, 5.0, 8.0) if fast else between(rng, 8.0, 24.0)) * HOUR_S
    wanted = int(rng.integers(2, 7))
    turn = int(rng.integers(5)) + plan.seed // len(FOCUSES)
    while len(plan.episodes) < wanted:
        if plan.focus == "overlap":
            end_s = _plan_pair(rng, plan, at_s)
        else:
            looks = LOOKS_OF[plan.focus]
            own = len(plan.episodes) % 2 == 0
            look = looks[turn % len(looks)] if own else pick(rng, *QUICK)
            turn += own
            end_s = _add(rng, plan, look, at_s)
        if end_s is None:
            break
        at_s = end_s + (between(rng, 2.0, 4.0) if fast else between(rng, 4.0, 12.0)) * HOUR_S


def _plan_pair(rng: Generator, plan: Plan, at_s: float) -> float | None:
    first = pick(rng, "device", "passing", "lodged", "leak", "reservoir-empty", "neighbour")
    end_s = _add(rng, plan, first, at_s)
    if end_s is None:
        return None
    outer = plan.episodes[-1]
    seconds = [
        look
        for look in ("passing", "lodged", "out", "silent", "stuck", "plume-top-off")
        if CAUSE_OF[look] != outer.cause
    ]
    begin_s = outer.begin_s + between(rng, 0.4, 0.7) * (outer.end_s - outer.begin_s)
    inner_end_s = _add(rng, plan, pick(rng, *seconds), begin_s)
    return max(end_s, inner_end_s or 0.0)


def _add(rng: Generator, plan: Plan, look: str, at_s: float) -> float | None:
    """Plan one episode; returns until when it lasts, or None when it does not fit any more."""
    episode = Episode(cause=CAUSE_OF[look], look=look, begin_s=at_s, end_s=at_s)
    before = deepcopy(plan.happenings)
    if episode.is_water:
        until_s = _plan_water(rng, plan, episode)
    else:
        episode.end_s = at_s + _lasting_s(rng, plan, episode)
        until_s = episode.excused_until_s = episode.end_s + HOUR_S
    if until_s > plan.span_s - 0.5 * HOUR_S:
        plan.happenings = before
        return None
    plan.episodes.append(episode)
    return until_s


def _lasting_s(rng: Generator, plan: Plan, episode: Episode) -> float:
    tank, cadence_s = plan.tank, plan.tank.probe.cadence_s
    slow_h = 25.0 * cadence_s / HOUR_S
    match episode.look:
        case "passing":
            hours = log_uniform(rng, max(0.7, slow_h), max(12.0, 2 * slow_h))
        case "lodged":
            hours = log_uniform(rng, max(2.0, slow_h), 12.0 if cadence_s < 5.0 else 40.0)
        case "device" | "neighbour":
            return _choose_device(rng, plan, episode)
        case "plume-top-off":
            fills_h = tank.hysteresis_l / (tank.volume_l * tank.evaporation_pct_day / 100.0 / 24.0)
            hours = min(60.0, max(4.0, between(rng, 6.0, 12.0) * fills_h))
        case "plume-doser":
            hours = between(rng, 15.0, 36.0)
        case "out" | "half-dry" | "thermometer-out":
            hours = log_uniform(rng, max(0.25, slow_h), max(6.0, 2 * slow_h))
        case "stuck":
            hours = log_uniform(rng, max(3.0, 3 * slow_h), 24.0)
        case _:
            hours = log_uniform(rng, max(0.2, slow_h), max(6.0, 2 * slow_h))
    return hours * HOUR_S


def _choose_device(rng: Generator, plan: Plan, episode: Episode) -> float:
    tank = plan.tank
    if episode.look == "neighbour":
        names = ["ph"]
    else:
        names = ["foam", "stream", "filter", "filter", "heat"]
        if plan.span_s > 4.8 * DAY_S and not plan.episodes:
            names.append("lamp")
    name = pick(rng, *names)
    switching = {each.name: each.switches_s for each in tank.devices}.get(name)
    usual_s = 1800.0 if switching is None else float(abs(switching[1:] - switching[:-1]).mean())
    if name == "foam" and len(switching if switching is not None else []) < 16:
        name, usual_s = "filter", 3600.0
    # A device that switches faster than the probe is read leaves no steps to be seen.
    if usual_s < 2.5 * tank.probe.cadence_s:
        name, usual_s = "filter", 3600.0
    episode.details["device"] = name
    if name == "lamp":
        return 3.9 * DAY_S
    return min(max(between(rng, 14.0, 24.0) * usual_s, 2.0 * HOUR_S), 40.0 * HOUR_S)


def _plan_water(rng: Generator, plan: Plan, episode: Episode) -> float:
    """Put the failure into the water's happenings; returns when all is put right again."""
    tank, happenings, at_s = plan.tank, plan.happenings, episode.begin_s
    if episode.look in {"reservoir-empty", "float-stuck"}:
        rise = between(rng, 0.45, 1.1)
        days = rise / (tank.salinity_psu * tank.evaporation_pct_day / 100.0)
        episode.end_s = at_s + days * DAY_S
        spans = (
            happenings.reservoir_empty
            if episode.look == "reservoir-empty"
            else happenings.pump_barred
        )
        spans.append((at_s, episode.end_s))
        missing_l = tank.volume_l * tank.evaporation_pct_day / 100.0 * days * 1.3
        filled_s = missing_l / tank.top_off_l_h * HOUR_S
        episode.excused_until_s = episode.end_s + filled_s + 5.0 * tank.mixing_s + HOUR_S
        episode.size_psu = rise
        episode.spans.append((at_s, episode.end_s))
        return episode.excused_until_s
    if episode.look in {"fresh-change", "salty-change"}:
        return _plan_bad_change(rng, plan, episode)
    fall = log_uniform(rng, 0.5, 2.0)
    if episode.look in {"pump-stuck", "siphon"}:
        share = 1.0 if episode.look == "pump-stuck" else between(rng, 0.3, 1.2)
        litres_h = tank.top_off_l_h * share
        spans_h = tank.volume_l * fall / tank.salinity_psu / litres_h
        episode.end_s = at_s + spans_h * HOUR_S
        if episode.look == "pump-stuck":
            happenings.pump_stuck_on.append((at_s, episode.end_s))
        else:
            happenings.siphoned.append((at_s, episode.end_s, litres_h / HOUR_S))
    else:
        slow = episode.look == "skimmer-overflow"
        per_day = log_uniform(rng, 0.006, 0.03) if slow else log_uniform(rng, 0.03, 0.15)
        # What is lost must be replaced by the top-off.
        litres_h = min(tank.volume_l * per_day / 24.0, 0.6 * tank.top_off_l_h)
        psu_h = tank.salinity_psu * litres_h / tank.volume_l
        hours = min(fall / psu_h, 60.0)
        fall = psu_h * hours
        episode.end_s = at_s + hours * HOUR_S
        happenings.lost.append((at_s, episode.end_s, litres_h / HOUR_S))
    episode.details["% of volume/h"] = f"{100.0 * litres_h / tank.volume_l:.2f}"
    episode.size_psu = -fall
    episode.spans.append((at_s, episode.end_s))
    return _put_right(rng, plan, episode, episode.end_s + between(rng, 0.5, 2.0) * HOUR_S)


def _put_right(rng: Generator, plan: Plan, episode: Episode, at_s: float) -> float:
    """The keeper exchanges water until all is as before, and announces it."""
    repair = Exchange(
        begin_s=at_s,
        litres=plan.tank.volume_l * between(rng, 0.12, 0.25),
        drain_for_s=between(rng, 600.0, 1800.0),
        fill_for_s=between(rng, 900.0, 3600.0),
    )
    plan.happenings.exchanges.append(repair)
    episode.off_until_s = at_s
    episode.excused_until_s = repair.end_s + 5.0 * plan.tank.mixing_s + HOUR_S
    return episode.excused_until_s


def _plan_bad_change(rng: Generator, plan: Plan, episode: Episode) -> float:
    tank = plan.tank
    share = between(rng, 0.1, 0.25)
    size = log_uniform(rng, 0.45, 1.8) * (-1.0 if episode.look == "fresh-change" else 1.0)
    salinity = min(41.5, tank.salinity_psu + size / share)
    announced = bool(rng.random() < 0.6)
    exchange = Exchange(
        begin_s=episode.begin_s,
        litres=tank.volume_l * share,
        drain_for_s=between(rng, 300.0, 1200.0),
        fill_for_s=between(rng, 600.0, 2400.0),
        salinity_psu=salinity,
        announced_psu=round(tank.salinity_psu, 1),
        announced=announced,
    )
    plan.happenings.exchanges.append(exchange)
    episode.begin_s += exchange.drain_for_s
    episode.end_s = exchange.end_s + between(rng, 3.0, 10.0) * HOUR_S
    episode.size_psu = (salinity - tank.salinity_psu) * share
    episode.spans.append((episode.begin_s, episode.end_s))
    episode.details["announced"] = "yes" if announced else "no"
    episode.details["fill min"] = f"{exchange.fill_for_s / 60.0:.0f}"
    return _put_right(rng, plan, episode, episode.end_s)
