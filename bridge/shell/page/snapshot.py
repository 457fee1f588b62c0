"""What the page knows: the newest documents of every tank, taken from the engine's outputs.

The decision loop only files what it is given, under a lock that is never held for longer than
that. Documents are understood when somebody looks.
"""

import threading
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import orjson

from bridge.core.alarm_state import AlarmPhase
from bridge.core.outputs import Output, Publish, Record
from bridge.shell.page.recent import Recent, Sample

KEPT_EVENTS: Final = 100


@dataclass(slots=True)
class TankFiles:
    """The newest of everything about one tank."""

    salinity: Mapping[str, Any] | None = None
    diagnosis: bytes | None = None
    permits: dict[str, bytes] = field(default_factory=dict)
    alarms: dict[str, bytes] = field(default_factory=dict)
    alarm_rows: dict[str, Record] = field(default_factory=dict)
    """Rows tell of an alarm also while the broker is away, when no document goes out."""
    service: Mapping[str, Any] | None = None
    samples: Recent = field(default_factory=Recent)
    events: deque[Record] = field(default_factory=lambda: deque(maxlen=KEPT_EVENTS))


@dataclass(frozen=True, slots=True)
class TankView:
    """A tank as it is known at one moment."""

    salinity: Mapping[str, Any] | None
    diagnosis: Mapping[str, Any] | None
    permits: Mapping[str, Mapping[str, Any]]
    alarms: Mapping[str, Mapping[str, Any]]
    service: Mapping[str, Any] | None


class Snapshot:
    """Takes in every output; gives a picture when asked.

    Args:
        base_topic: Of the published documents.
        on_answer: Called from the decision loop with every answer to a command.
    """

    def __init__(self, base_topic: str, *, on_answer: Callable[[bytes], None]) -> None:
        self._prefix = base_topic + "/"
        self._on_answer = on_answer
        self._lock = threading.Lock()
        self._tanks: dict[str, TankFiles] = {}
        self._version = 0

    @property
    def version(self) -> int:
        """Grows with everything new."""
        return self._version

    def observe(self, output: Output) -> None:
        """Take in one output."""
        match output:
            case Publish(topic=topic, payload=payload) if topic.startswith(self._prefix):
                self._document(topic[len(self._prefix) :].split("/"), payload)
            case Record():
                self._row(output)
            case _:
                pass

    def remember_service(self, tank: str, data: Mapping[str, Any]) -> None:
        """What the history says of service mode; anything newer stands."""
        with self._lock:
            files = self._files(tank)
            if files.service is None:
                files.service = data

    def tank(self, name: str) -> TankView:
        """What is known of one tank; of the whole installation with an empty name."""
        with self._lock:
            files = self._files(name)
            salinity, service, diagnosis = files.salinity, files.service, files.diagnosis
            permits, alarms = dict(files.permits), dict(files.alarms)
            rows = dict(files.alarm_rows)
        documents: dict[str, Mapping[str, Any]] = {
            alarm: orjson.loads(document) for alarm, document in alarms.items()
        }
        return TankView(
            salinity,
            None if diagnosis is None else orjson.loads(diagnosis),
            {permit: orjson.loads(document) for permit, document in permits.items()},
            {
                alarm: {**documents.get(alarm, {}), **_standing(rows.get(alarm))}
                for alarm in dict.fromkeys((*documents, *rows))
            },
            service,
        )

    def newest(self, tank: str) -> Mapping[str, Any] | None:
        """The newest salinity document."""
        with self._lock:
            return self._files(tank).salinity

    def samples(self, tank: str, from_s: float, to_s: float) -> list[Sample]:
        """The newest samples as far as they lie between two moments, in time order."""
        with self._lock:
            return self._files(tank).samples.between(from_s, to_s)

    def events(self, tank: str) -> list[Record]:
        """The newest rows that are no samples, in the order in which they came."""
        with self._lock:
            return list(self._files(tank).events)

    def _files(self, tank: str) -> TankFiles:
        files = self._tanks.get(tank)
        if files is None:
            files = self._tanks[tank] = TankFiles()
        return files

    def _document(self, levels: list[str], payload: bytes) -> None:
        match levels:
            case [tank, "diagnosis"]:
                with self._lock:
                    self._files(tank).diagnosis = payload
                    self._version += 1
            case [tank, "permit", permit]:
                with self._lock:
                    self._files(tank).permits[permit] = payload
                    self._version += 1
            case [tank, "alarm", alarm]:
                self._alarm(tank, alarm, payload)
            case ["alarm", alarm]:
                self._alarm("", alarm, payload)
            case [_, "result", _] | ["result", _]:
                self._on_answer(payload)

    def _alarm(self, tank: str, alarm: str, payload: bytes) -> None:
        with self._lock:
            files = self._files(tank)
            if payload:
                files.alarms[alarm] = payload
            else:
                files.alarms.pop(alarm, None)
            self._version += 1

    def _row(self, record: Record) -> None:
        with self._lock:
            files = self._files(record.tank)
            if record.kind == "sample":
                files.salinity = record.data
                files.samples.add(record.at_s, record.data)
            else:
                files.events.append(record)
                if record.kind == "service":
                    files.service = record.data
                elif record.kind == "alarm":
                    _take_alarm(files, record)
            self._version += 1


def _take_alarm(files: TankFiles, row: Record) -> None:
    alarm = row.data["alarm"]
    if row.data["state"] == AlarmPhase.NORMAL:
        files.alarm_rows.pop(alarm, None)
        files.alarms.pop(alarm, None)
    else:
        files.alarm_rows[alarm] = row


def _standing(row: Record | None) -> Mapping[str, Any]:
    """State of an alarm as its newest row tells it."""
    if row is None:
        return {}
    return {key: row.data[key] for key in ("alarm", "state", "active", "priority", "since_s")}
