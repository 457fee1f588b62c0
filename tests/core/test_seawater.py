"""Sea water against published values.

gsw, the older seawater package and a PSS-78 typed from the paper do the same operations in the
same order and agree bit for bit, so agreement among them proves nothing. Only printed values, the
instrument maker's own software and the older EOS-80 count here.
"""

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.errors import OutOfRangeError
from bridge.core.seawater import (
    GRAVITY_TEMPERATURE_C,
    absolute_salinity_g_kg,
    conductivity_25c_ms_cm,
    conductivity_ms_cm,
    density_kg_m3,
    salinity_from_gravity_psu,
    salinity_psu,
    specific_gravity,
)
from bridge.core.settings import GravityReference

T90 = 1 / 1.00024  # UNESCO 44 tabulates IPTS-68
C_35_15_0 = 42.914  # mS/cm, Culkin and Smith 1980

salinities = st.floats(2, 42)
temperatures = st.floats(10, 35)
references = st.sampled_from(GravityReference)
repeatable = settings(derandomize=True, max_examples=200)

# UNESCO Technical Papers in Marine Science 44 (Fofonoff and Millard 1983), p. 9:
# conductivity ratio, °C (IPTS-68), dbar, practical salinity.
PSS_78 = [
    (1.0, 15.0, 0.0, 35.0),
    (1.2, 20.0, 2000.0, 37.245628),
    (0.65, 5.0, 1500.0, 27.995347),
]
# The same page: ratio to the conductivity at S = 35 and the same temperature, °C (IPTS-68),
# practical salinity.
PSS_78_AT_SURFACE = [(1.0568875, 20.0, 37.245628), (0.81705885, 5.0, 27.995347)]

# Computed once with gsw from PSS-78; DOMAIN figures of the project.
CONDUCTIVITY_OF_35 = [(20, 47.918), (24, 52.029), (25, 53.071), (26, 54.118), (28, 56.228)]


@pytest.mark.parametrize(("ratio", "t68", "pressure_dbar", "expected"), PSS_78)
def test_printed_practical_salinities(
    ratio: float, t68: float, pressure_dbar: float, expected: float
) -> None:
    """The values printed in UNESCO 44 come out within 1e-6."""
    assert salinity_psu(ratio * C_35_15_0, t68 * T90, pressure_dbar) == pytest.approx(
        expected, abs=1e-6
    )


@pytest.mark.parametrize(("ratio", "t68", "salinity"), PSS_78_AT_SURFACE)
def test_printed_ratios_at_the_surface(ratio: float, t68: float, salinity: float) -> None:
    """The inverse gives the printed ratio of conductivities to its last digit."""
    temperature_c = t68 * T90

    found = conductivity_ms_cm(salinity, temperature_c) / conductivity_ms_cm(35.0, temperature_c)

    assert found == pytest.approx(ratio, abs=5e-8)


def test_standard_sea_water_at_15_c() -> None:
    """S = 35 at 15 °C (IPTS-68) conducts 42.914 mS/cm (Culkin and Smith 1980)."""
    assert conductivity_ms_cm(35.0, 15 * T90) == pytest.approx(42.914, abs=1e-6)


@pytest.mark.parametrize(("temperature_c", "expected"), CONDUCTIVITY_OF_35)
def test_conductivity_of_standard_sea_water(temperature_c: float, expected: float) -> None:
    """S = 35 conducts what the tables of the trade say, within 0.001 mS/cm."""
    assert conductivity_ms_cm(35.0, float(temperature_c)) == pytest.approx(expected, abs=1e-3)


def test_absolute_salinity_of_standard_sea_water() -> None:
    """S = 35 is 35.16504 g/kg (Millero et al. 2008)."""
    assert absolute_salinity_g_kg(35.0) == pytest.approx(35.16504, abs=1e-9)


def eos_80_kg_m3(salinity: float, t68: float) -> float:
    """One-atmosphere equation of state, Millero and Poisson 1981 (UNESCO 44, p. 17)."""
    pure = np.polyval(
        [6.536332e-9, -1.120083e-6, 1.001685e-4, -9.095290e-3, 6.793952e-2, 999.842594], t68
    )
    a = np.polyval([5.3875e-9, -8.2467e-7, 7.6438e-5, -4.0899e-3, 0.824493], t68)
    b = np.polyval([-1.6546e-6, 1.0227e-4, -5.72466e-3], t68)
    return float(pure + a * salinity + b * salinity**1.5 + 4.8314e-4 * salinity**2)


@pytest.mark.parametrize(
    ("salinity", "t68", "printed"),
    [(0, 5, 999.96675), (0, 25, 997.04796), (35, 5, 1027.67547), (35, 25, 1023.34306)],
)
def test_older_equation_of_state_is_typed_correctly(
    salinity: float, t68: float, printed: float
) -> None:
    """The yardstick of the next tests gives UNESCO 44's printed densities (p. 19)."""
    assert eos_80_kg_m3(salinity, t68) == pytest.approx(printed, abs=5.1e-6)


