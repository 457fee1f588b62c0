"""All dashboards that are switched on, seen as one: what the broker should hold, and what is asked.

Nothing here waits, sends or reads a clock.
"""

from collections.abc import Mapping

from bridge.core.service import ServicePhase
from bridge.core.settings import Settings
from bridge.shell.dashboards.discovery import Discovery
from bridge.shell.dashboards.flat import Flat
from bridge.shell.dashboards.homie import QOS, Homie, describe
from bridge.shell.dashboards.memory import Memory
from bridge.shell.dashboards.picture import Picture, Wanted
from bridge.shell.dashboards.requests import Command
from bridge.shell.dashboards.settings import DashboardSettings
from bridge.shell.session import Subscription


class Translation:
    """From the picture to messages, and from messages to commands.

    Args:
        settings: Of the engine.
        dashboards: Which dashboards are filled.
        service: Service mode of each tank as it was saved.
        memory: What was left on the broker.
        now_s: The date, for the versions of descriptions. [Unix s]
    """

    def __init__(
        self,
        settings: Settings,
        dashboards: DashboardSettings,
        *,
        service: Mapping[str, ServicePhase],
        memory: Memory,
        now_s: float,
    ) -> None:
        # Who cannot know the secret must not be able to command through the back door.
        writable = settings.command_secret is None
        self._birth = (dashboards.birth_topic, dashboards.hub_birth_payload.encode())
        self._flat = Flat(settings) if dashboards.flat else None
        self._homie = (
            Homie(settings, domain=dashboards.homie_domain, writable=writable)
            if dashboards.homie
            else None
        )
        self._discovery = (
            Discovery(settings, prefix=dashboards.hub_prefix, writable=writable)
            if dashboards.hub_prefix is not None
            else None
        )
        self._descriptions = {
            topic: Wanted(describe(content, memory.version(topic, content, now_s=now_s)), QOS)
            for topic, content in (self._homie.descriptions() if self._homie else {}).items()
        }
        self.picture = Picture(
            settings.base_topic,
            settings.tanks,
            intervals_s={
                name: tank.probe.interval_s
                for name, tank in settings.tanks.items()
                if tank.probe.interval_s is not None
            },
            service=service,
        )
        self._memory = memory
        if self._discovery is not None:
            for name, tank in self.picture.tanks.items():
                if tank.expiry_s is None:
                    tank.expiry_s = memory.expiry_s(self._discovery.config_topic(name))

    @property
    def root_state_topic(self) -> str | None:
        """Where the connection's will is to be published; None without such a dashboard."""
        return self._homie.root_state_topic if self._homie else None

    @property
    def subscriptions(self) -> tuple[Subscription, ...]:
        """What has to be heard."""
        found: list[Subscription] = []
        if self._homie is not None:
            found.append(Subscription(self._homie.root_state_topic))
            found += [
                Subscription(each, QOS, keep_retain_flag=True) for each in self._homie.set_topics
            ]
        if self._discovery is not None:
            found += [
                Subscription(each, keep_retain_flag=True) for each in self._discovery.set_topics
            ]
        if self._birth[0] is not None:
            found.append(Subscription(self._birth[0]))
        return tuple(found)

    def states(self, word: str) -> dict[str, Wanted]:
        """The life-cycle word of every device, the root device last."""
        topics = self._homie.state_topics if self._homie else ()
        return {topic: Wanted(word.encode(), QOS) for topic in topics}

    def announcements(self) -> dict[str, Wanted]:
        """What the devices are."""
        if self._discovery is None:
            return dict(self._descriptions)
        for name, tank in self.picture.tanks.items():
            self._memory.keep_expiry(self._discovery.config_topic(name), tank.expiry_s)
        return {**self._descriptions, **self._discovery.configs(self.picture)}

    def permits(self, now_s: float, *, ready: bool) -> dict[str, Wanted]:
        """The permits at this moment."""
        found: dict[str, Wanted] = {}
        for each in (self._homie, self._flat):
            if each is not None:
                found.update(each.permits(self.picture, now_s, ready=ready))
        return found

    def values(self) -> dict[str, Wanted]:
        """Everything else."""
        found: dict[str, Wanted] = {}
        for each in (self._homie, self._discovery, self._flat):
            if each is not None:
                found.update(each.values(self.picture))
        return found

    def is_birth(self, topic: str, payload: bytes) -> bool:
        """Whether a message says that the hub has just started."""
        return (topic, payload) == self._birth

    def is_config(self, topic: str) -> bool:
        """Whether a topic is read by the hub when it starts."""
        return self._discovery is not None and topic in self._discovery.config_topics

    def requested(self, topic: str, payload: bytes) -> list[Command] | None:
        """The commands that a message means; None when it means nothing."""
        commands = self._discovery.requested(topic, self.picture) if self._discovery else None
        if commands is None and self._homie is not None:
            commands = self._homie.requested(topic, payload, self.picture)
        return commands
