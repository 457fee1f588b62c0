"""Practical salinity against the instrument maker's own software.

The file of a real cast carries conductivity, temperature, pressure and the salinity that the
maker's software printed beside them (4 decimals): independent of gsw.
"""

import csv
from pathlib import Path

import numpy as np
import pytest

from bridge.core.seawater import FloatArray, salinity_psu

CAST = Path(__file__).parents[1] / "data" / "ctd_dpirx010_dual_sensor.csv"
PRINTED_DIGITS = 1.1e-4  # 4 decimals of salinity, and as many of temperature


@pytest.fixture(scope="module")
def cast() -> dict[str, FloatArray]:
    """The columns of the file."""
    with CAST.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return {name: np.array([float(row[name]) for row in rows]) for name in rows[0]}


def test_second_sensor(cast: dict[str, FloatArray]) -> None:
    """The clean sensor agrees in every one of its rows."""
    found = salinity_psu(cast["c1S/m"] * 10.0, cast["t190C"], cast["prDM"])

    assert len(found) == 1014
    assert np.abs(found - cast["sal11"]).max() < PRINTED_DIGITS


def test_first_sensor_where_it_is_valid(cast: dict[str, FloatArray]) -> None:
    """The spiky sensor agrees in every row inside the limits of PSS-78."""
    conductivity, temperature = cast["c0S/m"] * 10.0, cast["t090C"]
    printed = cast["sal00"]
    valid = (temperature >= -2) & (temperature <= 35) & (printed > 2) & (printed < 42)

    found = salinity_psu(conductivity[valid], temperature[valid], cast["prDM"][valid])

    assert 980 < valid.sum() < 1014
    assert np.abs(found - printed[valid]).max() < PRINTED_DIGITS
