"""The page's routes: looking, and giving commands by forms."""

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping
from typing import Any, Final

import orjson
from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response, StreamingResponse
from starlette.routing import Route
from starlette.types import ASGIApp

from bridge.core.alarm_text import capital
from bridge.core.errors import UserError
from bridge.core.outputs import Output
from bridge.shell.config import Loaded
from bridge.shell.explain import explain
from bridge.shell.history_reader import HistoryReader
from bridge.shell.history_schema import HistoryError
from bridge.shell.page.books import checks_and_calibrations, log_rows
from bridge.shell.page.commands import CommandDesk, Submit
from bridge.shell.page.forms import FORMS, choices
from bridge.shell.page.gatekeeper import Gatekeeper
from bridge.shell.page.happenings import fault
from bridge.shell.page.look import Look, Looker
from bridge.shell.page.plot import chart
from bridge.shell.page.rendering import Renderer, static_files
from bridge.shell.page.snapshot import Snapshot
from bridge.shell.page.visitors import Visitor, Visitors

LIVE_EVERY_S: Final = 1.0
BEAT_EVERY_S: Final = 10.0
"""At least this often the browser hears something, so that it notices silence."""
MOST_LIVE: Final = 24
"""Browsers watching at a time; a further one has to load the page again to see what is new."""
FRAGMENTS: Final = ("alarms", "now", "why", "permits", "work")
PLANT: Final = ""
PLANT_COMMANDS: Final = frozenset({"acknowledge", "shelve"})


