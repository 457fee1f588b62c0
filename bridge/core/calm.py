"""Whether anything that matters has changed since the last decision, cheaply.

Permits and alarms are decided anew only when a limit was crossed, something was switched, or a
moment asked for has come. Nearly every probe sample is none of these.
"""

from bisect import bisect
from collections.abc import Sequence
from math import inf, isfinite, nextafter
from typing import Final

from bridge.core.findings import Assessment
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
        rival: Probability from which a second cause matters.
    """

    __slots__ = (
        "_assessed",
        "_cause",
        "_clock_settled",
        "_level",
        "_link_up",
        "_marks",
        "_quality",
        "_rival",
        "_service",
        "_settled",
        "_spans",
    )

    def __init__(
        self, *, salinity: Marks, temperature: Marks, uncertainty: Marks, rival: float
    ) -> None:
        self._marks = (salinity, temperature, uncertainty)
        self._rival = rival
        self._assessed = False

    def disturb(self) -> None:
        """Make the next question answered with no."""
        self._assessed = False

    def remember(self, situation: Situation) -> None:
        """Take the situation as the one decided on."""
        assessment = situation.assessment
        # With a rival about, everything is judged anew until it has gone.
        self._assessed = assessment is not None and self._unrivalled(assessment)
        if assessment is None:
            return
        self._link_up = situation.link_up
        self._clock_settled = situation.clock_settled
        self._service = situation.service
        self._level = situation.level
        self._cause = assessment.cause
        self._quality = assessment.quality
        self._settled = assessment.settled
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
            and situation.service is self._service
            and situation.level is self._level
            # Written out here: a call would cost a quarter of the whole.
            and (len(findings) < 2 or findings[1].probability < self._rival)  # noqa: PLR2004
        )

    def _unrivalled(self, assessment: Assessment) -> bool:
        findings = assessment.findings
        return len(findings) < 2 or findings[1].probability < self._rival  # noqa: PLR2004
