"""Which device disturbs the reading: named soon when one does, hardly ever when none does."""

import random
from math import sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter
from scipy import stats

from bridge.core.devices import (
    KEPT_EDGES,
    LAGGING,
    LEAST_SCATTER,
    LONGEST_WAIT_INTERVALS,
    PROMPT,
    RARELY_S,
    SIGNIFICANCE,
    SMALLEST_TAIL,
    Devices,
    DevicesState,
    EdgeChange,
    Effect,
    binomial_tail,
    judge,
    mean_tail,
    median,
    noise_change,
    step_change,
    student_tail,
)

START_S = 1_772_366_400.0
NOISE_PSU = 0.01


class Bench:
    """A probe beside some devices that switch at random."""

    def __init__(
        self, names: tuple[str, ...], *, seed: int, interval_s: float = 10.0, drift_psu_h: float = 0
    ) -> None:
        self.devices = Devices(names)
        self.rng = random.Random(seed)
        self.interval_s, self.drift_psu_h = interval_s, drift_psu_h
        self.at_s = START_S
        self.on = dict.fromkeys(names, False)
        self.steps: dict[str, float] = {}
        self.loud: dict[str, float] = {}
        self.bubbly = 0.0
        self.noise_psu = NOISE_PSU
        for name in names:
            self.devices.switched(name, self.at_s, on=False)

    def switch(self, name: str) -> None:
        """Toggle a device between two readings."""
        self.on[name] = not self.on[name]
        self.devices.switched(name, self.at_s + 0.4 * self.interval_s, on=self.on[name])

    def read(self, count: int = 1) -> None:
        """Readings with what the running devices do to them."""
        for _ in range(count):
            self.at_s += self.interval_s
            noise = self.noise_psu + sum(self.loud.get(n, 0.0) for n, on in self.on.items() if on)
            value = 35.0 + self.rng.gauss(0.0, noise)
            value += self.drift_psu_h * (self.at_s - START_S) / 3600.0
            value += sum(self.steps.get(n, 0.0) for n, on in self.on.items() if on)
            if self.rng.random() < self.bubbly:
                value -= self.rng.expovariate(1.0 / 0.3)
            self.devices.sample(self.at_s, value, self.noise_psu, self.interval_s)

    def toggles(self, name: str, count: int, *, every: int = 40) -> list[str]:
        """Toggle one device so often; who is named in the end."""
        for _ in range(count):
            self.switch(name)
            self.read(every)
        return self.named

    @property
    def named(self) -> list[str]:
        """Names of those found."""
        return [name for name, _ in self.devices.named()]


@given(
    st.integers(min_value=0, max_value=60),
    st.integers(min_value=0, max_value=60),
    st.floats(min_value=0.001, max_value=0.999),
)
def test_the_tail_is_that_of_the_exact_binomial_test(
    successes: int, trials: int, chance: float
) -> None:
    """The probability of so many agreements by chance equals scipy's one-sided exact test."""
    successes = min(successes, trials)
    expected = (
        stats.binomtest(successes, trials, chance, alternative="greater").pvalue if trials else 1.0
    )

    assert binomial_tail(successes, trials, chance) == pytest.approx(expected, rel=1e-9, abs=1e-300)


@given(st.lists(st.floats(min_value=-1e6, max_value=1e6), min_size=1, max_size=20))
def test_the_median_is_the_median(values: list[float]) -> None:
    """As the standard library has it."""
    import statistics  # noqa: PLC0415 - the module under test has a function of that name

    assert median(values) == statistics.median(values)


@pytest.mark.parametrize("step_psu", [0.15, -0.3, 1.2])
@pytest.mark.parametrize("seed", range(5))
def test_a_clear_step_is_named_within_six_toggles(step_psu: float, seed: int) -> None:
    """A reading that steps with one of four devices names that one by its sixth switching."""
    bench = Bench(("heater", "skimmer", "light", "wave"), seed=seed)
    bench.steps["heater"] = step_psu
    bench.read(400)

    assert bench.toggles("heater", 6) == ["heater"]
    ((_, verdict),) = bench.devices.named()
    assert verdict.effect is Effect.STEP
    assert verdict.size == pytest.approx(step_psu, abs=0.02)
    assert verdict.agreeing == verdict.edges == 6


