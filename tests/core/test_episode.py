"""Competing explanations: each wins on what it describes, and physics rules out what cannot be."""

import random
from collections.abc import Callable
from math import exp

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter

from bridge.core.episode import PRIORS, Episode, EpisodeState, Model

START_S = 1_772_366_400.0
INTERVAL_S = 10.0
NOISE_PSU = 0.02
WATER_PSU = 35.0
WATER_VARIANCE = 0.005**2
FALL_PSU_H = 1.5 * 35.0 * 60.0 / 400.0
RISE_PSU_H = 35.0 * 0.05 / 24.0


def play(
    readings: list[float],
    *,
    factors: dict[Model, float] | None = None,
    fall_psu_h: float = FALL_PSU_H,
    rise_psu_h: float = RISE_PSU_H,
    mixing: float = 1.0,
    salty: bool = False,
) -> Episode:
    """Open an episode at the first reading and weigh them all against still water at 35."""
    episode = Episode.opening(START_S, WATER_PSU, WATER_VARIANCE, readings[0], factors or {})
    # As the diagnosis does: the water was last seen at the sample before.
    episode.state.last_s = START_S - INTERVAL_S
    for index, reading in enumerate(readings):
        weigh(episode, index, reading, fall_psu_h, rise_psu_h, mixing, salty=salty)
    return episode


def weigh(
    episode: Episode,
    index: int,
    reading: float,
    fall_psu_h: float = FALL_PSU_H,
    rise_psu_h: float = RISE_PSU_H,
    mixing: float = 1.0,
    *,
    salty: bool = False,
) -> None:
    """One more sample."""
    episode.sample(
        START_S + INTERVAL_S * index,
        reading,
        WATER_PSU,
        WATER_VARIANCE,
        NOISE_PSU,
        fall_psu_h,
        rise_psu_h,
        shallow_psu=0.1,
        mixing=mixing,
        salty=salty,
    )


def best(episode: Episode) -> Model:
    """The most probable explanation."""
    probabilities = episode.probabilities()
    return Model(max(range(len(probabilities)), key=probabilities.__getitem__))


def noisy(values: list[float], rng: random.Random) -> list[float]:
    """With the sensor's own noise."""
    return [value + rng.gauss(0.0, NOISE_PSU) for value in values]


def passing(rng: random.Random) -> list[float]:
    """Bubbles that pass: exponential dips, independent from sample to sample."""
    dips = [35.0 - rng.expovariate(1.0 / 0.7) if rng.random() < 0.7 else 35.0 for _ in range(40)]
    return noisy([34.0, *dips], rng)


def lodged(rng: random.Random) -> list[float]:
    """A bubble that stays: one step down, then quiet."""
    return noisy([35.0 - rng.uniform(0.4, 1.5)] * 1, rng) + noisy(
        [34.0 + rng.uniform(-0.2, 0.5)] * 30, rng
    )


def stepped_up(rng: random.Random) -> list[float]:
    """Pick-up that lifts the reading, which neither gas nor this plumbing can."""
    return noisy([35.0 + rng.uniform(0.3, 1.0)] * 30, rng)


def restless(rng: random.Random) -> list[float]:
    """Pick-up as noise, both ways."""
    return [35.0 + rng.gauss(0.0, 0.3) for _ in range(40)]


def dry(rng: random.Random) -> list[float]:
    """Out of the water: nearly nothing is left."""
    return noisy([rng.uniform(0.2, 2.0) for _ in range(12)], rng)


def plume(rng: random.Random) -> list[float]:
    """Unmixed fresh water: down within minutes, slowly back."""
    deepest = rng.uniform(0.5, 1.2)
    down = [35.0 - deepest * (1.0 - exp(-(n + 1) / 5.0)) for n in range(15)]
    back = [35.0 - deepest * exp(-n / 20.0) for n in range(20)]
    return noisy(down + back, rng)


