"""The newest samples of a tank as the chart draws them, in memory that is taken once.

Whole documents take ten times the room. For twenty tanks and 600 samples that was most of what the
daemon grew by in its first days.
"""

import math
from array import array
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from bridge.core.findings import Cause

KEPT_SAMPLES: Final = 600
"""Newest samples of a tank, so that a chart does not wait for the next batch of the history."""


@dataclass(frozen=True, slots=True)
class Sample:
    """What a chart shows of one salinity document."""

    at_s: float
    salinity: float | None
    uncertainty: float | None
    probe_salinity: float | None
    cause: str


class Recent:
    """A ring of `KEPT_SAMPLES` samples."""

    def __init__(self) -> None:
        unknown = [math.nan] * KEPT_SAMPLES
        self._at = array("d", unknown)
        self._salinity = array("d", unknown)
        self._uncertainty = array("d", unknown)
        self._probe = array("d", unknown)
        self._causes: list[str] = [Cause.NONE] * KEPT_SAMPLES
        self._taken = 0

    def add(self, at_s: float, document: Mapping[str, Any]) -> None:
        """Take the values of a salinity document; the oldest sample is given up.

        Args:
            at_s: When. [Unix s]
            document: A value that is not known is None.
        """
        place = self._taken % KEPT_SAMPLES
        self._taken += 1
        self._at[place] = at_s
        self._salinity[place] = _number(document["salinity"])
        self._uncertainty[place] = _number(document["uncertainty"])
        self._probe[place] = _number(document["probe_salinity"])
        self._causes[place] = document["cause"]

    def between(self, from_s: float, to_s: float) -> list[Sample]:
        """The samples from one moment to just before another, in the order in which they came."""
        first = max(0, self._taken - KEPT_SAMPLES)
        places = (number % KEPT_SAMPLES for number in range(first, self._taken))
        return [
            Sample(
                self._at[place],
                _known(self._salinity[place]),
                _known(self._uncertainty[place]),
                _known(self._probe[place]),
                self._causes[place],
            )
            for place in places
            if from_s <= self._at[place] < to_s
        ]


def _number(value: float | None) -> float:
    return math.nan if value is None else value


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value
