"""systemd understands the service file and finds little to attack."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

from bridge.shell.daemon import FAREWELL_S

UNIT = Path(__file__).parents[2] / "deploy" / "tidegate.service"
TEXT = UNIT.read_text(encoding="utf-8")
ANALYZE = shutil.which("systemd-analyze")
LARGEST_EXPOSURE = 2.0
"""Of 10, by systemd's own count; services without any hardening get 9.6."""

needs_systemd = pytest.mark.skipif(ANALYZE is None, reason="systemd-analyze is not installed")


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    """Ask systemd-analyze."""
    assert ANALYZE is not None
    return subprocess.run(  # noqa: S603 # the program and file are ours
        [ANALYZE, *words], capture_output=True, text=True, check=False
    )


@needs_systemd
def test_systemd_understands_it(tmp_path: Path) -> None:
    """No line is unknown or wrong; the program itself need not be installed here."""
    unit = tmp_path / UNIT.name
    unit.write_text(re.sub(r"(?m)^ExecStart=\S+", "ExecStart=/bin/true", TEXT), encoding="utf-8")

    judged = analyze("verify", "--man=no", str(unit))

    assert judged.stdout + judged.stderr == ""
    assert judged.returncode == 0


@needs_systemd
def test_it_has_little_to_attack() -> None:
    """The count that systemd makes of what a broken daemon could do stays low."""
    judged = analyze("security", "--offline=true", "--no-pager", str(UNIT))

    exposure = re.search(r"Overall exposure level for tidegate.service: ([0-9.]+)", judged.stdout)
    assert exposure, judged.stdout + judged.stderr
    assert float(exposure[1]) <= LARGEST_EXPOSURE


def test_it_waits_for_the_farewell() -> None:
    """The daemon has time to hold everything before systemd loses patience."""
    patience = re.search(r"(?m)^TimeoutStopSec=(\d+)$", TEXT)

    assert patience
    assert int(patience[1]) > 2 * FAREWELL_S


def test_a_wrong_configuration_is_not_tried_again() -> None:
    """The exit code for a configuration that cannot be used ends the restarts."""
    assert "\nRestartPreventExitStatus=2\n" in TEXT
    assert "\nRestart=on-failure\n" in TEXT
