"""Refractive indices against published values and the reference table."""

import csv
from pathlib import Path

import pytest

from bridge.core.errors import OutOfRangeError
from bridge.core.refraction import (
    brine_from_gravity_g_kg,
    brine_index,
    salinity_from_index_psu,
    sea_water_index,
    sea_water_on_brine_scale,
)

TABLE = list(
    csv.DictReader(
        (Path(__file__).parents[1] / "data" / "refractive_index.csv").read_text().splitlines()
    )
)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"S{row['SP']}")
def test_sea_water_index_reproduces_the_reference_table(row: dict[str, str]) -> None:
    """Quan & Fry 1995 at 20 and 25 °C, to the printed six decimals."""
    salinity = float(row["SP"])

    assert sea_water_index(salinity, 20) == pytest.approx(
        float(row["n_QuanFry_20C_589nm"]), abs=6e-7
    )
    assert sea_water_index(salinity, 25) == pytest.approx(float(row["n_QuanFry_25C"]), abs=6e-7)


@pytest.mark.parametrize("row", TABLE, ids=lambda row: f"S{row['SP']}")
def test_brine_scale_reproduces_the_reference_table(row: dict[str, str]) -> None:
    """CRC indices of table-salt brine against Quan & Fry, within the table's 0.3."""
    shown = sea_water_on_brine_scale(float(row["SP"]))

    assert shown == pytest.approx(float(row["NaCl_gkg_same_n_quadfit"]), abs=0.02)
    assert shown == pytest.approx(float(row["NaCl_gkg_same_n_linear_interp"]), abs=0.3)


def test_index_of_standard_sea_water() -> None:
    """Quan & Fry 1995: n(35, 20 °C, 589.3 nm) = 1.339406."""
    assert sea_water_index(35, 20) == pytest.approx(1.339406, abs=5e-7)


def test_brine_scale_reads_one_and_a_half_high() -> None:
    """At S = 35 a brine scale shows 1.5 ± 0.3 more (CRC indices)."""
    assert sea_water_on_brine_scale(35) - 35 == pytest.approx(1.5, abs=0.3)


@pytest.mark.parametrize("salinity", [0.0, 5.0, 20.0, 35.0, 42.0])
@pytest.mark.parametrize("temperature", [5.0, 20.0, 30.0])
def test_index_and_salinity_are_inverse(salinity: float, temperature: float) -> None:
    """Salinity to index and back closes."""
    index = sea_water_index(salinity, temperature)

    assert salinity_from_index_psu(index, temperature) == pytest.approx(salinity, abs=1e-9)


@pytest.mark.parametrize(
    ("salt", "index"),
    # CRC Handbook, sodium chloride, 20 °C, 589 nm.
    [(0, 1.3330), (10, 1.3347), (20, 1.3365), (30, 1.3383), (40, 1.3400), (50, 1.3418)],
)
def test_brine_curve_passes_the_printed_rows(salt: float, index: float) -> None:
    """The smooth curve stays within half of the table's last digit."""
    assert brine_index(salt) == pytest.approx(index, abs=5.1e-5)


def test_brine_gravity() -> None:
    """A 4 % brine weighs 1.0268 at 20 °C (CRC; also WNT, Poradnik fizykochemiczny 1974)."""
    assert brine_from_gravity_g_kg(1.0268 / 0.9982) == pytest.approx(40, abs=0.1)


@pytest.mark.parametrize(
    "call",
    [
        lambda: sea_water_index(-1, 20),
        lambda: sea_water_index(35, 36),
        lambda: sea_water_index(35, float("nan")),
        lambda: sea_water_index(35, 20, 300),
        lambda: salinity_from_index_psu(1.40, 20),
        lambda: brine_index(61),
        lambda: brine_from_gravity_g_kg(0.999),
        lambda: brine_from_gravity_g_kg(1.05),
    ],
)
def test_nothing_is_told_outside_the_relations(call: object) -> None:
    """Outside their ranges the relations refuse."""
    assert callable(call)
    with pytest.raises(OutOfRangeError):
        call()
