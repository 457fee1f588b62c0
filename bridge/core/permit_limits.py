"""The limits of a permit with their defaults, and the litres counted against them."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf
from typing import Final

from bridge.core.findings import Cause
from bridge.core.permit_rules import default_causes
from bridge.core.settings import Delivers, Driver, Permit, Tank

HOUR_S: Final = 3600.0
DAY_S: Final = 86_400.0

LARGEST_TOP_OFF_PCT_H: Final = 15.0
"""Fresh-water delivery assumed when the plumbing's is not configured. [% of the volume per h]"""
EVAPORATION_FACTOR: Final = 2.0
CATCH_UP_PCT: Final = 1.0
LARGEST_USUAL_EVAPORATION_PCT_DAY: Final = 2.0
"""What a healthy tank may evaporate a day: 0.5 to 2 % of the volume in usual rooms (Carrier/ASHRAE,
see `bridge.core.evaporation`). A slope learned between small teeth may be far too low."""
SALT_WATER_PCT_DAY: Final = 20.0
HOURLY_SHARE: Final = 0.5
SMALLEST_RUN_S: Final = 60.0
LARGEST_RUN_S: Final = 4 * HOUR_S
DEFAULT_RUN_S: Final = HOUR_S
STALE_INTERVALS: Final = 8.0
SMALLEST_STALE_S: Final = 60.0
LARGEST_STALE_S: Final = HOUR_S
THERMOMETER_STALE_S: Final = HOUR_S

LIMIT_DEFAULTS: Final[Mapping[str, tuple[str, str]]] = {
    "largest_litres_day, fresh water": (
        (
            f"{EVAPORATION_FACTOR:g} times the learned evaporation plus {CATCH_UP_PCT:g} % of the "
            f"volume, at least {LARGEST_USUAL_EVAPORATION_PCT_DAY + CATCH_UP_PCT:g} % of it or, if "
            f"less, largest_evaporation_pct_day; that while evaporation is unknown"
        ),
        (
            "Only what evaporated must be replaced. Twice of it and a reserve let the tank catch "
            "up after a dry day or two; more would lower the salinity noticeably. Up to "
            f"{LARGEST_USUAL_EVAPORATION_PCT_DAY:g} % of the volume a day is usual, and what was "
            "learned may be too little."
        ),
    ),
    "largest_litres_day, salt water": (
        f"{SALT_WATER_PCT_DAY:g} % of the volume",
        "Common practice, no source: a larger automatic change is an accident.",
    ),
    "largest_litres_hour": (
        f"{HOURLY_SHARE * 100:g} % of the daily limit",
        "A stuck valve is caught while half of the day's harm is still ahead.",
    ),
    "largest_run_s": (
        (
            f"the time in which plumbing delivers the hourly limit, {SMALLEST_RUN_S:g} s to "
            f"{LARGEST_RUN_S / HOUR_S:g} h; {DEFAULT_RUN_S / HOUR_S:g} h when the rate is unknown; "
            f"none without equipment"
        ),
        "One run has no reason to deliver more than an hour may bring.",
    ),
    "stale_after_s": (
        (
            f"{STALE_INTERVALS:g} intervals of the probe, {SMALLEST_STALE_S:g} s to "
            f"{LARGEST_STALE_S / HOUR_S:g} h"
        ),
        "A backstop behind the diagnosis, which calls silence sooner where a sensor is reliable.",
    ),
    "low_psu, high_psu": (
        (
            "driven by salinity: limits.low_psu and limits.high_psu; fresh water driven by level: "
            "limits.low_psu only; others none"
        ),
        "Fresh water is the remedy for high salinity, and poison for low.",
    ),
    "low_c, high_c": (
        "driven by salinity: limits.low_c and limits.high_c; others none",
        "The reading rests on the temperature. A hot day must not stop the top-off.",
    ),
    "minimum_hold_s": ("60 s", "Slower than any flutter, faster than the tank."),
    "overrun_grace_s": (
        "the lease",
        "An actuator that honours leases is off by then even when it missed the hold.",
    ),
    "long_hold_s": ("3 h", "About when a falling level begins to matter in a small sump."),
}


@dataclass(frozen=True, slots=True)
class GateLimits:
    """What one gate compares with, resolved once from the settings."""

    held_by: frozenset[Cause]
    held_by_uncertain: bool
    held_by_quality: bool
    needs_temperature: bool
    moves_water: bool
    needs_level: bool
    largest_uncertainty_psu: float
    low_psu: float
    high_psu: float
    low_c: float
    high_c: float
    stale_after_s: float | None
    thermometer_stale_s: float
    grace_s: float
    volume_l: float
    largest_run_s: float
    smallest_pause_s: float
    metered: bool
    """Litres come from the meter; else they are timed when `rate_l_h` is given."""
    rate_l_h: float | None
    litres_hour: float | None
    litres_day: float | None
    """As configured; None for the default, which may depend on what is learned."""
    unlearned_day_l: float | None
    budgeted: bool
    """Whether the learned evaporation sets the default."""
    uncounted: bool

    def stale_s(self, interval_s: float) -> float:
        """Age of a probe reading at which it no longer counts, in seconds."""
        if self.stale_after_s is not None:
            return self.stale_after_s
        # "not >=" sends a NaN interval to the strict end.
        if not interval_s * STALE_INTERVALS >= SMALLEST_STALE_S:
            return SMALLEST_STALE_S
        return min(interval_s * STALE_INTERVALS, LARGEST_STALE_S)

    def day_l(self, evaporation_l_day: float | None) -> float:
        """Largest litres within 24 hours; infinite when nothing limits or counts them."""
        if self.litres_day is not None:
            return self.litres_day
        if self.unlearned_day_l is None or not self.counted:
            return inf
        if self.budgeted and evaporation_l_day is not None:
            learned_l = EVAPORATION_FACTOR * evaporation_l_day + CATCH_UP_PCT / 100 * self.volume_l
            usual_pct = LARGEST_USUAL_EVAPORATION_PCT_DAY + CATCH_UP_PCT
            least_l = min(usual_pct / 100 * self.volume_l, self.unlearned_day_l)
            # Learning may tighten the plumbing's bound, but not below what is usual for any tank,
            # and widen it no more than to twice.
            return min(max(learned_l, least_l), 2 * self.unlearned_day_l)
        return self.unlearned_day_l

    def hour_l(self, evaporation_l_day: float | None) -> float:
        """Largest litres within an hour; infinite when nothing limits or counts them."""
        if self.litres_hour is not None:
            return self.litres_hour
        return HOURLY_SHARE * self.day_l(evaporation_l_day)

    @property
    def counted(self) -> bool:
        """Whether anything counts the litres."""
        return self.metered or self.rate_l_h is not None


