"""``tidegate plan`` as a keeper uses it."""

import json
from pathlib import Path

import pytest

from bridge.cli import main

CONFIG = Path(__file__).parents[2] / "config"


def test_plan_without_a_configuration(capsys: pytest.CaptureFixture[str]) -> None:
    """36 to 35 in 400 l: two days of fresh water, 11.2 l or 3.0 US gallons in all."""
    assert main(["plan", "--from", "36", "--to", "35", "--volume", "400"]) == 0

    shown = capsys.readouterr().out
    assert "exchange 11.2 l (3.0 US gallons) for fresh water, in 2 days" in shown
    assert "go slowly" in shown


def test_plan_with_salt_water_as_json(capsys: pytest.CaptureFixture[str]) -> None:
    """33 to 35 at once with salt water of 40 in 400 l is 114.29 l (800 / 7, by hand)."""
    code = main(
        [
            "plan",
            "--from",
            "33",
            "--to",
            "35",
            "--volume",
            "400",
            "--salt-water",
            "40",
            "--largest-daily-change",
            "2",
            "--json",
        ]
    )

    document = json.loads(capsys.readouterr().out)
    assert code == 0
    assert document["litres"] == 114.29
    assert document["new_water_psu"] == 40
    assert len(document["steps"]) == 1


def test_gallons_are_us_gallons(capsys: pytest.CaptureFixture[str]) -> None:
    """100 US gallons are 378.54 l (NIST SP 811)."""
    assert main(["plan", "--from", "36", "--gallons", "100", "--json"]) == 0

    assert json.loads(capsys.readouterr().out)["volume_l"] == pytest.approx(378.5411784)


def test_the_configuration_gives_volume_and_target(capsys: pytest.CaptureFixture[str]) -> None:
    """With a configuration only the salinity now is needed."""
    assert main(["plan", "--from", "36", "--config", str(CONFIG / "minimal.toml"), "--json"]) == 0

    document = json.loads(capsys.readouterr().out)
    assert document["volume_l"] > 0
    assert document["steps"][-1]["to_psu"] == 35


def test_on_target_there_is_nothing_to_do(capsys: pytest.CaptureFixture[str]) -> None:
    """No step is invented."""
    assert main(["plan", "--from", "35", "--volume", "400"]) == 0

    assert "nothing to exchange" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("plan --from 36", "the volume is missing"),
        ("plan --from 36 --volume 0", "it must be above 0"),
        ("plan --from 50 --volume 400", "must be 2 to 42"),
        ("plan --from 33 --volume 400 --salt-water 34", "must be above 35"),
        ("plan --from 36 --volume 400 --tank reef", "--tank needs --config"),
        ("plan --from 36 --config nowhere.toml", "nowhere.toml"),
    ],
)
def test_mistakes_are_answered_in_a_sentence(
    words: str, message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2, one sentence, no traceback."""
    assert main(words.split()) == 2

    error = capsys.readouterr().err
    assert message in error
    assert "Traceback" not in error


def test_an_unknown_tank_is_answered_with_the_known_ones(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The names in the file are listed."""
    words = ["plan", "--from", "36", "--config", str(CONFIG / "minimal.toml"), "--tank", "nobody"]

    assert main(words) == 2

    assert 'has no tank "nobody"; accepted are' in capsys.readouterr().err
