"""Sea water by gsw, inside the limits for which the relations were established.

gsw returns numbers outside them too (38 degrees Celsius, or a conductivity of zero), so the
limits are enforced here and nowhere else. Every function takes either floats, by a path cheap
enough for one call per message, or arrays of one shape ``(n,)``; a float may stand beside arrays.
"""

from math import sqrt
from typing import Final, overload

import gsw
import numpy as np
from numpy.typing import NDArray

from bridge.core.errors import OutOfRangeError
from bridge.core.settings import GravityReference

FloatArray = NDArray[np.float64]

LOWEST_SALINITY_PSU: Final = 2.0
HIGHEST_SALINITY_PSU: Final = 42.0
LOWEST_TEMPERATURE_C: Final = -2.0
HIGHEST_TEMPERATURE_C: Final = 35.0

HIGHEST_CONDUCTIVITY_MS_CM: Final = 200.0
"""More than any sea water inside the limits; beyond it the polynomial may overflow."""

REFERENCE_TEMPERATURE_C: Final = 25.0
"""Temperature to which conductivity is referred when it is published."""

GRAVITY_TEMPERATURE_C: Final[dict[GravityReference, float]] = {
    GravityReference.R20_20: 20.0,
    GravityReference.R25_25: 25.0,
    GravityReference.R60F_60F: (60.0 - 32.0) / 1.8,
}
"""Temperature of both the sample and the pure water it is compared with."""

# A round trip that starts on the limit itself may come back a few units of the last place outside.
_ROUNDING: Final = 1e-9
_LOWEST_S: Final = LOWEST_SALINITY_PSU - _ROUNDING
_HIGHEST_S: Final = HIGHEST_SALINITY_PSU + _ROUNDING

# gsw wraps its ufuncs to broadcast and to mask, which costs three times the arithmetic itself;
# functools leaves the bare function reachable, and neither service is needed here.
_sp_from_c: Final = gsw.SP_from_C.__wrapped__
_c_from_sp: Final = gsw.C_from_SP.__wrapped__
_rho_t_exact: Final = gsw.rho_t_exact.__wrapped__
_sr_from_sp: Final = gsw.SR_from_SP.__wrapped__
_G_KG_PER_PSU: Final = float(_sr_from_sp(1.0))
"""The relation is a proportion, and for one number this is it, to the last bit."""


def _check_array(name: str, values: FloatArray, low: float, high: float, unit: str) -> None:
    """Refuse an array with any value outside ``low..high``; NaN is outside."""
    inside = (values >= low) & (values <= high)
    if not inside.all():
        worst = np.atleast_1d(values)[np.flatnonzero(~np.atleast_1d(inside))[0]]
        raise OutOfRangeError(f"{name} is {worst:g}{unit}; valid is {low:g} to {high:g}{unit}")


def _temperature_error(temperature_c: float) -> OutOfRangeError:
    return OutOfRangeError(
        f"temperature is {temperature_c:g} °C; valid is "
        f"{LOWEST_TEMPERATURE_C:g} to {HIGHEST_TEMPERATURE_C:g} °C"
    )


def _salinity_error(salinity_psu: float) -> OutOfRangeError:
    return OutOfRangeError(
        f"practical salinity is {salinity_psu:.6g}; valid is "
        f"{LOWEST_SALINITY_PSU:g} to {HIGHEST_SALINITY_PSU:g}"
    )


def _together(*values: float | FloatArray) -> list[FloatArray]:
    """As arrays of one shape; a float stands for an array of equal values."""
    arrays = [np.asarray(value, dtype=np.float64) for value in values]
    shapes = {array.shape for array in arrays if array.ndim}
    if len(shapes) > 1:
        raise ValueError(f"arrays must have one shape, these have {sorted(shapes)}")
    return list(np.broadcast_arrays(*arrays))


def _check_temperature_array(temperature_c: FloatArray) -> None:
    _check_array("temperature", temperature_c, LOWEST_TEMPERATURE_C, HIGHEST_TEMPERATURE_C, " °C")


def _check_salinity_array(salinity_psu: FloatArray) -> None:
    _check_array("practical salinity", salinity_psu, _LOWEST_S, _HIGHEST_S, "")


