"""How a judgement shows in the standards' status words."""

import pytest

from bridge.core.findings import Cause, Flag, Ne107, Quality
from bridge.core.status import STATUS, status


def of(
    cause: Cause = Cause.NONE,
    *,
    gross_range: Flag = Flag.PASS,
    settled: bool = True,
    known: bool = True,
    in_service: bool = False,
) -> tuple[Quality, Flag, Ne107]:
    """The status where nothing but what a test names is out of the ordinary."""
    return status(
        cause, gross_range=gross_range, settled=settled, known=known, in_service=in_service
    )


def test_every_cause_has_a_status() -> None:
    """No cause can turn up that the status words do not know."""
    assert set(STATUS) == set(Cause)


@pytest.mark.parametrize("cause", [Cause.NONE, Cause.DILUTION, Cause.CONCENTRATION])
def test_healthy_and_really_changing_water_read_good(cause: Cause) -> None:
    """A real change of the water is no fault of the reading."""
    assert of(cause) == (Quality.GOOD, Flag.PASS, Ne107.NORMAL)


@pytest.mark.parametrize("cause", Cause)
def test_only_settled_known_undisturbed_readings_are_good(cause: Cause) -> None:
    """Each doubt by itself takes the good quality away, whatever the cause."""
    doubts = (
        of(cause, known=False),
        of(cause, in_service=True),
        of(cause, settled=False),
        of(cause, gross_range=Flag.FAIL),
    )
    assert all(quality is not Quality.GOOD for quality, _, _ in doubts)
    assert all(flag is not Flag.PASS for _, flag, _ in doubts)


def test_a_missing_reading_stays_missing_in_service() -> None:
    """Hands in the water do not make a silent probe look better."""
    assert of(Cause.SILENT, in_service=True) == (Quality.BAD, Flag.MISSING, Ne107.CHECK)


def test_a_strange_range_is_told_beside_a_good_quality() -> None:
    """A suspect range test alone asks for attention and leaves the number in use."""
    found = of(gross_range=Flag.SUSPECT)
    assert found == (Quality.GOOD, Flag.SUSPECT, Ne107.OUT_OF_SPECIFICATION)
