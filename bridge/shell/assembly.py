"""Joins engine, connections and clock into a daemon; the demonstration does it in the same way."""

from collections.abc import Iterator
from pathlib import Path

from bridge.core.settings import Settings
from bridge.shell.broker_settings import BrokerSettings
from bridge.shell.clock import EngineClock
from bridge.shell.counters import Counters
from bridge.shell.daemon import Daemon, Sinks
from bridge.shell.guard import Guard, GuardedPermit
from bridge.shell.inbox import Inbox
from bridge.shell.link import Link
from bridge.shell.liveness import HealthFile
from bridge.shell.stepping import EnginePort


def guarded_permits(settings: Settings) -> Iterator[GuardedPermit]:
    """Every permit, those of the first tank first, as the configuration lists them."""
    for tank_name, tank in settings.tanks.items():
        for permit_name, permit in tank.permits.items():
            yield GuardedPermit(
                f"{settings.base_topic}/{tank_name}/permit/{permit_name}", permit.lease_s
            )


def assemble(
    engine: EnginePort,
    *,
    settings: Settings,
    broker: BrokerSettings,
    boot_id: str,
    clock: EngineClock,
    sinks: Sinks,
    health_file: Path | None = None,
) -> Daemon:
    """A daemon, ready to run.

    Args:
        engine: Made with the same settings and boot id.
        settings: The engine's.
        broker: How to reach the broker.
        boot_id: New with every start.
        clock: The clock that the engine's start was taken from.
        sinks: History, phone, saved state.
        health_file: Where the loop shows that it turns; None for nowhere.

    Raises:
        BrokerFilesError: A certificate or key file cannot be used.
    """
    counters = Counters()
    inbox = Inbox(counters)
    return Daemon(
        engine,
        clock=clock,
        inbox=inbox,
        link=Link(
            broker,
            base_topic=settings.base_topic,
            topics=engine.topics,
            watched=engine.watched_topics,
            boot_id=boot_id,
            clock=clock,
            inbox=inbox,
            counters=counters,
        ),
        guard=Guard(
            broker,
            base_topic=settings.base_topic,
            permits=tuple(guarded_permits(settings)),
            boot_id=boot_id,
            now_s=clock.now_s,
            counters=counters,
            on_change=inbox.wake,
        ),
        counters=counters,
        sinks=sinks,
        health=HealthFile(health_file) if health_file is not None else None,
    )
