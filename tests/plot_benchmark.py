"""Draws the results of the benchmark, and writes their tables into docs/diagnosis-method.md.

``python -m tests.plot_benchmark RESULT.json docs/images`` takes what
``tidegate benchmark --output RESULT.json`` wrote. The page is the one beside the folder of images.
The examples are simulated and run through the engine anew, in half a minute.
"""

import sys
from collections.abc import Callable, Mapping, Sequence
from math import ceil, floor, log10
from pathlib import Path
from typing import Any, Final

import orjson
from scipy import stats

from bridge.simulation.benchmark import CONDITIONS
from tests.document_tables import render, table
from tests.plot_examples import draw_examples
from tests.support import svg
from tests.support.svg import BLUE, FAINT, GREEN, GREY, INK, SAND, SKY, YELLOW, Sheet

PAGE: Final = "diagnosis-method.md"
OURS: Final = "tidegate"
AIM: Final = 0.95
COVERAGE_AIM: Final = 0.93
METHOD_COLOURS: Final = (BLUE, YELLOW, GREEN)

Document = Mapping[str, Any]
Figure = tuple[str, Callable[[Document], str]]


def main(arguments: Sequence[str]) -> int:
    """Write the charts and the tables."""
    if len(arguments) != 2:
        print("usage: python -m tests.plot_benchmark RESULT.json docs/images", file=sys.stderr)  # noqa: T201
        return 2
    result, images = Path(arguments[0]), Path(arguments[1])
    document = orjson.loads(result.read_bytes())
    images.mkdir(exist_ok=True)
    causes_chart(document).save(images / "causes.svg")
    errors_chart(document).save(images / "errors.svg")
    coverage_chart(document).save(images / "coverage.svg")
    draw_examples(images)
    page = images.parent / PAGE
    text = page.read_text(encoding="utf-8")
    page.write_text(render(text, {"results": lambda: results(document)}), encoding="utf-8")
    return 0


# ------------------------------------------------------------------ tables


def results(document: Document) -> str:
    """What stands between the markers of the page."""
    return "\n\n".join([origin(document), causes_table(document), methods_table(document)])


def origin(document: Document) -> str:
    """Where the figures come from, and what they are worth."""
    ours = document["methods"][OURS]
    text = (
        f"Version {document['version']}, {document['seeds']} seeds: {ours['scenarios']} simulated "
        f"stretches, {ours['healthy_months']:.2f} healthy tank-months."
    )
    if document["quick"]:
        text += (
            " **A quick run with slow probes only, to show the form. So few stretches say next to "
            "nothing about how good the method is.**"
        )
    if document["seeds"] == "development":
        text += " The method was developed on these seeds, so expect less on others."
    return text


def causes_table(document: Document) -> str:
    """Each cause, and whether the plain methods noticed anything at all."""
    plain = {name: each for name, each in document["methods"].items() if name != OURS}
    noticed = [{c["cause"]: c["recall"] for c in each["causes"]} for each in plain.values()]
    head = ("cause", "episodes", "recall", "by the deadline", "reports", "precision")
    return table(
        (*head, "delay, half", "delay, 9 in 10", *(f"noticed by {name}" for name in plain)),
        (
            (
                f"`{line['cause']}`",
                str(line["episodes"]),
                share(line["recall"]),
                f"{share(line['in_time'])} of {line['due']}" if line["due"] else "-",
                str(line["reports"]),
                share(line["precision"]),
                duration(line["median_delay_s"]),
                duration(line["slow_delay_s"]),
                *(share(each.get(line["cause"])) for each in noticed),
            )
            for line in shown(document)
        ),
    )


def shown(document: Document) -> list[Document]:
    """The causes that occurred or were reported."""
    lines = document["methods"][OURS]["causes"]
    return [line for line in lines if line["episodes"] or line["reports"]]


