"""The Homie convention, version 5: one root device, and under it a device for each tank.

What the convention asks for and where it is kept here: everything but momentary properties is
retained; QoS 2; a description changes only while the device is in ``init``, and then with a higher
version; an unknown value is deleted rather than invented; an alert is deleted when it is over.

Source: the convention's core specification, version 5.
"""

from collections.abc import Mapping
from typing import Any, Final

import orjson

from bridge.core.service import ServicePhase
from bridge.core.settings import Settings, Tank
from bridge.shell.dashboards import requests
from bridge.shell.dashboards.picture import Picture, TankPicture, Wanted, scalars, slug
from bridge.shell.dashboards.quantities import QUANTITIES, WORDS
from bridge.shell.dashboards.requests import Command

VERSION: Final = "5.0"
MAJOR: Final = "5"
QOS: Final = 2
PHASES: Final = tuple(phase.value for phase in ServicePhase)
WATER, PERMITS, CONTROL = "water", "permits", "control"
ROOT: Final = ""
"""Stands for the root device where a tank's name is expected."""


class Homie:
    """Descriptions, values and requests of all devices.

    Args:
        settings: Base topic, tanks and their permits.
        domain: First topic level.
        writable: Whether dashboards may command.
    """

    def __init__(self, settings: Settings, *, domain: str, writable: bool) -> None:
        self._settings = settings
        self._writable = writable
        self._root = slug(settings.base_topic)
        self._base = f"{domain}/{MAJOR}"
        self._tank_of = {self._device(name): name for name in settings.tanks}

    @property
    def state_topics(self) -> tuple[str, ...]:
        """Where each device's life-cycle word stands, the root device last."""
        return tuple(f"{self._topic(name)}/$state" for name in (*self._settings.tanks, ROOT))

    @property
    def root_state_topic(self) -> str:
        """Where the will is published; ``lost`` there counts for every device below."""
        return self.state_topics[-1]

    @property
    def set_topics(self) -> tuple[str, ...]:
        """Where requests are heard."""
        if not self._writable:
            return ()
        return tuple(f"{self._topic(name)}/{CONTROL}/+/set" for name in self._settings.tanks)

    def descriptions(self) -> dict[str, dict[str, Any]]:
        """The description of each device by its topic, without the version."""
        found = {
            f"{self._topic(name)}/$description": self._describe(name, tank)
            for name, tank in self._settings.tanks.items()
        }
        found[f"{self._topic(ROOT)}/$description"] = {
            "homie": VERSION,
            "name": "Tidegate",
            "children": list(self._tank_of),
            "nodes": {},
        }
        return found

    def permits(self, picture: Picture, now_s: float, *, ready: bool) -> Mapping[str, Wanted]:
        """The permits, each only until its lease ends."""
        found: dict[str, Wanted] = {}
        for name, tank in self._settings.tanks.items():
            view = picture.tanks[name]
            for permit in tank.permits:
                given = view.permitted(permit, now_s, ready=ready)
                found[f"{self._topic(name)}/{PERMITS}/{permit}"] = (
                    Wanted(b"permit", QOS, view.leases[permit].end_s)
                    if given
                    else Wanted(b"hold", QOS)
                )
        return found

    def values(self, picture: Picture) -> Mapping[str, Wanted]:
        """Every other retained value, and the alerts that stand."""
        found: dict[str, Wanted] = {}
        for name, tank in picture.tanks.items():
            topic = self._topic(name)
            for property_id, text in scalars(tank).items():
                found[f"{topic}/{WATER}/{property_id}"] = Wanted((text or "").encode(), QOS)
            found[f"{topic}/{CONTROL}/service"] = Wanted(tank.service.value.encode(), QOS)
            found |= self._alerts(name, tank)
        return found | self._alerts(ROOT, picture.plant)

    def requested(self, topic: str, payload: bytes, picture: Picture) -> list[Command] | None:
        """The commands that a message on a ``set`` topic means; None when it means nothing."""
        levels = topic[len(self._base) + 1 :].split("/")
        name = self._tank_of.get(levels[0])
        if name is None or levels[1:2] != [CONTROL] or levels[3:] != ["set"]:
            return None
        match levels[2], payload:
            case "acknowledge", b"all":
                return requests.acknowledge_all(name, picture.tanks[name])
            case "service", b"active":
                return [requests.service(name, "start")]
            case "service", b"idle":
                return [requests.service(name, "end")]
            case "reference-check", _:
                command = requests.reference_check(name, payload)
                return None if command is None else [command]
            case _:
                return None

    def _describe(self, name: str, tank: Tank) -> dict[str, Any]:
        nodes: dict[str, Any] = {
            WATER: {"name": "Water", "properties": _water_properties()},
            CONTROL: {"name": "Control", "properties": self._control_properties()},
        }
        if tank.permits:
            permit = {"datatype": "enum", "format": "hold,permit"}
            nodes[PERMITS] = {
                "name": "Permits",
                "properties": {each: {"name": each, **permit} for each in tank.permits},
            }
        return {
            "homie": VERSION,
            "name": tank.name or name,
            "root": self._root,
            "nodes": nodes,
        }

    def _control_properties(self) -> dict[str, Any]:
        properties: dict[str, Any] = {
            "service": {
                "name": "Service mode",
                "datatype": "enum",
                "format": ",".join(PHASES),
                "settable": self._writable,
            }
        }
        if self._writable:
            properties["acknowledge"] = {
                "name": "Acknowledge alarms",
                "datatype": "enum",
                "format": "all",
                "settable": True,
                "retained": False,
            }
            properties["reference-check"] = {
                "name": "Salinity measured by hand",
                "datatype": "float",
                "format": f"{requests.LOWEST_CHECK_PSU:g}:{requests.HIGHEST_CHECK_PSU:g}",
                "unit": "psu",
                "settable": True,
                "retained": False,
            }
        return properties

    def _alerts(self, name: str, tank: TankPicture) -> dict[str, Wanted]:
        return {
            f"{self._topic(name)}/$alert/{alarm}": Wanted(_alert_text(alarm, document), QOS)
            for alarm, document in tank.standing().items()
        }

    def _device(self, name: str) -> str:
        return f"{self._root}-{name}" if name else self._root

    def _topic(self, name: str) -> str:
        return f"{self._base}/{self._device(name)}"


def describe(content: Mapping[str, Any], version: int) -> bytes:
    """A description as it is published."""
    return orjson.dumps({**content, "version": version})


def _water_properties() -> dict[str, Any]:
    properties: dict[str, Any] = {}
    for quantity in QUANTITIES:
        properties[quantity.identifier] = {
            "name": quantity.name,
            "datatype": "float",
            "format": f"{quantity.low:g}:{quantity.high:g}",
        }
        if quantity.unit is not None:
            properties[quantity.identifier]["unit"] = quantity.unit
    for key, (name, accepted) in WORDS.items():
        properties[key] = {"name": name, "datatype": "enum", "format": ",".join(accepted)}
    properties["judged"] = {"name": "Time of this judgement", "datatype": "datetime"}
    return properties


def _alert_text(alarm: str, document: Mapping[str, Any]) -> bytes:
    actions = document.get("action") or []
    words = [document.get("cause"), *actions[:1]]
    return " ".join(word for word in words if word).encode() or alarm.encode()
