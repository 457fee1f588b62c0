"""The numbers that dashboards show: their names, units and the range in which they are believed."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import isfinite
from typing import Any, Final

from bridge.core.findings import Cause, Quality


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """A number in the salinity document."""

    identifier: str
    """As a topic level."""
    key: str
    """In the document."""
    name: str
    low: float
    high: float
    digits: int
    """Behind the decimal point, as far as a person wants to see."""
    unit: str | None = None
    device_class: str | None = None
    """What a home hub calls this kind of number; None where it has no word for it."""
    diagnostic: bool = False


# The ranges only keep out what no water can have; a value outside is shown as unknown.
QUANTITIES: Final = (
    Quantity(
        identifier="salinity",
        key="salinity",
        name="Salinity",
        low=0,
        high=50,
        digits=2,
        unit="psu",
    ),
    Quantity(
        identifier="uncertainty",
        key="uncertainty",
        name="Uncertainty of the salinity",
        low=0,
        high=50,
        digits=2,
        unit="psu",
        diagnostic=True,
    ),
    Quantity(
        identifier="probe-salinity",
        key="probe_salinity",
        name="Salinity by the probe alone",
        low=0,
        high=100,
        digits=2,
        unit="psu",
        diagnostic=True,
    ),
    Quantity(
        identifier="temperature",
        key="temperature",
        name="Water temperature",
        low=-50,
        high=150,
        digits=1,
        unit="°C",
        device_class="temperature",
    ),
    Quantity(
        identifier="conductivity-25c",
        key="conductivity_25c",
        name="Conductivity at 25 °C",
        low=0,
        high=200,
        digits=2,
        unit="mS/cm",
        device_class="conductivity",
        diagnostic=True,
    ),
    Quantity(
        identifier="specific-gravity",
        key="specific_gravity",
        name="Specific gravity",
        low=0.9,
        high=1.2,
        digits=4,
    ),
)
QUALITIES: Final = tuple(quality.value for quality in Quality)
CAUSES: Final = tuple(cause.value for cause in Cause)
WORDS: Final[Mapping[str, tuple[str, tuple[str, ...]]]] = {
    "quality": ("Quality of the reading", QUALITIES),
    "cause": ("Cause of a disturbance", CAUSES),
}
"""Name and accepted words of each enumeration in the document."""


def number_text(document: Mapping[str, Any], quantity: Quantity) -> str | None:
    """A number as plain text; None when it is unknown or outside its range."""
    value = document.get(quantity.key)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    if not isfinite(value) or not quantity.low <= value <= quantity.high:
        return None
    # Fixed digits: no exponent, which simple dashboards do not read.
    return f"{value + 0.0:.4f}".rstrip("0").rstrip(".")


def word_text(document: Mapping[str, Any], key: str) -> str | None:
    """A word of an enumeration; None when it is none of the accepted ones."""
    value = document.get(key)
    return value if value in WORDS[key][1] else None
