"""The engine's memory as bytes, for the history to keep over a restart."""

import logging
from functools import cache

from pydantic import TypeAdapter, ValidationError

from bridge.core.engine import EngineState

log = logging.getLogger(__name__)


@cache
def _adapter() -> TypeAdapter[EngineState]:
    return TypeAdapter(EngineState)


def packed(state: EngineState) -> bytes:
    """The state as JSON."""
    return _adapter().dump_json(state)


def unpacked(data: bytes | None) -> EngineState | None:
    """The state, or None when there is none that this version understands.

    A daemon that has forgotten everything starts from hold and learns anew, which is safe; one
    that refuses to start is not.
    """
    if data is None:
        return None
    try:
        return _adapter().validate_json(data)
    except ValidationError as error:
        log.warning(
            "What was learned before cannot be used (%d problems); learning starts anew.",
            error.error_count(),
        )
        return None
