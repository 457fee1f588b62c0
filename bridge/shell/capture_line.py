"""One line of a capture, written and read: what `bridge.shell.capture` describes."""

import binascii
import math
from base64 import b64decode, b64encode
from datetime import datetime
from typing import Final

import orjson

from bridge.core.events import Message
from bridge.core.wire.instants import THREE_DIGITS, second_utc

ACCEPTED: Final = '{"time": "<ISO 8601 UTC>", "topic": "...", "payload": "<text>", "retain": false}'

UTC_MARKS: Final = ("Z", "+00:00")
LONGEST_SHOWN: Final = 60
MICROSECONDS: Final = 1_000_000


def time_text(at_s: float) -> str:
    """ISO 8601 in UTC with microseconds, the finest that a capture keeps."""
    second = math.floor(at_s)
    # Exact: both numbers have the same exponent or nearly so.
    microsecond = round((at_s - second) * MICROSECONDS)
    if microsecond == MICROSECONDS:
        second, microsecond = second + 1, 0
    thousands, units = THREE_DIGITS[microsecond // 1000], THREE_DIGITS[microsecond % 1000]
    return f"{second_utc(second)}.{thousands}{units}Z"


def line_of(at_s: float, topic: str, payload: bytes, *, retain: bool) -> bytes:
    """One line of a capture, with its line feed.

    Args:
        at_s: When the message came or went. [Unix s]
        topic: MQTT topic.
        payload: Any bytes.
        retain: The MQTT retain flag.
    """
    document: dict[str, str | bool] = {"time": time_text(at_s), "topic": topic}
    try:
        document["payload"] = payload.decode()
    except UnicodeDecodeError:
        document["payload_base64"] = b64encode(payload).decode()
    document["retain"] = retain
    return orjson.dumps(document, option=orjson.OPT_APPEND_NEWLINE)


def read_line(line: bytes, latest_s: float) -> Message | None:
    """The message of one line; None when it is none.

    Args:
        line: As in the file.
        latest_s: Time of the line before; an earlier one is none. [Unix s]
    """
    try:
        document = orjson.loads(line)
        moment = document["time"]
        at_s = datetime.fromisoformat(moment).timestamp()
        topic, payload = document["topic"], document.get("payload")
        retain = document.get("retain", False)
        content = payload.encode() if type(payload) is str else _binary(document)
        well_formed = (
            at_s >= latest_s
            and type(topic) is str
            and topic
            and type(retain) is bool
            and moment.endswith(UTC_MARKS)
        )
    except (ValueError, KeyError, TypeError, AttributeError, IndexError, OverflowError):
        return None
    return Message(at_s, topic, content, retain) if well_formed else None


def fault_of(line: bytes, latest_s: float) -> str:
    """What is wrong with a line, found out at leisure.

    Args:
        line: For which `read_line` found no message.
        latest_s: As there. [Unix s]
    """
    try:
        document = orjson.loads(line)
    except orjson.JSONDecodeError as error:
        return f"not JSON ({error}); a line must be {ACCEPTED}"
    return _fault(document, latest_s)


def _fault(document: object, latest_s: float) -> str:
    if not isinstance(document, dict):
        return f"not a JSON object; a line must be {ACCEPTED}"
    topic, retain = document.get("topic"), document.get("retain", False)
    if not isinstance(topic, str) or not topic:
        return f"topic is {_shown(topic)}; a text that is not empty is accepted"
    if not isinstance(retain, bool):
        return f"retain is {_shown(retain)}; true or false is accepted"
    try:
        at_s = utc_seconds(document.get("time"))
    except ValueError as error:
        return f"time {error}"
    if at_s < latest_s:
        return (
            f"the time is {latest_s - at_s:.6g} s before that of an earlier line; "
            "a capture must be in the order of time"
        )
    return (
        f"payload is {_shown(document.get('payload'))}; a text is accepted, or "
        "payload_base64 with a base64 text"
    )


def utc_seconds(text: object) -> float:
    """Unix seconds of an ISO 8601 time in UTC.

    Raises:
        ValueError: It is none; the text says what is accepted.
    """
    accepted = "ISO 8601 in UTC is accepted, for instance 2026-03-01T12:00:00.000Z"
    if not isinstance(text, str):
        # For the caller a wrong type is as wrong as a wrong value.
        raise ValueError(f"is {_shown(text)}; {accepted}")  # noqa: TRY004
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise ValueError(f"is {_shown(text)}; {accepted}") from None
    if not text.endswith(UTC_MARKS):
        raise ValueError(f"is {_shown(text)}, which does not end in Z; {accepted}")
    return moment.timestamp()


def _binary(document: dict[str, object]) -> bytes:
    text = document["payload_base64"]
    if "payload" in document or not isinstance(text, str):
        raise ValueError("one of payload and payload_base64, as a text")
    try:
        return b64decode(text, validate=True)
    except binascii.Error as error:
        raise ValueError("not base64") from error


def _shown(value: object) -> str:
    text = orjson.dumps(value, default=repr).decode()
    return text if len(text) <= LONGEST_SHOWN else f"{text[: LONGEST_SHOWN - 3]}..."
