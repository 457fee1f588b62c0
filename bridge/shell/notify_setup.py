"""Joins the notifier with configuration, history and engine, for the daemon and for a test."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from bridge.core.alarm_catalogue import PLANT_ALARMS, AlarmKind
from bridge.core.alarm_text import body, title
from bridge.core.alarms import HELD, PLANT_NAME, AlarmsState, tank_kinds
from bridge.core.engine import EngineState
from bridge.core.outputs import Notice, NoticeKind
from bridge.core.settings import Tank
from bridge.shell.config import Configuration
from bridge.shell.history import History
from bridge.shell.notifier import Notifier, Surroundings
from bridge.shell.notify_summary import Summaries

FLUSH_S = 2.0
"""Longest wait for the newest samples, which the chart would otherwise lack."""


@dataclass(frozen=True, slots=True)
class Telling:
    """The notifier and the summaries of a running daemon."""

    notifier: Notifier
    summaries: Summaries

    def close(self) -> None:
        """End both."""
        self.summaries.close()
        self.notifier.close()


def start_telling(
    configuration: Configuration, history: History, state: EngineState
) -> Telling | None:
    """Start telling the keeper's phone; None when no target is configured.

    Args:
        configuration: Of the daemon.
        history: For charts and summaries.
        state: What the engine remembers at its start.
    """
    settings = configuration.notify
    if not settings.targets:
        return None
    path = Path(configuration.storage.path)
    notifier = Notifier(
        settings,
        Surroundings(
            remembered=tuple(remembered(state, configuration.tanks)),
            history=path,
            limits_psu={
                name: (tank.limits.low_psu, tank.limits.high_psu)
                for name, tank in configuration.tanks.items()
            },
            tanks=configuration.tanks,
            before_chart=lambda: history.flush(FLUSH_S),
        ),
    )
    summaries = Summaries(settings, path, configuration.tanks, notifier.inform)
    notifier.start()
    summaries.start()
    return Telling(notifier, summaries)


def remembered(state: EngineState, tanks: Mapping[str, Tank]) -> Iterator[Notice]:
    """A notice for each episode that stands and that nobody has seen.

    The engine told of it when it began. Should that have been lost in a crash, it is told in these
    more general words.
    """
    if state.plant is not None:
        yield from _of_board(state.plant, "", PLANT_NAME, PLANT_ALARMS)
    for name, tank in tanks.items():
        saved = state.tanks.get(name)
        if saved is not None and saved.alarms is not None:
            kinds = tank_kinds(tuple(tank.permits))
            yield from _of_board(saved.alarms, name, tank.name or name, kinds)


def _of_board(
    alarms: AlarmsState, owner: str, called: str, kinds: Mapping[str, AlarmKind]
) -> Iterator[Notice]:
    for episode in alarms.board.episodes.values():
        kind = kinds.get(episode.alarm)
        if kind is None:
            continue
        raised = alarms.board.alarms.get(episode.alarm)
        yield Notice(
            at_s=0.0 if raised is None else raised.since_s,
            tank=owner,
            alarm=episode.alarm,
            episode=episode.episode_id,
            kind=NoticeKind.ACKNOWLEDGED if episode.seen else NoticeKind.RAISED,
            priority=episode.told,
            title=title(called, kind.headline.replace(HELD, "a long time")),
            body=body([kind.consequence], first=kind.actions[0], caution=kind.caution),
        )
