"""The benchmark's scoring: a perfect daemon scores full marks, a blind or nervous one does not."""

from dataclasses import replace
from functools import cache
from math import nan

import numpy as np
import pytest

from bridge.core.findings import REAL_CHANGES, Cause
from bridge.simulation.benchmark import Score, score
from bridge.simulation.catalogue import healthy, scenario
from bridge.simulation.figures import figures
from bridge.simulation.scenario import Scenario
from bridge.simulation.story import tell
from bridge.simulation.timeline import Observed, segments, spans
from tests.simulation.baselines import BASELINES
from tests.simulation.support import seen_psu

SLOW_S = 60.0
"""Slow probes keep these tests short."""


@cache
def made(name: str) -> Scenario:
    """A scenario of a slow probe."""
    return scenario(name, 7, shortest_interval_s=SLOW_S)


@cache
def well(seed: int = 11) -> Scenario:
    """A healthy stretch of a slow probe."""
    return healthy(seed, days=3.0, shortest_interval_s=SLOW_S)


def told(
    run: Scenario,
    *,
    cause_of: dict[Cause, Cause] | None = None,
    late_s: float = 0.0,
    error_psu: float = 0.0,
    permits: bool = False,
) -> Observed:
    """What a daemon that knows the truth would say, with the given flaws."""
    observed = Observed(samples=1)
    for at_s in np.arange(run.start_s, run.end_s, 30.0).tolist():
        causes = [x.cause for x in run.truth.labels if x.start_s <= at_s - late_s < x.end_s]
        cause = causes[0] if causes else Cause.NONE
        if cause_of is not None:
            cause = cause_of.get(cause, cause)
        true = float(run.truth.salinity_at(np.array(at_s)))
        observed.sample(at_s, true + error_psu, 0.1, cause)
        held = any(x.start_s <= at_s < x.end_s for x in run.truth.labels)
        for name in ("top-off", "salinity-dosing"):
            observed.permit(at_s, name, permitted=permits or not held)
    return observed


@pytest.mark.parametrize("name", ["bubbles-lodged", "dilution", "exposed", "silent"])
def test_a_daemon_that_knows_scores_full_marks(name: str) -> None:
    """Truth told at once gives recall, precision and coverage of 1 and no wrong permit."""
    run = made(name)
    result = figures(score(run, told(run)))

    (line,) = result.causes
    assert line.episodes == len(run.truth.labels)
    assert (line.recall, line.precision) == (1.0, 1.0)
    assert line.median_delay_s <= 30.0
    assert (result.wrong_permits, result.holds_due) == (0, len(run.truth.holds))
    for each in result.errors:
        assert each.hours == 0.0 or each.coverage == 1.0


def test_a_blind_daemon_recalls_nothing_and_permits_wrongly() -> None:
    """Saying that all is well misses every episode and permits during each due hold."""
    run = made("exposed")
    observed = told(run, cause_of=dict.fromkeys(Cause, Cause.NONE), permits=True)
    result = figures(score(run, observed))

    (line,) = result.causes
    assert (line.recall, line.reports, line.in_time) == (0.0, 0, 0.0)
    assert result.wrong_permits == result.holds_due == len(run.truth.holds) > 0
    assert result.wrong_permit_s == pytest.approx(
        sum(hold.end_s - hold.start_s for hold in run.truth.holds), rel=0.01
    )


def test_the_wrong_name_is_a_miss_and_a_false_report() -> None:
    """Another cause at the right time counts against both causes."""
    run = made("silent")
    observed = told(run, cause_of={Cause.SILENT: Cause.STUCK})
    lines = {line.cause: line for line in figures(score(run, observed)).causes}

    assert lines["silent"].recall == 0.0
    assert lines["stuck"].precision == 0.0
    # A method that names nothing is only asked whether something was wrong.
    blunt = {line.cause: line for line in figures(score(run, observed, names_causes=False)).causes}
    assert blunt["silent"].recall == 1.0
    assert blunt["stuck"].precision == 1.0


def test_a_late_name_is_recalled_but_not_in_time() -> None:
    """A report after the deadline counts as recalled, with its delay, and not as in time."""
    run = made("bubbles-lodged")
    (label,) = run.truth.labels
    run.truth.labels[0] = replace(label, deadline_s=label.start_s + 300.0)
    try:
        (line,) = figures(score(run, told(run, late_s=1800.0))).causes
    finally:
        run.truth.labels[0] = label

    assert (line.recall, line.due, line.in_time) == (1.0, 1, 0.0)
    assert line.median_delay_s == pytest.approx(1800.0, abs=31.0)


