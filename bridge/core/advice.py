"""What to do about the probe, asked in a fixed order so that calibration comes last.

Recalibrating is almost always the wrong first move: it bakes a disturbance, a wrong coefficient or
a bad hand instrument into the reading. Each question is answered with its reason, and the first
answer that calls for something ends the list.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Final

from bridge.core.agreement import Comparison, Verdict
from bridge.core.compensation import LINEAR_REPORTS
from bridge.core.findings import Cause
from bridge.core.fit import Fit, SwingEstimate
from bridge.core.settings import Probe
from bridge.core.suggestion import sea_water_coefficient_pct_per_c, shift_psu

DAY_S: Final = 86400.0

LIKELY: Final = 0.2
"""A disturbance this probable forbids calibration. Low on purpose: waiting costs little."""

RECENT_S: Final = 6 * 3600.0
"""How long after a disturbance the reading is not calibrated (common practice, no source)."""

DISTURBANCES: Final = (
    Cause.EXPOSED,
    Cause.SILENT,
    Cause.INVALID,
    Cause.STUCK,
    Cause.BUBBLES,
    Cause.PLUME,
    Cause.INTERFERENCE,
    Cause.ADJACENT_PROBE,
    Cause.UNEXPLAINED,
)
"""What has to be gone before a reading says anything about the probe itself."""

_NAMES: Final[Mapping[Cause, str]] = {
    Cause.EXPOSED: "the probe out of the water",
    Cause.SILENT: "missing messages",
    Cause.INVALID: "unusable messages",
    Cause.STUCK: "a reading that does not move",
    Cause.BUBBLES: "bubbles at the probe",
    Cause.PLUME: "unmixed water at the probe",
    Cause.INTERFERENCE: "electrical interference",
    Cause.ADJACENT_PROBE: "another probe close by",
    Cause.UNEXPLAINED: "a change that is not explained",
}

SMALLEST_EFFECT_PSU: Final = 0.1
"""A change of coefficient that moves the reading less than this is not worth a hand at it."""

PSU_PER_PCT: Final = 0.394
"""Salinity for 1 % of conductivity at S = 35 and 25 °C (PSS-78)."""

PLAUSIBLE_COEFFICIENT_ERROR_PCT: Final = 0.3
"""Devices ship with 2.0 to 2.2 where 1.95 would be right (common practice, no source)."""

# A single check beyond this is taken seriously even when the checks together still agree.
_GROSS_E_N: Final = 1.5
# chi-squared, two degrees of freedom: 99.9 %. Used while the newest check agrees.
_CLEARLY_OUTSIDE: Final = 13.82
_SWING_STANDARD_UNCERTAINTIES: Final = 3.0
_FEWEST_CHECKS: Final = 2
_ENOUGH_CHECKS: Final = 3


class Action(StrEnum):
    """What is advised."""

    FIX_DISTURBANCE = "fix-disturbance"
    CHECK_AGAIN = "check-again"
    CHECK_INSTRUMENT = "check-instrument"
    SET_COEFFICIENT = "set-coefficient"
    CALIBRATE = "calibrate"
    LEAVE_ALONE = "leave-alone"


@dataclass(frozen=True, slots=True)
class Answer:
    """One question of the procedure, and how it was answered."""

    question: str
    answer: str


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do, and the way there."""

    action: Action
    sentence: str
    answers: tuple[Answer, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """Everything the procedure looks at."""

    at_s: float
    probabilities: Mapping[Cause, float]
    """How probable each cause is at this moment."""
    last_likely_at_s: Mapping[Cause, float] = field(default_factory=dict)
    """When each disturbance was last likely; left out when never."""
    settled: bool = True
    comparison: Comparison | None = None
    """The newest reference check."""
    instrument_checked: bool = False
    """Whether that instrument was itself checked in a standard."""
    fit: Fit | None = None
    """Over all checks since the device was last calibrated."""
    swing: SwingEstimate | None = None
    probe: Probe
    """With the correction in force."""
    salinity_psu: float = 35.0
    temperature_c: float = 25.0
    """At which the tank runs."""
    coldest_c: float | None = None
    warmest_c: float | None = None
    """The water's range; left out, the temperature alone."""
    calibrated_at_s: float | None = None
    """Last calibration; None when none is known."""


def advise(evidence: Evidence) -> Advice:
    """Ask the questions in their order and stop at the first that calls for something.

    Args:
        evidence: What is known about tank, probe and checks.

    Returns:
        The advice. Never calibration while a disturbance is likely or recent, nor while the newest
        check agrees (|E_n| <= 1).
    """
    asked: list[Answer] = []
    for question in _QUESTIONS:
        found = question(evidence, asked)
        if found is not None:
            action, sentence = found
            return Advice(action, sentence, tuple(asked))
    asked.append(Answer(_DRIFT_QUESTION, _drift(evidence)))
    return Advice(
        Action.CHECK_AGAIN,
        "The newest check differs, but it does not say yet what is wrong. "
        "Repeat it on another day, best at another water temperature.",
        tuple(asked),
    )


_Found = tuple[Action, str] | None


def _disturbance(evidence: Evidence, asked: list[Answer]) -> _Found:
    question = "Is the reading disturbed, or was it lately?"
    # "not <" also counts a probability that is no number.
    likely = [
        cause for cause in DISTURBANCES if not evidence.probabilities.get(cause, 0.0) < LIKELY
    ]
    if likely:
        # The most probable first; the fixed order of causes decides a tie.
        now = max(likely, key=lambda cause: evidence.probabilities[cause])
        percent = 100 * evidence.probabilities[now]
        asked.append(Answer(question, f"Yes: {_NAMES[now]}, {percent:.0f} % likely."))
        return (
            Action.FIX_DISTURBANCE,
            (
                f"First deal with {_NAMES[now]}. Do not calibrate: that would build the "
                "disturbance into the calibration."
            ),
        )
    for cause in DISTURBANCES:
        last_s = evidence.last_likely_at_s.get(cause)
        if last_s is None or evidence.at_s - last_s >= RECENT_S:
            continue
        hours = max(0.0, evidence.at_s - last_s) / 3600
        asked.append(Answer(question, f"Yes, {hours:.1f} hours ago: {_NAMES[cause]}."))
        return (
            Action.FIX_DISTURBANCE,
            (
                f"There was {_NAMES[cause]} in the last {RECENT_S / 3600:.0f} hours. "
                "Make sure that the cause is gone, then check again. Do not calibrate yet."
            ),
        )
    if not evidence.settled:
        asked.append(Answer(question, "Not known yet: too few steady readings so far."))
        return (Action.CHECK_AGAIN, "Wait until the probe has read steadily, then check again.")
    asked.append(Answer(question, "No."))
    return None


def _instrument(evidence: Evidence, asked: list[Answer]) -> _Found:
    question = "Was the hand instrument itself checked in a standard?"
    comparison = evidence.comparison
    if comparison is None or comparison.e_n is None:
        asked.append(Answer(question, "There is no reference check to go by."))
        return (
            Action.CHECK_AGAIN,
            "Compare with an independent hand instrument in still water, and report the result.",
        )
    if evidence.instrument_checked:
        asked.append(Answer(question, "Yes."))
        return None
    if not _differs(evidence):
        asked.append(Answer(question, "No, but its result does not differ beyond its uncertainty."))
        return None
    asked.append(Answer(question, f"No, and it differs: {comparison.sentence}"))
    return (
        Action.CHECK_INSTRUMENT,
        (
            "Check the hand instrument in a standard of S = 35 first: the difference may be "
            "its own. Then repeat the comparison."
        ),
    )


def _differs(evidence: Evidence) -> bool:
    """Whether the newest check differs beyond all uncertainty."""
    comparison = evidence.comparison
    return (
        comparison is not None
        and comparison.verdict is Verdict.DIFFER
        and comparison.e_n is not None
        and abs(comparison.e_n) > 1
    )


_TEMPERATURE_QUESTION: Final = "Does the difference follow the temperature?"


def _coefficient(evidence: Evidence, asked: list[Answer]) -> _Found:
    fit = evidence.fit
    following = _follows_temperature(evidence)
    if following is not None:
        asked.append(Answer(_TEMPERATURE_QUESTION, f"Yes: {following}"))
        return _set_coefficient(evidence)
    known = fit is not None and fit.coefficient_pct_per_c is not None
    if known or evidence.swing is not None:
        asked.append(Answer(_TEMPERATURE_QUESTION, "No: the coefficient fits."))
        return None
    if not _differs(evidence):
        asked.append(Answer(_TEMPERATURE_QUESTION, "Not known, and nothing differs so far."))
        return None
    # Not known: could a coefficient that is a little off explain it all the same?
    comparison = evidence.comparison
    away_c = abs(evidence.temperature_c - evidence.probe.reference_temperature_c)
    explained_psu = PLAUSIBLE_COEFFICIENT_ERROR_PCT * away_c * PSU_PER_PCT
    if (
        fit is not None
        and fit.missing
        and comparison is not None
        and abs(comparison.difference_psu or 0.0) <= explained_psu
    ):
        asked.append(Answer(_TEMPERATURE_QUESTION, f"Not known yet: {fit.missing[0]}."))
        return (
            Action.CHECK_AGAIN,
            f"The temperature coefficient could explain this. Wanted are {fit.missing[0]}.",
        )
    asked.append(
        Answer(_TEMPERATURE_QUESTION, "Hardly: the difference is too large for that alone.")
    )
    return None


def _gain(evidence: Evidence, asked: list[Answer]) -> _Found:
    question = "Is it the same ratio in every check?"
    fit, probe = evidence.fit, evidence.probe
    if not _differs(evidence):
        asked.append(Answer(question, "The newest check does not differ beyond its uncertainty."))
        return None
    if fit is None or fit.checks < _FEWEST_CHECKS:
        asked.append(Answer(question, "Not known: one check is not enough."))
        return (
            Action.CHECK_AGAIN,
            "Repeat the check on another day. Only when it differs again is a calibration due.",
        )
    if fit.contains(probe.calibration.gain, probe.coefficient_pct_per_c or 0.0):
        asked.append(Answer(question, f"No: all {fit.checks} checks together agree."))
        return None
    shift = shift_psu(fit, probe, evidence.salinity_psu, evidence.temperature_c)
    asked.append(
        Answer(
            question,
            f"Yes: a gain of {fit.gain:.4f} ± {fit.gain_expanded_uncertainty:.4f} "
            f"instead of {probe.calibration.gain:.4f}; it moves the reading by {shift:+.2f}.",
        )
    )
    asked.append(Answer(_WITHIN_QUESTION, "No."))
    asked.append(Answer(_DRIFT_QUESTION, _drift(evidence)))
    return (
        Action.CALIBRATE,
        (
            "Clean the probe and check once more. If it still differs, calibrate it in a standard "
            f"near the tank's temperature, or let the daemon apply the gain of {fit.gain:.4f}."
        ),
    )


_WITHIN_QUESTION: Final = "Is it within the uncertainty?"


def _within(evidence: Evidence, asked: list[Answer]) -> _Found:
    comparison, fit = evidence.comparison, evidence.fit
    if comparison is None:
        return None
    if comparison.verdict is Verdict.CANNOT_TELL:
        asked.append(Answer(_WITHIN_QUESTION, comparison.sentence))
        return (
            Action.CHECK_AGAIN,
            comparison.what_would_tell or "Repeat the check with a better instrument.",
        )
    if not _differs(evidence):
        asked.append(Answer(_WITHIN_QUESTION, f"Yes: {comparison.sentence}"))
        return (Action.LEAVE_ALONE, "Leave the probe alone: nothing needs to be changed.")
    asked.append(Answer(_WITHIN_QUESTION, f"No: {comparison.sentence}"))
    if fit is not None and fit.checks >= _ENOUGH_CHECKS and abs(comparison.e_n or 0) <= _GROSS_E_N:
        return (
            Action.LEAVE_ALONE,
            (
                "Leave the probe alone: only the newest check differs a little, "
                "all of them together agree."
            ),
        )
    return None


_DRIFT_QUESTION: Final = "Is it drift since the last calibration?"


def _drift(evidence: Evidence) -> str:
    if evidence.calibrated_at_s is None:
        return "Not known: there is no earlier calibration on record."
    days = max(0.0, evidence.at_s - evidence.calibrated_at_s) / DAY_S
    if evidence.probabilities.get(Cause.DRIFT, 0.0) >= LIKELY:
        return f"Probably: calibrated {days:.0f} days ago, and the reading has crept since."
    return f"It was calibrated {days:.0f} days ago; no creeping was seen since."


def _follows_temperature(evidence: Evidence) -> str | None:
    """Why the coefficient is taken to be wrong; None when it is not, or cannot be told."""
    probe, swing, fit = evidence.probe, evidence.swing, evidence.fit
    away_c = _reach_c(evidence)
    if swing is not None:
        effect = PSU_PER_PCT * away_c * abs(swing.residual_pct_per_c)
        certain = abs(swing.residual_pct_per_c) > (
            _SWING_STANDARD_UNCERTAINTIES * swing.standard_uncertainty_pct_per_c
        )
        if certain and effect >= SMALLEST_EFFECT_PSU:
            return (
                "the corrected reading follows the tank's own temperature by "
                f"{swing.residual_pct_per_c:+.2f} % per °C."
            )
    if fit is None or fit.coefficient_pct_per_c is None:
        return None
    in_force = probe.coefficient_pct_per_c or 0.0
    off = fit.coefficient_pct_per_c - in_force
    width = fit.coefficient_expanded_uncertainty_pct_per_c or 0.0
    outside = fit.distance_squared(probe.calibration.gain, in_force) > _CLEARLY_OUTSIDE
    if (
        abs(off) > width
        and (outside or _differs(evidence))
        and PSU_PER_PCT * away_c * abs(off) >= SMALLEST_EFFECT_PSU
    ):
        return (
            f"{fit.checks} checks give {fit.coefficient_pct_per_c:.2f} ± {width:.2f} % per °C "
            f"instead of {in_force:.2f}."
        )
    return None


def _set_coefficient(evidence: Evidence) -> tuple[Action, str]:
    probe = evidence.probe
    in_force = probe.coefficient_pct_per_c or 0.0
    if evidence.fit is not None and evidence.fit.coefficient_pct_per_c is not None:
        wanted = evidence.fit.coefficient_pct_per_c
    else:
        wanted = in_force + (evidence.swing.residual_pct_per_c if evidence.swing else 0.0)
    after = "Then check again. Do not calibrate for it."
    if probe.reports not in LINEAR_REPORTS:
        # A reading that is low in warm water was divided by too large a coefficient.
        word = "Lower" if wanted > 0 else "Raise"
        return (
            Action.SET_COEFFICIENT,
            (
                f"{word} the device's own temperature coefficient by {abs(wanted):.2f} % per °C. "
                f"{after}"
            ),
        )
    needed = sea_water_coefficient_pct_per_c(
        evidence.salinity_psu, evidence.temperature_c, probe.reference_temperature_c
    )
    return (
        Action.SET_COEFFICIENT,
        (
            f"Set the temperature coefficient here to {wanted:.2f} % per °C (now {in_force:.2f}); "
            f"or enter {in_force + needed - wanted:.2f} into the device and {needed:.2f} here. "
            f"{after}"
        ),
    )


def _reach_c(evidence: Evidence) -> float:
    """How far the water gets from the reference temperature, or swings, whichever is more."""
    coldest = evidence.temperature_c if evidence.coldest_c is None else evidence.coldest_c
    warmest = evidence.temperature_c if evidence.warmest_c is None else evidence.warmest_c
    reference = evidence.probe.reference_temperature_c
    return max(abs(coldest - reference), abs(warmest - reference), warmest - coldest)


_QUESTIONS: Final = (
    _disturbance,
    _instrument,
    _coefficient,
    _gain,
    _within,
)
