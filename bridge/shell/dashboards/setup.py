"""Joins the dashboards to the daemon."""

from collections.abc import Callable

from bridge.core.engine import EngineState
from bridge.shell.clock import EngineClock
from bridge.shell.config import Configuration
from bridge.shell.dashboards.bridge import DashboardBridge
from bridge.shell.dashboards.memory import Memory, Store
from bridge.shell.dashboards.translation import Translation


def make_dashboards(
    configuration: Configuration,
    *,
    store: Store,
    state: EngineState,
    clock: EngineClock,
    submit: Callable[[str, bytes], None],
    ready: Callable[[], bool],
) -> DashboardBridge | None:
    """The dashboards that are switched on; None when there is nothing to do.

    Args:
        configuration: As the keeper wrote it.
        store: The history, which remembers what was left on the broker.
        state: Of the engine, for what is told only when it changes.
        clock: Engine time.
        submit: Takes a command as if it had come over the broker.
        ready: Whether the daemon is connected and decides.

    Raises:
        BrokerFilesError: A certificate or key file cannot be used.
    """
    wanted = configuration.dashboards.any_wanted
    memory = Memory(store)
    # Switched off again: what was left on the broker is still taken away, once.
    if not wanted and not memory.topics:
        return None
    translation = Translation(
        configuration,
        configuration.dashboards,
        service={name: tank.service.phase for name, tank in state.tanks.items()},
        memory=memory,
        now_s=clock.dated_s(),
    )
    return DashboardBridge(
        configuration.broker,
        base_topic=configuration.base_topic,
        translation=translation,
        memory=memory,
        submit=submit,
        ready=ready,
        now_s=clock.now_s,
        idle=not wanted,
    )
