"""What the keeper configures, as plain frozen dataclasses.

The annotations carry the limits. The shell reads the TOML file and lets pydantic validate it
against these very classes, so that the file format and the core can never disagree. The class
attribute ``__pydantic_config__`` only forbids unknown keys; nothing here imports pydantic.
"""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Annotated, Any, ClassVar, Final

from annotated_types import Ge, Gt, Le, Lt, MinLen

FORBID_UNKNOWN: Final[dict[str, Any]] = {"extra": "forbid"}

IDENTIFIER_PATTERN: Final = r"[a-z0-9]+(-[a-z0-9]+)*"
"""Shape of tank, equipment and permit names, because they become topic levels."""

Positive = Annotated[float, Gt(0)]
NotNegative = Annotated[float, Ge(0)]
Salinity = Annotated[float, Ge(2), Le(42)]
Celsius = Annotated[float, Ge(-2), Le(45)]


class ProbeUnit(StrEnum):
    """Unit of the probe's number."""

    MS_CM = "mS/cm"
    US_CM = "uS/cm"
    S_M = "S/m"
    PSU = "psu"
    PPT = "ppt"
    SG = "sg"


class TemperatureUnit(StrEnum):
    """Unit of the thermometer's number."""

    C = "C"
    F = "F"
    K = "K"


class LevelUnit(StrEnum):
    """Unit of the water level."""

    MM = "mm"
    CM = "cm"
    PERCENT = "percent"


class VolumeUnit(StrEnum):
    """Unit of the metered top-off."""

    ML = "ml"
    L = "l"


class Reports(StrEnum):
    """What the probe's number is, which decides how it is corrected."""

    CONDUCTIVITY = "conductivity"
    CONDUCTIVITY_LINEAR = "conductivity-linear"
    CONDUCTIVITY_NATURAL = "conductivity-natural"
    SALINITY_LINEAR = "salinity-linear"
    SALINITY = "salinity"
    SPECIFIC_GRAVITY_LINEAR = "specific-gravity-linear"


class GravityReference(StrEnum):
    """Reference temperatures (sample/water) of a specific gravity."""

    R20_20 = "20/20"
    R25_25 = "25/25"
    R60F_60F = "60F/60F"


class EquipmentKind(StrEnum):
    """What a device is, as far as it can matter to the reading."""

    RETURN_PUMP = "return-pump"
    SKIMMER = "skimmer"
    WAVE_PUMP = "wave-pump"
    HEATER = "heater"
    LIGHT = "light"
    TOP_OFF_PUMP = "top-off-pump"
    DOSER = "doser"
    OTHER_PROBE = "other-probe"
    OTHER = "other"


class Counting(StrEnum):
    """How a metered volume arrives."""

    CUMULATIVE = "cumulative"
    PER_EVENT = "per-event"


class Driver(StrEnum):
    """What an actuator group acts on."""

    LEVEL = "level"
    SALINITY = "salinity"
    SCHEDULE = "schedule"


class Delivers(StrEnum):
    """What an actuator group puts into the tank."""

    FRESH_WATER = "fresh-water"
    SALT_WATER = "salt-water"
    DOSE = "dose"
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where a number is found: a topic, and a path when the payload is JSON."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    topic: Annotated[str, MinLen(1)]
    path: str | None = None
    """Dotted path to the value in a JSON payload, for instance ``sensors.0.value``."""
    time_path: str | None = None
    """Dotted path to the measurement time (ISO 8601, or Unix seconds or milliseconds)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """A correction applied to conductivity at the water's temperature."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    gain: Annotated[float, Gt(0.5), Lt(2)] = 1.0
    offset_ms_cm: Annotated[float, Ge(-5), Le(5)] = 0.0
    expanded_uncertainty_psu: Positive = 0.2
    """k = 2, at S = 35. Common practice, no source: a careful one-point calibration."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Probe(Source):
    """A conductivity probe and what its number means."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    unit: ProbeUnit
    reports: Reports
    coefficient_pct_per_c: Annotated[float, Ge(0), Le(5)] | None = None
    """Linear temperature coefficient that the device uses."""
    reference_temperature_c: Annotated[float, Ge(15), Le(30)] = 25.0
    gravity_reference: GravityReference | None = None
    resolution: NotNegative | None = None
    """Smallest step of the number as sent; learned when left out."""
    interval_s: Positive | None = None
    """Expected time between messages; learned when left out."""
    coefficient_uncertainty_pct_per_c: NotNegative = 0.05
    calibration: Calibration = field(default_factory=Calibration)


