"""``tidegate commission``: practised in a simulated tank, stopped, resumed, reported."""

import io
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from bridge.cli import main
from bridge.commands.commission import load_state, save_state
from bridge.commands.commission_walk import CAUTIONS, Stopped, Walk
from bridge.core.commissioning import CommissionState, StepName, effects, verdict
from bridge.core.errors import UserError
from bridge.core.records import correction_in_force
from bridge.shell.commission_report import render
from bridge.simulation.practice import DEVICES, DISTURBING, PROBE, TRUE_GAIN, PracticeTank

LISTS = ["yes"] * 8
CALIBRATION = ["yes", "35", "25", "", "no", ""]
FLOW = ["yes", "", ""]
REFERENCE = ["35,1", "refractometer", "ppt", "yes", "yes"]
ONE_DEVICE = ["yes", *[""] * 9]


class Keeper:
    """Answers from a list, and stops when it is at its end."""

    def __init__(self, answers: list[str]) -> None:
        self.answers = list(answers)
        self.told: list[str] = []
        self.saved = 0

    def ask(self, question: str) -> str:
        """The next answer."""
        self.told.append(question)
        if not self.answers:
            raise Stopped
        return self.answers.pop(0)

    def walk(self, state: CommissionState, source: PracticeTank) -> bool:
        """Go through; whether it came to its end."""

        def save(_state: CommissionState) -> None:
            self.saved += 1

        try:
            Walk(source, state, ask=self.ask, tell=self.told.append, save=save).run()
        except Stopped:
            return False
        return True


def begun(source: PracticeTank) -> CommissionState:
    """A new walk-through."""
    return CommissionState(tank=source.tank, started_at_s=source.now_s, practice=True)


def test_the_whole_walk_finds_what_is_wrong_with_the_practice_tank() -> None:
    """Gain calibrated away, the disturbing light named with its size, the rest not accused."""
    source = PracticeTank()
    state = begun(source)
    keeper = Keeper([*LISTS, *CALIBRATION, *FLOW, *REFERENCE, *ONE_DEVICE * 3])

    assert keeper.walk(state, source)

    assert correction_in_force(source.state, PROBE).gain == pytest.approx(TRUE_GAIN, rel=2e-3)
    found = {effect.device: effect for effect in effects(state)}
    assert set(found) == set(DEVICES)
    assert found[DISTURBING].significant
    assert found[DISTURBING].size_psu == pytest.approx(0.4, abs=0.15)
    assert not found["return-pump"].significant
    assert state.reference is not None
    assert "e_n" in state.reference


def test_cautions_come_before_anything_is_touched() -> None:
    """Every caution is said first, and again after a break."""
    source = PracticeTank()
    state = begun(source)
    for _ in range(2):
        keeper = Keeper(["yes"])
        keeper.walk(state, source)
        assert all(any(caution in line for line in keeper.told[:9]) for caution in CAUTIONS)


def test_the_cautions_cannot_be_declined() -> None:
    """Without a safe tank nothing begins."""
    source = PracticeTank()
    state = begun(source)

    assert not Keeper(["no", "no", "stop"]).walk(state, source)
    assert state.done == []


def test_a_walk_in_pieces_gathers_the_same_steps() -> None:
    """Stopping after any answer and resuming asks only what is not done yet."""
    source = PracticeTank()
    state = begun(source)
    assert not Keeper([*LISTS, *CALIBRATION]).walk(state, source)
    assert state.done == [
        StepName.CAUTIONS,
        StepName.PLACE,
        StepName.CABLES,
        StepName.CALIBRATION,
    ]

    assert Keeper(["yes", *FLOW, *REFERENCE, *ONE_DEVICE * 3]).walk(state, source)

    assert StepName.DEVICES in state.done
    # One check tells no coefficient, so this step stays open.
    assert state.skipped == [StepName.TEMPERATURE]


def test_devices_already_tried_are_not_tried_again() -> None:
    """A break between two devices costs nothing."""
    source = PracticeTank()
    state = begun(source)
    assert not Keeper([*LISTS, *CALIBRATION, *FLOW, *REFERENCE, *ONE_DEVICE]).walk(state, source)
    assert list(state.devices) == ["return-pump"]

    keeper = Keeper(["yes", *ONE_DEVICE * 2])

    assert keeper.walk(state, source)
    assert "Try return-pump now? [yes/no]" not in keeper.told


