"""Which device disturbs the reading: named soon when one does, hardly ever when none does."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter
from scipy import stats

from bridge.core.devices import (
    SIGNIFICANCE,
    Devices,
    DevicesState,
    EdgeChange,
    Effect,
    binomial_tail,
    judge,
    median,
    noise_change,
    step_change,
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
            noise = NOISE_PSU + sum(self.loud.get(n, 0.0) for n, on in self.on.items() if on)
            value = 35.0 + self.rng.gauss(0.0, noise)
            value += self.drift_psu_h * (self.at_s - START_S) / 3600.0
            value += sum(self.steps.get(n, 0.0) for n, on in self.on.items() if on)
            if self.rng.random() < self.bubbly:
                value -= self.rng.expovariate(1.0 / 0.3)
            self.devices.sample(self.at_s, value, NOISE_PSU, self.interval_s)

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


def test_without_controls_the_signs_alone_need_more_toggles() -> None:
    """Right after the start chance counts as one half: six do not suffice, twenty do."""
    changes = [EdgeChange(float(n), n % 2 == 0, 0.2 if n % 2 == 0 else -0.2) for n in range(20)]

    few = judge(Effect.STEP, changes[:6], [], 0.03, 1)
    many = judge(Effect.STEP, changes, [], 0.03, 1)

    assert few is not None
    assert many is not None
    assert few.chance == many.chance == 0.5
    assert not few.significant
    assert many.significant
    # One change is used up by choosing the size; two kinds of effect are tried.
    expected = stats.binomtest(19, 19, 0.5, alternative="greater").pvalue
    assert many.p_value == pytest.approx(2.0 * expected)


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

    assert bench.devices.edge_near(bench.at_s, 25.0) == "skimmer"
    assert bench.devices.edge_near(bench.at_s + 3600.0, 25.0) is None
    assert bench.devices.chance_of_edge(bench.at_s, 25.0) < 0.05


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
