"""The life of an alarm, as a table after ISA-18.2 / IEC 62682, and the delays in front of it.

Two memories are kept apart: whether the condition stands (``active``), and whether somebody has
seen it (``acknowledged``). Taking an alarm out of service for good is left out on purpose: a
shelf ends by itself.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from bridge.core.alarm_catalogue import AlarmKind


class AlarmPhase(StrEnum):
    """Where an alarm stands."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned-unacknowledged"
    """The condition is over, but a latched alarm waits to be seen."""
    SHELVED = "shelved"
    """Silenced by the keeper, for a time."""
    SUPPRESSED = "suppressed"
    """Silenced by design: service, a lost broker, or another alarm that explains it."""


class AlarmEvent(StrEnum):
    """What happens to an alarm."""

    RAISE = "raise"
    CLEAR = "clear"
    CLEAR_LATCHED = "clear-latched"
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    SUPPRESS = "suppress"
    RELEASE_UNACKNOWLEDGED = "release-unacknowledged"
    """End of shelf or suppression: the condition stands, and nobody has seen it."""
    RELEASE_ACKNOWLEDGED = "release-acknowledged"
    RELEASE_RETURNED = "release-returned"
    RELEASE_NORMAL = "release-normal"
    RELEASE_SHELVED = "release-shelved"
    """End of suppression while the shelf still lasts."""


def _transitions() -> dict[AlarmPhase, dict[AlarmEvent, AlarmPhase]]:
    normal, unseen, seen = AlarmPhase.NORMAL, AlarmPhase.UNACKNOWLEDGED, AlarmPhase.ACKNOWLEDGED
    returned, shelf, quiet = AlarmPhase.RETURNED, AlarmPhase.SHELVED, AlarmPhase.SUPPRESSED
    # One column an event, in the order of AlarmEvent. A phase that is not left is repeated.
    rows = {
        #         RAISE   CLEAR   LATCH     ACK     SHELVE SUPPR. R:UN    R:ACK  R:RET     R:NORM
        normal: (unseen, normal, normal, normal, shelf, normal, normal, normal, normal, normal),
        unseen: (unseen, normal, returned, seen, shelf, quiet, unseen, unseen, unseen, unseen),
        seen: (unseen, normal, normal, seen, shelf, quiet, seen, seen, seen, seen),
        returned: (unseen, returned, returned, normal, shelf, quiet, *([returned] * 4)),
        shelf: (shelf, shelf, shelf, shelf, shelf, quiet, unseen, seen, returned, normal),
        quiet: (quiet, quiet, quiet, quiet, quiet, quiet, unseen, seen, returned, normal),
    }
    released_to_shelf = {quiet: shelf, shelf: shelf}
    return {
        phase: dict(zip(AlarmEvent, (*row, released_to_shelf.get(phase, phase)), strict=True))
        for phase, row in rows.items()
    }


TRANSITIONS: Final[Mapping[AlarmPhase, Mapping[AlarmEvent, AlarmPhase]]] = _transitions()
SILENCED: Final = frozenset({AlarmPhase.SHELVED, AlarmPhase.SUPPRESSED})


@dataclass(slots=True)
class AlarmState:
    """The persistent part of one alarm."""

    phase: AlarmPhase = AlarmPhase.NORMAL
    condition: bool = False
    """As last judged, before the delays."""
    changed_at_s: float = 0.0
    """When the condition last changed."""
    active: bool = False
    acknowledged: bool = True
    since_s: float = 0.0
    """When it was raised."""
    shelved_until_s: float | None = None
    waiting: bool = False
    """Suppressed before it was raised: its delay is still ahead when that ends."""
    eased: bool = False
    """It does no harm so far, and has a lower priority."""
    shown: str = ""
    """What the newest document, or record, said of it."""
    on_broker: bool = False
    """Whether a retained document has to be deleted some day."""

    def judge(self, at_s: float, *, condition: bool) -> None:
        """Take in whether the condition is present now."""
        if condition is not self.condition:
            self.condition = condition
            self.changed_at_s = at_s

    def due_at_s(self, kind: AlarmKind) -> float | None:
        """When the delay in front of the next raise or clear is over; None when none runs."""
        if self.condition is self.active:
            return None
        return self.changed_at_s + (kind.on_delay_s if self.condition else kind.off_delay_s)

    @property
    def summary(self) -> str:
        """Everything about it that is worth a new document."""
        if self.phase is AlarmPhase.NORMAL:
            return ""
        seen = "seen" if self.acknowledged else "unseen"
        present = "active" if self.active else "gone"
        eased = " eased" if self.eased else ""
        return f"{self.phase} {present} {seen} {self.since_s} {self.shelved_until_s}{eased}"

    def happen(self, event: AlarmEvent) -> None:
        """Move by the table."""
        self.phase = TRANSITIONS[self.phase][event]

    def clear(self, kind: AlarmKind) -> None:
        """The condition is over."""
        self.active = False
        if not kind.latched:
            self.acknowledged = True
        self.happen(
            AlarmEvent.CLEAR_LATCHED if kind.latched and not self.acknowledged else AlarmEvent.CLEAR
        )

    def release(self, at_s: float) -> None:
        """A shelf or a suppression ends; go where the two memories say."""
        if self.shelved_until_s is not None and at_s >= self.shelved_until_s:
            self.shelved_until_s = None
        if self.shelved_until_s is not None:
            self.happen(AlarmEvent.RELEASE_SHELVED)
        elif self.active:
            self.happen(
                AlarmEvent.RELEASE_ACKNOWLEDGED
                if self.acknowledged
                else AlarmEvent.RELEASE_UNACKNOWLEDGED
            )
        else:
            self.happen(
                AlarmEvent.RELEASE_NORMAL if self.acknowledged else AlarmEvent.RELEASE_RETURNED
            )
