"""The examples of docs/diagnosis-method.md: simulated stretches, run through the real engine.

Nothing is picked by hand: of each kind it is the first development seed whose probe has no bias and
reads every 5 to 30 s, and whose fault is plain to see and short enough for one picture.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import count
from math import isfinite, nan
from pathlib import Path
from typing import Final

import numpy as np

from bridge.commands.benchmark import FIRST_SEED
from bridge.core.engine import Engine
from bridge.core.events import Event, LinkUp
from bridge.core.findings import Cause
from bridge.core.outputs import Output, Record
from bridge.shell.stepping import feed
from bridge.simulation.catalogue import scenario
from bridge.simulation.scenario import Scenario
from bridge.simulation.timeline import Observed, segments
from bridge.simulation.truth import BoolArray, FloatArray, Label
from bridge.simulation.watcher import as_message, take
from tests.support import svg
from tests.support.svg import BLUE, FAINT, GREEN, GREY, INK, ORANGE, PURPLE, SKY, YELLOW, Sheet

HOUR_S: Final = 3600.0
UNBIASED_PSU: Final = 0.005
FASTEST_S: Final = 5.0
SLOWEST_S: Final = 30.0
PLAIN_PSU: Final = 0.5
SHORTEST_H: Final = 0.5
LONGEST_H: Final = 6.0
BEFORE_H: Final = 1.0
AFTER_H: Final = 2.0
MOST_DOTS: Final = 1500
DEEPEST_SHOWN_PSU: Final = 1.5
"""Deeper dips would squeeze all else into a line."""
EXAMPLES: Final = {
    "bubbles-passing": "Bubbles pass the probe",
    "bubbles-lodged": "A bubble lodges on an electrode",
    "dilution": "Fresh water really runs in",
}
CAUSE_COLOURS: Final = {
    Cause.BUBBLES: YELLOW,
    Cause.DILUTION: GREEN,
    Cause.EXPOSED: PURPLE,
    Cause.PLUME: SKY,
    Cause.INTERFERENCE: ORANGE,
}
LEFT, RIGHT, TOP, BOTTOM = 66.0, 840.0, 62.0, 330.0


@dataclass(slots=True)
class Stretch:
    """What was seen and said from a while before a fault to a while after it."""

    made: Scenario
    label: Label
    since_s: float
    until_s: float
    observed: Observed
    probe: list[tuple[float, float]]
    """Each reading of the probe, compensated and calibrated."""


def draw_examples(images: Path) -> None:
    """Find, run and draw the example of each kind."""
    for name, title in EXAMPLES.items():
        made, label = first_example(name)
        draw(run(made, label), title).save(images / f"example-{name}.svg")


def first_example(name: str) -> tuple[Scenario, Label]:
    """The first development seed with a fault that can be drawn."""
    for seed in count(FIRST_SEED["development"]):
        made = scenario(name, seed)
        fitting = list(drawable(made))
        if fitting:
            return made, fitting[0]
    raise AssertionError("unreachable: seeds do not end")


def drawable(made: Scenario) -> Iterator[Label]:
    """Faults of a scenario that make a good picture."""
    if abs(made.truth.probe_bias_psu) >= UNBIASED_PSU:
        return
    if not FASTEST_S <= made.traits.interval_s <= SLOWEST_S:
        return
    for label in made.truth.labels:
        hours = (label.end_s - label.start_s) / HOUR_S
        if abs(label.size_psu) >= PLAIN_PSU and SHORTEST_H <= hours <= LONGEST_H:
            yield label


def run(made: Scenario, label: Label) -> Stretch:
    """Run the engine from the start of the scenario to a while after the fault."""
    stretch = Stretch(
        made=made,
        label=label,
        since_s=max(label.start_s - BEFORE_H * HOUR_S, made.start_s),
        until_s=min(label.end_s + AFTER_H * HOUR_S, made.end_s),
        observed=Observed(),
        probe=[],
    )
    engine = Engine(made.settings(), boot_id="example", at_s=made.start_s)
    fed_s = made.start_s

    def step(event: Event) -> list[Output]:
        nonlocal fed_s
        outputs = feed(engine, event, since_s=fed_s)
        fed_s = event.at_s
        take(stretch.observed, outputs)
        return outputs

    step(LinkUp(made.start_s))
    for sent in made:
        if sent.at_s > stretch.until_s:
            break
        outputs = step(as_message(sent))
        if sent.topic == made.tank.probe.topic and sent.at_s >= stretch.since_s:
            stretch.probe.append((sent.at_s, reading(outputs)))
    return stretch


def reading(outputs: Sequence[Output]) -> float:
    """What the newest sample said by itself; NaN when it said nothing."""
    for output in reversed(outputs):
        if isinstance(output, Record) and output.kind == "sample":
            value = output.data["probe_salinity"]
            return nan if value is None else float(value)
    return nan


def draw(stretch: Stretch, title: str) -> Sheet:
    """Readings, estimate with its interval, truth; below, what was the matter and what was said."""
    made, observed = stretch.made, stretch.observed
    grid_s = np.linspace(stretch.since_s, stretch.until_s, 700)
    estimate, doubt = observed.held_last(grid_s)
    true = made.truth.salinity_at(grid_s)
    known = np.isfinite(estimate) & np.isfinite(doubt)
    probe = thinned([each for each in stretch.probe if isfinite(each[1])])
    kept, deeper = above_floor(probe, float((estimate - doubt)[known].min()) - DEEPEST_SHOWN_PSU)
    low, high = limits([kept[:, 1], (estimate - doubt)[known], (estimate + doubt)[known], true])
    sheet = Sheet(860.0, 440.0, title)
    across = svg.linear(stretch.since_s, stretch.until_s, LEFT, RIGHT)
    up = svg.linear(low, high, BOTTOM, TOP)

    def place(times_s: FloatArray, values: FloatArray) -> list[svg.Point]:
        pairs = zip(times_s.tolist(), values.tolist(), strict=True)
        return [(across(at_s), up(value)) for at_s, value in pairs]

    sheet.text((LEFT, 22.0), f"{title} ({made.name}, development seed {made.seed})", bold=True)
    sheet.legend(
        (LEFT, 44.0),
        [("probe", GREY), ("published", BLUE), ("its interval (k = 2)", SKY), ("truth", INK)],
    )
    draw_axes(sheet, stretch, across, up, low, high)
    sheet.dots(place(kept[:, 0], kept[:, 1]), radius=1.6, fill=GREY)
    if len(deeper):
        text = f"{len(deeper)} readings below, down to {deeper.min():.1f}"
        sheet.text((RIGHT - 6.0, BOTTOM - 8.0), text, size=12.0, anchor="end")
    for first, after in stretches(known):
        part = slice(first, after)
        above = place(grid_s[part], (estimate + doubt)[part])
        under = place(grid_s[part], (estimate - doubt)[part])
        sheet.area([*above, *reversed(under)], SKY)
        sheet.path(place(grid_s[part], estimate[part]), stroke=BLUE, width=2.0)
    sheet.path(place(grid_s, true), stroke=INK, dash="5 4")
    real = [(each.start_s, each.end_s, each.cause) for each in made.truth.labels]
    told = [
        (each.start_s, each.end_s, each.cause)
        for each in segments(observed.causes, stretch.until_s)
    ]
    draw_strip(sheet, 372.0, "really", real, stretch, across)
    draw_strip(sheet, 404.0, "said", told, stretch, across)
    return sheet


def thinned(probe: Sequence[tuple[float, float]]) -> FloatArray:
    """At most so many readings, evenly chosen; shape ``(n, 2)``."""
    every = len(probe) // MOST_DOTS + 1
    return np.array(probe[::every])


def above_floor(probe: FloatArray, floor_psu: float) -> tuple[FloatArray, FloatArray]:
    """Readings that are drawn, and the numbers of those too deep for it."""
    deep = probe[:, 1] < floor_psu
    return probe[~deep], probe[deep, 1]


def limits(series: Sequence[FloatArray]) -> tuple[float, float]:
    """A span that holds all series, with a little air."""
    values = np.concatenate(series)
    low, high = float(values.min()), float(values.max())
    air = 0.06 * (high - low)
    return low - air, high + air


def stretches(known: BoolArray) -> list[tuple[int, int]]:
    """First and after-last index of what is known without a gap."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], known.astype(np.int8), [0]))))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def draw_axes(
    sheet: Sheet,
    stretch: Stretch,
    across: svg.Scale,
    up: svg.Scale,
    low: float,
    high: float,
) -> None:
    """Salinity upwards, hours since the start of the fault to the right."""
    for value in svg.round_steps(low, high, 6):
        sheet.line((LEFT, up(value)), (RIGHT, up(value)), stroke=FAINT)
        sheet.text((LEFT - 8.0, up(value) + 4.0), f"{value:.4g}", anchor="end", size=12.0)
    begin_h = (stretch.since_s - stretch.label.start_s) / HOUR_S
    end_h = (stretch.until_s - stretch.label.start_s) / HOUR_S
    for hour in svg.round_steps(begin_h, end_h, 8):
        x = across(stretch.label.start_s + hour * HOUR_S)
        sheet.line((x, TOP), (x, BOTTOM), stroke=FAINT)
        sheet.text((x, BOTTOM + 17.0), f"{hour:g} h", anchor="middle", size=12.0)


def draw_strip(
    sheet: Sheet,
    y: float,
    name: str,
    spans: Sequence[tuple[float, float, Cause]],
    stretch: Stretch,
    across: svg.Scale,
) -> None:
    """Causes over time, named where there is room."""
    sheet.text((LEFT - 8.0, y + 16.0), name, anchor="end")
    sheet.box(LEFT, y, RIGHT - LEFT, 24.0, "#f0f0f0")
    for start_s, end_s, cause in spans:
        begin, end = max(start_s, stretch.since_s), min(end_s, stretch.until_s)
        if begin >= end:
            continue
        x, width = across(begin), max(across(end) - across(begin), 1.0)
        sheet.box(x, y, width, 24.0, CAUSE_COLOURS.get(cause, GREY))
        if width > 9.0 * len(cause.value):
            sheet.text((x + width / 2.0, y + 16.0), cause.value, anchor="middle", fill="#000000")
