"""Who is asking, and what they may do.

A visitor is known by the token, typed in once and remembered by a session cookie, or because a
trusted reverse proxy names them. Where neither is configured, only this machine is served at all,
and only when it is addressed as such: a web page elsewhere that makes a browser here ask under
another name (DNS rebinding), or a proxy that forwards the network, gets nothing.
"""

import hashlib
import hmac
import ipaddress
import secrets
import time
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from bridge.shell.page_settings import PageSettings, is_loopback

SESSION_S: Final = 7 * 86400.0
MOST_SESSIONS: Final = 200
VISIT_BYTES: Final = 24
FORWARDED: Final = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip")


@dataclass(frozen=True, slots=True)
class Visitor:
    """Somebody who asks."""

    peer: str
    """Address of the other end."""
    visit: str
    """Value of the cookie, fresh when there was none."""
    fresh: bool
    name: str | None
    """As a trusted proxy says; ``keeper`` after a log-in here; None for a stranger."""
    may_read: bool
    may_write: bool
    by_session: bool = False
    """Known by a log-in here."""

    @property
    def key(self) -> str:
        """By what tries are counted."""
        return f"{self.peer} {self.name or ''}"


class Visitors:
    """Tells who is asking.

    Args:
        settings: Of the page.
        monotonic: Replaceable for tests.
    """

    def __init__(
        self, settings: PageSettings, *, monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        self._settings = settings
        self._monotonic = monotonic
        self._secret = secrets.token_bytes(32)
        self._sessions: OrderedDict[str, float] = OrderedDict()
        self._proxies = [ipaddress.ip_network(proxy) for proxy in settings.trusted_proxies]
        self._names = {host.lower() for host in settings.allowed_hosts}
        if settings.host not in {"", "0.0.0.0", "::"}:  # noqa: S104 - compared, not bound
            self._names.add(settings.host.lower())
        # Cookies do not tell ports apart, and there may be two daemons on one machine.
        self.cookie = f"tidegate-{settings.port}"

    @property
    def asks_who(self) -> bool:
        """Whether a visitor has to be known at all."""
        return self._settings.asks_who

    @property
    def asks_token(self) -> bool:
        """Whether there is a log-in here."""
        return self._settings.token is not None

    def cookie_text(self, visit: str, *, secure: bool) -> str:
        """The cookie that carries a visit."""
        text = f"{self.cookie}={visit}; Path=/; Max-Age={SESSION_S:.0f}; HttpOnly; SameSite=Strict"
        return text + "; Secure" if secure else text

    def host_is_ours(self, host_header: str) -> bool:
        """Whether a browser that asks under this name can have been sent to us on purpose.

        A name in the world's name service can be pointed here by anybody; an address, and the
        names that the keeper listed, cannot.
        """
        host = host_of(host_header)
        if host is None:
            return False
        if host in self._names or is_loopback(host):
            return True
        if not self._settings.asks_who:
            return False
        try:
            ipaddress.ip_address(host)
        except ValueError:
            return False
        return True

    def who(self, peer: str, headers: Mapping[str, str], cookie: str | None) -> Visitor:
        """The visitor behind a request."""
        settings = self._settings
        known = cookie is not None and len(cookie) <= 2 * VISIT_BYTES and cookie.isascii()
        visit = cookie if cookie is not None and known else secrets.token_urlsafe(VISIT_BYTES)
        name = None
        if not settings.asks_who:
            at_home = is_loopback(peer) and not any(header in headers for header in FORWARDED)
            return Visitor(peer, visit, not known, None, at_home, at_home)
        if settings.identity_header is not None and self._trusts(peer):
            name = headers.get(settings.identity_header.lower(), "").strip()[:100] or None
        by_session = name is None and known and self._logged_in(visit)
        if by_session:
            name = "keeper"
        may_read = settings.open_to_read or name is not None
        return Visitor(peer, visit, not known, name, may_read, name is not None, by_session)

    def secure(self, peer: str, scheme: str, headers: Mapping[str, str]) -> bool:
        """Whether the browser speaks TLS, as far as we can know."""
        if scheme == "https":
            return True
        return self._trusts(peer) and headers.get("x-forwarded-proto", "") == "https"

    def still(self, visitor: Visitor) -> bool:
        """Whether a visitor who was let in to look may go on looking."""
        return (
            self._settings.open_to_read or not visitor.by_session or self._logged_in(visitor.visit)
        )

    def log_in(self, token: str) -> str | None:
        """A session for the right token; None for a wrong one."""
        wanted = self._settings.token
        if wanted is None or not hmac.compare_digest(token.encode(), wanted.encode()):
            return None
        visit = secrets.token_urlsafe(VISIT_BYTES)
        self._sessions[visit] = self._monotonic() + SESSION_S
        while len(self._sessions) > MOST_SESSIONS:
            self._sessions.popitem(last=False)
        return visit

    def log_out(self, visitor: Visitor) -> None:
        """End a session."""
        self._sessions.pop(visitor.visit, None)

    def stamp(self, visitor: Visitor) -> str:
        """What a form must carry, so that only our own pages can have made it."""
        text = f"{visitor.visit}\n{visitor.name or ''}".encode()
        return hmac.new(self._secret, text, hashlib.sha256).hexdigest()

    def stamp_fits(self, visitor: Visitor, stamp: str) -> bool:
        """Whether a form carries the right stamp."""
        return not visitor.fresh and hmac.compare_digest(
            self.stamp(visitor).encode(), stamp.encode()
        )

    def _logged_in(self, visit: str) -> bool:
        end_at = self._sessions.get(visit)
        if end_at is None:
            return False
        if self._monotonic() >= end_at:
            self._sessions.pop(visit, None)
            return False
        return True

    def _trusts(self, peer: str) -> bool:
        try:
            address = ipaddress.ip_address(peer)
        except ValueError:
            return False
        return any(address in network for network in self._proxies)


def host_of(host_header: str) -> str | None:
    """The name or address in a Host header, without port and brackets; None when it is none."""
    text = host_header.strip().lower()
    if text.startswith("["):
        address, bracket, port = text[1:].partition("]")
        if not bracket or (port and not (port[0] == ":" and port[1:].isdigit())):
            return None
        return address
    name, _, port = text.partition(":")
    if not name or (port and not port.isdigit()):
        return None
    return name.rstrip(".")
