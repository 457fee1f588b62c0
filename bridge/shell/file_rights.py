"""Whether others on the machine can read the secrets in the configuration file."""

import stat
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from bridge.shell.config import Configuration, Loaded
from bridge.shell.settings_shape import Step

OTHERS: Final = stat.S_IRGRP | stat.S_IROTH


def exposed(loaded: Loaded) -> str | None:
    """A sentence when secrets stand in a file that not only its owner can read; else None."""
    in_file = [
        ".".join(map(str, way))
        for way in _secrets(loaded.configuration)
        if way not in loaded.variables
    ]
    try:
        mode = Path(loaded.file).stat().st_mode
    except OSError:
        # It was read a moment ago; its name may only be shown in another way.
        return None
    if not in_file or not mode & OTHERS:
        return None
    return (
        f"{loaded.file} holds {', '.join(in_file)} and others on this machine may read it: "
        "chmod 600, or keep them in files of their own (docs/configuration.md)"
    )


def _secrets(configuration: Configuration) -> Iterator[tuple[Step, ...]]:
    if configuration.broker.password is not None:
        yield "broker", "password"
    if configuration.command_secret is not None:
        yield ("command_secret",)
    if configuration.page.token is not None:
        yield "page", "token"
    for name in configuration.notify.targets:
        yield "notify", "targets", name, "url"
