"""``tidegate notify --test`` from the outside."""

from pathlib import Path

import pytest

from bridge.cli import FAILED, SUCCESS, WRONG_USAGE, main
from tests.support.phone import ERROR, Phone

# Libraries that Apprise loads announce changes in Python that do not concern us.
pytestmark = [pytest.mark.loopback, pytest.mark.filterwarnings("ignore::DeprecationWarning")]

MINIMAL = (Path(__file__).parents[2] / "config" / "minimal.toml").read_text(encoding="utf-8")


def test_each_target_is_tried_and_told_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One line a target; 0 when all took it, 1 when one did not; the password is not shown."""
    monkeypatch.chdir(tmp_path)
    path = Path("tidegate.toml")
    with Phone() as good, Phone(lambda: ERROR) as bad:
        table = f'[notify.targets.good]\nurl = "{good.url()}"\n'
        path.write_text(f"{MINIMAL}\n{table}", encoding="utf-8")
        all_well = main(["notify", "--config", str(path), "--test"])
        first = capsys.readouterr()
        table += f'[notify.targets.bad]\nurl = "{bad.url("tide-and-gate")}"\n'
        path.write_text(f"{MINIMAL}\n{table}", encoding="utf-8")
        one_bad = main(["notify", "--config", str(path), "--test"])
        second = capsys.readouterr()

    assert (all_well, first.out) == (SUCCESS, "good: sent\n")
    assert one_bad == FAILED
    assert second.out.startswith("good: sent\nbad: not sent: ")
    assert "error=500" in second.out
    assert "tide-and-gate" not in second.out + second.err
    assert good.titles == ["Tidegate: this is a test"] * 2


def test_without_targets_there_is_nothing_to_test(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The sentence says what to add."""
    path = tmp_path / "tidegate.toml"
    path.write_text(MINIMAL, encoding="utf-8")

    assert main(["notify", "--config", str(path), "--test"]) == WRONG_USAGE
    assert "add [notify.targets.<name>]" in capsys.readouterr().err
