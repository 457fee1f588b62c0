"""Fixtures and rules for every test."""

import logging
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from pytest_socket import disable_socket, enable_socket, socket_allow_hosts

from bridge.core.engine import EngineState
from bridge.shell.compiled_types import restore
from tests.support.mosquitto import PROGRAM, Mosquitto

settings.register_profile(
    "suite",
    # The same examples on every run; a slow shared machine is no failure.
    derandomize=True,
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("suite")


def pytest_configure(config: pytest.Config) -> None:
    """Declare the marker that opens the loopback interface."""
    config.addinivalue_line("markers", "loopback: talks to itself over the loopback interface")
    # Tests look into saved states by their types, also where the core is compiled.
    restore(EngineState)


@pytest.hookimpl(tryfirst=True)
def pytest_runtest_setup(item: pytest.Item) -> None:
    """No test reaches the network; those that say so reach the loopback interface."""
    needs_broker = item.get_closest_marker("broker") is not None
    if not needs_broker and item.get_closest_marker("loopback") is None:
        disable_socket(allow_unix_socket=True)
        return
    enable_socket()
    socket_allow_hosts(["127.0.0.1", "127.0.0.2", "::1"])
    if needs_broker and PROGRAM is None:
        pytest.skip("the program mosquitto is not installed")


@pytest.fixture(autouse=True)
def _loggers_as_they_were() -> Iterator[None]:
    """Give every test the project's loggers as they are at first.

    Libraries that start servers in this process set loggers up for good; what a later test reads
    of the log must not depend on which tests ran before it.
    """
    yield
    logging.disable(logging.NOTSET)
    for name, logger in logging.root.manager.loggerDict.items():
        if name.split(".")[0] == "bridge" and isinstance(logger, logging.Logger):
            logger.disabled = False
            logger.propagate = True
            logger.setLevel(logging.NOTSET)


@pytest.fixture
def make_broker(tmp_path: Path) -> Iterator[Callable[..., Mosquitto]]:
    """Makes brokers that end with the test."""
    made: list[Mosquitto] = []

    def make(**options: object) -> Mosquitto:
        directory = tmp_path / f"broker-{len(made)}"
        directory.mkdir()
        broker = Mosquitto(directory, **options)  # type: ignore[arg-type] # passed through
        made.append(broker)
        return broker

    yield make
    for broker in made:
        broker.close()


@pytest.fixture
def broker(make_broker: Callable[..., Mosquitto]) -> Mosquitto:
    """A running broker that lets everyone in, on the loopback interface only."""
    started = make_broker()
    started.start()
    return started
