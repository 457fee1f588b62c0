"""The reference-check command: convert, compare with the estimate, record, and advise."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from bridge.core.agreement import Measured, compare
from bridge.core.errors import UserError
from bridge.core.findings import Assessment, Cause
from bridge.core.instrument_kinds import (
    TYPICAL,
    HandReading,
    InstrumentKind,
    ReferenceValue,
    TypicalUncertainty,
)
from bridge.core.instruments import reference_value
from bridge.core.judgement import (
    DAY_S,
    NOTHING_ELSE,
    Surroundings,
    advice_document,
    advice_for,
    undisturbed,
)
from bridge.core.records import CheckRecord, Outcome, ReferenceState, history_row, with_check
from bridge.core.seawater import HIGHEST_SALINITY_PSU, LOWEST_SALINITY_PSU
from bridge.core.settings import Probe

PRESENT_S: Final = 900.0
"""A check of this age is compared with the present estimate."""
SAME_MOMENT_S: Final = 0.002
SAME_PSU: Final = 1e-6
ON_RECORD: Final = "is on record already"


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """What the daemon made of the water and the probe at the moment of a check."""

    salinity_psu: float | None = None
    uncertainty_psu: float = math.inf
    """Expanded (k = 2)."""
    reported: float | None = None
    """The device's number."""
    temperature_c: float | None = None
    cause: Cause = Cause.NONE
    settled: bool = True
    undisturbed: bool = True


