"""The salinity of a report as a drawing that a browser shows and prints, without a script.

The estimate is a strong line in a band of its uncertainty, the probe a thin dashed one. Stretches
in which the reading was disturbed are hatched and named. Nothing is told by colour alone.
"""

from collections.abc import Iterator
from math import floor, log10
from typing import Final

from bridge.shell.chart_scale import disturbed, runs, salinity_range, step_of, time_marks
from bridge.shell.page.words import CAUSE_NAMES
from bridge.shell.paper import text
from bridge.shell.report_facts import Facts

WIDTH: Final = 900
HEIGHT: Final = 330
LEFT, TOP, RIGHT, BOTTOM = 50, 34, 14, 30
LETTER: Final = 6.2
"""About the width of a letter."""
SMALLEST_WIDTH: Final = 3.0
"""Of a hatched stretch, to be seen at all."""


class Frame:
    """Where times and salinities lie in the drawing."""

    def __init__(self, facts: Facts, low_psu: float, high_psu: float) -> None:
        self.from_s, self.to_s = facts.from_s, facts.to_s
        self.low_psu, self.high_psu = low_psu, high_psu

    def x(self, at_s: float) -> float:
        """Where a moment lies, within the frame."""
        part = (at_s - self.from_s) / (self.to_s - self.from_s)
        return LEFT + min(max(part, 0.0), 1.0) * (WIDTH - LEFT - RIGHT)

    def y(self, psu: float) -> float:
        """Where a salinity lies, within the frame."""
        part = (psu - self.low_psu) / (self.high_psu - self.low_psu)
        return HEIGHT - BOTTOM - min(max(part, 0.0), 1.0) * (HEIGHT - TOP - BOTTOM)


def plot(facts: Facts) -> str:
    """The drawing as SVG inside HTML; empty when the salinity was never known nor read."""
    scale = salinity_range(facts.series)
    if scale is None:
        return ""
    frame = Frame(facts, *scale)
    hatch = f"hatch-{facts.name.encode().hex()}"
    pattern = (
        f'<defs><pattern id="{hatch}" width="7" height="7" patternUnits="userSpaceOnUse" '
        'patternTransform="rotate(45)"><line class="stripe" x1="0" y1="0" x2="0" y2="7"/>'
        "</pattern></defs>"
    )
    parts = [
        pattern,
        *_grid(facts, frame),
        *_disturbances(facts, frame, hatch),
        *_limits(facts, frame),
        *_band(facts, frame),
        *_line(facts, frame, facts.series.probe_salinity.mean, "probe"),
        *_line(facts, frame, facts.series.salinity.mean, "estimate"),
        *_marks(facts, frame),
    ]
    label = f"Salinity of {facts.title} over time; the tables below give the numbers"
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{text(label)}">'
        + "".join(parts)
        + "</svg>"
    )


def _grid(facts: Facts, frame: Frame) -> Iterator[str]:
    step = step_of(frame.high_psu - frame.low_psu)
    places = max(0, -floor(log10(step)))
    right, bottom = WIDTH - RIGHT, HEIGHT - BOTTOM
    number = -floor(-frame.low_psu / step)
    while number * step <= frame.high_psu:
        y = frame.y(number * step)
        yield (
            f'<line class="grid" x1="{LEFT}" y1="{y:.1f}" x2="{right}" y2="{y:.1f}"/>'
            f'<text x="{LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">'
            f"{number * step:.{places}f}</text>"
        )
        number += 1
    for at_s, name in time_marks(frame.from_s, frame.to_s, facts.zone):
        x = frame.x(at_s)
        yield (
            f'<line class="grid" x1="{x:.1f}" y1="{TOP}" x2="{x:.1f}" y2="{bottom}"/>'
            f'<text x="{x:.1f}" y="{bottom + 18}" text-anchor="middle">{text(name)}</text>'
        )