def falling(rng: random.Random) -> list[float]:
    """The top-off does not stop: the water falls at the pump's pace."""
    pace_psu = 35.0 * 60.0 / 400.0 * INTERVAL_S / 3600.0
    return noisy([35.0 - pace_psu * (n + 1) for n in range(60)], rng)


def share(make: Callable[[random.Random], list[float]], *expected: Model, **how: object) -> float:
    """In how many of 20 seeded cases one of the expected explanations is the most probable."""
    cases = [best(play(make(random.Random(seed)), **how)) for seed in range(20)]  # type: ignore[arg-type] # passed on
    return sum(case in expected for case in cases) / len(cases)


def test_passing_bubbles_are_recognised() -> None:
    """Noisy, one-sided dips that come and go."""
    assert share(passing, Model.PASSING) >= 0.95


def test_a_lodged_bubble_is_recognised() -> None:
    """A step down that stays, as quiet as ever, with no device that switched."""
    without_device = {Model.STEP: 0.15, Model.NOISE: 0.15}

    assert share(lodged, Model.LODGED, Model.PASSING, factors=without_device) >= 0.95


def test_a_step_up_is_pick_up() -> None:
    """Gas only lowers a reading, and no salt came: it is electrical, or not explained."""
    switched = {Model.STEP: 10.0}

    assert share(stepped_up, Model.STEP, factors=switched) >= 0.95


def test_noise_both_ways_is_pick_up() -> None:
    """Symmetrical restlessness is not bubbles."""
    assert share(restless, Model.NOISE) >= 0.95


def test_a_dry_cell_is_recognised() -> None:
    """A reading near nothing is out of the water within three samples."""
    assert share(dry, Model.EXPOSED) >= 0.95
    assert share(lambda rng: dry(rng)[:3], Model.EXPOSED) >= 0.9


def test_a_plume_is_recognised_after_an_addition() -> None:
    """A smooth dip while fresh water mixes."""
    added = {Model.PLUME: 20.0, Model.WATER: 2.0}

    assert share(plume, Model.PLUME, factors=added) >= 0.9


def test_water_that_falls_at_the_pumps_pace_is_water() -> None:
    """A steady fall that the plumbing can do is real, or fresh water that has not mixed yet."""
    running = {Model.WATER: 2.0, Model.PLUME: 0.5}

    assert share(falling, Model.WATER, Model.PLUME, factors=running) >= 0.9
    assert play(falling(random.Random(1))).state.follower_psu == pytest.approx(34.125, abs=0.06)


@pytest.mark.parametrize("size_psu", [-3.0, -0.5, 0.3, 2.0])
def test_a_jump_that_no_plumbing_can_do_is_not_the_water(size_psu: float) -> None:
    """However long it stays, a step within one sample is never called a real change."""
    rng = random.Random(1)
    episode = play(noisy([35.0 + size_psu] * 400, rng))

    assert episode.probabilities()[Model.WATER] < 0.01


@pytest.mark.parametrize("reading_psu", [34.95, 35.05, 36.0])
def test_two_readings_of_the_same_moment_have_no_pace(reading_psu: float) -> None:
    """A probe that sends twice within the resolution of the clock is weighed like any other."""
    episode = Episode.opening(START_S, WATER_PSU, WATER_VARIANCE, reading_psu, {})

    weigh(episode, 0, reading_psu)
    weigh(episode, 0, reading_psu)

    assert sum(episode.probabilities()) == pytest.approx(1.0)


@pytest.mark.parametrize(("comes_again", "samples"), [(False, 3), (True, 30)])
def test_a_lodged_bubble_rests_and_is_over_soon_after_its_release(
    *, comes_again: bool, samples: int
) -> None:
    """While it stays it is not over; released it is after three samples, or, for gas, minutes."""
    rng = random.Random(2)
    episode = play(noisy([34.2] * 200, rng))
    assert best(episode) in {Model.LODGED, Model.PASSING}
    assert episode.state.level_psu == pytest.approx(34.2, abs=0.02)

    for index in range(200, 200 + samples):
        assert not over(episode, index - 1, comes_again=comes_again)
        weigh(episode, index, 35.0 + rng.gauss(0.0, 0.01))

    assert over(episode, 199 + samples, comes_again=comes_again)


