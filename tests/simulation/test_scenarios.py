"""Each fault is visible in the messages as its label claims, and nothing else is."""

from collections import Counter
from collections.abc import Iterator
from functools import cache

import numpy as np
import pytest
from pydantic import TypeAdapter

from bridge.core.findings import Cause
from bridge.core.settings import EquipmentKind, Reports, Tank
from bridge.simulation.catalogue import SCENARIOS, healthy, scenario
from bridge.simulation.probe import gas_for_dip, maxwell
from bridge.simulation.scenario import Scenario
from bridge.simulation.truth import BoolArray, Label
from tests.simulation.support import SIMPLE, FloatArray, numbers, seen_psu

CAUSES = {
    "bubbles-passing": {Cause.BUBBLES},
    "bubbles-lodged": {Cause.BUBBLES},
    "interference": {Cause.INTERFERENCE},
    "adjacent-probe": {Cause.ADJACENT_PROBE},
    "compensation": {Cause.COMPENSATION},
    "drift": {Cause.DRIFT},
    "plume": {Cause.PLUME},
    "exposed": {Cause.EXPOSED},
    "stuck": {Cause.STUCK},
    "silent": {Cause.SILENT},
    "invalid": {Cause.INVALID},
    "dilution": {Cause.DILUTION},
    "concentration": {Cause.CONCENTRATION},
}

LONG = {"drift", "compensation"}


@cache
def made(name: str, seed: int) -> Scenario:
    """A scenario, made once for all tests."""
    return scenario(name, seed, shortest_interval_s=60.0 if name in LONG else 10.0)


def episodes(name: str, seeds: range = range(100, 103)) -> Iterator[tuple[Scenario, Label]]:
    """Scenarios whose probe can be read by gsw alone, with each of their labels."""
    found = 0
    for seed in seeds:
        run = made(name, seed)
        if run.tank.probe.reports in SIMPLE:
            for label in run.truth.labels:
                found += 1
                yield run, label
    assert found, f"no readable scenario among {seeds} of {name}"


def error_psu(run: Scenario) -> tuple[FloatArray, FloatArray]:
    """Seen minus true salinity of the mixed water, without the probe's constant bias."""
    times_s, seen = seen_psu(run)
    return times_s, seen - run.truth.salinity_at(times_s) - run.truth.probe_bias_psu


def within(label: Label, times_s: FloatArray) -> BoolArray:
    """Which times lie in a label's span."""
    inside: BoolArray = (times_s >= label.start_s) & (times_s <= label.end_s)
    return inside


def noise(run: Scenario) -> float:
    """Scatter to be expected of a healthy reading, with thermometer and mixing."""
    resolution = run.traits.thermometer_resolution_c
    return run.traits.noise_psu + 0.77 * (run.traits.thermometer_noise_c + 0.3 * resolution) + 0.04


@pytest.mark.parametrize("name", ["bubbles-passing", "exposed"])
def test_same_seed_same_scenario(name: str) -> None:
    """A seed fixes every byte, and another seed gives another tank."""
    first, again, other = (
        scenario(name, 102, shortest_interval_s=10.0),
        made(name, 102),
        made(name, 101),
    )

    assert first.messages == again.messages
    assert first.tank == again.tank
    assert first.truth.labels == again.truth.labels
    assert first.tank != other.tank


@pytest.mark.parametrize("name", sorted(SCENARIOS))
def test_messages_are_in_order_and_settings_are_valid(name: str) -> None:
    """Messages come in time order, inside the scenario, and the configuration is accepted."""
    run = made(name, 100)
    times_s = [message.at_s for message in run]

    assert times_s == sorted(times_s)
    assert times_s[0] >= run.start_s
    assert times_s[-1] <= run.end_s + 60.0
    adapter = TypeAdapter(Tank)
    assert adapter.validate_python(adapter.dump_python(run.tank)) == run.tank


@pytest.mark.parametrize("name", sorted(CAUSES))
def test_labels_name_the_cause(name: str) -> None:
    """A scenario carries labels of its own cause only, inside its time, deadline inside."""
    for seed in (100, 101):
        run = made(name, seed)
        assert {label.cause for label in run.truth.labels} == CAUSES[name]
        for label in run.truth.labels:
            assert run.start_s <= label.start_s < label.end_s <= run.end_s + 1.0
            assert label.deadline_s >= label.start_s


def test_overlap_has_several_causes() -> None:
    """The overlapping scenarios do overlap."""
    causes = [{label.cause for label in made("overlap", s).truth.labels} for s in range(100, 103)]

    assert sum(len(found) > 1 for found in causes) >= 2