@pytest.mark.parametrize("seed", range(5))
def test_noise_while_a_device_runs_is_named_too(seed: int) -> None:
    """A reading that is six times as restless while a device runs names it within ten toggles."""
    bench = Bench(("heater", "skimmer"), seed=seed)
    bench.loud["heater"] = 0.05
    bench.read(400)

    assert bench.toggles("heater", 10) == ["heater"]
    assert bench.devices.named()[0][1].effect is Effect.NOISE


@pytest.mark.parametrize("count", [1, 2, 3])
def test_one_coincidence_proves_nothing(count: int) -> None:
    """Up to three switchings name nobody, however large the step."""
    bench = Bench(("heater",), seed=1)
    bench.steps["heater"] = 2.0
    bench.read(400)

    assert bench.toggles("heater", count) == []


def reversing(sizes: list[float]) -> list[EdgeChange]:
    """Switchings on and off in turn, each of which steps the reading by so much and back."""
    return [EdgeChange(float(n), n % 2 == 0, s if n % 2 == 0 else -s) for n, s in enumerate(sizes)]


SCATTERED = [0.1, 0.38, 0.12, 0.2, 0.3, 0.36, 0.14, 0.24] * 3
"""Always of the same sign, and neither fractions nor multiples of their median."""


def test_without_controls_the_signs_alone_need_more_toggles() -> None:
    """Right after the start chance counts as one half: six do not suffice, two dozen do."""
    few = judge(Effect.STEP, reversing(SCATTERED[:6]), [], 0.03, 1)
    many = judge(Effect.STEP, reversing(SCATTERED), [], 0.03, 1)

    assert few is not None
    assert many is not None
    assert few.chance == many.chance == 0.5
    assert not few.significant
    assert many.significant
    # One change is used up by choosing the size; two kinds of effect and two tests are tried.
    signs = stats.binomtest(23, 23, 0.5, alternative="greater").pvalue
    assert many.p_value <= 4.0 * signs


def test_without_controls_sizes_that_are_alike_need_fewer() -> None:
    """Six steps of the same size are a mean that chance does not make: a t test."""
    verdict = judge(Effect.STEP, reversing([0.2] * 6), [], 0.03, 1)

    assert verdict is not None
    assert verdict.significant
    # Steps of a coarse reading may all be alike: a scatter is assumed at least.
    t = 0.2 / (LEAST_SCATTER * 0.03 / sqrt(6))
    assert verdict.p_value == pytest.approx(4.0 * 2.0 * stats.t.sf(t, 5))


@given(st.floats(min_value=-60.0, max_value=60.0), st.integers(min_value=1, max_value=80))
def test_the_tail_is_that_of_students_distribution(t: float, freedom: int) -> None:
    """Both sides, by scipy.stats.t; bounded where rounding ends."""
    expected = 2.0 * stats.t.sf(abs(t), freedom)

    assert student_tail(t, freedom) == pytest.approx(expected, rel=1e-9, abs=1e-13)
    assert student_tail(t, freedom) >= SMALLEST_TAIL


@given(
    st.lists(st.integers(min_value=-500, max_value=500), min_size=4, max_size=KEPT_EDGES)
    .filter(lambda hundredths: len(set(hundredths)) > 1)
    .map(lambda hundredths: [h / 100.0 for h in hundredths])
)
def test_the_chance_of_a_mean_is_that_of_the_t_test(changes: list[float]) -> None:
    """With no scatter assumed, scipy's test of one sample."""
    expected = stats.ttest_1samp(changes, 0.0).pvalue

    assert mean_tail(changes, 0.0) == pytest.approx(expected, rel=1e-6, abs=1e-13)
    assert mean_tail(changes, 1.0) >= mean_tail(changes, 0.0)


