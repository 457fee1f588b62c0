"""Config topics: a retained JSON document for each tank from which a home hub makes its entries.

The entries read the documents that are published anyway; one more, the overview, gathers the
alarms, because a deleted alarm says nothing to a hub. Braces in texts are the hub's own notation
for taking a value out of a document.
"""

from collections.abc import Mapping
from math import ceil
from typing import Any, Final

import orjson

from bridge import __version__
from bridge.core.settings import Settings, Tank
from bridge.shell.dashboards import requests
from bridge.shell.dashboards.picture import Picture, TankPicture, Wanted, slug
from bridge.shell.dashboards.quantities import QUANTITIES, WORDS
from bridge.shell.dashboards.requests import Command

OVERVIEW_LEVEL: Final = "overview"
DASHBOARD_LEVEL: Final = "dashboard"
"""Below it the one command is heard that the engine does not know itself."""
LATE_S: Final = 2
"""A hold is renewed once in a lease; so much later it may arrive."""


class Discovery:
    """Config topics, overviews and the acknowledge button.

    Args:
        settings: Base topic, tanks and their permits.
        prefix: Where the hub looks.
        writable: Whether dashboards may command.
    """

    def __init__(self, settings: Settings, *, prefix: str, writable: bool) -> None:
        self._settings = settings
        self._prefix = prefix
        self._writable = writable
        self._root = slug(settings.base_topic)
        self._made: dict[tuple[str, int | None], Wanted] = {}
        self.config_topics: Final = frozenset(map(self.config_topic, settings.tanks))

    @property
    def set_topics(self) -> tuple[str, ...]:
        """Where the button is heard."""
        if not self._writable:
            return ()
        return tuple(self._button(name) for name in self._settings.tanks)

    def config_topic(self, tank: str) -> str:
        """Where a tank is announced."""
        return f"{self._prefix}/device/{self._root}-{tank}/config"

    def configs(self, picture: Picture) -> Mapping[str, Wanted]:
        """The announcement of every tank."""
        return {
            self.config_topic(name): self._announcement(name, tank.expiry_s)
            for name, tank in picture.tanks.items()
        }

    def values(self, picture: Picture) -> Mapping[str, Wanted]:
        """The overview of every tank."""
        return {
            f"{self._base(name)}/{OVERVIEW_LEVEL}": Wanted(_overview(tank))
            for name, tank in picture.tanks.items()
        }

    def requested(self, topic: str, picture: Picture) -> list[Command] | None:
        """The commands that a message on a button's topic means; None when it is no such topic."""
        for name, tank in picture.tanks.items():
            if topic == self._button(name):
                return requests.acknowledge_all(name, tank)
        return None

    def _announcement(self, name: str, expiry_s: int | None) -> Wanted:
        """Made once for each length of life, which changes a few times at most."""
        made = self._made.get((name, expiry_s))
        if made is None:
            config = self._config(name, self._settings.tanks[name], expiry_s)
            made = self._made[name, expiry_s] = Wanted(orjson.dumps(config))
        return made

    def _config(self, name: str, tank: Tank, expiry_s: int | None) -> dict[str, Any]:
        device = f"{self._root}-{name}"
        components = {
            **self._sensors(name, expiry_s),
            **self._permits(name, tank),
            **self._alarms(name),
            **(self._controls(name) if self._writable else {}),
        }
        return {
            "device": {
                "identifiers": [device],
                "name": tank.name or name,
                "sw_version": __version__,
            },
            "origin": {"name": "Tidegate", "sw_version": __version__},
            "availability": [
                {
                    "topic": f"{self._settings.base_topic}/state",
                    "value_template": "{{ 'online' if value == 'ready' else 'offline' }}",
                }
            ],
            "qos": 1,
            "components": {
                key: {**component, "unique_id": f"{device}-{key}"}
                for key, component in components.items()
            },
        }

    def _sensors(self, name: str, expiry_s: int | None) -> dict[str, dict[str, Any]]:
        common: dict[str, Any] = {
            "platform": "sensor",
            "state_topic": f"{self._base(name)}/salinity",
        }
        if expiry_s is not None:
            common["expire_after"] = expiry_s
        found: dict[str, dict[str, Any]] = {}
        for quantity in QUANTITIES:
            found[quantity.identifier] = {
                **common,
                "name": quantity.name,
                "value_template": f"{{{{ value_json.{quantity.key} }}}}",
                "state_class": "measurement",
                "suggested_display_precision": quantity.digits,
                **({"unit_of_measurement": quantity.unit} if quantity.unit else {}),
                **({"device_class": quantity.device_class} if quantity.device_class else {}),
                **({"entity_category": "diagnostic"} if quantity.diagnostic else {}),
            }
        for key, (title, accepted) in WORDS.items():
            found[key] = {
                **common,
                "name": title,
                "value_template": f"{{{{ value_json.{key} }}}}",
                "device_class": "enum",
                "options": list(accepted),
            }
        # A hub that starts is told the kept document as if it were new; this shows its age.
        found["judged"] = {
            **common,
            "name": "Time of this judgement",
            "value_template": "{{ value_json.time }}",
            "device_class": "timestamp",
            "entity_category": "diagnostic",
        }
        return found

    def _permits(self, name: str, tank: Tank) -> dict[str, dict[str, Any]]:
        in_force = "as_timestamp(value_json.time) + value_json.lease_s > as_timestamp(now())"
        return {
            f"permit-{permit}": {
                "platform": "sensor",
                "name": f"Permit {permit}",
                "state_topic": f"{self._base(name)}/permit/{permit}",
                "value_template": "{{ 'permit' if value_json.state == 'permit' and "
                + in_force
                + " else 'hold' }}",
                "device_class": "enum",
                "options": ["hold", "permit"],
                "expire_after": ceil(settings.lease_s) + LATE_S,
            }
            for permit, settings in tank.permits.items()
        }

    def _alarms(self, name: str) -> dict[str, dict[str, Any]]:
        topic = f"{self._base(name)}/{OVERVIEW_LEVEL}"
        return {
            "alarm": {
                "platform": "binary_sensor",
                "name": "Alarm",
                "state_topic": topic,
                "value_template": "{{ 'ON' if value_json.alarms else 'OFF' }}",
                "device_class": "problem",
            },
            "alarms": {
                "platform": "sensor",
                "name": "Alarms",
                "state_topic": topic,
                "value_template": "{{ (value_json.alarms | join(', ') or 'none')[:250] }}",
            },
            "service": {
                "platform": "binary_sensor",
                "name": "Service mode",
                "state_topic": topic,
                "value_template": "{{ 'OFF' if value_json.service == 'idle' else 'ON' }}",
                "entity_category": "diagnostic",
            },
        }

    def _controls(self, name: str) -> dict[str, dict[str, Any]]:
        command = f"{self._base(name)}/command"
        return {
            "acknowledge": {
                "platform": "button",
                "name": "Acknowledge alarms",
                "command_topic": self._button(name),
                "payload_press": "all",
                "retain": False,
            },
            **{
                f"service-{phase}": {
                    "platform": "button",
                    "name": title,
                    "command_topic": f"{command}/service",
                    "payload_press": requests.service(name, phase).payload.decode(),
                    "retain": False,
                }
                for phase, title in (("start", "Begin service"), ("end", "End service"))
            },
            "reference-check": {
                "platform": "number",
                "name": "Salinity measured by hand",
                "command_topic": f"{command}/{requests.REFERENCE_CHECK}",
                "command_template": f'{{"id": "{requests.SENDER}", "instrument": "other", '
                '"salinity": {{ value }}}',
                "min": requests.LOWEST_CHECK_PSU,
                "max": requests.HIGHEST_CHECK_PSU,
                "step": 0.01,
                "mode": "box",
                "unit_of_measurement": "psu",
                "retain": False,
            },
        }

    def _base(self, tank: str) -> str:
        return f"{self._settings.base_topic}/{tank}"

    def _button(self, tank: str) -> str:
        return f"{self._base(tank)}/{DASHBOARD_LEVEL}/acknowledge"


def _overview(tank: TankPicture) -> bytes:
    return orjson.dumps(
        {
            "alarms": list(tank.standing()),
            "waiting": tank.waiting(),
            "service": tank.service.value,
        }
    )
