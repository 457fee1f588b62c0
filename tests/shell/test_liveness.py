"""Health is a fact about the decision loop, told to whoever asks."""

import socket
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.shell.clock import steady_s
from bridge.shell.liveness import HealthFile, ServiceManager, default_health_file, judge


def write(path: Path, steady: object) -> None:
    """A health file by hand."""
    path.write_text(f'{{"steady_s":{steady},"link":"connected"}}', encoding="utf-8")


@pytest.mark.parametrize(
    ("age_s", "alive"), [(0.0, True), (10.0, True), (20.0, False), (-100.0, False)]
)
def test_age_decides(tmp_path: Path, age_s: float, *, alive: bool) -> None:
    """A young file is life; an old one, or one from before this boot, is death."""
    path = tmp_path / "health.json"
    write(path, steady_s() - age_s)

    assert judge(path)[0] is alive


@pytest.mark.parametrize("content", ["", "{}", "[]", "null", '{"steady_s":"x"}'])
def test_damaged_file_is_no_life(tmp_path: Path, content: str) -> None:
    """What cannot be read proves nothing."""
    path = tmp_path / "health.json"
    path.write_text(content, encoding="utf-8")

    assert not judge(path)[0]


def test_broker_away_is_no_reason_for_a_restart(tmp_path: Path) -> None:
    """A loop that turns is alive, whatever it says about its connections."""
    path = tmp_path / "health.json"
    HealthFile(path).write({"link": "127.0.0.1:1883 cannot be reached", "ready": False})
    alive, sentence = judge(path)

    assert alive
    assert "cannot be reached" in sentence


def test_unwritable_place_stops_nothing(caplog: pytest.LogCaptureFixture) -> None:
    """A full or read-only disk is told once and survived."""
    health = HealthFile(Path("/proc/nowhere/health.json"))
    health.write({}, now=True)
    health.write({}, now=True)
    health.remove()

    assert len(caplog.records) == 1
    assert "/proc/nowhere/health.json" in caplog.text


def test_check_program(tmp_path: Path) -> None:
    """The container's check exits 0 for a living loop and 1 for a dead one."""
    path = tmp_path / "health.json"
    codes = []
    for age_s in (0.0, 100.0):
        write(path, steady_s() - age_s)
        command = [sys.executable, "-m", "bridge.shell.health", str(path)]
        codes.append(subprocess.run(command, check=False, capture_output=True).returncode)  # noqa: S603

    assert codes == [0, 1]


def test_service_directory_is_used(monkeypatch: pytest.MonkeyPatch) -> None:
    """Under systemd the file lives in the service's own directory."""
    monkeypatch.setenv("RUNTIME_DIRECTORY", "/run/tidegate:/run/other")

    assert default_health_file() == Path("/run/tidegate/health.json")


def test_service_manager_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """READY and the watchdog's pat arrive; the pat no oftener than needed."""
    address = tmp_path / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as receiver:
        receiver.bind(str(address))
        monkeypatch.setenv("NOTIFY_SOCKET", str(address))
        monkeypatch.setenv("WATCHDOG_USEC", "10000000")
        manager = ServiceManager()
        manager.tell("READY=1")
        manager.alive()
        manager.alive()
        receiver.settimeout(0.0)
        heard = []
        while True:
            try:
                heard.append(receiver.recv(100))
            except BlockingIOError:
                break

    assert heard == [b"READY=1", b"WATCHDOG=1"]


def test_without_service_manager_nothing_happens(monkeypatch: pytest.MonkeyPatch) -> None:
    """In a container or a terminal there is nobody to tell."""
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    manager = ServiceManager()
    manager.tell("READY=1")
    manager.alive()