def over(
    episode: Episode, index: int, *, interval_s: float = INTERVAL_S, comes_again: bool = True
) -> bool:
    """Whether the episode is over at a sample."""
    at_s = START_S + interval_s * index
    return episode.over(at_s, interval_s, comes_again=comes_again)


def test_passing_bubbles_are_not_over_in_the_pause_between_two_dips() -> None:
    """Dips that came every two minutes keep the episode open for a few times as long."""
    episode = play([34.0])
    index = 1
    for _ in range(5):
        for _ in range(12):
            weigh(episode, index, 35.0)
            assert not over(episode, index)
            index += 1
        weigh(episode, index, 34.0)
        index += 1
    paused = index - 1
    while not over(episode, index - 1):
        weigh(episode, index, 35.0)
        index += 1

    # Three times the pause of 13 samples that was seen.
    assert index - 1 - paused == 3 * 13


@pytest.mark.parametrize("interval_s", [10.0, 60.0, 600.0])
def test_the_calm_that_ends_gas_goes_with_the_pace_of_the_probe(interval_s: float) -> None:
    """At least six readings, five minutes and twelve intervals; never more than six and 40 min."""
    rng = random.Random(3)
    episode = Episode.opening(START_S, WATER_PSU, WATER_VARIANCE, 34.0, {})
    calm = 0
    for index, reading in enumerate(noisy([34.0, 34.2, *[35.0] * 60], rng)):
        episode.sample(
            START_S + interval_s * index,
            reading,
            WATER_PSU,
            WATER_VARIANCE,
            NOISE_PSU,
            FALL_PSU_H,
            RISE_PSU_H,
            shallow_psu=0.1,
        )
        calm = index - 1
        if over(episode, index, interval_s=interval_s):
            break

    assert calm >= 6
    assert calm * interval_s == pytest.approx(
        min(max(300.0, 12.0 * interval_s), max(2400.0, 6.0 * interval_s))
    )


# ---------------------------------------------------------------------- gas, air, cables


def resting(reading_psu: float, *, seed: int, samples: int = 30) -> Episode:
    """An episode of a reading that leaves the water at once and rests."""
    no_device = {Model.STEP: 0.15, Model.NOISE: 0.15}
    return play(noisy([reading_psu] * samples, random.Random(seed)), factors=no_device)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize(
    ("reading_psu", "expected"), [(20.0, Model.LODGED), (12.0, Model.EXPOSED), (1.0, Model.EXPOSED)]
)
def test_gas_leaves_part_of_the_reading_air_leaves_none(
    reading_psu: float, expected: Model, seed: int
) -> None:
    """A bubble on the electrode may take more than half (20 of 35); below two fifths it is air."""
    assert best(resting(reading_psu, seed=seed)) is expected


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("reading_psu", [1.0, 12.0, 25.0])
def test_cables_never_pick_up_most_of_a_reading(reading_psu: float, seed: int) -> None:
    """Tens of units are no step of a device, though one switched just then."""
    switched = {Model.STEP: 10.0}

    episode = play(noisy([reading_psu] * 30, random.Random(seed)), factors=switched)

    assert episode.probabilities()[Model.STEP] < 0.05


# ---------------------------------------------------------------------- plumes


def dosed(rng: random.Random) -> list[float]:
    """Salt from a doser that has not mixed: the dip of fresh water, mirrored."""
    return [2.0 * WATER_PSU - reading for reading in plume(rng)]


