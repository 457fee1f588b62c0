"""Stands in front of every page: who may pass, how much they may send, and what goes along."""

import asyncio
from collections.abc import Mapping
from typing import Any, Final
from urllib.parse import parse_qsl, urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from bridge.shell.page.limits import RateLimit
from bridge.shell.page.visitors import Visitor, Visitors

LARGEST_BODY: Final = 16 * 1024
MOST_FIELDS: Final = 40
BODY_WITHIN_S: Final = 10.0
LOG_IN: Final = "/login"
STAMP: Final = "stamp"
CHART: Final = "/series.json"
PRIVATE: Final = frozenset({"/settings"})
"""Not for those who may only look: it names the broker, its user and files."""

WRITES: Final = (30, 60.0)
"""A busy keeper saves a check every few seconds; a program that does so is no keeper."""
READS: Final = (300, 60.0)
CHARTS: Final = (60, 30.0)
"""A chart of a year costs a tenth of a second; the decision loop must never feel it."""
LOG_INS: Final = (5, 60.0)
ALL_LOG_INS: Final = (30, 600.0)
"""From everywhere together, so that many addresses guess no faster."""

POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS: Final = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    # Not "no-referrer": with it, browsers send our own forms with "Origin: null".
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


class Refused(Exception):  # noqa: N818 - not an error, an answer
    """A request that goes no further."""

    def __init__(self, status: int, sentence: str) -> None:
        super().__init__(sentence)
        self.status = status
        self.sentence = sentence


class Gatekeeper:
    """ASGI middleware.

    Args:
        app: What is behind.
        visitors: Tells who is asking.
    """

    def __init__(self, app: ASGIApp, visitors: Visitors) -> None:
        self._app = app
        self._visitors = visitors
        self._writes = RateLimit(*WRITES)
        self._reads = RateLimit(*READS)
        self._charts = RateLimit(*CHARTS)
        self._log_ins = RateLimit(*LOG_INS)
        self._all_log_ins = RateLimit(*ALL_LOG_INS)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request pass, or answer it here."""
        if scope["type"] != "http":
            # No lifespan is needed, and web sockets are not spoken.
            return
        headers = Headers(scope=scope)
        peer = scope["client"][0] if scope.get("client") else ""
        cookies = cookie_parser(headers.get("cookie", ""))
        visitor = self._visitors.who(peer, headers, cookies.get(self._visitors.cookie))
        secure = self._visitors.secure(peer, scope["scheme"], headers)
        path = scope["path"]
        answer: ASGIApp = self._app
        try:
            self._admit(scope["method"], path, headers, visitor)
            state = scope.setdefault("state", {})
            state["visitor"], state["secure"] = visitor, secure
            if scope["method"] == "POST":
                state["form"] = await self._form(receive, headers, visitor)
        except Refused as refused:
            answer = self._refusal(refused, path)

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                self._add(MutableHeaders(scope=message), path, visitor, secure=secure)
            await send(message)

        await answer(scope, receive, send_with_headers)

    def _admit(self, method: str, path: str, headers: Headers, visitor: Visitor) -> None:
        if not self._visitors.host_is_ours(headers.get("host", "")):
            raise Refused(
                421,
                "This page does not go by that name. Add it to allowed_hosts in [page] if it is "
                "meant to.",
            )
        if path.startswith("/static/"):
            return
        if method == "POST":
            self._admit_writing(path, headers, visitor)
            return
        allowed = visitor.may_write if path in PRIVATE else visitor.may_read
        if path != LOG_IN and not allowed:
            raise Refused(401, self._stranger())
        limit = self._charts if path.endswith(CHART) else self._reads
        if not limit.allow(visitor.key):
            raise Refused(429, "Too many requests. Wait a minute, then try again.")

    def _admit_writing(self, path: str, headers: Headers, visitor: Visitor) -> None:
        if _from_elsewhere(headers):
            raise Refused(403, "This form was not sent from this page.")
        if path == LOG_IN:
            if not (self._log_ins.allow(visitor.peer) and self._all_log_ins.allow("all")):
                raise Refused(429, "Too many tries. Wait a minute, then try again.")
            return
        if not visitor.may_write:
            raise Refused(401, self._stranger())
        if not self._writes.allow(visitor.key):
            raise Refused(429, "Too many changes at once. Wait a minute, then try again.")

    def _stranger(self) -> str:
        if self._visitors.asks_who:
            return "Log in first."
        return (
            "Without a token this page answers only this machine itself, and no proxy. Set token "
            "in [page] to open it."
        )

    async def _form(
        self, receive: Receive, headers: Headers, visitor: Visitor
    ) -> Mapping[str, str]:
        kind = headers.get("content-type", "").partition(";")[0].strip().lower()
        if kind != "application/x-www-form-urlencoded":
            raise Refused(415, "Only the forms of this page are accepted.")
        try:
            async with asyncio.timeout(BODY_WITHIN_S):
                body = await _body(receive)
        except TimeoutError:
            raise Refused(408, "The form did not arrive in time.") from None
        try:
            pairs = parse_qsl(
                body.decode("ascii"),
                keep_blank_values=True,
                max_num_fields=MOST_FIELDS,
                errors="strict",
            )
        except ValueError:
            raise Refused(400, "The form cannot be read.") from None
        form = dict(pairs)
        if len(form) != len(pairs):
            raise Refused(400, "The form has a field twice.")
        if not self._visitors.stamp_fits(visitor, form.pop(STAMP, "")):
            raise Refused(403, "This form is too old. Load the page again and repeat the entry.")
        return form

    def _refusal(self, refused: Refused, path: str) -> Response:
        if refused.status == 401 and self._visitors.asks_token and "." not in path:  # noqa: PLR2004
            return RedirectResponse(LOG_IN, 303)
        return PlainTextResponse(refused.sentence + "\n", refused.status)

    def _add(self, headers: MutableHeaders, path: str, visitor: Visitor, *, secure: bool) -> None:
        for name, value in HEADERS.items():
            headers[name] = value
        if path.startswith("/static/"):
            return
        headers.setdefault("Cache-Control", "no-store")
        if visitor.fresh and "set-cookie" not in headers:
            headers.append("Set-Cookie", self._visitors.cookie_text(visitor.visit, secure=secure))


def _from_elsewhere(headers: Headers) -> bool:
    """Whether the browser says that another site has sent a form."""
    if headers.get("sec-fetch-site", "same-origin") not in {"same-origin", "none"}:
        return True
    origin = headers.get("origin")
    if origin is None:
        return False
    return urlsplit(origin).netloc.lower() != headers.get("host", "").lower()


async def _body(receive: Receive) -> bytes:
    body = bytearray()
    while True:
        message: Any = await receive()
        if message["type"] == "http.disconnect":
            raise Refused(400, "The form did not arrive whole.")
        body += message.get("body", b"")
        if len(body) > LARGEST_BODY:
            raise Refused(413, f"The form is longer than {LARGEST_BODY} bytes.")
        if not message.get("more_body", False):
            return bytes(body)
