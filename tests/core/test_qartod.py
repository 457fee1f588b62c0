"""Streaming plausibility tests: what is flagged, what is not, and what is not known."""

import json
import random
from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from bridge.core.findings import Flag
from bridge.core.qartod import PlausibilityTests
from bridge.core.qartod_bounds import fastest_fall_psu_h, fastest_rise_psu_h
from bridge.core.qartod_rollup import REQUIRED_TESTS, roll_up
from bridge.core.qartod_state import TESTS, QartodState
from bridge.core.settings import Plumbing, Probe, ProbeUnit, Reports, Tank, Thermometer

PASS, NOT_EVALUATED, SUSPECT = Flag.PASS, Flag.NOT_EVALUATED, Flag.SUSPECT
FAIL, MISSING = Flag.FAIL, Flag.MISSING
TIME_TESTS = ("spike", "rate_of_change", "flat_line", "multi_variate")
PROBE = Probe(topic="probe", unit=ProbeUnit.PSU, reports=Reports.SALINITY)
TANK = Tank(
    volume_l=400.0,
    probe=PROBE,
    thermometer=Thermometer(topic="thermometer"),
    plumbing=Plumbing(top_off_l_h=60.0),
)


class Stream:
    """A probe in still water of 35 at 25 C, to which things can happen."""

    def __init__(
        self,
        tank: Tank = TANK,
        *,
        interval_s: float = 5.0,
        noise_psu: float = 0.02,
        step_psu: float = 0.0,
        seed: int = 1,
    ) -> None:
        self.tests = PlausibilityTests(tank)
        self.rng = random.Random(seed)
        self.interval_s, self.noise_psu, self.step_psu = interval_s, noise_psu, step_psu
        self.at_s = 1_000_000.0

    def send(
        self,
        psu: float = 35.0,
        temperature_c: float = 25.0,
        *,
        after_s: float | None = None,
        noise_psu: float | None = None,
    ) -> dict[str, Flag]:
        """One sample; returns a copy of its flags."""
        self.at_s += self.interval_s if after_s is None else after_s
        psu += self.rng.gauss(0.0, self.noise_psu if noise_psu is None else noise_psu)
        if self.step_psu:
            psu = round(round(psu / self.step_psu) * self.step_psu, 9)
        return dict(self.tests.sample(self.at_s, psu, psu, temperature_c))

    def settle(self, samples: int = 600) -> "Stream":
        """Let the tests learn the sensor."""
        for _ in range(samples):
            self.send()
        return self


def test_healthy_water_passes_every_test() -> None:
    """A quiet day after learning gives no flag but pass, but for a few in ten thousand."""
    stream = Stream().settle()
    flags = [stream.send() for _ in range(10_000)]
    overall = [roll_up(f) for f in flags]

    assert overall.count(PASS) >= 9_990
    assert set(flags[-1]) == set(TESTS)


def test_flags_start_as_missing_and_the_first_sample_is_no_pass() -> None:
    """Before anything came all is missing; one sample alone cannot pass."""
    stream = Stream()
    assert set(stream.tests.flags().values()) == {MISSING}
    assert roll_up(stream.tests.flags()) is MISSING
    first = stream.send()

    assert first["gap"] is NOT_EVALUATED
    assert first["syntax"] is first["gross_range"] is first["climatology"] is PASS
    assert [first[name] for name in TIME_TESTS] == [NOT_EVALUATED] * 4
    assert roll_up(first) is NOT_EVALUATED


def test_first_sample_after_a_gap_is_not_judged_by_time() -> None:
    """After a gap the time-dependent tests are not evaluated, and the next sample is judged."""
    stream = Stream().settle()
    after = stream.send(33.5, after_s=3600.0)
    sentence = stream.tests.explain("gap")
    following = stream.send(33.5)

    assert after["gap"] is SUSPECT
    assert [after[name] for name in TIME_TESTS] == [NOT_EVALUATED] * 4
    assert "a gap of 60 min" in sentence
    assert [following[name] for name in ("gap", *TIME_TESTS)] == [PASS] * 5


