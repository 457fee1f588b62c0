"""Kinds of hand instrument, what is known of a reading, and what comes out of it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Annotated, Final

from annotated_types import Gt

from bridge.core.settings import GravityReference, InstrumentUncertainty

Positive = Annotated[float, Gt(0)]


class InstrumentKind(StrEnum):
    """What the keeper measured with."""

    REFRACTOMETER_SEA_WATER = "optical-refractometer-sea-water"
    REFRACTOMETER_BRINE = "optical-refractometer-brine"
    REFRACTOMETER_DIGITAL = "digital-refractometer"
    HYDROMETER_GLASS = "glass-hydrometer"
    HYDROMETER_SWING_ARM = "swing-arm-hydrometer"
    CONDUCTIVITY_METER = "bench-conductivity-meter"
    LABORATORY = "laboratory"
    OTHER = "other"


class ReadingUnit(StrEnum):
    """Unit of the instrument's number."""

    PSU = "psu"
    PPT = "ppt"
    SG = "sg"
    MS_CM = "mS/cm"
    US_CM = "uS/cm"
    S_M = "S/m"
    INDEX = "nD"


REFRACTOMETERS: Final = frozenset(
    {
        InstrumentKind.REFRACTOMETER_SEA_WATER,
        InstrumentKind.REFRACTOMETER_BRINE,
        InstrumentKind.REFRACTOMETER_DIGITAL,
    }
)


@dataclass(frozen=True, slots=True, kw_only=True)
class TypicalUncertainty:
    """Standard uncertainty of an instrument, as common practice has it."""

    checked_psu: Positive
    """When it was checked in, or set with, a standard."""
    unchecked_psu: Positive


# Common practice, no source; every value can be replaced.
TYPICAL: Final[Mapping[InstrumentKind, TypicalUncertainty]] = {
    InstrumentKind.REFRACTOMETER_SEA_WATER: TypicalUncertainty(checked_psu=0.5, unchecked_psu=1.0),
    InstrumentKind.REFRACTOMETER_BRINE: TypicalUncertainty(checked_psu=0.5, unchecked_psu=1.0),
    InstrumentKind.REFRACTOMETER_DIGITAL: TypicalUncertainty(checked_psu=0.5, unchecked_psu=1.0),
    InstrumentKind.HYDROMETER_GLASS: TypicalUncertainty(checked_psu=0.5, unchecked_psu=1.0),
    InstrumentKind.HYDROMETER_SWING_ARM: TypicalUncertainty(checked_psu=2.0, unchecked_psu=2.0),
    InstrumentKind.CONDUCTIVITY_METER: TypicalUncertainty(checked_psu=0.2, unchecked_psu=0.5),
    InstrumentKind.LABORATORY: TypicalUncertainty(checked_psu=0.05, unchecked_psu=0.05),
    InstrumentKind.OTHER: TypicalUncertainty(checked_psu=1.0, unchecked_psu=1.0),
}


def typical_uncertainties(
    stated: Mapping[str, InstrumentUncertainty],
) -> Mapping[InstrumentKind, TypicalUncertainty]:
    """The typical ones, with those that the keeper states in their place.

    Args:
        stated: By kind of instrument; what is left out in one stays typical.
    """
    found = dict(TYPICAL)
    for name, own in stated.items():
        kind = InstrumentKind(name)
        usual = TYPICAL[kind]
        found[kind] = TypicalUncertainty(
            checked_psu=usual.checked_psu if own.checked_psu is None else own.checked_psu,
            unchecked_psu=usual.unchecked_psu if own.unchecked_psu is None else own.unchecked_psu,
        )
    return found


_NAMES: Final[Mapping[str, InstrumentKind]] = {
    "refractometer": InstrumentKind.REFRACTOMETER_SEA_WATER,
    "optical-refractometer": InstrumentKind.REFRACTOMETER_SEA_WATER,
    "refractometer-sea-water": InstrumentKind.REFRACTOMETER_SEA_WATER,
    "refractometer-brine": InstrumentKind.REFRACTOMETER_BRINE,
    "refractometer-digital": InstrumentKind.REFRACTOMETER_DIGITAL,
    "hydrometer": InstrumentKind.HYDROMETER_GLASS,
    "swing-arm": InstrumentKind.HYDROMETER_SWING_ARM,
    "conductivity-meter": InstrumentKind.CONDUCTIVITY_METER,
    "lab": InstrumentKind.LABORATORY,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class HandReading:
    """What the keeper read, as it stands on the instrument."""

    kind: InstrumentKind
    readings: tuple[float, ...]
    """Repeated readings of the same water, in ``unit``."""
    unit: ReadingUnit
    temperature_corrected: bool | None = None
    """Whether the instrument (or the keeper) corrected for the sample's temperature."""
    sample_temperature_c: float | None = None
    assumed_temperature_c: float | None = None
    """The tank's temperature, used when the sample's is not given."""
    gravity_reference: GravityReference | None = None
    coefficient_pct_per_c: float | None = None
    """Linear coefficient of a compensated conductivity meter, referred to 25 °C."""
    standard_checked: bool = False
    """Whether it was checked in, or set with, a standard of S = 35 lately."""
    expanded_uncertainty_psu: float | None = None
    """Stated by the keeper; left out, the typical one of the kind."""


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of the uncertainty budget."""

    source: str
    standard_uncertainty_psu: float


@dataclass(frozen=True, slots=True)
class ReferenceValue:
    """A hand instrument's result as practical salinity."""

    salinity_psu: float
    expanded_uncertainty_psu: float
    """k = 2, or more where few readings say how far they scatter."""
    scatter_psu: float
    count: int
    budget: tuple[Contribution, ...]
    assumptions: tuple[str, ...]


@dataclass(slots=True)
class Conversion:
    """Sentences and contributions gathered while converting."""

    assumptions: list[str] = field(default_factory=list)
    budget: list[Contribution] = field(default_factory=list)

    def assume(self, sentence: str, standard_uncertainty_psu: float = 0.0) -> None:
        """Note what was taken for granted, and how uncertain that leaves the result."""
        self.assumptions.append(sentence)
        if standard_uncertainty_psu > 0:
            self.budget.append(Contribution(sentence, standard_uncertainty_psu))


def instrument_kind(text: str) -> InstrumentKind:
    """Kind of instrument from what a keeper calls it; ``other`` when the name says nothing."""
    name = "-".join(text.strip().lower().replace("_", " ").replace("-", " ").split())
    if name in _NAMES:
        return _NAMES[name]
    try:
        return InstrumentKind(name)
    except ValueError:
        return InstrumentKind.OTHER
