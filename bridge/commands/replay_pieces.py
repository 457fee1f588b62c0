"""``tidegate replay`` of many tanks or captures: in pieces, side by side."""

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from rich.console import Console
from rich.progress import Progress

from bridge.core.errors import UserError
from bridge.core.settings import Settings
from bridge.shell.capture import CaptureError, CaptureReader, CaptureWriter
from bridge.shell.pieces import Split
from bridge.shell.workers import cluster, judge_all, processes

MOST_JOBS = 256


def replay_in_pieces(
    inputs: list[Path], output: Path, *, settings: Settings, jobs: int, scheduler: str | None
) -> int:
    """Judge captures tank by tank, and say how much there was.

    Args:
        inputs: Captures, each of which stands for itself.
        output: The file for the only one, or a directory for several.
        settings: The engine's.
        jobs: Processes on this machine.
        scheduler: Address of a Dask scheduler, whose workers do it instead.

    Raises:
        UserError: Something that was given cannot be used.
    """
    if not 1 <= jobs <= MOST_JOBS:
        raise UserError(f"--jobs is {jobs}; 1 to {MOST_JOBS} is accepted")
    outputs = _outputs(inputs, output)
    total_bytes = sum(CaptureReader(each).size() for each in inputs)
    workers = processes(jobs) if scheduler is None else cluster(scheduler)
    # Beside the output, where there has to be room anyway.
    with (
        workers as those,
        _temporary(output if len(inputs) > 1 else output.parent) as directory,
        _bars() as bar,
    ):
        splits = []
        read = bar("Taking apart", total_bytes)
        for number, source in enumerate(inputs):
            (directory / str(number)).mkdir()
            before = sum(CaptureReader(each).size() for each in inputs[:number])
            reader = CaptureReader(source, on_progress=_onwards(read, before))
            splits.append(Split(reader, settings, directory / str(number)))
        read(total_bytes)
        pieces = [each for split in splits for each in split.jobs()]
        pieces.sort(key=lambda each: -each[1].messages)
        judged, progress = 0, bar("Judging", sum(piece.messages for _, piece in pieces))

        def add(messages: int) -> None:
            nonlocal judged
            judged += messages
            progress(judged)

        judge_all(pieces, those, on_progress=add)
        put_together = bar("Putting together", len(splits))
        for number, (split, target) in enumerate(zip(splits, outputs, strict=True)):
            with CaptureWriter(target) as writer:
                for line in split.joined(piece.path for piece in split.pieces.values()):
                    writer.write_line(line)
            put_together(number + 1)
            sys.stderr.write(
                f"{split.taken} messages taken, {writer.lines} published, in {target}.\n"
            )
    return 0


def _onwards(read: Callable[[float], None], before: int) -> Callable[[int], None]:
    return lambda here: read(before + here)


def _outputs(inputs: list[Path], output: Path) -> list[Path]:
    if len(inputs) == 1:
        return [output]
    if not output.is_dir():
        raise UserError(f"--output: {output} is no directory; several captures need one")
    outputs = [output / source.name for source in inputs]
    if len(set(outputs)) != len(outputs):
        raise UserError("--input: two captures have the same name, and so would their outputs")
    for source, target in zip(inputs, outputs, strict=True):
        if target.exists() and target.samefile(source):
            raise UserError(f"--output: {output} is where {source.name} comes from; take another")
    return outputs


@contextmanager
def _temporary(beside: Path) -> Iterator[Path]:
    try:
        holder = TemporaryDirectory(prefix="tidegate-pieces-", dir=beside)
    except OSError as error:
        raise CaptureError(f"{beside}: cannot be written ({error.strerror}).") from error
    with holder as directory:
        yield Path(directory)


@contextmanager
def _bars() -> Iterator[Callable[[str, float], Callable[[float], None]]]:
    """Bars on a terminal, nothing elsewhere."""
    if not sys.stderr.isatty():
        yield lambda _title, _total: lambda _done: None
        return
    with Progress(console=Console(stderr=True), transient=True) as progress:

        def bar(title: str, total: float) -> Callable[[float], None]:
            task = progress.add_task(title, total=total)
            return lambda done: progress.update(task, completed=done)

        yield bar
