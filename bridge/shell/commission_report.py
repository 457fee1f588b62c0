"""The commissioning report: one HTML file with its plots inside, readable without a network."""

from collections.abc import Sequence
from datetime import UTC, datetime
from html import escape
from typing import Final

from bridge.core.commissioning import (
    Block,
    CommissionState,
    Line,
    Reading,
    effects,
    verdict,
)
from bridge.shell.paper import document

WIDTH: Final = 640
HEIGHT: Final = 180
MARGIN: Final = 48

_MARKS: Final = {True: "fine", False: "look", None: "open"}
_WORDS: Final = {True: "fine", False: "to be attended to", None: "not done or not told yet"}

_STYLE: Final = """
li { margin: .5rem 0; } li.fine::marker { content: "\\2713  "; }
li.look::marker { content: "\\26A0  "; } li.open::marker { content: "\\2013  "; }
.first { fill: var(--first); } .second { fill: var(--second); }
.practice { border: 2px dashed var(--second); padding: .5rem 1rem; }
"""


def render(state: CommissionState, *, finished_at_s: float) -> str:
    """The report as an HTML document.

    Args:
        state: What the walk-through has gathered.
        finished_at_s: Unix time of the report. [s]
    """
    lines = verdict(state)
    parts = [
        f"<h1>Commissioning of the probe in {escape(state.tank)}</h1>",
        f"<p>Begun {_time(state.started_at_s)}, reported {_time(finished_at_s)}.</p>",
    ]
    if state.practice:
        parts.append(
            '<p class="practice">Practice in a simulated tank: all numbers are invented.</p>'
        )
    parts += [f"<p><strong>{escape(_summary(lines))}</strong></p>", _verdict_list(lines)]
    if state.still and state.flowing:
        parts.append("<h2>Still and flowing water</h2>")
        parts.append(
            _plot(
                (("still", state.still), ("flowing", state.flowing)),
                label="salinity over time, still and flowing water",
            )
        )
    for effect in effects(state):
        blocks = state.devices[effect.device]
        parts.append(f"<h2>{escape(effect.device)}</h2><p>{escape(effect.sentence)}</p>")
        parts.append(_plot(_on_and_off(blocks), label=f"salinity while {effect.device} is on, off"))
    parts += _checks(state)
    return document(f"Commissioning: {state.tank}", "\n".join(parts), style=_STYLE)


def _summary(lines: Sequence[Line]) -> str:
    wrong = sum(line.fine is False for line in lines)
    missing = sum(line.fine is None for line in lines)
    if wrong:
        return f"{wrong} point(s) to be attended to before the reading is relied on."
    if missing:
        return f"Nothing wrong was found; {missing} point(s) are not done or not told yet."
    return "The probe is in order."


def _verdict_list(lines: Sequence[Line]) -> str:
    items = "\n".join(
        f'<li class="{_MARKS[line.fine]}"><span title="{_WORDS[line.fine]}">'
        f"{escape(line.sentence)}</span></li>"
        for line in lines
    )
    return f"<ul>\n{items}\n</ul>"


def _checks(state: CommissionState) -> list[str]:
    if not state.answers:
        return []
    items = "\n".join(
        f'<li class="{_MARKS[holds]}">{escape(point)}</li>'
        for point, holds in state.answers.items()
    )
    return ["<h2>Check lists</h2>", f"<ul>\n{items}\n</ul>"]


def _on_and_off(blocks: Sequence[Block]) -> tuple[tuple[str, list[Reading]], ...]:
    return tuple(
        (word, [reading for block in blocks if block.on is on for reading in block.readings])
        for word, on in (("on", True), ("off", False))
    )


def _plot(series: Sequence[tuple[str, Sequence[Reading]]], *, label: str) -> str:
    """Dots over time, one colour and one shape for each series, with a labelled axis."""
    everything = [reading for _, readings in series for reading in readings]
    if not everything:
        return ""
    start = min(reading.at_s for reading in everything)
    span = max(reading.at_s for reading in everything) - start or 1.0
    low = min(reading.salinity_psu for reading in everything)
    high = max(reading.salinity_psu for reading in everything)
    # A flat stretch is drawn flat, not blown up to its last digit.
    margin = max(0.05, 0.1 * (high - low))
    low, high = low - margin, high + margin

    def across(at_s: float) -> float:
        return MARGIN + (WIDTH - 2 * MARGIN) * (at_s - start) / span

    def up(salinity: float) -> float:
        return HEIGHT - 24 - (HEIGHT - 48) * (salinity - low) / (high - low)

    shapes = [
        f'<line class="axis" x1="{MARGIN}" y1="{up(value):.1f}" x2="{WIDTH - MARGIN}" '
        f'y2="{up(value):.1f}"/><text x="4" y="{up(value) + 4:.1f}">{value:.2f}</text>'
        for value in (low + margin, high - margin)
    ]
    for index, (name, readings) in enumerate(series):
        kind = ("first", "second")[index % 2]
        left = MARGIN + 90 * index
        shapes.append(_dot(kind, left, 10) + f'<text x="{left + 8}" y="14">{escape(name)}</text>')
        shapes += [_dot(kind, across(r.at_s), up(r.salinity_psu)) for r in readings]
    minutes = span / 60
    shapes.append(f'<text x="{MARGIN}" y="{HEIGHT - 6}">0</text>')
    shapes.append(
        f'<text x="{WIDTH - MARGIN}" y="{HEIGHT - 6}" text-anchor="end">{minutes:.0f} min</text>'
    )
    return (
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-label="{escape(label)}">'
        + "".join(shapes)
        + "</svg>"
    )


def _dot(kind: str, x: float, y: float) -> str:
    if kind == "first":
        return f'<circle class="first" cx="{x:.1f}" cy="{y:.1f}" r="2.5"/>'
    return f'<rect class="second" x="{x - 2.5:.1f}" y="{y - 2.5:.1f}" width="5" height="5"/>'


def _time(at_s: float) -> str:
    return datetime.fromtimestamp(at_s, UTC).strftime("%Y-%m-%d %H:%M UTC")
