"""What somebody sent after their session had ended: shown again once they have signed in, and sent when they say so.

Nothing of it is kept here: its texts go along in the form to sign in, and from there into a form of their own.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from fastapi import Request
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from dutylog.web.access import NAME_LIMIT
from dutylog.web.access_code import MOST_SIGNS
from dutylog.web.bench.accounts import Viewer
from dutylog.web.bench.pages import BenchPages
from dutylog.web.bench.sent_once import ONCE_FIELD
from dutylog.web.bench.upload import FILES, MOST_FORM_BYTES, MOST_FORM_FIELDS, Bodies, Given
from dutylog.web.writes import CSRF_FIELD

if TYPE_CHECKING:
    from dutylog.web.bench.frame import Frame

SENT_FIELD = "sent"
MOST_SENT_BYTES = 3 * MOST_FORM_BYTES + 8192
"""The longest form as JSON within a form: what was one sign may be three percent signs' worth."""
ENDED_TEXT = "you are not signed in any more; sign in, and what you sent is shown to you before it counts"
GONE_TEXT = "you are not signed in any more, and what you sent could not be kept; sign in and send it again"
OLD_PAGE_TEXT = "the page is from before you signed in; nothing of it counts yet"
_SECRETS = {"password", "again", "old"}
_OWN = {CSRF_FIELD, ONCE_FIELD}


@dataclass(frozen=True, slots=True)
class Sent:
    """A form that didn't count. path: where it goes. files: names of fields that had files, which don't come along."""

    path: str
    fields: Mapping[str, str]
    files: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """Return it as a field of a form carries it."""
        return json.dumps({"path": self.path, "fields": self.fields, "files": self.files}, ensure_ascii=False)


class SendAgain:
    """Asks people whose form didn't count to sign in, and then whether it shall."""

    def __init__(self, frame: Frame) -> None:
        self._frame = frame
        # Others than those of people who are signed in: nobody from outside holds up their files.
        self._bodies = Bodies()

    async def ask_to_sign_in(self, request: Request, given: Given | None = None) -> Response:
        """Return the form to sign in with what was sent in it. given: the body, None where it isn't read yet."""
        path, headers = request.scope["path"], None
        try:
            given = given or await self._bodies.read(request, FILES)
        except HTTPException as err:
            headers = err.headers
        sent = None if given is None else self._sent(path, given)
        text = GONE_TEXT if sent is None else ENDED_TEXT
        return sign_in_page(self._frame.pages, self._page_of(request), 401, headers, text, "", sent)

    def ask_whether(self, request: Request, viewer: Viewer, given: Given) -> Response:
        """Return the page that asks whether a form of another session shall count."""
        sent = self._sent(request.scope["path"], given)
        # Browsers say where a form comes from, and the guard has looked; where none says so, nothing is offered.
        if sent is None or "origin" not in request.headers:
            raise HTTPException(403, "the page is from before you signed in; open it again and repeat it")
        return self.ask_for(viewer, sent, 403, problem=OLD_PAGE_TEXT)

    def ask_for(
        self, viewer: Viewer, sent: Sent, status: int, headers: Mapping[str, str] | None = None, problem: str = ""
    ) -> Response:
        """Return the page that shows what was sent and asks whether it shall count."""
        shown = [(name.replace("_", " "), text) for name, text in sent.fields.items() if text]
        values: dict[str, Any] = {"sent": sent, "shown": shown, "problem": problem, "back": self._near(sent.path)}
        return self._frame.pages.render("bench/send_again.html", viewer, "", status, headers, **values)

    def read(self, fields: Mapping[str, str]) -> Sent | None:
        """Return what a form to sign in has in it, None where there is nothing of ours."""
        try:
            found = json.loads(fields.get(SENT_FIELD, ""))
            sent = Sent(str(found["path"]), dict(found["fields"]), tuple(found["files"]))
        except (ValueError, KeyError, TypeError, RecursionError):
            return None
        texts = [*sent.fields, *sent.fields.values(), *sent.files]
        is_ours = all(isinstance(one, str) for one in texts) and len(texts) <= 3 * MOST_FORM_FIELDS
        return self._checked(sent) if is_ours else None

    def _sent(self, path: str, given: Given) -> Sent | None:
        fields = {name: text for name, text in given.fields.items() if name not in _OWN}
        return self._checked(Sent(path, fields, tuple(given.files)))

    def _checked(self, sent: Sent) -> Sent | None:
        """Return it where it may be sent again: to a write, no password in it, short enough to go along."""
        if sent.path in ("/sign-in", "/sign-out") or not self._frame.is_write(sent.path):
            return None
        if _SECRETS & set(sent.fields) or len(sent.text.encode("utf-8", "surrogatepass")) > MOST_FORM_BYTES:
            return None
        return sent

    def _page_of(self, request: Request) -> str:
        """Return the page a form was on, as its browser says, else the one its address lies under."""
        told = urlsplit(request.headers.get("referer", ""))
        if told.netloc == request.headers.get("host") and self._has_page(told.path):
            return told.path + (f"?{told.query}" if told.query else "")
        return self._near(request.scope["path"])

    def _near(self, path: str) -> str:
        while path and not self._has_page(path):
            path = path.rpartition("/")[0]
        return path or "/"

    def _has_page(self, path: str) -> bool:
        return any(one.method == "GET" and one.pattern.match(path) for one in self._frame.routes)


def sign_in_page(
    pages: BenchPages,
    then: str,
    status: int = 200,
    headers: Mapping[str, str] | None = None,
    problem: str | None = None,
    name: str = "",
    sent: Sent | None = None,
) -> Response:
    """Return the form to sign in. then: the page that follows. sent: goes along in it."""
    values: dict[str, Any] = {"then": then, "problem": problem, "name": name, "sent": sent}
    limits = {"name_limit": NAME_LIMIT, "password_limit": MOST_SIGNS}
    return pages.render("bench/sign_in.html", None, "sign_in", status, headers, **values, **limits)
