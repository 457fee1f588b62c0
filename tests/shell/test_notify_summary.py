"""The summary's words, its period, and the settings around it."""

import time
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from bridge.core.outputs import Record
from bridge.core.settings import Probe, ProbeUnit, Reports, Tank, Thermometer
from bridge.shell.chart import draw_last_hours
from bridge.shell.config import load
from bridge.shell.config_problems import ConfigurationError
from bridge.shell.history import History
from bridge.shell.history_reader import HistoryReader
from bridge.shell.notify_desk import Information
from bridge.shell.notify_settings import NotifySettings, SummaryEvery, Weekday
from bridge.shell.notify_summary import Summaries, held_s, last_period, summarise
from bridge.shell.storage_settings import StorageSettings
from tests.support.history import sample

BERLIN = ZoneInfo("Europe/Berlin")
BEGIN = datetime(2026, 3, 1, 8, tzinfo=UTC)
END = datetime(2026, 3, 2, 8, tzinfo=UTC)
MINIMAL = (Path(__file__).parents[2] / "config" / "minimal.toml").read_text(encoding="utf-8")


def tank(name: str) -> Tank:
    """A tank with the least that works."""
    probe = Probe(topic="p", unit=ProbeUnit.PSU, reports=Reports.SALINITY)
    return Tank(name=name, volume_l=100, probe=probe, thermometer=Thermometer(topic="t"))


def recorded(directory: Path) -> HistoryReader:
    """A day with two hours of bubbles, a hold, an alarm and some fresh water (invented)."""
    history = History(StorageSettings(path=str(directory / "h.sqlite3"), full_days=60))
    for minute in range(24 * 60):
        at_s = BEGIN.timestamp() + 60 * minute
        cause = "bubbles" if 600 <= minute < 720 else "none"
        salinity = 34.8 + 0.3 * minute / 1440
        history.records(sample(at_s, minute, salinity=salinity, cause=cause))
    at_s = BEGIN.timestamp()
    since = {"alarm": "bubbles", "active": True, "since_s": at_s + 36060}
    for offset_s, kind, data in (
        (-3600, "permit", {"permit": "top-off", "state": "permit"}),
        (-1800, "permit", {"permit": "dosing", "state": "hold"}),
        (1800, "permit", {"permit": "dosing", "state": "permit"}),
        (36000, "permit", {"permit": "dosing", "state": "hold"}),
        (36060, "alarm", since | {"state": "unacknowledged"}),
        (36100, "alarm", since | {"state": "acknowledged"}),
        (43200, "permit", {"permit": "dosing", "state": "permit"}),
        (50000, "litres", {"litres": 2.5}),
        (60000, "litres", {"litres": 3.9}),
    ):
        history.records(Record(at_s + offset_s, "reef", kind, data))
    assert history.close()
    return HistoryReader(directory / "h.sqlite3")


def test_a_summary_says_what_happened(tmp_path: Path) -> None:
    """Range of salinity, time in each cause, holds, alarms and litres, in one line a tank."""
    reader = recorded(tmp_path)
    summary = summarise(reader, {"reef": tank("Living room")}, begin=BEGIN, end=END)

    assert summary == Information(
        "summary",
        END.timestamp(),
        "Tidegate: the last day",
        "Living room: salinity 34.8 to 35.1, last 35.1 ± 0.1; disturbed or changing: bubbles 2 h; "
        "held: dosing 2 h 30 min; 1 alarm (bubbles); topped off 6.4 l.",
        (BEGIN.timestamp(), END.timestamp()),
    )


def test_many_quiet_tanks_are_only_counted(tmp_path: Path) -> None:
    """With many tanks only those of which there is something to tell are named."""
    reader = recorded(tmp_path)
    tanks = {"reef": tank("Reef")} | {f"t{n}": tank("") for n in range(6)}
    summary = summarise(reader, tanks, begin=BEGIN, end=END)

    assert summary is not None
    assert summary.body.startswith("Reef: ")
    assert "T3: nothing was received." in summary.body


