"""A ship's flow-through cell, real and full of bubbles, through the whole engine as messages."""

import csv
from pathlib import Path
from typing import Any

import gsw
import numpy as np
import orjson
import pytest
from numpy.typing import NDArray

from bridge.core.engine import Engine
from bridge.core.events import LinkUp, Message
from bridge.core.outputs import Publish
from bridge.core.settings import (
    Limits,
    Plumbing,
    Probe,
    ProbeUnit,
    Reports,
    Settings,
    Tank,
    Thermometer,
)

RECORD = Path(__file__).parents[1] / "data" / "tsg_pir_010.csv"
START_S = 1_772_366_400.0
SHIP = Tank(
    volume_l=10.0,
    probe=Probe(topic="probe", unit=ProbeUnit.S_M, reports=Reports.CONDUCTIVITY),
    thermometer=Thermometer(topic="water"),
    # Fed by the sea the ship sails through: the water itself may change by half a unit an hour.
    plumbing=Plumbing(flow_through_psu_h=0.5),
    limits=Limits(target_psu=36.0, low_psu=34.0, high_psu=38.0),
)

FloatArray = NDArray[np.float64]


class Passage:
    """The record, its clean upper envelope, and what the engine made of it."""

    def __init__(self) -> None:
        with RECORD.open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
        day = np.array([float(row["julian_day"]) for row in rows])
        self.times_s: FloatArray = START_S + (day - day[0]) * 86400.0
        conductivity_s_m = np.array([float(row["C_Sm"]) for row in rows])
        celsius = np.array([float(row["t90_C"]) for row in rows])
        self.probe_psu: FloatArray = np.asarray(gsw.SP_from_C(10.0 * conductivity_s_m, celsius, 0))
        # Gas only lowers a reading, so the clean water is near the upper edge of a short window.
        self.envelope_psu: FloatArray = np.array(
            [
                np.percentile(self.probe_psu[np.abs(self.times_s - at_s) <= 75.0], 90)
                for at_s in self.times_s
            ]
        )
        engine = Engine(Settings(tanks={"ship": SHIP}), boot_id="boot", at_s=self.times_s[0])
        engine.step(LinkUp(float(self.times_s[0])))
        self.documents: list[dict[str, Any]] = []
        for at_s, warm, cond in zip(
            self.times_s.tolist(), celsius.tolist(), conductivity_s_m.tolist(), strict=True
        ):
            engine.step(Message(at_s, "water", str(warm).encode()))
            made = engine.step(Message(at_s, "probe", str(cond).encode()))
            (document,) = [
                orjson.loads(output.payload)
                for output in made
                if isinstance(output, Publish) and output.topic == "tidegate/ship/salinity"
            ]
            self.documents.append(document)
        self.published_psu: FloatArray = np.array(
            [document["salinity"] for document in self.documents], dtype=float
        )
        self.settled = self.times_s > self.times_s[0] + 300.0

    def rms(self, estimate: FloatArray) -> float:
        """Root-mean-square distance from the envelope after the first five minutes."""
        off = (estimate - self.envelope_psu)[self.settled]
        return float(np.sqrt(np.mean(off**2)))


@pytest.fixture(scope="module")
def passage() -> Passage:
    """Played once."""
    return Passage()


def test_the_envelope_is_what_the_record_shows(passage: Passage) -> None:
    """The clean water falls from 36.28 to 36.11 over the 50 minutes."""
    assert passage.envelope_psu[passage.settled][0] == pytest.approx(36.28, abs=0.02)
    assert passage.envelope_psu[-1] == pytest.approx(36.11, abs=0.02)


def test_the_published_salinity_stays_with_the_clean_water(passage: Passage) -> None:
    """After five minutes it is never null and never 0.06 away from the envelope."""
    off = (passage.published_psu - passage.envelope_psu)[passage.settled]

    assert np.all(np.isfinite(off))
    assert float(np.abs(off).max()) <= 0.06


def test_it_is_far_better_than_a_running_median(passage: Passage) -> None:
    """Neither a centred median of 150 s nor one of the last 15 min comes near it."""
    times_s, probe_psu = passage.times_s, passage.probe_psu
    centred = np.array([np.median(probe_psu[np.abs(times_s - at_s) <= 75.0]) for at_s in times_s])
    trailing = np.array(
        [np.median(probe_psu[(times_s <= at_s) & (times_s > at_s - 900.0)]) for at_s in times_s]
    )
    ours = passage.rms(passage.published_psu)

    assert ours < passage.rms(centred) / 4.0
    assert ours < passage.rms(trailing) / 4.0


def test_the_uncertainty_covers_the_clean_water(passage: Passage) -> None:
    """The envelope lies within the published interval nearly always."""
    expanded = np.array([document["uncertainty"] for document in passage.documents])
    off = np.abs(passage.published_psu - passage.envelope_psu)

    assert float(np.mean((off <= expanded)[passage.settled])) >= 0.95


def test_the_cause_is_bubbles(passage: Passage) -> None:
    """Within the first minutes and for nearly all of the rest, they are called what they are."""
    causes = [document["cause"] for document in passage.documents]
    later = [cause for cause, keep in zip(causes, passage.settled, strict=True) if keep]

    assert later.count("bubbles") / len(later) > 0.9
