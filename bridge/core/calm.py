"""Whether anything that matters has changed since the last decision, cheaply.

Permits and alarms are decided anew only when a limit was crossed, something was switched, or a
moment asked for has come. Nearly every probe sample is none of these.
"""

from bisect import bisect
from collections.abc import Sequence
from math import inf, isfinite, nextafter
from typing import Final

from bridge.core.findings import Assessment, Cause
from bridge.core.situation import Situation

UNKNOWN: Final = inf
"""Stands for a number that is not known; infinity is between no marks."""


class Marks:
    """Numbers that matter when they are crossed.

    Args:
        floors: A value below one of these is on its other side.
        ceilings: A value above one of these is on its other side.
    """

    def __init__(self, floors: Sequence[float] = (), ceilings: Sequence[float] = ()) -> None:
        # A value on the ceiling is still below it, so that the mark is the next number.
        marks = {*floors, *(nextafter(ceiling, inf) for ceiling in ceilings)}
        self._marks = (-inf, *sorted(mark for mark in marks if isfinite(mark)), inf)

    def around(self, value: float) -> tuple[float, float]:
        """Smallest and largest value that lies between the same marks; infinity is alone."""
        # NaN compares false with everything, so that it is inside no span.
        if not -inf < value < inf:
            return value, value
        above = bisect(self._marks, value)
        return self._marks[above - 1], nextafter(self._marks[above], -inf)


class Calm:
    """What the last decision was made on, as far as it matters.

    Args:
        salinity: Marks of the estimate.
        temperature: Marks of the water temperature.
        uncertainty: Marks of the expanded uncertainty.
        rivals: Probabilities of further causes that matter when crossed, rising; empty when only
            the first cause does.
    """

    __slots__ = (
        "_alone",
        "_assessed",
        "_cause",
        "_clock_settled",
        "_least",
        "_level",
        "_link_up",
        "_marks",
        "_quality",
        "_rivals",
        "_rivals_marks",
        "_service",
        "_settled",
        "_spans",
    )

    def __init__(
        self,
        *,
        salinity: Marks,
        temperature: Marks,
        uncertainty: Marks,
        rivals: tuple[float, ...] = (),
    ) -> None:
        self._marks = (salinity, temperature, uncertainty)
        self._rivals_marks = rivals
        self._least = min(rivals, default=inf)
        self._assessed = False

    def disturb(self) -> None:
        """Make the next question answered with no."""
        self._assessed = False

    def remember(self, situation: Situation) -> None:
        """Take the situation as the one decided on."""
        assessment = situation.assessment
        self._assessed = assessment is not None
        if assessment is None:
            return
        self._link_up = situation.link_up
        self._clock_settled = situation.clock_settled
        self._alone = situation.alone
        self._service = situation.service
        self._level = situation.level
        self._cause = assessment.cause
        self._quality = assessment.quality
        self._settled = assessment.settled
        self._rivals = self._rivals_of(assessment)
        salinity, temperature, uncertainty = self._marks
        salinity_psu, temperature_c = assessment.salinity_psu, assessment.temperature_c
        self._spans = (
            *salinity.around(UNKNOWN if salinity_psu is None else salinity_psu),
            *temperature.around(UNKNOWN if temperature_c is None else temperature_c),
            *uncertainty.around(assessment.uncertainty_psu),
        )

    def lasts(self, situation: Situation) -> bool:
        """Whether nothing that matters has changed, time apart."""
        assessment = situation.assessment
        if not self._assessed or assessment is None:
            return False
        low_psu, high_psu, low_c, high_c, low_u_psu, high_u_psu = self._spans
        salinity_psu, temperature_c = assessment.salinity_psu, assessment.temperature_c
        findings = assessment.findings
        return (
            low_psu <= (UNKNOWN if salinity_psu is None else salinity_psu) <= high_psu
            and low_c <= (UNKNOWN if temperature_c is None else temperature_c) <= high_c
            and low_u_psu <= assessment.uncertainty_psu <= high_u_psu
            and assessment.cause is self._cause
            and assessment.quality is self._quality
            and assessment.settled is self._settled
            and situation.link_up is self._link_up
            and situation.clock_settled is self._clock_settled
            and situation.alone is self._alone
            and situation.service is self._service
            and situation.level is self._level
            # Nearly always there is no rival, before or now.
            and (
                not self._rivals
                if len(findings) < 2 or findings[1].probability < self._least  # noqa: PLR2004
                else self._rivals == self._rivals_of(assessment)
            )
        )

    def _rivals_of(self, assessment: Assessment) -> tuple[tuple[Cause, int], ...]:
        findings = assessment.findings
        if len(findings) < 2 or findings[1].probability < self._least:  # noqa: PLR2004
            return ()
        marks = self._rivals_marks
        return tuple(
            (finding.cause, bisect(marks, finding.probability))
            for finding in findings
            if finding.probability >= self._least
        )
