"""A daemon's life on virtual time, kept in a history as the real one keeps it."""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import orjson

from bridge.core.engine import Engine, EngineState
from bridge.core.events import Event, LinkUp, Message, Shutdown, Tick
from bridge.core.outputs import Output, Record
from bridge.core.settings import Settings
from bridge.shell.engine_state import packed
from bridge.shell.history import History
from bridge.shell.history_inputs import InputTap, Started
from bridge.shell.stepping import feed
from bridge.shell.storage_settings import StorageSettings

SAVE_EVERY_S = 60.0


def live(
    path: Path,
    settings: Settings,
    messages: Iterable[Message],
    *,
    restart_at_s: float | None = None,
) -> list[Output]:
    """Run an engine over messages and keep what the daemon would; returns all it said."""
    history = History(StorageSettings(path=str(path), queue_rows=1_000_000, batch_s=0.1))
    said: list[Output] = []
    engine: Engine | None = None
    tap = InputTap(settings, (), history.inputs)
    since_s = saved_s = 0.0

    def tell(engine: Engine, event: Event) -> None:
        outputs = (
            engine.step(event) if isinstance(event, Tick) else feed(engine, event, since_s=since_s)
        )
        said.extend(outputs)
        for output in outputs:
            if isinstance(output, Record):
                history.records(output)
        tap(event)

    def start(at_s: float, state: EngineState | None) -> Engine:
        nonlocal tap, since_s, saved_s
        fresh = Engine(settings, boot_id=f"{round(at_s):x}", at_s=at_s, state=state)
        tap = InputTap(settings, fresh.topics, history.inputs)
        history.inputs(Started(at_s))
        since_s = saved_s = at_s
        tell(fresh, LinkUp(at_s))
        return fresh

    for message in messages:
        if engine is None:
            engine = start(message.at_s, None)
        if restart_at_s is not None and message.at_s >= restart_at_s:
            restart_at_s = None
            tell(engine, Shutdown(since_s))
            engine = start(message.at_s, engine.state)
        tell(engine, message)
        since_s = message.at_s
        if since_s - saved_s >= SAVE_EVERY_S:
            saved_s = since_s
            history.save_state(packed(engine.state), at_s=since_s)
    assert history.close(60.0)
    return said


def as_toml(settings: Settings) -> str:
    """A configuration file with these tanks."""
    return (
        "\n".join(_table("", {"broker": {"host": "localhost"}, "tanks": asdict(settings)["tanks"]}))
        + "\n"
    )


def _table(name: str, values: Mapping[str, Any]) -> Iterator[str]:
    tables = {key: value for key, value in values.items() if isinstance(value, dict)}
    if name:
        yield f"[{name}]"
    for key, value in values.items():
        # A value of JSON is one of TOML, but for null, which is left out.
        if value is not None and key not in tables:
            yield f"{key} = {orjson.dumps(value).decode()}"
    for key, value in tables.items():
        yield from _table(f"{name}.{key}" if name else key, value)
