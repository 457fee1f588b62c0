"""Salinity documents and records for the tests of the history (invented values)."""

from typing import Any

from bridge.core.outputs import Record
from bridge.core.wire.instants import iso_utc

START_S = 1_772_366_400.0
"""2026-03-01T12:00:00Z"""


def document(at_s: float, seq: int = 0, **changes: Any) -> dict[str, Any]:  # noqa: ANN401
    """A complete salinity document; keywords replace its values."""
    return {
        "time": iso_utc(at_s),
        "boot_id": "7f3a",
        "seq": seq,
        "salinity": 35.02,
        "uncertainty": 0.15,
        "probe_salinity": 34.31,
        "reported": 34.4,
        "reported_unit": "psu",
        "temperature": 25.4,
        "conductivity_25c": 53.1,
        "specific_gravity": 1.0264,
        "specific_gravity_reference": "25/25",
        "quality": "good",
        "qartod": 1,
        "ne107": "N",
        "cause": "none",
    } | changes


def sample(
    at_s: float,
    seq: int = 0,
    tank: str = "reef",
    **changes: Any,  # noqa: ANN401
) -> Record:
    """A record of a salinity document."""
    return Record(at_s, tank, "sample", document(at_s, seq, **changes))
