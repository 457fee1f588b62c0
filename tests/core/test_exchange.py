"""Water exchanges, against worked examples and a step-by-step mass balance."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from bridge.core.exchange import litres_to_exchange, plan_exchange

# Worked by hand from conservation of salt: V, from, to, new water, litres.
WORKED = [
    (400.0, 36.0, 35.0, 0.0, 400 / 36),  # 11.11 l: 36 * 388.89 / 400 = 35.0
    (400.0, 33.0, 35.0, 40.0, 800 / 7),  # 114.29 l: (285.71 * 33 + 114.29 * 40) / 400 = 35.0
    (1000.0, 30.0, 35.0, 42.0, 5000 / 12),  # 416.67 l
    (100.0, 35.0, 35.0, 0.0, 0.0),
]


@pytest.mark.parametrize(("volume", "start", "end", "new", "litres"), WORKED)
def test_amounts_match_worked_examples(
    volume: float, start: float, end: float, new: float, litres: float
) -> None:
    """The litres are those of the salt balance worked by hand."""
    assert litres_to_exchange(
        volume_l=volume, from_psu=start, to_psu=end, new_water_psu=new
    ) == pytest.approx(litres)


@pytest.mark.parametrize(
    ("start", "end", "new"), [(33.0, 35.0, 34.0), (33.0, 35.0, 35.0), (36.0, 35.0, 35.5)]
)
def test_water_that_cannot_reach_the_target_is_refused(
    start: float, end: float, new: float
) -> None:
    """The new water must lie beyond the target."""
    with pytest.raises(ValueError, match="cannot bring the tank"):
        litres_to_exchange(volume_l=400, from_psu=start, to_psu=end, new_water_psu=new)


@given(
    volume=st.floats(10, 10_000),
    start=st.floats(20, 40),
    end=st.floats(20, 40),
    largest=st.floats(0.1, 2),
)
def test_following_the_steps_reaches_the_target_and_no_step_is_too_large(
    volume: float, start: float, end: float, largest: float
) -> None:
    """Carried out on a model tank, every plan ends on target, no day above the limit."""
    plan = plan_exchange(
        volume_l=volume, from_psu=start, to_psu=end, largest_daily_change_psu=largest
    )
    salinity = start
    for step in plan.steps:
        before = salinity
        salinity += step.litres / volume * (plan.new_water_psu - salinity)
        assert abs(salinity - before) <= largest * 1.002
        assert 0 < step.litres <= volume

    assert salinity == pytest.approx(end, abs=1e-9)


def test_lowering_by_one_takes_two_days_of_fresh_water() -> None:
    """36 to 35 in 400 l at 0.5 a day: 5.56 l and 5.63 l of fresh water."""
    plan = plan_exchange(volume_l=400, from_psu=36, to_psu=35)

    # 400 * (1 - 35.5 / 36) and 400 * (1 - 35 / 35.5), by hand.
    assert [step.litres for step in plan.steps] == pytest.approx([5.5556, 5.6338], abs=1e-4)
    assert plan.new_water_psu == 0
    # 11.1893 l / 3.785411784, by hand.
    assert plan.us_gallons == pytest.approx(2.9559, abs=1e-3)


def test_rounding_does_not_add_a_day() -> None:
    """33.5 to 35.0 at 0.5 a day is three days although the quotient is not exact."""
    assert len(plan_exchange(volume_l=400, from_psu=33.7, to_psu=35.2).steps) == 3


def test_a_change_within_the_uncertainty_is_questioned_first() -> None:
    """A salinity that may already be right is not worth changing."""
    plan = plan_exchange(volume_l=400, from_psu=35.2, to_psu=35, uncertainty_psu=0.3)

    assert "Leave the water alone" in plan.cautions[0]


def test_raising_warns_of_dry_salt_and_lowering_does_not() -> None:
    """Salt is mixed and matched outside the tank."""
    raising = " ".join(plan_exchange(volume_l=400, from_psu=34, to_psu=35).cautions)
    lowering = " ".join(plan_exchange(volume_l=400, from_psu=36, to_psu=35).cautions)

    assert "Never put dry salt" in raising
    assert "dry salt" not in lowering
    assert "go slowly" in raising
    assert "go slowly" in lowering


def test_nothing_to_do_is_no_step() -> None:
    """On target there is no step and no caution."""
    plan = plan_exchange(volume_l=400, from_psu=35, to_psu=35)

    assert (plan.steps, plan.cautions, plan.litres) == ((), (), 0)


def test_a_large_share_of_the_water_is_pointed_out() -> None:
    """An exchange of more than a fifth in one day shifts more than salinity."""
    plan = plan_exchange(
        volume_l=100, from_psu=33, to_psu=35, largest_daily_change_psu=2, salt_water_psu=38
    )

    assert any("One day exchanges 40 %" in caution for caution in plan.cautions)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"from_psu": 1.0}, "present salinity is 1; it must be 2 to 42"),
        ({"to_psu": 43.0}, "wanted salinity is 43"),
        ({"largest_daily_change_psu": 0.0}, "must be above 0"),
        ({"volume_l": 0.0}, "volume is 0 l"),
        ({"volume_l": float("inf")}, "volume is inf l"),
        ({"largest_daily_change_psu": 1e-4}, "would take 10000 days"),
        ({"salt_water_psu": 34.0}, "must be above 35 and at most 42"),
        ({"from_psu": float("nan")}, "must be 2 to 42"),
    ],
)
def test_impossible_requests_are_refused_in_plain_words(
    changes: dict[str, float], message: str
) -> None:
    """What is wrong and what is accepted is said."""
    arguments = {"volume_l": 400.0, "from_psu": 34.0, "to_psu": 35.0} | changes

    with pytest.raises(ValueError, match=message):
        plan_exchange(**arguments)
