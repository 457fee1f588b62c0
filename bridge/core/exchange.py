"""How much water to exchange, and in how many days, to bring the salinity back.

Salt is conserved when water is exchanged, and the tank mixes before the next step.
"""

import math
from dataclasses import dataclass
from typing import Final

from bridge.core.seawater import HIGHEST_SALINITY_PSU, LOWEST_SALINITY_PSU

LITRES_PER_US_GALLON: Final = 3.785411784
"""Exact: 231 cubic inches (NIST Special Publication 811, Appendix B.8)."""

MIX_ABOVE_TARGET_PSU: Final = 3.0
"""How much saltier than the target the new water is mixed when the keeper states nothing."""

LONGEST_DAYS: Final = 365

# A last day with a thousandth of the daily change is rounding, not a step.
_ROUNDING_STEPS: Final = 1e-3


@dataclass(frozen=True, slots=True)
class Step:
    """One day's exchange."""

    day: int
    litres: float
    from_psu: float
    to_psu: float

    @property
    def us_gallons(self) -> float:
        """The same amount in US gallons."""
        return self.litres / LITRES_PER_US_GALLON


@dataclass(frozen=True, slots=True)
class Plan:
    """The way from the present to the wanted salinity."""

    new_water_psu: float
    """0 for fresh water."""
    steps: tuple[Step, ...]
    cautions: tuple[str, ...]

    @property
    def litres(self) -> float:
        """All steps together."""
        return math.fsum(step.litres for step in self.steps)

    @property
    def us_gallons(self) -> float:
        """All steps together, in US gallons."""
        return self.litres / LITRES_PER_US_GALLON


def litres_to_exchange(
    *, volume_l: float, from_psu: float, to_psu: float, new_water_psu: float
) -> float:
    """Litres to take out and replace, all at once.

    Args:
        volume_l: Water in the system, > 0. [l]
        from_psu: Present practical salinity, > 0. [1]
        to_psu: Wanted practical salinity, > 0. [1]
        new_water_psu: Salinity of the replacement, 0 for fresh water. [1]

    Returns:
        V (S2 - S1) / (Sn - S1), which for fresh water is V (1 - S2 / S1). [l]

    Raises:
        ValueError: the new water cannot bring the tank there.

    Error: volumes are exchanged, not masses; fresh and sea water differ by 2.6 % in density, so
        the litres are right within 3 % of themselves, far less than the volume is known.

    Source: conservation of salt.
    """
    if not 0 < volume_l < math.inf:
        raise ValueError(f"the volume is {volume_l:g} l; it must be above 0")
    change = to_psu - from_psu
    if change == 0:
        return 0.0
    # The new water must lie beyond the wanted salinity, or no amount of it reaches there.
    if not (new_water_psu - to_psu) * change > 0:
        side = "above" if change > 0 else "below"
        raise ValueError(
            f"water of {new_water_psu:g} cannot bring the tank from {from_psu:g} to {to_psu:g}; "
            f"it must be {side} {to_psu:g}"
        )
    return volume_l * change / (new_water_psu - from_psu)


def plan_exchange(
    *,
    volume_l: float,
    from_psu: float,
    to_psu: float,
    largest_daily_change_psu: float = 0.5,
    salt_water_psu: float | None = None,
    uncertainty_psu: float | None = None,
) -> Plan:
    """Plan the exchange in equal daily changes, none above the largest allowed.

    Args:
        volume_l: Water in the system, > 0. [l]
        from_psu: Present practical salinity, 2..42. [1]
        to_psu: Wanted practical salinity, 2..42. [1]
        largest_daily_change_psu: > 0. Default 0.5: common practice, no source. [1]
        salt_water_psu: Salinity of the mixed salt water, used when the salinity has to rise;
            left out, 3 above the target (at most 42). [1]
        uncertainty_psu: Expanded uncertainty of the present salinity, when known. [1]

    Returns:
        Daily steps with their cautions; no steps when the salinity is already there.

    Raises:
        ValueError: a value is out of range, or the salt water is not saltier than the target.
    """
    for name, salinity in (("present", from_psu), ("wanted", to_psu)):
        if not LOWEST_SALINITY_PSU <= salinity <= HIGHEST_SALINITY_PSU:
            raise ValueError(f"the {name} salinity is {salinity:g}; it must be 2 to 42")
    if not largest_daily_change_psu > 0:
        raise ValueError(
            f"the largest daily change is {largest_daily_change_psu:g}; it must be above 0"
        )
    change = to_psu - from_psu
    new_water_psu = 0.0
    if change > 0:
        new_water_psu = _salt_water(to_psu, salt_water_psu)
    days = max(1, math.ceil(abs(change) / largest_daily_change_psu - _ROUNDING_STEPS))
    if days > LONGEST_DAYS:
        raise ValueError(
            f"that would take {days} days; allow more than {largest_daily_change_psu:g} a day"
        )
    steps = []
    for day in range(1, days + 1) if change else ():
        # Interpolated rather than added up, so that the last step ends exactly on target.
        start = from_psu + change * (day - 1) / days
        end = to_psu if day == days else from_psu + change * day / days
        litres = litres_to_exchange(
            volume_l=volume_l, from_psu=start, to_psu=end, new_water_psu=new_water_psu
        )
        steps.append(Step(day=day, litres=litres, from_psu=start, to_psu=end))
    cautions = _cautions(change, steps, volume_l, uncertainty_psu)
    return Plan(new_water_psu=new_water_psu, steps=tuple(steps), cautions=cautions)


def _salt_water(to_psu: float, stated_psu: float | None) -> float:
    if stated_psu is None:
        return min(to_psu + MIX_ABOVE_TARGET_PSU, HIGHEST_SALINITY_PSU)
    if not to_psu < stated_psu <= HIGHEST_SALINITY_PSU:
        raise ValueError(
            f"the mixed salt water is {stated_psu:g}; it must be above {to_psu:g} and at most 42"
        )
    return stated_psu


def _cautions(
    change_psu: float, steps: list[Step], volume_l: float, uncertainty_psu: float | None
) -> tuple[str, ...]:
    cautions = []
    if uncertainty_psu is not None and abs(change_psu) <= uncertainty_psu:
        cautions.append(
            f"The change of {abs(change_psu):.2f} is within the uncertainty of "
            f"{uncertainty_psu:.2f}. Leave the water alone, and check with a hand instrument first."
        )
    if not steps:
        return tuple(cautions)
    if change_psu > 0:
        cautions.append(
            "Mix and dissolve the salt outside the tank, at the tank's temperature, "
            "and check it with a hand instrument. Never put dry salt into a stocked tank."
        )
    else:
        cautions.append(
            "Use purified fresh water at the tank's temperature. Take out salt water first, "
            "then add the fresh water slowly, where the flow mixes it."
        )
    cautions.append(
        "In a stocked tank go slowly: spread each day's amount over hours, "
        "and wait for the day's end before the next step."
    )
    cautions.append(
        "Measure before every step with an independent instrument, "
        "and stop when the tank does not follow the plan."
    )
    # Common practice, no source: larger exchanges shift temperature and alkalinity as well.
    largest = max(step.litres for step in steps)
    if largest > 0.2 * volume_l:
        cautions.append(
            f"One day exchanges {100 * largest / volume_l:.0f} % of the water. "
            "Match alkalinity and temperature closely, or allow a smaller daily change."
        )
    cautions.append("Announce the exchange as a water change, so that it is not taken for a fault.")
    return tuple(cautions)
