"""The streaming tests against ioos_qc 3.x, an independent offline implementation.

Compared is only where both mean the same. Known peculiarities of ioos_qc 3.0, each shown by a
test below so that a new release that changes one is noticed:

* its spike test by averages also flags both sides of a real step; by differences it ignores
  steps and misses dips of two samples; the newest sample is never evaluated;
* its rate of change cuts time differences to whole seconds and passes a jump across a NaN;
* its flat line with tolerance 0 never fires;
* its roll-up lets "pass" win over "not evaluated" and "missing".
"""

import csv
import random
from pathlib import Path

import gsw
import numpy as np
import pytest
from ioos_qc import qartod as offline

from bridge.core.findings import Flag
from bridge.core.qartod import PlausibilityTests
from bridge.core.qartod_bounds import bounds
from bridge.core.qartod_rollup import roll_up
from bridge.core.qartod_state import TESTS
from bridge.core.settings import Plumbing, Probe, ProbeUnit, Reports, Tank, Thermometer

SHIP = Path(__file__).parents[1] / "data" / "tsg_pir_010.csv"
INTERVAL_S = 5
# The same rate either way, because ioos_qc knows no other; resolution and cadence stated.
TANK = Tank(
    volume_l=400.0,
    probe=Probe(
        topic="probe", unit=ProbeUnit.PSU, reports=Reports.SALINITY, interval_s=float(INTERVAL_S)
    ),
    thermometer=Thermometer(topic="thermometer"),
    plumbing=Plumbing(flow_through_psu_h=200.0),
)
LEARNING = 1500


def series(seed: int, disturbed: dict[int, float]) -> list[float]:
    """Noise of 0.01 around 35, with changes at given places after the learning."""
    rng = random.Random(seed)
    values = [35.0 + rng.gauss(0.0, 0.01) for _ in range(LEARNING + 200)]
    for place, change_psu in disturbed.items():
        values[LEARNING + place] += change_psu
    return values


def stream(values: list[float]) -> tuple[list[dict[str, Flag]], dict[int, Flag], PlausibilityTests]:
    """Flags of each sample, and the settled spike flags by place."""
    tests = PlausibilityTests(TANK)
    flags, settled = [], {}
    for place, value in enumerate(values):
        flags.append(dict(tests.sample(float(INTERVAL_S * place), value, value, 25.0)))
        if tests.settled is not None:
            settled[place - tests.settled.samples] = tests.settled.flag
    return flags, settled, tests


def stamps(count: int) -> np.ndarray[tuple[int], np.dtype[np.datetime64]]:
    """Time stamps at the cadence, as ioos_qc wants them."""
    return np.datetime64("2026-01-01", "ns") + np.arange(count) * np.timedelta64(INTERVAL_S, "s")


def test_gross_range_and_climatology_agree() -> None:
    """Same spans, same flags; the keeper's band is ioos_qc's suspect span."""
    limits = bounds(TANK)
    values = [1.0, 2.0, 28.9, 29.1, 32.9, 33.1, 35.0, 36.9, 37.1, 41.1, 42.0, 42.1]
    ours = [dict(PlausibilityTests(TANK).sample(0.0, v, v, 25.0)) for v in values]
    gross = offline.gross_range_test(
        values, (2.0, 42.0), (limits.suspect_low_psu, limits.suspect_high_psu)
    )
    normal = offline.gross_range_test(values, (-1e9, 1e9), (limits.low_psu, limits.high_psu))

    assert [f["gross_range"] for f in ours] == gross.tolist()
    assert [f["climatology"] for f in ours] == normal.tolist()


