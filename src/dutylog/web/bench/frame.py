"""The frame around every page of the bench: who may, what a request carries, how a page is rendered.

How a route is added, in a function `add_NAME(app, frame)` of a module of its own:

    def add_board(app: FastAPI, frame: Frame) -> None:
        @frame.page("/board", least=VIEWER, here="board")
        def board(seen: Seen) -> Response:
            with seen.store.read() as reading:
                rows = reading.due_rows(...)
            return seen.render("bench/board.html", rows=rows)

        @frame.write("/parts/{part_no}/stock", least=TECHNICIAN)
        def change(write: Write) -> Done:
            with write.store.write(write.who) as tx:
                tx.append("stock_change", {...})
            return Done("stock changed", "/parts")

- The functions are plain ones (`def`): they run in a thread, so they may read the store and take a second.
- `page` answers GET and HEAD. `write` answers POST alone, after origin, session, role, size and CSRF were checked;
  forms carry `<input type="hidden" name="csrf" value="{{ viewer.csrf }}">`, scripts the header `X-CSRF`.
- `least` is the least role (bench.roles). It goes into `frame.routes`, the one table that is asked; a route that was
  added past the frame is found by a test, and nobody who isn't signed in reaches it.
- `seen.params`: of the path, as text (`number_in(seen.params, "job")` gives a whole number or 404). `seen.query`: of
  the address. `write.fields`: texts of the form, each once; `write.field("note")` trimmed, '' where absent. With
  `body=FILES` a form may be multipart/form-data and `write.files` has what was chosen (upload.MOST_UPLOAD_BYTES).
- A write returns Done(text, see): a form goes to `see` and reads `text` there, once; a script gets JSON. Or any
  Response. A form that comes twice (every page gives its forms a mark, `once`) is done once where it came to Done.
- `seen.render(template, status, **values)`: a template of web/templates that extends "bench/frame.html". It knows
  `viewer` (name, role, csrf, may(role)), `here`, `bench` (BenchSettings), `today`, `has_route(path)`, `wear`,
  `quantity_text(kind, value)`, `money(minor)`, filters position, segment, when, iso, moment, key_words; macros
  quantity, sentence, percent, csrf, moment, tick in "bench/figures.html" (import them with context).
- What people can mend is raised as InputError (400, its line); HTTPException(404, "one line") where there is none.
- A page of a job passes `job=` (job_head.read_job_head) and `step=` (a key of pages.JOB_STEPS) and has its block `job`
  in a template that extends "bench/job_frame.html", which has the h1.
- `bench.job_facts.read_job_facts(reading, job, damper)` says what is known of a job's damper.
"""

from __future__ import annotations

import re
from collections import OrderedDict
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from inspect import iscoroutinefunction
from typing import Any
from urllib.parse import unquote, urlsplit

from fastapi import FastAPI, Request
from fastapi.responses import JSONResponse, RedirectResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.routing import Route as StarletteRoute
from starlette.routing import compile_path
from starlette.types import Scope

from dutylog.bench.roles import ROLE_WORDS, TECHNICIAN, VIEWER
from dutylog.bench.store.chain import Who
from dutylog.bench.store.errors import StoreError
from dutylog.bench.store.store import Store
from dutylog.clock import Clock, SystemClock
from dutylog.config.bench import BenchSettings
from dutylog.errors import one_line
from dutylog.units import NS_PER_S
from dutylog.web.answers import envelope
from dutylog.web.bench.accounts import BenchAccess, Viewer
from dutylog.web.bench.pages import BenchPages
from dutylog.web.bench.send_again import SendAgain
from dutylog.web.bench.sent_once import ONCE_FIELD, SentOnce, once_key
from dutylog.web.bench.upload import FILES, FORM, Bodies, Given, Upload
from dutylog.web.writes import CSRF_FIELD, CSRF_HEADER, wants_json

