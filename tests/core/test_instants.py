"""Moments as the interface writes them."""

from datetime import UTC, datetime

from hypothesis import given
from hypothesis import strategies as st

from bridge.core.wire.instants import iso_utc, unix_s

YEAR_9999_S = 253_402_300_000.0


@given(st.floats(0.0, YEAR_9999_S))
def test_a_moment_is_written_as_the_standard_library_would(at_s: float) -> None:
    """To the nearest millisecond, in every year and on either side of every full hour."""
    milliseconds = round(at_s * 1000.0)
    moment = datetime.fromtimestamp(milliseconds // 1000, UTC)
    expected = f"{moment:%H:%M:%S}.{milliseconds % 1000:03d}Z"
    assert iso_utc(at_s).partition("T") == (moment.date().isoformat(), "T", expected)


@given(st.integers(0, int(YEAR_9999_S) * 1000))
def test_a_moment_comes_back(milliseconds: int) -> None:
    """What is written reads back as the same millisecond."""
    assert round(unix_s(iso_utc(milliseconds / 1000.0)) * 1000.0) == milliseconds
