"""The figures as text: overall, by cause, and every episode with what may explain a miss."""

from collections import Counter
from collections.abc import Iterable, Iterator

from tests.second_world.judging import EpisodeScore, Score

COLUMNS = (
    "episodes",
    "tellable",
    "first right",
    "of tellable",
    "or unexpl.",
    "ever right",
    "in time",
    "time right",
    "precision",
    "wrong permits",
)
"""All from "of tellable" to "time right" are of the episodes that the inputs can tell."""

KINDS = (
    "healthy",
    "healthy, unbiased probe",
    "disturbed",
    "changing",
    "drift, coefficient",
)

OWN_REASONS = {"level-high", "litres-hour", "litres-day", "overrun", "service", "settling"}
"""Holds for these are no doubt of the water: told, but counted apart."""


def _percent(part: float, whole: float) -> str:
    return f"{100.0 * part / whole:5.1f} %" if whole else "    - "


def _after(seconds: float | None) -> str:
    if seconds is None:
        return "never"
    for limit, size, unit in ((120, 1, "s"), (7200, 60, "min"), (172800, 3600, "h")):
        if seconds < limit:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds / 86400:.1f} d"


def tell(scores: list[Score], *, verbose: bool) -> Iterator[str]:
    """Everything there is to say, line by line."""
    yield from _by_cause(scores)
    yield ""
    yield from _overall(scores)
    yield ""
    yield "Every episode that was not named right at first, late, or permitted wrongly:"
    yield from _episodes(scores, everything=verbose)
    yield ""
    yield "Reported outside of any episode:"
    for score in scores:
        for begin_h, minutes, cause, evidence in score.false_reports:
            yield (
                f"  seed {score.seed} ({score.focus}; {_facts(score)}): {cause} at {begin_h:.1f} h "
                f"for {minutes:.0f} min. {evidence}"
            )
    yield ""
    yield "Held outside of any episode:"
    for score in scores:
        for name, holds in score.false_holds.items():
            for begin_h, minutes, reason in holds:
                lasting = f"{begin_h:.1f} h for {minutes:.0f} min"
                yield f"  seed {score.seed}: {name} at {lasting}: {reason}"
    yield ""
    yield "Largest errors of the published salinity in healthy time:"
    worst = sorted(
        ((rms(score, "healthy"), score) for score in scores if "healthy" in score.errors),
        key=lambda each: -each[0],
    )
    for error, score in worst[:10]:
        bias = score.facts["bias"]
        yield f"  seed {score.seed} ({score.focus}): {error:.3f} RMS, bias of the probe {bias}"
    yield ""
    yield "High alarms outside of any episode:"
    for score in scores:
        for at_h, name in score.false_alarms:
            yield f"  seed {score.seed}: {name} at {at_h:.1f} h"


def rms(score: Score, kind: str) -> float:
    """Root mean square error of one scenario."""
    count, squares, _, _ = score.errors[kind]
    return float((squares / count) ** 0.5)


def _facts(score: Score) -> str:
    return ", ".join(f"{key} {value}" for key, value in score.facts.items())


def _by_cause(scores: list[Score]) -> Iterator[str]:
    episodes = [each for score in scores for each in score.episodes]
    reports = [each for score in scores for each in score.reports]
    yield f"{'cause (look)':26}" + "".join(f"{each:>13}" for each in COLUMNS)
    for cause in sorted({each.cause for each in episodes} | {cause for cause, _ in reports}):
        own = [each for each in episodes if each.cause == cause]
        said = [right for name, right in reports if name == cause]
        yield _row(cause, own, said)
        looks = sorted({each.look for each in own})
        if len(looks) > 1:
            for look in looks:
                yield _row(f"    {look}", [each for each in own if each.look == look], [])
    yield _row("all", episodes, [right for _, right in reports])