@overload
def salinity_psu(
    conductivity_ms_cm: float, temperature_c: float, pressure_dbar: float = 0.0
) -> float: ...
@overload
def salinity_psu(
    conductivity_ms_cm: FloatArray,
    temperature_c: float | FloatArray,
    pressure_dbar: float | FloatArray = 0.0,
) -> FloatArray: ...
@overload
def salinity_psu(
    conductivity_ms_cm: float,
    temperature_c: FloatArray,
    pressure_dbar: float | FloatArray = 0.0,
) -> FloatArray: ...
def salinity_psu(
    conductivity_ms_cm: float | FloatArray,
    temperature_c: float | FloatArray,
    pressure_dbar: float | FloatArray = 0.0,
) -> float | FloatArray:
    """Practical Salinity (PSS-78) by gsw, with its limits of validity enforced.

    Args:
        conductivity_ms_cm: As measured, not compensated to 25 °C; mS/cm, not S/m. [mS/cm]
        temperature_c: Water temperature, ITS-90, -2 to 35. [°C]
        pressure_dbar: Zero in a tank; kept so that published check values apply. [dbar]

    Returns:
        Practical Salinity, 2 to 42. [1]

    Raises:
        OutOfRangeError: Conductivity not above 0 (nor below 200 mS/cm), or outside -2..35 °C or
            S 2..42, where the polynomial was never fitted; with arrays, when any element is.

    Error: at S = 35 and 25 °C, +0.1 °C gives -0.08; +0.1 mS/cm gives +0.07.

    Source: UNESCO Technical Papers in Marine Science 44 (1983).
    """
    if isinstance(conductivity_ms_cm, np.ndarray) or isinstance(temperature_c, np.ndarray):
        conductivity, temperature, pressure = _together(
            conductivity_ms_cm, temperature_c, pressure_dbar
        )
        _check_temperature_array(temperature)
        if not ((conductivity > 0.0) & (conductivity < HIGHEST_CONDUCTIVITY_MS_CM)).all():
            raise OutOfRangeError(
                "a conductivity is outside the valid range, above 0 to "
                f"{HIGHEST_CONDUCTIVITY_MS_CM:g} mS/cm"
            )
        salinities: FloatArray = _sp_from_c(conductivity, temperature, pressure)
        _check_salinity_array(salinities)
        return salinities
    # "not lo <= x <= hi" also refuses NaN; "x < lo or x > hi" lets it through.
    if not LOWEST_TEMPERATURE_C <= temperature_c <= HIGHEST_TEMPERATURE_C:
        raise _temperature_error(temperature_c)
    if not 0.0 < conductivity_ms_cm < HIGHEST_CONDUCTIVITY_MS_CM:
        raise OutOfRangeError(
            f"conductivity is {conductivity_ms_cm:g} mS/cm; "
            f"valid is above 0 to {HIGHEST_CONDUCTIVITY_MS_CM:g} mS/cm"
        )
    salinity = float(_sp_from_c(conductivity_ms_cm, temperature_c, pressure_dbar))
    if not _LOWEST_S <= salinity <= _HIGHEST_S:
        raise _salinity_error(salinity)
    return salinity


@overload
def conductivity_ms_cm(
    salinity_psu: float, temperature_c: float, pressure_dbar: float = 0.0
) -> float: ...
@overload
def conductivity_ms_cm(
    salinity_psu: FloatArray,
    temperature_c: float | FloatArray,
    pressure_dbar: float | FloatArray = 0.0,
) -> FloatArray: ...
@overload
def conductivity_ms_cm(
    salinity_psu: float,
    temperature_c: FloatArray,
    pressure_dbar: float | FloatArray = 0.0,
) -> FloatArray: ...
def conductivity_ms_cm(
    salinity_psu: float | FloatArray,
    temperature_c: float | FloatArray,
    pressure_dbar: float | FloatArray = 0.0,
) -> float | FloatArray:
    """Conductivity of sea water at its own temperature, the inverse of :func:`salinity_psu`.

    Args:
        salinity_psu: Practical Salinity, 2 to 42. [1]
        temperature_c: Water temperature, ITS-90, -2 to 35. [°C]
        pressure_dbar: Zero in a tank. [dbar]

    Returns:
        Conductivity, not compensated. [mS/cm]

    Raises:
        OutOfRangeError: Salinity or temperature outside the limits of PSS-78.

    Error: the round trip through :func:`salinity_psu` closes within 1e-9.

    Source: gsw, by Newton iteration of UNESCO Technical Papers in Marine Science 44 (1983).
    """
    if isinstance(salinity_psu, np.ndarray) or isinstance(temperature_c, np.ndarray):
        salinity, temperature, pressure = _together(salinity_psu, temperature_c, pressure_dbar)
        _check_temperature_array(temperature)
        _check_salinity_array(salinity)
        conductivities: FloatArray = _c_from_sp(salinity, temperature, pressure)
        return conductivities
    if not LOWEST_TEMPERATURE_C <= temperature_c <= HIGHEST_TEMPERATURE_C:
        raise _temperature_error(temperature_c)
    if not _LOWEST_S <= salinity_psu <= _HIGHEST_S:
        raise _salinity_error(salinity_psu)
    return float(_c_from_sp(salinity_psu, temperature_c, pressure_dbar))