def test_silence_fails_the_gap_test_when_due_and_not_before() -> None:
    """``due_s`` tells when silence becomes a gap; then nothing else has a value."""
    stream = Stream().settle()
    due_s = stream.tests.due_s
    assert due_s is not None
    assert stream.at_s + 10.0 < due_s < stream.at_s + 60.0
    before = dict(stream.tests.overdue(due_s - 0.01))
    after = dict(stream.tests.overdue(due_s + 0.01))

    assert roll_up(before) is PASS
    assert after == dict.fromkeys(TESTS, MISSING) | {"gap": FAIL}
    assert roll_up(after) is FAIL
    assert stream.tests.explain("gap").startswith("No message for 15")


def test_a_probe_that_never_speaks_becomes_overdue() -> None:
    """Silence from the start counts from the first look at it."""
    tests = PlausibilityTests(TANK)
    tests.overdue(0.0)

    assert tests.overdue(100_000.0)["gap"] is FAIL


def test_a_message_without_a_number_fails_syntax_only() -> None:
    """It shows that the probe is alive, and leaves nothing to judge."""
    stream = Stream().settle()
    flags = stream.tests.syntax_error(stream.at_s + 5.0)

    assert flags == dict.fromkeys(TESTS, MISSING) | {"gap": PASS, "syntax": FAIL}


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), float("-inf")])
def test_no_nan_gets_through(bad: float) -> None:
    """A reading that is not finite is a syntax error, a salinity that is not one is missing."""
    stream = Stream().settle()
    assert stream.tests.sample(stream.at_s + 5.0, 35.0, bad, 25.0)["syntax"] is FAIL
    flags = stream.tests.sample(stream.at_s + 10.0, bad, 35.0, None)
    assert flags["gross_range"] is flags["spike"] is flags["climatology"] is MISSING
    assert stream.tests.sample(bad, 35.0, 35.0, 25.0)["syntax"] is FAIL
    stream.at_s += 10.0

    assert roll_up(stream.send()) is PASS


def test_a_jump_across_an_unusable_sample_is_seen() -> None:
    """An unusable sample in between does not hide a jump."""
    stream = Stream().settle()
    stream.at_s += 5.0
    stream.tests.sample(stream.at_s, None, 35.0, None)
    flags = stream.send(33.0)

    assert flags["spike"] is SUSPECT
    assert flags["rate_of_change"] is FAIL


def test_a_message_delivered_twice_changes_nothing() -> None:
    """A duplicate is neither news nor evidence that the probe is alive."""
    stream = Stream().settle()
    stream.at_s += 5.0
    stream.tests.sample(stream.at_s, 35.0, 35.0, 25.0)
    before, due_s = dict(stream.tests.flags()), stream.tests.due_s
    stream.tests.sample(stream.at_s, 35.0, 35.0, 25.0, arrived_at_s=stream.at_s + 9.0)

    assert stream.tests.flags() == before
    assert stream.tests.due_s == due_s


def test_a_late_sample_fails_the_gap_test_and_is_forgotten() -> None:
    """A stamp that does not advance is flagged; the next good sample is judged as ever."""
    stream = Stream().settle()
    late = dict(stream.tests.sample(stream.at_s - 7.0, 30.0, 30.0, 25.0))
    good = stream.send()

    assert late["gap"] is FAIL
    assert [late[name] for name in TIME_TESTS] == [NOT_EVALUATED] * 4
    assert roll_up(good) is PASS


def test_a_clock_set_back_is_believed_after_five_samples() -> None:
    """A device whose clock goes back an hour is judged again from the fifth sample on."""
    stream = Stream().settle()
    stream.at_s -= 3600.0
    gaps = [stream.send()["gap"] for _ in range(7)]

    assert gaps == [FAIL] * 4 + [SUSPECT, PASS, PASS]


@pytest.mark.parametrize(
    ("psu", "gross_range", "climatology"),
    [
        (35.0, PASS, PASS),
        (32.9, PASS, SUSPECT),
        (37.1, PASS, SUSPECT),
        (28.0, SUSPECT, SUSPECT),
        (41.5, SUSPECT, SUSPECT),
        (1.9, FAIL, SUSPECT),
        (42.1, FAIL, SUSPECT),
    ],
)
def test_ranges(psu: float, gross_range: Flag, climatology: Flag) -> None:
    """Normal band 33 to 37, suspect outside 29 to 41, impossible outside 2 to 42."""
    flags = PlausibilityTests(TANK).sample(0.0, psu, psu, 25.0)

    assert (flags["gross_range"], flags["climatology"]) == (gross_range, climatology)


