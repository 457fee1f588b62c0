"""From what a device reports back to conductivity at the water's temperature.

Every device corrects for temperature in its own way. What it did is undone, the calibration is
applied where it belongs (to conductivity at the water's temperature), and only then does PSS-78
make salinity of it.
"""

from collections.abc import Callable
from functools import lru_cache
from typing import Final

from bridge.core import seawater, units
from bridge.core.errors import OutOfRangeError, UserError
from bridge.core.settings import GravityReference, Probe, ProbeUnit, Reports

Undo = Callable[[float, float], float]
"""From the number reported and the water temperature [°C] to conductivity there [mS/cm]."""

CONDUCTIVITY_REPORTS: Final = frozenset(
    {Reports.CONDUCTIVITY, Reports.CONDUCTIVITY_LINEAR, Reports.CONDUCTIVITY_NATURAL}
)
LINEAR_REPORTS: Final = frozenset(
    {Reports.CONDUCTIVITY_LINEAR, Reports.SALINITY_LINEAR, Reports.SPECIFIC_GRAVITY_LINEAR}
)

# ISO 7888:1985, f25 at 0, 1, ... 35 °C, as reprinted in an instrument manual.
_NATURAL_FACTORS: Final[tuple[float, ...]] = (
    *(1.918, 1.857, 1.800, 1.745, 1.693, 1.643, 1.596, 1.551, 1.508, 1.467),
    *(1.428, 1.390, 1.354, 1.320, 1.287, 1.256, 1.225, 1.196, 1.168, 1.141),
    *(1.116, 1.091, 1.067, 1.044, 1.021, 1.000, 0.979, 0.959, 0.940, 0.921),
    *(0.903, 0.886, 0.869, 0.853, 0.837, 0.822),
)
HIGHEST_NATURAL_C: Final = float(len(_NATURAL_FACTORS) - 1)
NUMBERS_KEPT: Final = 32
"""Different numbers of a device whose salinity at its reference temperature is remembered."""
NATURAL_FACTOR_STEP: Final = 0.001
"""Last printed digit of the table, the source of its uncertainty."""


def natural_factor(temperature_c: float) -> float:
    """Factor from conductivity at a temperature to 25 °C for natural waters (ISO 7888).

    Args:
        temperature_c: Water temperature, 0 to 35. [°C]

    Returns:
        ``f25``, interpolated linearly between whole degrees. [1]

    Raises:
        OutOfRangeError: Temperature outside the table.

    Error: half the last printed digit, 0.0005, or 0.02 S at S = 35; the interpolation adds
        0.0001 at most. The function is meant for fresh waters; here it only undoes a device.

    Source: ISO 7888:1985, by a reprint.
    """
    if not 0.0 <= temperature_c <= HIGHEST_NATURAL_C:
        raise OutOfRangeError(
            f"temperature is {temperature_c:g} °C; the ISO 7888 table covers 0 to 35 °C"
        )
    below = min(int(temperature_c), len(_NATURAL_FACTORS) - 2)
    here = _NATURAL_FACTORS[below]
    return here + (temperature_c - below) * (_NATURAL_FACTORS[below + 1] - here)


def problems(probe: Probe) -> list[str]:
    """What contradicts itself in a probe's settings, in plain words; empty when nothing does."""
    found = [
        *_unit_problems(probe.reports, probe.unit),
        *_coefficient_problems(probe),
        *_gravity_problems(probe.unit, probe.gravity_reference),
    ]
    if (
        probe.reports is Reports.CONDUCTIVITY_NATURAL
        and probe.reference_temperature_c != seawater.REFERENCE_TEMPERATURE_C
    ):
        found.append(
            'reports "conductivity-natural" always refers to 25 °C; '
            f"reference_temperature_c is {probe.reference_temperature_c:g}, leave it out"
        )
    return found


def _unit_problems(reports: Reports, unit: ProbeUnit) -> list[str]:
    if reports in CONDUCTIVITY_REPORTS:
        accepted = tuple(units.MS_CM_PER_UNIT)
    elif reports is Reports.SALINITY_LINEAR:
        accepted = (ProbeUnit.PSU, ProbeUnit.PPT)
    elif reports is Reports.SALINITY:
        accepted = (ProbeUnit.PSU, ProbeUnit.PPT, ProbeUnit.SG)
    else:
        accepted = (ProbeUnit.SG,)
    if unit in accepted:
        return []
    return [f'reports "{reports}" comes in {" or ".join(accepted)}; unit is {unit}']


def _coefficient_problems(probe: Probe) -> list[str]:
    linear = probe.reports in LINEAR_REPORTS
    if linear and probe.coefficient_pct_per_c is None:
        return [
            (
                f'reports "{probe.reports}" needs coefficient_pct_per_c, the temperature '
                "coefficient that the device uses (see its settings; often 1.8 to 2.4)"
            )
        ]
    if not linear and probe.coefficient_pct_per_c is not None:
        return [
            (
                f'reports "{probe.reports}" uses no coefficient; leave coefficient_pct_per_c out, '
                "or choose one of the linear kinds"
            )
        ]
    return []