def test_without_any_data_there_is_no_summary(tmp_path: Path) -> None:
    """The first start is not followed by a report of nothing."""
    reader = recorded(tmp_path)

    assert summarise(reader, {"other": tank("Other")}, begin=BEGIN, end=END) is None


def test_a_hold_counts_only_inside_the_period() -> None:
    """What began before or lasts on is cut at the ends."""
    events = [
        Record(at_s, "reef", "permit", {"permit": "top-off", "state": state})
        for at_s, state in ((0, "hold"), (150, "permit"), (180, "hold"))
    ]

    assert held_s(events, 100.0, 200.0) == {"top-off": 70.0}


def test_periods_follow_the_calendar_of_the_zone() -> None:
    """The day on which the clocks change has 23 hours, and a week ends on its day."""
    daily = NotifySettings(
        time_zone="Europe/Berlin", summary=SummaryEvery.DAILY, summary_at="08:00"
    )
    begin, end = last_period(datetime(2026, 3, 29, 12, tzinfo=BERLIN), daily)
    weekly = NotifySettings(
        time_zone="Europe/Berlin", summary=SummaryEvery.WEEKLY, summary_day=Weekday.SUNDAY
    )
    early = last_period(datetime(2026, 3, 29, 7, 59, tzinfo=BERLIN), weekly)

    assert end.timestamp() - begin.timestamp() == 23 * 3600
    assert end == datetime(2026, 3, 29, 8, tzinfo=BERLIN)
    assert early[1] == datetime(2026, 3, 22, 8, tzinfo=BERLIN)


def test_a_missed_summary_is_made_up_for(tmp_path: Path) -> None:
    """A daemon that was off at the time still tells, if it is not much later."""
    now = datetime.now(UTC)
    history = History(StorageSettings(path=str(tmp_path / "h.sqlite3")))
    for minute in range(2, 90):
        history.records(sample(now.timestamp() - 60 * minute, minute))
    assert history.close()
    told: list[Information] = []
    settings = NotifySettings(summary=SummaryEvery.DAILY, summary_at=f"{now:%H:%M}")
    summaries = Summaries(settings, tmp_path / "h.sqlite3", {"reef": tank("")}, told.append)
    summaries.start()
    for _ in range(500):
        if told:
            break
        time.sleep(0.01)
    summaries.close()

    assert len(told) == 1
    assert told[0].body.startswith("Reef: salinity 35.0 to 35.0")


def test_the_chart_is_small_and_sharp(tmp_path: Path) -> None:
    """A PNG of 800 by 450 pixels and at most 40 kB, or none without data."""
    recorded(tmp_path)
    path = tmp_path / "h.sqlite3"
    picture = draw_last_hours(path, "reef", to_s=END.timestamp(), zone=BERLIN, normal_psu=(34, 35))

    assert picture is not None
    assert picture.startswith(b"\x89PNG\r\n\x1a\n")
    assert int.from_bytes(picture[16:20]) == 800
    assert int.from_bytes(picture[20:24]) == 450
    assert len(picture) < 40_000
    assert draw_last_hours(path, "other", to_s=END.timestamp(), zone=BERLIN) is None


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ('time_zone = "Europe/Atlantis"', "notify.time_zone"),
        ('quiet_from = "22:30"', "notify.quiet_from"),
        ('quiet_from = "25:00"\nquiet_to = "07:00"', "notify.quiet_from"),
        ('quiet_from = "07:00"\nquiet_to = "07:00"', "notify.quiet_from"),
        ('summary_at = "8"', "notify.summary_at"),
        ('summary = "hourly"', 'one of "never", "daily", "weekly"'),
        ("largest_per_hour = 0", "notify.largest_per_hour"),
    ],
)
def test_settings_are_refused_with_a_sentence(tmp_path: Path, line: str, said: str) -> None:
    """What no clock or calendar knows is refused, and the key is named."""
    path = tmp_path / "tidegate.toml"
    path.write_text(f"{MINIMAL}\n[notify]\n{line}\n", encoding="utf-8")

    with pytest.raises(ConfigurationError) as error:
        load(path, {})

    assert said in str(error.value)
