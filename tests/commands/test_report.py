"""``tidegate report`` as a keeper uses it, on the history of a simulated day."""

import builtins
import itertools
import xml.etree.ElementTree as ET
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import orjson
import pytest
from PIL import Image

from bridge.cli import main
from bridge.core.agreement import Measured, compare
from bridge.core.findings import Cause
from bridge.core.outputs import Record
from bridge.core.settings import Probe, ProbeUnit, Reports, Tank, Thermometer
from bridge.core.trends import TemperatureDependence
from bridge.shell.history_reader import HistoryReader
from bridge.shell.notify_summary import held_s
from bridge.shell.report_events import alarm_figures, alarms, episodes, holds, litres_by_day
from bridge.shell.report_facts import Facts, gather
from bridge.shell.report_html import render
from bridge.shell.report_words import learned_lines, length
from bridge.simulation.story import tell
from tests.support.told import told

HOSTILE = "<b>Reef</b> & \"co\" </title><script>alert('1')</script>"
HOSTILE_NOTE = "<img src=x onerror=alert(1)>"
BERLIN = ZoneInfo("Europe/Berlin")
SECTIONS = (
    "What to do",
    "Salinity",
    "Time in each cause",
    "Episodes",
    "Holds",
    "Alarms",
    "Evaporation and top-off",
    "Reference checks",
    "Calibrations",
    "Learned",
)
CONFIG = """
[broker]
host = "localhost"

[storage]
path = {path}

[notify]
time_zone = "Europe/Berlin"

[tanks.reef]
name = {name}
volume_l = 300

[tanks.reef.probe]
topic = "tank/probe"
unit = "mS/cm"
reports = "conductivity-linear"
coefficient_pct_per_c = 2.15

[tanks.reef.thermometer]
topic = "tank/water-c"

[tanks.reef.permits.top-off]
delivers = "fresh-water"
driven_by = "level"

[tanks.reef.permits.salinity-dosing]
delivers = "salt-water"
driven_by = "salinity"
"""


class Day:
    """The simulated day: its history, its rows, and the configuration that belongs to it."""

    def __init__(self, directory: Path) -> None:
        scenario = tell().scenario
        self.from_s, self.to_s = scenario.start_s, scenario.end_s
        instrument = {"instrument": "optical-refractometer-sea-water", "unit": "psu"}
        commands = (
            (3.0, "reference-check", {**instrument, "reading": 35.1, "note": HOSTILE_NOTE}),
            (4.0, "reference-check", {**instrument, "reading": 31.0, "standard_checked": True}),
            (5.0, "water-change", {"litres": 20.0, "salinity": 35.0}),
            (
                5.5,
                "calibration",
                {
                    "standard": "seawater",
                    "value": 53.0,
                    "unit": "mS/cm",
                    "temperature_c": 25.0,
                    "by": HOSTILE_NOTE,
                    "confirm": True,
                },
            ),
        )
        self.history, self.rows = told(
            scenario,
            directory,
            [
                (self.from_s + 3600 * h, name, orjson.dumps({"id": f"{h}", **data}))
                for h, name, data in commands
            ],
        )
        self.config = directory / "tidegate.toml"
        words = [orjson.dumps(str(each)).decode() for each in (self.history, HOSTILE)]
        self.config.write_text(CONFIG.format(path=words[0], name=words[1]), encoding="utf-8")

    def of(self, kind: str) -> list[Record]:
        """Rows of a kind."""
        return [row for row in self.rows if row.kind == kind]

    def facts(self) -> Facts:
        """What the report tells."""
        tank = Tank(
            name=HOSTILE,
            volume_l=300,
            probe=Probe(
                topic="p",
                unit=ProbeUnit.MS_CM,
                reports=Reports.CONDUCTIVITY_LINEAR,
                coefficient_pct_per_c=2.15,
            ),
            thermometer=Thermometer(topic="t"),
        )
        return gather(self.history, "reef", tank, from_s=self.from_s, to_s=self.to_s, zone=BERLIN)

    def run(self, output: Path, *options: str) -> int:
        """Ask for a report of the whole day."""
        times = [datetime.fromtimestamp(t, UTC).isoformat() for t in (self.from_s, self.to_s)]
        when = () if "--last" in options else ("--from", times[0], "--to", times[1])
        words = ("report", "--config", str(self.config), "--output", str(output))
        return main([*words, *when, *options])


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Day:
    """One history for all tests, which only read it."""
    return Day(tmp_path_factory.mktemp("day"))


