"""Things that went wrong or were given up, counted so that nothing is lost in silence."""

import dataclasses
import logging
import time
from collections.abc import Callable
from dataclasses import dataclass

log = logging.getLogger(__name__)


@dataclass(slots=True)
class Counters:
    """Totals since the start of the process.

    Each field is written by one thread only; readers may see a value that is one behind.
    """

    messages_received: int = 0
    messages_dropped: int = 0
    """Readings that the inbox gave up because the decision loop could not keep pace."""
    messages_cut: int = 0
    """Payloads cut short because of their size; the engine still sees them as too large."""
    permits_withheld: int = 0
    """Perishable messages not sent: no link, or too old when their turn came."""
    outbox_dropped: int = 0
    """Messages given up while the broker was away, beyond the newest of each topic."""
    publishes_refused: int = 0
    """Messages that the broker acknowledged with a refusal."""
    connections: int = 0
    callback_errors: int = 0
    engine_errors: int = 0
    sink_errors: int = 0
    guard_trips: int = 0
    stalls: int = 0

    def as_dict(self) -> dict[str, int]:
        """All totals by name, in the order of definition."""
        return dataclasses.asdict(self)


class Complaints:
    """Logs one kind of trouble at most once in a while, and says how often it was silent."""

    def __init__(
        self, *, pause_s: float = 60.0, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self._pause_s = pause_s
        self._monotonic = monotonic
        self._next_at: dict[str, float] = {}
        self._silent: dict[str, int] = {}

    def tell(self, kind: str, sentence: str, *, error: BaseException | None = None) -> None:
        """Log the sentence, unless the same kind was logged a moment ago."""
        now = self._monotonic()
        if now < self._next_at.get(kind, 0.0):
            self._silent[kind] = self._silent.get(kind, 0) + 1
            return
        self._next_at[kind] = now + self._pause_s
        silent = self._silent.pop(kind, 0)
        more = f" ({silent} more of the kind since the last report)" if silent else ""
        log.error("%s%s", sentence, more, exc_info=error)
