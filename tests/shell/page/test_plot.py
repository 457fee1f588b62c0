"""What a chart is given: points, gaps, disturbed stretches, events."""

from pathlib import Path
from typing import Any

import orjson
import pytest

from bridge.core.outputs import Record
from bridge.shell.history_reader import HistoryReader
from bridge.shell.history_writer import HistoryWriter
from bridge.shell.page.plot import chart
from bridge.shell.page.snapshot import Snapshot
from bridge.shell.storage_settings import StorageSettings
from tests.support.history import START_S, sample

HOUR_S = 3600.0


class Kept:
    """A history and a snapshot to draw from."""

    def __init__(self, folder: Path) -> None:
        self.settings = StorageSettings(path=str(folder / "history.sqlite3"))
        self.snapshot = Snapshot("tidegate", on_answer=lambda _: None)

    def write(self, rows: list[Record]) -> None:
        """Put rows into the history."""
        writer = HistoryWriter(self.settings)
        writer.write(rows)
        writer.close()

    def draw(self, from_s: float, to_s: float, points: int = 800) -> dict[str, Any]:
        """The chart of a stretch."""
        drawn: dict[str, Any] = orjson.loads(
            chart(
                HistoryReader(self.settings.path),
                self.snapshot,
                "reef",
                from_s=from_s,
                to_s=to_s,
                points=points,
            )
        )
        return drawn


@pytest.fixture
def kept(tmp_path: Path) -> Kept:
    """Nothing kept yet."""
    return Kept(tmp_path)


def test_the_band_covers_what_was_possible(kept: Kept) -> None:
    """The band of a point reaches from the lowest value less, to the highest more uncertainty."""
    kept.write(
        [sample(START_S + 10 * n, n, salinity=35.0 + 0.1 * n, uncertainty=0.2) for n in range(4)]
    )

    drawn = kept.draw(START_S, START_S + 48000, points=800)

    assert drawn["low"] == [34.8]
    assert drawn["high"] == [35.5]
    assert drawn["mid"] == [35.15]


def test_new_samples_do_not_wait_for_the_history(kept: Kept) -> None:
    """What is too new for the history is in the chart, and nothing is in it twice."""
    rows = [sample(START_S + 10 * n, n) for n in range(60)]
    kept.write(rows[:40])
    for row in rows:
        kept.snapshot.observe(row)

    drawn = kept.draw(START_S, START_S + 600)

    assert drawn["at"] == [START_S + 10 * n for n in range(60)]


def test_without_a_history_the_newest_is_drawn(kept: Kept) -> None:
    """A missing history is told, and what is known otherwise is drawn."""
    kept.snapshot.observe(sample(START_S))

    drawn = kept.draw(START_S - 10, START_S + 10)

    assert drawn["mid"] == [35.02]
    assert "There is no history" in drawn["note"]


def test_silence_is_a_gap(kept: Kept) -> None:
    """Where nothing was heard for long no line is drawn; a single lost message is no gap."""
    minutes = [n for n in range(120) if n not in {30, 60, 61, 62, 63, 64, 65, 66, 67}]
    kept.write([sample(START_S + 60 * n, n) for n in minutes])

    drawn = kept.draw(START_S, START_S + 7200)

    assert drawn["mid"].count(None) == 1
    place = drawn["mid"].index(None)
    assert drawn["at"][place - 1] < drawn["at"][place] < drawn["at"][place + 1]
    assert drawn["at"][place - 1] == pytest.approx(START_S + 59 * 60, abs=drawn["width"])
    assert {len(drawn[name]) for name in ("at", "low", "mid", "high", "probe")} == {112}


def test_disturbed_stretches_have_words(kept: Kept) -> None:
    """A disturbance is one stretch with its cause in words; a change of cause begins another."""
    causes = ["none"] * 10 + ["bubbles"] * 20 + ["exposed"] * 5 + ["none"] * 10
    kept.write([sample(START_S + 60 * n, n, cause=cause) for n, cause in enumerate(causes)])

    spans = kept.draw(START_S, START_S + 2700)["spans"]

    assert [(span["cause"], span["words"]) for span in spans] == [
        ("bubbles", "bubbles"),
        ("exposed", "the probe out of the water"),
    ]
    assert spans[0]["from"] == START_S + 600
    assert spans[0]["to"] == pytest.approx(START_S + 1800)


def test_one_top_off_is_one_event(kept: Kept) -> None:
    """Metered litres close together are one topping-off; a pause begins another."""
    kept.write(
        [
            sample(START_S),
            *(
                Record(START_S + at_s, "reef", "litres", {"litres": 0.2})
                for at_s in (10, 20, 30, 4000)
            ),
            Record(START_S + 9, "reef", "equipment", {"name": "pump", "on": True}),
        ]
    )

    drawn = kept.draw(START_S, START_S + 7200)

    assert [event["words"] for event in drawn["events"]] == [
        "pump on",
        "Top-off, 0.6 l",
        "Top-off, 0.2 l",
    ]
    assert kept.draw(START_S - 10 * 86400, START_S + 7200)["events"] == []


def test_an_event_is_drawn_once(kept: Kept) -> None:
    """An event that is in the history already is not repeated from the snapshot."""
    water = Record(START_S + 5, "reef", "water-change", {"litres": 20, "salinity": 35})
    service = Record(START_S + 6, "reef", "service", {"phase": "active", "until_s": None})
    kept.write([sample(START_S), water])
    for row in (water, service):
        kept.snapshot.observe(row)

    drawn = kept.draw(START_S, START_S + 60)

    assert [event["words"] for event in drawn["events"]] == ["Water change, 20 l", "Service begun"]
