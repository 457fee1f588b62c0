"""What a probe's settings mean, in plain words and in salinity."""

from math import copysign, inf, isfinite
from typing import Final

from bridge.core import seawater
from bridge.core.compensation import LINEAR_REPORTS
from bridge.core.errors import OutOfRangeError
from bridge.core.settings import Probe, Reports, Source, Tank, Thermometer
from bridge.core.uncertainty import ReadingUncertainty, sensitivity
from bridge.shell.config_problems import value_text

MISTAKE_PCT_PER_C: Final = 0.1
"""A plausible mistake: devices ship with 2.0 to 2.2 (common practice, no source)."""
USUAL_COEFFICIENTS_PCT_PER_C: Final = (1.8, 2.4)
"""What devices use (common practice, no source)."""
HIGHEST_C: Final = 35.0
"""Highest temperature of the practical salinity scale (UNESCO 44)."""


def error_psu(salinity_psu: float, temperature_c: float, factor: float) -> float:
    """How far the salinity is off when conductivity at the water's temperature is.

    Args:
        salinity_psu: True salinity. [1]
        temperature_c: Water temperature. [°C]
        factor: Conductivity taken, over the true one. [1]

    Returns:
        Salinity found minus the true one; infinite when the practical salinity scale ends before.
        [1]
    """
    true_ms_cm = seawater.conductivity_ms_cm(salinity_psu, temperature_c)
    try:
        return seawater.salinity_psu(true_ms_cm * factor, temperature_c) - salinity_psu
    except OutOfRangeError:
        return copysign(inf, factor - 1)


def coefficient_error_psu(
    salinity_psu: float,
    temperature_c: float,
    *,
    stated_pct_per_c: float,
    used_pct_per_c: float,
    reference_c: float,
) -> float:
    """Error of the corrected salinity when the device uses another coefficient than stated.

    Args:
        salinity_psu: True salinity. [1]
        temperature_c: Water temperature. [°C]
        stated_pct_per_c: Coefficient in the settings. [%/°C]
        used_pct_per_c: Coefficient that the device really uses. [%/°C]
        reference_c: Reference temperature of both. [°C]

    Returns:
        Salinity found minus the true one; infinite when the practical salinity scale ends before.
        [1]
    """
    away_c = temperature_c - reference_c
    used = 1 + used_pct_per_c / 100 * away_c
    # A steep coefficient would make conductivity negative in cold water; no device does.
    if used <= 0:
        return inf
    return error_psu(salinity_psu, temperature_c, (1 + stated_pct_per_c / 100 * away_c) / used)


def device_error_psu(salinity_psu: float, temperature_c: float, used_pct_per_c: float) -> float:
    """Error of the salinity that a linearly compensating device shows.

    Args:
        salinity_psu: True salinity. [1]
        temperature_c: Water temperature. [°C]
        used_pct_per_c: Coefficient that the device uses, around 25 °C. [%/°C]

    Returns:
        Salinity shown minus the true one; infinite when the practical salinity scale ends before.
        [1]
    """
    at_water_ms_cm = seawater.conductivity_ms_cm(salinity_psu, temperature_c)
    referred_ms_cm = at_water_ms_cm / (1 + used_pct_per_c / 100 * (temperature_c - 25.0))
    true_25c_ms_cm = seawater.conductivity_ms_cm(salinity_psu, 25.0)
    return error_psu(salinity_psu, 25.0, referred_ms_cm / true_25c_ms_cm)


def source_words(source: Source) -> str:
    """Where a number comes from."""
    words = f"topic {value_text(source.topic)}"
    if source.path is not None:
        words += f", JSON value {value_text(source.path)}"
    if source.time_path is not None:
        return words + f", measured at the time in {value_text(source.time_path)}"
    return words + ", timed by its arrival"


def probe_words(tank: Tank, probe: Probe) -> list[str]:
    """What a probe reports, how it is corrected, and what a mistake would cost."""
    unit = str(probe.unit)
    if probe.gravity_reference is not None:
        unit = f"specific gravity {probe.gravity_reference}"
    cadence = (
        "its rhythm is learned"
        if probe.interval_s is None
        else f"expected every {probe.interval_s:g} s"
    )
    return [
        f"Reads {source_words(probe)}; in {unit}; {cadence}.",
        _reports_words(probe),
        _calibration_words(probe),
        _mistake_words(tank, probe),
        _uncertainty_words(tank, probe),
    ]


def _reports_words(probe: Probe) -> str:
    coefficient = (
        f"{probe.coefficient_pct_per_c or 0:g} % per °C around {probe.reference_temperature_c:g} °C"
    )
    match probe.reports:
        case Reports.CONDUCTIVITY:
            return (
                "It reports conductivity as the water has it, without temperature compensation. "
                "Nothing has to be undone: conductivity and temperature give the salinity."
            )
        case Reports.CONDUCTIVITY_LINEAR:
            return (
                f"It reports conductivity compensated with {coefficient}. That is undone, and "
                "salinity computed from conductivity at the water's own temperature."
            )
        case Reports.CONDUCTIVITY_NATURAL:
            return (
                "It reports conductivity compensated to 25 °C for natural waters (ISO 7888). That "
                "is undone, and salinity computed from conductivity at the water's own temperature."
            )
        case Reports.SALINITY_LINEAR | Reports.SPECIFIC_GRAVITY_LINEAR:
            shown = "salinity" if probe.reports is Reports.SALINITY_LINEAR else "specific gravity"
            return (
                f"It reports a {shown} that the device computed from conductivity compensated with "
                f"{coefficient}. That is undone, and salinity computed anew from conductivity at "
                "the water's own temperature."
            )
        case Reports.SALINITY:
            return (
                "It reports a salinity and does not say how it compensates. It is used as it is; "
                "what is left of the water temperature in it can only be learned over some days."
            )


