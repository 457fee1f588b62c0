"""Bubbles against Maxwell's and Bruggeman's formulas."""

import csv
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.errors import OutOfRangeError
from bridge.core.gas import (
    GasModel,
    conductivity_ratio,
    gas_fraction,
    gas_fraction_from_salinity,
    salinity_deficit_psu,
)

TABLE = Path(__file__).parents[1] / "data" / "bubble_conductivity.csv"
repeatable = settings(derandomize=True)
models = st.sampled_from(GasModel)


def rows() -> list[dict[str, float]]:
    """Computed apart from this project."""
    with TABLE.open(encoding="utf-8", newline="") as file:
        return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(file)]


@pytest.mark.parametrize("row", rows(), ids=lambda row: f"{row['void_fraction']:g}")
def test_table(row: dict[str, float]) -> None:
    """Ratios within the table's 6 decimals, and the salinity shown for S = 35 within its 3."""
    gas = row["void_fraction"]

    assert conductivity_ratio(gas, GasModel.MAXWELL) == pytest.approx(row["maxwell"], abs=6e-7)
    assert conductivity_ratio(gas, GasModel.BRUGGEMAN) == pytest.approx(row["bruggeman"], abs=6e-7)
    shown = 35.0 - salinity_deficit_psu(gas, 35.0, 26.0, GasModel.MAXWELL)
    assert shown == pytest.approx(row["S_maxwell_from35_26C"], abs=6e-4)
    shown = 35.0 - salinity_deficit_psu(gas, 35.0, 26.0, GasModel.BRUGGEMAN)
    assert shown == pytest.approx(row["S_bruggeman"], abs=6e-4)


@pytest.mark.parametrize("model", GasModel)
def test_dilute_limit(model: GasModel) -> None:
    """A little gas lowers conductivity by one and a half times its fraction (both papers)."""
    assert (1 - conductivity_ratio(1e-6, model)) / 1e-6 == pytest.approx(1.5, rel=1e-5)


@repeatable
@given(st.floats(0, 0.99), models)
def test_round_trip(gas: float, model: GasModel) -> None:
    """The fraction comes back from its ratio."""
    assert gas_fraction(conductivity_ratio(gas, model), model) == pytest.approx(gas, abs=1e-9)


@repeatable
@given(st.floats(0, 0.3), st.floats(28, 40), st.floats(20, 31), models)
def test_round_trip_through_salinity(
    gas: float, salinity: float, temperature_c: float, model: GasModel
) -> None:
    """The fraction comes back from the salinity it shows."""
    deficit = salinity_deficit_psu(gas, salinity, temperature_c, model)

    assert deficit >= -1e-9
    found = gas_fraction_from_salinity(
        min(salinity - deficit, salinity), salinity, temperature_c, model
    )
    assert found == pytest.approx(gas, abs=1e-9)


@repeatable
@given(st.floats(0, 0.9), models)
def test_more_gas_reads_lower(gas: float, model: GasModel) -> None:
    """Bubbles only ever lower the reading."""
    assert conductivity_ratio(gas + 0.01, model) < conductivity_ratio(gas, model) <= 1


def test_a_reading_above_the_water_is_refused() -> None:
    """A high reading is no matter of bubbles."""
    with pytest.raises(OutOfRangeError, match="only ever lowers"):
        gas_fraction_from_salinity(35.1, 35.0, 25.0)


@pytest.mark.parametrize("gas", [-0.01, 1.0, float("nan")])
def test_a_senseless_fraction_is_refused(gas: float) -> None:
    """There is no less than no gas, and no conductivity in all gas."""
    with pytest.raises(OutOfRangeError):
        conductivity_ratio(gas)


@pytest.mark.parametrize("ratio", [0.0, 1.0001, float("nan")])
def test_a_senseless_ratio_is_refused(ratio: float) -> None:
    """No gas ever raises conductivity."""
    with pytest.raises(OutOfRangeError):
        gas_fraction(ratio)
