"""Whether and where the page is served, and who may do what on it, as the keeper configures it."""

import ipaddress
from dataclasses import dataclass, field
from typing import Annotated, ClassVar, Final

from annotated_types import Ge, Le, MinLen

from bridge.core.settings import FORBID_UNKNOWN

LOOPBACK_NAMES: Final = frozenset({"localhost", "ip6-localhost"})

HostName = Annotated[str, MinLen(1)]


def is_loopback(host: str) -> bool:
    """Whether only this machine can reach an address."""
    if host.lower() in LOOPBACK_NAMES:
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


@dataclass(frozen=True, slots=True, kw_only=True)
class PageSettings:
    """The page for a browser."""

    __pydantic_config__: ClassVar = FORBID_UNKNOWN

    enabled: bool = False
    host: HostName = "127.0.0.1"
    port: Annotated[int, Ge(1), Le(65535)] = 9786
    token: Annotated[str, MinLen(16)] | None = field(default=None, repr=False)
    """Asked for at the log-in."""
    identity_header: HostName | None = None
    """Header in which a reverse proxy names who has logged in there."""
    trusted_proxies: tuple[str, ...] = ()
    """Addresses or networks whose header is believed."""
    allowed_hosts: tuple[HostName, ...] = ()
    """Further names by which browsers may address the page."""
    open_to_read: bool = False
    """Anyone who reaches the page may look; only changes need a log-in."""

    def __post_init__(self) -> None:
        """Refuse a page that strangers could use."""
        for proxy in self.trusted_proxies:
            try:
                ipaddress.ip_network(proxy)
            except ValueError:
                raise ValueError(
                    f"trusted_proxies has {proxy!r}; accepted are addresses such as 127.0.0.1 and "
                    "networks such as 10.0.0.0/24"
                ) from None
        if (self.identity_header is None) is not (not self.trusted_proxies):
            raise ValueError(
                "identity_header and trusted_proxies belong together: who may name the visitor, "
                "and in which header"
            )
        if self.enabled and not self.asks_who and not is_loopback(self.host):
            raise ValueError(
                f"host {self.host!r} opens the page to the network; set token (16 characters or "
                "more), or identity_header with trusted_proxies"
            )
        if self.enabled and not self.asks_who and self.allowed_hosts:
            raise ValueError(
                "allowed_hosts lets the page be reached by other names, through a proxy; set "
                "token (16 characters or more), or identity_header with trusted_proxies"
            )

    @property
    def asks_who(self) -> bool:
        """Whether a visitor has to be known at all."""
        return self.token is not None or self.identity_header is not None