def _gravity_problems(unit: ProbeUnit, reference: GravityReference | None) -> list[str]:
    accepted = ", ".join(GravityReference)
    if unit is ProbeUnit.SG and reference is None:
        return [f"unit sg needs gravity_reference, one of {accepted}"]
    if unit is not ProbeUnit.SG and reference is not None:
        return [f"gravity_reference belongs to unit sg; unit is {unit}, leave it out"]
    return []


class Corrector:
    """The correction of one probe, worked out once so that a reading costs little.

    Raises:
        UserError: The settings contradict themselves (:func:`problems`).
    """

    __slots__ = ("_gain", "_offset_ms_cm", "uncalibrated_ms_cm")

    uncalibrated_ms_cm: Undo
    """Like :meth:`conductivity_ms_cm`, before the calibration."""

    def __init__(self, probe: Probe) -> None:
        found = problems(probe)
        if found:
            raise UserError("; ".join(found))
        self.uncalibrated_ms_cm = _undo(probe)
        self._gain = probe.calibration.gain
        self._offset_ms_cm = probe.calibration.offset_ms_cm

    def conductivity_ms_cm(self, reported: float, temperature_c: float) -> float:
        """Calibrated conductivity at the water's temperature.

        Args:
            reported: The device's number, in its own unit. [probe.unit]
            temperature_c: Water temperature, ITS-90. [°C]

        Returns:
            Conductivity. A device that reports conductivity may well report zero, in air; the
            limits of PSS-78 are left to :meth:`salinity_psu`. [mS/cm]

        Raises:
            OutOfRangeError: The device's own salinity or specific gravity lies outside PSS-78, or
                the temperature outside what the device's kind of correction covers.
        """
        return self._gain * self.uncalibrated_ms_cm(reported, temperature_c) + self._offset_ms_cm

    def salinity_psu(self, reported: float, temperature_c: float) -> float:
        """Practical Salinity (PSS-78) of one reading, compensated and calibrated.

        Args:
            reported: The device's number, in its own unit. [probe.unit]
            temperature_c: Water temperature, ITS-90, -2 to 35. [°C]

        Returns:
            Practical Salinity, 2 to 42. [1]

        Raises:
            OutOfRangeError: The reading or the temperature lies outside the limits.

        Error: with the device's coefficient stated, none beyond that of PSS-78 itself; see
            ``bridge.core.uncertainty`` for what the settings' own uncertainty makes of it.
        """
        return seawater.salinity_psu(
            self._gain * self.uncalibrated_ms_cm(reported, temperature_c) + self._offset_ms_cm,
            temperature_c,
        )


def _undo(probe: Probe) -> Undo:
    """The function that undoes what the device did."""
    reference_c = probe.reference_temperature_c
    # Read by the linear kinds only, for which it is always stated.
    coefficient_per_c = (probe.coefficient_pct_per_c or 0.0) / 100.0
    salinity_of = _shown_salinity(probe.gravity_reference)
    factor = units.MS_CM_PER_UNIT.get(probe.unit, 1.0)

    def conductivity(reported: float, _temperature_c: float) -> float:
        return reported * factor

    def conductivity_linear(reported: float, temperature_c: float) -> float:
        return reported * factor * (1.0 + coefficient_per_c * (temperature_c - reference_c))

    def conductivity_natural(reported: float, temperature_c: float) -> float:
        return reported * factor / natural_factor(temperature_c)

    def worked_out(reported: float) -> float:
        return seawater.conductivity_ms_cm(salinity_of(reported), reference_c)

    # A display has few numbers, each reading is corrected twice, and this is the dearest step.
    # Not written as a decorator: mypyc does not follow one on a function within a function.
    referred = lru_cache(maxsize=NUMBERS_KEPT)(worked_out)

    def salinity_linear(reported: float, temperature_c: float) -> float:
        return referred(reported) * (1.0 + coefficient_per_c * (temperature_c - reference_c))

    def salinity(reported: float, temperature_c: float) -> float:
        return seawater.conductivity_ms_cm(salinity_of(reported), temperature_c)

    undo: dict[Reports, Undo] = {
        Reports.CONDUCTIVITY: conductivity,
        Reports.CONDUCTIVITY_LINEAR: conductivity_linear,
        Reports.CONDUCTIVITY_NATURAL: conductivity_natural,
        Reports.SALINITY_LINEAR: salinity_linear,
        Reports.SALINITY: salinity,
        Reports.SPECIFIC_GRAVITY_LINEAR: salinity_linear,
    }
    return undo[probe.reports]


def _shown_salinity(reference: GravityReference | None) -> Callable[[float], float]:
    """How salinity is had from what the display shows."""
    if reference is None:
        return float
    return lambda gravity: seawater.salinity_from_gravity_psu(gravity, reference)