@pytest.mark.parametrize("seed", range(5))
def test_spikes_of_one_sample_agree(seed: int) -> None:
    """Isolated one-sample spikes: our settled flags are those of the differential method."""
    rng = random.Random(seed)
    places = range(10, 190, 15)
    disturbed = {place: rng.choice([-1, 1]) * rng.choice([0.6, 0.9, 2.0, 4.0]) for place in places}
    values = series(seed, disturbed)
    _, settled, tests = stream(values)
    noise_psu = tests.sensor.effective_noise_psu
    rate_psu = 200.0 * INTERVAL_S / 3600.0
    theirs = offline.spike_test(
        values,
        suspect_threshold=5 * 2**0.5 * noise_psu + rate_psu,
        fail_threshold=10 * 2**0.5 * noise_psu + rate_psu,
        method="differential",
    )
    flagged = {LEARNING + place for place in disturbed}

    assert set(settled) == flagged == {i for i, f in enumerate(theirs) if f in (3, 4)}
    assert all(int(settled[i]) == int(theirs[i]) for i in flagged)


@pytest.mark.parametrize("seed", range(3))
def test_rate_of_change_agrees_where_a_change_begins(seed: int) -> None:
    """Both flag the sample in which a change too fast begins, and only ioos_qc its return."""
    disturbed = {20: -3.0, 60: 2.0, 61: 2.0, **dict.fromkeys(range(100, 200), -1.5)}
    values = series(seed, disturbed)
    flags, _, tests = stream(values)
    rate_psu_h = bounds(TANK).rise_psu_h
    allowed_psu = 5 * 2**0.5 * tests.sensor.effective_noise_psu + rate_psu_h * INTERVAL_S / 3600.0
    theirs = offline.rate_of_change_test(values, stamps(len(values)), allowed_psu / INTERVAL_S)
    ours = {i - LEARNING for i, f in enumerate(flags) if f["rate_of_change"] in (3, 4)}

    assert {i - LEARNING for i, f in enumerate(theirs) if f == 3} == {20, 21, 60, 62, 100}
    # Ours: every sample away from the level until the step of the last hundred is settled.
    assert ours == {20, 60, 61, 100, 101}


def test_flat_line_agrees_once_both_have_fired() -> None:
    """A stuck stretch is found by both; ours needs no tolerance and no whole seconds."""
    values = series(1, {})
    values[LEARNING + 50 : LEARNING + 180] = [35.0] * 130
    flags, _, _ = stream(values)
    theirs = offline.flat_line_test(values, stamps(len(values)), 300, 600, tolerance=1e-9)
    ours = [f["flat_line"] for f in flags]

    assert {i for i, f in enumerate(ours) if f in (3, 4)} == {
        i for i, f in enumerate(theirs) if f in (3, 4)
    }


def test_ioos_qc_flags_both_sides_of_a_step_and_ours_does_not() -> None:
    """Peculiarity of the average method; ours is provisional for two samples, then passes."""
    values = series(2, dict.fromkeys(range(50, 200), -1.5))
    flags, settled, _ = stream(values)
    theirs = offline.spike_test(values, suspect_threshold=0.6, method="average")

    assert [i - LEARNING for i, f in enumerate(theirs) if f == 3] == [49, 50]
    assert [i - LEARNING for i, f in enumerate(flags) if f["spike"] == 3] == [50, 51]
    assert settled == {LEARNING + 49: Flag.PASS}


def test_ioos_qc_misses_a_dip_of_two_samples_and_ours_does_not() -> None:
    """Peculiarity of the differential method."""
    values = series(3, {50: -1.5, 51: -1.5})
    _, settled, _ = stream(values)
    theirs = offline.spike_test(values, suspect_threshold=0.6, method="differential")

    assert 3 not in theirs[1:-1].tolist()
    assert settled == {LEARNING + 50: Flag.FAIL}


def test_ioos_qc_does_not_judge_the_newest_sample_and_ours_does() -> None:
    """The newest sample is provisional with us, unknown there."""
    values = series(4, {199: -1.5})
    flags, _, _ = stream(values)

    assert offline.spike_test(values, suspect_threshold=0.6)[-1] == 2
    assert flags[-1]["spike"] is Flag.SUSPECT


