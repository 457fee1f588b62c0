r"""Captures: MQTT messages as JSON lines, for recording and replay.

One message a line, in the order of time:
``{"time": "2026-03-01T12:00:00.000000Z", "topic": "...", "payload": "...", "retain": false}``.
A payload that is not UTF-8 stands under ``payload_base64`` instead of ``payload``, so that nothing
is lost; a line has one of the two, never both. Other keys are ignored.

The suffix decides about compression: ``.gz`` is gzip, ``.zst`` is Zstandard, anything else none.
Files appear under their name only when they are complete.
"""

import contextlib
import gzip
import io
import os
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Final, Self

import zstandard

from bridge.core.errors import UserError
from bridge.core.events import Message
from bridge.shell.capture_line import fault_of, line_of, read_line

READ_AHEAD: Final = 1 << 18


class CaptureError(UserError):
    """A capture cannot be read or written; the text is for the keeper."""


class CaptureReader:
    """Reads a capture as a stream.

    Args:
        path: The file.
        on_progress: Called now and then with the bytes of the file consumed so far.
    """

    def __init__(self, path: Path, *, on_progress: Callable[[int], None] | None = None) -> None:
        self._path = path
        self._on_progress = on_progress

    def size(self) -> int:
        """Bytes in the file as it is stored.

        Raises:
            CaptureError: There is no such file.
        """
        try:
            return self._path.stat().st_size
        except OSError as error:
            raise CaptureError(f"{self._path}: {error.strerror}.") from error

    def __iter__(self) -> Iterator[Message]:
        """Every message, in the order of the file.

        Raises:
            CaptureError: The file cannot be read, or a line is not a message.
        """
        try:
            with contextlib.ExitStack() as stack:
                raw = stack.enter_context(self._path.open("rb"))
                yield from self._messages(_decompressed(raw, self._path, stack), raw)
        except (OSError, EOFError, zlib.error, zstandard.ZstdError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise CaptureError(f"{self._path}: cannot be read ({reason}).") from error

    def _messages(self, lines: io.BufferedIOBase, raw: BinaryIO) -> Iterator[Message]:
        latest_s = float("-inf")
        for number, line in enumerate(lines, start=1):
            message = read_line(line, latest_s)
            if message is None:
                if not line.strip():
                    continue
                why = fault_of(line, latest_s)
                raise CaptureError(f"{self._path}, line {number}: {why}.")
            latest_s = message.at_s
            yield message
            if number & 0x3FF == 0 and self._on_progress is not None:
                self._on_progress(raw.tell())


class CaptureWriter:
    """Writes a capture; a context manager.

    Args:
        path: Where the file appears once it is complete.
        keep_partial: On an error keep what was written, under ``<name>.partial``; a recording is
            worth keeping, half an output of a computation is not.
    """

    def __init__(self, path: Path, *, keep_partial: bool = False) -> None:
        self._path = path
        self._draft = path.with_name(f"{path.name}.partial")
        self._keep_partial = keep_partial
        self._stack = contextlib.ExitStack()
        self._stream: BinaryIO | None = None
        self.lines = 0

    def __enter__(self) -> Self:
        """Open the draft.

        Raises:
            CaptureError: The file cannot be made.
        """
        if self._path.is_dir():
            raise CaptureError(f"{self._path}: this is a directory; the name of a file is needed.")
        try:
            raw = self._stack.enter_context(
                open(self._draft, "wb", buffering=READ_AHEAD, opener=_for_its_owner)
            )
        except OSError as error:
            raise CaptureError(f"{self._path}: cannot be written ({error.strerror}).") from error
        self._stream = _compressed(raw, self._path, self._stack)
        return self

    def write(self, at_s: float, topic: str, payload: bytes, *, retain: bool) -> None:
        """Append a message. [at_s: Unix s]."""
        self.write_line(line_of(at_s, topic, payload, retain=retain))

    def write_line(self, line: bytes) -> None:
        """Append a message that is a line from `line_of` already."""
        if self._stream is None:
            raise ValueError("the capture is not open")
        try:
            self._stream.write(line)
        except OSError as error:
            raise CaptureError(f"{self._path}: cannot be written ({error.strerror}).") from error
        self.lines += 1

    def flush(self) -> None:
        """Bring what was written so far to the disk's cache."""
        if self._stream is not None:
            self._stream.flush()

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        """Give the complete file its name, or clear up after an error."""
        try:
            self._stack.close()
            if error is None:
                self._draft.replace(self._path)
        except OSError as closing:
            raise CaptureError(
                f"{self._path}: cannot be written ({closing.strerror})."
            ) from closing
        finally:
            self._stream = None
            if error is not None and not self._keep_partial:
                with contextlib.suppress(OSError):
                    self._draft.unlink()


def _for_its_owner(name: str, flags: int) -> int:
    """Commands are recorded as they came, with their secret."""
    return os.open(name, flags, 0o600)


def _decompressed(raw: BinaryIO, path: Path, stack: contextlib.ExitStack) -> io.BufferedIOBase:
    if path.suffix == ".gz":
        opened = stack.enter_context(gzip.GzipFile(fileobj=raw, mode="rb"))
        return stack.enter_context(io.BufferedReader(opened, READ_AHEAD))
    if path.suffix == ".zst":
        return stack.enter_context(io.BufferedReader(_ZstandardFile(raw), READ_AHEAD))
    return raw  # type: ignore[return-value] # Path.open("rb") is buffered


class _ZstandardFile(io.RawIOBase):
    """Decompresses frame after frame; a frame that is cut off is an error.

    The library's own stream reader takes a file that was cut off for one that has ended.
    """

    def __init__(self, raw: BinaryIO) -> None:
        self._raw = raw
        self._frame: zstandard.ZstdDecompressionObj | None = None
        self._ready = memoryview(b"")
        self._rest = b""

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:  # noqa: ANN401 # any writable buffer
        while not self._ready:
            chunk = self._rest or self._raw.read(READ_AHEAD)
            self._rest = b""
            if not chunk:
                if self._frame is not None:
                    raise EOFError("the file was cut off")
                return 0
            if self._frame is None:
                self._frame = zstandard.ZstdDecompressor().decompressobj()
            self._ready = memoryview(self._frame.decompress(chunk))
            if self._frame.eof:
                self._rest = self._frame.unused_data
                self._frame = None
        taken = self._ready[: len(buffer)]
        buffer[: len(taken)] = taken
        self._ready = self._ready[len(taken) :]
        return len(taken)


def _compressed(raw: BinaryIO, path: Path, stack: contextlib.ExitStack) -> BinaryIO:
    if path.suffix == ".gz":
        # Neither name nor time goes in: the same messages must give the same bytes.
        return stack.enter_context(  # type: ignore[return-value]
            gzip.GzipFile(filename="", fileobj=raw, mode="wb", mtime=0)
        )
    if path.suffix == ".zst":
        return stack.enter_context(
            zstandard.ZstdCompressor(level=6).stream_writer(raw, closefd=False)
        )
    return raw
