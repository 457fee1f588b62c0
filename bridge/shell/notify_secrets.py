"""What in a target's address must never be written to a log."""

import re
from collections.abc import Iterable
from typing import Final
from urllib.parse import unquote

from bridge.shell.logs import Redactor

SHORTEST_PART: Final = 6
"""Shorter parts are ordinary words; blackening them would make the log unreadable."""
DELIMITERS: Final = re.compile(r"[/?&=:@,;#+ ]+")


def secrets_of(url: str) -> set[str]:
    """The address and every part of it that could be a password, token or private name."""
    parts = {part for part in DELIMITERS.split(url.partition("://")[2]) if part}
    parts |= {unquote(part) for part in parts}
    long_ones = {part for part in parts if len(part) >= SHORTEST_PART}
    return {url, unquote(url), *long_ones}


def redactor_for(urls: Iterable[str]) -> Redactor:
    """Blackens those addresses and their parts in a text."""
    return Redactor([secret for url in urls for secret in secrets_of(url)])