def test_skipped_steps_are_asked_again_on_resuming() -> None:
    """What was skipped is neither done nor forgotten."""
    source = PracticeTank()
    state = begun(source)
    Keeper([*LISTS, "no", "no", "", *["no"] * 3]).walk(state, source)

    assert StepName.CALIBRATION in state.skipped
    assert StepName.FLOW in state.skipped
    assert all(
        line.fine is None
        for line in verdict(state)
        if line.step in {StepName.FLOW, StepName.DEVICES}
    )
    keeper = Keeper(["yes"])
    keeper.walk(state, source)
    assert any("sea-water standard" in line for line in keeper.told)


def test_wrong_answers_are_asked_again() -> None:
    """A slip of the fingers ends nothing."""
    source = PracticeTank()
    keeper = Keeper(["maybe", *LISTS, "yes", "thirty-five", "35", "", "stop"])

    keeper.walk(begun(source), source)

    assert "Please answer yes, no, or stop." in keeper.told
    assert "Please type a number, for instance 35.2, or nothing." in keeper.told


def test_progress_is_kept_and_read_back(tmp_path: Path) -> None:
    """The file holds everything that was gathered."""
    source = PracticeTank()
    state = begun(source)
    Keeper([*LISTS, *CALIBRATION, *FLOW]).walk(state, source)

    save_state(tmp_path / "progress.json", state)

    assert load_state(tmp_path / "progress.json") == state
    assert load_state(tmp_path / "nothing.json") is None


@pytest.mark.parametrize("content", ["", "[]", '{"tank": 1}', '{"version": 99, "tank": "reef"}'])
def test_a_file_that_is_no_progress_is_refused(content: str, tmp_path: Path) -> None:
    """A strange file is not overwritten without being asked."""
    path = tmp_path / "progress.json"
    path.write_text(content)

    with pytest.raises(UserError, match="--again"):
        load_state(path)


def test_the_report_is_whole_and_needs_no_network() -> None:
    """Well-formed, with plots inside, marked as practice, and without any address."""
    source = PracticeTank()
    state = begun(source)
    Keeper([*LISTS, *CALIBRATION, *FLOW, *REFERENCE, *ONE_DEVICE * 3]).walk(state, source)
    state.tank = "reef <&> more"

    text = render(state, finished_at_s=source.now_s)

    root = ET.fromstring(  # noqa: S314 (our own text)
        text.split("\n", 1)[1]
        .replace('<meta charset="utf-8">', "")
        .replace('<meta name="viewport" content="width=device-width, initial-scale=1">', "")
    )
    assert root.tag == "html"
    # Still and flowing water, and three devices.
    assert len(root.findall(".//svg")) == 4
    assert "Practice in a simulated tank" in text
    assert "http" not in text
    assert "reef &lt;&amp;&gt; more" in text


def test_the_report_of_nothing_is_still_a_report() -> None:
    """Stopping at once leaves a report that says that nothing was done."""
    text = render(CommissionState(tank="reef", started_at_s=0.0), finished_at_s=60.0)

    assert "not done or not told yet" in text
    assert "svg" not in text.split("</style>")[1]


def test_the_command_practises_stops_and_resumes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """From the terminal: stopped by the end of the input, resumed by the same command."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("sys.stdin", io.StringIO("\n".join(LISTS) + "\n"))
    assert main(["commission", "--practice"]) == 0
    assert "Stopped. The same command goes on from here." in capsys.readouterr().out
    assert (tmp_path / "commission-practice.html").exists()

    monkeypatch.setattr("sys.stdin", io.StringIO("yes\nstop\n"))
    assert main(["commission", "--practice"]) == 0

    shown = capsys.readouterr().out
    assert "done so far: cautions, place, cables" in shown
    assert "[yes/no]" in shown


def test_progress_of_another_tank_is_not_taken_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Two tanks are not mixed up."""
    monkeypatch.chdir(tmp_path)
    save_state(
        tmp_path / "commission-practice.json", CommissionState(tank="lagoon", started_at_s=0.0)
    )

    assert main(["commission", "--practice"]) == 2

    assert "belongs to lagoon" in capsys.readouterr().err
