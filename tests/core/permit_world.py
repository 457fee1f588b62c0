"""A tank to test permits and alarms in: time, an assessment, and the gates, moved by hand."""
# ruff: noqa: ANN401 - changed fields are passed on by name, whatever their types

from dataclasses import dataclass, field, replace
from math import inf
from typing import Any

import orjson

from bridge.core.findings import Assessment, Cause, Finding, Flag, Ne107, Quality
from bridge.core.outputs import Output, Publish, Record
from bridge.core.permits import Gates, GatesState
from bridge.core.service import ServicePhase
from bridge.core.settings import (
    Delivers,
    Driver,
    Equipment,
    EquipmentKind,
    MeteredTopOff,
    Permit,
    Plumbing,
    Probe,
    ProbeUnit,
    Reports,
    Tank,
    Thermometer,
)
from bridge.core.situation import LevelCondition, Situation

START_S = 1_772_366_400.0
"""2026-03-01T12:00:00Z, an arbitrary start."""
INTERVAL_S = 10.0


def permit(
    delivers: Delivers = Delivers.FRESH_WATER, driven_by: Driver = Driver.LEVEL, **changes: Any
) -> Permit:
    """A permit with an actuator whose state is known."""
    return Permit(delivers=delivers, driven_by=driven_by, **{"equipment": "pump", **changes})


def tank(permits: dict[str, Permit] | None = None, *, metered: bool = False) -> Tank:
    """A 400 l tank whose top-off delivers 60 l/h."""
    return Tank(
        volume_l=400,
        probe=Probe(topic="probe", unit=ProbeUnit.PSU, reports=Reports.SALINITY),
        thermometer=Thermometer(topic="thermometer"),
        equipment={"pump": Equipment(topic="pump", kind=EquipmentKind.TOP_OFF_PUMP)},
        metered_top_off=MeteredTopOff(topic="litres") if metered else None,
        plumbing=Plumbing(top_off_l_h=60),
        permits={"top-off": permit()} if permits is None else permits,
    )


def assess(
    at_s: float,
    cause: Cause = Cause.NONE,
    *,
    findings: tuple[tuple[Cause, float], ...] | None = None,
    **changes: Any,
) -> Assessment:
    """A judgement of a fresh reading, all well unless told otherwise."""
    quality = Quality.GOOD
    if cause not in (Cause.NONE, Cause.DILUTION, Cause.CONCENTRATION):
        quality = Quality.UNCERTAIN
    healthy = Assessment(
        at_s=at_s,
        salinity_psu=35.0,
        uncertainty_psu=0.1,
        probe_salinity_psu=35.0,
        probe_at_s=at_s,
        temperature_c=25.0,
        temperature_at_s=at_s,
        conductivity_25c_ms_cm=53.07,
        reported=35.0,
        quality=quality,
        flag=Flag.PASS,
        ne107=Ne107.NORMAL,
        cause=cause,
        since_s=at_s,
        findings=tuple(
            Finding(named, probability, (), "look at it")
            for named, probability in findings or ((cause, 1.0),)
        ),
        tests={},
        settled=True,
        interval_s=INTERVAL_S,
        evaporation_l_day=None,
    )
    return replace(healthy, **changes)


@dataclass
class World:
    """The gates of one tank, and what they have put out."""

    tank: Tank = field(default_factory=tank)
    boot_id: str = "7f3a"
    now_s: float = START_S
    outputs: list[Output] = field(default_factory=list)

    def __post_init__(self) -> None:
        """Start the gates with nothing known."""
        self.situation = Situation(self.now_s)
        self.gates = self._gates(None)

    def _gates(self, state: GatesState | None) -> Gates:
        return Gates(
            "reef",
            self.tank,
            base_topic="tidegate",
            boot_id=self.boot_id,
            at_s=self.now_s,
            state=state,
        )

    def restart(self, state: GatesState, boot_id: str) -> None:
        """Replace the gates by new ones with the saved state."""
        self.boot_id = boot_id
        self.gates = self._gates(state)

    def evaluate(self) -> list[Output]:
        """Evaluate now."""
        self.situation.at_s = self.now_s
        outputs = list(self.gates.evaluate(self.situation))
        self.outputs += outputs
        return outputs

    def tick_until(self, at_s: float) -> None:
        """Let time pass as the shell does: a tick at every moment asked for."""
        while self.gates.wake_at_s <= at_s:
            # Minus infinity asks for an evaluation as soon as possible.
            in_past = -inf < self.gates.wake_at_s < self.now_s
            assert not in_past, "asked to be woken in the past"
            self.now_s = max(self.gates.wake_at_s, self.now_s)
            self.evaluate()
        self.now_s = at_s

    def change(self, **changes: Any) -> list[Output]:
        """Change circumstances and evaluate."""
        for name, value in changes.items():
            setattr(self.situation, name, value)
        return self.evaluate()

    def read(self, cause: Cause = Cause.NONE, **changes: Any) -> list[Output]:
        """A reading arrives now, and is judged."""
        return self.change(assessment=assess(self.now_s, cause, **changes))

    def healthy(
        self,
        duration_s: float,
        cause: Cause = Cause.NONE,
        *,
        every_s: float = INTERVAL_S,
        **changes: Any,
    ) -> None:
        """A reading every ten seconds for a while."""
        end_s = self.now_s + duration_s
        while self.now_s < end_s:
            self.tick_until(min(self.now_s + every_s, end_s))
            self.read(cause, **changes)

    def equipment(self, *, on: bool | None) -> None:
        """The actuator reports."""
        self.gates.note_equipment(self.now_s, "pump", on=on)
        self.evaluate()

    def litres(self, litres: float) -> None:
        """The meter reports."""
        self.gates.note_litres(self.now_s, litres)
        self.evaluate()

    def ready(self) -> "World":
        """All is well, long enough for every permit to be given."""
        self.change(
            link_up=True,
            clock_settled=True,
            alone=True,
            service=ServicePhase.IDLE,
            level=LevelCondition.NORMAL,
        )
        self.healthy(120)
        return self

    def document(self, name: str = "top-off") -> dict[str, Any]:
        """The newest document of a permit."""
        return self.documents(name)[-1]

    def documents(self, name: str = "top-off") -> list[dict[str, Any]]:
        """All documents of a permit so far."""
        return [
            orjson.loads(output.payload)
            for output in self.outputs
            if isinstance(output, Publish) and output.topic == f"tidegate/reef/permit/{name}"
        ]

    def records(self) -> list[Record]:
        """All history rows so far."""
        return [output for output in self.outputs if isinstance(output, Record)]

    @property
    def state(self) -> str:
        """The newest published state."""
        state = self.document()["state"]
        assert isinstance(state, str)
        return state

    @property
    def permitted(self) -> bool:
        """What the gate says of itself, published or not."""
        return self.gates.status[0].permitted