class Page:
    """The page, without a server around it.

    Args:
        loaded: The configuration.
        now_s: Engine time.
        submit: Puts a command where messages of the broker arrive.
        trouble: Why the daemon is not connected; None while it is.
        speed: Engine seconds per real second.
    """

    def __init__(
        self,
        loaded: Loaded,
        *,
        now_s: Callable[[], float],
        submit: Submit,
        trouble: Callable[[], str | None],
        speed: float = 1.0,
    ) -> None:
        configuration = loaded.configuration
        self._loaded = loaded
        self._now_s = now_s
        self._trouble = trouble
        self._speed = speed
        self.desk = CommandDesk(
            configuration.base_topic, secret=configuration.command_secret, submit=submit
        )
        self.snapshot = Snapshot(configuration.base_topic, on_answer=self.desk.take)
        self._reader = HistoryReader(configuration.storage.path)
        self._lookers = {name: Looker(name, tank) for name, tank in configuration.tanks.items()}
        self._visitors = Visitors(configuration.page)
        self._renderer = Renderer()
        self._static = static_files()
        self._live = 0
        self.closing = asyncio.Event()
        """Set in the server's loop when it is about to stop, so that live streams end."""
        self._remember()

    @property
    def observe(self) -> Callable[[Output], None]:
        """Takes in every output of the engine."""
        return self.snapshot.observe

    def app(self) -> ASGIApp:
        """The ASGI application."""
        return Gatekeeper(
            Starlette(
                routes=[
                    Route("/", self._home),
                    Route("/login", self._login, methods=["GET", "POST"]),
                    Route("/logout", self._logout, methods=["POST"]),
                    Route("/settings", self._settings),
                    Route("/static/{name}", self._file),
                    Route("/tank/{tank}", self._tank),
                    Route("/tank/{tank}/live", self._stream),
                    Route("/tank/{tank}/series.json", self._series),
                    Route("/tank/{tank}/records", self._records),
                    Route("/tank/{tank}/enter/{command}", self._form),
                    Route("/tank/{tank}/give/{command}", self._give, methods=["POST"]),
                    Route("/tank/{tank}/answer/{number}", self._answer),
                    Route("/give/{command}", self._give_plant, methods=["POST"]),
                    Route("/answer/{number}", self._answer_plant),
                ],
                exception_handlers={HTTPException: self._problem},  # type: ignore[dict-item]
            ),
            self._visitors,
        )

    # ------------------------------------------------------------------ looking

    def _home(self, request: Request) -> Response:
        if len(self._lookers) == 1:
            return RedirectResponse(f"/tank/{next(iter(self._lookers))}", 303)
        return self._html(request, "tanks.html", looks=[self._look(name) for name in self._lookers])

    def _tank(self, request: Request) -> Response:
        look = self._look(self._name(request))
        return self._html(request, "tank.html", look=look, tank=look.name, title=look.title)

    def _series(self, request: Request) -> Response:
        name = self._name(request)
        now_s = self._now_s()
        to_s = _number(request, "to", now_s)
        from_s = _number(request, "from", to_s - 86400.0)
        if not from_s < to_s:
            raise HTTPException(400, "from must be before to.")
        points = int(_number(request, "points", 800))
        content = chart(self._reader, self.snapshot, name, from_s=from_s, to_s=to_s, points=points)
        return Response(content, media_type="application/json")

    def _records(self, request: Request) -> Response:
        name = self._name(request)
        checks, calibrations = checks_and_calibrations(self._reader, self.snapshot, name)
        rows = log_rows(self._reader, self.snapshot, name, self._lookers[name].headlines)
        return self._html(
            request,
            "records.html",
            tank=name,
            title=self._title(name),
            checks=checks,
            calibrations=calibrations,
            rows=rows,
            trouble=fault(self._reader),
        )

    def _settings(self, request: Request) -> Response:
        return self._html(request, "settings.html", text=explain(self._loaded))

    def _file(self, request: Request) -> Response:
        file = self._static.get(request.path_params["name"])
        if file is None:
            raise HTTPException(404, "There is no such file.")
        zipped = "gzip" in request.headers.get("accept-encoding", "")
        return file.response(zipped=zipped)

    async def _stream(self, request: Request) -> Response:
        name = self._name(request)
        if self._live >= MOST_LIVE:
            raise HTTPException(503, "Too many browsers are watching.")
        return StreamingResponse(
            self._events(request, name),
            media_type="text/event-stream",
            headers={"X-Accel-Buffering": "no"},
        )

    async def _events(self, request: Request, name: str) -> AsyncIterator[bytes]:
        visitor: Visitor = request.state.visitor
        shown: dict[str, str] = {}
        known: tuple[int, str | None] | None = None
        beat_at = 0.0
        loop = asyncio.get_running_loop()
        self._live += 1
        try:
            while not self.closing.is_set() and self._visitors.still(visitor):
                now = loop.time()
                state = (self.snapshot.version, self._trouble())
                if state != known or now >= beat_at:
                    known, beat_at = state, now + BEAT_EVERY_S
                    look = self._look(name)
                    fresh = {
                        part: html
                        for part, html in self._fragments(visitor, look).items()
                        if shown.get(part) != html
                    }
                    shown |= fresh
                    yield _event(
                        {
                            "now": self._now_s(),
                            "parts": fresh,
                            "spoken": _spoken(look),
                            "waiting": look.waiting,
                        }
                    )
                try:
                    await asyncio.wait_for(self.closing.wait(), LIVE_EVERY_S)
                except TimeoutError:
                    continue
        finally:
            self._live -= 1

    def _fragments(self, visitor: Visitor, look: Look) -> dict[str, str]:
        return {
            part: self._renderer.render(
                f"_{part}.html",
                look=look,
                tank=look.name,
                stamp=self._visitors.stamp(visitor),
                may_write=visitor.may_write,
            )
            for part in FRAGMENTS
        }

    # ------------------------------------------------------------------ giving commands

    def _form(self, request: Request) -> Response:
        name, command = self._name(request), self._command(request)
        return self._show_form(request, name, command, {}, error=None)

    def _show_form(
        self,
        request: Request,
        name: str,
        command: str,
        entered: Mapping[str, str],
        *,
        error: str | None,
        asked: Mapping[str, Any] | None = None,
        status: int = 200,
    ) -> Response:
        form = FORMS[command]
        if form.template is None:
            raise HTTPException(404, "There is no form for that.")
        return self._html(
            request,
            form.template,
            status=status,
            tank=name,
            title=self._title(name),
            entered=entered or dict(request.query_params),
            error=error,
            asked=asked,
            choices=choices(self._loaded.configuration.tanks[name]),
        )

    def _give(self, request: Request) -> Response:
        name, command = self._name(request), self._command(request)
        entered: Mapping[str, str] = request.state.form
        visitor: Visitor = request.state.visitor
        form = FORMS[command]
        try:
            keys = form.keys(entered, self._now_s(), visitor.name)
        except UserError as error:
            return self._refuse(request, name, command, entered, str(error))
        number, answer = self.desk.give(name, command, keys)
        if not answer.ok and form.template is not None:
            return self._refuse(request, name, command, entered, answer.error)
        if form.asks_back and not answer.document.get("recorded", True):
            return self._show_form(
                request, name, command, entered, error=None, asked=answer.document
            )
        return RedirectResponse(f"/tank/{name}/answer/{number}", 303)

    def _give_plant(self, request: Request) -> Response:
        command = self._command(request)
        if command not in PLANT_COMMANDS:
            raise HTTPException(404, "There is no such command for the whole installation.")
        entered: Mapping[str, str] = request.state.form
        try:
            keys = FORMS[command].keys(entered, self._now_s(), request.state.visitor.name)
        except UserError as error:
            raise HTTPException(422, str(error)) from error
        number, _ = self.desk.give(PLANT, command, keys)
        back = entered.get("back", "")
        # Only a tank of ours, never an address from outside.
        query = f"?back={back}" if back in self._lookers else ""
        return RedirectResponse(f"/answer/{number}{query}", 303)

    def _answer_plant(self, request: Request) -> Response:
        back = request.query_params.get("back", "")
        tank = back if back in self._lookers else None
        title = "all tanks" if tank is None else self._title(tank)
        return self._show_answer(request, PLANT, tank=tank, title=title)

    def _refuse(
        self, request: Request, name: str, command: str, entered: Mapping[str, str], error: str
    ) -> Response:
        if FORMS[command].template is None:
            raise HTTPException(422, error)
        return self._show_form(request, name, command, entered, error=capital(error), status=422)

    def _answer(self, request: Request) -> Response:
        name = self._name(request)
        return self._show_answer(request, name, tank=name, title=self._title(name))

    def _show_answer(
        self, request: Request, owner: str, *, tank: str | None, title: str
    ) -> Response:
        answer = self.desk.answer(owner, request.path_params["number"])
        if answer is None:
            raise HTTPException(404, "That answer is no longer kept. See the records.")
        return self._html(request, "answer.html", tank=tank, title=title, answer=answer)

    # ------------------------------------------------------------------ coming and going

    def _login(self, request: Request) -> Response:
        if not self._visitors.asks_token:
            raise HTTPException(404, "There is no log-in here.")
        if request.method != "POST":
            return self._html(request, "login.html", error=None)
        visit = self._visitors.log_in(request.state.form.get("token", ""))
        if visit is None:
            return self._html(request, "login.html", status=403, error="That is not the token.")
        response = RedirectResponse("/", 303)
        cookie = self._visitors.cookie_text(visit, secure=request.state.secure)
        response.headers["Set-Cookie"] = cookie
        return response

    def _logout(self, request: Request) -> Response:
        self._visitors.log_out(request.state.visitor)
        return RedirectResponse("/", 303)

    async def _problem(self, request: Request, error: HTTPException) -> Response:
        return self._html(request, "problem.html", status=error.status_code, sentence=error.detail)

    # ------------------------------------------------------------------ helpers

    def _look(self, name: str) -> Look:
        return self._lookers[name].look(
            self.snapshot.tank(name),
            self.snapshot.tank(PLANT),
            now_s=self._now_s(),
            trouble=self._trouble(),
        )

    def _html(
        self,
        request: Request,
        template: str,
        *,
        status: int = 200,
        **what: Any,  # noqa: ANN401
    ) -> Response:
        visitor: Visitor = request.state.visitor
        text = self._renderer.render(
            template,
            **{"tank": None, "title": None, **what},
            tanks=[(name, self._title(name)) for name in self._lookers],
            stamp=self._visitors.stamp(visitor),
            may_write=visitor.may_write,
            visitor=visitor,
            asks_token=self._visitors.asks_token,
            path=request.url.path,
            now_s=self._now_s(),
            speed=self._speed,
            versions={name: file.version for name, file in self._static.items()},
        )
        return HTMLResponse(text, status)

    def _title(self, name: str) -> str:
        return self._lookers[name].tank.name or name

    def _name(self, request: Request) -> str:
        name: str = request.path_params["tank"]
        if name not in self._lookers:
            raise HTTPException(404, "There is no such tank.")
        return name

    @staticmethod
    def _command(request: Request) -> str:
        command: str = request.path_params["command"]
        if command not in FORMS:
            raise HTTPException(404, "There is no such command.")
        return command

    def _remember(self) -> None:
        """Whether somebody was at work when the daemon last stopped."""
        for name in self._lookers:
            try:
                rows = self._reader.events(name, ["service"], newest=1)
            except HistoryError:
                return
            for row in rows:
                self.snapshot.remember_service(name, row.data)


def _number(request: Request, key: str, default: float) -> float:
    text = request.query_params.get(key)
    if text is None:
        return default
    try:
        value = float(text)
    except ValueError:
        raise HTTPException(400, f"{key} must be a number.") from None
    if not 0 <= value <= 1e11:  # noqa: PLR2004 - year 5138, and no NaN
        raise HTTPException(400, f"{key} is out of range.")
    return value


def _event(data: Mapping[str, Any]) -> bytes:
    return b"data: " + orjson.dumps(data) + b"\n\n"


def _spoken(look: Look) -> str:
    """What a screen reader is told when it changes."""
    waiting = [alarm.headline for alarm in look.alarms if alarm.waits]
    return " ".join([look.why.headline, *waiting])
