"""How to reach the MQTT broker, as the keeper configures it."""

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Annotated, ClassVar

from annotated_types import Ge, Le, MaxLen, MinLen

from bridge.core.settings import FORBID_UNKNOWN


class Protocol(StrEnum):
    """MQTT version to speak."""

    AUTO = "auto"
    V5 = "5"
    V311 = "3.1.1"


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerSettings:
    """Address, identity and encryption of the broker connection."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    host: Annotated[str, MinLen(1), MaxLen(253)]
    port: Annotated[int, Ge(1), Le(65535)] | None = None
    """Left out: 1883, or 8883 with tls."""
    tls: bool = False
    ca_file: str | None = None
    """Certificate authority to trust; left out, those of the operating system."""
    certificate_file: str | None = None
    key_file: str | None = None
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    client_id: Annotated[str, MinLen(1), MaxLen(64)] = "tidegate"
    """Must stay the same over restarts, and be used by one connection only."""
    keepalive_s: Annotated[int, Ge(5), Le(300)] = 15
    protocol: Protocol = Protocol.AUTO
    """``auto`` tries MQTT 5 first and falls back to 3.1.1."""

    def __post_init__(self) -> None:
        """Refuse combinations that cannot work."""
        if not self.tls and (self.ca_file or self.certificate_file or self.key_file):
            raise ValueError("ca_file, certificate_file and key_file need tls = true")
        if (self.certificate_file is None) != (self.key_file is None):
            raise ValueError("certificate_file and key_file belong together")
        if self.password is not None and self.username is None:
            raise ValueError("password needs username as well")

    @property
    def port_number(self) -> int:
        """The port in use, after the default for plain or encrypted traffic."""
        if self.port is not None:
            return self.port
        return 8883 if self.tls else 1883
