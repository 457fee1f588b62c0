"""One tank: readings in, judgement out. Joins correction, tests, diagnosis, permits and alarms."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any, Final

from bridge.core import learned
from bridge.core.alarms import TankAlarms
from bridge.core.assessing import CALM_FINDINGS, INVALID_MESSAGES, Assessor
from bridge.core.checks import PRESENT_S
from bridge.core.compensation import Corrector
from bridge.core.complaints import Complaints
from bridge.core.diagnosis import Diagnosis
from bridge.core.diagnosis_state import CheckEvidence
from bridge.core.errors import OutOfRangeError, UserError
from bridge.core.findings import Cause
from bridge.core.instrument_kinds import typical_uncertainties
from bridge.core.judgement import remember_likely
from bridge.core.level_watch import LevelWatch
from bridge.core.outputs import Output, Record
from bridge.core.permits import Gates
from bridge.core.probe_input import POSSIBLE, ProbeInput
from bridge.core.qartod import PlausibilityTests
from bridge.core.records import CheckRecord, calibration_temperature_c, probe_in_force
from bridge.core.reference_commands import ReferenceCommand, handle
from bridge.core.repeats import Repeats
from bridge.core.service import Service, ServicePhase
from bridge.core.settings import Counting, LevelUnit, Probe, Settings, VolumeUnit
from bridge.core.silence import Silence
from bridge.core.situation import LevelCondition, Situation
from bridge.core.tank_documents import TankDocuments
from bridge.core.tank_state import TankState, WaterChangeState
from bridge.core.thermometer import WaterThermometer
from bridge.core.units import to_celsius
from bridge.core.wire.commands import CalibrationDone, ReferenceCheck, WaterChange, WorkPhase
from bridge.core.wire.instants import Calendar, iso_utc, unix_s
from bridge.core.wire.payload import Number, Rejected, number_reader, state_reader

LONGEST_UNDER_WAY_S: Final = 86_400.0
"""A reading that claims to be older tells nothing of now, or comes from a clock that is not set."""
LONGEST_METERED_STEP_L: Final = 1000.0
"""A cumulative meter that jumps further was reset."""
LONGEST_WATER_CHANGE_S: Final = 6 * 3600.0

# Local names: looking a member up on an enumeration costs more than a whole comparison.
SILENT: Final = Cause.SILENT
ABSENT: Final = LevelCondition.ABSENT
ACTIVE: Final = ServicePhase.ACTIVE

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
        self.name, self.tank = name, tank
        fresh = state is None
        self.state = state or TankState()
        self._complaints = Complaints()
        self._tests = PlausibilityTests(tank, self.state.tests)
        self._thermometer = WaterThermometer(tank.thermometer.interval_s, self.state.thermometer)
        self.diagnosis = Diagnosis(tank, None if fresh else self.state.diagnosis)
        self.state.diagnosis = self.diagnosis.state
        self._level = LevelWatch(self.state.level, self.diagnosis.balance)
        self._silence = Silence(self.state, self._tests.sensor, self._thermometer, at_s)
        repeats = Repeats(self.state, self._tests.sensor)
        self._probe = ProbeInput(
            self.state,
            tank.probe,
            tests=self._tests,
            thermometer=self._thermometer,
            diagnosis=self.diagnosis,
            silence=self._silence,
            repeats=repeats,
        )
        self._assessor = Assessor(
            tank,
            self.state,
            tests=self._tests,
            thermometer=self._thermometer,
            diagnosis=self.diagnosis,
            repeats=repeats,
        )
        self._typical = typical_uncertainties(settings.instruments)
        self._correct_by(probe_in_force(self.state.reference, tank.probe))
        self._documents = TankDocuments(
            name,
            tank,
            self.state,
            base=f"{settings.base_topic}/{name}",
            boot_id=boot_id,
            diagnosis=self.diagnosis,
            assessor=self._assessor,
            calendar=calendar,
        )
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
        self.state.arrived_at_s = taken_s = at_s
        if number.measured_at_s is not None:
            measured_s = self._calendar.engine_s(number.measured_at_s)
            if measured_s < at_s - LONGEST_UNDER_WAY_S:
                return self._probe_rejected(at_s, "its time stamp is more than a day old")
            # A stamp from the future is a wrong clock; the arrival is the better time.
            if measured_s < at_s:
                taken_s = measured_s
        reported = number.value
        if self._probe.stale(at_s, taken_s, reported):
            return self._conclude(at_s)
        self._probe.take(at_s, taken_s, reported, in_service=self.service.phase is ACTIVE)
        return self._conclude(at_s, sampled=True)

    def _thermometer_handler(self) -> Handler:
        thermometer = self.tank.thermometer
        read = number_reader(thermometer)
        unit, offset_c = thermometer.unit, thermometer.offset_c
        following, silence = self._thermometer, self._silence

        def handle(at_s: float, payload: bytes, retained: bool) -> list[Output]:  # noqa: FBT001
            if retained:
                return []
            number = read(payload)
            if isinstance(number, Rejected):
                self.state.rejected += 1
                following.rejected(at_s)
                told = self._complaints.rejected(at_s, thermometer.topic, number.reason)
                return [*told, *self._conclude(at_s)]
            dry = following.dry
            silent = at_s >= silence.silent_s
            following.reading(at_s, to_celsius(number.value, unit) + offset_c)
            if silent or dry != following.dry:
                return self._conclude(at_s)
            silence.expect_thermometer()
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
            self.diagnosis.level(at_s, number.value * factor)
            self._level.reading(at_s, number.value * factor)
            outputs: list[Output] = [Record(at_s, self.name, "level", {"level": number.value})]
            if self._level.condition(at_s) is self.situation.level:
                return outputs
            return self._decide(at_s, outputs)

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
            return self._decide(at_s, [Record(at_s, self.name, "litres", {"litres": litres})])

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
                return self._decide(at_s, [*told])
            if not retained:
                self.diagnosis.equipment(at_s, name, on=on)
            self.gates.note_equipment(at_s, name, on=on)
            outputs = self._decide(at_s, [])
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
            found = self.diagnosis.estimate()
            state.change = WaterChangeState(
                at_s, command.litres, command.salinity, None if found is None else found[0]
            )
            self.diagnosis.hands_in(at_s + LONGEST_WATER_CHANGE_S)
            return {}, [self._note(at_s, "water-change", {"phase": "start"})]
        litres, salinity = command.litres, command.salinity
        estimate = self.diagnosis.estimate()
        before_psu = None if estimate is None else estimate[0]
        if command.phase is WorkPhase.END:
            if state.change is None:
                raise UserError("water-change: none was started; send phase 'start' first")
            litres = litres if litres is not None else state.change.litres
            salinity = salinity if salinity is not None else state.change.salinity_psu
            # By now the reading has followed: what it makes counts from where it began.
            before_psu = before_psu if state.change.before_psu is None else state.change.before_psu
            state.change = None
        change_psu = None
        if litres is not None and salinity is not None and before_psu is not None:
            share = min(litres / self.tank.volume_l, 1.0)
            change_psu = share * (salinity - before_psu)
        self.diagnosis.water_changed(at_s, change_psu, before_psu)
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
            self._assessor.in_full(
                self._assessor.assess(at_s, state.diagnosis.cause, self.service.phase)
            ),
            state.reference,
            tank=self.name,
            probe=self.tank.probe,
            now_s=at_s,
            spread_psu=self._tests.sensor.effective_noise_psu,
            surroundings=learned.surroundings(self.diagnosis.state, self.state.last_likely_at_s),
            typical=self._typical,
        )
        state.reference = outcome.state
        after = probe_in_force(state.reference, self.tank.probe)
        if after != before or len(state.reference.calibrations) != calibrated:
            self._correct_by(after)
            self.diagnosis.trust_probe()
        elif state.reference.checks:
            check = state.reference.checks[-1]
            # One that was made long ago tells nothing of now, though it may be told of now.
            if at_s - check.at_s <= PRESENT_S:
                self._weigh_check(at_s, check)
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
        self._probe.correct_by(probe)
        self._assessor.correct_by(
            probe, calibration_temperature_c=calibration_temperature_c(self.state.reference)
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
        # Asked for after every message: written out, this costs a third of `min`.
        wake_at_s = self._documents.due_s
        other_s = self._silence.silent_s
        if other_s < wake_at_s and self.state.diagnosis.cause is not SILENT:
            wake_at_s = other_s
        other_s = self.gates.wake_at_s
        if other_s < wake_at_s:
            wake_at_s = other_s
        other_s = self.alarms.wake_at_s
        if other_s < wake_at_s:
            wake_at_s = other_s
        other_s = self.service.wake_at_s
        return other_s if other_s < wake_at_s else wake_at_s

    def tick(self, at_s: float) -> list[Output]:
        """Time passed."""
        outputs: list[Output] = []
        if self.service.wake_at_s <= at_s:
            outputs += self.service.advance(at_s)
        silent = self._silence.silent_s <= at_s
        if silent:
            self._tests.overdue(at_s)
            self.diagnosis.idle(at_s)
        if outputs or silent or self._documents.due_s <= at_s:
            return outputs + self._conclude(at_s)
        # Only a lease or a delay is due: nothing was learned about the water.
        return self._decide(at_s, outputs)

    def circumstances(
        self, at_s: float, *, link_up: bool, clock_settled: bool, alone: bool
    ) -> list[Output]:
        """Link or clock changed, or another daemon came or went."""
        self.situation.link_up, self.situation.clock_settled = link_up, clock_settled
        self.situation.alone = alone
        if link_up and not self._linked:
            self._documents.repeat_all()
        self._linked = link_up
        return self._conclude(at_s)

    # ------------------------------------------------------------------ conclusions

    def _conclude(self, at_s: float, *, sampled: bool = False) -> list[Output]:
        """Judge, publish what is new, decide about permits and alarms."""
        silence, assessor = self._silence, self._assessor
        silence.expect()
        faults = assessor.faults(silent=at_s >= silence.silent_s)
        cause = self.diagnosis.conclude(at_s, faults)
        assessment = assessor.assess(at_s, cause, self.service.phase)
        if assessment.findings is not CALM_FINDINGS:
            remember_likely(self.state.last_likely_at_s, assessment)
        self.situation.assessment = assessment
        outputs: list[Output] = []
        self._documents.publish(assessment, outputs, sampled=sampled)
        return self._decide(at_s, outputs)

    def _decide(self, at_s: float, outputs: list[Output]) -> list[Output]:
        """Permits and alarms; adds to what is to be done already."""
        situation = self.situation
        situation.at_s = at_s
        situation.service = self.service.phase
        situation.level = self._level_condition(at_s)
        outputs += self.gates.evaluate(situation)
        outputs += self.alarms.update(situation, self.gates.status)
        return outputs

    def _level_condition(self, at_s: float) -> LevelCondition:
        if self.tank.level is None:
            return ABSENT
        return self._level.condition(at_s)

    def shut_down(self, at_s: float) -> list[Output]:
        """Hold everything, for good."""
        return list(self.gates.shut_down(at_s))
