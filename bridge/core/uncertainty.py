"""How far a corrected reading may be from the water's salinity (GUM, JCGM 100:2008).

Five contributions are told apart, because each is made smaller by a different act of the keeper:
a better thermometer, a finer display, a calibration, the right temperature coefficient, or a
calmer place for the probe. They are independent, so their squares add.

One thermometer error enters a compensated reading once, whether the device has a thermometer of
its own or shares the tank's, and with the same sensitivity: that of PSS-78 at fixed conductivity.
"""

from collections.abc import Callable
from functools import lru_cache
from math import hypot, sqrt
from typing import Final, NamedTuple

from bridge.core import seawater
from bridge.core.compensation import (
    HIGHEST_NATURAL_C,
    LINEAR_REPORTS,
    NATURAL_FACTOR_STEP,
    natural_factor,
)
from bridge.core.errors import OutOfRangeError
from bridge.core.settings import GravityReference, Probe, ProbeUnit, Reports, Thermometer

COVERAGE: Final = 2.0
"""Factor from standard to expanded uncertainty, about 95 %."""

CALIBRATION_SALINITY_PSU: Final = 35.0
"""Salinity at which the calibration's uncertainty is stated; it scales with the reading."""

UNKNOWN_COEFFICIENT_PCT_PER_C: Final = 0.2 / sqrt(3.0)
"""Standard uncertainty of the coefficient in a device that does not tell it: anything within 0.2
of sea water's own 2.0. Common practice, no source: devices ship with about 2.0 to 2.2."""

# Half the step to either side with equal probability (GUM 4.3.7).
_UNIFORM_STEP: Final = 1.0 / sqrt(12.0)

# The sensitivities vary slowly, by 1 % over a cell, so they are taken at cell centres. The cell
# depends on the reading alone and not on what came before, so neither does the result.
MIDDLE_GRAVITY: Final = 1.02
_CELLS_PER_PSU: Final = 2
_CELLS_PER_C: Final = 4


class Budget(NamedTuple):
    """Standard uncertainties (k = 1) of one salinity, by where they come from."""

    thermometer_psu: float
    resolution_psu: float
    calibration_psu: float
    coefficient_psu: float
    noise_psu: float

    @property
    def standard_psu(self) -> float:
        """Combined standard uncertainty."""
        return hypot(*self)

    @property
    def expanded_psu(self) -> float:
        """Expanded uncertainty, k = 2, about 95 %."""
        return COVERAGE * self.standard_psu

    @property
    def contributions(self) -> tuple[tuple[str, float], ...]:
        """Name and standard uncertainty, the largest first."""
        named = [
            (name.removesuffix("_psu"), value)
            for name, value in zip(self._fields, self, strict=True)
        ]
        return tuple(sorted(named, key=lambda pair: -pair[1]))


class Sensitivity(NamedTuple):
    """What PSS-78 makes of small errors."""

    per_relative_conductivity_psu: float
    """Change of salinity for a relative change of conductivity, 39 at S = 35 and 25 °C. [1]"""
    per_degree_psu: float
    """Change for a thermometer that reads 1 °C high, -0.77 at S = 35 and 25 °C. [1/°C]"""


def sensitivity(salinity_psu: float, temperature_c: float) -> Sensitivity:
    """Sensitivities near a salinity and temperature.

    Args:
        salinity_psu: Practical Salinity; outside 2..42 the nearest limit counts. [1]
        temperature_c: Water temperature; outside -2..35 the nearest limit counts. [°C]

    Returns:
        Central differences at the middle of a cell of 0.5 S by 0.25 °C.

    Error: 1.5 % of itself across a cell, at S = 35.
    """
    return _cell(round(salinity_psu * _CELLS_PER_PSU), round(temperature_c * _CELLS_PER_C))


