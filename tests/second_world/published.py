"""What a replay published, read from its output file."""

from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import orjson

from tests.second_world.tank import FloatArray
from tests.second_world.writing import EPOCH_S, TANK

Run = tuple[float, float, str]
"""Begin, end and a word, such as the cause, that was published all the while."""


@dataclass(slots=True, kw_only=True)
class Published:
    """The published record of one tank; estimates are arrays (n,), null is NaN."""

    causes: list[Run]
    permits: dict[str, list[tuple[float, float, str, str]]]  # begin, end, state, first reason
    high_alarms: list[tuple[float, str]]
    at_s: FloatArray
    salinity_psu: FloatArray
    uncertainty_psu: FloatArray
    evidence: list[tuple[float, str, list[str]]] = field(default_factory=list)


def _seconds(text: str) -> float:
    return datetime.fromisoformat(text).timestamp() - EPOCH_S


def _runs(points: list[tuple[float, str]], end_s: float) -> list[Run]:
    runs: list[Run] = []
    for at_s, word in points:
        if runs and runs[-1][2] == word:
            continue
        if runs:
            runs[-1] = (runs[-1][0], at_s, runs[-1][2])
        runs.append((at_s, end_s, word))
    return runs


def _permit_runs(
    documents: list[tuple[float, str, str, float]], end_s: float
) -> list[tuple[float, float, str, str]]:
    """A permit is good until its lease ends or the next document comes."""
    runs: list[tuple[float, float, str, str]] = []
    for index, (at_s, state, reason, lease_s) in enumerate(documents):
        following = documents[index + 1][0] if index + 1 < len(documents) else end_s
        until_s = min(following, at_s + lease_s) if state == "permit" else following
        last = runs[-1] if runs else None
        if last and last[2] == state and at_s - last[1] < 1e-6:
            runs[-1] = (last[0], until_s, state, last[3])
        else:
            runs.append((at_s, until_s, state, reason))
    return runs


@dataclass(slots=True)
class _Collector:
    """Sorts documents by their topic."""

    causes: list[tuple[float, str]] = field(default_factory=list)
    permits: dict[str, list[tuple[float, str, str, float]]] = field(default_factory=dict)
    estimates: list[tuple[float, float, float]] = field(default_factory=list)
    alarms: list[tuple[float, str]] = field(default_factory=list)
    standing: set[str] = field(default_factory=set)
    evidence: list[tuple[float, str, list[str]]] = field(default_factory=list)

    def take(self, at_s: float, name: str, payload: dict[str, Any] | None) -> None:
        """One document; ``None`` for a topic that was deleted."""
        if name.startswith("alarm/"):
            self._alarm(at_s, name.removeprefix("alarm/"), payload)
        elif payload is None:
            return
        elif name == "salinity":
            self._salinity(at_s, payload)
        elif name == "diagnosis":
            self._diagnosis(at_s, payload)
        elif name.startswith("permit/"):
            self.permits.setdefault(name.removeprefix("permit/"), []).append(
                (at_s, payload["state"], payload["first_reason"] or "", payload["lease_s"])
            )

    def _alarm(self, at_s: float, name: str, payload: dict[str, Any] | None) -> None:
        high = payload is not None and payload["active"] and payload["priority"] == "high"
        if high and name not in self.standing:
            self.alarms.append((at_s, name))
        (self.standing.add if high else self.standing.discard)(name)

    def _salinity(self, at_s: float, payload: dict[str, Any]) -> None:
        self.causes.append((at_s, payload["cause"]))
        if payload["reported"] is not None:
            value, spread = (
                float("nan") if payload[key] is None else payload[key]
                for key in ("salinity", "uncertainty")
            )
            self.estimates.append((at_s, value, spread))

    def _diagnosis(self, at_s: float, payload: dict[str, Any]) -> None:
        cause: str = payload["cause"]
        if not self.evidence or self.evidence[-1][1] != cause:
            first = next(each for each in payload["causes"] if each["cause"] == cause)
            self.evidence.append((at_s, cause, first["evidence"]))
        self.causes.append((at_s, cause))


def read_published(path: Path, end_s: float) -> Published:
    """Read the output of ``tidegate replay``."""
    base = f"tidegate/{TANK}/"
    taken = _Collector()
    with path.open("rb") as file:
        for line in file:
            message = orjson.loads(line)
            topic: str = message["topic"]
            if topic.startswith(base):
                payload = orjson.loads(message["payload"]) if message["payload"] else None
                taken.take(_seconds(message["time"]), topic.removeprefix(base), payload)
    table = np.array(taken.estimates) if taken.estimates else np.empty((0, 3))
    return Published(
        causes=_runs(taken.causes, end_s),
        permits={name: _permit_runs(each, end_s) for name, each in taken.permits.items()},
        high_alarms=taken.alarms,
        at_s=table[:, 0],
        salinity_psu=table[:, 1],
        uncertainty_psu=table[:, 2],
        evidence=taken.evidence,
    )