@overload
def conductivity_25c_ms_cm(conductivity_ms_cm: float, temperature_c: float) -> float: ...
@overload
def conductivity_25c_ms_cm(
    conductivity_ms_cm: FloatArray, temperature_c: FloatArray
) -> FloatArray: ...
def conductivity_25c_ms_cm(
    conductivity_ms_cm: float | FloatArray, temperature_c: float | FloatArray
) -> float | FloatArray:
    """Conductivity that the same sea water would have at 25 °C.

    Args:
        conductivity_ms_cm: At the water's temperature, not compensated. [mS/cm]
        temperature_c: Water temperature, ITS-90, -2 to 35. [°C]

    Returns:
        Conductivity at 25 °C, by PSS-78 and not by any linear coefficient. [mS/cm]

    Raises:
        OutOfRangeError: Outside the limits of PSS-78.

    Source: UNESCO Technical Papers in Marine Science 44 (1983).
    """
    if isinstance(conductivity_ms_cm, np.ndarray) or isinstance(temperature_c, np.ndarray):
        conductivity, temperature = _together(conductivity_ms_cm, temperature_c)
        referred: FloatArray = _c_from_sp(
            salinity_psu(conductivity, temperature), REFERENCE_TEMPERATURE_C, 0.0
        )
        return referred
    salinity = salinity_psu(conductivity_ms_cm, temperature_c)
    return float(_c_from_sp(salinity, REFERENCE_TEMPERATURE_C, 0.0))


@overload
def absolute_salinity_g_kg(salinity_psu: float) -> float: ...
@overload
def absolute_salinity_g_kg(salinity_psu: FloatArray) -> FloatArray: ...
def absolute_salinity_g_kg(salinity_psu: float | FloatArray) -> float | FloatArray:
    """Absolute salinity of water with the composition of standard sea water.

    A tank lies in no ocean, so the regional anomaly of TEOS-10 does not apply.

    Args:
        salinity_psu: Practical Salinity, 2 to 42. [1]

    Returns:
        Reference-composition (absolute) salinity. [g/kg]

    Raises:
        OutOfRangeError: Salinity outside 2..42.

    Source: Millero et al. 2008, Deep-Sea Research I 55:50-72 (35.16504 g/kg at S = 35).
    """
    if isinstance(salinity_psu, np.ndarray):
        _check_salinity_array(salinity_psu)
        absolute: FloatArray = _sr_from_sp(salinity_psu)
        return absolute
    if not _LOWEST_S <= salinity_psu <= _HIGHEST_S:
        raise _salinity_error(salinity_psu)
    return salinity_psu * _G_KG_PER_PSU


@overload
def density_kg_m3(salinity_psu: float, temperature_c: float) -> float: ...
@overload
def density_kg_m3(salinity_psu: FloatArray, temperature_c: float | FloatArray) -> FloatArray: ...
@overload
def density_kg_m3(salinity_psu: float, temperature_c: FloatArray) -> FloatArray: ...
def density_kg_m3(
    salinity_psu: float | FloatArray, temperature_c: float | FloatArray
) -> float | FloatArray:
    """Density of sea water at atmospheric pressure (TEOS-10).

    Args:
        salinity_psu: Practical Salinity, 2 to 42. [1]
        temperature_c: Water temperature, ITS-90, -2 to 35. [°C]

    Returns:
        Density. [kg/m3]

    Raises:
        OutOfRangeError: Salinity or temperature outside the limits.

    Error: within 0.006 kg/m3 of the older EOS-80.

    Source: IOC, SCOR and IAPSO 2010, Manuals and Guides 56 (TEOS-10).
    """
    if isinstance(salinity_psu, np.ndarray) or isinstance(temperature_c, np.ndarray):
        salinity, temperature = _together(salinity_psu, temperature_c)
        _check_temperature_array(temperature)
        densities: FloatArray = _rho_t_exact(absolute_salinity_g_kg(salinity), temperature, 0.0)
        return densities
    if not LOWEST_TEMPERATURE_C <= temperature_c <= HIGHEST_TEMPERATURE_C:
        raise _temperature_error(temperature_c)
    return float(_rho_t_exact(absolute_salinity_g_kg(salinity_psu), temperature_c, 0.0))


