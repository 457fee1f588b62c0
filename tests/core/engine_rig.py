"""An engine on a bench: messages on virtual time, ticks when wanted, outputs kept."""

import random
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import orjson

from bridge.core.engine import Engine, EngineState
from bridge.core.events import Event, LinkUp, Message, Tick
from bridge.core.outputs import Notice, Output, Publish, Record
from bridge.core.settings import (
    Delivers,
    Driver,
    Equipment,
    EquipmentKind,
    Level,
    MeteredTopOff,
    Permit,
    Plumbing,
    Probe,
    ProbeUnit,
    Reports,
    Settings,
    Tank,
    Thermometer,
)

START_S = 1_772_366_400.0
"""2026-03-01T12:00:00Z, an arbitrary start."""
INTERVAL_S = 10.0

PLAIN = Tank(
    volume_l=400.0,
    probe=Probe(topic="probe", unit=ProbeUnit.PSU, reports=Reports.SALINITY),
    thermometer=Thermometer(topic="water"),
    plumbing=Plumbing(top_off_l_h=60.0, mixing_min=8.0),
    permits={
        "top-off": Permit(
            delivers=Delivers.FRESH_WATER, driven_by=Driver.LEVEL, stale_after_s=45.0
        ),
        "dosing": Permit(
            delivers=Delivers.SALT_WATER, driven_by=Driver.SALINITY, stale_after_s=45.0
        ),
    },
)
"""Invented: probe and thermometer, two permits, nothing else."""

FULL = replace(
    PLAIN,
    equipment={
        "skimmer": Equipment(topic="skimmer", kind=EquipmentKind.SKIMMER),
        "heater": Equipment(topic="heater", kind=EquipmentKind.HEATER, threshold=5.0),
        "pump": Equipment(topic="pump", kind=EquipmentKind.TOP_OFF_PUMP),
    },
    level=Level(topic="level"),
    metered_top_off=MeteredTopOff(topic="litres"),
    permits={
        **PLAIN.permits,
        "top-off": replace(PLAIN.permits["top-off"], equipment="pump"),
    },
)
"""Invented: the same with everything that can be configured."""


def settings(tank: Tank = PLAIN, **changes: Any) -> Settings:  # noqa: ANN401 - passed on by name
    """Settings of one tank called reef."""
    return Settings(tanks={"reef": tank}, **changes)


class Rig:
    """Drives one engine."""

    def __init__(
        self,
        configured: Settings | Tank = PLAIN,
        *,
        at_s: float = START_S,
        state: EngineState | None = None,
        boot_id: str = "boot",
        seed: int = 1,
        linked: bool = True,
    ) -> None:
        wanted = configured if isinstance(configured, Settings) else settings(configured)
        self.engine = Engine(wanted, boot_id=boot_id, at_s=at_s, state=state)
        self.now_s = at_s
        self.outputs: list[Output] = []
        self.rng = random.Random(seed)
        if linked:
            self.step(LinkUp(at_s))

    # ------------------------------------------------------------------ driving

    def step(self, event: Event) -> list[Output]:
        """Let one thing happen now."""
        made = self.engine.step(event)
        self.outputs += made
        return made

    def until(self, at_s: float) -> None:
        """Let time pass, with a tick whenever the engine wants one."""
        while (wake_s := self.engine.wake_at_s) <= at_s:
            self.now_s = max(wake_s, self.now_s)
            self.step(Tick(self.now_s))
            # An engine that wants to be woken at once, for ever, would hang the daemon.
            assert self.engine.wake_at_s > self.now_s
        self.now_s = max(at_s, self.now_s)

    def send(
        self, topic: str, payload: object, *, after_s: float = 0.0, retained: bool = False
    ) -> list[Output]:
        """Send a message; what is not bytes goes as JSON."""
        self.until(self.now_s + after_s)
        raw = payload if isinstance(payload, bytes) else orjson.dumps(payload)
        return self.step(Message(self.now_s, topic, raw, retained))

    def read(
        self, psu: float, temperature_c: float | None = 25.0, *, after_s: float = INTERVAL_S
    ) -> dict[str, Any]:
        """One thermometer and one probe reading; returns the published salinity document."""
        self.until(self.now_s + after_s)
        if temperature_c is not None:
            self.send("water", round(temperature_c, 2))
        self.send("probe", round(psu, 4))
        return self.salinity

    def run(
        self,
        samples: int,
        salinity: float | Callable[[int], float] = 35.0,
        *,
        noise_psu: float = 0.01,
        temperature_c: float = 25.0,
        after_s: float = INTERVAL_S,
    ) -> list[dict[str, Any]]:
        """A stretch of readings with white noise; returns their salinity documents."""
        documents = []
        for index in range(samples):
            water = salinity(index) if callable(salinity) else salinity
            reading = water + self.rng.gauss(0.0, noise_psu)
            documents.append(
                self.read(reading, temperature_c + self.rng.gauss(0.0, 0.01), after_s=after_s)
            )
        return documents

    def command(self, name: str, **keys: Any) -> dict[str, Any]:  # noqa: ANN401 - any JSON
        """Send a command and return its answer."""
        made = self.send(f"tidegate/reef/command/{name}", {"id": "test", **keys})
        answers = [
            o for o in made if isinstance(o, Publish) and o.topic == f"tidegate/reef/result/{name}"
        ]
        assert len(answers) == 1
        assert not answers[0].retain
        answer: dict[str, Any] = orjson.loads(answers[0].payload)
        return answer

    # ------------------------------------------------------------------ looking

    @property
    def published(self) -> list[Publish]:
        """Everything published so far."""
        return [o for o in self.outputs if isinstance(o, Publish)]

    @property
    def notices(self) -> list[Notice]:
        """Everything the phone was told."""
        return [o for o in self.outputs if isinstance(o, Notice)]

    def records(self, kind: str) -> list[Record]:
        """History rows of one kind."""
        return [o for o in self.outputs if isinstance(o, Record) and o.kind == kind]

    def documents(self, topic: str) -> list[dict[str, Any]]:
        """Every document published under ``tidegate/reef/<topic>``, empty ones left out."""
        wanted = f"tidegate/reef/{topic}"
        return [orjson.loads(p.payload) for p in self.published if p.topic == wanted and p.payload]

    def newest(self, topic: str) -> dict[str, Any]:
        """The newest document under ``tidegate/reef/<topic>``."""
        wanted = f"tidegate/reef/{topic}"
        for output in reversed(self.outputs):
            if isinstance(output, Publish) and output.topic == wanted:
                found: dict[str, Any] = orjson.loads(output.payload) if output.payload else {}
                return found
        raise AssertionError(f"nothing was published under {wanted}")

    @property
    def salinity(self) -> dict[str, Any]:
        """The newest salinity document."""
        return self.newest("salinity")

    @property
    def diagnosis(self) -> dict[str, Any]:
        """The newest diagnosis document."""
        return self.newest("diagnosis")

    def permit(self, name: str = "top-off") -> dict[str, Any]:
        """The newest permit document."""
        return self.newest(f"permit/{name}")

    @property
    def cause(self) -> str:
        """The cause in the newest salinity document."""
        cause: str = self.salinity["cause"]
        return cause
