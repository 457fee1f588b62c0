"""The alarms of one tank, and those of the whole installation."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final

from bridge.core.alarm_board import AlarmBoard, AlarmKpi, BoardState
from bridge.core.alarm_catalogue import (
    ALERTS_STUCK,
    ANOTHER_DAEMON,
    BROKER_LOST,
    CAUSE_ALARMS,
    CLOCK_UNSETTLED,
    LEVEL_HIGH,
    LEVEL_SILENT,
    PERMIT_ALARMS,
    PLANT_ALARMS,
    SALINITY_HIGH,
    SALINITY_LOW,
    STORAGE_FAULT,
    TEMPERATURE_HIGH,
    TEMPERATURE_LOW,
    UNCERTAIN,
    WATER_ALARMS,
    AlarmKind,
)
from bridge.core.alarm_text import (
    body,
    duration,
    first_action,
    permits_sentence,
    reason_sentence,
    salinity_sentence,
    temperature_sentence,
    title,
)
from bridge.core.calm import Calm, Marks
from bridge.core.findings import Assessment
from bridge.core.outputs import NoticeKind, Output
from bridge.core.permit_gate import PermitStatus, Trouble
from bridge.core.service import ServicePhase
from bridge.core.settings import Limits, Tank
from bridge.core.situation import LevelCondition, Situation
from bridge.core.wire.instants import Calendar

DEADBAND_PSU: Final = 0.1
DEADBAND_C: Final = 0.3
DEADBAND_SHARE: Final = 0.1
"""Of a narrow band, so that the deadband never covers it."""
UNCERTAINTY_RETURN: Final = 0.8
"""An uncertain salinity is known again below this share of the limit."""
PLANT_NAME: Final = "Tidegate"
HELD: Final = "{held}"
"""Where a headline tells how long a permit has been held."""


@dataclass(slots=True)
class AlarmsState:
    """The persistent part of all alarms of one tank, or of the installation."""

    board: BoardState = field(default_factory=BoardState)


class TankAlarms:
    """All alarms of one tank.

    Args:
        name: Identifier of the tank.
        tank: Its settings.
        base_topic: First level(s) of the topics published.
        state: As saved; None for the first start.
        calendar: For the moments in the documents; left out, engine time.
    """

    def __init__(
        self,
        name: str,
        tank: Tank,
        *,
        base_topic: str,
        state: AlarmsState | None = None,
        calendar: Calendar | None = None,
    ) -> None:
        self.state = state or AlarmsState()
        self.kinds: Mapping[str, AlarmKind] = tank_kinds(tuple(tank.permits))
        self._board = AlarmBoard(
            name,
            f"{base_topic}/{name}/alarm",
            self.kinds,
            self.state.board,
            calendar or Calendar(),
        )
        self._title_name = tank.name or name
        self._limits = tank.limits
        limits = tank.limits
        deadband_psu, deadband_c = _deadbands(limits)
        largest_psu = limits.largest_uncertainty_psu
        self._calm = Calm(
            salinity=Marks(
                (limits.low_psu, limits.low_psu + deadband_psu),
                (limits.high_psu - deadband_psu, limits.high_psu),
            ),
            temperature=Marks(
                (limits.low_c, limits.low_c + deadband_c),
                (limits.high_c - deadband_c, limits.high_c),
            ),
            uncertainty=Marks(ceilings=(UNCERTAINTY_RETURN * largest_psu, largest_psu)),
        )
        self._permits: Sequence[PermitStatus] | None = None

    @property
    def wake_at_s(self) -> float:
        """When something changes by time alone."""
        return self._board.wake_at_s

    def update(self, situation: Situation, permits: Sequence[PermitStatus]) -> Sequence[Output]:
        """Judge anew, with `Gates.status`; call it after `Gates.evaluate`.

        Costs under a microsecond when nothing relevant has changed and nothing is due.
        """
        if (
            permits is self._permits
            and situation.at_s < self._board.wake_at_s
            and self._calm.lasts(situation)
        ):
            return ()
        self._calm.remember(situation)
        self._permits = permits
        assessment = situation.assessment
        by_name = {status.permit: status for status in permits}

        def wording(alarm: str, kind: NoticeKind) -> tuple[str, str]:
            return self._words(situation.at_s, alarm, kind, assessment, by_name)

        def told(alarm: str) -> Mapping[str, Any]:
            kind = self._board.kind(alarm)
            return _texts(kind, first_action(alarm, kind, assessment))

        return self._board.update(
            situation.at_s,
            {
                **self._water(assessment),
                **_levels(situation.level),
                **_permit_conditions(permits),
            },
            # Without the link nothing is heard, and one alarm of the installation says so.
            quiet=situation.service is not ServicePhase.IDLE or not situation.link_up,
            link_up=situation.link_up,
            wording=wording,
            told=told,
            eased=[_overrun(status) for status in permits if not status.overrun_harms],
        )

    def acknowledge(self, alarm: str) -> None:
        """Take note that somebody has seen an alarm.

        Call `Gates.acknowledge` with the same name, then `update`.

        Raises:
            UserError: No such alarm, or nothing to acknowledge.
        """
        self._board.acknowledge(alarm)
        self._calm.disturb()

    def shelve(self, at_s: float, alarm: str, minutes: float) -> None:
        """Silence an alarm for a time; 0 minutes takes it off the shelf. `update` afterwards.

        Raises:
            UserError: No such alarm, or too long.
        """
        self._board.shelve(at_s, alarm, minutes)
        self._calm.disturb()

    def kpi(self, at_s: float) -> AlarmKpi:
        """How well the alarms themselves do."""
        return self._board.kpi(at_s)

    def _water(self, assessment: Assessment | None) -> dict[str, bool | None]:
        if assessment is None:
            # Not judged: the delays go on as they are.
            return {}
        limits = self._limits
        deadband_psu, deadband_c = _deadbands(limits)
        salinity_psu, temperature_c = assessment.salinity_psu, assessment.temperature_c
        uncertainty_psu = assessment.uncertainty_psu
        largest_psu = limits.largest_uncertainty_psu
        was = self._board.condition
        if was(UNCERTAIN):
            largest_psu *= UNCERTAINTY_RETURN
        found: dict[str, bool | None] = {cause: cause == assessment.cause for cause in CAUSE_ALARMS}
        found[UNCERTAIN] = salinity_psu is None or not uncertainty_psu <= largest_psu
        # The number that was crossed comes back only past the deadband.
        for alarm, value, limit, deadband in (
            (SALINITY_LOW, salinity_psu, limits.low_psu, deadband_psu),
            (TEMPERATURE_LOW, temperature_c, limits.low_c, deadband_c),
        ):
            limit_now = limit + deadband if was(alarm) else limit
            found[alarm] = None if value is None else value < limit_now
        for alarm, value, limit, deadband in (
            (SALINITY_HIGH, salinity_psu, limits.high_psu, deadband_psu),
            (TEMPERATURE_HIGH, temperature_c, limits.high_c, deadband_c),
        ):
            limit_now = limit - deadband if was(alarm) else limit
            found[alarm] = None if value is None else value > limit_now
        return found

    def _words(
        self,
        at_s: float,
        alarm: str,
        notice: NoticeKind,
        assessment: Assessment | None,
        permits: Mapping[str, PermitStatus],
    ) -> tuple[str, str]:
        kind = self.kinds[alarm]
        status = next((s for name, s in permits.items() if _is_of(alarm, name)), None)
        sentences = []
        if alarm in {TEMPERATURE_LOW, TEMPERATURE_HIGH}:
            sentences.append(temperature_sentence(assessment))
        else:
            sentences.append(salinity_sentence(assessment))
        if status is not None:
            sentences.append(reason_sentence(status))
        sentences.append(permits_sentence(tuple(permits.values())))
        if notice is not NoticeKind.RAISED:
            return title(self._title_name, kind.recovered), body(
                sentences, first=None, caution=None
            )
        held_since_s = None if status is None else status.unpermitted_since_s
        held = duration(0.0 if held_since_s is None else at_s - held_since_s)
        return (
            title(self._title_name, kind.headline.replace(HELD, held)),
            body(sentences, first=first_action(alarm, kind, assessment), caution=kind.caution),
        )


class PlantAlarms:
    """Alarms that concern every tank: broker, clock, storage, alerts.

    Their outputs carry an empty tank; their topic is ``<base>/alarm/<alarm>``.

    Args:
        base_topic: First level(s) of the topics published.
        state: As saved; None for the first start.
        calendar: For the moments in the documents; left out, engine time.
    """

    def __init__(
        self,
        *,
        base_topic: str,
        state: AlarmsState | None = None,
        calendar: Calendar | None = None,
    ) -> None:
        self.state = state or AlarmsState()
        self._board = AlarmBoard(
            "", f"{base_topic}/alarm", PLANT_ALARMS, self.state.board, calendar or Calendar()
        )
        self._judged: tuple[object, ...] | None = None

    @property
    def wake_at_s(self) -> float:
        """When something changes by time alone."""
        return self._board.wake_at_s

    def update(
        self,
        at_s: float,
        *,
        link_up: bool,
        clock_settled: bool,
        storage_fault: str | None,
        rival: str | None = None,
        telling_fault: str | None = None,
    ) -> Sequence[Output]:
        """Judge anew; call it on link, clock, storage and alert events and on every Tick.

        Args:
            at_s: Now. [Unix s]
            link_up: Whether the broker is connected.
            clock_settled: Whether the wall clock is steady.
            storage_fault: What is wrong with the storage, in plain words; None when nothing is.
            rival: Who else was heard on the daemon's own topics; None when nobody is.
            telling_fault: Whom alerts do not reach, and why; None when all arrive.
        """
        inputs = (link_up, clock_settled, storage_fault, rival, telling_fault)
        if inputs == self._judged and at_s < self._board.wake_at_s:
            return ()
        self._judged = inputs

        def wording(alarm: str, notice: NoticeKind) -> tuple[str, str]:
            kind = PLANT_ALARMS[alarm]
            if notice is not NoticeKind.RAISED:
                return title(PLANT_NAME, kind.recovered), ""
            faults = {
                STORAGE_FAULT: storage_fault,
                ANOTHER_DAEMON: rival,
                ALERTS_STUCK: telling_fault,
            }
            fault = (faults.get(alarm) or "").rstrip(".")
            detail = f"{fault}." if fault else ""
            words = body([detail, kind.consequence], first=kind.actions[0], caution=kind.caution)
            return title(PLANT_NAME, kind.headline), words

        return self._board.update(
            at_s,
            {
                BROKER_LOST: not link_up,
                CLOCK_UNSETTLED: not clock_settled,
                STORAGE_FAULT: storage_fault is not None,
                ANOTHER_DAEMON: rival is not None,
                ALERTS_STUCK: telling_fault is not None,
            },
            quiet=False,
            link_up=link_up,
            wording=wording,
            told=lambda alarm: _texts(PLANT_ALARMS[alarm], PLANT_ALARMS[alarm].actions[0]),
        )

    def acknowledge(self, alarm: str) -> None:
        """Take note that somebody has seen an alarm; `update` afterwards.

        Raises:
            UserError: No such alarm, or nothing to acknowledge.
        """
        self._board.acknowledge(alarm)
        self._judged = None

    def shelve(self, at_s: float, alarm: str, minutes: float) -> None:
        """Silence an alarm for a time; 0 minutes takes it off the shelf. `update` afterwards.

        Raises:
            UserError: No such alarm, or too long.
        """
        self._board.shelve(at_s, alarm, minutes)
        self._judged = None

    def kpi(self, at_s: float) -> AlarmKpi:
        """How well the alarms themselves do."""
        return self._board.kpi(at_s)


def tank_kinds(permits: Sequence[str]) -> dict[str, AlarmKind]:
    """All alarms of a tank, those that explain others before those explained."""
    return {
        **CAUSE_ALARMS,
        **{
            f"{trouble}-{permit}": _of_permit(kind, permit)
            for trouble, kind in PERMIT_ALARMS.items()
            for permit in permits
        },
        **WATER_ALARMS,
    }


def _of_permit(kind: AlarmKind, permit: str) -> AlarmKind:
    def named(text: str) -> str:
        return text.replace("{permit}", permit)

    return replace(
        kind,
        headline=named(kind.headline),
        recovered=named(kind.recovered),
        cause=named(kind.cause),
        consequence=named(kind.consequence),
        actions=tuple(named(action) for action in kind.actions),
        explained_by=tuple(named(alarm) for alarm in kind.explained_by),
    )


def _is_of(alarm: str, permit: str) -> bool:
    return any(alarm == f"{trouble}-{permit}" for trouble in PERMIT_ALARMS)


def _overrun(status: PermitStatus) -> str:
    return f"{Trouble.OVERRUN}-{status.permit}"


def _texts(kind: AlarmKind, first: str) -> dict[str, Any]:
    actions = kind.actions if first in kind.actions else (first, *kind.actions)
    texts: dict[str, Any] = {
        "cause": kind.cause,
        "consequence": kind.consequence,
        "action": list(actions),
    }
    if kind.caution is not None:
        texts["caution"] = kind.caution
    return texts


def _deadbands(limits: Limits) -> tuple[float, float]:
    return (
        min(DEADBAND_PSU, DEADBAND_SHARE * (limits.high_psu - limits.low_psu)),
        min(DEADBAND_C, DEADBAND_SHARE * (limits.high_c - limits.low_c)),
    )


def _levels(level: LevelCondition) -> dict[str, bool | None]:
    return {
        LEVEL_HIGH: None if level is LevelCondition.UNKNOWN else level is LevelCondition.HIGH,
        LEVEL_SILENT: level is LevelCondition.UNKNOWN,
    }


def _permit_conditions(permits: Sequence[PermitStatus]) -> dict[str, bool | None]:
    troubles = (Trouble.OVERRUN, Trouble.RUN_TIME, Trouble.LITRES, Trouble.LONG_HOLD)
    return {
        f"{trouble}-{status.permit}": trouble in status.troubles
        for status in permits
        for trouble in troubles
    }
