"""One message to one target, through Apprise.

Apprise is imported only here, and only when something is to be sent. It writes a malformed address
in full to the log, so its log is not let out; what it says about a failure is returned, blackened.
"""

import logging
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Any, Final

from bridge.shell.notify_secrets import redactor_for
from bridge.shell.notify_text import Message

CALL_S: Final = 20.0
"""Longest time of one attempt."""
DELIVERY_MARK: Final = "{delivery}"
"""Stands in an address for the name of the delivery, the same for every attempt."""
LONGEST_REASON: Final = 300
TELLING: Final = frozenset({"WARNING", "ERROR", "CRITICAL"})
"""Levels at which Apprise says why something failed."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of an attempt."""

    ok: bool
    reason: str = ""
    """Why not, without secrets."""


def send(
    url: str,
    message: Message,
    *,
    delivery: str,
    chart: Path | None = None,
    within_s: float = CALL_S,
) -> Outcome:
    """Try to deliver; waits for the service at most `within_s` or little longer. Never raises."""
    redact = redactor_for([url])
    try:
        sent = _send(url, message, delivery, chart, within_s)
    except Exception as error:  # noqa: BLE001 # a fault in one service must not stop the others
        return Outcome(ok=False, reason=redact(f"{type(error).__name__}: {error}")[:LONGEST_REASON])
    return Outcome(sent.ok, redact(sent.reason)[:LONGEST_REASON])


def understood(url: str) -> bool:
    """Whether Apprise can make anything of an address."""
    apprise = _apprise()
    return apprise.Apprise.instantiate(url.replace(DELIVERY_MARK, "check")) is not None


def _send(
    url: str, message: Message, delivery: str, chart: Path | None, within_s: float
) -> Outcome:
    apprise = _apprise()
    asset = apprise.AppriseAsset(
        app_id="Tidegate", app_desc="Tidegate", secure_logging=True, async_mode=False
    )
    service = apprise.Apprise(asset=asset)
    if not service.add(url.replace(DELIVERY_MARK, delivery)):
        return Outcome(ok=False, reason="Apprise does not understand the address")
    result = service.notify(
        title=message.title,
        body=message.body,
        notify_type=apprise.NotifyType(message.tone.value),
        body_format=apprise.NotifyFormat.TEXT,
        # A missing file would fail the whole message.
        attach=str(chart) if chart is not None and chart.is_file() else None,
        timeout=within_s,
    )
    if result:
        return Outcome(ok=True)
    said = [entry.message for entry in result.logs() if entry.level in TELLING]
    return Outcome(ok=False, reason=" ".join(said) or f"no success ({result.status.name.lower()})")


def _apprise() -> Any:  # noqa: ANN401 # the library has no types
    for name in ("apprise", "urllib3", "requests"):
        logger = logging.getLogger(name)
        logger.propagate = False
        if not logger.handlers:
            logger.addHandler(logging.NullHandler())
    return import_module("apprise")