__all__ = ["FILES", "FORM", "Done", "Frame", "Seen", "Upload", "Write", "number_in"]
_READ = ["GET", "HEAD"]
_TWICE_TEXT = "sent twice, done once"
_MOST_SAID = 64
_LARGEST_NUMBER = 2**53


@dataclass(frozen=True, slots=True)
class Done:
    """What a write has to say, and the page to go to where it came from a form."""

    text: str
    see: str


@dataclass(frozen=True, slots=True)
class Seen:
    """A request of somebody who may. params: of its path. query: of its address."""

    frame: Frame
    request: Request
    viewer: Viewer
    params: Mapping[str, str]
    here: str

    @property
    def store(self) -> Store:
        """Return the bench's store."""
        return self.frame.store

    @property
    def query(self) -> Mapping[str, str]:
        """Return the query of the address; of several of one name the last."""
        return self.request.query_params

    @property
    def who(self) -> Who:
        """Return who stands in the entries this person makes."""
        return self.viewer.who

    def render(
        self, template: str, status: int = 200, headers: Mapping[str, str] | None = None, **values: Any
    ) -> Response:
        """Return a page for whoever looks."""
        said = self.frame.take_said(self.viewer, self.request.scope["path"])
        return self.frame.pages.render(template, self.viewer, self.here, status, headers, said=said, **values)


@dataclass(frozen=True, slots=True)
class Write(Seen):
    """A write that passed every check. fields: texts of its body. files: what was chosen, by the field's name."""

    fields: Mapping[str, str] = field(default_factory=dict)
    files: Mapping[str, Upload] = field(default_factory=dict)

    def field(self, name: str) -> str:
        """Return a field, trimmed; '' where there is none."""
        return self.fields.get(name, "").strip()


@dataclass(frozen=True, slots=True)
class Route:
    """A row of the table of routes. method: GET or POST. least: role."""

    method: str
    path: str
    least: str
    pattern: re.Pattern[str]


PageFunction = Callable[[Seen], Response]
WriteFunction = Callable[[Write], Any]
"""Returns Done or a Response; one that only works in memory may be async."""


