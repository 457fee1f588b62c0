"""A page over a real engine that is told a simulated story (invented data)."""

import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import fields
from functools import cache
from pathlib import Path
from typing import Any

from bridge.core.engine import Engine
from bridge.core.events import LinkUp, Message
from bridge.core.outputs import Record
from bridge.core.settings import Settings
from bridge.shell.broker_settings import BrokerSettings
from bridge.shell.config import Configuration, Loaded
from bridge.shell.history_writer import HistoryWriter
from bridge.shell.page.app import Page
from bridge.shell.page_settings import PageSettings
from bridge.shell.stepping import feed
from bridge.shell.storage_settings import StorageSettings
from bridge.simulation.story import tell

BOOT_ID = "0badcafe"
TOKEN = "a-token-for-tests-only"  # noqa: S105 - no secret
TANK = "reef"
STORY = cache(tell)


def loaded(
    settings: Settings, folder: Path, page: PageSettings | None = None, **changes: object
) -> Loaded:
    """A configuration around an engine's settings."""
    values: Mapping[str, Any] = {
        field.name: getattr(settings, field.name) for field in fields(Settings)
    }
    return Loaded(
        Configuration(
            **(dict(values) | changes),
            broker=BrokerSettings(host="127.0.0.1", username="u", password="the broker's"),  # noqa: S106
            storage=StorageSettings(path=str(folder / "history.sqlite3")),
            page=page if page is not None else PageSettings(enabled=True),
        ),
        "tidegate.toml",
        {},
    )


class Told:
    """The story, an engine that hears it, and a page that is shown what the engine says.

    Args:
        folder: For the history.
        page: Settings of the page.
        until_h: Hours of the story that are told at once.
        changes: Of the settings.
    """

    def __init__(
        self,
        folder: Path,
        page: PageSettings | None = None,
        *,
        until_h: float = 1.0,
        **changes: object,
    ) -> None:
        scenario = STORY().scenario
        self.loaded = loaded(scenario.settings(), folder, page, **changes)
        self.now_s = scenario.start_s
        self.trouble: str | None = None
        self.deaf = False
        """Commands find no engine."""
        self._lock = threading.RLock()
        self.engine = Engine(self.loaded.configuration, boot_id=BOOT_ID, at_s=self.now_s)
        self.history = HistoryWriter(self.loaded.configuration.storage)
        self._rows: list[Record] = []
        self._messages: Iterator[Any] = iter(scenario.messages)
        self._next = next(self._messages)
        self.page = self.another_page()
        self._step(LinkUp(self.now_s))
        self.tell_until(scenario.start_s + until_h * 3600.0)
        self.keep()

    def another_page(self) -> Page:
        """A page that has not been shown anything yet."""
        return Page(
            self.loaded,
            now_s=lambda: self.now_s,
            submit=self.submit,
            trouble=lambda: self.trouble,
        )

    def _step(self, event: Any) -> None:  # noqa: ANN401 - any event
        with self._lock:
            at_s = max(event.at_s, self.now_s)
            for output in feed(self.engine, event, since_s=self.now_s):
                self.page.observe(output)
                if isinstance(output, Record):
                    self._rows.append(output)
            self.now_s = at_s

    def submit(self, topic: str, payload: bytes) -> None:
        """Give a command to the engine, as the daemon would."""
        if not self.deaf:
            self._step(Message(self.now_s, topic, payload))

    def storage(self, fault: str, *, for_s: float) -> None:
        """Let the history report a fault for some time."""
        outputs = self.engine.storage(self.now_s, fault)
        with self._lock:
            for output in outputs:
                self.page.observe(output)
        self.tell_until(self.now_s + for_s)

    def tell_until(self, at_s: float) -> None:
        """Go on with the story up to a moment."""
        while self._next.at_s <= at_s:
            sent = self._next
            self._step(Message(sent.at_s, sent.topic, sent.payload, sent.retained))
            self._next = next(self._messages)
        self.now_s = max(at_s, self.now_s)

    def keep(self) -> None:
        """Write what has happened so far into the history."""
        with self._lock:
            rows, self._rows = self._rows, []
        self.history.write(rows)

    def close(self) -> None:
        """Close the history."""
        self.history.close()

    @contextmanager
    def going_on(self, speed: float) -> Iterator[None]:
        """Let the story go on, so many times as fast as life, for the length of a block."""
        stop = threading.Event()

        def run() -> None:
            start, start_s = time.monotonic(), self.now_s
            while not stop.wait(0.05):
                self.tell_until(start_s + (time.monotonic() - start) * speed)

        thread = threading.Thread(target=run, name="story", daemon=True)
        thread.start()
        try:
            yield
        finally:
            stop.set()
            thread.join(5.0)
