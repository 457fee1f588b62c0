"""Do two results agree? The E number, the average of repeated readings, and the wording.

"Agree" is only said when a real error of a size that matters would have shown; otherwise the
answer is that the comparison cannot tell, and what would.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

COVERAGE_FACTOR: Final = 2.0
"""k of every expanded uncertainty here: about 95 %."""

WORTH_KNOWING_PSU: Final = 1.5
"""A comparison that could not show an error of this size tells too little (common practice,
no source): it lets a checked refractometer decide, and a swing-arm hydrometer not."""

# Student's t for p = 95.45 %, by degrees of freedom.
# Source: JCGM 100:2008 (GUM), Table G.2.
_STUDENT_T_95_45: Final = {
    1: 13.97,
    2: 4.53,
    3: 3.31,
    4: 2.87,
    5: 2.65,
    6: 2.52,
    7: 2.43,
    8: 2.37,
    9: 2.32,
    10: 2.28,
    12: 2.23,
    14: 2.20,
    16: 2.17,
    18: 2.15,
    20: 2.13,
    25: 2.11,
    30: 2.09,
    40: 2.06,
    50: 2.05,
    100: 2.025,
}


class Verdict(StrEnum):
    """What a comparison says."""

    AGREE = "agree"
    DIFFER = "differ"
    CANNOT_TELL = "cannot-tell"


@dataclass(frozen=True, slots=True)
class Measured:
    """A practical salinity with its expanded uncertainty (k = 2)."""

    salinity_psu: float
    expanded_uncertainty_psu: float


@dataclass(frozen=True, slots=True)
class Average:
    """The mean of repeated readings."""

    mean: float
    scatter: float
    """Experimental standard deviation of one reading; 0 for a single reading."""
    count: int
    standard_uncertainty: float
    """Scatter of the mean combined with what all readings have in common."""
    coverage_factor: float
    """2, or more when few readings say how large the scatter is."""

    @property
    def expanded_uncertainty(self) -> float:
        """Half-width of the 95 % interval."""
        return self.coverage_factor * self.standard_uncertainty


@dataclass(frozen=True, slots=True)
class Comparison:
    """A reference check set against the estimate of the same moment."""

    verdict: Verdict
    e_n: float | None
    """Signed, estimate minus reference; None when there was no estimate."""
    difference_psu: float | None
    expanded_uncertainty_psu: float | None
    """Of the difference."""
    sentence: str
    what_would_tell: str | None


def e_number(estimate: Measured, reference: Measured) -> float:
    """E number of a difference: within -1..1 the two results agree.

    Args:
        estimate: The result judged.
        reference: The result it is judged by.

    Returns:
        (estimate - reference) / sqrt(U_estimate^2 + U_reference^2). [1]

    Raises:
        ValueError: an uncertainty is negative or not finite, or both are 0.

    Source: ISO 13528:2022, 9.7; ISO/IEC 17043.
    """
    for measured in (estimate, reference):
        if not 0 <= measured.expanded_uncertainty_psu < math.inf:
            raise ValueError("an expanded uncertainty must be 0 or more, and finite")
    joint = math.hypot(estimate.expanded_uncertainty_psu, reference.expanded_uncertainty_psu)
    if joint == 0:
        raise ValueError("two results without any uncertainty cannot be compared")
    return (estimate.salinity_psu - reference.salinity_psu) / joint


def average_readings(readings: Sequence[float], common_standard_uncertainty: float) -> Average:
    """Mean of repeated readings; the instrument's own error does not average out.

    Args:
        readings: Repeated readings of the same water with the same instrument. [any unit]
        common_standard_uncertainty: What all of them share (scale, zero, temperature).

    Returns:
        Mean, scatter, and a combined uncertainty whose coverage factor is Student's t for the
        effective degrees of freedom (Welch-Satterthwaite), never below 2.

    Raises:
        ValueError: no readings, or a number that is not finite.

    Source: JCGM 100:2008 (GUM), 4.2, 5.1 and G.4.
    """
    count = len(readings)
    if count == 0:
        raise ValueError("an average needs at least one reading")
    if not all(math.isfinite(reading) for reading in readings):
        raise ValueError("a reading is not a finite number")
    if not 0 <= common_standard_uncertainty < math.inf:
        raise ValueError("the common standard uncertainty must be 0 or more, and finite")
    mean = math.fsum(readings) / count
    if count == 1:
        return Average(mean, 0.0, 1, common_standard_uncertainty, COVERAGE_FACTOR)
    scatter = math.sqrt(math.fsum((reading - mean) ** 2 for reading in readings) / (count - 1))
    of_mean = scatter / math.sqrt(count)
    combined = math.hypot(of_mean, common_standard_uncertainty)
    # Welch-Satterthwaite with infinite degrees of freedom for the common part.
    freedom = math.inf if of_mean == 0 else (count - 1) * (combined / of_mean) ** 4
    return Average(mean, scatter, count, combined, coverage_factor(freedom))


def coverage_factor(degrees_of_freedom: float) -> float:
    """Coverage factor for 95.45 % at these effective degrees of freedom.

    Args:
        degrees_of_freedom: At least 1; truncated to the next lower entry of the table.

    Returns:
        Student's t, between 2 and 13.97. [1]

    Raises:
        ValueError: fewer than one degree of freedom.

    Source: JCGM 100:2008 (GUM), Table G.2 and G.4.1.
    """
    if not degrees_of_freedom >= 1:
        raise ValueError("at least one degree of freedom is needed")
    if degrees_of_freedom == math.inf:
        return COVERAGE_FACTOR
    below = max(entry for entry in _STUDENT_T_95_45 if entry <= degrees_of_freedom)
    return _STUDENT_T_95_45[below]


def compare(
    estimate: Measured | None,
    reference: Measured,
    *,
    settled: bool = True,
    worth_knowing_psu: float = WORTH_KNOWING_PSU,
) -> Comparison:
    """Judge a reference check against the estimate of the same moment, in plain words.

    Args:
        estimate: The estimate of the water's salinity; None when it is unknown.
        reference: The hand instrument's result.
        settled: Whether the estimate rests on enough good samples.
        worth_knowing_psu: Errors of this size must be visible before "agree" is said. [1]

    Returns:
        The verdict with its numbers and sentences.

    Raises:
        ValueError: an uncertainty is negative or not finite, or both are 0.
    """
    if estimate is None or not math.isfinite(estimate.expanded_uncertainty_psu):
        return Comparison(
            Verdict.CANNOT_TELL,
            None,
            None,
            None,
            f"The reference says {_both(reference)}. There is no estimate to compare it with.",
            "Repeat the check when the salinity is known again.",
        )
    e_n = e_number(estimate, reference)
    joint = math.hypot(estimate.expanded_uncertainty_psu, reference.expanded_uncertainty_psu)
    difference = estimate.salinity_psu - reference.salinity_psu
    numbers = (
        f"the estimate is {_both(estimate)}, the reference {_both(reference)}: "
        f"{abs(difference):.2f} apart, with {joint:.2f} explained by the uncertainties"
    )
    if not settled:
        verdict, sentence = Verdict.CANNOT_TELL, f"Cannot tell yet: {numbers}."
        remedy = "Wait until the probe has read steadily for a while, then repeat the check."
    elif abs(e_n) > 1:
        verdict, remedy = Verdict.DIFFER, None
        word = "high" if difference > 0 else "low"
        sentence = f"They differ: {numbers}. The estimate reads {word}, or the reference is off."
    elif joint > worth_knowing_psu:
        verdict = Verdict.CANNOT_TELL
        sentence = (
            f"Cannot tell yet: {numbers}. "
            f"That is too coarse to show an error of {worth_knowing_psu:.1f}."
        )
        remedy = _what_would_tell(estimate, worth_knowing_psu)
    else:
        verdict, remedy = Verdict.AGREE, None
        sentence = f"They agree within their uncertainty: {numbers}."
    return Comparison(verdict, e_n, difference, joint, sentence, remedy)


def _both(measured: Measured) -> str:
    return f"{measured.salinity_psu:.2f} ± {measured.expanded_uncertainty_psu:.2f}"


def _what_would_tell(estimate: Measured, worth_knowing_psu: float) -> str:
    if estimate.expanded_uncertainty_psu >= worth_knowing_psu:
        return (
            "The estimate itself is too uncertain at the moment. "
            "Repeat the check when the probe is no longer disturbed."
        )
    needed = math.sqrt(worth_knowing_psu**2 - estimate.expanded_uncertainty_psu**2)
    return (
        f"A reference good to {needed:.1f} or better would tell: a refractometer checked in a "
        "standard of S = 35 on the same day, a bench conductivity meter, or a laboratory."
    )
