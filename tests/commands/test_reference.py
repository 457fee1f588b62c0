"""``tidegate reference`` as a keeper uses it."""

import json
import threading
from pathlib import Path

import orjson
import pytest

from bridge.cli import main
from tests.support.listener import Listener
from tests.support.mosquitto import Mosquitto


def test_a_reading_is_converted_without_a_daemon(capsys: pytest.CaptureFixture[str]) -> None:
    """36.5 on a brine scale is S = 35 (CRC indices, Quan & Fry), with its assumptions shown."""
    words = ["reference", "check", "--instrument", "optical refractometer brine"]
    words += ["--reading", "36.5", "--unit", "ppt", "--standard-checked", "--not-corrected"]

    assert main([*words, "--sample-temperature", "20"]) == 0

    shown = capsys.readouterr().out
    # Set to 35 in the standard, 36.5 on the scale is 1.5 / 1.04 above (reference table).
    assert "Practical salinity 36.44" in shown
    assert "table-salt brine" in shown


def test_repeated_readings_are_averaged(capsys: pytest.CaptureFixture[str]) -> None:
    """Two readings give their mean and their scatter."""
    words = ["reference", "check", "--instrument", "lab", "--unit", "psu", "--json"]

    assert main([*words, "--reading", "34.9", "--reading", "35.1"]) == 0

    answer = json.loads(capsys.readouterr().out)
    assert answer["salinity"] == 35.0
    assert answer["scatter"] == pytest.approx(0.141, abs=1e-3)


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ("fit", "fit needs --config"),
        ("check --instrument lab --salinity 35", "needs no conversion"),
        ("check --instrument lab --reading 35 --unit stone", "accepted is 'psu'"),
        ("check --instrument lab --reading 35", "belong together"),
        ("undo", "either 'calibration' or 'check'"),
        ("check --instrument hydrometer --reading 1.026 --unit sg", "sample_temperature_c"),
        (
            "calibration --standard table-salt --value 35 --unit psu --temperature 25",
            "accepted is 'seawater'",
        ),
    ],
)
def test_mistakes_are_answered_in_a_sentence(
    words: str, message: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """Exit code 2 and one sentence, before any broker is asked."""
    assert main(["reference", *words.split()]) == 2

    error = capsys.readouterr().err
    assert message in error
    assert "Traceback" not in error


CONFIG = """
[broker]
host = "127.0.0.1"
port = {port}

[tanks.reef]
volume_l = 300

[tanks.reef.probe]
topic = "home/probe"
unit = "mS/cm"
reports = "conductivity"

[tanks.reef.thermometer]
topic = "home/water"
"""


@pytest.mark.broker
@pytest.mark.parametrize(
    ("answer", "shown"),
    [
        ({"ok": True, "sentence": "Recorded.", "questions": ["Is it steady?"]}, "Is it steady?"),
        ({"ok": False, "error": "no such tank"}, "Not done: no such tank"),
    ],
)
def test_a_calibration_is_sent_and_its_answer_shown(
    broker: Mosquitto,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    answer: dict[str, object],
    shown: str,
) -> None:
    """What the daemon answers is what the keeper reads."""
    config = tmp_path / "tank.toml"
    config.write_text(CONFIG.format(port=broker.port))
    seen: dict[str, object] = {}
    with Listener(broker.port) as listener:

        def daemon() -> None:
            seen.update(
                orjson.loads(listener.wait_for("tidegate/reef/command/calibration").payload)
            )
            listener.publish(
                "tidegate/reef/result/calibration", orjson.dumps({"id": seen["id"], **answer})
            )

        helper = threading.Thread(target=daemon)
        helper.start()
        words = ["reference", "calibration", "--standard", "seawater", "--value", "35"]
        words += ["--unit", "psu", "--temperature", "25", "--apply", "--config", str(config)]
        result = main(words)
        helper.join(5.0)

    assert result == (0 if answer["ok"] else 1)
    assert shown in capsys.readouterr().out
    assert {key: seen[key] for key in ("standard", "value", "apply")} == {
        "standard": "seawater",
        "value": 35.0,
        "apply": True,
    }
