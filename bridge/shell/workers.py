"""Where pieces are judged: in processes of this machine, or on a Dask cluster.

Both take the very same function and data, and give the same results.
"""

from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from typing import Final

from bridge.core.errors import UserError
from bridge.shell.pieces import Job, Piece, judge

AHEAD: Final = 2
"""Pieces handed out for each that is worked on, so that no worker waits; the rest stay on disk."""
ACCEPTED_SCHEMES: Final = ("tcp://", "tls://")
CONNECT_WITHIN_S: Final = 10.0


@dataclass(frozen=True, slots=True)
class Workers:
    """Something that judges pieces."""

    submit: Callable[[Job, bytes], "Future[bytes]"]
    width: int
    """How many it judges at a time."""


@contextmanager
def processes(count: int) -> Iterator[Workers]:
    """Workers on this machine.

    Args:
        count: How many; more than there are processors gains nothing.
    """
    # Started afresh rather than forked: nothing of this process is to be found in them.
    with ProcessPoolExecutor(count, mp_context=get_context("spawn")) as pool:
        yield Workers(lambda job, data: pool.submit(judge, job, data), count)


@contextmanager
def cluster(address: str) -> Iterator[Workers]:
    """Workers of a Dask cluster, each with this version of Tidegate installed.

    Args:
        address: Of its scheduler, for instance ``tcp://192.0.2.7:8786``.

    Raises:
        UserError: It cannot be reached, has no workers, or Dask is not installed here.
    """
    if not address.startswith(ACCEPTED_SCHEMES):
        # Dask itself may wait for ever over an address that it cannot read.
        raise UserError(
            f"--scheduler: {address} cannot be reached (neither {' nor '.join(ACCEPTED_SCHEMES)} "
            "begins it); an address such as tcp://192.0.2.7:8786 is accepted"
        )
    try:
        from distributed import Client  # noqa: PLC0415 - an extra, and slow to import
    except ImportError:
        raise UserError(
            "--scheduler needs Dask; install Tidegate with its extra: pip install '.[cluster]'"
        ) from None
    try:
        client = Client(address, timeout=CONNECT_WITHIN_S, set_as_default=False)
    except Exception as error:  # whatever Dask stumbles over, there is no scheduler
        why = (str(error).splitlines() or [type(error).__name__])[0]
        raise UserError(
            f"--scheduler: {address} cannot be reached ({why}); "
            "an address such as tcp://192.0.2.7:8786 is accepted"
        ) from error
    with client, client.get_executor() as executor:
        width = sum(client.nthreads().values())
        if not width:
            raise UserError(f"--scheduler: {address} has no workers yet")
        yield Workers(
            # Scattered first: a large piece has no place inside the description of a task.
            lambda job, data: executor.submit(judge, job, client.scatter(data, hash=False)),
            width,
        )


def judge_all(
    pieces: Iterable[tuple[Job, Piece]],
    workers: Workers,
    *,
    on_progress: Callable[[int], None] = lambda _messages: None,
) -> None:
    """Judge every piece, and leave each result in the place of its piece.

    Args:
        pieces: The long ones first, or the last to be handed out is waited for.
        workers: Who does it.
        on_progress: Told the messages of each piece that is done.
    """
    handed_out: dict[Future[bytes], Piece] = {}

    def take_in(*, at_most: int) -> None:
        while len(handed_out) > at_most:
            for future in wait(handed_out, return_when=FIRST_COMPLETED).done:
                piece = handed_out.pop(future)
                piece.path.write_bytes(future.result())
                on_progress(piece.messages)

    try:
        for job, piece in pieces:
            handed_out[workers.submit(job, piece.path.read_bytes())] = piece
            take_in(at_most=workers.width * AHEAD - 1)
        take_in(at_most=0)
    finally:
        for future in handed_out:
            future.cancel()
