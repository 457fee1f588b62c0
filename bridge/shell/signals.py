"""Ends what is running when the operating system or the keeper asks for it."""

import signal
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType


@contextmanager
def stopping(stop: Callable[[], None]) -> Iterator[None]:
    """Call ``stop`` on SIGTERM and on Ctrl-C, for as long as the block runs."""

    def handle(_number: int, _frame: FrameType | None) -> None:
        stop()

    before = {number: signal.signal(number, handle) for number in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
