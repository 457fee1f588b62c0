"""Processes to be measured: started, watched from outside, and ended."""

import os
import subprocess
import sys
import time
from pathlib import Path
from types import TracebackType
from typing import Final, Self

PAGE_BYTES: Final = os.sysconf("SC_PAGE_SIZE")
TICKS_PER_S: Final = os.sysconf("SC_CLK_TCK")
DAEMON: Final = "import sys, bridge.cli; sys.exit(bridge.cli.main())"


class Process:
    """A Python process of ours."""

    def __init__(self, *arguments: str, log: Path) -> None:
        self.log = log
        with log.open("wb") as said:
            self._process = subprocess.Popen(  # noqa: S603 # ours
                [sys.executable, *arguments], stdout=subprocess.DEVNULL, stderr=said
            )

    def __enter__(self) -> Self:
        """Hand it over."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        """End it, as a service manager would."""
        self._process.terminate()
        try:
            self._process.wait(10.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()

    def cpu_s(self) -> float:
        """Processor time that all its threads have used. [s]."""
        stat = Path(f"/proc/{self._process.pid}/stat").read_text(encoding="ascii")
        # The name in brackets may hold anything; the numbers come behind it.
        values = stat.rpartition(")")[2].split()
        return (int(values[11]) + int(values[12])) / TICKS_PER_S

    def resident_kb(self) -> float:
        """Memory that it holds at the moment. [kB]."""
        pages = Path(f"/proc/{self._process.pid}/statm").read_text(encoding="ascii").split()[1]
        return int(pages) * PAGE_BYTES / 1000.0

    def check(self) -> None:
        """See that it still runs.

        Raises:
            RuntimeError: It has ended, with what it said last.
        """
        if self._process.poll() is not None:
            said = self.log.read_text(encoding="utf-8", errors="replace")[-2000:]
            raise RuntimeError(f"the process to be measured has ended:\n{said}")


def echo(port: int, qos: int, directory: Path) -> Process:
    """The bare echo."""
    arguments = ("-m", "tests.performance.echo", str(port), str(qos))
    return Process(*arguments, log=directory / "echo.log")


def daemon(port: int, tanks: int, directory: Path) -> Process:
    """The daemon as it is run at home, with a number of tanks.

    Args:
        port: Of the broker.
        tanks: Each with a probe and a thermometer: ``in/<n>/probe`` and ``in/<n>/water``.
        directory: For its files, the history among them.
    """
    configuration = directory / "tidegate.toml"
    configuration.write_text(settings_text(port, tanks, directory), "utf-8")
    return Process(
        *("-c", DAEMON, "run", "--config", str(configuration)),
        *("--health-file", str(directory / "health.json")),
        log=directory / "daemon.log",
    )


def settings_text(port: int, tanks: int, directory: Path) -> str:
    """A configuration file with many tanks that are alike."""
    path = f"{directory}/history.sqlite3"
    head = f'[broker]\nhost = "127.0.0.1"\nport = {port}\n\n[storage]\npath = "{path}"\n'
    return head + "".join(
        f"""
[tanks.t{number}]
volume_l = 300
probe = {{ topic = "in/{number}/probe", unit = "psu", reports = "salinity-linear", \
coefficient_pct_per_c = 2.1 }}
thermometer = {{ topic = "in/{number}/water" }}
"""
        for number in range(tanks)
    )


def wait_for(what: str, path: Path, *, within_s: float = 60.0) -> None:
    """Wait until a process has said something in its log."""
    ends_s = time.monotonic() + within_s
    while time.monotonic() < ends_s:
        if path.exists() and what in path.read_text(encoding="utf-8", errors="replace"):
            return
        time.sleep(0.1)
    raise RuntimeError(f"'{what}' was not said within {within_s:g} s:\n{path.read_text()[-2000:]}")