@lru_cache(maxsize=4096)
def _cell(salinity_cell: int, temperature_cell: int) -> Sensitivity:
    relative, degree = 1e-3, 0.05
    # Both differences must stay inside the limits of PSS-78.
    lowest, highest = seawater.LOWEST_SALINITY_PSU + 0.2, seawater.HIGHEST_SALINITY_PSU - 0.2
    salinity = min(max(salinity_cell / _CELLS_PER_PSU, lowest), highest)
    coldest, warmest = seawater.LOWEST_TEMPERATURE_C, seawater.HIGHEST_TEMPERATURE_C
    temperature = min(max(temperature_cell / _CELLS_PER_C, coldest + degree), warmest - degree)
    conductivity = seawater.conductivity_ms_cm(salinity, temperature)
    more, less = (
        seawater.salinity_psu(conductivity * (1.0 + step), temperature)
        for step in (relative, -relative)
    )
    warmer, colder = (
        seawater.salinity_psu(conductivity, temperature + step) for step in (degree, -degree)
    )
    return Sensitivity((more - less) / (2.0 * relative), (warmer - colder) / (2.0 * degree))


@lru_cache(maxsize=256)
def _per_gravity_psu(salinity_cell: int, reference: GravityReference) -> float:
    """Change of salinity with specific gravity, about 1300 at S = 35."""
    step = 0.1
    salinity = min(max(salinity_cell / _CELLS_PER_PSU, 2.0 + step), 42.0 - step)
    denser, lighter = (
        seawater.specific_gravity(salinity + change, reference) for change in (step, -step)
    )
    return 2.0 * step / (denser - lighter)


class ReadingUncertainty:
    """Works out the budget of each reading of one probe.

    Args:
        probe: Its calibration, resolution and coefficient, with their uncertainties.
        thermometer: The tank's, with its expanded uncertainty.
        calibration_temperature_c: Temperature of the water or standard in which the probe was last
            calibrated, where a wrong coefficient was calibrated away; the reference temperature
            when it is not known. [°C]
    """

    __slots__ = (
        "_calibration_relative",
        "_coefficient_relative",
        "_resolution_psu",
        "_thermometer_c",
    )

    def __init__(
        self,
        probe: Probe,
        thermometer: Thermometer,
        *,
        calibration_temperature_c: float | None = None,
    ) -> None:
        self._thermometer_c = thermometer.expanded_uncertainty_c / COVERAGE
        self._calibration_relative = (
            probe.calibration.expanded_uncertainty_psu / COVERAGE / CALIBRATION_SALINITY_PSU
        )
        self._coefficient_relative = _coefficient_relative(probe, calibration_temperature_c)
        self._resolution_psu = _resolution(probe)

    def budget(
        self,
        *,
        reported: float,
        salinity_psu: float,
        temperature_c: float,
        resolution: float,
        noise_psu: float,
    ) -> Budget:
        """The budget of one reading.

        Args:
            reported: The device's number, in its own unit. [probe.unit]
            salinity_psu: What the correction made of it. [1]
            temperature_c: Water temperature. [°C]
            resolution: Smallest step of the device's number, as configured or learned; 0 when
                unknown. [probe.unit]
            noise_psu: Standard uncertainty that is left of the noise after filtering. [1]

        Returns:
            The named contributions. An offset of the calibration is left out of the
            sensitivities, which changes them by 2 % for each mS/cm of it.

        Source: JCGM 100:2008 (GUM), 5.1.2.
        """
        return Budget(
            *self._contributions(reported, salinity_psu, temperature_c, resolution, noise_psu)
        )

    def standard_psu(
        self,
        reported: float,
        salinity_psu: float,
        temperature_c: float,
        resolution: float,
        noise_psu: float,
    ) -> float:
        """Combined standard uncertainty of one reading, without the names of its parts.

        Args:
            reported: As for :meth:`budget`, and so are the others. [probe.unit]
            salinity_psu: What the correction made of it. [1]
            temperature_c: Water temperature. [°C]
            resolution: Smallest step of the device's number; 0 when unknown. [probe.unit]
            noise_psu: What is left of the noise after filtering. [1]
        """
        return hypot(
            *self._contributions(reported, salinity_psu, temperature_c, resolution, noise_psu)
        )

    def _contributions(
        self,
        reported: float,
        salinity_psu: float,
        temperature_c: float,
        resolution: float,
        noise_psu: float,
    ) -> tuple[float, float, float, float, float]:
        """In the order of :class:`Budget`."""
        at = sensitivity(salinity_psu, temperature_c)
        relative = at.per_relative_conductivity_psu
        return (
            abs(at.per_degree_psu) * self._thermometer_c,
            resolution
            * _UNIFORM_STEP
            * abs(self._resolution_psu(reported, relative, temperature_c)),
            self._calibration_relative * abs(salinity_psu),
            relative * self._coefficient_relative(temperature_c),
            noise_psu,
        )


