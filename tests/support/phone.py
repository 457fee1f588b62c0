"""A push service on the loopback interface that fails in every way that real ones do."""

import json
import random
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from types import TracebackType
from typing import Any, Final, Self

OK: Final = "ok"
SLOW: Final = "slow"
"""Takes the message at once and answers a second later."""
ERROR: Final = "error"
"""Answers 500 and does not take it."""
DROP: Final = "drop"
"""Closes the connection without an answer and does not take it."""
HANG: Final = "hang"
"""Never answers and does not take it."""
SLOW_S: Final = 1.0


@dataclass(slots=True)
class Received:
    """A message that the service took."""

    title: str
    message: str
    tone: str
    attachments: list[dict[str, str]]
    key: str | None
    """What was given as idempotency key."""


@dataclass(slots=True)
class Phone:
    """The service, and what it took.

    Args:
        behaviour: Asked for each request; `OK` to begin with.
    """

    behaviour: Callable[[], str] = lambda: OK
    received: list[Received] = field(default_factory=list)
    requests: int = 0
    server: ThreadingHTTPServer = field(init=False)
    arrived: threading.Event = field(default_factory=threading.Event)
    stopped: threading.Event = field(default_factory=threading.Event)

    def __enter__(self) -> Self:
        phone = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                phone.answer(self)

            def log_message(self, *_: Any) -> None:  # noqa: ANN401
                """Keep quiet."""

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.server.daemon_threads = True
        threading.Thread(target=self.server.serve_forever, args=(0.05,), daemon=True).start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.stopped.set()
        self.server.shutdown()
        self.server.server_close()

    def url(self, secret: str = "", query: str = "") -> str:
        """Its address for Apprise."""
        user = f"keeper:{secret}@" if secret else ""
        return f"json://{user}127.0.0.1:{self.server.server_port}/alerts{query}"

    @property
    def titles(self) -> list[str]:
        """Titles of what it took."""
        return [received.title for received in self.received]

    def wait_for(self, condition: Callable[[Self], bool], within_s: float = 20.0) -> bool:
        """Wait until something holds."""
        deadline = time.monotonic() + within_s
        while not condition(self):
            if time.monotonic() > deadline:
                return False
            time.sleep(0.02)
        return True

    def answer(self, request: BaseHTTPRequestHandler) -> None:
        """One request."""
        with suppress(OSError):
            content = json.loads(request.rfile.read(int(request.headers["Content-Length"])))
            self.requests += 1
            manner = self.behaviour()
            if manner in (OK, SLOW):
                self.received.append(
                    Received(
                        content["title"],
                        content["message"],
                        content["type"],
                        content["attachments"],
                        request.headers.get("Idempotency-Key"),
                    )
                )
            self.arrived.set()
            if manner == SLOW:
                time.sleep(SLOW_S)
            if manner == HANG:
                self.stopped.wait(60.0)
            if manner in (OK, SLOW, ERROR):
                request.send_response(500 if manner == ERROR else 200)
                request.end_headers()
            request.close_connection = True


def scripted(manners: Sequence[str]) -> Callable[[], str]:
    """One manner after another; in the end always `OK`."""
    left = list(manners)
    return lambda: left.pop(0) if left else OK


def flaky(seed: int) -> Callable[[], str]:
    """Half of the requests fail, and some are slow."""
    chance = random.Random(seed)
    return lambda: chance.choices((OK, SLOW, ERROR, DROP, HANG), (40, 15, 25, 18, 2))[0]
