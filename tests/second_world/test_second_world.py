"""The second world keeps its own books, and its judge reads what a replay publishes."""

from pathlib import Path

import numpy as np
import pytest

from tests.second_world.judging import judge_seed
from tests.second_world.planning import draw_plan
from tests.second_world.scenario import make_scenario

STUCK_PUMP_SEED = 38
"""A bare tank whose top-off sticks, read every 300 s: small enough to be replayed in a second."""


def test_salt_is_conserved_while_the_pump_is_stuck() -> None:
    """The fall is what the labelled litres make of it: S V stays (DOMAIN, section 5)."""
    plan = draw_plan(STUCK_PUMP_SEED)
    water = make_scenario(plan).water
    episode = next(each for each in plan.episodes if each.look == "pump-stuck")
    at_s = np.array([episode.begin_s, episode.end_s])
    before_psu, after_psu = np.interp(at_s, water.grid_s, water.salinity_psu)
    hours = (episode.end_s - episode.begin_s) / 3600.0
    added_l = plan.tank.top_off_l_h * hours

    diluted_psu = before_psu * plan.tank.volume_l / (plan.tank.volume_l + added_l)

    # Evaporation and the last saw-tooth move it a little.
    assert after_psu == pytest.approx(diluted_psu, abs=0.1 * abs(before_psu - after_psu) + 0.02)


def test_a_scenario_is_replayed_and_every_label_is_judged(tmp_path: Path) -> None:
    """The whole way, from the drawn tank to the scores."""
    score = judge_seed(STUCK_PUMP_SEED, tmp_path)

    assert [each.look for each in score.episodes] == [
        each.look for each in draw_plan(STUCK_PUMP_SEED).episodes
    ]
    assert score.errors["healthy"][0] > 100
    assert 0.0 < score.healthy_days < score.days
