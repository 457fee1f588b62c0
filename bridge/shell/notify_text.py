"""The words of one message to a phone, made of everything that is to be told at that moment."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from bridge.core.outputs import Priority

FULL_ITEMS: Final = 3
"""Told with their whole text; a lock screen shows little more than the first anyway."""
NAMED_ITEMS: Final = 6
"""Told at least with their title; more are counted."""
CAUTION: Final = " Caution: "
"""Begins the last sentences of an alarm's body (`bridge.core.alarm_text.body`)."""


class Tone(StrEnum):
    """How urgent a message looks; the words are Apprise's."""

    FAILURE = "failure"
    WARNING = "warning"
    INFO = "info"
    SUCCESS = "success"


TONE: Final = {
    Priority.HIGH: Tone.FAILURE,
    Priority.MEDIUM: Tone.WARNING,
    Priority.LOW: Tone.INFO,
}


@dataclass(frozen=True, slots=True)
class Item:
    """One thing to tell."""

    title: str
    body: str
    tone: Tone
    tank: str = ""
    """Whose chart illustrates it; empty for none."""


@dataclass(frozen=True, slots=True)
class Message:
    """What a phone shows."""

    title: str
    body: str
    tone: Tone
    tank: str = ""
    report_s: tuple[float, float] | None = None
    """Begin and end of the report that goes along, as a picture. [Unix s]"""


def compose(items: Sequence[Item]) -> Message:
    """One message of one or more items, the most important one first."""
    lead, *others = items
    title = f"{lead.title.rstrip('.')} (and {len(others)} more)" if others else lead.title
    body, _, caution = lead.body.partition(CAUTION)
    parts = [body]
    named: list[str] = []
    for place, item in enumerate(others, start=1):
        if place < FULL_ITEMS:
            text, _, another = item.body.partition(CAUTION)
            # One caution a message: a wall of warnings is read by nobody.
            caution = caution or another
            parts.append(f"{item.title.rstrip('.')}. {text}".strip())
        elif place < NAMED_ITEMS:
            named.append(item.title.rstrip("."))
    uncounted = len(others) + 1 - NAMED_ITEMS
    if uncounted > 0:
        named.append(f"{uncounted} more")
    if named:
        parts.append(f"Also: {'; '.join(named)}.")
    if caution:
        parts.append(f"{CAUTION.strip()} {caution}")
    # A single alarm stays one paragraph.
    joint = "\n\n" if others else " "
    return Message(title, joint.join(part for part in parts if part), lead.tone, lead.tank)