@pytest.mark.parametrize("temperature_c", [5.0, 15.0, 20.0, 25.0, 30.0])
@pytest.mark.parametrize("salinity", [28.0, 33.0, 35.0, 38.0])
def test_density_agrees_with_the_older_equation(salinity: float, temperature_c: float) -> None:
    """TEOS-10 and EOS-80 agree within 6 parts in a million, their known difference."""
    older = eos_80_kg_m3(salinity, temperature_c / T90)

    assert density_kg_m3(salinity, temperature_c) == pytest.approx(older, rel=6e-6)


@pytest.mark.parametrize("reference", GravityReference)
@pytest.mark.parametrize("salinity", [28.0, 33.0, 35.0, 38.0])
def test_specific_gravity_agrees_with_the_older_equation(
    salinity: float, reference: GravityReference
) -> None:
    """A specific gravity is right to the fifth decimal, whichever equation of state is meant."""
    t68 = GRAVITY_TEMPERATURE_C[reference] / T90
    older = eos_80_kg_m3(salinity, t68) / eos_80_kg_m3(0.0, t68)

    assert specific_gravity(salinity, reference) == pytest.approx(older, abs=5e-6)


@pytest.mark.parametrize(
    ("reference", "salinity"), [("60F/60F", 32.58), ("20/20", 32.90), ("25/25", 33.19)]
)
def test_meaning_of_a_specific_gravity_of_1_025(reference: str, salinity: float) -> None:
    """1.025 is another salinity for each reference: saltier, the warmer the reference."""
    t68 = GRAVITY_TEMPERATURE_C[GravityReference(reference)] / T90
    older = eos_80_kg_m3(salinity, t68) / eos_80_kg_m3(0.0, t68)

    found = salinity_from_gravity_psu(1.025, GravityReference(reference))

    assert found == pytest.approx(salinity, abs=0.006)
    assert older == pytest.approx(1.025, abs=1e-5)


@repeatable
@given(salinities, temperatures)
def test_round_trip_through_conductivity(salinity: float, temperature_c: float) -> None:
    """S to C to S closes within 1e-9 everywhere between 10 and 35 °C."""
    conductivity = conductivity_ms_cm(salinity, temperature_c)

    assert salinity_psu(conductivity, temperature_c) == pytest.approx(salinity, abs=1e-9)


def test_round_trip_on_a_grid() -> None:
    """The same on a dense grid, limits included, as arrays."""
    salinity, temperature = np.meshgrid(np.linspace(2, 42, 401), np.linspace(10, 35, 101))

    back = salinity_psu(conductivity_ms_cm(salinity, temperature), temperature)

    assert np.abs(back - salinity).max() < 1e-9


@repeatable
@given(salinities, references)
def test_round_trip_through_specific_gravity(salinity: float, reference: GravityReference) -> None:
    """S to SG to S closes within 1e-9."""
    gravity = specific_gravity(salinity, reference)

    assert salinity_from_gravity_psu(gravity, reference) == pytest.approx(salinity, abs=1e-9)


@repeatable
@given(salinities, temperatures)
def test_conductivity_referred_to_25_c_forgets_the_temperature(
    salinity: float, temperature_c: float
) -> None:
    """Water of one salinity has one conductivity at 25 °C, whatever its own temperature."""
    conductivity = conductivity_ms_cm(salinity, temperature_c)

    assert conductivity_25c_ms_cm(conductivity, temperature_c) == pytest.approx(
        conductivity_ms_cm(salinity, 25.0), rel=1e-9
    )


@repeatable
@given(st.floats(3, 41), st.floats(-1.9, 34.9))
def test_more_salt_conducts_more_and_warmer_water_too(
    salinity: float, temperature_c: float
) -> None:
    """Conductivity rises with salinity and with temperature."""
    here = conductivity_ms_cm(salinity, temperature_c)

    assert conductivity_ms_cm(salinity + 0.01, temperature_c) > here
    assert conductivity_ms_cm(salinity, temperature_c + 0.01) > here


@repeatable
@given(st.floats(2, 41.9), references)
def test_more_salt_is_heavier(salinity: float, reference: GravityReference) -> None:
    """Specific gravity rises with salinity."""
    assert specific_gravity(salinity + 0.01, reference) > specific_gravity(salinity, reference)


def test_sensitivities_at_the_tank() -> None:
    """At S = 35 and 25 °C 1 % of conductivity is 0.394 S, and 0.1 °C too much is -0.077 S."""
    conductivity = conductivity_ms_cm(35.0, 25.0)

    assert salinity_psu(conductivity * 1.01, 25.0) - 35.0 == pytest.approx(0.394, abs=0.002)
    assert salinity_psu(conductivity, 25.1) - 35.0 == pytest.approx(-0.077, abs=0.001)


