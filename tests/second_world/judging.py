"""The published record of a scenario against its truth and its labels."""

import contextlib
import io
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from bridge.cli import main as tidegate
from tests.second_world.faults import Episode
from tests.second_world.planning import draw_plan
from tests.second_world.published import Published, Run, read_published
from tests.second_world.scenario import Scenario, make_scenario
from tests.second_world.tank import HOUR_S, FloatArray
from tests.second_world.writing import write_capture, write_configuration

SETTLING_S = 3.0 * HOUR_S
"""The first hours teach what is usual; estimates are not scored there."""

LONGEST_DISTURBED_S = 12.0 * HOUR_S
"""The issue bounds the error over disturbed time up to this length."""

SENSOR_CAUSES = {"exposed", "stuck", "silent", "invalid"}


@dataclass(slots=True, kw_only=True)
class EpisodeScore:
    """How one labelled episode was judged."""

    seed: int
    cause: str
    look: str
    begin_h: float
    lasting_h: float
    size_psu: float
    untellable: str
    details: dict[str, str]
    names: list[tuple[float, str]]  # seconds after the begin
    first_right: bool
    first_but_unexplained: bool  # the same, without counting `unexplained` as a name
    ever_right: bool
    right_after_s: float | None
    deadline_s: float | None
    in_time: bool | None
    share_right: float
    wrong_permit_s: dict[str, float]
    overlapping: bool


@dataclass(slots=True, kw_only=True)
class Score:
    """How one scenario was judged; sums are of squares and of samples."""

    seed: int
    focus: str
    facts: dict[str, str]
    days: float
    healthy_days: float
    episodes: list[EpisodeScore]
    reports: list[tuple[str, bool]]  # each run of a published cause, and whether it was right
    false_reports: list[tuple[float, float, str, str]]  # hours of begin, minutes, name, evidence
    false_holds: dict[str, list[tuple[float, float, str]]]  # begin in hours, minutes, reason
    false_alarms: list[tuple[float, str]]
    errors: dict[str, list[float]] = field(default_factory=dict)  # samples, squares, covered, width


def judge_seed(seed: int, folder: Path) -> Score:
    """Make a scenario, replay it and score what was published."""
    scenario = make_scenario(draw_plan(seed))
    capture, configuration = folder / f"{seed}.jsonl", folder / f"{seed}.toml"
    output = folder / f"{seed}.out.jsonl"
    write_capture(scenario, capture)
    write_configuration(scenario, configuration)
    output.unlink(missing_ok=True)
    words = ["replay", "--config", str(configuration), "--input", str(capture)]
    told = io.StringIO()
    with contextlib.redirect_stderr(told):
        code = tidegate([*words, "--output", str(output)])
    if code:
        raise RuntimeError(f"seed {seed}: replay ended with {code}: {told.getvalue()}")
    published = read_published(output, scenario.plan.span_s)
    return score(scenario, published)


def score(scenario: Scenario, published: Published) -> Score:
    """Compare what was published with the labels."""
    plan = scenario.plan
    tank, probe = plan.tank, plan.tank.probe
    windows = _windows(scenario)
    false_reports = [
        (begin / HOUR_S, (end - begin) / 60.0, cause, _evidence(published, begin, cause))
        for begin, end, cause in published.causes
        if cause != "none" and not any(a <= end and begin <= b for a, b in windows)
    ]
    result = Score(
        seed=plan.seed,
        focus=plan.focus,
        facts={
            "inputs": tank.inputs,
            "cadence s": f"{probe.cadence_s:g}",
            "reports": probe.reports,
            "litres": f"{tank.volume_l:.0f}",
            "noise": f"{probe.noise_psu:.3f}",
            "bias": f"{probe.bias_psu:+.2f}",
            "step": f"{probe.step_psu:g}",
            "saw-tooth": f"{tank.hysteresis_l / tank.volume_l * tank.salinity_psu:.2f}",
            "swing C": f"{tank.swing_c:.1f}",
        },
        days=plan.span_s / 86400.0,
        healthy_days=(plan.span_s - _union_s(windows)) / 86400.0,
        episodes=[_judge_episode(scenario, published, each) for each in plan.episodes],
        reports=_judge_reports(scenario, published, windows),
        false_reports=false_reports,
        false_holds={
            name: [
                (begin / HOUR_S, (end - begin) / 60.0, reason)
                for begin, end, state, reason in runs
                if state == "hold"
                and begin > SETTLING_S
                and not any(a <= end and begin <= b for a, b in windows)
            ]
            for name, runs in published.permits.items()
        },
        false_alarms=[
            (at_s / HOUR_S, name)
            for at_s, name in published.high_alarms
            if not any(a <= at_s <= b for a, b in windows)
        ],
    )
    _judge_estimates(scenario, published, windows, result)
    return result


def _windows(scenario: Scenario) -> list[tuple[float, float]]:
    """Spans in which a name is no false report: episodes with what follows them, and service."""
    plan = scenario.plan
    return [(e.begin_s - 1.0, e.excused_until_s) for e in plan.episodes] + [
        (begin, end + HOUR_S) for begin, end in plan.services
    ]


def _union_s(windows: list[tuple[float, float]]) -> float:
    total, reached = 0.0, 0.0
    for begin, end in sorted(windows):
        total += max(0.0, end - max(begin, reached))
        reached = max(reached, end)
    return total


def _evidence(published: Published, at_s: float, cause: str) -> str:
    for begin, name, sentences in published.evidence:
        if name == cause and begin >= at_s - 1.0:
            return " ".join(sentences)
    return ""


def _clip(runs: list[Run], begin_s: float, end_s: float) -> list[Run]:
    return [(max(a, begin_s), min(b, end_s), w) for a, b, w in runs if a < end_s and b > begin_s]


