"""Judges of what dashboards are sent, written from the rules of the conventions.

Homie: core specification, version 5. Config topics: the notes on the grouped form, with the words
for kinds of numbers that hubs know (from memory).
"""

import re
from collections.abc import Mapping
from datetime import datetime
from typing import Any

import orjson

IDENTIFIER = r"[a-z0-9-]+"
DATATYPES = {
    "integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json",
}  # fmt: skip
STATES = {"init", "ready", "disconnected", "sleeping", "lost"}
DEVICE_KEYS = {"homie", "version", "nodes", "name", "type", "children", "root", "parent"}
PROPERTY_KEYS = {"name", "datatype", "format", "settable", "retained", "unit"}
NUMBER = r"[-+]?[0-9]+(\.[0-9]*)?([eE][-+]?[0-9]+)?"


class HomieWatcher:
    """Takes every retained message in order, and objects to whatever the convention forbids."""

    def __init__(self, domain: str = "homie") -> None:
        self._base = f"{domain}/5/"
        self.held: dict[str, bytes] = {}

    def take(self, topic: str, payload: bytes, *, retain: bool = True) -> None:
        """Judge one message."""
        if not topic.startswith(self._base):
            return
        levels = topic[len(self._base) :].split("/")
        device = levels[0]
        assert re.fullmatch(IDENTIFIER, device), topic
        assert retain, f"{topic} must be retained"
        state = self.held.get(f"{self._base}{device}/$state", b"").decode()
        match levels[1:]:
            case ["$state"]:
                assert payload.decode() in STATES or not payload, payload
                assert payload != b"ready" or self._description(device), "ready, but not described"
            case ["$description"]:
                if payload and payload != self.held.get(topic):
                    assert state in {"init", "disconnected", "lost"}, f"described in {state!r}"
                    before = orjson.loads(self.held.get(topic) or b'{"version":-1}')
                    assert check_description(payload)["version"] > before["version"]
            case ["$alert", alert]:
                assert re.fullmatch(IDENTIFIER, alert), topic
            case [node, name]:
                properties = self._description(device)["nodes"][node]["properties"]
                if payload:
                    check_value(properties[name], payload)
            case _:
                raise AssertionError(f"{topic} is no topic of the convention")
        if payload:
            self.held[topic] = payload
        else:
            self.held.pop(topic, None)

    def _description(self, device: str) -> dict[str, Any]:
        return dict(orjson.loads(self.held[f"{self._base}{device}/$description"]))


def check_description(payload: bytes) -> dict[str, Any]:
    """Judge a description."""
    document: dict[str, Any] = orjson.loads(payload)
    assert set(document) <= DEVICE_KEYS
    assert re.fullmatch(r"5\.[0-9]+", document["homie"])
    assert isinstance(document["version"], int)
    for child in document.get("children", []):
        assert re.fullmatch(IDENTIFIER, child)
    for node, content in document.get("nodes", {}).items():
        assert re.fullmatch(IDENTIFIER, node)
        assert set(content) <= {"name", "type", "properties"}
        for name, each in content["properties"].items():
            assert re.fullmatch(IDENTIFIER, name)
            assert set(each) <= PROPERTY_KEYS
            assert each["datatype"] in DATATYPES
            if each["datatype"] in {"enum", "color"}:
                words = each["format"].split(",")
                assert all(words)
                assert len(set(words)) == len(words)
            if each["datatype"] == "float" and "format" in each:
                low, high = each["format"].split(":")[:2]
                assert float(low) < float(high)
    return document


def check_value(each: Mapping[str, Any], payload: bytes) -> None:
    """Judge the value of a property."""
    text = payload.decode()
    assert each.get("retained", True), "a momentary property must not be kept"
    match each["datatype"]:
        case "float":
            assert re.fullmatch(NUMBER, text), text
            low, high = map(float, each["format"].split(":")[:2])
            assert low <= float(text) <= high
        case "enum":
            assert text in each["format"].split(","), text
        case "boolean":
            assert text in {"true", "false"}
        case "datetime":
            assert datetime.fromisoformat(text).tzinfo is not None
        case other:
            raise AssertionError(f"{other} is not expected")


REQUIRED = {
    "sensor": {"state_topic"},
    "binary_sensor": {"state_topic"},
    "button": {"command_topic"},
    "number": {"command_topic", "min", "max"},
}
# Kind of number, and the units that it may have.
DEVICE_CLASSES: dict[str, dict[str, set[str | None]]] = {
    "sensor": {
        "temperature": {"°C", "°F", "K"},
        "conductivity": {"S/cm", "mS/cm", "µS/cm"},
        "enum": {None},
        "timestamp": {None},
    },
    "binary_sensor": {"problem": {None}},
}


def check_config(topic: str, payload: bytes) -> dict[str, Any]:
    """Judge a config topic."""
    assert re.fullmatch(r".+/device/[A-Za-z0-9_-]+/config", topic)
    document: dict[str, Any] = orjson.loads(payload)
    assert document["device"]["identifiers"]
    assert document["origin"]["name"]
    assert document["availability"]
    assert document["qos"] in {0, 1, 2}
    unique = [each["unique_id"] for each in document["components"].values()]
    assert len(set(unique)) == len(unique)
    for each in document["components"].values():
        platform = each["platform"]
        assert REQUIRED[platform] <= set(each)
        kind, unit = each.get("device_class"), each.get("unit_of_measurement")
        if kind is not None:
            assert unit in DEVICE_CLASSES[platform][kind]
        assert ("options" in each) == (kind == "enum")
        if each.get("state_class") is not None:
            assert each["state_class"] in {"measurement", "total", "total_increasing"}
            assert kind not in {"enum", "timestamp"}
        assert not each.get("retain", False), "a kept command is carried out at every start"
        for key in ("value_template", "command_template"):
            text = each.get(key, "")
            assert text.count("{{") == text.count("}}"), text
    return document
