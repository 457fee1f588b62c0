"""From commands off the wire to checks, calibrations, fits and their undoing."""

import math
from collections.abc import Mapping
from typing import Final

from bridge.core.advice import DISTURBANCES
from bridge.core.calibration_points import CalibrationRequest
from bridge.core.calibrations import handle_calibration, handle_undo
from bridge.core.checks import CheckRequest, Seen, handle_reference_check, handle_undo_check
from bridge.core.findings import Assessment
from bridge.core.instrument_kinds import (
    TYPICAL,
    HandReading,
    InstrumentKind,
    TypicalUncertainty,
    instrument_kind,
)
from bridge.core.judgement import NOTHING_ELSE, Surroundings
from bridge.core.records import Outcome, ReferenceState
from bridge.core.refit import handle_fit
from bridge.core.settings import Probe
from bridge.core.wire.commands import CalibrationDone, FitChecks, ReferenceCheck, Then, Undo
from bridge.core.wire.instants import unix_s

ReferenceCommand = ReferenceCheck | CalibrationDone | FitChecks | Undo

REFERENCE_COMMANDS: Final = (ReferenceCheck, CalibrationDone, FitChecks, Undo)


def handle(
    command: ReferenceCommand,
    assessment: Assessment | None,
    state: ReferenceState,
    *,
    tank: str,
    probe: Probe,
    now_s: float,
    spread_psu: float | None = None,
    surroundings: Surroundings = NOTHING_ELSE,
    typical: Mapping[InstrumentKind, TypicalUncertainty] = TYPICAL,
) -> Outcome:
    """Carry out one of the commands about reference and calibration.

    Args:
        command: As parsed.
        assessment: The tank's present state; None when there is none.
        state: The records so far.
        tank: Which tank, for the history.
        probe: The probe as configured.
        now_s: Unix time. [s]
        spread_psu: Standard deviation of the newest readings; None when not known. [1]
        surroundings: Disturbances of late, swing estimate, the water's range of temperature.
        typical: Standard uncertainties of hand instruments, where the keeper states none.

    Returns:
        Details for the answer, rows for the history, and the state after it.

    Raises:
        UserError: what is wrong and what is accepted.
    """
    if isinstance(command, ReferenceCheck):
        return handle_reference_check(
            check_request(command, assessment),
            assessment,
            state,
            tank=tank,
            probe=probe,
            now_s=now_s,
            surroundings=surroundings,
            typical=typical,
        )
    if isinstance(command, CalibrationDone):
        return handle_calibration(
            calibration_request(command),
            assessment,
            state,
            tank=tank,
            probe=probe,
            now_s=now_s,
            spread_psu=spread_psu,
        )
    if isinstance(command, FitChecks):
        return handle_fit(
            state,
            assessment,
            tank=tank,
            probe=probe,
            now_s=now_s,
            confirm=command.confirm,
            by=command.by or "",
            surroundings=surroundings,
        )
    if command.check is not None:
        return handle_undo_check(command.check, state, tank=tank, now_s=now_s)
    return handle_undo(
        command.calibration or 0,
        state,
        tank=tank,
        probe=probe,
        now_s=now_s,
        by=command.by or "",
    )


def check_request(command: ReferenceCheck, assessment: Assessment | None) -> CheckRequest:
    """The check as the command describes it; the tank's temperature stands in for the sample's."""
    kind = instrument_kind(command.instrument)
    readings = command.readings
    if command.reading is not None:
        readings = (command.reading,)
    hand = None
    if readings is not None and command.unit is not None:
        hand = HandReading(
            kind=kind,
            readings=readings,
            unit=command.unit,
            temperature_corrected=command.temperature_corrected,
            sample_temperature_c=command.sample_temperature_c,
            assumed_temperature_c=None if assessment is None else assessment.temperature_c,
            gravity_reference=command.gravity_reference,
            coefficient_pct_per_c=command.coefficient_pct_per_c,
            standard_checked=command.standard_checked,
            expanded_uncertainty_psu=command.expanded_uncertainty,
        )
    return CheckRequest(
        instrument=command.instrument,
        hand=hand,
        salinity_psu=command.salinity,
        kind=kind,
        # A laboratory calibrates its instruments; of the others only the keeper knows.
        standard_checked=command.standard_checked or kind is InstrumentKind.LABORATORY,
        expanded_uncertainty_psu=command.expanded_uncertainty,
        at_s=None if command.time is None else unix_s(command.time),
        then=None if command.then is None else _seen(command.then),
        note=command.note or "",
    )


def _seen(then: Then) -> Seen:
    return Seen(
        salinity_psu=then.salinity,
        uncertainty_psu=math.inf if then.uncertainty is None else then.uncertainty,
        reported=then.reported,
        temperature_c=then.temperature_c,
        cause=then.cause,
        undisturbed=then.cause not in DISTURBANCES,
    )


def calibration_request(command: CalibrationDone) -> CalibrationRequest:
    """The calibration as the command describes it."""
    return CalibrationRequest(
        standard=command.standard.value,
        value=command.value,
        unit=command.unit,
        temperature_c=command.temperature_c,
        gravity_reference=command.gravity_reference,
        expanded_uncertainty_psu=command.expanded_uncertainty,
        at_s=None if command.time is None else unix_s(command.time),
        reading_before=command.reading_before,
        reading_after=command.reading_after,
        apply_in_daemon=command.apply,
        confirm=command.confirm,
        by=command.by or "",
        note=command.note or "",
    )