def methods_table(document: Document) -> str:
    """All methods on the same data."""
    methods = document["methods"]
    figures: list[Figure] = [
        ("false reports a healthy month", lambda m: decimal(m["false_reports_month"], 2)),
        ("false high alarms a healthy month", lambda m: decimal(m["false_high_alarms_month"], 2)),
        ("false holds a healthy month", lambda m: by_permit(m["false_holds_month"], 1.0, "")),
        ("share of healthy time held", lambda m: by_permit(m["false_hold_share"], 100.0, " %")),
        ("wrong permits of holds due", lambda m: f"{m['wrong_permits']} of {m['holds_due']}"),
        ("time wrongly permitted", lambda m: duration(m["wrong_permit_s"])),
    ]
    for number, condition in enumerate(CONDITIONS):
        figures += error_figures(number, condition)
    return table(
        ("figure", *methods),
        ((name, *(show(each) for each in methods.values())) for name, show in figures),
    )


def error_figures(number: int, condition: str) -> list[Figure]:
    """The lines about the salinity in one condition."""
    return [
        (f"RMS error, {condition}", lambda m: decimal(m["errors"][number]["rms_psu"], 3)),
        (f"coverage, {condition}", lambda m: share(m["errors"][number]["coverage"])),
        (
            f"mean half width, {condition}",
            lambda m: decimal(m["errors"][number]["half_width_psu"], 3),
        ),
        (f"not published, {condition}", lambda m: share(m["errors"][number]["unknown"])),
    ]


def share(value: float | None) -> str:
    """A share in percent; JSON has null for one of nothing."""
    return "-" if value is None else f"{100.0 * value:.1f} %"


def decimal(value: float | None, digits: int) -> str:
    """A number."""
    return "-" if value is None else f"{value:.{digits}f}"


def by_permit(values: Mapping[str, float | None], factor: float, unit: str) -> str:
    """One number for each permit that was ever held wrongly."""
    return (
        "<br>".join(
            f"{name} -" if value is None else f"{name} {factor * value:.3f}{unit}"
            for name, value in values.items()
        )
        or "0"
    )


