"""Everything that a report tells of one tank, gathered from the history."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any, Final

from pydantic import TypeAdapter, ValidationError

from bridge.core.advice import Advice
from bridge.core.alarm_catalogue import PLANT_ALARMS, AlarmKind
from bridge.core.alarms import tank_kinds
from bridge.core.engine import EngineState
from bridge.core.evidence import ACTIONS
from bridge.core.findings import Cause
from bridge.core.judgement import advice_for
from bridge.core.learned import as_saved, evaporation_l_day, surroundings
from bridge.core.outputs import Record
from bridge.core.records import Correction, correction_in_force
from bridge.core.settings import Tank
from bridge.core.trends import Drift, TemperatureDependence
from bridge.shell.history_reader import HistoryReader, newest_state
from bridge.shell.history_series import Series
from bridge.shell.report_events import (
    Alarm,
    AlarmFigures,
    Episode,
    Hold,
    alarm_figures,
    alarms,
    episodes,
    holds,
    litres_by_day,
)

POINTS: Final = 700
EARLIER_ROWS: Final = 500
"""Rows before the report that tell what stood when it begins."""
RANK: Final = {"high": 0, "medium": 1, "low": 2}
NO_TIME_S: Final = 60.0
"""Less than a minute without data is not worth a word."""


@dataclass(frozen=True, slots=True)
class Learned:
    """What the engine had learned when it was last saved."""

    at_s: float
    """When. [Unix s]"""
    correction: Correction
    dependence: TemperatureDependence | None
    drift: Drift | None
    evaporation_l_day: float | None
    cause: Cause
    advice: Advice


@dataclass(frozen=True, slots=True)
class Facts:
    """One tank over the time of the report."""

    name: str
    tank: Tank
    from_s: float
    to_s: float
    zone: tzinfo
    series: Series
    causes_s: Mapping[str, float]
    """Time in each cause, in seconds."""
    episodes: list[Episode]
    holds: list[Hold]
    alarms: list[Alarm]
    """Of the tank, and of the whole installation."""
    alarm_figures: AlarmFigures
    litres: Mapping[str, float]
    """Metered fresh water, by day. [l]"""
    checks: list[Mapping[str, Any]]
    calibrations: list[Mapping[str, Any]]
    water_changes: list[Record]
    learned: Learned | None
    events: int
    """Rows of any kind but samples."""

    @property
    def empty(self) -> bool:
        """Whether nothing at all is known of that time."""
        return not self.series.at_s and not self.events

    @property
    def title(self) -> str:
        """What the keeper calls the tank."""
        return self.tank.name or self.name

    @property
    def length_s(self) -> float:
        """Of the report, in seconds."""
        return self.to_s - self.from_s

    @property
    def unknown_s(self) -> float:
        """Time of which no cause is known, because nothing was recorded, in seconds."""
        rest_s = self.length_s - sum(self.causes_s.values())
        return rest_s if rest_s >= NO_TIME_S else 0.0

    @property
    def salinity_psu(self) -> tuple[float, float, float] | None:
        """Lowest, mean over time and highest; None when it was never known."""
        band, samples = self.series.salinity, self.series.samples
        lows = [value for value in band.low if value is not None]
        highs = [value for value in band.high if value is not None]
        weighed = [(v, n) for v, n in zip(band.mean, samples, strict=True) if v is not None]
        total = sum(n for _, n in weighed)
        if not lows or not highs or not total:
            return None
        return min(lows), sum(v * n for v, n in weighed) / total, max(highs)

    @property
    def newest(self) -> tuple[float, float] | None:
        """The last known salinity and its uncertainty, both means of the last point."""
        pairs = zip(self.series.salinity.mean, self.series.uncertainty.mean, strict=True)
        known = [(value, unsure) for value, unsure in pairs if value is not None]
        if not known or known[-1][1] is None:
            return None
        return known[-1][0], known[-1][1]

    def at(self, at_s: float) -> datetime:
        """A moment in the keeper's zone."""
        return datetime.fromtimestamp(at_s, self.zone)

    def alarm_kind(self, alarm: str) -> AlarmKind | None:
        """What the catalogue says of an alarm; None for one that is configured no longer."""
        return {**PLANT_ALARMS, **tank_kinds(tuple(self.tank.permits))}.get(alarm)


