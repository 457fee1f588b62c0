"""Whatever breaks, the reference gates close in time, and open again by themselves."""

import random
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tests.faults.catalogue import FAULTS
from tests.faults.namespaces import missing
from tests.faults.plant import Plant
from tests.faults.soak import NEEDS_ROOT, full_plant
from tests.faults.trial import try_out

ALWAYS = tuple(name for name in FAULTS if name != "two in a row")
"""The soak has more chances for what is worth trying only at random."""


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Plant]:
    """One for all faults, because a healthy start is what takes the time."""
    directory: Path = tmp_path_factory.mktemp("plant")
    with full_plant(directory, seed=1) as started:
        yield started


@pytest.mark.broker
@pytest.mark.parametrize("name", ALWAYS)
def test_gates_close_in_time_and_open_again(name: str, request: pytest.FixtureRequest) -> None:
    """Closed within the lease and a second, not open before the fault is over, open afterwards."""
    if name in NEEDS_ROOT and (reason := missing()):
        pytest.skip(reason)
    started: Plant = request.getfixturevalue("plant")

    try_out(started, replace(FAULTS[name], lasts_s=(0.0, 1.0)), random.Random(name))


@pytest.mark.broker
def test_hung_loop_closes_gates_without_mqtt_5(tmp_path: Path) -> None:
    """MQTT 3.1.1 has neither expiry nor a goodbye with will: the guards cut their connections."""
    with full_plant(tmp_path, seed=1, protocol="3.1.1") as started:
        try_out(started, FAULTS["loop hung"], random.Random(4))
