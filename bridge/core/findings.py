"""The vocabulary of a judgement: causes, flags, qualities, and what is concluded at a moment."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import IntEnum, StrEnum


class Cause(StrEnum):
    """Why a reading is what it is (identifiers of the interface)."""

    NONE = "none"
    BUBBLES = "bubbles"
    INTERFERENCE = "interference"
    ADJACENT_PROBE = "adjacent-probe"
    COMPENSATION = "compensation"
    DRIFT = "drift"
    PLUME = "plume"
    EXPOSED = "exposed"
    STUCK = "stuck"
    SILENT = "silent"
    INVALID = "invalid"
    DILUTION = "dilution"
    CONCENTRATION = "concentration"
    UNEXPLAINED = "unexplained"


REAL_CHANGES = frozenset({Cause.DILUTION, Cause.CONCENTRATION})
"""Findings about the water, not faults of the reading."""


class Flag(IntEnum):
    """QARTOD data flags (Manual for Real-Time Quality Control of T/S Data)."""

    PASS = 1
    NOT_EVALUATED = 2
    SUSPECT = 3
    FAIL = 4
    MISSING = 9


class Quality(StrEnum):
    """The three OPC UA severities."""

    GOOD = "good"
    UNCERTAIN = "uncertain"
    BAD = "bad"


class Ne107(StrEnum):
    """NAMUR NE 107 status signals."""

    NORMAL = "N"
    MAINTENANCE = "M"
    OUT_OF_SPECIFICATION = "S"
    CHECK = "C"
    FAILURE = "F"


@dataclass(frozen=True, slots=True)
class Finding:
    """One cause with its probability, its evidence and what to do first."""

    cause: Cause
    probability: float
    evidence: tuple[str, ...]
    action: str


@dataclass(slots=True)
class Assessment:
    """What is concluded about one tank at one moment."""

    at_s: float
    salinity_psu: float | None
    """Best estimate of the water's practical salinity; None when unknown."""
    uncertainty_psu: float
    """Expanded (k = 2); infinite when nothing is known."""
    probe_salinity_psu: float | None
    """The newest sample, compensated and calibrated; None when it could not be computed."""
    probe_at_s: float | None
    """When the newest usable probe sample was taken; None before the first."""
    temperature_c: float | None
    temperature_at_s: float | None
    conductivity_25c_ms_cm: float | None
    reported: float | None
    quality: Quality
    flag: Flag
    ne107: Ne107
    cause: Cause
    since_s: float
    """Since when this cause holds."""
    findings: tuple[Finding, ...]
    """Every cause, the most probable first; the probabilities sum to 1."""
    tests: Mapping[str, Flag]
    settled: bool
    """Enough good samples since start, restart or service to rely on the judgement."""
    interval_s: float
    """Expected time between probe messages, learned or configured."""
    evaporation_l_day: float | None
    """Learned evaporation; None while unknown."""