@pytest.mark.parametrize("seed", range(200, 204))
def test_no_fault_no_label(seed: int) -> None:
    """A healthy stretch has no label or hold, and the corrected reading is near the truth."""
    run = healthy(seed, days=4.0)

    assert run.truth.labels == []
    assert run.truth.holds == []
    if run.tank.probe.reports in SIMPLE:
        _, error = error_psu(run)
        assert abs(np.median(error)) < 0.05
        assert np.percentile(np.abs(error), 99) < 4.0 * noise(run) + 0.05


def test_tanks_vary() -> None:
    """Volumes, cadences, forms of the reading and optional inputs are spread widely."""
    runs = [healthy(seed, days=0.2) for seed in range(300, 350)]
    volumes_l = [run.truth.volume_l[0] for run in runs]

    assert min(volumes_l) < 80
    assert max(volumes_l) > 2000
    assert {run.tank.probe.reports for run in runs} == set(Reports)
    assert len({run.traits.interval_s for run in runs}) > 6
    configured = Counter(
        (bool(run.tank.equipment), run.tank.level is not None, run.tank.metered_top_off is not None)
        for run in runs
    )
    assert len(configured) >= 6
    kinds = {item.kind for run in runs for item in run.tank.equipment.values()}
    assert kinds == set(EquipmentKind)


def test_gas_follows_maxwell() -> None:
    """Gas of 0.5, 1, 2 and 5 % reads 34.71, 34.41, 33.83 and 32.1 at S = 35 (Maxwell 1873)."""
    gas = np.array([0.005, 0.01, 0.02, 0.05])

    assert maxwell(gas) == pytest.approx([0.992519, 0.985075, 0.970297, 0.926829], abs=1e-6)
    for fraction, salinity in zip(gas, [34.71, 34.41, 33.83, 32.1], strict=True):
        assert gas_for_dip(35.0 - salinity) == pytest.approx(fraction, rel=0.03)


def test_passing_bubbles_dip_and_recover() -> None:
    """Passing bubbles lower the reading, never raise it, and let clean samples through."""
    for run, label in episodes("bubbles-passing"):
        times_s, error = error_psu(run)
        inside = error[within(label, times_s)]
        assert np.max(inside) < 5.0 * noise(run)
        assert np.min(inside) == pytest.approx(label.size_psu, rel=0.4, abs=5.0 * noise(run))
        assert label.size_psu < 0.0


def test_lodged_bubble_stays_and_lets_go() -> None:
    """A lodged bubble steps the reading down, holds it, and releases it at once."""
    for run, label in episodes("bubbles-lodged"):
        times_s, error = error_psu(run)
        settle_s = 8.0 * run.traits.lag_s + 2.0 * run.traits.interval_s
        inside = error[within(label, times_s - settle_s) & within(label, times_s)]
        after = error[
            (times_s > label.end_s + settle_s) & (times_s < label.end_s + settle_s + 7200)
        ]
        assert np.median(inside) == pytest.approx(label.size_psu, rel=0.15, abs=3 * noise(run))
        assert np.median(after) == pytest.approx(0.0, abs=3.0 * noise(run))


@pytest.mark.parametrize("name", ["interference", "adjacent-probe"])
def test_pick_up_follows_the_device(name: str) -> None:
    """The reading differs by the labelled offset, or noise, while the named device runs."""
    for run, label in episodes(name):
        assert label.device is not None
        device = run.tank.equipment[label.device]
        assert (device.kind is EquipmentKind.OTHER_PROBE) == (name == "adjacent-probe")
        times_s, error = error_psu(run)
        states = [(m.at_s, m.payload) for m in run if m.topic == device.topic and not m.retained]
        clock_s = np.array([at_s for at_s, _ in states])
        if device.threshold is not None:
            on = np.array([float(payload) > device.threshold for _, payload in states])
        else:
            on = np.array([payload.decode() in device.on for _, payload in states])
        at = np.searchsorted(clock_s, times_s) - 1
        # Away from the switching itself, where the delay of a sample or two blurs it.
        steady = (at >= 0) & (times_s - clock_s[at] < 1e9)
        inside = within(label, times_s) & steady
        running = error[inside & on[at]]
        resting = error[inside & ~on[at]]
        if label.detail == "offset":
            step = np.median(running) - np.median(resting)
            assert step == pytest.approx(label.size_psu, rel=0.35, abs=1.5 * noise(run))
        else:
            assert np.std(running) > 1.5 * np.std(resting)


def test_wrong_coefficient_follows_the_temperature() -> None:
    """The slope of the error over temperature is the declared coefficient's error."""
    for run, _ in episodes("compensation"):
        times_s, error = error_psu(run)
        celsius = np.interp(times_s, run.truth.times_s, run.truth.temperature_c)
        slope = np.polyfit(celsius, error, 1)[0]
        # A device that divides by too steep a line reads lower as it gets warmer.
        expected = -0.394 * run.truth.coefficient_error_pct_per_c
        assert slope == pytest.approx(expected, rel=0.25, abs=0.02)