def test_a_number_that_is_no_salinity_is_out_of_range() -> None:
    """With a temperature at hand, a reading beyond the salinity scale fails gross range."""
    flags = PlausibilityTests(TANK).sample(0.0, None, 0.0, 25.0)

    assert flags["gross_range"] is FAIL
    assert roll_up(flags) is FAIL


def test_water_hotter_than_the_salinity_scale_fails_gross_range() -> None:
    """A correction beyond 35 C is not covered by the scale."""
    assert PlausibilityTests(TANK).sample(0.0, 35.0, 35.0, 35.1)["gross_range"] is FAIL


@pytest.mark.parametrize("length", [1, 2])
@pytest.mark.parametrize("depth_psu", [-1.0, -0.2, 0.5])
def test_a_spike_is_flagged_and_its_neighbours_are_not(length: int, depth_psu: float) -> None:
    """Only the samples that left the level are suspect, also when two agree."""
    stream = Stream().settle()
    before = stream.send()["spike"]
    inside = [stream.send(35.0 + depth_psu)["spike"] for _ in range(length)]
    after = stream.send()
    settled = stream.tests.settled

    assert before is PASS
    assert inside == [SUSPECT] * length
    assert after["spike"] is after["rate_of_change"] is PASS
    assert settled is not None
    assert (settled.outcome, settled.samples, settled.flag) == (
        "spike",
        length,
        FAIL if abs(depth_psu) > 0.4 else SUSPECT,
    )


def test_a_step_is_told_from_a_spike_at_its_third_sample() -> None:
    """A step is provisional for two samples, then settled as a step; the rate test keeps it."""
    stream = Stream().settle()
    flags = []
    outcomes = []
    for _ in range(5):
        flags.append(stream.send(34.0))
        settled = stream.tests.settled
        outcomes.append(None if settled is None else settled.outcome)

    assert [f["spike"] for f in flags] == [SUSPECT, SUSPECT, PASS, PASS, PASS]
    assert flags[0]["rate_of_change"] is FAIL
    assert outcomes == [None, None, "step", None, None]


def test_a_ragged_burst_stays_suspect_until_it_is_over() -> None:
    """Bubbles that never agree on a level are neither a step nor the new normal."""
    stream = Stream().settle()
    rng = random.Random(4)
    burst = [stream.send(34.5 - 2.0 * rng.random())["spike"] for _ in range(40)]
    after = [stream.send()["spike"] for _ in range(3)]

    assert burst.count(SUSPECT) >= 39
    assert after[-1] is PASS


def test_a_dip_within_the_fastest_fall_is_known_by_its_return() -> None:
    """At ten minutes a dip may pass as fresh water; rising back in one sample shows it was not."""
    tank = replace(TANK, probe=replace(PROBE, interval_s=600.0))
    stream = Stream(tank, interval_s=600.0).settle()
    dip = stream.send(34.4)
    back = stream.send(35.0)
    settled = stream.tests.settled

    assert dip["spike"] is PASS
    assert back["spike"] is back["rate_of_change"] is PASS
    assert settled is not None
    assert settled.outcome == "spike"


@pytest.mark.parametrize("interval_s", [0.25, 1.0, 5.0, 60.0, 600.0])
def test_the_fastest_fall_of_the_water_passes_at_any_cadence(interval_s: float) -> None:
    """A fall at the plumbing's rate is water, ten times that rate is not; so for any cadence."""
    tank = replace(TANK, probe=replace(PROBE, interval_s=interval_s))
    rate = fastest_fall_psu_h(tank, 34.0)
    stream = Stream(tank, interval_s=interval_s).settle()
    samples = max(4, int(1200.0 / interval_s))
    fall_psu = rate * interval_s / 3600.0
    possible = [stream.send(35.0 - fall_psu * n)["rate_of_change"] for n in range(samples)]
    stream = Stream(tank, interval_s=interval_s).settle()
    samples = max(20, int(1300.0 / interval_s))
    impossible = [stream.send(35.0 - 10.0 * fall_psu * n)["rate_of_change"] for n in range(samples)]

    assert set(possible) == {PASS}
    assert {SUSPECT, FAIL} & set(impossible)