class Frame:
    """Adds routes to the application and stands in front of each."""

    def __init__(
        self, app: FastAPI, store: Store, settings: BenchSettings, access: BenchAccess, clock: Clock | None = None
    ) -> None:
        self.app = app
        self.store = store
        self.settings = settings
        self.access = access
        self.clock = clock or SystemClock()
        self.routes: list[Route] = []
        self.pages = BenchPages(settings, self.today, self.has_route)
        self.again = SendAgain(self)
        self._bodies = Bodies()
        self._once = SentOnce()
        self._said: OrderedDict[tuple[str, str], str] = OrderedDict()

    def today(self) -> date:
        """Return the day in UTC."""
        return datetime.fromtimestamp(self.clock.utc_ns() / NS_PER_S, UTC).date()

    def page(self, path: str, least: str = VIEWER, here: str = "") -> Callable[[PageFunction], PageFunction]:
        """Add a page. here: which part of the navigation it belongs to."""

        def add(function: PageFunction) -> PageFunction:
            self._keep("GET", path, least)

            def answer(request: Request, viewer: Viewer) -> Response:
                return function(Seen(self, request, viewer, request.path_params, here))

            async def endpoint(request: Request) -> Response:
                return await run_in_threadpool(answer, request, await self.enter(request, least))

            self.app.router.routes.append(StarletteRoute(path, endpoint, methods=_READ))
            return function

        return add

    def write(
        self, path: str, least: str = TECHNICIAN, body: str = FORM, here: str = ""
    ) -> Callable[[WriteFunction], WriteFunction]:
        """Add a write. body: FORM for small forms, FILES where files may come."""

        def add(function: WriteFunction) -> WriteFunction:
            self._keep("POST", path, least)

            async def endpoint(request: Request) -> Response:
                given: Given | None = None
                try:
                    viewer = await self.enter(request, least)
                    given = await self._bodies.read(request, body)
                    # Asked again: while the body came, the session may have ended.
                    viewer = await self.enter(request, least)
                except HTTPException as err:
                    if err.status_code != 401 or wants_json(request):
                        raise
                    return await self.again.ask_to_sign_in(request, given)
                if not self._has_csrf(request, given):
                    return self.again.ask_whether(request, viewer, given)
                fields = {name: text for name, text in given.fields.items() if name != ONCE_FIELD}
                write = Write(self, request, viewer, request.path_params, here, fields, given.files)

                async def work() -> Done | Response:
                    done = function(write) if iscoroutinefunction(function) else run_in_threadpool(function, write)
                    found: Done | Response = await done
                    return found

                key = once_key(viewer.csrf, request.scope["path"], given)
                done, is_repeat = await self._once.run(key, work, lambda found: isinstance(found, Done))
                return self._answer(request, viewer, done, is_repeat)

            self.app.router.routes.append(StarletteRoute(path, endpoint, methods=["POST"]))
            return function

        return add

    async def enter(self, request: Request, least: str) -> Viewer:
        """Return who sent a request; HTTPException 401 where nobody is signed in, 403 where the role is too low."""
        session = self.access.session_of(request.scope)
        viewer = None if session is None else await run_in_threadpool(self.access.viewer, session)
        if viewer is None:
            self.access.sign_out(request.scope)
            raise HTTPException(401, "sign in first, at /sign-in")
        if not viewer.may(least):
            raise HTTPException(
                403, f"{viewer.name} is signed in as {viewer.role}; this needs a {least} ({ROLE_WORDS[least]})"
            )
        return viewer

    async def find_viewer(self, scope: Scope) -> Viewer | None:
        """Return who sent a request, for the answer to an error; None where that can't be told either."""
        session = self.access.session_of(scope)
        try:
            return None if session is None else await run_in_threadpool(self.access.viewer, session)
        except StoreError:
            return None

    def _has_csrf(self, request: Request, given: Given) -> bool:
        """Return whether a write carries the token of its session."""
        session = self.access.session_of(request.scope)
        token = request.headers.get(CSRF_HEADER) or given.fields.get(CSRF_FIELD, "")
        return session is not None and session.has_csrf(token)

    def is_write(self, path: str) -> bool:
        """Return whether a path takes a POST."""
        return path == "/sign-in" or any(one.method == "POST" and one.pattern.match(path) for one in self.routes)

    def has_route(self, path: str) -> bool:
        """Return whether a page of that path, as it was added, is there."""
        return any(one.method == "GET" and one.path == path for one in self.routes)

    def say(self, viewer: Viewer, text: str, see: str) -> None:
        """Have a page say something when this person opens it next; see: its address."""
        key = (viewer.csrf, unquote(urlsplit(see).path))
        self._said[key] = text
        self._said.move_to_end(key)
        if len(self._said) > _MOST_SAID:
            self._said.popitem(last=False)

    def take_said(self, viewer: Viewer, path: str) -> str:
        """Return what the page of a path is to say, once."""
        return self._said.pop((viewer.csrf, path), "")

    def _keep(self, method: str, path: str, least: str) -> None:
        self.routes.append(Route(method, path, least, compile_path(path)[0]))

    def _answer(self, request: Request, viewer: Viewer, found: Done | Response, is_repeat: bool) -> Response:
        if isinstance(found, Response):
            return found
        text = f"{found.text} ({_TWICE_TEXT})" if is_repeat else found.text
        if wants_json(request):
            return JSONResponse(envelope(ok=True, text=text, see=found.see))
        self.say(viewer, text, found.see)
        return RedirectResponse(found.see, status_code=303)


def number_in(params: Mapping[str, str], name: str, what: str = "") -> int:
    """Return a whole number from 1 of a path; HTTPException 404 where it is none."""
    text = params.get(name, "")
    if not (text.isascii() and text.isdigit() and 0 < int(text[:17]) < _LARGEST_NUMBER and len(text) < 17):
        raise HTTPException(404, f"no {what or name} {one_line(text, 40)!r}; open it from its list")
    return int(text)