def rate_l_h(tank: Tank, permit: Permit) -> float | None:
    """Delivery of the permit's actuator by the plumbing; None when unknown, in litres an hour."""
    if permit.delivers is Delivers.FRESH_WATER:
        return tank.plumbing.top_off_l_h or LARGEST_TOP_OFF_PCT_H / 100 * tank.volume_l
    if permit.delivers is Delivers.SALT_WATER and tank.plumbing.salt_water_l_h > 0:
        return tank.plumbing.salt_water_l_h
    return None


def uncounted_limits(tank: Tank, permit: Permit) -> tuple[str, ...]:
    """Configured limits that nothing could count; such a permit is always held."""
    timed = permit.equipment is not None
    metered = permit.delivers is Delivers.FRESH_WATER and tank.metered_top_off is not None
    litres = metered or (timed and rate_l_h(tank, permit) is not None)
    return tuple(
        name
        for name, countable in (
            ("largest_run_s", timed),
            ("largest_litres_hour", litres),
            ("largest_litres_day", litres),
        )
        if getattr(permit, name) is not None and not countable
    )


def resolve(tank: Tank, permit: Permit) -> GateLimits:
    """The limits of one permit, with every default filled in."""
    fresh = permit.delivers is Delivers.FRESH_WATER
    salt = permit.delivers is Delivers.SALT_WATER
    by_salinity = permit.driven_by is Driver.SALINITY
    by_level = permit.driven_by is Driver.LEVEL
    metered = fresh and tank.metered_top_off is not None
    rate = rate_l_h(tank, permit)
    timed_rate = rate if permit.equipment is not None and not metered else None
    if fresh:
        default_day_l = tank.plumbing.largest_evaporation_pct_day / 100 * tank.volume_l
    else:
        default_day_l = SALT_WATER_PCT_DAY / 100 * tank.volume_l
    unlearned_day_l = default_day_l if fresh or salt else None
    run_s = permit.largest_run_s
    if run_s is None:
        run_s = _default_run_s(permit, rate, unlearned_day_l)
    low_psu, high_psu = permit.low_psu, permit.high_psu
    if low_psu is None and (by_salinity or (fresh and by_level)):
        low_psu = tank.limits.low_psu
    if high_psu is None and by_salinity:
        high_psu = tank.limits.high_psu
    low_c, high_c = permit.low_c, permit.high_c
    if by_salinity:
        low_c = tank.limits.low_c if low_c is None else low_c
        high_c = tank.limits.high_c if high_c is None else high_c
    held_by = (
        default_causes(permit.driven_by, permit.delivers)
        if permit.held_by is None
        else frozenset(Cause(name) for name in permit.held_by)
    )
    thermometer_s = tank.thermometer.interval_s
    counted = metered or timed_rate is not None
    return GateLimits(
        held_by=held_by,
        # A level-driven actuator is still watched by its litres; with nothing counting them,
        # salinity is the only check there is.
        held_by_uncertain=by_salinity or not (counted or permit.driven_by is Driver.SCHEDULE),
        held_by_quality=by_salinity,
        needs_temperature=low_c is not None or high_c is not None,
        moves_water=fresh or salt,
        needs_level=by_level,
        largest_uncertainty_psu=tank.limits.largest_uncertainty_psu,
        low_psu=-inf if low_psu is None else low_psu,
        high_psu=inf if high_psu is None else high_psu,
        low_c=-inf if low_c is None else low_c,
        high_c=inf if high_c is None else high_c,
        stale_after_s=permit.stale_after_s,
        thermometer_stale_s=max(THERMOMETER_STALE_S, STALE_INTERVALS * (thermometer_s or 0.0)),
        grace_s=permit.lease_s if permit.overrun_grace_s is None else permit.overrun_grace_s,
        volume_l=tank.volume_l,
        largest_run_s=run_s,
        smallest_pause_s=permit.smallest_pause_s,
        metered=metered,
        rate_l_h=timed_rate,
        litres_hour=permit.largest_litres_hour,
        litres_day=permit.largest_litres_day,
        unlearned_day_l=unlearned_day_l,
        budgeted=fresh,
        uncounted=bool(uncounted_limits(tank, permit)),
    )


def _default_run_s(permit: Permit, rate: float | None, day_l: float | None) -> float:
    if permit.equipment is None:
        return inf
    hour_l = permit.largest_litres_hour
    if hour_l is None and day_l is not None:
        hour_l = HOURLY_SHARE * day_l
    if rate is None or hour_l is None:
        return DEFAULT_RUN_S
    return min(max(hour_l / rate * HOUR_S, SMALLEST_RUN_S), LARGEST_RUN_S)