def test_a_change_that_does_not_reverse_names_nobody() -> None:
    """Steps of one sign at every switching, on or off, are no effect of the device."""
    changes = [EdgeChange(float(n), n % 2 == 0, 0.2) for n in range(40)]

    verdict = judge(Effect.STEP, changes, [0.0] * 60, 0.03, 1)

    assert verdict is None or not verdict.significant


def test_the_more_devices_were_tried_the_stronger_the_proof() -> None:
    """The p-value is corrected for the number of devices."""
    changes = [EdgeChange(float(n), n % 2 == 0, 0.2 if n % 2 == 0 else -0.2) for n in range(12)]

    alone = judge(Effect.STEP, changes, [], 0.03, 1)
    among = judge(Effect.STEP, changes, [], 0.03, 8)

    assert alone is not None
    assert among is not None
    assert among.p_value == pytest.approx(8.0 * alone.p_value)


@pytest.mark.parametrize("bubbly", [0.0, 0.3])
def test_innocent_devices_are_hardly_ever_named(bubbly: float) -> None:
    """Over many tanks whose devices do nothing, fewer are named than the level of the test allows.

    Three devices switch 40 times each, in quiet water and in water full of bubbles, while the
    reading climbs by evaporation.
    """
    tanks, named = 60, 0
    for seed in range(tanks):
        bench = Bench(("a", "b", "c"), seed=100 + seed, drift_psu_h=0.02)
        bench.bubbly = bubbly
        for _ in range(40):
            for name in bench.on:
                bench.switch(name)
                bench.read(bench.rng.randint(6, 14))
        named += len(set(bench.named))

    # Expected at most: devices times level; 3 more leave room for chance (Poisson, p < 1e-3).
    assert named <= 3 * tanks * SIGNIFICANCE + 3


def test_a_device_that_always_switches_together_with_the_culprit_is_not_preferred() -> None:
    """Of several, the one with the strongest evidence comes first."""
    bench = Bench(("light", "heater"), seed=3)
    bench.steps["heater"] = 0.3
    bench.read(400)
    for index in range(16):
        bench.switch("heater")
        if index % 4 == 0:
            bench.switch("light")
        bench.read(40)

    assert bench.named[0] == "heater"


def test_changes_are_measured_between_medians() -> None:
    """A single odd sample on either side of a switching does not change the step."""
    before = [35.0, 35.0, 34.0, 35.0, 35.0]
    after = [35.1, 35.2, 35.2, 33.0, 35.2]

    assert step_change(before, after) == pytest.approx(0.2)
    assert step_change([35.0], after) is None
    assert noise_change(before, after[:2], NOISE_PSU) is None


def test_a_retired_device_is_forgotten_and_a_new_one_begins_afresh() -> None:
    """The configuration decides who is followed."""
    bench = Bench(("heater", "skimmer"), seed=1)
    bench.read(50)

    devices = Devices(("heater", "light"), bench.devices.state)

    assert set(devices.state.devices) == {"heater", "light"}
    assert devices.state.devices["light"].on is None


def test_the_device_that_switched_just_before_is_found() -> None:
    """Of two that switched in the window, the one that switches less often is the likelier."""
    bench = Bench(("heater", "skimmer"), seed=1)
    bench.read(60)
    bench.toggles("heater", 10)
    bench.switch("skimmer")
    bench.switch("heater")
    bench.read()

    def odds(name: str, at_s: float) -> float:
        return bench.devices.coincidence(name, at_s, at_s - bench.interval_s, bench.interval_s)

    assert odds("skimmer", bench.at_s) > odds("heater", bench.at_s) > 0.0
    assert odds("skimmer", bench.at_s + 3600.0) == odds("heater", bench.at_s + 3600.0) == 0.0
    assert PROMPT / odds("skimmer", bench.at_s) < 0.05


# ---------------------------------------------------------------------- one coincidence


