"""The page about the method shows what the benchmark wrote, and what the engine did."""

import re
import xml.etree.ElementTree as ET
from math import isfinite
from pathlib import Path
from typing import Any

import orjson
import pytest

from bridge.core.findings import Cause
from bridge.simulation.benchmark import CauseScore, Errors, Score
from bridge.simulation.catalogue import scenario
from bridge.simulation.figures import figures
from tests import plot_benchmark, plot_examples
from tests.support import svg

SVG = "{http://www.w3.org/2000/svg}"


def written(*, quick: bool = False, seeds: str = "reporting") -> dict[str, Any]:
    """A result as the benchmark writes it, of invented counts."""
    ours, plain = Score(scenarios=21, healthy_s=30 * 86400.0), Score(scenarios=21)
    ours.causes[Cause.BUBBLES] = CauseScore(
        episodes=20, recalled=19, due=10, in_time=9, reports=25, right_reports=20, delays_s=[90.0]
    )
    ours.causes[Cause.UNEXPLAINED] = CauseScore(reports=2, right_reports=1)
    plain.causes[Cause.BUBBLES] = CauseScore(episodes=20, recalled=5)
    ours.errors["healthy"] = Errors(100, 0.04, 100, 97, 22.0)
    ours.false_holds, ours.false_hold_s = {"top-off": 1}, {"top-off": 259.2}
    document = {
        "seeds": seeds,
        "quick": quick,
        "version": "1.2.3",
        "methods": {
            "tidegate": figures(ours).as_dict(),
            "a plain one": figures(plain).as_dict(),
        },
    }
    read: dict[str, Any] = orjson.loads(orjson.dumps(document))
    return read


def parsed(sheet: svg.Sheet) -> ET.Element:
    """The drawing, which has to be well-formed."""
    return ET.fromstring(sheet.render())  # noqa: S314 - our own text


def texts(drawing: ET.Element) -> list[str]:
    """All words in a drawing."""
    return ["".join(each.itertext()) for each in drawing.iter(f"{SVG}text")]


def test_the_tables_tell_the_figures() -> None:
    """Shares, counts and delays of the file stand in their rows; nothing is a dash."""
    lines = plot_benchmark.results(written()).splitlines()

    assert (
        "| `bubbles` | 20 | 95.0 % | 90.0 % of 10 | 25 | 80.0 % | 90 s | 90 s | 25.0 % |" in lines
    )
    assert "| `unexplained` | 0 | - | - | 2 | 50.0 % | - | - | - |" in lines
    assert "| RMS error, healthy | 0.020 | - |" in lines
    assert "| share of healthy time held | top-off 0.010 % | 0 |" in lines


@pytest.mark.parametrize(
    ("seeds", "quick", "told"),
    [
        ("reporting", False, set()),
        ("reporting", True, {"quick run"}),
        ("development", True, {"quick run", "developed on these"}),
    ],
)
def test_weak_figures_are_marked(seeds: str, told: set[str], *, quick: bool) -> None:
    """A quick run, and one on the seeds of the development, say so before the first table."""
    head = plot_benchmark.results(written(seeds=seeds, quick=quick)).partition("|")[0]

    assert {each for each in ("quick run", "developed on these") if each in head} == told


def test_the_bars_are_as_long_as_the_shares() -> None:
    """Recall of 95 % makes a bar of 95 % of the axis, and its counts stand beside it."""
    drawing = parsed(plot_benchmark.causes_chart(written()))
    ticks = {
        "".join(each.itertext()): float(each.attrib["x"])
        for each in drawing.iter(f"{SVG}text")
        if each.attrib["text-anchor"] == "middle"
    }
    bars = [
        float(each.attrib["width"]) / (ticks["100 %"] - ticks["0 %"])
        for each in drawing.iter(f"{SVG}rect")
        if each.attrib["height"] == "14"
    ]

    assert bars == pytest.approx([0.95, 0.8, 0.5], abs=0.001)
    assert {"19 of 20 episodes", "20 of 25 reports", "no episodes"} <= set(texts(drawing))


