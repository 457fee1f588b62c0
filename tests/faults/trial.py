"""The promise, and one trial of it.

With every gate open, a fault strikes. Within the lease and one second every gate is closed, none
opens before the fault is over, and all open by themselves afterwards.

Two kinds of fault break nothing that a permit rests on: a full disk and a notification service that
hangs. The daemon must go on deciding, so the gates rightly stay open; the promise is then held
against what happens *under* the fault: an actuator that runs too long, or the loss of the daemon.
"""

import random
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from typing import Final

from tests.faults.plant import LEASE_S, PERMITS, Plant, wait_until

CLOSED_WITHIN_S: Final = LEASE_S + 1.0
OPEN_WITHIN_S: Final = 60.0
"""Start of Python, settling, the minimum hold, two renewals: half of it on an idle machine."""


class BrokenPromiseError(AssertionError):
    """A gate was open when it must not be, or stayed closed when all was well."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a trial went, in seconds."""

    fault: str
    closed_after_s: float
    """From the fault until the last gate was closed."""
    open_after_s: float
    """From the end of the fault until the last gate was open."""


@dataclass(frozen=True, slots=True)
class Fault:
    """Something that goes wrong while its context lasts."""

    name: str
    strike: Callable[[Plant, random.Random], AbstractContextManager[None]]
    lasts_s: tuple[float, float] = (0.0, 12.0)
    """Shortest and longest time that it goes on after the gates have closed."""


def try_out(plant: Plant, fault: Fault, chance: random.Random) -> Outcome:
    """Hold the plant against the promise.

    Raises:
        BrokenPromiseError: It did not keep it.
    """
    _await_open(plant, "before the fault")
    # Anywhere between two renewals.
    time.sleep(chance.uniform(0.0, LEASE_S / 3.0))
    began = time.monotonic()
    with fault.strike(plant, chance):
        began = max(began, plant.struck_at)
        if not wait_until(lambda: plant.all_closed, began + CLOSED_WITHIN_S - time.monotonic()):
            raise BrokenPromiseError(
                f"{fault.name}: open {CLOSED_WITHIN_S} s after the fault: {_open(plant)}"
            )
        closed_at = max(gate.moves[-1].at for gate in plant.gates)
        time.sleep(chance.uniform(*fault.lasts_s))
        for gate in plant.gates:
            if any(move.is_open and move.at > closed_at for move in gate.moves):
                raise BrokenPromiseError(f"{fault.name}: {gate.permit} opened during the fault")
    ended = time.monotonic()
    _await_open(plant, f"after {fault.name}")
    opened_at = max(gate.moves[-1].at for gate in plant.gates)
    return Outcome(fault.name, max(0.0, closed_at - began), max(0.0, opened_at - ended))


def _open(plant: Plant) -> list[str]:
    return [gate.permit for gate in plant.gates if gate.is_open]


def _await_open(plant: Plant, when: str) -> None:
    if not wait_until(lambda: plant.all_open, OPEN_WITHIN_S):
        closed = [gate.permit for gate in plant.gates if not gate.is_open]
        raise BrokenPromiseError(f"{when}: {closed} still closed after {OPEN_WITHIN_S} s")


@contextmanager
def running_too_long(plant: Plant) -> Iterator[None]:
    """Both actuators run, for longer than they may."""
    for equipment in PERMITS.values():
        plant.sensors.say(f"sump/{equipment}", "on")
    try:
        yield
    finally:
        for equipment in PERMITS.values():
            plant.sensors.say(f"sump/{equipment}", "off")
