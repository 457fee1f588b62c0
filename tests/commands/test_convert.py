"""The conversions as a keeper asks for them."""

import re

import pytest

from bridge.cli import main


def converted(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, float]:
    """What the table says, by the quantity and its unit."""
    assert main(["convert", *words]) == 0
    found = {}
    for line in capsys.readouterr().out.splitlines():
        cells = [cell.strip() for cell in line.strip("│").split("│")]
        if len(cells) == 3 and re.fullmatch(r"-?\d+(\.\d+)?", cells[1]):
            found[f"{cells[0]} {cells[2]}".strip()] = float(cells[1])
    return found


def test_specific_gravity_in_every_other_unit(capsys: pytest.CaptureFixture[str]) -> None:
    """1.025 at 60F/60F is S = 32.58, and every other unit of the same water."""
    found = converted(capsys, "1.025", "sg", "--reference", "60F/60F")

    assert found["practical salinity psu (ppt)"] == pytest.approx(32.58, abs=0.005)
    assert found["specific gravity 60F/60F"] == 1.025
    assert found["specific gravity 20/20"] == pytest.approx(1.02476, abs=1e-5)
    assert found["specific gravity 25/25"] == pytest.approx(1.02454, abs=1e-5)
    assert found["absolute salinity g/kg"] == pytest.approx(32.582 * 35.16504 / 35, abs=0.002)
    assert found["conductivity at 25 °C mS/cm"] == pytest.approx(49.794, abs=0.002)


@pytest.mark.parametrize(
    ("value", "unit"),
    [
        ("53.071", "mS/cm"),
        ("53071", "uS/cm"),
        ("53071", "µS/cm"),
        ("5.3071", "S/m"),
        ("53.071", "ms/cm"),
    ],
)
def test_conductivity_to_salinity(
    capsys: pytest.CaptureFixture[str], value: str, unit: str
) -> None:
    """53.071 mS/cm at 25 °C is S = 35, however its unit is written."""
    found = converted(capsys, value, unit)

    assert found["practical salinity psu (ppt)"] == pytest.approx(35.0, abs=0.001)


@pytest.mark.parametrize("temperature", ["26", "26C", "26 °C", "78.8F", "299.15K"])
def test_temperature_of_the_water(capsys: pytest.CaptureFixture[str], temperature: str) -> None:
    """S = 35 conducts 54.118 mS/cm at 26 °C, and 53.071 referred to 25 °C."""
    found = converted(capsys, "35", "ppt", "--temperature", temperature)

    assert found["conductivity at 26 °C mS/cm"] == pytest.approx(54.118, abs=0.001)
    assert found["conductivity referred to 25 °C mS/cm"] == pytest.approx(53.071, abs=0.001)


def test_temperature_in_every_other_unit(capsys: pytest.CaptureFixture[str]) -> None:
    """77 °F is 25 °C and 298.15 K."""
    assert main(["convert", "77", "F"]) == 0
    out = capsys.readouterr().out

    assert "25.00" in out
    assert "298.15" in out


def test_assumptions_are_said(capsys: pytest.CaptureFixture[str]) -> None:
    """What was not given is named as assumed; what was given is not."""
    assert main(["convert", "1.025", "sg"]) == 0
    silent = capsys.readouterr().out
    assert main(["convert", "1.025", "sg", "--reference", "20/20", "--temperature", "24"]) == 0
    told = capsys.readouterr().out

    assert "Water temperature: 25 °C (assumed; use --temperature)." in silent
    assert "Reference of the specific gravity: 25/25 (assumed; use --reference)." in silent
    assert "assumed" not in told
    assert "20/20 (as given)" in told


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (["35", "salt"], 'unit is "salt"; accepted are mS/cm, uS/cm, S/m, psu, ppt, sg, C, F, K'),
        (["60", "psu"], "practical salinity is 60; valid is 2 to 42"),
        (["0", "mS/cm"], "conductivity is 0 mS/cm"),
        (["nan", "psu"], "accepted is a finite number"),
        (["35", "psu", "--temperature", "warm"], '--temperature is "warm"'),
        (["35", "psu", "--temperature", "40"], "valid is -2 to 35 °C"),
        (["1.025", "sg", "--reference", "15/15"], "accepted are 20/20, 25/25, 60F/60F"),
        (["35", "psu", "--reference", "20/20"], "--reference belongs to a specific gravity"),
        (["77", "F", "--temperature", "25"], "leave the options out"),
    ],
)
def test_a_mistake_is_explained(
    capsys: pytest.CaptureFixture[str], words: list[str], sentence: str
) -> None:
    """A user's mistake ends with code 2 and one sentence, without a traceback."""
    assert main(["convert", *words]) == 2

    captured = capsys.readouterr()
    assert captured.out == ""
    assert sentence in captured.err
    assert "Traceback" not in captured.err
