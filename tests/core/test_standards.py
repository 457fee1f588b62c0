"""Calibration standards against their printed table."""

import csv
from pathlib import Path

import numpy as np
import pytest

from bridge.core.errors import OutOfRangeError
from bridge.core.standards import Standard, conductivity_ms_cm

TABLE = Path(__file__).parents[1] / "data" / "kcl_conductivity.csv"
COLUMNS = {
    Standard.KCL_0_01: "k_0p01m_uScm",
    Standard.KCL_0_1: "k_0p1m_uScm",
    Standard.KCL_1_0: "k_1p0m_uScm",
}


def printed(standard: Standard) -> dict[float, float]:
    """Temperature and conductivity [mS/cm], CRC Handbook 5-73."""
    with TABLE.open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if row[COLUMNS[standard]]]
    return {float(row["t90_C"]): float(row[COLUMNS[standard]]) / 1000 for row in rows}


@pytest.mark.parametrize("standard", COLUMNS)
def test_kcl_at_the_printed_temperatures(standard: Standard) -> None:
    """The CRC table comes out to its printed digits."""
    table = printed(standard)

    assert len(table) >= 11
    for temperature_c, expected in table.items():
        assert conductivity_ms_cm(standard, temperature_c) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("standard", COLUMNS)
def test_kcl_between_the_printed_temperatures(standard: Standard) -> None:
    """Between rows the value lies within 0.01 % of one smooth curve through the whole table."""
    table = printed(standard)
    curve = np.polynomial.Polynomial.fit(list(table), list(table.values()), 6)

    for temperature_c in np.arange(0, 50.01, 0.5):
        found = conductivity_ms_cm(standard, float(temperature_c))
        assert found == pytest.approx(float(curve(temperature_c)), rel=1e-4)


@pytest.mark.parametrize("standard", COLUMNS)
def test_kcl_rises_with_temperature(standard: Standard) -> None:
    """Warmer conducts more, without a step where the interpolation changes rows."""
    values = [conductivity_ms_cm(standard, float(t)) for t in np.arange(0, 50.01, 0.1)]
    steps = np.diff(values)

    assert (steps > 0).all()
    assert np.abs(np.diff(steps)).max() < 0.01 * steps.mean()


# Bottles of 0.01 and 0.1 mol per litre, as an instrument manual tabulates them: °C, mS/cm.
BOTTLES = [
    (Standard.KCL_0_01, 1.413, 20, 1.278),
    (Standard.KCL_0_01, 1.413, 30, 1.552),
    (Standard.KCL_0_1, 12.88, 20, 11.67),
    (Standard.KCL_0_1, 12.88, 30, 14.12),
]


@pytest.mark.parametrize(("standard", "stated", "temperature_c", "expected"), BOTTLES)
def test_a_bottle_with_its_own_stated_value(
    standard: Standard, stated: float, temperature_c: float, expected: float
) -> None:
    """A bottle's value at 25 °C is carried to its temperature as its maker tabulates it."""
    found = conductivity_ms_cm(standard, float(temperature_c), stated_25c_ms_cm=stated)

    assert found == pytest.approx(expected, rel=1e-3)
    assert conductivity_ms_cm(standard, 25.0, stated_25c_ms_cm=stated) == pytest.approx(stated)


# Computed once with gsw from PSS-78; DOMAIN figures of the project.
@pytest.mark.parametrize(
    ("temperature_c", "expected"),
    [(20, 47.918), (24, 52.029), (25, 53.071), (26, 54.118), (28, 56.228)],
)
def test_sea_water_standard(temperature_c: float, expected: float) -> None:
    """S = 35 at the bottle's temperature, within 0.001 mS/cm."""
    found = conductivity_ms_cm(Standard.SEAWATER, float(temperature_c))

    assert found == pytest.approx(expected, abs=1e-3)


def test_sea_water_standard_with_its_own_stated_value() -> None:
    """A sea-water standard that states 50 mS/cm at 25 °C follows sea water, not a coefficient."""
    assert conductivity_ms_cm(Standard.SEAWATER, 25.0, stated_25c_ms_cm=50.0) == pytest.approx(50.0)
    ratio = conductivity_ms_cm(Standard.SEAWATER, 20.0, stated_25c_ms_cm=50.0) / 50.0
    # Sea water: 1.942 %/C between 20 and 25 °C, referred to 25 °C.
    assert ratio == pytest.approx(1 - 5 * 0.01942, abs=5e-4)


def test_kcl_has_its_own_temperature_coefficient() -> None:
    """0.1 mol/kg: 1.885 %/C referred to 25 °C at 20 °C, where sea water has 1.942."""
    ratio = conductivity_ms_cm(Standard.KCL_0_1, 20.0) / conductivity_ms_cm(Standard.KCL_0_1, 25.0)

    assert (1 - ratio) / 5 * 100 == pytest.approx(1.885, abs=0.001)


@pytest.mark.parametrize("temperature_c", [-0.1, 50.1, float("nan")])
def test_kcl_outside_its_table_is_refused(temperature_c: float) -> None:
    """The table is not carried on beyond its ends."""
    with pytest.raises(OutOfRangeError, match="0 to 50"):
        conductivity_ms_cm(Standard.KCL_0_1, temperature_c)


@pytest.mark.parametrize("stated", [0.0, -1.0, float("nan")])
def test_a_senseless_stated_value_is_refused(stated: float) -> None:
    """A bottle states a positive number."""
    with pytest.raises(OutOfRangeError):
        conductivity_ms_cm(Standard.KCL_0_1, 25.0, stated_25c_ms_cm=stated)