def test_a_slow_rise_that_evaporation_cannot_explain_is_suspect() -> None:
    """Half a unit in half an hour is no evaporation, though no two samples show it."""
    stream = Stream().settle(1200)
    flags = [stream.send(35.0 + 0.8 * n / 360.0) for n in range(360)]

    assert flags[-1]["rate_of_change"] is SUSPECT
    assert {f["spike"] for f in flags} == {PASS}
    assert "mean changed by +" in stream.tests.explain("rate_of_change")


def test_the_caller_may_widen_what_the_water_can_do() -> None:
    """During a water change the same step passes as real."""
    stream = Stream().settle()
    stream.at_s += 5.0
    flags = stream.tests.sample(
        stream.at_s, 34.0, 34.0, 25.0, fastest_fall_psu_h=1000.0, fastest_rise_psu_h=1000.0
    )

    assert flags["rate_of_change"] is flags["spike"] is PASS


def test_bounds_follow_volume_and_plumbing() -> None:
    """60 l/h into 400 l lowers 35 by 5.25 an hour; 5 % a day raises it by 0.073 an hour."""
    assert fastest_fall_psu_h(TANK, 35.0) == pytest.approx(35.0 * 60.0 / 400.0)
    assert fastest_rise_psu_h(TANK, 35.0) == pytest.approx(35.0 * 0.05 / 24.0)
    fed = replace(TANK, plumbing=Plumbing(flow_through_psu_h=2.0, salt_water_l_h=4.0))
    assert fastest_fall_psu_h(fed, 35.0) == pytest.approx(35.0 * 0.15 + 35.0 * 0.01 + 2.0)
    assert fastest_rise_psu_h(fed, 35.0) == pytest.approx(35.0 * 0.05 / 24.0 + 7.0 * 0.01 + 2.0)


def test_a_fine_probe_that_sticks_is_found_within_minutes() -> None:
    """Against noise of two steps, five minutes of one value are no chance."""
    stream = Stream(noise_psu=0.02, step_psu=0.01).settle()
    flags = [stream.send(noise_psu=0.0)["flat_line"] for _ in range(240)]

    assert flags[:58] == [PASS] * 58
    assert flags[62] is not PASS
    assert flags[-1] is FAIL
    assert "in a row are equal" in stream.tests.explain("flat_line")


def test_a_coarse_probe_may_repeat_itself_for_hours() -> None:
    """Steps of 0.1 against noise of 0.01: ten hours of one value are natural, five days not."""
    stream = Stream(noise_psu=0.01, step_psu=0.1, interval_s=60.0)
    natural = [stream.send()["flat_line"] for _ in range(600)]
    stuck = [stream.send()["flat_line"] for _ in range(5 * 1440)]

    assert set(natural[1:]) == {PASS}
    assert stuck[-1] is FAIL


def test_a_probe_stuck_from_the_start_is_found_within_two_days() -> None:
    """With nothing learned, the assumed coarsest step bounds a natural flat line."""
    stream = Stream(noise_psu=0.0, interval_s=60.0)
    flags = [stream.send()["flat_line"] for _ in range(2 * 1440)]

    assert flags[1] is PASS
    assert flags[-1] is FAIL


def test_a_thermometer_jump_that_explains_the_change_is_seen() -> None:
    """The thermometer leaves the water: salinity moves by -0.77 a degree until it is back."""
    stream = Stream().settle()
    out = [stream.send(35.0 + 0.77 * 4.0, 21.0)["multi_variate"] for _ in range(20)]
    sentence = stream.tests.explain("multi_variate")
    back = stream.send(35.0, 25.0)["multi_variate"]

    assert out == [SUSPECT] * 20
    assert "-4.0 C" in sentence
    assert "+3.0" in sentence or "+3.1" in sentence
    assert back is PASS


def test_a_step_of_the_thermometer_within_its_uncertainty_is_no_fault() -> None:
    """A thermometer that shows tenths moves the salinity by 0.08; that is no spike."""
    stream = Stream(noise_psu=0.005).settle()
    flags = [stream.send(35.0 - 0.077, 25.1), stream.send(35.0 - 0.077, 25.1)]

    assert [roll_up(f) for f in flags] == [PASS, PASS]