def _disturbances(facts: Facts, frame: Frame, hatch: str) -> Iterator[str]:
    free_x = 0.0
    for begin_s, end_s, cause in disturbed(facts.series):
        left, right = frame.x(begin_s), frame.x(end_s)
        width = max(right - left, SMALLEST_WIDTH)
        words = CAUSE_NAMES.get(cause, cause)
        yield (
            f'<rect class="disturbed" x="{left:.1f}" y="{TOP}" width="{width:.1f}" '
            f'height="{HEIGHT - TOP - BOTTOM}" fill="url(#{hatch})">'
            f"<title>{text(words)}</title></rect>"
        )
        # Where names would run into each other, the table of episodes has to do.
        length = LETTER * len(words)
        start = min(left, WIDTH - RIGHT - length)
        if start >= free_x:
            free_x = start + length + LETTER
            yield f'<text class="name" x="{start:.1f}" y="{TOP - 6}">{text(words)}</text>'


def _limits(facts: Facts, frame: Frame) -> Iterator[str]:
    for word, limit_psu in (
        ("lowest", facts.tank.limits.low_psu),
        ("highest", facts.tank.limits.high_psu),
    ):
        if frame.low_psu < limit_psu < frame.high_psu:
            y = frame.y(limit_psu)
            yield (
                f'<line class="limit" x1="{LEFT}" y1="{y:.1f}" x2="{WIDTH - RIGHT}" y2="{y:.1f}"/>'
                f'<text x="{WIDTH - RIGHT - 4}" y="{y - 4:.1f}" text-anchor="end">'
                f"your {word}, {limit_psu:g}</text>"
            )


def _band(facts: Facts, frame: Frame) -> Iterator[str]:
    salinity, unsure = facts.series.salinity.mean, facts.series.uncertainty.mean
    pairs = zip(salinity, unsure, strict=True)
    both = [None if value is None or spread is None else value for value, spread in pairs]
    for run in runs(facts.series, both):
        upper, lower = [], []
        for at_s, place in run:
            value, spread = salinity[place] or 0.0, unsure[place] or 0.0
            upper.append(f"{frame.x(at_s):.1f},{frame.y(value + spread):.1f}")
            lower.append(f"{frame.x(at_s):.1f},{frame.y(value - spread):.1f}")
        yield f'<polygon class="band" points="{" ".join([*upper, *reversed(lower)])}"/>'


def _line(facts: Facts, frame: Frame, values: list[float | None], kind: str) -> Iterator[str]:
    for run in runs(facts.series, values):
        points = [f"{frame.x(at_s):.1f},{frame.y(values[place] or 0.0):.1f}" for at_s, place in run]
        yield f'<polyline class="{kind}" points="{" ".join(points)}"/>'


def _marks(facts: Facts, frame: Frame) -> Iterator[str]:
    """Checks as diamonds with their uncertainty, other work as letters."""
    for check in facts.checks:
        if check["undone"]:
            continue
        x, value = frame.x(check["at_s"]), check["reference_psu"]
        if not frame.low_psu <= value <= frame.high_psu:
            yield _outside(frame, x, value)
            continue
        unsure = check["reference_expanded_uncertainty_psu"]
        y = frame.y(value)
        yield (
            f'<line class="check" x1="{x:.1f}" y1="{frame.y(value - unsure):.1f}" x2="{x:.1f}" '
            f'y2="{frame.y(value + unsure):.1f}"/>'
            f'<path class="check" d="M{x:.1f} {y - 5:.1f}l5 5l-5 5l-5 -5z"/>'
        )
    letters = [("C", each["at_s"]) for each in facts.calibrations]
    letters += [("W", row.at_s) for row in facts.water_changes]
    for letter, at_s in letters:
        x, y = frame.x(at_s), HEIGHT - BOTTOM - 5
        yield f'<text class="letter" x="{x:.1f}" y="{y}">{letter}</text>'


def _outside(frame: Frame, x: float, value: float) -> str:
    """An arrow at the edge, with the salinity of a check that lies beyond it."""
    below = value < frame.low_psu
    y = HEIGHT - BOTTOM - 1 if below else TOP + 1
    beside = y - 12 if below else y + 20
    arrow = "l-5 -8h10z" if below else "l-5 8h10z"
    return (
        f'<path class="check" d="M{x:.1f} {y}{arrow}"/>'
        f'<text x="{x:.1f}" y="{beside}" text-anchor="middle">{value:.1f}</text>'
    )