def _calibration_words(probe: Probe) -> str:
    calibration = probe.calibration
    certainty = (
        f"the calibration is trusted to ± {calibration.expanded_uncertainty_psu:g} at salinity 35"
    )
    if calibration.gain == 1 and calibration.offset_ms_cm == 0:
        return f"No correction of your own is applied; {certainty}."
    return (
        f"Conductivity is multiplied by {calibration.gain:g} and {calibration.offset_ms_cm:+g} "
        f"mS/cm is added; {certainty}."
    )


def _range_c(tank: Tank) -> tuple[float, float]:
    return min(tank.limits.low_c, HIGHEST_C), min(tank.limits.high_c, HIGHEST_C)


def _at_both_ends(errors: tuple[tuple[float, float], ...]) -> str:
    return " and ".join(
        f"{f'{abs(error):.2f}' if isfinite(error) else 'far'} too "
        f"{'high' if error > 0 else 'low'} at {temperature_c:g} °C"
        for temperature_c, error in errors
    )


def _mistake_words(tank: Tank, probe: Probe) -> str:
    target_psu = tank.limits.target_psu
    if probe.reports in LINEAR_REPORTS:
        stated = probe.coefficient_pct_per_c or 0.0
        used = stated + MISTAKE_PCT_PER_C
        errors = tuple(
            (
                temperature_c,
                coefficient_error_psu(
                    target_psu,
                    temperature_c,
                    stated_pct_per_c=stated,
                    used_pct_per_c=used,
                    reference_c=probe.reference_temperature_c,
                ),
            )
            for temperature_c in _range_c(tank)
        )
        return (
            f"If the device really uses {used:g} instead of {stated:g} % per °C, the result is "
            f"{_at_both_ends(errors)} (your temperature limits)."
        )
    if probe.reports is Reports.CONDUCTIVITY:
        errors = tuple(
            (
                temperature_c,
                error_psu(
                    target_psu,
                    temperature_c,
                    seawater.conductivity_ms_cm(target_psu, 25.0)
                    / seawater.conductivity_ms_cm(target_psu, temperature_c),
                ),
            )
            for temperature_c in _range_c(tank)
        )
        return (
            "No coefficient can be mistaken. But if the device compensates to 25 °C after all, the "
            f"result is {_at_both_ends(errors)}."
        )
    if probe.reports is Reports.SALINITY:
        low, high = USUAL_COEFFICIENTS_PCT_PER_C
        worst = max(
            abs(device_error_psu(target_psu, temperature_c, coefficient))
            for temperature_c in _range_c(tank)
            for coefficient in (low, high)
        )
        by = f"by up to {worst:.2f}" if isfinite(worst) else "far"
        return (
            f"A device that uses a linear coefficient between {low:g} and {high:g} % per °C may be "
            f"off {by} at your temperature limits. If you can find its "
            'coefficient, state it and choose "salinity-linear".'
        )
    return "No coefficient can be mistaken: the function is fixed by the standard."


def _uncertainty_words(tank: Tank, probe: Probe) -> str:
    """How sure a reading is at best, and what limits it."""
    target_psu = tank.limits.target_psu
    worst = max(
        (
            ReadingUncertainty(probe, tank.thermometer).budget(
                # Only the last digit depends on it, which is left out.
                reported=target_psu
                if probe.gravity_reference is None
                else seawater.specific_gravity(target_psu, probe.gravity_reference),
                salinity_psu=target_psu,
                temperature_c=temperature_c,
                resolution=0.0,
                noise_psu=0.0,
            )
            for temperature_c in _range_c(tank)
        ),
        key=lambda budget: budget.standard_psu,
    )
    largest, _ = worst.contributions[0]
    return (
        f"At best a reading is good to ± {worst.expanded_psu:.2g} (about 95 %) over your "
        f"temperatures; the largest part of that is the {largest}."
    )


def thermometer_words(tank: Tank, thermometer: Thermometer) -> list[str]:
    """Where the water temperature comes from, and what its error does."""
    at = sensitivity(tank.limits.target_psu, sum(_range_c(tank)) / 2)
    off_psu = abs(at.per_degree_psu) * thermometer.expanded_uncertainty_c
    cadence = (
        "" if thermometer.interval_s is None else f"; expected every {thermometer.interval_s:g} s"
    )
    words = [f"Reads {source_words(thermometer)}; in {thermometer.unit}{cadence}."]
    if thermometer.offset_c != 0:
        words.append(f"{thermometer.offset_c:+g} °C is added to it.")
    words.append(
        f"It is trusted to ± {thermometer.expanded_uncertainty_c:g} °C, which is worth "
        f"± {off_psu:.2g} in salinity."
    )
    return words
