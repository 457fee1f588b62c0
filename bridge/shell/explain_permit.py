"""What a permit's settings mean, defaults filled in, in plain words."""

from math import inf, isfinite
from typing import Final

from bridge.core.findings import Cause
from bridge.core.permit_limits import GateLimits, resolve
from bridge.core.settings import Delivers, Driver, Permit, Tank

MINUTE_S: Final = 60
HOUR_S: Final = 3600

DELIVERED: Final = {
    Delivers.FRESH_WATER: "fresh water",
    Delivers.SALT_WATER: "salt water",
    Delivers.DOSE: "a dose",
    Delivers.OTHER: "something else than water or a dose",
}
DRIVEN: Final = {
    Driver.LEVEL: "the water level",
    Driver.SALINITY: "the salinity",
    Driver.SCHEDULE: "a schedule",
}


def duration(seconds: float) -> str:
    """A time in the unit that reads best."""
    if seconds >= 2 * HOUR_S:
        return f"{seconds / HOUR_S:.3g} h"
    if seconds >= 2 * MINUTE_S:
        return f"{seconds / MINUTE_S:.3g} min"
    return f"{seconds:.3g} s"


def permit_words(tank: Tank, permit: Permit) -> list[str]:
    """What a permit lets happen, what holds it, and for how long."""
    limits = resolve(tank, permit)
    device = ""
    if permit.equipment is not None:
        device = f" through {permit.equipment} ({tank.equipment[permit.equipment].kind})"
    stale = "judged by the probe's rhythm"
    if permit.stale_after_s is not None:
        stale = f"over {duration(permit.stale_after_s)}"
    return [
        f"Delivers {DELIVERED[permit.delivers]}{device}, driven by {DRIVEN[permit.driven_by]}.",
        (
            f"Lasts {duration(permit.lease_s)} unless renewed; a hold lasts at least "
            f"{duration(permit.minimum_hold_s)}, one of {duration(permit.long_hold_s)} raises an "
            f"alarm, and a bypass lasts at most {permit.largest_bypass_min:g} min."
        ),
        _amounts(tank, permit, limits),
        *_bands(limits),
        (
            "Always held: at start and shutdown, without the broker, in service, after an overrun, "
            f"and on readings that are missing or too old ({stale})."
        ),
        _held_by(permit, limits),
    ]


def _amounts(tank: Tank, permit: Permit, limits: GateLimits) -> str:
    """Largest run and litres, and whether they were stated."""
    amounts = []
    if isfinite(limits.largest_run_s):
        amounts.append((permit.largest_run_s, f"{duration(limits.largest_run_s)} a run"))
    for stated, litres, period in (
        (permit.largest_litres_hour, limits.hour_l(None), "an hour"),
        (permit.largest_litres_day, limits.day_l(None), "a day"),
    ):
        if isfinite(litres):
            amounts.append((stated, f"{litres:.3g} litres {period}"))
    if not amounts:
        words = "No largest run and no largest litres, because nothing counts them."
    else:
        said = (text if stated is not None else f"{text} (default)" for stated, text in amounts)
        words = f"At most {', '.join(said)}."
    by_evaporation = permit.largest_litres_day is None and limits.budgeted and limits.counted
    if by_evaporation:
        words += " The litres follow the evaporation once it is learned."
    if limits.counted:
        rate = "" if limits.rate_l_h is None else f" at {limits.rate_l_h:g} litres an hour"
        if rate and tank.plumbing.top_off_l_h is None and permit.delivers is Delivers.FRESH_WATER:
            rate += " (assumed)"
        words += " They are metered." if limits.metered else f" They are timed{rate}."
    if permit.smallest_pause_s > 0:
        words += f" At least {duration(permit.smallest_pause_s)} between runs."
    return words


def _bands(limits: GateLimits) -> list[str]:
    sentences = []
    for what, low, high in (
        ("salinity", limits.low_psu, limits.high_psu),
        ("water temperature in °C", limits.low_c, limits.high_c),
    ):
        bounds = [f"from {low:g}"] if low > -inf else []
        bounds += [f"up to {high:g}"] if high < inf else []
        if bounds:
            sentences.append(f"Only at a {what} {' '.join(bounds)}.")
    return sentences


def _held_by(permit: Permit, limits: GateLimits) -> str:
    """The findings that hold it, in the order of the interface."""
    causes = [cause.value for cause in Cause if cause in limits.held_by]
    if limits.held_by_uncertain:
        causes.append("a salinity that is not known well enough")
    if not causes:
        return "Held by no finding about the reading."
    choice = "default" if permit.held_by is None else "your choice"
    every = set(limits.held_by) >= set(Cause) - {Cause.NONE}
    listed = ", ".join(causes)
    return f"Held by {'every finding: ' if every else 'these findings: '}{listed} ({choice})."
