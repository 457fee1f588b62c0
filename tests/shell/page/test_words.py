"""What the keeper reads."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.findings import Cause
from bridge.core.settings import Limits
from bridge.shell.page.words import (
    CAUSE_HEADLINES,
    CAUSE_NAMES,
    band_words,
    likely,
    salinity_words,
    within,
)


@pytest.mark.parametrize(
    ("salinity", "uncertainty", "value", "sure"),
    [
        (35.02, 0.15, "35.0", "sure to within 0.2"),
        (35.02, 0.3, "35.0", "sure to within 0.3"),
        (35.024, 0.06, "35.02", "sure to within 0.06"),
        (35.02, 1.0, "35.0", "sure to within 1.0"),
        (None, 1.31, "Not known", "could be out by 1.4 or more"),
        (None, None, "Not known", "nothing to go by yet"),
    ],
)
def test_a_value_is_told_as_surely_as_it_is_known(
    salinity: float | None, uncertainty: float | None, value: str, sure: str
) -> None:
    """The value has the digits that are known, and the uncertainty is rounded up."""
    assert salinity_words(salinity, uncertainty) == (value, sure)


@given(st.floats(min_value=1e-3, max_value=20.0))
def test_nothing_is_told_more_surely_than_known(uncertainty: float) -> None:
    """The uncertainty that is shown is never smaller than the real one (by a hair at most)."""
    shown = float(within(uncertainty))

    assert shown >= uncertainty - 1e-6
    assert shown <= uncertainty + 0.1


@pytest.mark.parametrize(
    ("salinity", "uncertainty", "mark", "begins"),
    [
        (35.0, 0.2, "good", "Within"),
        (33.1, 0.3, "care", "Most likely within"),
        (32.9, 0.3, "care", "Most likely below"),
        (37.1, 0.3, "care", "Most likely above"),
        (32.0, 0.3, "bad", "Below"),
        (38.0, 0.3, "bad", "Above"),
        (None, 0.3, "unknown", "Whether"),
    ],
)
def test_the_band_is_judged_with_the_uncertainty(
    salinity: float | None, uncertainty: float, mark: str, begins: str
) -> None:
    """Within or outside is only said when the uncertainty leaves no doubt."""
    found, sentence = band_words(salinity, uncertainty, Limits())

    assert found == mark
    assert sentence.startswith(begins)


def test_every_cause_has_words() -> None:
    """No identifier of ours is ever shown in place of words."""
    for cause in Cause:
        assert CAUSE_HEADLINES[cause].endswith(".")
        assert CAUSE_NAMES[cause]


@given(st.floats(min_value=0.0, max_value=1.0))
def test_a_probability_keeps_its_number(probability: float) -> None:
    """Words for a probability come with the number."""
    assert f"{100 * probability:.0f} %" in likely(probability)
    assert math.isfinite(probability)
