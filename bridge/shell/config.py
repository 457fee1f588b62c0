"""The keeper's configuration: one TOML file, with the environment laid over it.

A section is one field of :class:`Configuration`: a frozen dataclass whose annotations carry the
limits and whose ``__post_init__`` refuses what cannot go together.
"""

import json
import os
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, ClassVar, Final

from pydantic import ValidationError

from bridge.core.settings import FORBID_UNKNOWN, Settings
from bridge.shell.broker_settings import BrokerSettings
from bridge.shell.config_checks import adapter, check
from bridge.shell.config_problems import (
    ConfigurationError,
    Problem,
    line,
    prepared,
    printable,
    translated,
)
from bridge.shell.dashboards.settings import DashboardSettings
from bridge.shell.metrics_settings import MetricsSettings
from bridge.shell.notify_settings import NotifySettings
from bridge.shell.overlay import overlay, read_secret
from bridge.shell.page_settings import PageSettings
from bridge.shell.settings_shape import Step
from bridge.shell.shares import Share
from bridge.shell.storage_settings import StorageSettings

LARGEST_FILE_BYTES: Final = 16 * 2**20
DEEPEST_NESTING: Final = 16
"""Far more than any key needs, and far less than Python's own limit on recursion."""
TOO_DEEP: Final = "{file}: lists or tables are nested too deeply; no setting needs that"


@dataclass(frozen=True, slots=True, kw_only=True)
class Configuration(Settings):
    """What the engine needs, and what the shell needs around it."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    shares: dict[str, Share] = field(default_factory=dict)
    """Where several daemons look after the tanks, which has which; empty where one has all."""
    share: str | None = None
    """Which of them is this daemon's."""
    broker: BrokerSettings
    storage: StorageSettings = field(default_factory=StorageSettings)
    metrics: MetricsSettings = field(default_factory=MetricsSettings)
    page: PageSettings = field(default_factory=PageSettings)
    notify: NotifySettings = field(default_factory=NotifySettings)
    dashboards: DashboardSettings = field(default_factory=DashboardSettings)


@dataclass(frozen=True, slots=True)
class Loaded:
    """A configuration and where it came from."""

    configuration: Configuration
    file: str
    variables: Mapping[tuple[Step, ...], str]
    """Environment variable that set a key."""


def load(path: str | Path, environment: Mapping[str, str] | None = None) -> Configuration:
    """Read, complete and check a configuration file.

    Args:
        path: The TOML file.
        environment: Environment variables; left out, those of this process.

    Raises:
        ConfigurationError: it cannot be used, or describes several daemons without saying which
            is meant; the text holds one line for each problem.
    """
    return for_one_daemon(load_site(path, environment))


def load_site(path: str | Path, environment: Mapping[str, str] | None = None) -> Configuration:
    """As :func:`load`, and also the whole of a site whose tanks are shared among daemons."""
    return load_with_sources(path, environment).configuration


def load_with_sources(
    path: str | Path, environment: Mapping[str, str] | None = None, *, share: str | None = None
) -> Loaded:
    """As :func:`load`, and tell which keys the environment has set.

    Args:
        path: The TOML file.
        environment: Environment variables; left out, those of this process.
        share: Goes before the key of that name.
    """
    loaded = _read(path, environment)
    if share is not None and share not in loaded.configuration.shares:
        known = ", ".join(loaded.configuration.shares)
        accepted = f"accepted are {known}" if known else f"{loaded.file} has no [shares.<name>]"
        raise ConfigurationError([f"--share: there is no share '{printable(share)}'; {accepted}"])
    return replace(loaded, configuration=_narrowed(loaded.configuration, share))


def _narrowed(configuration: Configuration, share: str | None) -> Configuration:
    """What is left for the daemon of one share; everything when no share was named."""
    name = share if share is not None else configuration.share
    if name is None:
        return configuration

    def own(path: str) -> str:
        """A file of the share's own beside the one that is configured."""
        return str(Path(path).with_stem(f"{Path(path).stem}-{name}"))

    return replace(
        configuration,
        share=name,
        tanks={
            each: tank
            for each, tank in configuration.tanks.items()
            if each in configuration.shares[name].tanks
        },
        base_topic=f"{configuration.base_topic}/{name}",
        broker=replace(configuration.broker, client_id=f"{configuration.broker.client_id}-{name}"),
        storage=replace(configuration.storage, path=own(configuration.storage.path)),
        notify=replace(configuration.notify, path=own(configuration.notify.path)),
    )


