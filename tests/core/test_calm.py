"""The shortcut for unchanged situations changes nothing but the cost."""

from math import inf, isnan, nan, nextafter
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from bridge.core.alarms import TankAlarms
from bridge.core.calm import Calm, Marks
from bridge.core.findings import Cause
from bridge.core.outputs import Output
from bridge.core.permits import Gates
from bridge.core.service import ServicePhase
from bridge.core.settings import Delivers, Driver
from bridge.core.situation import LevelCondition, Situation
from tests.core.permit_world import START_S, assess, permit, tank

TANK = tank(
    {
        "top-off": permit(),
        "dosing": permit(Delivers.SALT_WATER, Driver.SALINITY, equipment=None, low_psu=34.0),
    }
)
near_limits = st.sampled_from([33.0, 33.1, 34.0, 34.1, 36.9, 37.0]).flatmap(
    lambda limit: st.sampled_from(
        [limit, nextafter(limit, 0), nextafter(limit, 99), limit - 0.05, limit + 0.05]
    )
)
readings = st.fixed_dictionaries(
    {},
    optional={
        "salinity_psu": near_limits | st.none(),
        "temperature_c": st.sampled_from([21.9, 22.0, 22.1, 22.4, 28.8, 28.9, 29.0, 29.1, None]),
        "uncertainty_psu": st.sampled_from([0.1, 0.8, nextafter(0.8, 1), 1.0, 1.01, inf]),
        "findings": st.sampled_from(
            [
                ((Cause.NONE, 0.8), (Cause.DILUTION, 0.2)),
                ((Cause.NONE, 0.6), (Cause.DILUTION, 0.4)),
                ((Cause.NONE, 0.6), (Cause.BUBBLES, 0.3), (Cause.EXPOSED, 0.1)),
            ]
        ),
        "settled": st.sampled_from([True, True, False]),
    },
)
# Long stretches of the same reading, so that the shortcut is taken.
stretches = st.lists(
    st.tuples(
        readings, st.sampled_from([Cause.NONE, Cause.NONE, Cause.BUBBLES]), st.integers(1, 8)
    ),
    max_size=10,
)


def play(
    history: list[tuple[dict[str, Any], Cause, int]], *, shortcut: bool
) -> tuple[list[Output], int]:
    """Outputs of permits and alarms, and how often both were cut short."""
    gates = Gates("reef", TANK, base_topic="tidegate", boot_id="7f3a", at_s=START_S)
    alarms = TankAlarms("reef", TANK, base_topic="tidegate")
    situation = Situation(
        START_S,
        link_up=True,
        clock_settled=True,
        alone=True,
        service=ServicePhase.IDLE,
        level=LevelCondition.NORMAL,
    )
    outputs: list[Output] = []
    short = 0
    for changes, cause, repeats in [({}, Cause.NONE, 10), *history]:
        for _ in range(repeats):
            end_s = situation.at_s + 10
            while (wake_at_s := min(gates.wake_at_s, alarms.wake_at_s)) < end_s:
                situation.at_s = max(situation.at_s, wake_at_s)
                outputs += gates.evaluate(situation)
                outputs += alarms.update(situation, gates.status)
            situation.at_s = end_s
            situation.assessment = assess(end_s, cause, **changes)
            if not shortcut:
                gates._calm.disturb()  # noqa: SLF001 - the shortcut itself is on trial
                alarms._calm.disturb()  # noqa: SLF001
            decided = gates.evaluate(situation)
            raised = alarms.update(situation, gates.status)
            short += decided == raised == ()
            outputs += [*decided, *raised]
    return outputs, short


@given(stretches)
@settings(max_examples=100)
def test_the_shortcut_changes_no_output(
    history: list[tuple[dict[str, Any], Cause, int]],
) -> None:
    """Around every limit, judging every sample anew gives the same as judging when it matters."""
    assert play(history, shortcut=True)[0] == play(history, shortcut=False)[0]


def test_the_shortcut_is_taken() -> None:
    """In an hour without events only renewals of a lease take the long way."""
    _, short = play([({}, Cause.NONE, 360)], shortcut=True)

    assert short > 360 * 0.6


def test_values_between_the_same_marks_are_calm() -> None:
    """A floor belongs to what is above it, a ceiling to what is below it; NaN is never calm."""
    marks = Marks(floors=(33.0,), ceilings=(37.0,))
    low, high = marks.around(35.0)

    assert (low, high) == (33.0, 37.0)
    assert marks.around(32.0)[1] < 33.0
    assert marks.around(38.0)[0] > 37.0
    assert marks.around(inf) == (inf, inf)
    assert all(isnan(mark) for mark in marks.around(nan))


def test_nothing_is_calm_before_the_first_decision() -> None:
    """Without a remembered decision the answer is no."""
    calm = Calm(salinity=Marks(), temperature=Marks(), uncertainty=Marks())
    situation = Situation(0.0, assessment=assess(0.0))

    assert not calm.lasts(situation)
    calm.remember(situation)
    assert calm.lasts(situation)
    calm.disturb()
    assert not calm.lasts(situation)