@pytest.mark.parametrize("interval_s", [10.0, 60.0])
@pytest.mark.parametrize("usual_s", [300.0, 1200.0, 5400.0])
def test_a_coincidence_weighs_about_one_on_average_under_chance(
    usual_s: float, interval_s: float
) -> None:
    """Evidence that averages more than one by chance alone would accuse the innocent.

    A device switches at random; the ratio is asked at every sample, switching or not.
    """
    total, samples = 0.0, 0
    for seed in range(3):
        bench = Bench(("heater",), seed=seed, interval_s=interval_s)
        bench.read(30)
        next_s = bench.at_s + bench.rng.expovariate(1.0 / usual_s)
        for _ in range(int(4.0 * 86400.0 / interval_s)):
            if bench.at_s >= next_s:
                bench.switch("heater")
                next_s = bench.at_s + bench.rng.expovariate(1.0 / usual_s)
            before_s = bench.at_s
            bench.read()
            # The first hours only know what is usual.
            if before_s > START_S + RARELY_S:
                total += bench.devices.coincidence("heater", bench.at_s, before_s, interval_s)
                samples += 1

    assert 0.7 < total / samples < 1.3


def ratios(bench: Bench, count: int) -> list[float]:
    """What the switching of the heater says about a change at each of the next samples."""
    found = []
    for _ in range(count):
        before_s = bench.at_s
        bench.read()
        found.append(bench.devices.coincidence("heater", bench.at_s, before_s, bench.interval_s))
    return found


def test_most_effects_come_at_once_some_a_sample_later_and_none_after_that() -> None:
    """A change long after the switching is not its doing, and before any there is none."""
    bench = Bench(("heater",), seed=1)
    bench.read(60)
    assert ratios(bench, 1) == [0.0]
    bench.switch("heater")

    prompt, lagging, late = ratios(bench, 3)

    assert prompt > 100.0
    assert lagging == pytest.approx(prompt * LAGGING / PROMPT)
    assert late == 0.0


def test_what_switches_often_coincides_often() -> None:
    """The same coincidence says less of a device that switches every few minutes."""
    busy, idle = (Bench(("heater",), seed=1) for _ in range(2))
    for bench, every in ((busy, 30), (idle, 500)):
        bench.read(60)
        bench.toggles("heater", 14, every=every)
        bench.switch("heater")

    assert ratios(idle, 1)[0] > 5.0 * ratios(busy, 1)[0] > 0.0


def test_noise_that_begins_is_put_down_to_what_started_just_before() -> None:
    """Of two that run, the one that started; never one that stopped or has run for long."""
    bench = Bench(("heater", "skimmer"), seed=1)
    bench.read(60)
    bench.switch("skimmer")
    bench.read(360)
    assert bench.devices.lately_started(bench.at_s, bench.interval_s) is None
    bench.switch("heater")
    bench.read(2)
    assert bench.devices.lately_started(bench.at_s, bench.interval_s) == "heater"
    bench.switch("heater")
    bench.read(2)

    assert bench.devices.lately_started(bench.at_s, bench.interval_s) is None


# ---------------------------------------------------------------------- over time


def test_switchings_beside_those_of_a_named_device_are_not_measured() -> None:
    """What steps with the heater would hide, or make, the effect of whatever switches with it."""
    bench = Bench(("heater", "light"), seed=2)
    bench.steps["heater"] = 0.4
    bench.read(400)
    assert bench.toggles("heater", 8) == ["heater"]
    light = bench.devices.state.devices["light"]
    for _ in range(4):
        bench.switch("heater")
        bench.switch("light")
        bench.read(40)
    assert light.steps == light.noises == []

    bench.toggles("light", 4)

    assert len(light.steps) == 4
    assert bench.named == ["heater"]