@pytest.fixture(autouse=True)
def _no_keeper(monkeypatch: pytest.MonkeyPatch, day: Day) -> None:
    """It is an hour after the day ended."""
    monkeypatch.setattr("bridge.commands.report.time.time", lambda: day.to_s + 3600)


def page(day: Day, tmp_path: Path) -> ET.Element:
    """The report as a tree; parsing fails when anything is left open or not escaped."""
    output = tmp_path / "report.html"
    assert day.run(output) == 0
    return ET.fromstring(output.read_text(encoding="utf-8"))  # noqa: S314 (our own file)


def words(element: ET.Element) -> str:
    """All that is to be read in an element."""
    return " ".join("".join(element.itertext()).split())


def said(seconds: float) -> str:
    """A length of time as `words` reads it."""
    return " ".join(length(seconds).split())


def table(root: ET.Element, heading: str, number: int = 0) -> list[list[str]]:
    """The rows of a table below a heading."""
    parts = next(iter(root.iter("section")))
    found = [place for place, part in enumerate(parts) if words(part) == heading]
    below = parts[found[0] + 1 :]
    tables: list[ET.Element] = []
    for part in below:
        if part.tag == "h3":
            break
        tables += part.iter("tbody")
    return [[words(cell) for cell in row] for row in tables[number]]


def test_every_section_is_there(day: Day, tmp_path: Path) -> None:
    """All that is promised has a heading, in the order of use."""
    headings = [words(heading) for heading in page(day, tmp_path).iter("h3")]

    assert headings == list(SECTIONS)


def test_times_are_in_the_keepers_zone_and_say_so(day: Day, tmp_path: Path) -> None:
    """The first line tells the span in the zone of the configuration, and names it."""
    said = words(page(day, tmp_path))
    begin = datetime.fromtimestamp(day.from_s, BERLIN)

    assert f"{begin:%Y-%m-%d %H:%M} to" in said
    assert "All times are in Europe/Berlin (UTC+01:00)." in said


def test_times_in_causes_are_those_of_the_samples(day: Day, tmp_path: Path) -> None:
    """Each cause has the time from its samples to the next, within one minute at each change."""
    samples = day.of("sample")
    direct: dict[str, float] = defaultdict(float)
    for row, later in itertools.pairwise(samples):
        direct[row.data["cause"]] += later.at_s - row.at_s
    shown = dict(HistoryReader(day.history).cause_seconds("reef", day.from_s, day.to_s))

    assert set(shown) == set(direct)
    assert len(shown) >= 3
    for cause, seconds in direct.items():
        assert shown[cause] == pytest.approx(seconds, abs=60)
    rows = table(page(day, tmp_path), "Time in each cause")
    longest_first = sorted(shown.values(), reverse=True)
    assert [row[1] for row in rows[: len(shown)]] == [said(each) for each in longest_first]


def test_episodes_are_the_rows_between_two_causes(day: Day, tmp_path: Path) -> None:
    """Every cause row but "none" begins one, the next row ends it, and its evidence is shown."""
    rows = day.of("cause")
    expected = [
        # The history counts whole milliseconds.
        (round(row.at_s, 3), round(later.at_s, 3), row.data["cause"])
        for row, later in itertools.pairwise(rows)
        if row.data["cause"] != Cause.NONE
    ]
    found = day.facts().episodes
    shown = table(page(day, tmp_path), "Episodes")

    assert [(each.begin_s, each.end_s, each.cause) for each in found] == expected
    assert len(shown) == len(expected) >= 3
    evidence = [" ".join(row.data["evidence"]) for row in rows if row.data["cause"] != Cause.NONE]
    assert [row[3] for row in shown] == evidence


def test_holds_last_as_long_as_the_summary_says(day: Day, tmp_path: Path) -> None:
    """Time held by permit is that of the weekly summary, and its reasons add up to it."""
    found = day.facts().holds
    expected = held_s(day.of("permit"), day.from_s, day.to_s)
    sums: dict[str, float] = defaultdict(float)
    for hold in found:
        sums[hold.permit] += hold.length_s
        assert max(hold.reasons_s.values()) <= hold.length_s + 1e-6
        assert sum(hold.reasons_s.values()) >= hold.length_s - 1e-6

    assert sums == pytest.approx(expected)
    shown = {row[0]: row[2] for row in table(page(day, tmp_path), "Holds")}
    assert shown == {
        "Top off": said(expected["top-off"]),
        "Salinity dosing": said(expected["salinity-dosing"]),
    }


