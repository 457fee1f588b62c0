"""The daemon's log: plain on a terminal, JSON by option, no secrets, no floods of repeats."""

import logging
import re
import time
from collections import OrderedDict
from collections.abc import Callable, Collection
from typing import Final, TextIO

import orjson

from bridge.core.wire.instants import iso_utc

PLAIN: Final = "%(asctime)s %(levelname)-7s %(message)s"

PAUSE_S: Final = 60.0
"""Time in which the same message is written once."""

MOST_KINDS: Final = 1000
"""Kinds of messages remembered, so that memory stays bounded."""

MASK: Final = "***"

SHORTEST_SECRET: Final = 4
"""A shorter one would blacken ordinary words; it protects nothing anyway."""

IN_ADDRESS: Final = re.compile(r"(?P<scheme>[a-z][a-z0-9+.-]*://)[^\s/@]+@", re.IGNORECASE)
"""User and password of an address."""

IN_PAIR: Final = re.compile(
    r"(?P<name>(?:password|passwd|secret|token|api[_-]?key|authorization)[\"']?\s*[=:]\s*[\"']?)"
    r"(?:(?:bearer|basic)\s+)?[^\s\"'&,;}]+",
    re.IGNORECASE,
)
"""A value under a name that tells a secret."""


class Redactor:
    """Blackens known secrets, and what looks like one, in a finished line."""

    def __init__(self, secrets: Collection[str] = ()) -> None:
        known = {secret for secret in secrets if len(secret) >= SHORTEST_SECRET}
        # JSON writes some characters differently; both forms must go.
        known |= {orjson.dumps(secret).decode()[1:-1] for secret in known}
        longest_first = sorted(known, key=len, reverse=True)
        self._known = re.compile("|".join(map(re.escape, longest_first))) if known else None

    def __call__(self, text: str) -> str:
        """The text without secrets."""
        if self._known is not None:
            text = self._known.sub(MASK, text)
        text = IN_ADDRESS.sub(rf"\g<scheme>{MASK}@", text)
        return IN_PAIR.sub(rf"\g<name>{MASK}", text)


class PlainFormatter(logging.Formatter):
    """One line for a person; tracebacks follow."""

    def __init__(self, redact: Redactor) -> None:
        super().__init__(PLAIN)
        self._redact = redact

    def format(self, record: logging.LogRecord) -> str:
        """The line, redacted as a whole: message, arguments and traceback."""
        return self._redact(super().format(record))


class JsonFormatter(logging.Formatter):
    """One JSON object a line, for a log collector."""

    def __init__(self, redact: Redactor) -> None:
        super().__init__()
        self._redact = redact

    def format(self, record: logging.LogRecord) -> str:
        """The object, each text redacted."""
        line = {
            "time": iso_utc(record.created),
            "level": record.levelname.lower(),
            "logger": record.name,
            "message": self._redact(record.getMessage()),
        }
        if record.exc_info:
            line["error"] = self._redact(self.formatException(record.exc_info))
        return orjson.dumps(line).decode()


class Repeats(logging.Filter):
    """Lets one message of a kind pass in a minute and tells how many it held back.

    Two messages are of one kind when logger, level, wording and named things agree; numbers in
    them may differ.
    """

    def __init__(self, monotonic: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._monotonic = monotonic
        self._seen: OrderedDict[tuple[object, ...], tuple[float, int]] = OrderedDict()

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether to write it."""
        arguments = record.args if isinstance(record.args, tuple) else ()
        names = tuple(value for value in arguments if isinstance(value, str))
        kind = (record.name, record.levelno, str(record.msg), names)
        now = self._monotonic()
        until, held = self._seen.get(kind, (now, 0))
        if now < until:
            self._seen[kind] = (until, held + 1)
            return False
        self._seen[kind] = (now + PAUSE_S, 0)
        self._seen.move_to_end(kind)
        if len(self._seen) > MOST_KINDS:
            self._seen.popitem(last=False)
        if held:
            record.msg = f"{record.getMessage()} ({held} more of the kind were not written)"
            record.args = None
        return True


def set_up(
    stream: TextIO,
    *,
    as_json: bool = False,
    level: int = logging.INFO,
    secrets: Collection[str] = (),
) -> None:
    """Send all logging of the process to a stream.

    Args:
        stream: Usually standard error.
        as_json: One JSON object a line instead of plain text.
        level: Lowest level written.
        secrets: Passwords, tokens and notification addresses, never to be written.
    """
    redact = Redactor(secrets)
    handler = logging.StreamHandler(stream)
    handler.setFormatter(JsonFormatter(redact) if as_json else PlainFormatter(redact))
    handler.addFilter(Repeats())
    root = logging.getLogger()
    for old in root.handlers[:]:
        root.removeHandler(old)
    root.addHandler(handler)
    root.setLevel(level)
    logging.captureWarnings(capture=True)
