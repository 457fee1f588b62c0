"""One flag out of many, so that nothing untested ever counts as passed."""

from collections.abc import Mapping
from typing import Final

from bridge.core.findings import Flag

REQUIRED_TESTS: Final = (
    "gap",
    "syntax",
    "gross_range",
    "climatology",
    "spike",
    "rate_of_change",
    "flat_line",
)
"""The manual's required tests that apply to a fixed probe, and its strongly recommended ones."""


def roll_up(flags: Mapping[str, Flag]) -> Flag:
    """Flag of a sample as a whole, from the flags of its tests.

    Precedence, first match wins:

    1. FAIL, when any test failed.
    2. MISSING, when any test had no value to judge: there is nothing that could be suspect.
    3. SUSPECT, when any test found the sample suspect.
    4. NOT_EVALUATED, when any required test was not evaluated or is absent.
    5. PASS.

    A suggested test (multi-variate, attenuated signal, neighbour) that could not be evaluated
    does not take away a pass; a required or strongly recommended one does.

    Args:
        flags: Flag by test name.

    Returns:
        The flag of the whole sample.

    Source: QARTOD Manual for Real-Time Quality Control of In-situ Temperature and Salinity
    Data, flags and tests. The manual leaves the roll-up to the operator; this one is ours.
    """
    found = flags.values()
    for worst in (Flag.FAIL, Flag.MISSING, Flag.SUSPECT):
        if worst in found:
            return worst
    for name in REQUIRED_TESTS:
        if flags.get(name, Flag.NOT_EVALUATED) is not Flag.PASS:
            return Flag.NOT_EVALUATED
    return Flag.PASS