def test_alarms_and_their_counts(day: Day, tmp_path: Path) -> None:
    """Every alarm row that is new and active is one alarm, at a rate over the length of the day."""
    raised = {
        (row.data["alarm"], row.data["since_s"]) for row in day.of("alarm") if row.data["active"]
    }
    root = page(day, tmp_path)

    assert len(table(root, "Alarms")) == len(raised) >= 3
    a_day = len(raised) * 86_400 / (day.to_s - day.from_s)
    assert f"{len(raised)} raised, {a_day:.1f} a day." in words(root)


def test_litres_add_up(day: Day, tmp_path: Path) -> None:
    """The day's top-off is the sum of what was metered."""
    total = sum(row.data["litres"] for row in day.of("litres"))
    rows = table(page(day, tmp_path), "Evaporation and top-off")

    assert total > 0
    assert [float(row[1]) for row in rows] == [round(total, 2)]


def test_checks_show_how_far_they_agree(day: Day, tmp_path: Path) -> None:
    """E_n of each check is the difference over the joint uncertainty, computed anew."""
    rows = table(page(day, tmp_path), "Reference checks")
    checks = [row.data for row in day.of("check")]

    assert len(rows) == len(checks) == 2
    for row, data in zip(rows, checks, strict=True):
        estimate = Measured(data["estimate_psu"], data["estimate_expanded_uncertainty_psu"])
        reference = Measured(data["reference_psu"], data["reference_expanded_uncertainty_psu"])
        e_n = compare(estimate, reference).e_n
        assert e_n is not None
        assert float(row[5]) == pytest.approx(e_n, abs=0.006)
    assert abs(float(rows[1][5])) > 1


def test_calibrations_learned_values_and_advice(day: Day, tmp_path: Path) -> None:
    """The calibration, the coefficient in force and the advice on record are told."""
    root = page(day, tmp_path)
    said = words(root)
    learned = day.facts().learned

    assert learned is not None
    assert len(table(root, "Calibrations")) == len(day.of("calibration")) == 1
    assert "Coefficient in use: 2.15 % per °C." in said
    assert learned.advice.sentence in said
    assert all(answer.answer in said for answer in learned.advice.answers)


def test_the_salinity_is_that_of_the_samples(day: Day) -> None:
    """Lowest, mean and highest are those of all samples."""
    values = [r.data["salinity"] for r in day.of("sample") if r.data["salinity"] is not None]
    found = day.facts().salinity_psu

    assert found == pytest.approx((min(values), sum(values) / len(values), max(values)))


def test_the_drawing_marks_disturbances_by_shape_and_word(day: Day, tmp_path: Path) -> None:
    """The uncertainty is an area, the probe a line of its own, and hatched areas have names."""
    (drawing,) = page(day, tmp_path).iter("svg")
    kinds = [element.get("class") for element in drawing.iter()]
    hatched = [each for each in drawing.iter("rect") if each.get("class") == "disturbed"]

    assert {"band", "estimate", "probe", "check", "letter"} <= set(kinds)
    assert {words(each) for each in hatched} >= {"bubbles", "the probe out of the water"}
    assert all((each.get("fill") or "").startswith("url(#hatch") for each in hatched)


def test_nothing_is_fetched_and_names_do_no_harm(day: Day, tmp_path: Path) -> None:
    """No script, no address; a tank's name and a calibration's author are shown as they are."""
    root = page(day, tmp_path)
    raw = (tmp_path / "report.html").read_text(encoding="utf-8")

    assert {element.tag for element in root.iter()}.isdisjoint({"script", "img", "link", "iframe"})
    assert "http:" not in raw
    assert "https:" not in raw
    assert "@import" not in raw
    assert HOSTILE in words(root)
    assert HOSTILE_NOTE in words(root)
    assert "prefers-color-scheme: dark" in raw


