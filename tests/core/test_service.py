"""Service mode: begun by a person, ended by a person or by time, never forgotten."""

from math import inf

import pytest
from pydantic import TypeAdapter

from bridge.core.errors import UserError
from bridge.core.service import Service, ServicePhase, ServiceState


def phase(service: Service, at_s: float) -> ServicePhase:
    """The phase at a moment."""
    service.advance(at_s)
    return service.phase


def test_service_ends_by_itself_and_settles() -> None:
    """An hour by default, then ten minutes of settling, then over."""
    service = Service("reef")
    service.start(0)
    assert service.wake_at_s == 3600
    assert phase(service, 3599) is ServicePhase.ACTIVE
    assert phase(service, 3600) is ServicePhase.SETTLING
    assert phase(service, 4200) is ServicePhase.IDLE
    assert service.wake_at_s == inf


def test_service_ends_by_command_and_settles_from_then() -> None:
    """Ending early shortens the work, not the settling."""
    service = Service("reef", mixing_s=1200)
    service.start(0, 120)
    service.end(600)

    assert phase(service, 1799) is ServicePhase.SETTLING
    assert phase(service, 1800) is ServicePhase.IDLE


def test_a_late_tick_settles_from_the_true_end() -> None:
    """A tick that comes hours late finds service long over, and logs when it was."""
    service = Service("reef")
    service.start(0, 1)
    records = service.advance(10_000)

    assert service.phase is ServicePhase.IDLE
    assert [record.at_s for record in records] == [60, 660]


def test_service_can_be_prolonged() -> None:
    """Starting again counts from then."""
    service = Service("reef")
    service.start(0, 10)
    service.start(500, 10)
    service.advance(700)

    assert service.phase is ServicePhase.ACTIVE


@pytest.mark.parametrize("minutes", [0, -1, 481, inf, float("nan")])
def test_minutes_are_capped(minutes: float) -> None:
    """A forgotten service mode would hold for ever."""
    with pytest.raises(UserError, match="accepted is above 0 up to 480"):
        Service("reef").start(0, minutes)


def test_ending_nothing_is_an_error() -> None:
    """The answer says how to start."""
    with pytest.raises(UserError, match="none is under way"):
        Service("reef").end(0)


def test_service_survives_a_restart() -> None:
    """Hands do not leave the water because the daemon does."""
    service = Service("reef")
    service.start(0)
    adapter = TypeAdapter(ServiceState)
    restored = Service("reef", state=adapter.validate_json(adapter.dump_json(service.state)))

    assert restored.phase is ServicePhase.ACTIVE
    assert restored.wake_at_s == 3600
