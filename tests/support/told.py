"""A history of the demonstration's story: one invented morning to night, with two disturbances."""

from collections.abc import Iterable
from pathlib import Path

from bridge.core.engine import Engine
from bridge.core.events import LinkUp, Message, Tick
from bridge.core.outputs import Output, Record
from bridge.shell.engine_state import packed
from bridge.shell.history import History
from bridge.shell.stepping import feed
from bridge.shell.storage_settings import StorageSettings
from bridge.simulation.scenario import TANK_ID, Scenario
from bridge.simulation.watcher import as_message


def told(
    scenario: Scenario, directory: Path, commands: Iterable[tuple[float, str, bytes]] = ()
) -> tuple[Path, list[Record]]:
    """Run the engine over a scenario; the history that it leaves, and its rows.

    Args:
        scenario: What the sensors say.
        directory: For the history.
        commands: Time, name and payload of what the keeper sends.
    """
    path = directory / "history.sqlite3"
    history = History(StorageSettings(path=str(path), queue_rows=100_000))
    engine = Engine(scenario.settings(), boot_id="7f3a", at_s=scenario.start_s)
    since_s, outputs = scenario.start_s, list(engine.step(LinkUp(scenario.start_s)))
    messages = [as_message(sent) for sent in scenario]
    base = f"tidegate/{TANK_ID}/command"
    messages += [Message(at_s, f"{base}/{name}", payload) for at_s, name, payload in commands]
    for message in sorted(messages, key=lambda each: each.at_s):
        outputs += feed(engine, message, since_s=since_s)
        since_s = message.at_s
    outputs += feed(engine, Tick(scenario.end_s), since_s=since_s)
    rows = _rows(outputs)
    for row in rows:
        history.records(row)
    history.save_state(packed(engine.state), at_s=scenario.end_s, boot_id="7f3a")
    assert history.close(60)
    return path, rows


def _rows(outputs: list[Output]) -> list[Record]:
    return [output for output in outputs if isinstance(output, Record)]
