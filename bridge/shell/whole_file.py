"""Files that are there whole or not at all."""

from pathlib import Path

from bridge.core.errors import UserError


def write_whole(path: Path, content: bytes) -> None:
    """Write a file; an interruption leaves the old one, or none.

    Raises:
        UserError: It cannot be written.
    """
    partial = path.with_name(path.name + ".partial")
    try:
        partial.write_bytes(content)
        partial.replace(path)
    except OSError as error:
        raise UserError(f"{path}: cannot be written: {error.strerror}") from error
