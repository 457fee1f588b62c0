"""Evaporation against Carrier's equation and the conservation of salt."""

import csv
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.errors import OutOfRangeError
from bridge.core.evaporation import (
    evaporation_bounds_l_day,
    evaporation_kg_m2_h,
    salinity_after_evaporation_psu,
    saturation_pressure_kpa,
)
from bridge.core.seawater import density_kg_m3

DATA = Path(__file__).parents[1] / "data"
PURE_WATER_KG_L = 0.997047  # at 25 °C, UNESCO 44 p. 19 (997.048) and IAPWS-95 (997.047)
repeatable = settings(derandomize=True)


def rows(name: str) -> list[dict[str, float]]:
    """Computed apart from this project."""
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(file)]


# International steam tables (IAPWS), as any steam table prints them: °C, kPa. From memory.
@pytest.mark.parametrize(
    ("temperature_c", "expected"), [(0.01, 0.6117), (20, 2.339), (25, 3.169), (40, 7.384)]
)
def test_saturation_pressure(temperature_c: float, expected: float) -> None:
    """Within 0.5 % of the steam tables."""
    assert saturation_pressure_kpa(float(temperature_c)) == pytest.approx(expected, rel=5e-3)


def test_rates() -> None:
    """The table of Carrier's equation comes out within 1 % plus its last digits.

    The table used another vapour-pressure formula; where nearly as much comes back from damp air,
    the difference of two pressures shows that more.
    """
    table = rows("evaporation_rate.csv")

    assert len(table) > 20
    for row in table:
        found = evaporation_kg_m2_h(
            row["Tw"],
            row["Ta"],
            row["RH"],
            air_speed_m_s=row["air_ft_min"] * 0.3048 / 60,
            activity=row["factor"],
        )
        assert found == pytest.approx(row["kg_m2_h"], rel=0.01, abs=0.001)


def test_mass_balance() -> None:
    """The table's 4 decimals come out, within 1e-4 of the rise; 1 % lost makes 35.34.

    The table does not say at which temperature its densities were taken.
    """
    table = rows("evaporation_mass_balance.csv")

    assert len(table) > 10
    for row in table:
        found = salinity_after_evaporation_psu(row["S0"], 100.0, row["evap_pct_of_volume"])
        assert found == pytest.approx(row["S_after_exact_mass"], abs=1e-4 * row["dS"] + 6e-5)
    assert salinity_after_evaporation_psu(35.0, 400.0, 4.0) == pytest.approx(35.34, abs=0.005)


@repeatable
@given(st.floats(22, 30), st.floats(0.1, 5))
def test_bounds_hold_every_ordinary_room(water_c: float, surface_m2: float) -> None:
    """Rooms of 18 to 28 °C and 30 to 80 % humidity lie inside the bounds, in still air or a fan."""
    lowest, highest = evaporation_bounds_l_day(surface_m2, water_c)

    for air_c in (18.0, 22.0, 28.0):
        for humidity in (0.3, 0.5, 0.8):
            for speed_m_s in (0.0, 0.3, 1.0):
                litres = (
                    24
                    * surface_m2
                    * evaporation_kg_m2_h(water_c, air_c, humidity, air_speed_m_s=speed_m_s)
                )
                assert lowest <= litres <= highest


def test_damp_air_takes_nothing() -> None:
    """The rate is never negative."""
    assert evaporation_kg_m2_h(20.0, 35.0, 1.0) == 0.0


@repeatable
@given(st.floats(5, 35), st.floats(10, 1000), st.floats(0, 0.1))
def test_water_put_back_restores_the_salinity(
    salinity: float, volume_l: float, fraction: float
) -> None:
    """Evaporation raises salinity, and the same amount of fresh water takes the rise back."""
    lost_l = volume_l * fraction
    lost_kg = lost_l * PURE_WATER_KG_L
    mass_kg = volume_l * density_kg_m3(salinity, 25.0) / 1000

    after = salinity_after_evaporation_psu(salinity, volume_l, lost_l)
    volume_after_l = (mass_kg - lost_kg) / density_kg_m3(after, 25.0) * 1000
    back = salinity_after_evaporation_psu(after, volume_after_l, -lost_l)

    assert after >= salinity - 1e-12
    assert back == pytest.approx(salinity, abs=1e-6)


@pytest.mark.parametrize(
    "arguments",
    [(36.0, 20.0, 0.5), (25.0, 90.0, 0.5), (25.0, 20.0, 1.1), (float("nan"), 20.0, 0.5)],
)
def test_impossible_conditions_are_refused(arguments: tuple[float, float, float]) -> None:
    """Each argument keeps its range."""
    with pytest.raises(OutOfRangeError):
        evaporation_kg_m2_h(*arguments)


def test_impossible_fan_surface_and_loss_are_refused() -> None:
    """So do the others."""
    with pytest.raises(OutOfRangeError, match="air speed"):
        evaporation_kg_m2_h(25.0, 20.0, 0.5, air_speed_m_s=9.0)
    with pytest.raises(OutOfRangeError, match="surface"):
        evaporation_bounds_l_day(0.0, 25.0)
    with pytest.raises(OutOfRangeError, match="below half"):
        salinity_after_evaporation_psu(35.0, 100.0, 60.0)
    with pytest.raises(OutOfRangeError, match="volume"):
        salinity_after_evaporation_psu(35.0, 0.0, 0.0)