def test_what_was_not_measured_is_not_drawn() -> None:
    """A method or condition without a figure leaves a gap, not a zero."""
    document = written()

    for chart in (plot_benchmark.errors_chart, plot_benchmark.coverage_chart):
        drawing = parsed(chart(document))
        dots = len(list(drawing.iter(f"{SVG}circle")))
        assert dots == (1 if chart is plot_benchmark.errors_chart else 2)
    assert "0.020" in texts(parsed(plot_benchmark.errors_chart(document)))


def test_everything_is_written_where_it_belongs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One call fills the page beside the folder, between its markers, and draws the charts."""
    monkeypatch.setattr(plot_benchmark, "draw_examples", lambda _: None)
    page, result = tmp_path / plot_benchmark.PAGE, tmp_path / "result.json"
    old = "<!-- table results -->\nwhat stood here\n<!-- end results -->"
    page.write_text(f"before\n{old}\nafter\n")
    result.write_bytes(orjson.dumps(written()))

    assert plot_benchmark.main([str(result), str(tmp_path / "images")]) == 0
    text = page.read_text()
    assert text.startswith("before\n")
    assert text.endswith("\nafter\n")
    assert "Version 1.2.3, reporting seeds: 21" in text
    assert "what stood here" not in text
    drawn = {each.stem for each in (tmp_path / "images").glob("*.svg")}
    assert drawn == {"causes", "errors", "coverage"}


def test_every_picture_of_the_page_is_one_that_is_drawn() -> None:
    """No picture stays behind when its chart goes."""
    page = Path(__file__).parents[1] / "docs" / plot_benchmark.PAGE
    shown = set(re.findall(r"images/([\w-]+)\.svg", page.read_text(encoding="utf-8")))

    assert shown == {"causes", "errors", "coverage"} | {
        f"example-{n}" for n in plot_examples.EXAMPLES
    }


def test_an_example_is_what_the_engine_said() -> None:
    """Its readings, its causes and its truth are those of the stretch around the fault."""
    made = scenario("bubbles-passing", 7, shortest_interval_s=60.0)
    label = made.truth.labels[0]
    stretch = plot_examples.run(made, label)
    drawing = parsed(plot_examples.draw(stretch, "Bubbles"))

    assert stretch.since_s == label.start_s - 3600.0
    assert all(stretch.since_s <= at_s <= stretch.until_s for at_s, _ in stretch.probe)
    expected = (stretch.until_s - stretch.since_s) / made.traits.interval_s
    assert len(stretch.probe) == pytest.approx(expected, abs=3.0)
    words = texts(drawing)
    deep = sum(int(each.split()[0]) for each in words if "readings below" in each)
    dots = len(list(drawing.iter(f"{SVG}circle")))
    assert dots + deep == sum(isfinite(value) for _, value in stretch.probe)
    assert {"really", "said", "bubbles"} <= set(words)


def test_a_bias_rules_a_picture_out() -> None:
    """Only probes without a calibration error are drawn, so that the truth can be compared."""
    made = scenario("exposed", 7, shortest_interval_s=60.0)
    made.traits.interval_s = 10.0
    made.truth.probe_bias_psu = 0.0
    fitting = list(plot_examples.drawable(made))
    made.truth.probe_bias_psu = 0.1

    assert all(0.5 <= (each.end_s - each.start_s) / 3600.0 <= 6.0 for each in fitting)
    assert list(plot_examples.drawable(made)) == []


def test_round_steps_are_round_and_inside() -> None:
    """Ticks are multiples of 1, 2 or 5 within the span."""
    assert svg.round_steps(33.37, 34.81, 6) == pytest.approx([33.5, 34.0, 34.5])
    assert svg.round_steps(-1.0, 3.4, 8) == pytest.approx([-1, 0, 1, 2, 3])