@dataclass(frozen=True, slots=True, kw_only=True)
class Thermometer(Source):
    """The water thermometer that the correction relies on."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    unit: TemperatureUnit = TemperatureUnit.C
    offset_c: Annotated[float, Ge(-5), Le(5)] = 0.0
    expanded_uncertainty_c: Positive = 0.15
    interval_s: Positive | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Equipment(Source):
    """A device whose switching may explain a change of the reading."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    kind: EquipmentKind
    on: tuple[str, ...] = ("on", "1", "true")
    off: tuple[str, ...] = ("off", "0", "false")
    threshold: float | None = None
    """When given, the payload is a number (for instance watts) and above it means on."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Level(Source):
    """A water level that tells missing or surplus water."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    unit: LevelUnit = LevelUnit.MM
    normal: float | None = None
    """Level at which the tank holds its nominal volume; learned when left out."""
    litres_per_unit: Positive | None = None
    """Litres of water per unit of level (surface of the compartment); learned when left out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeteredTopOff(Source):
    """Fresh water added, as measured."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    unit: VolumeUnit = VolumeUnit.ML
    counting: Counting = Counting.CUMULATIVE


@dataclass(frozen=True, slots=True, kw_only=True)
class Plumbing:
    """How fast the water itself can possibly change."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    top_off_l_h: Positive | None = None
    """Fresh-water delivery of the top-off; left out, 15 % of the volume an hour is assumed."""
    salt_water_l_h: NotNegative = 0.0
    """Delivery of an automatic salt-water change; 0 when there is none."""
    largest_evaporation_pct_day: Annotated[float, Gt(0), Le(20)] = 5.0
    mixing_min: Positive | None = None
    """Time in which an addition mixes; learned when left out."""
    flow_through_psu_h: NotNegative = 0.0
    """For an installation fed by outside sea water: how fast that water may change."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What the keeper calls normal, and how sure the daemon must be."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    target_psu: Salinity = 35.0
    low_psu: Salinity = 33.0
    high_psu: Salinity = 37.0
    low_c: Celsius = 22.0
    high_c: Celsius = 29.0
    largest_uncertainty_psu: Positive = 1.0
    """Above it the salinity is published as null."""
    largest_daily_change_psu: Positive = 0.5

    def __post_init__(self) -> None:
        """Refuse bands that are upside down."""
        if not self.low_psu < self.target_psu < self.high_psu:
            raise ValueError("low_psu, target_psu and high_psu must rise in this order")
        if not self.low_c < self.high_c:
            raise ValueError("low_c must be below high_c")


@dataclass(frozen=True, slots=True, kw_only=True)
class Permit:
    """An actuator group that may act only while permitted."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    delivers: Delivers
    driven_by: Driver
    equipment: str | None = None
    """Identifier of the tank's equipment that this permit switches, when its state is known."""
    lease_s: Annotated[float, Ge(15), Le(900)] = 90.0
    largest_run_s: Positive | None = None
    largest_litres_hour: Positive | None = None
    largest_litres_day: Positive | None = None
    smallest_pause_s: NotNegative = 0.0
    low_psu: Salinity | None = None
    high_psu: Salinity | None = None
    low_c: Celsius | None = None
    high_c: Celsius | None = None
    held_by: tuple[str, ...] | None = None
    """Causes that hold it; left out, the default for the driver (docs/permits.md)."""
    minimum_hold_s: NotNegative = 60.0
    long_hold_s: Positive = 10_800.0
    """A hold that lasts this long raises an alarm of its own."""
    overrun_grace_s: Positive | None = None
    """Time to stop after a hold; left out, the lease: by then it has timed out by itself."""
    stale_after_s: Positive | None = None
    """Age of the newest probe reading that ends the permit; left out, from the cadence."""
    largest_bypass_min: Annotated[float, Gt(0), Le(1440)] = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentUncertainty:
    """How sure a kind of hand instrument is, where the keeper knows better than common practice."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    checked_psu: Annotated[float, Gt(0), Le(10)] | None = None
    """Standard uncertainty after it was checked in a standard; left out, as is common."""
    unchecked_psu: Annotated[float, Gt(0), Le(10)] | None = None
    """The same without."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Tank:
    """One body of water."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    name: str | None = None
    volume_l: Annotated[float, Gt(0), Le(1_000_000)]
    probe: Probe
    thermometer: Thermometer
    second_probe: Probe | None = None
    equipment: dict[str, Equipment] = field(default_factory=dict)
    level: Level | None = None
    metered_top_off: MeteredTopOff | None = None
    plumbing: Plumbing = field(default_factory=Plumbing)
    limits: Limits = field(default_factory=Limits)
    permits: dict[str, Permit] = field(default_factory=dict)
    published_gravity_reference: GravityReference = GravityReference.R25_25


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Everything the engine needs to know."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    base_topic: str = "tidegate"
    tanks: dict[str, Tank]
    instruments: dict[str, InstrumentUncertainty] = field(default_factory=dict)
    """By kind of hand instrument."""
    command_secret: str | None = field(default=None, repr=False)