def test_a_doser_makes_salty_plumes_where_one_runs_and_nothing_else_does() -> None:
    """Up within minutes and slowly back: a plume with a doser, never one without."""
    added = {Model.PLUME: 20.0}
    with_doser, without = (
        [
            best(play(dosed(random.Random(seed)), factors=added, salty=salty)) is Model.PLUME
            for seed in range(20)
        ]
        for salty in (True, False)
    )

    assert sum(with_doser) >= 18
    assert sum(without) == 0


def test_a_salty_plume_keeps_to_its_side() -> None:
    """Having begun above the water, readings below it are not the same dose."""
    added = {Model.PLUME: 20.0}
    readings = dosed(random.Random(1))[:10]

    above, both = (
        play(noisy(readings + [35.0 + side * 0.5] * 6, random.Random(2)), factors=added, salty=True)
        for side in (1.0, -1.0)
    )

    assert above.probabilities()[Model.PLUME] > 0.5
    assert both.probabilities()[Model.PLUME] < 0.05


def test_a_plume_is_seldom_deep() -> None:
    """What comes down smoothly is a plume some units deep, and rather not at twenty."""
    added = {Model.PLUME: 20.0}
    shallow, deep = (
        play(
            noisy([35.0 - deepest * (1.0 - exp(-(n + 1) / 5.0)) for n in range(15)], rng),
            factors=added,
        ).probabilities()[Model.PLUME]
        for deepest, rng in ((2.0, random.Random(1)), (20.0, random.Random(1)))
    )

    assert shallow > 0.5
    assert deep < 0.05


# ---------------------------------------------------------------------- a device that switches


def switched(moved_psu: float, *, switchings: int = 1) -> Episode:
    """A reading 0.5 high since a device switched, and what it does when that switches again."""
    episode = play([35.5] * 10)
    episode.state.edge_device = "heater"
    index = 10
    for number in range(switchings):
        episode.device_switched()
        for _ in range(3):
            weigh(episode, index, 35.5 + (moved_psu if number % 2 == 0 else 0.0))
            index += 1
    return episode


def test_a_step_whose_device_switches_without_effect_is_refuted() -> None:
    """Pick-up goes with its device: three readings on it has gone, or it is something else."""
    gone, stayed = switched(-0.5), switched(0.0)

    assert gone.probabilities()[Model.STEP] > 0.5
    assert stayed.probabilities()[Model.STEP] < gone.probabilities()[Model.STEP]
    assert stayed.state.priors[Model.STEP] < gone.state.priors[Model.STEP] - 5.0
    # Another may be the maker; this one is not.
    assert (gone.state.edge_device, stayed.state.edge_device) == ("heater", None)


def test_only_the_device_of_the_start_is_looked_at() -> None:
    """Without one, a switching says nothing."""
    episode = play([35.5] * 10)
    before = list(episode.state.priors)
    episode.device_switched()
    for index in range(10, 14):
        weigh(episode, index, 35.5)

    assert episode.state.priors == before


def test_a_device_quicker_than_the_readings_is_judged_by_what_there_is() -> None:
    """It switches again before three readings have come: one is enough, and one is counted."""
    episode = play([35.5] * 10)
    episode.state.edge_device = "heater"
    before = episode.state.priors[Model.STEP]
    episode.device_switched()
    weigh(episode, 10, 35.0)
    episode.device_switched()

    assert episode.state.priors[Model.STEP] > before
    assert episode.state.edge_samples > 0


def test_what_was_seen_is_kept_for_the_evidence() -> None:
    """Deepest dip, counts below and above, and the fastest fall with its time."""
    episode = play([35.0, 34.0, 35.4, 33.5, 35.0])
    state = episode.state

    assert state.deepest_psu == pytest.approx(-1.5)
    assert state.highest_psu == pytest.approx(0.4)
    assert (state.low, state.high) == (2, 1)
    assert state.fastest_fall_psu == pytest.approx(-1.9)
    assert state.fastest_fall_s == pytest.approx(INTERVAL_S)