def _judge_episode(scenario: Scenario, published: Published, episode: Episode) -> EpisodeScore:
    plan = scenario.plan
    others = {
        each.cause
        for each in plan.episodes
        if each is not episode
        and each.begin_s <= episode.end_s
        and episode.begin_s <= each.excused_until_s
    } - {episode.cause}
    # What is published when the last disturbed sample has just ended still belongs to it.
    end_s = max(episode.end_s + 2.0 * plan.tank.probe.cadence_s, episode.off_until_s)
    runs = _clip(published.causes, episode.begin_s, end_s)
    names = [(a - episode.begin_s, w) for a, _, w in runs if w != "none"]
    # Of two at the same time, the name of the other one does not count as a wrong name.
    own = [(after, word) for after, word in names if word not in others]
    right = [after for after, word in own if word == episode.cause]
    late = np.isfinite(episode.named_by_s)
    deadline = episode.named_by_s - episode.begin_s if late else None
    share = _share_right(episode, runs, others)
    return EpisodeScore(
        seed=plan.seed,
        cause=episode.cause,
        look=episode.look,
        begin_h=episode.begin_s / HOUR_S,
        lasting_h=(episode.end_s - episode.begin_s) / HOUR_S,
        size_psu=episode.size_psu,
        untellable=episode.untellable,
        details=episode.details,
        names=names,
        first_right=bool(own) and own[0][1] == episode.cause,
        first_but_unexplained=next((w for _, w in own if w != "unexplained"), "") == episode.cause,
        ever_right=bool(right),
        right_after_s=right[0] if right else None,
        deadline_s=deadline,
        in_time=None if deadline is None else bool(right) and right[0] <= deadline + 1e-6,
        share_right=share,
        wrong_permit_s=_wrong_permits(scenario, published, episode),
        overlapping=bool(others),
    )


def _share_right(episode: Episode, runs: list[Run], others: set[str]) -> float:
    """Share of the disturbed time with the right name; with two at once either is right."""
    right = total = 0.0
    for begin, end in episode.spans:
        total += end - begin
        for a, b, word in _clip(runs, begin, end):
            if word == episode.cause or word in others:
                right += b - a
    return right / total if total else 0.0


def _wrong_permits(scenario: Scenario, published: Published, episode: Episode) -> dict[str, float]:
    """Seconds permitted past the deadline, while the reading is disturbed or the water fails.

    A permit that rests on salinity must not stand in any disturbance. The level-driven supply of
    fresh water must not stand while the water gets fresher or the sensor says nothing.
    """
    out: dict[str, float] = {}
    if not np.isfinite(episode.held_from_s):
        return out
    grace_s = 3.2 * scenario.plan.tank.probe.cadence_s
    for name, runs in published.permits.items():
        if name == "top-off" and episode.cause not in SENSOR_CAUSES | {"dilution"}:
            continue
        wrong = 0.0
        for span_begin, span_end in episode.spans:
            begin = max(span_begin + grace_s, episode.held_from_s)
            for a, b, state, _ in runs:
                if state == "permit" and a < span_end and b > begin:
                    wrong += min(b, span_end) - max(a, begin)
        if wrong > 0.0:
            out[name] = wrong
    return out


def _judge_reports(
    scenario: Scenario, published: Published, windows: list[tuple[float, float]]
) -> list[tuple[str, bool]]:
    out: list[tuple[str, bool]] = []
    services = windows[len(scenario.plan.episodes) :]
    for begin, end, cause in published.causes:
        if cause == "none" or any(a <= end and begin <= b for a, b in services):
            continue
        right = any(
            e.cause == cause and begin <= e.excused_until_s and end >= e.begin_s - 1.0
            for e in scenario.plan.episodes
        )
        out.append((cause, right))
    return out


def _judge_estimates(
    scenario: Scenario, published: Published, windows: list[tuple[float, float]], result: Score
) -> None:
    at_s = published.at_s
    if not len(at_s):
        return
    truth = np.interp(at_s, scenario.water.grid_s, scenario.water.salinity_psu)
    error = published.salinity_psu - truth
    covered = abs(error) <= published.uncertainty_psu
    known = np.isfinite(error) & (at_s > SETTLING_S)
    healthy = known.copy()
    for begin, end in windows:
        healthy &= ~((at_s >= begin) & (at_s <= end))
    kinds: dict[str, FloatArray | np.ndarray] = {"healthy": healthy}
    if scenario.plan.tank.probe.bias_psu == 0.0:
        kinds["healthy, unbiased probe"] = healthy
    changing = np.zeros(len(at_s), dtype=bool)
    disturbed = np.zeros(len(at_s), dtype=bool)
    slow = np.zeros(len(at_s), dtype=bool)
    for episode in scenario.plan.episodes:
        until_s = min(episode.end_s, episode.begin_s + LONGEST_DISTURBED_S)
        if episode.is_water:
            changing |= (at_s >= episode.begin_s) & (at_s <= episode.end_s)
        elif episode.cause in {"drift", "compensation"}:
            slow |= (at_s >= episode.begin_s) & (at_s <= episode.end_s)
        else:
            disturbed |= (at_s >= episode.begin_s) & (at_s <= until_s)
    kinds["disturbed"] = known & disturbed & ~changing & ~slow
    kinds["changing"] = known & changing
    kinds["drift, coefficient"] = known & slow
    for kind, mask in kinds.items():
        if mask.any():
            result.errors[kind] = [
                float(mask.sum()),
                float(np.square(error[mask]).sum()),
                float(covered[mask].sum()),
                float(published.uncertainty_psu[mask].sum()),
            ]
