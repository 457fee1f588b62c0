"""The published documents about salinity and diagnosis, key by key as the interface fixes them."""

from math import isfinite
from typing import Any, Final

import orjson

from bridge.core import seawater
from bridge.core.errors import OutOfRangeError
from bridge.core.findings import Assessment
from bridge.core.settings import GravityReference, ProbeUnit
from bridge.core.wire.instants import Calendar

_TENS: Final[tuple[float, ...]] = (1.0, 10.0, 100.0, 1e3, 1e4, 1e5)
_LARGEST_SCALED: Final = 1e9
_FAR_FROM_HALF: Final = 0.49999


def rounded(value: float | None, digits: int) -> float | None:
    """The number as ``round`` makes it; null when unknown or not finite.

    Args:
        value: Any number.
        digits: Decimals, 0 to 5.
    """
    if value is None:
        return None
    ten = _TENS[digits]
    scaled = value * ten
    if 0.0 < scaled < _LARGEST_SCALED:
        nearest = int(scaled + 0.5)
        # Far from a tie the quotient of two whole numbers is the very number that `round` finds
        # by way of decimal text, at a third of the cost.
        if -_FAR_FROM_HALF < scaled - nearest < _FAR_FROM_HALF:
            return nearest / ten
    return round(value, digits) if isfinite(value) else None


def salinity_document(
    assessment: Assessment,
    *,
    boot_id: str,
    sequence: int,
    unit: ProbeUnit,
    reference: GravityReference,
    calendar: Calendar,
) -> dict[str, Any]:
    """The document of topic ``<base>/<tank>/salinity``; an unknown number is null."""
    salinity_psu = assessment.salinity_psu
    gravity = None
    if salinity_psu is not None:
        try:
            gravity = rounded(seawater.specific_gravity(salinity_psu, reference), 5)
        except OutOfRangeError:
            gravity = None
    return {
        "time": calendar.iso_utc(assessment.at_s),
        "boot_id": boot_id,
        "seq": sequence,
        "salinity": rounded(salinity_psu, 4),
        "uncertainty": rounded(assessment.uncertainty_psu, 4),
        "probe_salinity": rounded(assessment.probe_salinity_psu, 4),
        "reported": assessment.reported,
        # Not `.value`: that runs through a descriptor, which costs more than all the rest of it.
        "reported_unit": unit._value_,
        "temperature": rounded(assessment.temperature_c, 3),
        "conductivity_25c": rounded(assessment.conductivity_25c_ms_cm, 4),
        "specific_gravity": gravity,
        "specific_gravity_reference": reference._value_,
        "quality": assessment.quality._value_,
        "qartod": int(assessment.flag),
        "ne107": assessment.ne107._value_,
        "cause": assessment.cause._value_,
    }


def diagnosis_document(assessment: Assessment, calendar: Calendar) -> bytes:
    """The document of topic ``<base>/<tank>/diagnosis``."""
    return orjson.dumps(
        {
            "time": calendar.iso_utc(assessment.at_s),
            "cause": assessment.cause.value,
            "since": calendar.iso_utc(assessment.since_s),
            "causes": [
                {
                    "cause": finding.cause.value,
                    "probability": round(finding.probability, 6),
                    "evidence": list(finding.evidence),
                    "action": finding.action,
                }
                for finding in assessment.findings
            ],
            "tests": {name: int(flag) for name, flag in assessment.tests.items()},
        }
    )