def test_ioos_qc_cuts_time_differences_and_ours_does_not() -> None:
    """1.9 s count as 1 s there, so a possible change becomes suspect; with us it is possible."""
    times = np.datetime64("2026-01-01", "ns") + np.array([0, 1900, 3800]) * np.timedelta64(1, "ms")
    theirs = offline.rate_of_change_test([35.0, 35.15, 35.30], times, 0.1)
    tests = PlausibilityTests(TANK)
    for number, value in enumerate((35.0, 35.08, 35.16)):
        flags = tests.sample(1.9 * number, value, value, 25.0)

    assert theirs.tolist()[1:] == [3, 3]
    assert flags["rate_of_change"] is Flag.PASS


def test_ioos_qc_passes_a_jump_across_a_nan_and_ours_does_not() -> None:
    """An unusable sample hides the jump there."""
    values = [35.0, float("nan"), 30.0]
    theirs = offline.rate_of_change_test(values, stamps(3), 0.1)
    tests = PlausibilityTests(TANK)
    for number, value in enumerate(values):
        flags = tests.sample(float(INTERVAL_S * number), value, 35.0, 25.0)

    assert theirs.tolist() == [1, 9, 1]
    assert flags["rate_of_change"] is Flag.FAIL


def test_ioos_qc_flat_line_without_tolerance_never_fires() -> None:
    """A range is never less than 0; ours needs no tolerance."""
    theirs = offline.flat_line_test([35.0] * 400, stamps(400), 300, 600, tolerance=0)

    assert set(theirs.tolist()) == {1}


def test_ioos_qc_lets_pass_win_over_not_evaluated_and_ours_does_not() -> None:
    """The roll-ups differ on purpose."""
    vectors = [np.array([1]), np.array([2]), np.array([9])]

    assert offline.qartod_compare(vectors).tolist() == [1]
    assert roll_up(dict.fromkeys(TESTS, Flag.PASS) | {"spike": Flag.NOT_EVALUATED}) is (
        Flag.NOT_EVALUATED
    )
    assert roll_up(dict.fromkeys(TESTS, Flag.PASS) | {"spike": Flag.MISSING}) is Flag.MISSING


def test_dips_of_a_real_flow_through_cell_are_flagged_and_its_envelope_is_not() -> None:
    """Ship's data with bubbles: dips of over 1 below the envelope are suspect, the rest is not."""
    with SHIP.open(encoding="utf-8") as file:
        rows = [
            (float(r["julian_day"]) * 86_400.0, float(r["t90_C"]), float(r["C_Sm"]))
            for r in csv.DictReader(file)
        ]
    at_s, temperature_c, conductivity_s_m = (np.array(column) for column in zip(*rows, strict=True))
    salinity_psu = gsw.SP_from_C(10.0 * conductivity_s_m, temperature_c, 0.0)
    places = range(len(rows))
    envelope_psu = [np.percentile(salinity_psu[max(0, i - 15) : i + 16], 90) for i in places]
    tank = Tank(
        volume_l=400.0,
        probe=Probe(topic="cell", unit=ProbeUnit.S_M, reports=Reports.CONDUCTIVITY),
        thermometer=Thermometer(topic="thermometer"),
        plumbing=Plumbing(flow_through_psu_h=2.0),
    )
    tests = PlausibilityTests(tank)
    spiky = [
        tests.sample(
            *map(float, (at_s[i], salinity_psu[i], conductivity_s_m[i], temperature_c[i]))
        )["spike"]
        is not Flag.PASS
        for i in places
    ]
    dips = [spiky[i] for i in places if salinity_psu[i] < envelope_psu[i] - 1.0]
    clean = [spiky[i] for i in places if abs(salinity_psu[i] - envelope_psu[i]) < 0.05]

    assert len(dips) > 50
    assert sum(dips) / len(dips) > 0.85
    assert sum(clean) / len(clean) < 0.08
