"""One tank: readings in, judgement out. Joins correction, tests, diagnosis, permits and alarms."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from math import hypot, inf, log, sqrt
from typing import Any, Final

import orjson

from bridge.core import seawater
from bridge.core.alarms import AlarmsState, TankAlarms
from bridge.core.compensation import Corrector
from bridge.core.complaints import Complaints
from bridge.core.diagnosis import (
    INDEX,
    LEAST_NOISE_PSU,
    NO_FAULTS,
    CheckEvidence,
    Diagnosis,
    DiagnosisState,
    Faults,
)
from bridge.core.documents import diagnosis_document, salinity_document
from bridge.core.errors import OutOfRangeError, UserError
from bridge.core.evidence import ACTIONS, brief, findings
from bridge.core.findings import Assessment, Cause, Finding, Flag
from bridge.core.judgement import Surroundings, remember_likely, swing_estimate
from bridge.core.outputs import Output, Publish, Record
from bridge.core.permits import Gates, GatesState
from bridge.core.qartod import PlausibilityTests
from bridge.core.qartod_state import FAIL, QartodState
from bridge.core.records import (
    CheckRecord,
    ReferenceState,
    calibration_temperature_c,
    probe_in_force,
)
from bridge.core.reference_commands import ReferenceCommand, handle
from bridge.core.service import Service, ServicePhase, ServiceState
from bridge.core.settings import Counting, LevelUnit, Probe, ProbeUnit, Settings, VolumeUnit
from bridge.core.situation import LevelCondition, Situation
from bridge.core.status import status
from bridge.core.thermometer import ThermometerState, WaterThermometer
from bridge.core.uncertainty import COVERAGE, ReadingUncertainty
from bridge.core.units import to_celsius
from bridge.core.wire.commands import CalibrationDone, ReferenceCheck, WaterChange, WorkPhase
from bridge.core.wire.instants import Calendar, iso_utc, unix_s
from bridge.core.wire.payload import Number, Rejected, number_reader, state_reader

FEWEST_SILENT_INTERVALS: Final = 3.1
MOST_SILENT_INTERVALS: Final = 8.0
LOG_FALSE_SILENCE: Final = log(1e-7)
"""Accepted chance, at each message, that lost single messages look like silence."""
MISSED_MEMORY: Final = 1.0 / 2000.0
PSU_PER_C: Final = 0.77
"""Salinity per degree of the thermometer; computed from PSS-78 at S = 35, 25 °C."""
INVALID_MESSAGES: Final = 3
DIAGNOSIS_EVERY_S: Final = 300.0
DIAGNOSIS_NOT_BEFORE_S: Final = 5.0
PROBABILITY_STEP: Final = 0.1
LONGEST_UNDER_WAY_S: Final = 86_400.0
"""A reading that claims to be older tells nothing of now, or comes from a clock that is not set."""
LONGEST_METERED_STEP_L: Final = 1000.0
"""A cumulative meter that jumps further was reset."""

_ROUGH_PSU_PER_MS_CM: Final = 35.0 / 53.0
_ROUGH_PSU_PER_GRAVITY: Final = 1330.0

LONGEST_WATER_CHANGE_S: Final = 6 * 3600.0
CALM_PROBABILITY: Final = 0.97
CALM_FINDINGS: Final = (Finding(Cause.NONE, CALM_PROBABILITY, (), ACTIONS[Cause.NONE]),)
"""Stands for every moment at which nothing but health is likely."""

SHORTEST_FLAT_RUN: Final = 10
SHORTEST_FLAT_S: Final = 300.0
FLAT_HISTORY: Final = 500
"""Readings in which the usual length of runs shows."""
FLAT_RUNS: Final = 2.5
FLAT_CHANCE: Final = 1e-7
LONGEST_RUN_FADE: Final = 0.9995
POSSIBLE: Final = {
    ProbeUnit.MS_CM: (-1.0, 200.0),
    ProbeUnit.US_CM: (-100.0, 2e5),
    ProbeUnit.S_M: (-0.1, 20.0),
    ProbeUnit.PSU: (-1.0, 100.0),
    ProbeUnit.PPT: (-1.0, 100.0),
    ProbeUnit.SG: (0.9, 1.2),
}
"""A reading said to be older tells nothing of now, or comes from a clock that is not set."""

# Local names: looking a member up on an enumeration costs more than a whole comparison.
NONE: Final = Cause.NONE
SILENT: Final = Cause.SILENT
ABSENT: Final = LevelCondition.ABSENT
ACTIVE: Final = ServicePhase.ACTIVE
IDLE: Final = ServicePhase.IDLE


@dataclass(slots=True)
class WaterChangeState:
    """A water change that was announced and is under way."""

    started_s: float
    litres: float | None
    salinity_psu: float | None


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
    level_at_s: float | None = None
    sequence: int = 0
    reference: ReferenceState = field(default_factory=ReferenceState)
    last_likely_at_s: dict[Cause, float] = field(default_factory=dict)
    """When each disturbance was last likely, for the advice about calibration."""
    change: WaterChangeState | None = None
    answered: list[AnsweredState] = field(default_factory=list)
    """The newest commands that must not be carried out twice."""


Handler = Callable[[float, bytes, bool], list[Output]]


class TankEngine:
    """Everything about one tank.

    Args:
        name: Identifier.
        settings: Of the whole daemon.
        boot_id: Identifies this run.
        at_s: Now.
        calendar: For moments that others read or have written.
        state: As saved; None for the first start.
    """

    def __init__(
        self,
        name: str,
        settings: Settings,
        *,
        boot_id: str,
        at_s: float,
        calendar: Calendar,
        state: TankState | None = None,
    ) -> None:
        tank = settings.tanks[name]
        self._calendar = calendar
        self.name, self.tank, self._boot_id = name, tank, boot_id
        base = f"{settings.base_topic}/{name}"
        self._salinity_topic, self._diagnosis_topic = f"{base}/salinity", f"{base}/diagnosis"
        fresh = state is None
        self.state = state or TankState()
        self._started_s = at_s
        self._correct_by(probe_in_force(self.state.reference, tank.probe))
        self._tests = PlausibilityTests(tank, self.state.tests)
        self._complaints = Complaints()
        self._thermometer = WaterThermometer(tank.thermometer.interval_s, self.state.thermometer)
        self.diagnosis = Diagnosis(tank, None if fresh else self.state.diagnosis)
        self.state.diagnosis = self.diagnosis.state
        mixing_min = tank.plumbing.mixing_min
        self.service = Service(
            name,
            mixing_s=None if mixing_min is None else mixing_min * 60.0,
            state=self.state.service,
        )
        self.gates = Gates(
            name,
            tank,
            base_topic=settings.base_topic,
            boot_id=boot_id,
            at_s=at_s,
            state=self.state.gates,
            calendar=calendar,
        )
        self.state.gates = self.gates.state
        self.alarms = TankAlarms(
            name,
            tank,
            base_topic=settings.base_topic,
            state=self.state.alarms,
            calendar=calendar,
        )
        self.state.alarms = self.alarms.state
        self.situation = Situation(at_s=at_s)
        self._linked = False
        self._published_cause: Cause | None = None
        self._published_flags: tuple[Flag, ...] = ()
        self._published_probability = 0.0
        self._diagnosis_at_s = -inf
        self._probe_silent_s = self._silent_s = inf
        # A restart interrupts the evidence: a few good samples come first.
        self.diagnosis.state.good_samples = 0
        if self.diagnosis.state.started_s is not None:
            self.diagnosis.state.started_s = at_s
        self._conclude(at_s)

    # ------------------------------------------------------------------ messages

    def bindings(self) -> list[tuple[str, Handler]]:
        """Topics and what to do with their messages."""
        tank = self.tank
        found: list[tuple[str, Handler]] = [
            (tank.probe.topic, self._probe_handler()),
            (tank.thermometer.topic, self._thermometer_handler()),
        ]
        if tank.second_probe is not None:
            found.append((tank.second_probe.topic, self._second_probe_handler()))
        if tank.level is not None:
            found.append((tank.level.topic, self._level_handler()))
        if tank.metered_top_off is not None:
            found.append((tank.metered_top_off.topic, self._litres_handler()))
        found += [(e.topic, self._equipment_handler(n)) for n, e in tank.equipment.items()]
        return found

    def _probe_handler(self) -> Handler:
        read = number_reader(self.tank.probe)
        lowest, highest = POSSIBLE[self.tank.probe.unit]

        def handle(at_s: float, payload: bytes, retained: bool) -> list[Output]:  # noqa: FBT001
            if retained:
                # An old value says nothing about now.
                return []
            number = read(payload)
            if isinstance(number, Rejected):
                return self._probe_rejected(at_s, number.reason)
            if not lowest <= number.value <= highest:
                return self._probe_rejected(
                    at_s, f"{number.value:g} is nothing that a probe can read"
                )
            return self._probe_reading(at_s, number)

        return handle

    def _probe_rejected(self, at_s: float, reason: str) -> list[Output]:
        state = self.state
        # Good messages in between take one off each, so that garbage with gaps stays garbage.
        state.invalid = min(state.invalid + 1, 2 * INVALID_MESSAGES)
        state.rejected += 1
        state.arrived_at_s = at_s
        self._tests.syntax_error(at_s)
        told = self._complaints.rejected(at_s, self.tank.probe.topic, reason)
        return [*told, *self._conclude(at_s)]

    def _probe_reading(self, at_s: float, number: Number) -> list[Output]:
        state = self.state
        state.arrived_at_s = at_s
        measured_s = number.measured_at_s
        if measured_s is not None:
            measured_s = self._calendar.engine_s(measured_s)
            if measured_s < at_s - LONGEST_UNDER_WAY_S:
                return self._probe_rejected(at_s, "its time stamp is more than a day old")
        # A stamp from the future is a wrong clock; the arrival is the better time.
        taken_s = at_s if measured_s is None or measured_s > at_s else measured_s
        if state.probe_at_s is not None and taken_s < state.probe_at_s:
            self._tests.sample(taken_s, None, number.value, None, arrived_at_s=at_s)
            return self._conclude(at_s)
        state.invalid = max(state.invalid - 1, 0)
        if state.probe_at_s is not None:
            missed = taken_s - state.probe_at_s > 1.5 * self._tests.sensor.interval_s
            state.missed_share += MISSED_MEMORY * (float(missed) - state.missed_share)
        water_c = self._thermometer.usable(at_s)
        self._correct(number.value, None if water_c is None else self._thermometer.state.raw_c)
        psu = None if water_c is None else self._salinity(number.value, water_c)
        self._tests.sample(taken_s, psu, number.value, water_c, arrived_at_s=at_s)
        self._follow_run(number.value)
        state.probe_at_s, state.reported = taken_s, number.value
        if water_c is not None:
            if self._thermometer.state.odd_since_s is not None:
                psu, water_c = self._whose_fault(at_s, number.value, psu, water_c)
            self._judge(taken_s, number.value, psu, water_c)
        return self._conclude(at_s, sampled=True)

    def _whose_fault(
        self, at_s: float, reported: float, psu: float | None, water_c: float
    ) -> tuple[float | None, float]:
        """A thermometer jumped: is it the water that changed, or the thermometer that is dry?

        The device may have compensated by that same thermometer; then its odd reading undoes what
        the device did, and the temperature held makes salinity of it.
        """
        estimate, raw_psu = self.diagnosis.estimate(), self.state.probe_psu
        raw_c = self._thermometer.state.raw_c
        if estimate is None or raw_c is None:
            return psu, water_c
        salinity, near = estimate[0], 0.1 + 3.0 * sqrt(estimate[1])
        shared = self._salinity_undone_at(reported, raw_c, water_c)
        held = min(
            (candidate for candidate in (psu, shared) if candidate is not None),
            key=lambda candidate: abs(candidate - salinity),
            default=None,
        )
        away = inf if held is None else abs(held - salinity)
        if away < near:
            self._thermometer.refute(at_s)
            return held, water_c
        if raw_psu is not None and abs(raw_psu - salinity) < min(near, 0.3 * away):
            self._thermometer.accept(at_s)
            return raw_psu, raw_c
        return held, water_c

    def _salinity_undone_at(self, reported: float, undone_c: float, water_c: float) -> float | None:
        """Salinity when the device compensated by another temperature than the water's."""
        try:
            conductivity = self._corrector.conductivity_ms_cm(reported, undone_c)
            return seawater.salinity_psu(conductivity, water_c)
        except OutOfRangeError:
            return None

    def _correct(self, reported: float, temperature_c: float | None) -> None:
        state = self.state
        state.probe_psu = state.conductivity_25c_ms_cm = None
        if temperature_c is None:
            return
        try:
            conductivity = self._corrector.conductivity_ms_cm(reported, temperature_c)
            state.probe_psu = seawater.salinity_psu(conductivity, temperature_c)
            state.conductivity_25c_ms_cm = seawater.conductivity_ms_cm(
                state.probe_psu, seawater.REFERENCE_TEMPERATURE_C
            )
        except OutOfRangeError:
            return

    def _salinity(self, reported: float, temperature_c: float) -> float | None:
        try:
            return self._corrector.salinity_psu(reported, temperature_c)
        except OutOfRangeError:
            return None

    def _rough_psu(self, reported: float) -> float:
        """About what a reading outside the salinity scale would be; only its size matters."""
        unit = self.tank.probe.unit
        if unit in {ProbeUnit.PSU, ProbeUnit.PPT}:
            rough = reported
        elif unit is ProbeUnit.SG:
            rough = (reported - 1.0) * _ROUGH_PSU_PER_GRAVITY
        else:
            factor = {ProbeUnit.MS_CM: 1.0, ProbeUnit.US_CM: 1e-3, ProbeUnit.S_M: 10.0}[unit]
            rough = reported * factor * _ROUGH_PSU_PER_MS_CM
        return min(max(rough, 0.0), 50.0)

    def _judge(
        self, taken_s: float, reported: float, psu: float | None, temperature_c: float
    ) -> None:
        sensor = self._tests.sensor
        by_temperature = PSU_PER_C * self._thermometer.sd_c
        if self.service.phase is ACTIVE:
            # Hands in the water: whatever the probe says now is no evidence.
            self.diagnosis.idle(taken_s)
            self.diagnosis.state.good_samples = 0
            return
        self.diagnosis.probe(
            taken_s,
            self._rough_psu(reported) if psu is None else psu,
            temperature_c,
            max(hypot(sensor.effective_noise_psu, by_temperature), 1e-3),
            sensor.interval_s,
            max(hypot(0.3 * sensor.rounding_psu, by_temperature), LEAST_NOISE_PSU),
        )

    def _thermometer_handler(self) -> Handler:
        thermometer = self.tank.thermometer
        read = number_reader(thermometer)
        unit, offset_c = thermometer.unit, thermometer.offset_c

        def handle(at_s: float, payload: bytes, retained: bool) -> list[Output]:  # noqa: FBT001
            if retained:
                return []
            number = read(payload)
            if isinstance(number, Rejected):
                self.state.rejected += 1
                self._thermometer.rejected(at_s)
                told = self._complaints.rejected(at_s, thermometer.topic, number.reason)
                return [*told, *self._conclude(at_s)]
            dry = self._thermometer.dry
            silent = at_s >= self._silent_s
            self._thermometer.reading(at_s, to_celsius(number.value, unit) + offset_c)
            if silent or dry != self._thermometer.dry:
                return self._conclude(at_s)
            self._expect_thermometer()
            return []

        return handle

    def _second_probe_handler(self) -> Handler:
        probe = self.tank.second_probe
        assert probe is not None  # noqa: S101 - only bound when configured
        read, corrector = number_reader(probe), Corrector(probe)

        def handle(at_s: float, payload: bytes, retained: bool) -> list[Output]:  # noqa: FBT001
            if retained:
                return []
            number = read(payload)
            temperature_c = self._thermometer.usable(at_s)
            if isinstance(number, Rejected):
                return [*self._complaints.rejected(at_s, probe.topic, number.reason)]
            if temperature_c is None:
                return []
            try:
                psu = corrector.salinity_psu(number.value, temperature_c)
            except OutOfRangeError:
                return []
            self._tests.second_probe(at_s, psu)
            self.diagnosis.neighbour_reading(at_s, psu)
            return []

        return handle

    def _level_handler(self) -> Handler:
        level = self.tank.level
        assert level is not None  # noqa: S101 - only bound when configured
        read = number_reader(level)
        factor = 10.0 if level.unit is LevelUnit.CM else 1.0

        def handle(at_s: float, payload: bytes, retained: bool) -> list[Output]:  # noqa: FBT001
            if retained:
                return []
            number = read(payload)
            if isinstance(number, Rejected):
                return [*self._complaints.rejected(at_s, level.topic, number.reason)]
            self.state.level_at_s = at_s
            self.diagnosis.level(at_s, number.value * factor)
            return [Record(at_s, self.name, "level", {"level": number.value})]

        return handle

    def _litres_handler(self) -> Handler:
        meter = self.tank.metered_top_off
        assert meter is not None  # noqa: S101 - only bound when configured
        read = number_reader(meter)
        cumulative = meter.counting is Counting.CUMULATIVE
        litres_per_unit = 1e-3 if meter.unit is VolumeUnit.ML else 1.0

        def handle(at_s: float, payload: bytes, retained: bool) -> list[Output]:  # noqa: FBT001
            if retained:
                return []
            number = read(payload)
            if isinstance(number, Rejected):
                return [*self._complaints.rejected(at_s, meter.topic, number.reason)]
            litres = number.value * litres_per_unit
            if cumulative:
                inflow = self.diagnosis.inflow.state
                before, inflow.meter = inflow.meter, litres
                litres = 0.0 if before is None else litres - before
            if not 0.0 < litres <= LONGEST_METERED_STEP_L:
                return []
            self.diagnosis.litres(at_s, litres)
            self.gates.note_litres(at_s, litres)
            return [
                Record(at_s, self.name, "litres", {"litres": litres}),
                *self._decide(at_s),
            ]

        return handle

    def _equipment_handler(self, name: str) -> Handler:
        equipment = self.tank.equipment[name]
        read = state_reader(equipment)
        known: list[bool | None] = [None]

        def handle(at_s: float, payload: bytes, retained: bool) -> list[Output]:  # noqa: FBT001
            on = read(payload)
            if isinstance(on, Rejected):
                self.state.rejected += 1
                self.gates.note_equipment(at_s, name, on=None)
                told = self._complaints.rejected(at_s, equipment.topic, on.reason)
                return [*told, *self._decide(at_s)]
            if not retained:
                self.diagnosis.equipment(at_s, name, on=on)
            self.gates.note_equipment(at_s, name, on=on)
            outputs = self._decide(at_s)
            if known[0] is not on:
                known[0] = on
                outputs.append(Record(at_s, self.name, "equipment", {"name": name, "on": on}))
            return outputs

        return handle

    # ------------------------------------------------------------------ commands

    def reconsider(self, at_s: float) -> list[Output]:
        """Judge anew after a command."""
        return self._conclude(at_s)

    def water_change(
        self, at_s: float, command: WaterChange
    ) -> tuple[Mapping[str, Any], list[Output]]:
        """Take note of a water change: its start, its end, or that it is done.

        Raises:
            UserError: An end without a start.
        """
        state = self.state
        if command.phase is WorkPhase.START:
            state.change = WaterChangeState(at_s, command.litres, command.salinity)
            self.diagnosis.hands_in(at_s + LONGEST_WATER_CHANGE_S)
            return {}, [self._note(at_s, "water-change", {"phase": "start"})]
        litres, salinity = command.litres, command.salinity
        if command.phase is WorkPhase.END:
            if state.change is None:
                raise UserError("water-change: none was started; send phase 'start' first")
            litres = litres if litres is not None else state.change.litres
            salinity = salinity if salinity is not None else state.change.salinity_psu
            state.change = None
        change_psu = None
        estimate = self.diagnosis.estimate()
        if litres is not None and salinity is not None and estimate is not None:
            share = min(litres / self.tank.volume_l, 1.0)
            change_psu = share * (salinity - estimate[0])
        self.diagnosis.water_changed(at_s, change_psu)
        data = {"litres": litres, "salinity": salinity, "expected_change": change_psu}
        details = {} if change_psu is None else {"expected_change": round(change_psu, 3)}
        return details, [self._note(at_s, "water-change", data)]

    def _note(self, at_s: float, kind: str, data: Mapping[str, Any]) -> Record:
        return Record(at_s, self.name, kind, data)

    def reference(
        self, at_s: float, command: ReferenceCommand
    ) -> tuple[Mapping[str, Any], list[Output]]:
        """Carry out a reference check, a calibration, a fit, or the undoing of one.

        Raises:
            UserError: What is wrong and what is accepted.
        """
        state = self.state
        before = probe_in_force(state.reference, self.tank.probe)
        calibrated = len(state.reference.calibrations)
        outcome = handle(
            self._in_engine_time(command),
            self._with_findings(self._assess(at_s, state.diagnosis.cause)),
            state.reference,
            tank=self.name,
            probe=self.tank.probe,
            now_s=at_s,
            spread_psu=self._tests.sensor.effective_noise_psu,
            surroundings=self._surroundings(),
        )
        state.reference = outcome.state
        after = probe_in_force(state.reference, self.tank.probe)
        if after != before or len(state.reference.calibrations) != calibrated:
            self._correct_by(after)
            self.diagnosis.trust_probe()
        elif state.reference.checks:
            self._weigh_check(at_s, state.reference.checks[-1])
        return outcome.result, list(outcome.records)

    def _in_engine_time(self, command: ReferenceCommand) -> ReferenceCommand:
        """The command with its moment as the engine counts them."""
        calendar = self._calendar
        # Left as it was written for nearly everyone, whose clock is never set.
        if isinstance(command, ReferenceCheck | CalibrationDone) and (
            command.time is not None and calendar.ahead_s
        ):
            return replace(command, time=iso_utc(calendar.engine_s(unix_s(command.time))))
        return command

    def _correct_by(self, probe: Probe) -> None:
        self._corrector = Corrector(probe)
        self._uncertainty = ReadingUncertainty(
            probe,
            self.tank.thermometer,
            calibration_temperature_c=calibration_temperature_c(self.state.reference),
        )

    def _surroundings(self) -> Surroundings:
        blocks = [b for b in self.diagnosis.state.blocks.finished if b.samples]
        return Surroundings(
            last_likely_at_s=self.state.last_likely_at_s,
            swing=swing_estimate(self.diagnosis.state.dependence),
            coldest_c=min((b.temperature_c for b in blocks), default=None),
            warmest_c=max((b.temperature_c for b in blocks), default=None),
        )

    def _weigh_check(self, at_s: float, check: CheckRecord) -> None:
        """A hand reading that contradicts the estimate is evidence; one that agrees is, too."""
        if check.undone or check.e_n is None or check.estimate_psu is None:
            return
        probe_psu = self.state.probe_psu
        away = abs(check.reference_psu - check.estimate_psu)
        if (
            abs(check.e_n) > 1.0
            and self.diagnosis.confirmed
            and probe_psu is not None
            and abs(check.reference_psu - probe_psu) < 0.3 * away
        ):
            # The probe was right all along: the water did what was not thought possible.
            self.diagnosis.trust_probe()
            return
        if check.usable or abs(check.e_n) <= 1.0:
            self.diagnosis.state.check = CheckEvidence(
                at_s, check.estimate_psu - check.reference_psu, check.e_n, check.instrument
            )

    # ------------------------------------------------------------------ time, link, service

    @property
    def wake_at_s(self) -> float:
        """When something changes by time alone."""
        cause = self.state.diagnosis.cause
        silent_s = inf if cause is SILENT else self._silent_s
        return min(
            silent_s,
            self._diagnosis_at_s + DIAGNOSIS_EVERY_S,
            self.gates.wake_at_s,
            self.alarms.wake_at_s,
            self.service.wake_at_s,
        )

    def tick(self, at_s: float) -> list[Output]:
        """Time passed."""
        outputs: list[Output] = []
        if self.service.wake_at_s <= at_s:
            outputs += self.service.advance(at_s)
        silent = self._silent_s <= at_s
        if silent:
            self._tests.overdue(at_s)
            self.diagnosis.idle(at_s)
        if outputs or silent or self._diagnosis_at_s + DIAGNOSIS_EVERY_S <= at_s:
            outputs += self._conclude(at_s)
        else:
            # Only a lease or a delay is due: nothing was learned about the water.
            outputs += self._decide(at_s)
        return outputs

    def circumstances(
        self, at_s: float, *, link_up: bool, clock_settled: bool, alone: bool
    ) -> list[Output]:
        """Link or clock changed, or another daemon came or went."""
        self.situation.link_up, self.situation.clock_settled = link_up, clock_settled
        self.situation.alone = alone
        if link_up and not self._linked:
            self._published_cause = None
        self._linked = link_up
        return self._conclude(at_s)

    def _expect_probe(self) -> None:
        """Work out from when the probe counts as silent."""
        interval_s = self._tests.sensor.interval_s
        # Lost messages in a row are the less likely, the more reliable the sensor has been.
        needed = 1.0 + LOG_FALSE_SILENCE / log(min(max(self.state.missed_share, 1e-5), 0.5))
        intervals = min(max(needed, FEWEST_SILENT_INTERVALS), MOST_SILENT_INTERVALS)
        last_s = self.state.arrived_at_s
        if self.state.invalid and self.state.probe_at_s is not None:
            last_s = max(self.state.probe_at_s, last_s or 0.0)
        sensor = self._tests.sensor
        patience_s = max(intervals * interval_s, 2.0) if sensor.cadence_known else sensor.late_s
        heard_s = self._started_s if last_s is None else max(last_s, self._started_s)
        self._probe_silent_s = heard_s + patience_s

    def _expect_thermometer(self) -> None:
        """Work out from when the probe or its thermometer counts as silent."""
        thermometer_s = self._thermometer.silent_at_s(self._started_s)
        self._silent_s = min(self._probe_silent_s, max(thermometer_s, self._started_s + 3.0))

    # ------------------------------------------------------------------ conclusions

    def _faults(self, at_s: float) -> Faults:
        state, flags = self.state, self._tests.flags()
        silent = at_s >= self._silent_s
        thermometer = self._thermometer.state
        unreadable = (
            state.probe_psu is None
            and state.reported is not None
            and thermometer.temperature_c is not None
            and state.invalid < INVALID_MESSAGES
        )
        invalid = not silent and (
            state.invalid >= INVALID_MESSAGES or thermometer.invalid >= INVALID_MESSAGES
        )
        # A dry cell rests at nothing, quite rightly.
        stuck = (flags["flat_line"] is FAIL or self._flat()) and not unreadable
        dry = self._thermometer.dry
        if not (silent or invalid or stuck or dry or unreadable):
            return NO_FAULTS
        return Faults(silent, invalid, stuck, dry, unreadable)

    def _follow_run(self, reported: float) -> None:
        """Count equal numbers in a row, and how long such runs usually get."""
        state = self.state
        state.run_history = min(state.run_history + 1, 1_000_000)
        if reported == state.reported:
            state.run += 1
            return
        if not self._flat():
            state.longest_run = max(state.run, state.longest_run * LONGEST_RUN_FADE)
        state.run = 1

    def _flat(self) -> bool:
        """Whether the number has not moved for far longer than it ever did."""
        state = self.state
        if state.run < SHORTEST_FLAT_RUN or state.run_history < FLAT_HISTORY + state.run:
            return False
        sensor = self._tests.sensor
        repeats = min(max(sensor.repeat_probability(), 0.01), 0.9999)
        needed = max(log(FLAT_CHANCE) / log(repeats), FLAT_RUNS * state.longest_run)
        return state.run >= needed and state.run * sensor.interval_s >= SHORTEST_FLAT_S

    def _conclude(self, at_s: float, *, sampled: bool = False) -> list[Output]:
        """Judge, publish what is new, decide about permits and alarms."""
        self._expect_probe()
        self._expect_thermometer()
        cause = self.diagnosis.conclude(at_s, self._faults(at_s))
        assessment = self._assess(at_s, cause)
        if assessment.findings is not CALM_FINDINGS:
            remember_likely(self.state.last_likely_at_s, assessment)
        self.situation.assessment = assessment
        outputs: list[Output] = []
        if sampled or cause is not self._published_cause:
            outputs += self._publish_salinity(assessment)
        outputs += self._publish_diagnosis(assessment)
        outputs += self._decide(at_s)
        return outputs

    def _assess(self, at_s: float, cause: Cause) -> Assessment:
        state, diagnosis = self.state, self.diagnosis
        phase = self.service.phase
        settled = diagnosis.settled(at_s) and phase is IDLE
        salinity, expanded = self._estimate()
        tests = self._tests.flags()
        quality, flag, ne107 = status(
            cause,
            gross_range=tests["gross_range"],
            settled=settled,
            known=salinity is not None,
            in_service=phase is ACTIVE,
        )
        thermometer = self._thermometer.state
        return Assessment(
            at_s=at_s,
            salinity_psu=salinity,
            uncertainty_psu=expanded,
            probe_salinity_psu=state.probe_psu,
            probe_at_s=state.probe_at_s,
            temperature_c=thermometer.raw_c,
            temperature_at_s=thermometer.raw_at_s,
            conductivity_25c_ms_cm=state.conductivity_25c_ms_cm,
            reported=state.reported,
            quality=quality,
            flag=flag,
            ne107=ne107,
            cause=cause,
            since_s=diagnosis.state.since_s,
            findings=self._brief_findings(cause),
            tests=tests,
            settled=settled,
            interval_s=self._tests.sensor.interval_s,
            evaporation_l_day=self._evaporation_l_day(),
        )

    def _brief_findings(self, cause: Cause) -> tuple[Finding, ...]:
        """The causes that matter now, without sentences: cheap enough for every sample."""
        probabilities = self.diagnosis.probabilities
        if cause is NONE and probabilities[INDEX[NONE]] > CALM_PROBABILITY:
            return CALM_FINDINGS
        return brief(self.diagnosis)

    def _with_findings(self, assessment: Assessment) -> Assessment:
        assessment.findings = findings(self.diagnosis, assessment.at_s)
        return assessment

    def _estimate(self) -> tuple[float | None, float]:
        estimate = self.diagnosis.estimate()
        temperature_c = self._thermometer.state.temperature_c
        if estimate is None or temperature_c is None:
            return None, inf
        salinity, variance = estimate
        budget = self._uncertainty.budget(
            reported=self.state.reported or 0.0,
            salinity_psu=salinity,
            temperature_c=temperature_c,
            resolution=self._tests.sensor.resolution or 0.0,
            noise_psu=sqrt(variance),
        )
        expanded = COVERAGE * budget.standard_psu
        if expanded > self.tank.limits.largest_uncertainty_psu:
            return None, expanded
        return salinity, expanded

    def _evaporation_l_day(self) -> float | None:
        water = self.diagnosis.water
        if water is None or self.diagnosis.state.balance.band_hours < 24:  # noqa: PLR2004
            return None
        litres = water.state.slope_psu_h * 24.0 / water.state.salinity_psu * self.tank.volume_l
        return max(litres, 0.0)

    def _publish_salinity(self, assessment: Assessment) -> list[Output]:
        self.state.sequence += 1
        document = salinity_document(
            assessment,
            boot_id=self._boot_id,
            sequence=self.state.sequence,
            unit=self.tank.probe.unit,
            reference=self.tank.published_gravity_reference,
            calendar=self._calendar,
        )
        return [
            Publish(assessment.at_s, self._salinity_topic, orjson.dumps(document)),
            Record(assessment.at_s, self.name, "sample", document),
        ]

    def _publish_diagnosis(self, assessment: Assessment) -> list[Output]:
        at_s, cause = assessment.at_s, assessment.cause
        changed = cause is not self._published_cause
        flags = tuple(assessment.tests.values())
        probability = self.diagnosis.probabilities[INDEX[cause]]
        moved = (
            flags != self._published_flags
            or abs(probability - self._published_probability) > PROBABILITY_STEP
        )
        age_s = at_s - self._diagnosis_at_s
        due = age_s >= (DIAGNOSIS_NOT_BEFORE_S if moved else DIAGNOSIS_EVERY_S)
        if not changed and not due:
            return []
        self._with_findings(assessment)
        outputs: list[Output] = [
            Publish(at_s, self._diagnosis_topic, diagnosis_document(assessment, self._calendar))
        ]
        if changed:
            data = {
                "cause": cause.value,
                "evidence": list(assessment.findings[0].evidence),
                "probability": round(probability, 4),
            }
            outputs.append(Record(at_s, self.name, "cause", data))
        self._published_cause, self._published_flags = cause, flags
        self._published_probability, self._diagnosis_at_s = probability, at_s
        return outputs

    def _decide(self, at_s: float) -> list[Output]:
        """Permits and alarms."""
        situation = self.situation
        situation.at_s = at_s
        situation.service = self.service.phase
        situation.level = self._level_condition(at_s)
        outputs: list[Output] = [*self.gates.evaluate(situation)]
        outputs.extend(self.alarms.update(situation, self.gates.status))
        return outputs

    def _level_condition(self, at_s: float) -> LevelCondition:
        if self.tank.level is None:
            return ABSENT
        seen_s, deviation = self.state.level_at_s, self.diagnosis.balance.level_deviation()
        if seen_s is None or deviation is None or at_s - seen_s > 3600.0:  # noqa: PLR2004
            return LevelCondition.UNKNOWN
        if deviation > 3.0:  # noqa: PLR2004
            return LevelCondition.HIGH
        return LevelCondition.LOW if deviation < -3.0 else LevelCondition.NORMAL  # noqa: PLR2004

    def shut_down(self, at_s: float) -> list[Output]:
        """Hold everything, for good."""
        return list(self.gates.shut_down(at_s))