def seen_in(assessment: Assessment) -> Seen:
    """What an assessment says of that moment."""
    return Seen(
        salinity_psu=assessment.salinity_psu,
        uncertainty_psu=assessment.uncertainty_psu,
        reported=assessment.reported,
        temperature_c=assessment.temperature_c,
        cause=assessment.cause,
        settled=assessment.settled,
        undisturbed=undisturbed(assessment),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRequest:
    """A reference check as the keeper reports it."""

    instrument: str
    hand: HandReading | None = None
    """What was read; or else ``salinity_psu``."""
    salinity_psu: float | None = None
    """Practical salinity, already corrected by the keeper."""
    kind: InstrumentKind = InstrumentKind.OTHER
    standard_checked: bool = False
    expanded_uncertainty_psu: float | None = None
    at_s: float | None = None
    then: Seen | None = None
    """What was seen at the time of an older check, where somebody has kept it."""
    note: str = ""


def handle_reference_check(
    request: CheckRequest,
    assessment: Assessment | None,
    state: ReferenceState,
    *,
    tank: str,
    probe: Probe,
    now_s: float,
    surroundings: Surroundings = NOTHING_ELSE,
    typical: Mapping[InstrumentKind, TypicalUncertainty] = TYPICAL,
) -> Outcome:
    """Convert, compare, record, and advise.

    Args:
        request: What the keeper measured.
        assessment: The tank's present state; None when it is not known.
        state: The records so far.
        tank: Which tank, for the history.
        probe: The probe as configured.
        now_s: Unix time. [s]
        surroundings: Disturbances of late, swing estimate, the water's range of temperature.
        typical: Standard uncertainties of the kinds of instrument.

    Returns:
        The result, the history's row, and the state with the check.

    Raises:
        UserError: the request makes no sense as it stands.
    """
    at_s = now_s if request.at_s is None else request.at_s
    if at_s > now_s + DAY_S:
        raise UserError("time lies in the future; accepted is the time of the check")
    reference = _reference(request, typical)
    # The present estimate says nothing about a check that was made long ago.
    present = request.then
    if assessment is not None and now_s - at_s <= PRESENT_S:
        present = seen_in(assessment)
    comparison = compare(
        _estimate(present),
        Measured(reference.salinity_psu, reference.expanded_uncertainty_psu),
        settled=present is None or present.settled,
    )
    hand = request.hand
    record = CheckRecord(
        number=state.next_number,
        at_s=at_s,
        instrument=request.instrument,
        kind=request.kind.value,
        readings=list(hand.readings) if hand is not None else [reference.salinity_psu],
        unit=hand.unit.value if hand is not None else "psu",
        sample_temperature_c=hand.sample_temperature_c if hand is not None else None,
        standard_checked=request.standard_checked,
        reference_psu=reference.salinity_psu,
        reference_expanded_uncertainty_psu=reference.expanded_uncertainty_psu,
        scatter_psu=reference.scatter_psu,
        estimate_psu=present.salinity_psu if present is not None else None,
        estimate_expanded_uncertainty_psu=_finite(
            present.uncertainty_psu if present is not None else None
        ),
        e_n=comparison.e_n,
        verdict=comparison.verdict.value,
        reported=present.reported if present is not None else None,
        temperature_c=present.temperature_c if present is not None else None,
        cause=present.cause.value if present is not None else Cause.NONE.value,
        usable=present is not None and present.settled and present.undisturbed,
        note=request.note,
    )
    _refuse_twice(record, state)
    after = with_check(state, record)
    advice = advice_for(
        after, assessment, probe=probe, now_s=now_s, surroundings=surroundings, newest=comparison
    )
    result: dict[str, Any] = {
        "check": record.number,
        "salinity": round(reference.salinity_psu, 3),
        "expanded_uncertainty": round(reference.expanded_uncertainty_psu, 3),
        "estimate": _rounded(record.estimate_psu),
        "estimate_uncertainty": _rounded(record.estimate_expanded_uncertainty_psu),
        "e_n": _rounded(comparison.e_n),
        "verdict": comparison.verdict.value,
        "sentence": comparison.sentence,
        "what_would_tell": comparison.what_would_tell,
        "scatter": round(reference.scatter_psu, 3),
        "assumptions": list(reference.assumptions),
        "budget": [
            {"source": line.source, "standard_uncertainty": round(line.standard_uncertainty_psu, 3)}
            for line in reference.budget
        ],
        "advice": advice_document(advice),
    }
    return Outcome(result, (history_row(tank, at_s, record),), after)


def handle_undo_check(number: int, state: ReferenceState, *, tank: str, now_s: float) -> Outcome:
    """Take a mistaken check out of fit and advice; its row stays in the history.

    Raises:
        UserError: there is no such check.
    """
    found = next((c for c in state.checks if c.number == number and not c.undone), None)
    if found is None:
        numbers = ", ".join(str(c.number) for c in state.checks if not c.undone) or "none"
        raise UserError(f"check {number} is not on record; on record are: {numbers}")
    undone = replace(found, undone=True)
    checks = [undone if check is found else check for check in state.checks]
    return Outcome(
        {"undone": number},
        (history_row(tank, now_s, undone),),
        replace(state, checks=checks),
    )


def _reference(
    request: CheckRequest, typical: Mapping[InstrumentKind, TypicalUncertainty]
) -> ReferenceValue:
    if request.hand is not None:
        return reference_value(request.hand, typical)
    salinity = request.salinity_psu
    if salinity is None:
        raise UserError(
            "the check has no result; give reading and unit, or salinity when it is already "
            "corrected"
        )
    if not LOWEST_SALINITY_PSU <= salinity <= HIGHEST_SALINITY_PSU:
        raise UserError(f"salinity is {salinity:g}; accepted is 2 to 42")
    expanded = request.expanded_uncertainty_psu
    usual = typical[request.kind]
    if expanded is None:
        expanded = 2 * (usual.checked_psu if request.standard_checked else usual.unchecked_psu)
    if not 0 < expanded < math.inf:
        raise UserError(f"expanded_uncertainty is {expanded:g}; it must be above 0")
    assumption = "The salinity is taken as corrected already."
    return ReferenceValue(salinity, expanded, 0.0, 1, (), (assumption,))


def _refuse_twice(record: CheckRecord, state: ReferenceState) -> None:
    """Refuse an older check that is on record already, as when a file is read in twice."""
    for known in state.checks:
        if (
            abs(known.at_s - record.at_s) < SAME_MOMENT_S
            and known.instrument == record.instrument
            and abs(known.reference_psu - record.reference_psu) < SAME_PSU
        ):
            raise UserError(f"this check {ON_RECORD}, as check {known.number}")


def _estimate(seen: Seen | None) -> Measured | None:
    if seen is None or seen.salinity_psu is None or not 0 < seen.uncertainty_psu < math.inf:
        return None
    return Measured(seen.salinity_psu, seen.uncertainty_psu)


def _finite(value: float | None) -> float | None:
    return value if value is not None and math.isfinite(value) else None


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)
