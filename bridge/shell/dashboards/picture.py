"""The newest of everything that dashboards show, gathered from the engine's outputs."""

import re
from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

import orjson

from bridge.core.outputs import Output, Publish, Record
from bridge.core.service import ServicePhase
from bridge.shell.dashboards.quantities import QUANTITIES, WORDS, number_text, word_text

REMEMBERED_GAPS: Final = 15
FEWEST_GAPS: Final = 5
"""Before the usual time between two samples counts as known."""
SILENCED: Final = frozenset({"shelved", "suppressed"})
"""States of an alarm that nobody is to be bothered with."""
TANK_LEVELS: Final = 2
NAMED_LEVELS: Final = 3
EXPIRY_INTERVALS: Final = 3.0
"""A shorter life makes a value come and go with every late message."""
EXPIRIES_S: Final = (30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 21_600)
"""Steps, so that a slightly changed interval does not change the announcement."""


class Wanted(NamedTuple):
    """A retained message that the broker should hold; an empty payload means none."""

    payload: bytes
    qos: int = 1
    end_s: float | None = None
    """When it stops being true by itself. [engine time]"""


@dataclass(frozen=True, slots=True)
class Lease:
    """A permit as it was issued."""

    permitted: bool
    end_s: float


@dataclass(slots=True)
class TankPicture:
    """One tank."""

    salinity: Mapping[str, Any] | None = None
    leases: dict[str, Lease] = field(default_factory=dict)
    alarms: dict[str, Mapping[str, Any]] = field(default_factory=dict)
    service: ServicePhase = ServicePhase.IDLE
    expiry_s: int | None = None
    """How long a hub may believe a value; None while the time between samples is unknown."""
    expiry_settled: bool = False
    """Stated by the keeper or learned in this run; otherwise only what was learned before."""
    gaps_s: deque[float] = field(default_factory=lambda: deque(maxlen=REMEMBERED_GAPS))
    sampled_at_s: float | None = None

    def standing(self) -> dict[str, Mapping[str, Any]]:
        """The alarms that somebody should see."""
        return {
            alarm: document
            for alarm, document in self.alarms.items()
            if document.get("state") not in SILENCED
            and (document.get("active") or not document.get("acknowledged", False))
        }

    def waiting(self) -> list[str]:
        """The alarms that nobody has acknowledged yet."""
        return [
            alarm
            for alarm, document in self.alarms.items()
            if not document.get("acknowledged", False)
        ]

    def permitted(self, permit: str, now_s: float, *, ready: bool) -> bool:
        """Whether a permit is in force at this moment; anything unknown is not."""
        lease = self.leases.get(permit)
        return ready and lease is not None and lease.permitted and now_s < lease.end_s


class Picture:
    """All tanks, and the installation itself under an empty name.

    Args:
        base_topic: Of the published documents.
        tanks: Their names; the outputs of others are passed over.
        intervals_s: Time between two samples, where the keeper has stated it. [s]
        service: Of tanks in service already.
    """

    def __init__(
        self,
        base_topic: str,
        tanks: Iterable[str],
        *,
        intervals_s: Mapping[str, float],
        service: Mapping[str, ServicePhase],
    ) -> None:
        self._prefix = base_topic + "/"
        self.tanks = {name: TankPicture() for name in tanks}
        self.plant = TankPicture()
        for name, phase in service.items():
            self.tanks[name].service = phase
        for name, interval_s in intervals_s.items():
            self.tanks[name].expiry_s = _expiry_s(interval_s)
            self.tanks[name].expiry_settled = True

    def key(self, output: Output) -> str | None:
        """What a newer output would replace; None for one that shows nothing."""
        match output:
            case Publish(topic=topic) if topic.startswith(self._prefix):
                return topic if self._place(topic) is not None else None
            case Record(kind="service", tank=tank) if tank in self.tanks:
                return f"service {tank}"
            case _:
                return None

    def take(self, output: Output) -> None:
        """Take in an output that has a `key`."""
        match output:
            case Record(tank=tank, data=data):
                self.tanks[tank].service = ServicePhase(data["phase"])
            case Publish(at_s=at_s, topic=topic, payload=payload):
                place = self._place(topic)
                if place is not None:
                    self._document(*place, at_s, payload)
            case _:
                pass

    def _place(self, topic: str) -> tuple[TankPicture, str, str] | None:
        levels = topic[len(self._prefix) :].split("/")
        if len(levels) == TANK_LEVELS and levels[0] == "alarm":
            return self.plant, "alarm", levels[1]
        tank = self.tanks.get(levels[0])
        if tank is None:
            return None
        if len(levels) == TANK_LEVELS and levels[1] == "salinity":
            return tank, "salinity", ""
        if len(levels) == NAMED_LEVELS and levels[1] in {"permit", "alarm"}:
            return tank, levels[1], levels[2]
        return None

    @staticmethod
    def _document(tank: TankPicture, kind: str, name: str, at_s: float, payload: bytes) -> None:
        if kind == "alarm" and not payload:
            tank.alarms.pop(name, None)
            return
        document = orjson.loads(payload)
        if kind == "alarm":
            tank.alarms[name] = document
        elif kind == "permit":
            # In engine time, so that a step of the wall clock does not prolong it.
            end_s = at_s + document["lease_s"]
            tank.leases[name] = Lease(document["state"] == "permit", end_s)
        else:
            tank.salinity = document
            _learn_interval(tank, at_s)


def scalars(tank: TankPicture) -> dict[str, str | None]:
    """Every quantity and word as plain text; None where it is unknown."""
    document = tank.salinity or {}
    found = {each.identifier: number_text(document, each) for each in QUANTITIES}
    found |= {key: word_text(document, key) for key in WORDS}
    found["judged"] = document.get("time")
    return found


def slug(text: str) -> str:
    """A text as an identifier: small letters, digits and hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") or "tidegate"


def _learn_interval(tank: TankPicture, at_s: float) -> None:
    if tank.sampled_at_s is not None:
        tank.gaps_s.append(at_s - tank.sampled_at_s)
    tank.sampled_at_s = at_s
    if len(tank.gaps_s) >= FEWEST_GAPS:
        # Not the longest of all: one outage is no habit. Never shorter again: each change is a
        # new announcement.
        usual_s = sorted(tank.gaps_s)[-2]
        least_s = tank.expiry_s if tank.expiry_settled else None
        tank.expiry_s = max(_expiry_s(usual_s), least_s or 0)
        tank.expiry_settled = True


def _expiry_s(interval_s: float) -> int:
    wanted_s = EXPIRY_INTERVALS * interval_s
    return next((step for step in EXPIRIES_S if step >= wanted_s), EXPIRIES_S[-1])
