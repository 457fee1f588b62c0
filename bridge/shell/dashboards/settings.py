"""Which dashboards are filled, as the keeper configures it."""

import re
from dataclasses import dataclass
from typing import Annotated, ClassVar

from annotated_types import MaxLen, MinLen

from bridge.core.settings import FORBID_UNKNOWN, IDENTIFIER_PATTERN

Topic = Annotated[str, MinLen(1), MaxLen(200)]


@dataclass(frozen=True, slots=True, kw_only=True)
class DashboardSettings:
    """Further forms in which the results are published. Everything is off by default."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    flat: bool = False
    """One topic with a bare value for each quantity."""
    homie: bool = False
    """The Homie convention, version 5."""
    homie_domain: Topic = "homie"
    """First level of its topics."""
    hub_prefix: Topic | None = None
    """Where the home hub looks for config topics; left out, none are published."""
    hub_birth_topic: Topic | None = None
    """Where the home hub says that it has started; left out, ``<hub_prefix>/status``."""
    hub_birth_payload: Topic = "online"

    def __post_init__(self) -> None:
        """Refuse topics that cannot be published or heard."""
        if not re.fullmatch(IDENTIFIER_PATTERN, self.homie_domain):
            raise ValueError("homie_domain is made of small letters a-z, digits and single hyphens")
        for key in ("hub_prefix", "hub_birth_topic"):
            topic = getattr(self, key)
            if topic is not None and not _is_plain(topic):
                raise ValueError(
                    f"{key} must be one topic without + and #, must not begin with $, and must "
                    "not begin or end with / or hold //"
                )
        if self.hub_birth_topic is not None and self.hub_prefix is None:
            raise ValueError("hub_birth_topic needs hub_prefix as well")

    @property
    def any_wanted(self) -> bool:
        """Whether anything is to be published."""
        return self.flat or self.homie or self.hub_prefix is not None

    @property
    def birth_topic(self) -> str | None:
        """Where the home hub's start is heard."""
        if self.hub_prefix is None:
            return None
        return self.hub_birth_topic or f"{self.hub_prefix}/status"


def _is_plain(topic: str) -> bool:
    return (
        topic.isprintable()
        and not topic.startswith("$")
        and not set(topic) & {"+", "#"}
        and all(topic.split("/"))
    )