def test_a_step_that_begins_when_a_device_switches_is_multi_variate() -> None:
    """The coincidence is named; the same switching without a step is not."""
    stream = Stream().settle()
    stream.tests.equipment_switched(stream.at_s + 2.0, "skimmer")
    quiet = stream.send()["multi_variate"]
    stream.send()
    stream.tests.equipment_switched(stream.at_s + 2.0, "skimmer")
    stepped = stream.send(34.0)["multi_variate"]

    assert quiet is PASS
    assert stepped is SUSPECT
    assert "skimmer" in stream.tests.explain("multi_variate")


def test_a_signal_that_loses_its_noise_is_attenuated() -> None:
    """A tenth of the usual noise is suspect, and healthy noise is not."""
    stream = Stream().settle()
    healthy = [stream.send()["attenuated_signal"] for _ in range(5000)]
    calm = [stream.send(noise_psu=0.003)["attenuated_signal"] for _ in range(100)]

    assert healthy.count(PASS) >= 4950
    assert calm[-1] is SUSPECT


def test_neighbour_exists_only_with_a_second_probe() -> None:
    """Two probes disagree beyond both uncertainties: 0.28 at the defaults."""
    tank = replace(TANK, second_probe=replace(PROBE, topic="second"))
    stream = Stream(tank)
    assert stream.send()["neighbour"] is NOT_EVALUATED
    stream.tests.second_probe(stream.at_s, 35.0)
    assert stream.send()["neighbour"] is PASS
    stream.tests.second_probe(stream.at_s, 34.5)
    assert stream.send()["neighbour"] is SUSPECT
    assert "differ by 0.5" in stream.tests.explain("neighbour")
    assert "neighbour" not in PlausibilityTests(TANK).flags()


def test_roll_up_never_turns_the_untested_into_a_pass() -> None:
    """Worst flag wins; one required test not evaluated or absent prevents pass."""
    good = dict.fromkeys(TESTS, PASS)

    assert roll_up(good) is PASS
    assert roll_up({}) is NOT_EVALUATED
    for name in REQUIRED_TESTS:
        assert roll_up(good | {name: NOT_EVALUATED}) is NOT_EVALUATED
        assert roll_up({k: v for k, v in good.items() if k != name}) is NOT_EVALUATED
    assert roll_up(good | {"attenuated_signal": NOT_EVALUATED}) is PASS
    assert roll_up(good | {"spike": SUSPECT, "flat_line": NOT_EVALUATED}) is SUSPECT
    assert roll_up(good | {"spike": SUSPECT, "climatology": MISSING}) is MISSING
    assert roll_up(good | {"gap": FAIL, "climatology": MISSING}) is FAIL


ODD_FLOATS = st.one_of(
    st.floats(30.0, 40.0), st.floats(), st.sampled_from([0.0, -0.0, 1e308, -1e308, 5e-324])
)
STEPS = st.one_of(
    st.tuples(
        st.just("sample"),
        st.one_of(st.floats(-20.0, 900.0), st.sampled_from([0.0, 5.0, 1e-9, float("nan"), 1e15])),
        st.one_of(st.none(), ODD_FLOATS),
        ODD_FLOATS,
        st.one_of(st.none(), st.floats(20.0, 30.0), st.floats()),
    ),
    st.tuples(st.sampled_from(["syntax", "overdue", "switch"]), st.floats(0.0, 4000.0)),
)
History = list[tuple[str | float | None, ...]]
ADAPTER = TypeAdapter(QartodState)


def feed(tests: PlausibilityTests, at_s: float, step: tuple[object, ...]) -> float:
    """One event of a random history; returns the new time."""
    kind, delta_s, *rest = step
    assert isinstance(delta_s, float)
    at_s += delta_s if delta_s - delta_s == 0.0 else 0.0
    if kind == "sample":
        stamp_s = at_s if delta_s - delta_s == 0.0 else delta_s
        tests.sample(stamp_s, *rest)  # type: ignore[arg-type]
    elif kind == "syntax":
        tests.syntax_error(at_s)
    elif kind == "overdue":
        tests.overdue(at_s)
    else:
        tests.equipment_switched(at_s, "wave pump")
    return at_s


