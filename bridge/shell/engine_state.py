"""The engine's memory as bytes, for the history to keep over a restart."""

import json
import logging
from collections.abc import Callable
from functools import cache
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from bridge.core.engine import Engine, EngineState
from bridge.shell.compiled_types import restore

log = logging.getLogger(__name__)


@cache
def _adapter() -> TypeAdapter[EngineState]:
    restore(EngineState)
    return TypeAdapter(EngineState)


def packed(state: EngineState) -> bytes:
    """The state as JSON."""
    # pydantic's own dump_json, like orjson, writes null for infinity, which does not read back.
    return json.dumps(_adapter().dump_python(state, mode="json"), separators=(",", ":")).encode()


def resumed(
    data: bytes | None, make: Callable[[EngineState | None], Engine], *, aside: Path
) -> Engine:
    """The engine with its memory, or a fresh one when this version cannot use that.

    A daemon that has forgotten everything starts from hold and learns anew, which is safe; one
    that refuses to start is not.

    Args:
        data: From `packed`; None for nothing.
        make: Makes the engine.
        aside: Where a memory that cannot be used is kept.
    """
    if data is None:
        return make(None)
    try:
        return make(_adapter().validate_json(data))
    except Exception as error:  # noqa: BLE001 # whatever it stumbles over, it must start
        kept = _set_aside(data, aside)
        why = (
            f"{error.error_count()} of its values are not understood"
            if isinstance(error, ValidationError)
            else f"{type(error).__name__}: {error}"
        )
        log.warning(
            "What was learned before cannot be used (%s); learning starts anew. %s", why, kept
        )
        return make(None)


def _set_aside(data: bytes, aside: Path) -> str:
    try:
        aside.write_bytes(data)
    except OSError as error:
        return f"It could not be kept as {aside} ({error})."
    return f"It is kept as {aside}."
