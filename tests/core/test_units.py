"""Units of conductivity and temperature."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.settings import ProbeUnit, TemperatureUnit
from bridge.core.units import from_celsius, from_ms_cm, to_celsius, to_ms_cm

CONDUCTIVITY_UNITS = (ProbeUnit.MS_CM, ProbeUnit.US_CM, ProbeUnit.S_M)
numbers = st.floats(-1e6, 1e6)
repeatable = settings(derandomize=True)


@pytest.mark.parametrize(
    ("value", "unit"), [(53.07, ProbeUnit.MS_CM), (53070, ProbeUnit.US_CM), (5.307, ProbeUnit.S_M)]
)
def test_conductivity_in_ms_cm(value: float, unit: ProbeUnit) -> None:
    """53.07 mS/cm is 53070 uS/cm is 5.307 S/m, by the definition of the units."""
    assert to_ms_cm(value, unit) == pytest.approx(53.07, rel=1e-12)


@pytest.mark.parametrize(
    ("value", "unit"),
    [(25.0, TemperatureUnit.C), (77.0, TemperatureUnit.F), (298.15, TemperatureUnit.K)],
)
def test_temperature_in_celsius(value: float, unit: TemperatureUnit) -> None:
    """25 °C is 77 °F is 298.15 K, by the definition of the scales."""
    assert to_celsius(value, unit) == pytest.approx(25.0, abs=1e-12)


@repeatable
@given(numbers, st.sampled_from(CONDUCTIVITY_UNITS))
def test_conductivity_round_trip(value: float, unit: ProbeUnit) -> None:
    """There and back is the same conductivity."""
    assert from_ms_cm(to_ms_cm(value, unit), unit) == pytest.approx(value, rel=1e-12)


@repeatable
@given(numbers, st.sampled_from(TemperatureUnit))
def test_temperature_round_trip(value: float, unit: TemperatureUnit) -> None:
    """There and back is the same temperature."""
    assert from_celsius(to_celsius(value, unit), unit) == pytest.approx(value, rel=1e-9, abs=1e-9)


def test_arrays_are_converted_too() -> None:
    """An array gives an array."""
    assert to_ms_cm(np.array([1.0, 2.0]), ProbeUnit.S_M).tolist() == [10.0, 20.0]
    assert to_celsius(np.array([32.0, 212.0]), TemperatureUnit.F) == pytest.approx([0.0, 100.0])


@pytest.mark.parametrize("unit", [ProbeUnit.PSU, ProbeUnit.PPT, ProbeUnit.SG])
def test_a_unit_of_salinity_is_no_conductivity(unit: ProbeUnit) -> None:
    """Salinity cannot be scaled into conductivity; asking for it is refused."""
    with pytest.raises(ValueError, match="no unit of conductivity"):
        to_ms_cm(35.0, unit)