def test_drift_creeps_one_way() -> None:
    """The error grows at the labelled rate from the labelled start."""
    for run, label in episodes("drift"):
        times_s, error = error_psu(run)
        before = np.median(error[times_s < label.start_s])
        last = np.median(error[times_s > label.end_s - 43200.0])
        weeks = (label.end_s - 21600.0 - label.start_s) / 604800.0
        assert last - before == pytest.approx(label.size_psu * weeks, rel=0.2, abs=0.05)


def test_plume_dips_only_at_the_probe() -> None:
    """The reading leaves the mixed water by the labelled size and comes back within the label."""
    for run, label in episodes("plume"):
        times_s, error = error_psu(run)
        inside = error[within(label, times_s)]
        peak = inside[np.argmax(np.abs(inside))]
        assert peak == pytest.approx(label.size_psu, rel=0.4, abs=5.0 * noise(run))
        truth = run.truth
        mixed = truth.salinity_psu[within(label, truth.times_s)]
        assert np.ptp(mixed) < 0.6


def test_exposed_probe_falls_at_once() -> None:
    """The reading of an exposed cell falls within two samples and comes back afterwards."""
    for run, label in episodes("exposed"):
        times_s, error = error_psu(run)
        if label.detail == "thermometer alone":
            continue
        soon = times_s > label.start_s + 2.0 * run.traits.interval_s + 3.0 * run.traits.lag_s
        inside = error[within(label, times_s) & soon]
        if len(inside) == 0:
            continue
        assert np.median(inside) < 0.5 * label.size_psu


def test_stuck_reading_does_not_move() -> None:
    """While stuck the very same number is sent."""
    for run, label in episodes("stuck"):
        times_s, values = numbers(run, "tank/probe")
        later = (times_s > label.start_s + 5.0) & (times_s < label.end_s)
        assert len(set(values[later].tolist())) == 1


def test_silent_probe_sends_nothing() -> None:
    """While silent no message of the probe comes, and before and after they do."""
    for run, label in episodes("silent"):
        times_s = np.array([m.at_s for m in run if m.topic == "tank/probe"])
        # A message may still be on its way when the silence begins.
        assert not np.any((times_s > label.start_s + 30.0) & (times_s < label.end_s))
        assert np.any(times_s < label.start_s)
        assert np.any(times_s > label.end_s)
        assert label.deadline_s <= label.start_s + 3.0 * run.traits.interval_s + 1.0


def test_invalid_payloads_are_not_usable() -> None:
    """Most messages in the span carry no plausible number."""
    for run, label in episodes("invalid"):
        payloads = [
            m.payload
            for m in run
            if m.topic == "tank/probe" and label.start_s + 30.0 < m.at_s < label.end_s
        ]
        if len(payloads) < 5:
            continue
        common = Counter(payloads).most_common(2)
        assert sum(count for _, count in common) > 0.7 * len(payloads)


@pytest.mark.parametrize(("name", "sign"), [("dilution", -1.0), ("concentration", 1.0)])
def test_real_changes_move_the_water(name: str, sign: float) -> None:
    """The truth itself moves in the labelled direction, and the reading follows it."""
    for run, label in episodes(name):
        assert label.size_psu * sign > 0.05
        truth = run.truth
        span = within(label, truth.times_s)
        moved = truth.salinity_psu[span][-1] - truth.salinity_psu[span][0]
        assert moved == pytest.approx(label.size_psu, abs=0.1)
        assert np.any(truth.changing[span])
        # Fresh water takes the mixing time to reach the probe, so its own water is compared.
        times_s, seen = seen_psu(run)
        error = seen - np.interp(times_s, truth.times_s, truth.probe_salinity_psu)
        error -= truth.probe_bias_psu
        assert abs(np.median(error[within(label, times_s)])) < 0.1 + noise(run)


def test_stuck_top_off_raises_the_level() -> None:
    """A pump that runs on or a siphon raises the level and falls S at no more than its rate."""
    found = 0
    for seed in range(100, 108):
        run = made("dilution", seed)
        for label in run.truth.labels:
            if label.detail not in {"siphon", "top-off pump runs on"}:
                continue
            found += 1
            truth = run.truth
            span = within(label, truth.times_s)
            assert truth.level_mm[span][-1] > truth.level_mm[span][0]
            fresh_l = truth.fresh_l[span][-1] - truth.fresh_l[span][0]
            expected = -truth.salinity_psu[span][0] * fresh_l / truth.volume_l[span][-1]
            assert label.size_psu == pytest.approx(expected, rel=0.15, abs=0.02)
    assert found >= 2