def test_the_last_hours_end_now(
    day: Day, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """--last 2h is from two hours ago until now, whatever the day began with."""
    assert day.run(tmp_path / "r.html", "--last", "2h") == 0

    begin = datetime.fromtimestamp(day.to_s - 3600, BERLIN)
    assert f"{begin:%Y-%m-%d %H:%M} to" in (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "Report written to" in capsys.readouterr().err


def test_no_data_is_said_in_a_sentence(
    day: Day, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A time before the first sample gives exit code 1 and no file."""
    output = tmp_path / "r.html"
    words_ = ("report", "--config", str(day.config), "--output", str(output))
    code = main([*words_, "--from", "2020-01-01", "--to", "2020-01-08"])

    assert code == 1
    assert not output.exists()
    assert capsys.readouterr().err == (
        "Nothing was recorded from 2020-01-01 00:00 to 2020-01-08 00:00 (Europe/Berlin), "
        "so there is no report.\n"
    )


def test_a_file_that_is_there_stays_without_force(
    day: Day, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It is refused with code 2 and left as it was; with --force it is replaced as a whole."""
    output = tmp_path / "r.html"
    output.write_text("mine", encoding="utf-8")

    assert day.run(output) == 2
    assert "--force" in capsys.readouterr().err
    assert output.read_text(encoding="utf-8") == "mine"
    assert day.run(output, "--force") == 0
    assert [each.name for each in tmp_path.iterdir()] == ["r.html"]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--last", "7"), "write hours, days or weeks"),
        (("--last", "0d"), "write hours, days or weeks"),
        (("--last", "99999w"), "ten years at most"),
        (("--last", "7d", "--from", "2026-01-01"), "leave out --from and --to"),
        ((), "--last 7d, or --from and --to"),
        (("--from", "yesterday"), '"yesterday" is not a time'),
        (("--from", "2026-02-02", "--to", "2026-02-01"), "earlier than --to"),
        (("--from", "2100-01-01"), "earlier than now"),
        (("--last", "1d", "--tank", "other"), "accepted are reef"),
    ],
)
def test_what_is_wrong_is_said(
    day: Day,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    options: tuple[str, ...],
    said: str,
) -> None:
    """A wrong option gives code 2, one sentence and no file."""
    output = tmp_path / "r.html"
    code = main(["report", "--config", str(day.config), "--output", str(output), *options])

    error = capsys.readouterr().err
    assert code == 2
    assert said in error
    assert "Traceback" not in error
    assert not output.exists()


def test_only_pages_and_pictures_are_made(
    day: Day, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Another ending is refused, and a directory that is not there is named."""
    assert day.run(tmp_path / "r.pdf") == 2
    assert "has to end in .html or .png" in capsys.readouterr().err
    assert day.run(tmp_path / "away" / "r.html") == 2
    assert "cannot be written" in capsys.readouterr().err


def test_the_picture_holds_chart_and_figures(day: Day, tmp_path: Path) -> None:
    """A PNG of a chart's width, higher than the chart alone, small enough for a phone."""
    output = tmp_path / "r.png"
    assert day.run(output) == 0

    with Image.open(output) as picture:
        assert picture.format == "PNG"
        assert picture.width == 800
        assert picture.height > 600
    assert output.stat().st_size < 200_000


def test_without_the_library_a_picture_says_how_to_get_it(
    day: Day,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The extra's name and the way around it are told, and a page is still made."""
    real = builtins.__import__

    def without(name: str, *rest: Any, **named: Any) -> Any:  # noqa: ANN401
        if name == "bridge.shell.report_png" or name.startswith("PIL"):
            raise ImportError(name)
        return real(name, *rest, **named)

    monkeypatch.setattr(builtins, "__import__", without)

    assert day.run(tmp_path / "r.png") == 2
    assert 'pip install "tidegate[chart]"' in capsys.readouterr().err
    assert day.run(tmp_path / "r.html") == 0


def permit(at_s: float, state: str, *reasons: str) -> Record:
    """A row of a permit."""
    return Record(at_s, "reef", "permit", {"permit": "p", "state": state, "reasons": list(reasons)})


def test_a_hold_is_cut_at_both_ends_and_every_reason_counted() -> None:
    """What began before and lasts on counts only inside; reasons that overlap each count."""
    rows = [permit(0, "hold", "a"), permit(150, "hold", "a", "b"), permit(160, "hold", "b")]
    (hold,) = holds(rows, 100.0, 200.0)

    assert (hold.begin_s, hold.end_s, hold.before, hold.lasting) == (100.0, 200.0, True, True)
    assert hold.reasons_s == {"a": 60.0, "b": 50.0}


def test_what_was_over_before_is_left_out() -> None:
    """A hold, an episode and an alarm that ended before the report are not in it."""
    cause = [Record(t, "r", "cause", {"cause": c}) for t, c in ((0, "drift"), (50, "none"))]
    alarm = [
        Record(t, "r", "alarm", {"alarm": "x", "state": s, "active": a, "priority": "low"} | since)
        for t, s, a, since in (
            (0, "unacknowledged", True, {"since_s": 0.5}),
            (50, "normal", False, {"since_s": 0.5}),
        )
    ]

    assert holds([permit(0, "hold", "a"), permit(50, "permit")], 100.0, 200.0) == []
    assert episodes(cause, 100.0, 200.0) == []
    assert alarms(alarm, 100.0, 200.0) == []


def raised(name: str, since_s: float, end_s: float | None) -> Iterator[Record]:
    """Rows of an alarm."""
    data = {"alarm": name, "priority": "low", "since_s": since_s}
    active = {"state": "unacknowledged", "active": True}
    yield Record(since_s, "r", "alarm", data | active)
    if end_s is not None:
        yield Record(end_s, "r", "alarm", data | {"state": "normal", "active": False})


def test_chattering_stale_and_flooding_alarms_are_counted() -> None:
    """Three a minute chatter, more than a day is stale, the eleventh in ten minutes floods."""
    rows = [row for n in range(3) for row in raised("often", 1000.0 + 30 * n, 1010.0 + 30 * n)]
    rows += raised("long", 2000.0, None)
    rows += [row for n in range(12) for row in raised(f"n{n}", 5000.0 + n, 5100.0 + n)]
    rows.sort(key=lambda row: row.at_s)
    found = alarm_figures(alarms(rows, 0.0, 2 * 86_400.0), 0.0, 2 * 86_400.0)

    assert found.raised == 16
    assert found.raised_a_day == 8.0
    assert found.chattering == ("often",)
    assert found.stale == ("long",)
    assert found.floods == 2


def test_litres_belong_to_the_keepers_days() -> None:
    """Midnight is the keeper's own, and a day without any is shown with none."""
    rows = [
        Record(datetime(2026, 3, d, h, 30, tzinfo=UTC).timestamp(), "r", "litres", {"litres": 1.0})
        for d, h in ((1, 22), (1, 23), (3, 1))
    ]
    begin, end = (datetime(2026, 3, d, tzinfo=BERLIN).timestamp() for d in (1, 5))

    assert litres_by_day(rows, begin, end, BERLIN) == {
        "2026-03-01": 1.0,
        "2026-03-02": 1.0,
        "2026-03-03": 1.0,
        "2026-03-04": 0.0,
    }


def test_a_tank_without_data_has_a_sentence_among_others(day: Day) -> None:
    """In a report of several tanks, one of which nothing was recorded says so."""
    facts = day.facts()
    nothing = gather(day.history, "new", facts.tank, from_s=day.from_s, to_s=day.to_s, zone=BERLIN)
    root = ET.fromstring(render([facts, nothing]))  # noqa: S314 (our own page)
    first, second = root.iter("section")

    assert "Nothing was recorded in this time." in words(second)
    assert "Nothing was recorded in this time." not in words(first)


@pytest.mark.parametrize(
    ("pct_per_c", "said_"),
    [
        (0.05, "The coefficient in use fits to within 0.20 % per °C"),
        (0.35, "The coefficient in use is 0.35 ± 0.20 % per °C too high"),
        (-0.35, "The coefficient in use is 0.35 ± 0.20 % per °C too low"),
    ],
)
def test_the_coefficient_is_judged_by_its_uncertainty(
    day: Day, pct_per_c: float, said_: str
) -> None:
    """Only what is beyond the expanded uncertainty counts as too high or too low."""
    facts = day.facts()
    assert facts.learned is not None
    dependence = TemperatureDependence(0.4 * pct_per_c, 0.04, pct_per_c, 0.1, 2.0, 8.0)
    lines = learned_lines(replace(facts, learned=replace(facts.learned, dependence=dependence)))

    assert any(line.startswith(said_) for line in lines)
