"""All of one tank that survives a restart; plain data."""

from dataclasses import dataclass, field

from bridge.core.alarms import AlarmsState
from bridge.core.diagnosis_state import DiagnosisState
from bridge.core.findings import Cause
from bridge.core.level_watch import LevelState
from bridge.core.permits import GatesState
from bridge.core.qartod_state import QartodState
from bridge.core.records import ReferenceState
from bridge.core.service import ServiceState
from bridge.core.thermometer import ThermometerState


@dataclass(slots=True)
class WaterChangeState:
    """A water change that was announced and is under way."""

    started_s: float
    litres: float | None
    salinity_psu: float | None
    before_psu: float | None = None
    """Estimate of the water when it began."""


@dataclass(slots=True)
class AnsweredState:
    """A command that was carried out, and what was answered."""

    at_s: float
    name: str
    command: str
    answer: str


@dataclass(slots=True)
class TankState:
    """All of a tank that survives a restart."""

    diagnosis: DiagnosisState = field(default_factory=DiagnosisState)
    tests: QartodState = field(default_factory=QartodState)
    thermometer: ThermometerState = field(default_factory=ThermometerState)
    service: ServiceState = field(default_factory=ServiceState)
    gates: GatesState | None = None
    alarms: AlarmsState | None = None
    probe_at_s: float | None = None
    """When the newest usable reading was measured."""
    arrived_at_s: float | None = None
    """When the newest message of the probe came, usable or not."""
    probe_psu: float | None = None
    conductivity_25c_ms_cm: float | None = None
    reported: float | None = None
    invalid: int = 0
    rejected: int = 0
    """Rejected payloads since the first start."""
    missed_share: float = 0.0002
    """Share of messages that did not come."""
    run: int = 0
    """Equal numbers in a row."""
    longest_run: float = 0.0
    run_history: int = 0
    level: LevelState = field(default_factory=LevelState)
    sequence: int = 0
    reference: ReferenceState = field(default_factory=ReferenceState)
    last_likely_at_s: dict[Cause, float] = field(default_factory=dict)
    """When each disturbance was last likely, for the advice about calibration."""
    change: WaterChangeState | None = None
    answered: list[AnsweredState] = field(default_factory=list)
    """The newest commands that must not be carried out twice."""
