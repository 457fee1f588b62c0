"""One gate: whether one actuator group may act."""

from dataclasses import dataclass

from bridge.core.settings import Delivers, Driver


@dataclass(frozen=True, slots=True)
class PermitStatus:
    """What others may know of a gate."""

    permit: str
    delivers: Delivers
    driven_by: Driver
    permitted: bool
    reasons: tuple[str, ...]
    first_reason: str | None
    since_s: float
    bypass_until_s: float | None
    troubles: tuple[str, ...]
    """What deserves an alarm: ``overrun``, ``run-time``, ``litres``, ``long-hold``."""


@dataclass(slots=True)
class GateState:
    """The persistent part of one gate."""

    boot_id: str
