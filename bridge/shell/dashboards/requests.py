"""What is asked for on a dashboard, as the commands that the engine understands."""

from collections.abc import Mapping
from typing import Any, Final, NamedTuple

import orjson

from bridge.shell.dashboards.picture import TankPicture

SENDER: Final = "dashboard"
"""The id of every command: a second copy of a reference check is then noticed as one."""
LOWEST_CHECK_PSU: Final = 2.0
HIGHEST_CHECK_PSU: Final = 42.0
"""Range in which a salinity by hand can be believed (that of PSS-78)."""
ACKNOWLEDGE: Final = "acknowledge"
REFERENCE_CHECK: Final = "reference-check"
LONGEST_NUMBER: Final = 20


class Command(NamedTuple):
    """A command message, without its base topic."""

    tank: str
    name: str
    payload: bytes


def acknowledge_all(name: str, tank: TankPicture) -> list[Command]:
    """A command for each alarm that waits for somebody."""
    return [_command(name, ACKNOWLEDGE, {"alarm": alarm}) for alarm in tank.waiting()]


def service(name: str, phase: str) -> Command:
    """Begin (``start``) or end (``end``) the service mode."""
    return _command(name, "service", {"phase": phase})


def reference_check(name: str, text: bytes) -> Command | None:
    """A salinity measured by hand; None for anything else."""
    try:
        # ASCII only: Python reads the digits of every script.
        salinity = float(text.decode("ascii")) if len(text) <= LONGEST_NUMBER else None
    except ValueError:
        return None
    # "not a <= x <= b" also refuses NaN.
    if salinity is None or not LOWEST_CHECK_PSU <= salinity <= HIGHEST_CHECK_PSU:
        return None
    return _command(name, REFERENCE_CHECK, {"instrument": "other", "salinity": salinity})


def _command(tank: str, name: str, keys: Mapping[str, Any]) -> Command:
    return Command(tank, name, orjson.dumps({"id": SENDER, **keys}))
