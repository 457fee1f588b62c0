"""A standard, what it must read at its temperature, and the correction that makes it so."""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from bridge.core.errors import OutOfRangeError, UserError
from bridge.core.seawater import conductivity_ms_cm, salinity_from_gravity_psu
from bridge.core.settings import GravityReference, ProbeUnit
from bridge.core.standards import Standard
from bridge.core.standards import conductivity_ms_cm as standard_conductivity_ms_cm
from bridge.core.units import MS_CM_PER_UNIT, SALINITY_UNITS, to_ms_cm

OTHER_STANDARD: Final = "other"
STANDARDS: Final = (*(standard.value for standard in Standard), OTHER_STANDARD)

SMALLEST_GAIN, LARGEST_GAIN = 0.5, 2.0
LARGEST_OFFSET_MS_CM: Final = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CalibrationRequest:
    """A calibration as the keeper reports it."""

    standard: str
    """One of ``STANDARDS``."""
    value: float
    unit: ProbeUnit
    """A conductivity states 25 °C, except for ``other``: there it is at the standard's own
    temperature."""
    temperature_c: float
    gravity_reference: GravityReference | None = None
    expanded_uncertainty_psu: float | None = None
    at_s: float | None = None
    reading_before: float | None = None
    reading_after: float | None = None
    """The device's number in the standard; left out, the newest one counts as the reading now."""
    apply_in_daemon: bool = False
    """False: the device itself was calibrated, and this is the record of it."""
    confirm: bool = False
    by: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class StandardPoint:
    """What a standard has, and what the device measured in it."""

    standard_ms_cm: float
    measured_ms_cm: float
    """Undone for temperature, before any correction."""


def standard_at_its_temperature_ms_cm(request: CalibrationRequest) -> float:
    """Conductivity of the stated standard at its temperature.

    Args:
        request: Standard, stated value with unit, temperature.

    Returns:
        Conductivity, not compensated. [mS/cm]

    Raises:
        UserError: unknown standard, or a value that does not belong to it.

    Source: PSS-78 for sea water, CRC Handbook 5-73 for KCl (``bridge.core.standards``).
    """
    if request.standard not in STANDARDS:
        raise UserError(f'standard is "{request.standard}"; accepted are {", ".join(STANDARDS)}')
    unit = request.unit
    if not 0 < request.value < math.inf:
        raise UserError(f"value is {request.value:g} {unit}; it must be above 0")
    try:
        if unit in MS_CM_PER_UNIT:
            value = to_ms_cm(request.value, unit)
            if request.standard == OTHER_STANDARD:
                return value
            return standard_conductivity_ms_cm(
                Standard(request.standard), request.temperature_c, stated_25c_ms_cm=value
            )
        if request.standard not in {Standard.SEAWATER, OTHER_STANDARD}:
            raise UserError(
                f"{request.standard} is stated as a conductivity at 25 °C; unit is {unit}, "
                f"accepted are {', '.join(MS_CM_PER_UNIT)}"
            )
        salinity = request.value
        if unit not in SALINITY_UNITS:
            if request.gravity_reference is None:
                accepted = ", ".join(GravityReference)
                raise UserError(f"a standard in sg needs gravity_reference, one of {accepted}")
            salinity = salinity_from_gravity_psu(request.value, request.gravity_reference)
        return conductivity_ms_cm(salinity, request.temperature_c)
    except OutOfRangeError as error:
        raise UserError(f"the standard cannot be used: {error}") from error


def derive_correction(points: Sequence[StandardPoint]) -> tuple[float, float]:
    """Gain and offset from one standard (offset 0) or two that differ enough.

    Args:
        points: One or two standards.

    Returns:
        Gain [1] and offset [mS/cm]: C = gain * measured + offset.

    Raises:
        UserError: the correction would be beyond any working probe.
    """
    first = points[0]
    if not first.measured_ms_cm > 0:
        raise UserError("the device shows no conductivity in the standard")
    gain, offset = first.standard_ms_cm / first.measured_ms_cm, 0.0
    if len(points) > 1:
        second = points[1]
        apart = second.measured_ms_cm - first.measured_ms_cm
        if apart == 0:
            raise UserError("the device shows the same in both standards")
        gain = (second.standard_ms_cm - first.standard_ms_cm) / apart
        offset = first.standard_ms_cm - gain * first.measured_ms_cm
    if not SMALLEST_GAIN < gain < LARGEST_GAIN or abs(offset) > LARGEST_OFFSET_MS_CM:
        raise UserError(
            f"that would be a gain of {gain:.3f} and an offset of {offset:.2f} mS/cm; accepted is "
            f"a gain of {SMALLEST_GAIN:g} to {LARGEST_GAIN:g} and an offset within "
            f"{LARGEST_OFFSET_MS_CM:g}. Check standard, unit, and that the probe is in it"
        )
    return gain, offset
