"""Commands: from the message to what it does to its tank, and the answer."""

from collections.abc import Mapping, Sequence
from typing import Any, Final

import orjson

from bridge.core.alarms import PlantAlarms
from bridge.core.errors import OutOfRangeError, UserError
from bridge.core.events import Message
from bridge.core.outputs import Output, Publish, Record
from bridge.core.reference_commands import REFERENCE_COMMANDS
from bridge.core.tank import TankEngine
from bridge.core.tank_state import AnsweredState
from bridge.core.wire.commands import (
    Acknowledge,
    Bypass,
    Command,
    CommandError,
    ServiceWork,
    Shelve,
    WaterChange,
    WorkPhase,
    parse,
    result,
)

COMMAND_LEVEL: Final = "command"
RESULT_LEVEL: Final = "result"

ACT_ONCE: Final = frozenset({"water-change", "calibration", "reference-check"})
"""Commands whose second copy would count water, a correction or a reading twice."""
ACT_ONCE_WITHIN_S: Final = 10.0
"""MQTT delivers at least once: a copy comes when an acknowledgement is lost."""
MOST_REMEMBERED: Final = 8

Answer = tuple[Mapping[str, Any], Sequence[Output]]


def dispatch(
    tank: TankEngine, name: str, message: Message, *, base: str, secret: str | None
) -> list[Output]:
    """Carry out one command message.

    Args:
        tank: Its tank.
        name: Last level of the topic.
        message: As it came.
        base: ``<base>/<tank>``.
        secret: Shared secret that is asked for, or None.

    Returns:
        What it caused, the answer last. A mistake of the sender is answered, never raised.
    """
    at_s = message.at_s
    topic = f"{base}/{RESULT_LEVEL}/{name}"
    command_id: str | None = None
    try:
        command = parse(name, message.payload, retained=message.retained, secret=secret)
        command_id = command.id
        # The command and not the message: that may carry the secret, and this is kept on disk.
        text = orjson.dumps(command).decode()
        before = _answered_before(tank, at_s, name, text)
        if before is not None:
            return [Publish(at_s=at_s, topic=topic, payload=before, retain=False)]
        details, outputs = _carry_out(tank, at_s, command)
    except CommandError as error:
        answer = result(at_s, topic, command_id=error.command_id, error=str(error))
        return [answer]
    except (UserError, OutOfRangeError) as error:
        return [result(at_s, topic, command_id=command_id, error=str(error))]
    log = Record(at_s, tank.name, "command", {"name": name, "id": command_id})
    answer = result(at_s, topic, command_id=command_id, details=details)
    if name in ACT_ONCE:
        answered = tank.state.answered
        answered.append(AnsweredState(at_s, name, text, answer.payload.decode()))
        del answered[:-MOST_REMEMBERED]
    return [*outputs, log, *tank.reconsider(at_s), answer]


def dispatch_plant(
    alarms: PlantAlarms, name: str, message: Message, *, base: str, secret: str | None
) -> list[Output]:
    """Carry out a command on an alarm of the whole installation; `PlantAlarms.update` afterwards.

    Args:
        alarms: Of the installation.
        name: Last level of the topic.
        message: As it came.
        base: The base topic.
        secret: Shared secret that is asked for, or None.

    Returns:
        A row for the history and, last, the answer. A mistake of the sender is only answered.
    """
    at_s = message.at_s
    topic = f"{base}/{RESULT_LEVEL}/{name}"
    command_id: str | None = None
    try:
        command = parse(name, message.payload, retained=message.retained, secret=secret)
        command_id = command.id
        _carry_out_for_plant(alarms, at_s, command, f"{base}/<tank>/{COMMAND_LEVEL}/{name}")
    except CommandError as error:
        return [result(at_s, topic, command_id=error.command_id, error=str(error))]
    except UserError as error:
        return [result(at_s, topic, command_id=command_id, error=str(error))]
    log = Record(at_s, "", "command", {"name": name, "id": command_id})
    return [log, result(at_s, topic, command_id=command_id)]


def _carry_out_for_plant(alarms: PlantAlarms, at_s: float, command: Command, other: str) -> None:
    match command:
        case Acknowledge(alarm=alarm):
            alarms.acknowledge(alarm)
        case Shelve(alarm=alarm, minutes=minutes):
            alarms.shelve(at_s, alarm, minutes)
        case _:
            raise UserError(
                f"this command is for one tank: send it to {other}; accepted here are "
                "acknowledge and shelve"
            )


def _answered_before(tank: TankEngine, at_s: float, name: str, text: str) -> bytes | None:
    """What a copy of this command was answered a moment ago; None when there was none."""
    for past in tank.state.answered:
        if past.name == name and past.command == text and at_s - past.at_s <= ACT_ONCE_WITHIN_S:
            return past.answer.encode()
    return None


def _carry_out(  # noqa: PLR0911 - one return for each command
    tank: TankEngine, at_s: float, command: Command
) -> Answer:
    match command:
        case Acknowledge(alarm=alarm):
            tank.alarms.acknowledge(alarm)
            tank.gates.acknowledge(alarm)
            return {}, []
        case Shelve(alarm=alarm, minutes=minutes):
            tank.alarms.shelve(at_s, alarm, minutes)
            return {}, []
        case Bypass(permit=permit, minutes=minutes, reason=reason):
            return {}, tank.gates.bypass(at_s, permit, minutes, reason)
        case ServiceWork(phase=WorkPhase.START, minutes=minutes):
            return {}, tank.service.start(at_s, minutes)
        case ServiceWork():
            return {}, tank.service.end(at_s)
        case WaterChange():
            return tank.water_change(at_s, command)
        case _ if isinstance(command, REFERENCE_COMMANDS):
            return tank.reference(at_s, command)
    raise UserError("this command is not understood")