@given(history=st.lists(STEPS, max_size=60))
def test_any_history_gives_flags_and_sentences(history: History) -> None:
    """No history breaks the tests: each has a flag of the vocabulary and an explanation."""
    tests = PlausibilityTests(TANK)
    at_s = 0.0
    for step in history:
        at_s = feed(tests, at_s, step)
        assert set(tests.flags()) == set(TESTS)
        for name, flag in tests.flags().items():
            assert isinstance(flag, Flag)
            sentence = tests.explain(name)
            assert sentence.endswith(".")
            assert "nan" not in sentence.lower().replace("tenance", "")
    assert tests.sensor.late_s > 0.0
    assert tests.sensor.effective_noise_psu > 0.0


@given(history=st.lists(STEPS, max_size=60), cut=st.integers(0, 60))
def test_a_restart_changes_nothing(history: History, cut: int) -> None:
    """Saved as JSON and restored at any point, the tests go on as if nothing had happened."""
    whole, part = PlausibilityTests(TANK), PlausibilityTests(TANK)
    whole_s = part_s = 0.0
    for number, step in enumerate(history):
        if number == cut:
            part = PlausibilityTests(TANK, ADAPTER.validate_json(ADAPTER.dump_json(part.state)))
        whole_s = feed(whole, whole_s, step)
        part_s = feed(part, part_s, step)
        assert part.flags() == whole.flags()
        assert part.settled == whole.settled
        assert [part.explain(n) for n in TESTS] == [whole.explain(n) for n in TESTS]


def test_absurd_numbers_can_be_saved() -> None:
    """A step past the largest float is not learned, because a saved state could not hold it."""
    tests = PlausibilityTests(TANK)
    for number in range(4):
        tests.sample(10.0 * number, 35.0, 1.7e308 * (-1) ** number, 25.0)

    assert ADAPTER.validate_json(ADAPTER.dump_json(tests.state)) == tests.state


@settings(max_examples=10)
@given(seed=st.integers(0, 1000), every=st.integers(1, 400))
def test_a_realistic_day_in_pieces_equals_the_day_in_one(seed: int, every: int) -> None:
    """A bubbly series with drop-outs gives the same flags however often it is cut."""
    rng = random.Random(seed)
    samples = []
    at_s = 0.0
    for _ in range(1500):
        at_s += rng.choice([4.9, 5.0, 5.1, 10.0, 47.0 if rng.random() < 0.05 else 5.0])
        psu = round(35.0 + rng.gauss(0.0, 0.02) - (rng.random() < 0.1) * rng.random(), 2)
        samples.append((at_s, psu, psu, 25.0 + round(rng.gauss(0.0, 0.05), 1)))
    whole, part = PlausibilityTests(TANK), PlausibilityTests(TANK)
    for number, sample in enumerate(samples):
        if number % every == 0:
            part = PlausibilityTests(TANK, ADAPTER.validate_json(ADAPTER.dump_json(part.state)))
        assert part.sample(*sample) == whole.sample(*sample)

    assert json.loads(ADAPTER.dump_json(part.state)) == json.loads(ADAPTER.dump_json(whole.state))


@given(
    base=st.floats(33.5, 36.5),
    changes=st.lists(st.tuples(st.floats(0.05, 14.0), st.floats(0.0, 1.0)), min_size=30),
)
def test_water_within_its_rates_is_never_called_too_fast(
    base: float, changes: list[tuple[float, float]]
) -> None:
    """Whatever the plumbing can do, at any irregular cadence, passes the rate-of-change test."""
    tests = PlausibilityTests(TANK)
    psu, at_s = base, 0.0
    for (interval_s, share), (_, way) in pairwise(changes):
        at_s += interval_s
        rate = fastest_fall_psu_h(TANK, psu) if way > 0.5 else -fastest_rise_psu_h(TANK, psu)
        psu -= 0.9 * share * rate * interval_s / 3600.0
        flags = tests.sample(at_s, psu, psu, 25.0)
        assert flags["rate_of_change"] in (PASS, NOT_EVALUATED)
