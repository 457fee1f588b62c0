"""A daemon around a fake engine, running in a thread against a real broker."""

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from bridge.core.settings import (
    Delivers,
    Driver,
    Permit,
    Probe,
    ProbeUnit,
    Reports,
    Settings,
    Tank,
    Thermometer,
)
from bridge.shell.assembly import assemble
from bridge.shell.broker_settings import BrokerSettings
from bridge.shell.clock import EngineClock
from bridge.shell.daemon import Daemon, Sinks
from bridge.shell.stepping import EnginePort

BOOT_ID = "0badcafe"

SETTINGS = Settings(
    tanks={
        "reef": Tank(
            volume_l=300.0,
            probe=Probe(topic="home/probe", unit=ProbeUnit.MS_CM, reports=Reports.CONDUCTIVITY),
            thermometer=Thermometer(topic="home/water"),
            permits={
                "top-off": Permit(delivers=Delivers.FRESH_WATER, driven_by=Driver.LEVEL),
            },
        )
    }
)


def broker_settings(port: int, **changes: object) -> BrokerSettings:
    """How to reach a test's broker."""
    return replace(BrokerSettings(host="127.0.0.1", port=port), **changes)  # type: ignore[arg-type]


class Running:
    """A daemon in a thread."""

    def __init__(self, daemon: Daemon) -> None:
        self.daemon = daemon
        self.error: BaseException | None = None
        self.thread = threading.Thread(target=self._run, name="decision loop", daemon=True)

    def _run(self) -> None:
        try:
            self.daemon.run()
        except BaseException as error:  # noqa: BLE001 # handed to the test
            self.error = error

    def stop(self, timeout_s: float = 6.0) -> None:
        """End it, and insist that it does."""
        self.daemon.stop()
        self.thread.join(timeout_s)
        assert not self.thread.is_alive(), "the daemon did not stop"


@contextmanager
def running(
    engine: EnginePort,
    broker: BrokerSettings,
    *,
    sinks: Sinks | None = None,
    health_file: Path | None = None,
    clock: EngineClock | None = None,
    settings: Settings = SETTINGS,
) -> Iterator[Running]:
    """Run a daemon for the length of the block."""
    started = Running(
        assemble(
            engine,
            settings=settings,
            broker=broker,
            boot_id=BOOT_ID,
            clock=clock if clock is not None else EngineClock(),
            sinks=sinks if sinks is not None else Sinks(),
            health_file=health_file,
        )
    )
    started.thread.start()
    try:
        yield started
    finally:
        started.stop()
