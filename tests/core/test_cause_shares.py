"""Which of several causes is told, and when another one takes over."""

import pytest

from bridge.core.cause_shares import CALM, CAUSES, TAKES_OVER_AFTER_S, choose
from bridge.core.diagnosis_state import DiagnosisState
from bridge.core.findings import Cause
from tests.core.engine_rig import START_S


def likely(cause: Cause) -> list[float]:
    """Probabilities with one cause far ahead."""
    rest = 0.1 / (len(CAUSES) - 1)
    return [0.9 if each is cause else rest for each in CAUSES]


def telling(cause: Cause) -> DiagnosisState:
    """A state in which a cause has been told for a day."""
    return DiagnosisState(cause=cause, since_s=START_S - 86400.0)


SLOW = [
    (told, other)
    for told in (Cause.DRIFT, Cause.DILUTION, Cause.CONCENTRATION)
    for other in (Cause.DRIFT, Cause.DILUTION, Cause.CONCENTRATION)
    if told is not other
]


@pytest.mark.parametrize(("told", "other"), SLOW)
def test_a_slow_finding_takes_over_from_another_only_after_an_hour(
    told: Cause, other: Cause
) -> None:
    """Top-off and noise move the odds to and fro: of two that take turns, neither is believed."""
    state = telling(told)
    seen = [choose(state, likely(other), START_S + 60.0 * minute) for minute in range(90)]

    assert set(seen[: int(TAKES_OVER_AFTER_S / 60.0)]) == {told}
    assert seen[-1] is other


def test_water_that_moves_fast_waits_for_nothing() -> None:
    """A top-off that begins to run on while the probe drifts is told at once."""
    state = telling(Cause.DRIFT)

    assert choose(state, likely(Cause.DILUTION), START_S, brisk=True) is Cause.DILUTION


def test_a_lead_that_is_lost_in_between_begins_anew() -> None:
    """Fifty minutes ahead, a moment not, and fifty minutes again are no hour."""
    state = telling(Cause.DRIFT)
    for minute in range(100):
        leading = Cause.DRIFT if minute == 50 else Cause.CONCENTRATION
        assert choose(state, likely(leading), START_S + 60.0 * minute) is Cause.DRIFT


def test_a_disturbance_is_told_beside_a_slow_finding_at_once() -> None:
    """The hour is for findings about days; bubbles come in seconds."""
    assert choose(telling(Cause.DRIFT), likely(Cause.BUBBLES), START_S) is Cause.BUBBLES


PASSING = [Cause.BUBBLES, Cause.PLUME, Cause.EXPOSED, Cause.UNEXPLAINED]


@pytest.mark.parametrize("told", PASSING)
@pytest.mark.parametrize("other", PASSING)
def test_what_it_was_is_not_renamed_while_the_reading_is_back(told: Cause, other: Cause) -> None:
    """It was told by how the reading was off; quiet readings know no better."""
    if told is other:
        return
    assert choose(telling(told), likely(other), START_S, returning=True) is told
    assert choose(telling(told), likely(other), START_S) is other


@pytest.mark.parametrize("other", [Cause.INTERFERENCE, Cause.DILUTION, Cause.STUCK, Cause.SILENT])
def test_the_return_itself_may_name_what_it_was(other: Cause) -> None:
    """It came back as a device switched, or the number hangs: that is told by the return."""
    assert choose(telling(Cause.BUBBLES), likely(other), START_S, returning=True) is other


def test_the_end_is_told_while_the_reading_is_back() -> None:
    """Health is no other name for it."""
    assert choose(telling(Cause.BUBBLES), CALM, START_S, returning=True) is Cause.NONE
