"""Reference checks and calibrations as dated records; what correction is in force follows.

Records are only ever appended. Undoing one appends another that restores what was before, and a
new correction counts from the moment it was recorded, so no published value is ever rewritten.
"""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, replace
from typing import Any, Final

from bridge.core.outputs import Record
from bridge.core.settings import Calibration, Probe

KEPT_CHECKS: Final = 100
"""Checks kept in memory for fitting; the history keeps all of them."""


@dataclass(slots=True)
class Correction:
    """What is applied to conductivity at the water's temperature."""

    gain: float
    offset_ms_cm: float
    coefficient_pct_per_c: float | None
    expanded_uncertainty_psu: float
    """k = 2, at S = 35."""

    @property
    def neutral(self) -> bool:
        """Whether the device's number is taken as it is."""
        return self.gain == 1 and self.offset_ms_cm == 0


@dataclass(slots=True)
class CalibrationRecord:
    """One calibration, or the undoing of one."""

    number: int
    at_s: float
    """When it was made."""
    recorded_at_s: float
    """When it was recorded; the correction counts from here."""
    standard: str
    """A standard's identifier, or ``reference-checks`` for a fit."""
    where: str
    """``device`` or ``daemon``."""
    stated_value: float | None
    stated_unit: str | None
    temperature_c: float | None
    """Of the standard."""
    standard_ms_cm: float | None
    """The standard's conductivity at that temperature."""
    standard_expanded_uncertainty_psu: float | None
    reading_before: float | None
    reading_after: float | None
    """The device's number in the standard, before and after."""
    by: str
    note: str
    before: Correction
    after: Correction
    configured: Correction
    """What the configuration said at that moment."""
    questions: list[str] = field(default_factory=list)
    undoes: int | None = None


@dataclass(slots=True)
class CheckRecord:
    """One reference check, as read and as understood."""

    number: int
    at_s: float
    instrument: str
    kind: str
    readings: list[float]
    unit: str
    sample_temperature_c: float | None
    standard_checked: bool
    reference_psu: float
    reference_expanded_uncertainty_psu: float
    scatter_psu: float
    estimate_psu: float | None
    estimate_expanded_uncertainty_psu: float | None
    e_n: float | None
    verdict: str
    reported: float | None
    """The device's number at that moment."""
    temperature_c: float | None
    cause: str
    usable: bool
    """Whether it may take part in a fit: the probe was undisturbed."""
    note: str
    undone: bool = False


@dataclass(slots=True)
class ReferenceState:
    """All that is remembered of checks and calibrations."""

    next_number: int = 1
    checks: list[CheckRecord] = field(default_factory=list)
    calibrations: list[CalibrationRecord] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a command led to: the answer, rows for the history, and the state after it."""

    result: Mapping[str, Any]
    records: tuple[Record, ...]
    state: ReferenceState


def configured_correction(probe: Probe) -> Correction:
    """The correction as the configuration states it."""
    return Correction(
        gain=probe.calibration.gain,
        offset_ms_cm=probe.calibration.offset_ms_cm,
        coefficient_pct_per_c=probe.coefficient_pct_per_c,
        expanded_uncertainty_psu=probe.calibration.expanded_uncertainty_psu,
    )


def correction_in_force(
    state: ReferenceState, probe: Probe, at_s: float | None = None
) -> Correction:
    """The correction that counts at a moment.

    Args:
        state: The records.
        probe: The probe as configured.
        at_s: Unix time; left out, after the newest record. [s]

    Returns:
        That of the newest record made until then. When the configuration has been edited since
        that record, the keeper's newer word is the configuration.
    """
    configured = configured_correction(probe)
    newest = None
    for record in state.calibrations:
        if at_s is None or record.recorded_at_s <= at_s:
            newest = record
    if newest is None or newest.configured != configured:
        return configured
    return newest.after


def probe_in_force(state: ReferenceState, probe: Probe, at_s: float | None = None) -> Probe:
    """The probe's settings with the correction in force in place of the configured one."""
    correction = correction_in_force(state, probe, at_s)
    return replace(
        probe,
        coefficient_pct_per_c=correction.coefficient_pct_per_c,
        calibration=Calibration(
            gain=correction.gain,
            offset_ms_cm=correction.offset_ms_cm,
            expanded_uncertainty_psu=correction.expanded_uncertainty_psu,
        ),
    )


def standing_calibrations(state: ReferenceState) -> list[CalibrationRecord]:
    """Calibrations that were not undone, in their order."""
    standing: list[CalibrationRecord] = []
    for record in state.calibrations:
        if record.undoes is None:
            standing.append(record)
        else:
            standing = [other for other in standing if other.number != record.undoes]
    return standing


def calibrated_at_s(state: ReferenceState) -> float | None:
    """When the probe was last calibrated; None when there is no standing record of it."""
    standing = standing_calibrations(state)
    return standing[-1].at_s if standing else None


def calibration_temperature_c(state: ReferenceState) -> float | None:
    """Temperature of the standard in the last standing calibration, when one was used."""
    standing = standing_calibrations(state)
    return standing[-1].temperature_c if standing else None


def device_calibrated_at_s(state: ReferenceState) -> float | None:
    """When the device itself was last changed; checks from before say nothing about it now."""
    times = [r.recorded_at_s for r in standing_calibrations(state) if r.where == "device"]
    return max(times) if times else None


def traceability(state: ReferenceState) -> list[dict[str, Any]]:
    """Every calibration ever recorded, the newest last, with whether it still stands."""
    standing = {record.number for record in standing_calibrations(state)}
    return [
        {**asdict(record), "stands": record.number in standing} for record in state.calibrations
    ]


def with_check(state: ReferenceState, record: CheckRecord) -> ReferenceState:
    """The state with one more check; the oldest beyond ``KEPT_CHECKS`` are left to the history."""
    # By the time they were made: an older one may be told of later.
    checks = sorted([*state.checks, record], key=lambda check: check.at_s)
    return replace(state, next_number=record.number + 1, checks=checks[-KEPT_CHECKS:])


def with_calibration(state: ReferenceState, record: CalibrationRecord) -> ReferenceState:
    """The state with one more calibration."""
    return replace(state, next_number=record.number + 1, calibrations=[*state.calibrations, record])


def history_row(tank: str, at_s: float, record: CheckRecord | CalibrationRecord) -> Record:
    """The row that the history keeps of a record."""
    kind = "check" if isinstance(record, CheckRecord) else "calibration"
    return Record(at_s, tank, kind, asdict(record))