def gather(path: Path, name: str, tank: Tank, *, from_s: float, to_s: float, zone: tzinfo) -> Facts:
    """Read what a report needs.

    Args:
        path: The history's file.
        name: Identifier of the tank.
        tank: Its settings.
        from_s: Begin. [Unix s]
        to_s: End, not included. [Unix s]
        zone: The keeper's.

    Raises:
        HistoryError: The history cannot be read.
    """
    reader = HistoryReader(path)
    kinds = ("cause", "permit", "alarm", "litres", "check", "calibration", "water-change")
    by_kind: dict[str, list[Record]] = {kind: [] for kind in kinds}
    for row in reader.events(name, kinds, from_s, to_s):
        by_kind[row.kind].append(row)
    plant = reader.events("", ("alarm",), from_s, to_s)
    before = {
        kind: reader.events(name, (kind,), 0, from_s, newest=EARLIER_ROWS)
        for kind in ("cause", "permit", "alarm")
    }
    plant_before = reader.events("", ("alarm",), 0, from_s, newest=EARLIER_ROWS)
    alarm_rows = [*before["alarm"], *plant_before, *by_kind["alarm"], *plant]
    found = alarms(sorted(alarm_rows, key=lambda row: row.at_s), from_s, to_s)
    series = reader.series(name, from_s, to_s, POINTS)
    temperatures = [value for value in series.temperature.mean if value is not None]
    return Facts(
        name=name,
        tank=tank,
        from_s=from_s,
        to_s=to_s,
        zone=zone,
        series=series,
        causes_s=reader.cause_seconds(name, from_s, to_s),
        episodes=episodes([*before["cause"], *by_kind["cause"]], from_s, to_s),
        holds=holds([*before["permit"], *by_kind["permit"]], from_s, to_s),
        alarms=found,
        alarm_figures=alarm_figures(found, from_s, to_s),
        litres=litres_by_day(by_kind["litres"], from_s, to_s, zone),
        # A check that was taken back is recorded anew under its number.
        checks=list({row.data["number"]: row.data for row in by_kind["check"]}.values()),
        calibrations=[row.data for row in by_kind["calibration"]],
        water_changes=[r for r in by_kind["water-change"] if r.data.get("phase") != "start"],
        learned=_learned(path, name, tank, temperatures[-1] if temperatures else None),
        events=sum(map(len, by_kind.values())),
    )


def _learned(path: Path, name: str, tank: Tank, temperature_c: float | None) -> Learned | None:
    packed = newest_state(path)
    if packed is None:
        return None
    try:
        saved = TypeAdapter(EngineState).validate_json(packed)
    except ValidationError:
        # Of another version. The daemon says so when it starts; a report does without.
        return None
    state = saved.tanks.get(name)
    if state is None:
        return None
    diagnosis = state.diagnosis
    return Learned(
        at_s=saved.at_s,
        correction=correction_in_force(state.reference, tank.probe),
        dependence=diagnosis.dependence,
        drift=diagnosis.drift,
        evaporation_l_day=evaporation_l_day(diagnosis, tank.volume_l),
        cause=diagnosis.cause,
        advice=advice_for(
            state.reference,
            as_saved(diagnosis, saved.at_s, temperature_c),
            probe=tank.probe,
            now_s=saved.at_s,
            surroundings=surroundings(diagnosis, state.last_likely_at_s),
        ),
    )


def suggestions(facts: Facts) -> list[str]:
    """What to do, the most urgent first: standing alarms, the cause at the end, the probe."""
    found: list[str] = []
    standing = [alarm for alarm in facts.alarms if alarm.lasting]
    for alarm in sorted(standing, key=lambda alarm: RANK.get(alarm.priority, len(RANK))):
        kind = facts.alarm_kind(alarm.alarm)
        if kind is not None:
            action = kind.actions[0].rstrip(".")
            found.append(f"{action[:1].upper()}{action[1:]}.")
    lasting = [Cause(e.cause) for e in facts.episodes if e.lasting and e.cause in ACTIONS]
    alarmed = {alarm.alarm for alarm in standing}
    found += [ACTIONS[cause] for cause in lasting if cause not in alarmed]
    if facts.learned is not None:
        found.append(facts.learned.advice.sentence)
    return list(dict.fromkeys(found))
