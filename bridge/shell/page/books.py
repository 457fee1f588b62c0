"""Checks, calibrations and what happened of late, as tables."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final

from bridge.core.alarm_catalogue import PLANT_ALARMS
from bridge.core.alarm_text import capital
from bridge.core.instrument_kinds import InstrumentKind
from bridge.core.outputs import Record
from bridge.shell.history_reader import HistoryReader
from bridge.shell.page.forms import INSTRUMENTS
from bridge.shell.page.happenings import event_words, records
from bridge.shell.page.look import Moment, headline
from bridge.shell.page.snapshot import Snapshot
from bridge.shell.page.words import CAUSE_NAMES, PHASE_WORDS, permit_title, reason_words, within

FOREVER_S: Final = 1e11
MOST_ROWS: Final = 200
SHOWN_LOG: Final = 100
PLANT_LOG_KINDS: Final = ("alarm", "command")
PLANT_HEADLINES: Final = {alarm: headline(kind) for alarm, kind in PLANT_ALARMS.items()}
LOG_KINDS: Final = ("cause", "permit", "alarm", "water-change", "service", "command")

VERDICTS: Final[Mapping[str, str]] = {
    "agree": "they agree",
    "differ": "they differ",
    "cannot-tell": "cannot tell",
}


@dataclass(frozen=True, slots=True)
class CheckRow:
    """A reference check."""

    number: int
    at: Moment
    instrument: str
    readings: str
    reference: str
    estimate: str
    verdict: str
    note: str
    undone: bool


@dataclass(frozen=True, slots=True)
class CalibrationRow:
    """A calibration, or the taking back of one."""

    number: int
    at: Moment
    what: str
    where: str
    effect: str
    by: str
    note: str
    stands: bool


@dataclass(frozen=True, slots=True)
class LogRow:
    """Something that happened."""

    at: Moment
    what: str


def checks_and_calibrations(
    reader: HistoryReader, snapshot: Snapshot, tank: str
) -> tuple[list[CheckRow], list[CalibrationRow]]:
    """Both tables, the newest first."""
    found = records(
        reader,
        snapshot,
        tank,
        ("check", "calibration"),
        from_s=0.0,
        to_s=FOREVER_S,
        newest=2 * MOST_ROWS,
    )
    # A check that was taken back is recorded anew under its number.
    checks = {row.data["number"]: row.data for row in found if row.kind == "check"}
    calibrations = [row.data for row in found if row.kind == "calibration"]
    undone = {data["undoes"] for data in calibrations if data["undoes"] is not None}
    return (
        [check_row(data) for data in reversed(list(checks.values()))],
        [calibration_row(data, undone) for data in reversed(calibrations)],
    )


def log_rows(
    reader: HistoryReader, snapshot: Snapshot, tank: str, headlines: Mapping[str, str]
) -> list[LogRow]:
    """What happened of late, the newest first.

    Args:
        reader: The history.
        snapshot: What is too new for it.
        tank: Which tank.
        headlines: Of its alarms.
    """
    found = [
        row
        # What befell the whole installation befell this tank as well.
        for owner, kinds in ((tank, LOG_KINDS), ("", PLANT_LOG_KINDS))
        for row in records(
            reader, snapshot, owner, kinds, from_s=0.0, to_s=FOREVER_S, newest=SHOWN_LOG
        )
    ]
    newest = sorted(found, key=lambda row: row.at_s, reverse=True)[:SHOWN_LOG]
    known = {**PLANT_HEADLINES, **headlines}
    return [LogRow(Moment(row.at_s), log_words(row, known)) for row in newest]


def check_row(data: Mapping[str, Any]) -> CheckRow:
    """A check as the history keeps it, in words."""
    estimate, unsure = data["estimate_psu"], data["estimate_expanded_uncertainty_psu"]
    kinds = {kind.value: words for kind, words in INSTRUMENTS.items()}
    instrument = data["instrument"]
    if instrument in kinds:
        instrument = kinds[instrument]
    elif data["kind"] != InstrumentKind.OTHER:
        instrument = f"{instrument} ({kinds[data['kind']]})"
    readings = ", ".join(f"{value:g}" for value in data["readings"])
    reference_unsure = data["reference_expanded_uncertainty_psu"]
    return CheckRow(
        number=data["number"],
        at=Moment(data["at_s"]),
        instrument=instrument,
        readings=f"{readings} {data['unit']}",
        reference=f"{data['reference_psu']:.1f} to within {within(reference_unsure)}",
        estimate="not known"
        if estimate is None or unsure is None
        else f"{estimate:.1f} to within {within(unsure)}",
        verdict=VERDICTS.get(data["verdict"], data["verdict"]),
        note=data["note"],
        undone=data["undone"],
    )


def calibration_row(data: Mapping[str, Any], undone: set[int]) -> CalibrationRow:
    """A calibration as the history keeps it, in words; ``undone`` are numbers taken back."""
    before, after = data["before"], data["after"]
    if data["undoes"] is not None:
        what = f"Calibration {data['undoes']} taken back"
    elif data["stated_value"] is not None:
        what = f"{data['standard']}, {data['stated_value']:g} {data['stated_unit']}"
    else:
        what = data["standard"]
    moved = [
        f"{label} {before[key]:.4g} to {after[key]:.4g}"
        for key, label in (
            ("gain", "gain"),
            ("offset_ms_cm", "offset (mS/cm)"),
            ("coefficient_pct_per_c", "coefficient (% per °C)"),
        )
        if before[key] is not None and after[key] is not None and before[key] != after[key]
    ]
    return CalibrationRow(
        number=data["number"],
        at=Moment(data["at_s"]),
        what=capital(what),
        where="in the device" if data["where"] == "device" else "in Tidegate",
        effect=", ".join(moved) or "none in Tidegate",
        by=data["by"],
        note=data["note"],
        stands=data["undoes"] is None and data["number"] not in undone,
    )


def log_words(row: Record, headlines: Mapping[str, str]) -> str:
    """A row of the log in a sentence."""
    if row.kind == "alarm":
        return _alarm(row.data, headlines)
    words: Callable[[Mapping[str, Any]], str] | None = _LOG_WORDS.get(row.kind)
    return event_words(row) if words is None else words(row.data)


def _cause(data: Mapping[str, Any]) -> str:
    if data["cause"] == "none":
        return "Nothing disturbs the reading."
    return f"Found: {CAUSE_NAMES.get(data['cause'], data['cause'])}."


def _permit(data: Mapping[str, Any]) -> str:
    name = permit_title(data["permit"])
    if "why" in data:
        if data["bypass_until_s"] is None:
            return f"{name}: bypass ended."
        return f"{name}: bypassed by hand ({data['why']})."
    if data["state"] == "permit":
        return f"{name}: allowed."
    reasons = ", ".join(reason_words(reason) for reason in data["reasons"])
    return f"{name}: held ({reasons})."


def _alarm(data: Mapping[str, Any], headlines: Mapping[str, str]) -> str:
    headline = headlines.get(data["alarm"], data["alarm"]).rstrip(".")
    state = "back to normal" if data["state"] == "normal" else PHASE_WORDS[data["state"]]
    return f"Alarm: {headline} ({state})."


def _command(data: Mapping[str, Any]) -> str:
    return f"Command “{data['name']}” carried out."


_LOG_WORDS: Final[Mapping[str, Callable[[Mapping[str, Any]], str]]] = {
    "cause": _cause,
    "permit": _permit,
    "command": _command,
}