def test_until_a_device_is_named_all_switchings_are_measured() -> None:
    """Two that always switch together are both looked at: one of them it may be."""
    bench = Bench(("heater", "light"), seed=2)
    bench.read(60)
    for _ in range(4):
        bench.switch("heater")
        bench.switch("light")
        bench.read(40)

    assert len(bench.devices.state.devices["light"].steps) == 4


@pytest.mark.parametrize(("without", "fading"), [(0, False), (1, False), (2, True)])
def test_an_effect_fades_when_two_switchings_no_longer_show_it(without: int, fading: bool) -> None:  # noqa: FBT001
    """A cable that was moved is let go at once; one switching may be an odd one."""
    bench = Bench(("heater",), seed=5)
    bench.steps["heater"] = 0.4
    bench.read(400)
    assert bench.toggles("heater", 12) == ["heater"]
    bench.steps["heater"] = 0.0

    bench.toggles("heater", without)

    ((name, verdict),) = bench.devices.named()
    assert bench.devices.fading(name, verdict) is fading


def test_a_device_whose_cable_was_moved_is_named_no_more() -> None:
    """Half a dozen switchings without the effect outweigh the many before."""
    bench = Bench(("heater",), seed=5)
    bench.steps["heater"] = 0.4
    bench.read(400)
    assert bench.toggles("heater", 20) == ["heater"]
    bench.steps["heater"] = 0.0

    assert bench.toggles("heater", 6) == []


def test_pick_up_that_begins_some_day_is_named_by_the_newest_switchings() -> None:
    """Forty switchings without effect do not hide the next eight with it."""
    bench = Bench(("heater", "light"), seed=6)
    bench.read(400)
    assert bench.toggles("heater", 40) == []
    bench.steps["heater"] = 0.4

    assert bench.toggles("heater", 8) == ["heater"]


def test_the_cycle_of_a_device_is_its_longest_pause_of_late() -> None:
    """A timer that pauses at night comes again; one that was never seen to switch, in six hours."""
    bench = Bench(("heater",), seed=1)
    assert bench.devices.cycle_s("heater") == RARELY_S
    bench.read(60)
    bench.toggles("heater", 3, every=60)
    bench.read(240)
    bench.toggles("heater", 2, every=60)

    assert bench.devices.cycle_s("heater") == pytest.approx(3000.0, abs=20.0)


def test_a_step_has_to_stand_out_of_the_noise() -> None:
    """With a coarse and noisy reading a small step names nobody, however often it comes."""
    named = []
    for noise_psu in (0.01, 0.3):
        bench = Bench(("heater",), seed=7)
        bench.steps["heater"] = 0.1
        bench.noise_psu = noise_psu
        bench.read(400)
        named.append(bench.toggles("heater", 40))

    assert named == [["heater"], []]


def test_a_probe_that_falls_silent_leaves_no_switching_waiting() -> None:
    """When readings come too seldom to measure a switching, it is given up."""
    bench = Bench(("heater",), seed=1)
    bench.read(60)
    bench.switch("heater")
    bench.at_s += (LONGEST_WAIT_INTERVALS + 1) * bench.interval_s
    bench.read(2)

    assert bench.devices.state.devices["heater"].waiting == []


@pytest.mark.parametrize("cut", [0, 5, 17, 100, 150])
def test_saved_and_restored_it_goes_on_as_if_nothing_happened(cut: int) -> None:
    """In one run or in two, the state is the same in the end."""
    adapter = TypeAdapter(DevicesState)

    def play(bench: Bench, *, save: bool) -> DevicesState:
        bench.steps["heater"] = 0.2
        for index in range(200):
            if index % 17 == 0:
                bench.switch("heater")
            bench.read()
            if save and index == cut:
                saved = adapter.validate_json(adapter.dump_json(bench.devices.state))
                bench.devices = Devices(("heater", "skimmer"), saved)
        return bench.devices.state

    straight = play(Bench(("heater", "skimmer"), seed=4), save=False)
    resumed = play(Bench(("heater", "skimmer"), seed=4), save=True)

    assert resumed == straight
    assert resumed.times.maxlen == straight.times.maxlen