def _coefficient_relative(
    probe: Probe, calibration_temperature_c: float | None
) -> Callable[[float], float]:
    """Relative standard uncertainty of conductivity from the coefficient, over temperature."""
    reference_c = probe.reference_temperature_c
    calibrated_c = reference_c if calibration_temperature_c is None else calibration_temperature_c
    uncertainty = probe.coefficient_uncertainty_pct_per_c
    coefficient_per_c = (probe.coefficient_pct_per_c or 0.0) / 100.0
    if probe.reports is Reports.SALINITY:
        uncertainty = max(uncertainty, UNKNOWN_COEFFICIENT_PCT_PER_C)
        coefficient_per_c = 0.02
    elif probe.reports is Reports.CONDUCTIVITY_NATURAL:
        return lambda temperature_c: (
            NATURAL_FACTOR_STEP
            * _UNIFORM_STEP
            / natural_factor(min(max(temperature_c, 0.0), HIGHEST_NATURAL_C))
        )
    elif probe.reports not in LINEAR_REPORTS:
        return lambda _temperature_c: 0.0
    uncertainty_per_c = uncertainty / 100.0

    def leverage_c(temperature_c: float) -> float:
        # d ln(1 + a (T - Tr)) / da
        away_c = temperature_c - reference_c
        return away_c / (1.0 + coefficient_per_c * away_c)

    calibrated_away = leverage_c(calibrated_c)
    return lambda temperature_c: (
        uncertainty_per_c * abs(leverage_c(temperature_c) - calibrated_away)
    )


def _resolution(probe: Probe) -> Callable[[float, float, float], float]:
    """Salinity for one unit of the device's number.

    The function returned takes the number, the salinity for a relative change of conductivity at
    the water's temperature, and that temperature.
    """
    linear = probe.reports in LINEAR_REPORTS
    reference_c = probe.reference_temperature_c
    gravity = probe.gravity_reference

    def conductivity(reported: float, relative_psu: float, _temperature_c: float) -> float:
        return relative_psu / reported if reported else 0.0

    def salinity(reported: float, relative_psu: float, temperature_c: float) -> float:
        shown_at = sensitivity(reported, reference_c if linear else temperature_c)
        return relative_psu / shown_at.per_relative_conductivity_psu

    if probe.unit is not ProbeUnit.SG or gravity is None:
        return salinity if probe.unit in {ProbeUnit.PSU, ProbeUnit.PPT} else conductivity

    def specific_gravity(reported: float, relative_psu: float, temperature_c: float) -> float:
        try:
            shown_psu = seawater.salinity_from_gravity_psu(reported, gravity)
        except OutOfRangeError:
            # Corrected it may still be sea water; the sensitivity is that of the nearest end.
            shown_psu = (
                seawater.LOWEST_SALINITY_PSU
                if reported < MIDDLE_GRAVITY
                else seawater.HIGHEST_SALINITY_PSU
            )
        cell = round(shown_psu * _CELLS_PER_PSU)
        return salinity(shown_psu, relative_psu, temperature_c) * _per_gravity_psu(cell, gravity)

    return specific_gravity