def test_nervousness_in_healthy_time_is_counted() -> None:
    """False reports, holds and their time in a healthy stretch are all counted."""
    run = well()
    observed = told(run)
    middle_s = run.start_s + 86400.0
    observed.causes += [(middle_s, Cause.BUBBLES), (middle_s + 600.0, Cause.NONE)]
    observed.permits["top-off"] += [(middle_s, False), (middle_s + 600.0, True)]
    observed.high_alarms.append(("bubbles", "2026-01-01"))
    result = score(run, observed)

    assert run.truth.labels == []
    assert (result.false_reports, result.false_high_alarms) == (1, 1)
    assert result.false_holds == {"top-off": 1}
    assert result.false_hold_s["top-off"] == pytest.approx(600.0)
    assert figures(result).false_reports_month == pytest.approx(30.0 / (3.0 - 2.0 / 24), rel=0.01)


def test_errors_are_of_the_published_salinity() -> None:
    """A constant error gives that RMS, and no coverage once it is past the uncertainty."""
    run = well()
    run.truth.probe_bias_psu = 0.0
    healthy_line = figures(score(run, told(run, error_psu=0.2))).errors[0]

    # Up to a minute of age, in which the water moves a little.
    assert healthy_line.rms_psu == pytest.approx(0.2, abs=0.002)
    assert healthy_line.coverage == 0.0
    assert healthy_line.half_width_psu == pytest.approx(0.1)


def test_unknown_salinity_is_counted_and_not_judged() -> None:
    """Null in the document is neither covered nor an error."""
    run = well()
    observed = told(run)
    observed.salinity_psu = [nan] * len(observed.salinity_psu)
    line = figures(score(run, observed)).errors[0]

    assert line.unknown == 1.0
    assert np.isnan(line.coverage)


def test_scores_add_up() -> None:
    """Two scenarios scored apart and added are the sum of both."""
    total = Score()
    for name in ("exposed", "silent"):
        total.add(score(made(name), told(made(name))))

    assert total.scenarios == 2
    assert set(total.causes) == {Cause.EXPOSED, Cause.SILENT}
    assert total.causes[Cause.EXPOSED].episodes == len(made("exposed").truth.labels)
    assert total.holds_due == sum(len(made(n).truth.holds) for n in ("exposed", "silent"))


def test_segments_join_and_end() -> None:
    """The same cause after a short gap is one report, and the last one ends with the scenario."""
    causes = [
        (0.0, Cause.NONE),
        (10.0, Cause.BUBBLES),
        (20.0, Cause.NONE),
        (25.0, Cause.BUBBLES),
        (30.0, Cause.STUCK),
    ]
    found = segments(causes, 50.0, join_s=5.0)

    assert [(x.start_s, x.end_s, x.cause) for x in found] == [
        (10.0, 30.0, Cause.BUBBLES),
        (30.0, 50.0, Cause.STUCK),
    ]
    assert len(segments(causes, 50.0)) == 3
    assert spans([(0.0, False), (5.0, True), (8.0, False)], 10.0, value=False) == [
        (0.0, 5.0),
        (8.0, 10.0),
    ]


def test_holds_match_labels() -> None:
    """Every due hold lies inside a labelled fault of its cause, from its deadline on."""
    for name in ("bubbles-lodged", "dilution", "exposed", "silent"):
        for hold in made(name).truth.holds:
            assert any(
                label.cause is hold.cause
                and label.start_s <= hold.start_s < hold.end_s <= label.end_s
                for label in made(name).truth.labels
            )
            assert (hold.of == "fresh-water") == (hold.cause in REAL_CHANGES)


@pytest.mark.parametrize("method", sorted(BASELINES))
def test_baselines_see_the_obvious(method: str) -> None:
    """Both plain methods notice a dry probe and keep quiet in most of a healthy stretch."""
    story = tell().scenario
    times_s, psu = seen_psu(story)
    seen = BASELINES[method](times_s, psu, story.tank)
    exposed = [label for label in story.truth.labels if label.cause is Cause.EXPOSED]

    (line,) = [
        line
        for line in figures(score(story, seen, names_causes=False)).causes
        if line.cause == "exposed"
    ]
    assert line.episodes == len(exposed) == 1
    assert line.recall == 1.0
    permitted_s = sum(
        end_s - start_s
        for start_s, end_s in spans(seen.permits["top-off"], story.end_s, value=True)
    )
    assert permitted_s > 0.6 * (story.end_s - story.start_s)


def test_story_is_bounded_and_in_order() -> None:
    """The demonstration's story is told in 60 to 90 s and shows what its chapters announce."""
    story = tell()
    run = story.scenario
    starts = [chapter.start_s for chapter in story.chapters]

    assert 60.0 <= story.seconds <= 90.0
    assert starts == sorted(starts)
    assert starts[0] == run.start_s
    assert starts[-1] < run.end_s
    assert [label.cause for label in run.truth.labels] == [Cause.BUBBLES, Cause.EXPOSED]
    for label in run.truth.labels:
        assert story.chapter_at(label.start_s + 60.0).start_s == pytest.approx(
            label.start_s, abs=600.0
        )
    top_off = story.chapters[2]
    pumped = [m for m in run if m.topic == "tank/device/top-off-pump" and m.payload == b"on"]
    assert any(top_off.start_s < m.at_s < story.chapters[3].start_s for m in pumped)
    assert np.ptp(run.truth.salinity_psu) < 0.3