_PURE_WATER_KG_M3: Final = {
    reference: float(_rho_t_exact(0.0, temperature_c, 0.0))
    for reference, temperature_c in GRAVITY_TEMPERATURE_C.items()
}


@overload
def specific_gravity(salinity_psu: float, reference: GravityReference) -> float: ...
@overload
def specific_gravity(salinity_psu: FloatArray, reference: GravityReference) -> FloatArray: ...
def specific_gravity(
    salinity_psu: float | FloatArray, reference: GravityReference
) -> float | FloatArray:
    """Specific gravity: density over that of pure water, both at the reference temperature.

    Args:
        salinity_psu: Practical Salinity, 2 to 42. [1]
        reference: 20/20 and 25/25 in °C, 60F/60F in °F.

    Returns:
        Specific gravity, for instance 1.0264. [1]

    Raises:
        OutOfRangeError: Salinity outside 2..42.

    Source: TEOS-10, as :func:`density_kg_m3`.
    """
    return (
        density_kg_m3(salinity_psu, GRAVITY_TEMPERATURE_C[reference]) / _PURE_WATER_KG_M3[reference]
    )


_INVERSE_GRAVITY_DEGREE: Final = 11


def _inverse_gravity(reference: GravityReference) -> tuple[float, ...]:
    """Coefficients, the highest power first, of salinity as a polynomial in sqrt(SG - 1).

    Density carries a term in S to the power 3/2 (Debye-Hückel), so salinity is smooth in the
    square root and not in the specific gravity itself.
    """
    salinities = np.linspace(LOWEST_SALINITY_PSU, HIGHEST_SALINITY_PSU, 401)
    root = np.sqrt(specific_gravity(salinities, reference) - 1.0)
    fitted = np.polynomial.Polynomial.fit(root, salinities, _INVERSE_GRAVITY_DEGREE)
    return tuple(float(coefficient) for coefficient in fitted.convert().coef[::-1])


_INVERSE_GRAVITY: Final = {reference: _inverse_gravity(reference) for reference in GravityReference}
_LOWEST_GRAVITY: Final = {r: specific_gravity(LOWEST_SALINITY_PSU, r) for r in GravityReference}
_HIGHEST_GRAVITY: Final = {r: specific_gravity(HIGHEST_SALINITY_PSU, r) for r in GravityReference}


@overload
def salinity_from_gravity_psu(specific_gravity: float, reference: GravityReference) -> float: ...
@overload
def salinity_from_gravity_psu(
    specific_gravity: FloatArray, reference: GravityReference
) -> FloatArray: ...
def salinity_from_gravity_psu(
    specific_gravity: float | FloatArray, reference: GravityReference
) -> float | FloatArray:
    """Practical Salinity of sea water with a given specific gravity.

    Args:
        specific_gravity: Density ratio at the reference, about 1.0015 to 1.032. [1]
        reference: 20/20 and 25/25 in °C, 60F/60F in °F.

    Returns:
        Practical Salinity, 2 to 42. [1]

    Raises:
        OutOfRangeError: The specific gravity belongs to a salinity outside 2..42.

    Error: closes with :func:`specific_gravity` within 1e-9 (a fit, made once on import).

    Source: TEOS-10, as :func:`density_kg_m3`.
    """
    low, high = _LOWEST_GRAVITY[reference], _HIGHEST_GRAVITY[reference]
    if isinstance(specific_gravity, np.ndarray):
        if not ((specific_gravity >= low) & (specific_gravity <= high)).all():
            raise OutOfRangeError(
                f"a specific gravity ({reference}) lies outside {low:.5f} to {high:.5f}"
            )
        roots = np.sqrt(specific_gravity - 1.0)
        return np.polyval(_INVERSE_GRAVITY[reference], roots).astype(np.float64)
    if not low <= specific_gravity <= high:
        raise OutOfRangeError(
            f"specific gravity ({reference}) is {specific_gravity:g}; "
            f"valid is {low:.5f} to {high:.5f}"
        )
    root = sqrt(specific_gravity - 1.0)
    salinity = 0.0
    for coefficient in _INVERSE_GRAVITY[reference]:
        salinity = salinity * root + coefficient
    return salinity