@pytest.mark.parametrize(
    ("conductivity", "temperature_c"),
    [
        (53.0, 38.0),  # gsw gives a number
        (53.0, 35.01),
        (53.0, -2.01),
        (0.0, 25.0),  # gsw gives 0.0
        (-1.0, 25.0),  # gsw gives NaN
        (1.0, 25.0),  # fresher than S = 2
        (80.0, 25.0),  # saltier than S = 42
        (math.nan, 25.0),
        (53.0, math.nan),
        (math.inf, 25.0),
        (1.888091 * C_35_15_0, 40 * T90),  # a routine check value of UNESCO 44, past its limits
    ],
)
def test_salinity_outside_its_limits_is_refused(conductivity: float, temperature_c: float) -> None:
    """No number leaves PSS-78 where it was never fitted, for floats and arrays alike."""
    with pytest.raises(OutOfRangeError):
        salinity_psu(conductivity, temperature_c)
    with pytest.raises(OutOfRangeError):
        salinity_psu(np.array([53.0, conductivity]), np.array([25.0, temperature_c]))


@pytest.mark.parametrize("salinity", [1.9, 42.1, 0.0, -1.0, math.nan, math.inf])
@pytest.mark.parametrize(
    "function",
    [
        lambda salinity: conductivity_ms_cm(salinity, 25.0),
        lambda salinity: density_kg_m3(salinity, 25.0),
        absolute_salinity_g_kg,
        lambda salinity: specific_gravity(salinity, GravityReference.R25_25),
    ],
)
def test_salinity_given_outside_its_limits_is_refused(
    function: Callable[..., object], salinity: float
) -> None:
    """Salinities outside 2 to 42 are refused, for floats and arrays alike."""
    with pytest.raises(OutOfRangeError):
        function(salinity)
    with pytest.raises(OutOfRangeError):
        function(np.array([35.0, salinity]))


@pytest.mark.parametrize("temperature_c", [-2.1, 35.1, math.nan])
def test_temperature_outside_its_limits_is_refused(temperature_c: float) -> None:
    """Temperatures outside -2 to 35 °C are refused, for floats and arrays alike."""
    for function in (conductivity_ms_cm, density_kg_m3):
        with pytest.raises(OutOfRangeError, match="temperature"):
            function(35.0, temperature_c)
        with pytest.raises(OutOfRangeError, match="temperature"):
            function(35.0, np.array([temperature_c]))


@pytest.mark.parametrize("gravity", [0.99, 1.0, 1.0011, 1.04, math.nan])
def test_gravity_outside_its_limits_is_refused(gravity: float) -> None:
    """A specific gravity of no sea water is refused, for floats and arrays alike."""
    with pytest.raises(OutOfRangeError):
        salinity_from_gravity_psu(gravity, GravityReference.R20_20)
    with pytest.raises(OutOfRangeError):
        salinity_from_gravity_psu(np.array([1.025, gravity]), GravityReference.R20_20)


def test_the_message_of_a_limit_names_value_and_limits() -> None:
    """A refusal tells the value and what is accepted."""
    with pytest.raises(OutOfRangeError, match=r"temperature is 38 °C; valid is -2 to 35 °C"):
        salinity_psu(53.0, 38.0)


def test_arrays_give_what_floats_give() -> None:
    """Every function answers an array with an array of its shape and the same numbers."""
    salinity = np.array([[30.0, 33.0], [35.0, 38.0]])
    temperature = np.array([[20.0, 25.0], [26.0, 28.0]])
    conductivity = conductivity_ms_cm(salinity, temperature)
    gravity = specific_gravity(salinity, GravityReference.R25_25)

    for index in np.ndindex(salinity.shape):
        s, t = float(salinity[index]), float(temperature[index])
        c = conductivity_ms_cm(s, t)
        assert conductivity[index] == c
        assert salinity_psu(conductivity, temperature)[index] == salinity_psu(c, t)
        assert conductivity_25c_ms_cm(conductivity, temperature)[index] == conductivity_25c_ms_cm(
            c, t
        )
        assert density_kg_m3(salinity, temperature)[index] == density_kg_m3(s, t)
        assert absolute_salinity_g_kg(salinity)[index] == absolute_salinity_g_kg(s)
        assert gravity[index] == specific_gravity(s, GravityReference.R25_25)
        assert salinity_from_gravity_psu(gravity, GravityReference.R25_25)[index] == pytest.approx(
            s, abs=1e-9
        )


def test_a_float_may_stand_beside_an_array() -> None:
    """One temperature for many conductivities, and one conductivity at many temperatures."""
    assert salinity_psu(np.array([52.0, 53.0]), 25.0).shape == (2,)
    assert salinity_psu(53.0, np.array([24.0, 25.0, 26.0])).shape == (3,)


def test_arrays_of_different_shapes_are_refused() -> None:
    """Two arrays of different length are a mistake, not a grid."""
    with pytest.raises(ValueError, match="one shape"):
        salinity_psu(np.array([53.0, 53.1]), np.array([25.0, 25.0, 25.0]))
