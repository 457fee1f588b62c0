"""What a fit means for the keeper: values for the device, or for the correction in the daemon."""

import math
from dataclasses import dataclass
from typing import Final

from bridge.core.compensation import LINEAR_REPORTS
from bridge.core.fit import Fit
from bridge.core.seawater import (
    HIGHEST_TEMPERATURE_C,
    LOWEST_TEMPERATURE_C,
    conductivity_ms_cm,
)
from bridge.core.settings import Probe

# Below this distance from the reference temperature the slope of a chord is its tangent.
_CHORD_C: Final = 0.5


@dataclass(frozen=True, slots=True)
class Suggestion:
    """Two ways to act on a fit; the keeper takes one of them."""

    gain: float
    """To apply in the daemon, on conductivity at the water's temperature."""
    coefficient_pct_per_c: float | None
    """To state in the daemon as what the device uses; None when it was not fitted."""
    device_cell_factor: float
    """By how much the device's cell constant has to be multiplied."""
    device_coefficient_pct_per_c: float | None
    """To enter into the device, so that its display is right at the tank's temperature."""
    sentences: tuple[str, ...]


def sea_water_coefficient_pct_per_c(
    salinity_psu: float, temperature_c: float, reference_temperature_c: float = 25.0
) -> float:
    """Linear coefficient that refers sea water exactly, at this one temperature.

    Args:
        salinity_psu: Practical salinity, 2..42. [1]
        temperature_c: Temperature of the water, -2..35. [°C]
        reference_temperature_c: What the device refers to. [°C]

    Returns:
        (C(T) / C(T_ref) - 1) / (T - T_ref), at the reference itself its limit. [%/°C]

    Raises:
        OutOfRangeError: outside PSS-78.

    Source: PSS-78 (UNESCO 44).
    """
    away_c = temperature_c - reference_temperature_c
    if abs(away_c) < _CHORD_C:
        low = max(LOWEST_TEMPERATURE_C, reference_temperature_c - _CHORD_C)
        high = min(HIGHEST_TEMPERATURE_C, reference_temperature_c + _CHORD_C)
        rise = conductivity_ms_cm(salinity_psu, high) - conductivity_ms_cm(salinity_psu, low)
        return 100 * rise / (high - low) / conductivity_ms_cm(salinity_psu, reference_temperature_c)
    ratio = conductivity_ms_cm(salinity_psu, temperature_c) / conductivity_ms_cm(
        salinity_psu, reference_temperature_c
    )
    return 100 * (ratio - 1) / away_c


def shift_psu(fit: Fit, probe: Probe, salinity_psu: float, temperature_c: float) -> float:
    """By how much the fit would move a reading, against the settings in force.

    Args:
        fit: Gain and coefficient.
        probe: The settings in force.
        salinity_psu: About where the reading is. [1]
        temperature_c: Temperature of the water. [°C]

    Returns:
        Change of salinity, to first order. [1]
    """
    away_c = temperature_c - fit.reference_temperature_c
    now = probe.calibration.gain * (1 + (probe.coefficient_pct_per_c or 0.0) / 100 * away_c)
    then = fit.gain * (1 + fit.assumed_coefficient_pct_per_c / 100 * away_c)
    # S follows conductivity with an exponent near 1.13: 0.394 S per 1 % at S = 35 (PSS-78).
    return 39.4 / 35 * salinity_psu * math.log(then / now)


def suggest(fit: Fit, probe: Probe, *, salinity_psu: float, temperature_c: float) -> Suggestion:
    """Work out what to enter, for the temperature at which the tank runs.

    Args:
        fit: Gain and coefficient, with what is missing.
        probe: The settings in force.
        salinity_psu: The tank's salinity, 2..42. [1]
        temperature_c: The tank's usual temperature, -2..35. [°C]

    Returns:
        Values with the sentences that explain them.

    Raises:
        OutOfRangeError: outside PSS-78.
    """
    gain_uncertainty = fit.gain_expanded_uncertainty
    sentences = [f"{fit.checks} check(s) give a gain of {fit.gain:.4f} ± {gain_uncertainty:.4f}."]
    coefficient = fit.coefficient_pct_per_c
    device_coefficient = None
    if coefficient is not None:
        width = fit.coefficient_expanded_uncertainty_pct_per_c
        sentences.append(f"The device compensates with {coefficient:.2f} ± {width:.2f} % per °C.")
        if probe.reports in LINEAR_REPORTS:
            stated = probe.coefficient_pct_per_c or 0.0
            needed = sea_water_coefficient_pct_per_c(
                salinity_psu, temperature_c, probe.reference_temperature_c
            )
            # The device was told one number and acts by another; the same difference will remain.
            device_coefficient = stated + needed - coefficient
            sentences.append(
                f"Sea water at {temperature_c:.1f} °C needs {needed:.2f} % per °C, so enter "
                f"{device_coefficient:.2f} into the device, if it showed {stated:.2f} there."
            )
    sentences.append(
        "Either enter the values into the device (multiply the cell constant by "
        f"{fit.gain:.4f}) and set the correction here back to 1, or let the daemon correct "
        f"with gain {fit.gain:.4f}"
        + (f" and coefficient {coefficient:.2f}" if coefficient is not None else "")
        + ". Not both."
    )
    sentences += [f"Not told by the checks so far: {missing}." for missing in fit.missing]
    sentences += [f"{label} does not fit the others; look at it again." for label in fit.suspects]
    return Suggestion(
        gain=fit.gain,
        coefficient_pct_per_c=coefficient,
        device_cell_factor=fit.gain,
        device_coefficient_pct_per_c=device_coefficient,
        sentences=tuple(sentences),
    )
