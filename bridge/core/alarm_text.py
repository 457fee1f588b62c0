"""What the keeper reads about an alarm: a title and a body that fit a lock screen."""

from collections.abc import Mapping, Sequence
from math import isfinite
from typing import Final

from bridge.core.alarm_catalogue import AlarmKind
from bridge.core.findings import Assessment, Cause
from bridge.core.permit_gate import PermitStatus
from bridge.core.permit_rules import Reason

HOUR_S: Final = 3600.0
SMALLEST_SHOWN_PSU: Final = 0.1

REASON_WORDS: Final[Mapping[str, str]] = {
    Reason.SHUTDOWN: "the daemon stops",
    Reason.LINK: "the broker is away",
    Reason.CLOCK: "the clock jumped",
    Reason.ANOTHER_DAEMON: "another daemon",
    Reason.LAPSED: "the daemon was stalled",
    Reason.UNCOUNTED: "a limit that nothing counts",
    Reason.SERVICE: "service",
    Reason.SETTLING: "settling after service",
    Reason.STARTING: "no settled reading since the start",
    Reason.STALE: "no fresh reading",
    Reason.OVERRUN: "it ran on when held",
    Reason.RUN_TIME: "it ran too long",
    Reason.LITRES_HOUR: "too much water within an hour",
    Reason.LITRES_DAY: "too much water within a day",
    Reason.LEVEL_HIGH: "the level is high",
    Reason.LEVEL_SILENT: "the level is not heard",
    Reason.UNCERTAIN: "the salinity is too uncertain",
    Reason.OUT_OF_BAND: "the salinity is out of its band",
    Reason.TEMPERATURE_BAND: "the temperature is out of its band",
    Reason.PAUSE: "the pause after a run",
    Reason.MINIMUM_HOLD: "the shortest hold",
    Cause.BUBBLES: "bubbles",
    Cause.INTERFERENCE: "electrical pick-up",
    Cause.ADJACENT_PROBE: "another probe nearby",
    Cause.COMPENSATION: "temperature compensation",
    Cause.DRIFT: "drift of the probe",
    Cause.PLUME: "unmixed water at the probe",
    Cause.EXPOSED: "the probe out of the water",
    Cause.STUCK: "a number that does not move",
    Cause.SILENT: "a silent probe",
    Cause.INVALID: "unusable messages",
    Cause.DILUTION: "water getting fresher",
    Cause.CONCENTRATION: "water getting saltier",
    Cause.UNEXPLAINED: "an implausible reading",
}


def capital(text: str) -> str:
    """The text with its first letter in upper case, the others as they are."""
    return text[:1].upper() + text[1:]


def first_action(alarm: str, kind: AlarmKind, assessment: Assessment | None) -> str:
    """What to do first: the diagnosis knows the circumstances, the catalogue the rule."""
    if assessment is not None and assessment.findings:
        first = assessment.findings[0]
        if first.cause == alarm and first.action:
            return first.action
    return kind.actions[0]


def title(tank_name: str, sentence: str) -> str:
    """Who, and what is the matter."""
    return f"{capital(tank_name)}: {sentence}"


def salinity_sentence(assessment: Assessment | None) -> str:
    """Probe against estimate, as far as known."""
    if assessment is None:
        return ""
    parts = []
    if assessment.probe_salinity_psu is not None:
        parts.append(f"probe {assessment.probe_salinity_psu:.1f}")
    if assessment.salinity_psu is not None and isfinite(assessment.uncertainty_psu):
        uncertainty_psu = max(assessment.uncertainty_psu, SMALLEST_SHOWN_PSU)
        parts.append(f"water most likely {assessment.salinity_psu:.1f} ± {uncertainty_psu:.1f}")
    else:
        parts.append("the water's salinity is not known")
    return capital(", ".join(parts)) + "."


def temperature_sentence(assessment: Assessment | None) -> str:
    """The water temperature, when known."""
    if assessment is None or assessment.temperature_c is None:
        return ""
    return f"Water {assessment.temperature_c:.1f} °C."


def permits_sentence(permits: Sequence[PermitStatus]) -> str:
    """What the automation may do: "Top-off unaffected, dosing held."."""
    words = []
    for status in permits:
        if not status.permitted:
            state = "held"
        elif status.bypass_until_s is not None:
            state = "bypassed"
        else:
            state = "unaffected"
        words.append(f"{status.permit} {state}")
    return capital(", ".join(words)) + "." if words else ""


def reason_sentence(status: PermitStatus) -> str:
    """Why a permit is held: first-out first."""
    if status.first_reason is None:
        return ""
    return f"First reason: {REASON_WORDS[status.first_reason]}."


def duration(duration_s: float) -> str:
    """Hours, or days from the second one on."""
    hours = max(duration_s / HOUR_S, 0.0)
    if hours >= 48:  # noqa: PLR2004
        return f"{hours / 24:.0f} days"
    return f"{hours:.0f} h" if hours >= 1 else f"{hours * 60:.0f} min"


def body(sentences: Sequence[str], *, first: str | None, caution: str | None) -> str:
    """Sentences in order; what to do first; the caution, once."""
    parts = [sentence for sentence in sentences if sentence]
    if first is not None:
        parts.append(f"First: {first[:1].lower()}{first[1:].rstrip('.')}.")
    if caution is not None:
        parts.append(f"Caution: {caution}.")
    return " ".join(parts)