def test_priors_are_odds_for_all_models() -> None:
    """Before any evidence the probabilities are the stated ones."""
    assert sum(PRIORS.values()) == pytest.approx(1.0)
    assert set(PRIORS) == set(Model)
    episode = Episode.opening(START_S, WATER_PSU, WATER_VARIANCE, 34.0, {})
    assert episode.probabilities() == pytest.approx([PRIORS[model] for model in Model])


# ---------------------------------------------------------------------- sliding and resting


def creeping(pace_psu: float, samples: int, seed: int) -> Episode:
    """A reading that jumps half a unit down and then moves so far with every sample."""
    rng = random.Random(seed)
    return play(noisy([34.5 + pace_psu * n for n in range(samples)], rng))


@pytest.mark.parametrize("seed", range(5))
def test_a_level_that_slides_is_no_resting_level(seed: int) -> None:
    """A third of the noise from sample to sample hides in it, and is 2.4 an hour all the same."""
    slid, rested = creeping(-0.0067, 120, seed), creeping(0.0, 120, seed)

    assert slid.state.ramp > 0.0
    assert rested.state.ramp == 0.0
    assert rested.state.rested
    # What moves on and on speaks against all that jumps and then rests.
    models = (Model.LODGED, Model.STEP)
    assert sum(slid.probabilities()[m] for m in models) < 0.1
    assert sum(rested.probabilities()[m] for m in models) > 0.5


@pytest.mark.parametrize("seed", range(5))
def test_the_water_that_evaporates_under_a_resting_bubble_is_no_slide(seed: int) -> None:
    """The driest room makes 0.07 an hour: within twenty minutes nothing that could be poured."""
    episode = creeping(RISE_PSU_H * INTERVAL_S / 3600.0, 2000, seed)

    assert episode.state.level_psu > 34.8
    assert episode.state.ramp == 0.0


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_what_was_on_its_way_before_may_be_poured_and_what_jumped_may_not(side: float) -> None:
    """The same steady pace of seven an hour, where the plumbing does a tenth of that."""
    readings = [35.0 + side * (0.1 + 0.02 * n) for n in range(40)]
    by_degrees, at_once = (
        poured(readings, gradual=gradual).probabilities()[Model.WATER] for gradual in (True, False)
    )

    assert by_degrees > 0.9
    assert at_once < 0.1


def poured(readings: list[float], *, gradual: bool) -> Episode:
    """Readings beside a plumbing that does next to nothing, already on their way or not."""
    episode = Episode.opening(START_S, WATER_PSU, WATER_VARIANCE, readings[0], {}, gradual=gradual)
    episode.state.last_s = START_S - INTERVAL_S
    for index, reading in enumerate(readings):
        weigh(episode, index, reading, 0.7, RISE_PSU_H)
    return episode


@given(
    st.lists(st.floats(min_value=0.0, max_value=50.0), min_size=1, max_size=60),
    st.integers(min_value=0, max_value=60),
    st.sampled_from([1e-3, 0.02, 0.5]),
)
def test_probabilities_sum_to_one_whatever_is_read_and_survive_a_restart(
    readings: list[float], cut: int, noise_psu: float
) -> None:
    """Any history gives proper probabilities, the same in one run or in two."""
    adapter = TypeAdapter(EpisodeState)
    straight, saved = (
        Episode.opening(START_S, WATER_PSU, WATER_VARIANCE, readings[0], {}) for _ in range(2)
    )
    for index, reading in enumerate(readings):
        if index == cut:
            saved = Episode(adapter.validate_json(adapter.dump_json(saved.state)))
        for episode in (straight, saved):
            episode.sample(
                START_S + 10.0 * index,
                reading,
                WATER_PSU,
                WATER_VARIANCE,
                noise_psu,
                FALL_PSU_H,
                RISE_PSU_H,
                shallow_psu=0.1,
            )
        probabilities = straight.probabilities()

        assert sum(probabilities) == pytest.approx(1.0)
        assert all(0.0 <= p <= 1.0 for p in probabilities)
        assert saved.state == straight.state
