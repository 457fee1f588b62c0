"""The published documents about salinity and diagnosis, key by key as the interface fixes them."""

from math import isfinite
from typing import Any

import orjson

from bridge.core import seawater
from bridge.core.errors import OutOfRangeError
from bridge.core.findings import Assessment
from bridge.core.settings import GravityReference, ProbeUnit
from bridge.core.wire.instants import Calendar


def _rounded(value: float | None, digits: int) -> float | None:
    return None if value is None or not isfinite(value) else round(value, digits)


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
            gravity = round(seawater.specific_gravity(salinity_psu, reference), 5)
        except OutOfRangeError:
            gravity = None
    return {
        "time": calendar.iso_utc(assessment.at_s),
        "boot_id": boot_id,
        "seq": sequence,
        "salinity": _rounded(salinity_psu, 4),
        "uncertainty": _rounded(assessment.uncertainty_psu, 4),
        "probe_salinity": _rounded(assessment.probe_salinity_psu, 4),
        "reported": assessment.reported,
        "reported_unit": unit.value,
        "temperature": _rounded(assessment.temperature_c, 3),
        "conductivity_25c": _rounded(assessment.conductivity_25c_ms_cm, 4),
        "specific_gravity": gravity,
        "specific_gravity_reference": reference.value,
        "quality": assessment.quality.value,
        "qartod": int(assessment.flag),
        "ne107": assessment.ne107.value,
        "cause": assessment.cause.value,
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
