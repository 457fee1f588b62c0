"""Another daemon at work on the same topics, noticed by its boot id.

Two daemons that both permit are double control: each bounds only what it permits itself. Which of
the two is right cannot be told from here, so each that hears the other holds. That both hold is
safe; that both permit is not. A permit that somebody forged looks the same and ends the same way.
"""

from dataclasses import dataclass
from math import inf
from typing import Any, Final

import orjson

from bridge.core.events import Message
from bridge.core.settings import Settings

QUIET_S: Final = 60.0
"""Another daemon counts as gone when silent for so long; it gives a sign of life every 2 s."""
LONGEST_LEASE_S: Final = 900.0
"""The longest that a permit may be configured to last."""
GUARD_SUFFIX: Final = "-guard"
"""Ends the boot id in the hold that a broker publishes for a daemon that has died."""
LONGEST_SHOWN: Final = 40


def heartbeat_topic(base_topic: str) -> str:
    """Where a daemon tells itself, and anyone who listens, that its loop is turning."""
    return f"{base_topic}/heartbeat"


@dataclass(frozen=True, slots=True)
class Foreign:
    """What somebody else said on a topic of ours."""

    tank: str | None
    """Whose permit it was; None for a sign of life, which concerns every tank."""
    answer: bool
    """Whether it has to be overwritten with what we say."""


class Rivals:
    """Who else is heard, and for how long that counts.

    Args:
        settings: Whose topics are ours.
        boot_id: Tells our own messages from those of others.
    """

    def __init__(self, settings: Settings, *, boot_id: str) -> None:
        self._boot_id = boot_id
        self._heartbeat = heartbeat_topic(settings.base_topic)
        self._tanks = {f"{settings.base_topic}/{name}/permit": name for name in settings.tanks}
        self._until_s: dict[str | None, float] = {}
        self.topics = (self._heartbeat, f"{settings.base_topic}/+/permit/+")
        """What to listen to beside the readings: our own outputs, as others may publish them."""
        self.told: str | None = None
        """What was heard first, in plain words; None while nobody else is heard."""

    def hear(self, message: Message) -> Foreign | None:
        """Take in what came on one of `topics`; None when nobody else said it."""
        # What was retained may be left over from a run that has ended.
        if message.retained or not message.payload:
            return None
        document = _document(message.payload)
        boot_id = document.get("boot_id")
        if boot_id in (self._boot_id, f"{self._boot_id}{GUARD_SUFFIX}"):
            return None
        if message.topic == self._heartbeat:
            return self._alive(message, boot_id)
        return self._permit(message, boot_id, document)

    def _alive(self, message: Message, boot_id: object) -> Foreign | None:
        # Whoever has no boot id is not one of us.
        if not isinstance(boot_id, str):
            return None
        return self._heard(message, boot_id, Foreign(None, answer=False), QUIET_S)

    def _permit(
        self, message: Message, boot_id: object, document: dict[str, Any]
    ) -> Foreign | None:
        tank = self._tanks.get(message.topic.rpartition("/")[0])
        if tank is None:
            return None
        held = document.get("state") == "hold"
        if held and isinstance(boot_id, str) and boot_id.endswith(GUARD_SUFFIX):
            return None
        return self._heard(message, boot_id, Foreign(tank, answer=not held), _lease_s(document))

    def _heard(
        self, message: Message, boot_id: object, foreign: Foreign, lasts_s: float
    ) -> Foreign:
        until_s = message.at_s + lasts_s
        self._until_s[foreign.tank] = max(until_s, self._until_s.get(foreign.tank, until_s))
        if self.told is None:
            who = f"with boot id {_shown(boot_id)}" if isinstance(boot_id, str) else "without name"
            self.told = f"Somebody {who} has published on {message.topic}"
        return foreign

    def forget(self, at_s: float) -> bool:
        """Let go of those who were quiet for long enough, and tell whether there were any."""
        gone = [tank for tank, until_s in self._until_s.items() if until_s <= at_s]
        for tank in gone:
            del self._until_s[tank]
        if not self._until_s:
            self.told = None
        return bool(gone)

    def concern(self, tank: str) -> bool:
        """Whether somebody else speaks for this tank."""
        return None in self._until_s or tank in self._until_s

    @property
    def wake_at_s(self) -> float:
        """When somebody is forgotten; infinite when nobody is known. [Unix s]."""
        return min(self._until_s.values()) if self._until_s else inf


def _document(payload: bytes) -> dict[str, Any]:
    try:
        document = orjson.loads(payload)
    except orjson.JSONDecodeError:
        return {}
    return document if isinstance(document, dict) else {}


def _lease_s(document: dict[str, Any]) -> float:
    """How long a permit document counts: its sender has to renew it within its lease."""
    lease_s = document.get("lease_s")
    if not isinstance(lease_s, int | float) or not lease_s > QUIET_S:
        return QUIET_S
    return min(float(lease_s), LONGEST_LEASE_S)


def _shown(boot_id: str) -> str:
    # It comes from outside and ends up on a phone.
    text = "".join(letter if letter.isprintable() else "?" for letter in boot_id)
    return text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]}..."