def for_one_daemon(configuration: Configuration) -> Configuration:
    """The configuration, if it is that of a single daemon.

    Raises:
        ConfigurationError: The tanks are shared, and it was not said which share is meant.
    """
    if configuration.shares and configuration.share is None:
        names = ", ".join(configuration.shares)
        raise ConfigurationError(
            [f"the tanks are shared among {names}; say which with --share or TIDEGATE_SHARE"]
        )
    return configuration


def _read(path: str | Path, environment: Mapping[str, str] | None) -> Loaded:
    return parse(
        _content(Path(path)),
        file=printable(str(path)),
        environment=os.environ if environment is None else environment,
    )


def parse(
    content: bytes,
    *,
    file: str,
    environment: Mapping[str, str],
    read: Callable[[str], str] = read_secret,
) -> Loaded:
    """Check the content of a configuration file.

    Args:
        content: The file's bytes.
        file: How messages name the file.
        environment: Environment variables.
        read: Reads the file that a ``_FILE`` variable names.

    Raises:
        ConfigurationError: it cannot be used; the text holds one line for each problem.
    """
    overlaid = overlay(Configuration, _document(content, file), environment, read)
    document, problems = prepared(Configuration, overlaid.raw)
    configuration = None
    try:
        configuration = adapter(Configuration).validate_json(json.dumps(document), strict=True)
    except ValidationError as error:
        problems += translated(Configuration, document, error)
    problems = [*overlaid.problems, *problems]
    reported = {problem.steps for problem in problems}
    # What is wrong by itself need not be told a second time as not fitting something else.
    problems += [
        problem
        for problem in check(Configuration, document)
        if not any(problem.steps[: len(steps)] == steps for steps in reported if steps)
    ]
    if problems or configuration is None:
        raise ConfigurationError(_lines(problems, file, overlaid.raw, overlaid.variables))
    return Loaded(configuration, file, overlaid.variables)


def _lines(
    problems: list[Problem],
    file: str,
    raw: Mapping[str, Any],
    variables: Mapping[tuple[Step, ...], str],
) -> list[str]:
    lines = (
        line(problem, file=file, root=Configuration, raw=raw, variables=variables)
        for problem in problems
    )
    return list(dict.fromkeys(lines))


def _content(path: Path) -> bytes:
    name = printable(str(path))
    try:
        with path.open("rb") as file:
            content = file.read(LARGEST_FILE_BYTES + 1)
    except OSError as error:
        why = os.strerror(error.errno) if error.errno else str(error)
        raise ConfigurationError([f"{name}: the file cannot be read: {why}"]) from None
    except ValueError:
        # A name with a NUL in it is refused before the operating system is asked.
        raise ConfigurationError([f"{name}: this cannot be the name of a file"]) from None
    if len(content) > LARGEST_FILE_BYTES:
        raise ConfigurationError([f"{name}: the file is longer than {LARGEST_FILE_BYTES} bytes"])
    return content


def _document(content: bytes, file: str) -> dict[str, Any]:
    try:
        text = content.decode()
    except UnicodeDecodeError as error:
        row = content.count(b"\n", 0, error.start) + 1
        raise ConfigurationError(
            [f"{file}: line {row} is not UTF-8 text; save the file as UTF-8"]
        ) from None
    try:
        document = tomllib.loads(text)
    except RecursionError:
        raise ConfigurationError([TOO_DEEP.format(file=file)]) from None
    except ValueError as error:
        raise ConfigurationError([f"{file}: this is not valid TOML: {error}"]) from None
    level: list[Any] = list(document.values())
    for _ in range(DEEPEST_NESTING):
        level = [
            item
            for value in level
            if isinstance(value, dict | list)
            for item in (value.values() if isinstance(value, dict) else value)
        ]
    if level:
        raise ConfigurationError([TOO_DEEP.format(file=file)])
    return document