def duration(seconds: float | None) -> str:
    """A time in a handy unit."""
    if seconds is None:
        return "-"
    for unit, length_s in (("d", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 2.0 * length_s:
            return f"{seconds / length_s:.1f} {unit}"
    return f"{seconds:.0f} s"


# ------------------------------------------------------------------ charts


def interval(found: float, total: int) -> tuple[float, float]:
    """Shares that so many cases leave likely (95 %, Wilson)."""
    test = stats.binomtest(round(found * total), total)
    bounds = test.proportion_ci(confidence_level=0.95, method="wilson")
    return float(bounds.low), float(bounds.high)


def causes_chart(document: Document) -> Sheet:
    """Recall and precision of each cause, with the doubt that the number of cases leaves."""
    lines, row, top, left, right = shown(document), 40.0, 66.0, 130.0, 640.0
    bottom = top + row * len(lines)
    sheet = Sheet(860.0, bottom + 46.0, "Recall and precision of each cause")
    across = svg.linear(0.0, 1.0, left, right)
    sheet.legend((left, 26.0), [("recall, of episodes", SKY), ("precision, of reports", SAND)])
    for tenth in range(0, 11, 2):
        x = across(tenth / 10.0)
        sheet.line((x, top - 8.0), (x, bottom), stroke=FAINT)
        sheet.text((x, bottom + 18.0), f"{10 * tenth} %", anchor="middle")
    x = across(AIM)
    sheet.line((x, top - 8.0), (x, bottom), stroke=INK, dash="4 3")
    sheet.text((x, top - 14.0), "aim 95 %", anchor="middle", size=12.0)
    for number, line in enumerate(lines):
        y = top + row * number
        sheet.text((left - 10.0, y + 22.0), line["cause"], anchor="end")
        bars = (
            (line["recall"], line["episodes"], SKY, "episodes"),
            (line["precision"], line["reports"], SAND, "reports"),
        )
        for place, (value, total, colour, what) in enumerate(bars):
            high = y + 3.0 + 16.0 * place
            if not total:
                sheet.text((right + 14.0, high + 12.0), f"no {what}", size=12.0, fill=GREY)
                continue
            sheet.box(left, high, across(value) - left, 14.0, colour)
            low, most = (across(each) for each in interval(value, total))
            sheet.line((low, high + 7.0), (most, high + 7.0), stroke=INK)
            for end in (low, most):
                sheet.line((end, high + 4.0), (end, high + 10.0), stroke=INK)
            text = f"{round(value * total)} of {total} {what}"
            sheet.text((right + 14.0, high + 12.0), text, size=12.0)
    sheet.text(
        (left, bottom + 38.0),
        "Whiskers: where the share may lie, given so few cases (95 %, Wilson).",
        size=12.0,
    )
    return sheet


def legend_of(document: Document) -> list[tuple[str, str]]:
    """Each method and its colour."""
    return list(zip(document["methods"], METHOD_COLOURS, strict=False))


def errors_chart(document: Document) -> Sheet:
    """RMS error of the published salinity by condition, on a logarithmic scale."""
    rows = [
        (condition, [m["errors"][number]["rms_psu"] for m in document["methods"].values()])
        for number, condition in enumerate(CONDITIONS)
    ]
    known = [value for _, values in rows for value in values if value]
    low = 10.0 ** floor(log10(min(known, default=0.01)))
    high = 10.0 ** ceil(log10(max(known, default=1.0) * 1.001))
    sheet = Sheet(860.0, 300.0, "Root mean square error of the salinity")
    across = svg.logarithmic(low, high, 130.0, 820.0)
    sheet.legend((130.0, 26.0), legend_of(document))
    ticks = [
        factor * 10.0**power
        for power in range(round(log10(low)), round(log10(high)))
        for factor in (1, 2, 5)
    ]
    for value in (*ticks, high):
        x = across(value)
        sheet.line((x, 46.0), (x, 250.0), stroke=FAINT)
        sheet.text((x, 268.0), f"{value:g}", anchor="middle")
    sheet.text((475.0, 290.0), "RMS error of the salinity (probes without bias)", anchor="middle")
    draw_dots(sheet, rows, document, across, lambda value: f"{value:.3f}")
    return sheet


def draw_dots(
    sheet: Sheet,
    rows: Sequence[tuple[str, Sequence[float | None]]],
    document: Document,
    across: svg.Scale,
    show: Callable[[float], str],
) -> None:
    """A dot with its number for each method, one row for each condition."""
    for number, (name, values) in enumerate(rows):
        y = 62.0 + 66.0 * number
        sheet.text((120.0, y + 26.0), name, anchor="end")
        for place, (value, (_, colour)) in enumerate(
            zip(values, legend_of(document), strict=False)
        ):
            if not value:
                continue
            at = (across(value), y + 6.0 + 16.0 * place)
            sheet.dots([at], radius=6.0, fill=colour)
            sheet.text((at[0] + 10.0, at[1] + 4.0), show(value), size=12.0)


def coverage_chart(document: Document) -> Sheet:
    """How often the interval held the truth, and how wide it was."""
    sheet = Sheet(860.0, 300.0, "Coverage and half width of the published interval")
    sheet.legend((130.0, 26.0), legend_of(document))
    left, right = svg.linear(0.0, 1.0, 130.0, 430.0), svg.linear(0.0, 0.6, 520.0, 800.0)
    methods = document["methods"].values()
    for tenth in range(0, 11, 2):
        x = left(tenth / 10.0)
        sheet.line((x, 46.0), (x, 250.0), stroke=FAINT)
        sheet.text((x, 268.0), f"{10 * tenth} %", anchor="middle")
    for tenth in range(7):
        x = right(tenth / 10.0)
        sheet.line((x, 46.0), (x, 250.0), stroke=FAINT)
        sheet.text((x, 268.0), f"{tenth / 10.0:g}", anchor="middle")
    x = left(COVERAGE_AIM)
    sheet.line((x, 46.0), (x, 250.0), stroke=INK, dash="4 3")
    sheet.text((x, 42.0), "aim 93 %", anchor="middle", size=12.0)
    sheet.text((280.0, 290.0), "time within the interval", anchor="middle")
    sheet.text((660.0, 290.0), "mean half width (k = 2)", anchor="middle")
    for key, across, show in (
        ("coverage", left, share),
        ("half_width_psu", right, "{:.2f}".format),
    ):
        rows = [
            (condition if key == "coverage" else "", [m["errors"][number][key] for m in methods])
            for number, condition in enumerate(CONDITIONS)
        ]
        draw_dots(sheet, rows, document, across, show)
    return sheet


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