def _row(name: str, own: list[EpisodeScore], said: list[bool]) -> str:
    tellable = [each for each in own if not each.untellable]
    due = [each for each in tellable if each.in_time is not None]
    cells = (
        str(len(own)),
        str(len(tellable)),
        _percent(sum(e.first_right for e in own), len(own)),
        _percent(sum(e.first_right for e in tellable), len(tellable)),
        _percent(sum(e.first_but_unexplained for e in tellable), len(tellable)),
        _percent(sum(e.ever_right for e in tellable), len(tellable)),
        _percent(sum(bool(e.in_time) for e in due), len(due)),
        _percent(sum(e.share_right for e in tellable), len(tellable)),
        _percent(sum(said), len(said)),
        str(sum(bool(e.wrong_permit_s) for e in own)),
    )
    return f"{name:26}" + "".join(f"{cell:>13}" for cell in cells)


def _overall(scores: list[Score]) -> Iterator[str]:
    months = sum(score.healthy_days for score in scores) / 30.4
    yield f"{sum(score.days for score in scores):.0f} days, of these {months:.2f} months healthy."
    false = sum(len(score.false_reports) for score in scores)
    yield f"False reports: {false} ({_rate(false, months)} a healthy month)."
    for permit in ("top-off", "brine"):
        holds = [
            hold
            for score in scores
            for hold in score.false_holds.get(permit, [])
            if hold[2] not in OWN_REASONS
        ]
        other = sum(len(score.false_holds.get(permit, [])) for score in scores) - len(holds)
        minutes = sum(hold[1] for hold in holds)
        yield (
            f"False holds of {permit}: {len(holds)} ({_rate(len(holds), months)} a healthy month), "
            f"{_percent(minutes, months * 30.4 * 1440.0)} of the time; "
            f"{other} more for level, litres, overrun or service."
        )
    named = Counter(name for score in scores for _, name in score.false_alarms)
    told = ", ".join(f"{name} {count}" for name, count in sorted(named.items()))
    yield f"False high alarms: {named.total()} ({told or 'none'})."
    for kind in (
        "healthy",
        "healthy, unbiased probe",
        "disturbed",
        "changing",
        "drift, coefficient",
    ):
        sums = [score.errors[kind] for score in scores if kind in score.errors]
        if sums:
            count, squares, covered, width = (sum(column) for column in zip(*sums, strict=True))
            # Each scenario counts the same, or a fast probe would drown all others.
            mean = [(s / n, c / n, w / n) for n, s, c, w in sums]
            fair = [sum(column) / len(mean) for column in zip(*mean, strict=True)]
            yield (
                f"Error, {kind}: {(squares / count) ** 0.5:.3f} RMS of all samples, "
                f"{fair[0] ** 0.5:.3f} of scenarios; covered {_percent(covered, count)} and "
                f"{100.0 * fair[1]:.1f} %; half-width {width / count:.2f} and {fair[2]:.2f}."
            )


def _rate(count: int, months: float) -> str:
    return f"{count / months:.2f}" if months else "-"


def _episodes(scores: list[Score], *, everything: bool) -> Iterable[str]:
    rows: list[tuple[str, int, float, str]] = []
    for score in scores:
        for each in score.episodes:
            fine = each.first_right and each.in_time is not False and not each.wrong_permit_s
            if fine and not everything:
                continue
            names = ", ".join(f"{name} {_after(after)}" for after, name in each.names[:5])
            more = f" (+{len(each.names) - 5})" if len(each.names) > 5 else ""
            marks = [
                "first right" if each.first_right else "WRONG" if each.names else "MISSED",
                f"right after {_after(each.right_after_s)}",
            ]
            if each.deadline_s is not None:
                marks.append(f"due {_after(each.deadline_s)}")
            marks.append(f"{each.share_right:.0%} of time")
            marks += [f"PERMIT {name} {_after(s)}" for name, s in each.wrong_permit_s.items()]
            if each.overlapping:
                marks.append("overlapping")
            if each.untellable:
                marks.append(f"untellable: {each.untellable}")
            details = ", ".join(f"{key} {value}" for key, value in each.details.items())
            row = (
                f"  {each.cause} ({each.look}), seed {each.seed}, at {each.begin_h:.1f} h for "
                f"{each.lasting_h:.1f} h, size {each.size_psu:+.2f} [{details}] "
                f"{{{_facts(score)}}}: {names}{more} -> {'; '.join(marks)}"
            )
            rows.append((each.cause, each.seed, each.begin_h, row))
    return (row for _, _, _, row in sorted(rows))
