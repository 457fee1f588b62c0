"""A connection without a network thread: whoever decides also reads and writes.

A message then changes threads nowhere on its way from the socket to the answer. Only connecting,
which may wait for a name, a route or a certificate for seconds, is done in a thread of its own that
ends with it. This is paho's documented way for an external event loop: ``loop_read``,
``loop_write`` and ``loop_misc``, with ``on_socket_register_write`` to say that writing is ours.

A caller that hangs sends no sign of life any more, so the broker publishes the will.
"""

import contextlib
import select
import socket
import threading
import time
from typing import Any, Final

from bridge.shell.session import Session

SIGNS_OF_LIFE_EVERY_S: Final = 0.5
"""Between two looks whether a sign of life is due; whole seconds are agreed with the broker."""

LONGEST_WAIT_S: Final = 0.02
"""For the end of a connection, between two looks."""

CORK: Final[int | None] = getattr(socket, "TCP_CORK", None)
"""Linux: what is written meanwhile leaves in as few segments as it fits into."""


class DrivenSession(Session):
    """Everything but `start` is for one thread: the one that drives it."""

    def __init__(self, *arguments: Any, **options: Any) -> None:  # noqa: ANN401 # of `Session`
        super().__init__(*arguments, **options)
        self._client.on_socket_register_write = _nothing
        self._handed_over = False
        self._next_sign_at = 0.0

    @property
    def thread_lives(self) -> bool:
        """Who asks is the thread."""
        return True

    def start(self) -> None:
        """Begin to connect, in a thread of its own. Never raises because of the network."""
        threading.Thread(target=self._open, name="tidegate-connect", daemon=True).start()

    def _open(self) -> None:
        try:
            self._prepare()
            self._client.reconnect()
        except Exception:  # noqa: BLE001 # whatever it is, it ends the attempt and nothing else
            self._connect_failed(self._client, None)
        if self._unwanted:
            # Nobody may wait for this one any more.
            self._end_with("the connection was ended")
        self._handed_over = True
        self._on_change()

    @property
    def fileno(self) -> int | None:
        """Of the open socket, once it is this thread's; to wait for it."""
        opened = self._client.socket() if self._handed_over else None
        return None if opened is None or opened.fileno() < 0 else opened.fileno()

    @property
    def unread(self) -> bool:
        """Whether an encrypted connection holds bytes that the socket does not show any more."""
        pending = getattr(self._client.socket(), "pending", None)
        return pending is not None and pending() > 0

    @property
    def unwritten(self) -> bool:
        """Whether something waits for room in the socket."""
        return self._client.want_write()

    def read(self, longest_s: float) -> bool:
        """Take what has come, and tell it to the callbacks.

        Args:
            longest_s: A flood must not keep its reader from deciding. [s]

        Returns:
            Whether everything was read.
        """
        number = self.fileno
        if number is None:
            return True
        poll = select.poll()
        poll.register(number, select.POLLIN)
        ends_at = self._monotonic() + longest_s
        try:
            while self._client.socket() is not None and (self.unread or poll.poll(0)):
                self._client.loop_read()
                if self._monotonic() >= ends_at:
                    return False
        except Exception as error:  # noqa: BLE001 # as its thread would have ended
            self._break(error)
        return True

    def write(self) -> None:
        """Send what waits, as far as the socket takes it."""
        opened = self._client.socket()
        if self.fileno is None or opened is None or not self._client.want_write():
            return
        try:
            with contextlib.suppress(OSError):
                _cork(opened, closed=True)
            self._client.loop_write()
            with contextlib.suppress(OSError):
                _cork(opened, closed=False)
        except Exception as error:  # noqa: BLE001 # as its thread would have ended
            self._break(error)

    def give_sign_of_life(self) -> None:
        """Ping the broker when that is due, and notice when it does not answer."""
        now = self._monotonic()
        if now < self._next_sign_at or self.fileno is None:
            return
        self._next_sign_at = now + SIGNS_OF_LIFE_EVERY_S
        try:
            self._client.loop_misc()
        except Exception as error:  # noqa: BLE001 # as its thread would have ended
            self._break(error)

    def end(self, *, with_will: bool) -> None:
        """End the connection; see `Session.end`."""
        super().end(with_will=with_will)
        self.write()

    def join(self, timeout_s: float) -> bool:
        """Drive it to its end; cut it when it does not come in time."""
        deadline = time.monotonic() + timeout_s
        while not self._finished.is_set() and (left_s := deadline - time.monotonic()) > 0.0:
            if self.fileno is None:
                # Still being opened, by the other thread.
                self._finished.wait(left_s)
                continue
            self.write()
            self.wait(min(LONGEST_WAIT_S, left_s))
            self.read(left_s)
        ended = self._finished.is_set()
        if not ended:
            self._cut()
            if self._handed_over:
                self._end_with("the connection was ended")
        return ended

    def wait(self, timeout_s: float) -> None:
        """Until something can be read."""
        number = self.fileno
        if number is not None:
            poll = select.poll()
            poll.register(number, select.POLLIN)
            poll.poll(1000.0 * timeout_s)

    def _let_go(self) -> None:
        super()._let_go()
        self._client.on_socket_register_write = None

    def _break(self, error: Exception) -> None:
        """An error in the library: this connection is over, the next one will be made."""
        self._counters.callback_errors += 1
        self._complaints.tell("network", "The network library failed.", error=error)
        self._cut()
        self._end_with("the network library failed")


def _nothing(*_: object) -> None:
    """What waits to be written is written by whoever drives the session."""


def _cork(opened: Any, *, closed: bool) -> None:  # noqa: ANN401 # any of paho's sockets
    if CORK is not None:
        opened.setsockopt(socket.IPPROTO_TCP, CORK, int(closed))
