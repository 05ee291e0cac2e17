"""Who may do what on the pages: reading is open to whoever reaches them, writing needs sign-in (shared/ACCESS.md)."""

from __future__ import annotations

import asyncio
import ipaddress
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers
from starlette.types import Scope

from dutylog.clock import Clock, SystemClock
from dutylog.errors import InputError
from dutylog.ledger.names import check_text
from dutylog.web.access_code import AccessStore, HashedCode
from dutylog.web.access_limit import SignInLimit
from dutylog.web.access_sessions import LONGEST_S, Session, Sessions

VIEWER_KEY = "dutylog.viewer"
"""Where a request's scope has its Viewer."""
PLAIN_COOKIE, TLS_COOKIE = COOKIES = "dutylog", "__Host-dutylog"
"""Source: RFC 6265bis, 4.1.3.2: a browser takes the prefix only with Secure, Path=/ and no Domain."""
NAME_LIMIT = 40
MOST_WAITING = 6
"""So many sign-ins wait while one is worked out, a second each; judgement."""
TOO_MANY_TEXT = "too many sign in at once; try again in some seconds"
NO_CODE_TEXT = "no access code is set, so nobody can sign in; on the logger: dutylog access set"
REMOTE_TEXT = "these pages are open to other machines once an access code is set; on the logger: dutylog access set"


@dataclass(slots=True)
class AccessCounters:
    """Sign-ins since the start, for /health: done, with a wrong code, and held up by the limit."""

    signed_in_count: int = 0
    wrong_count: int = 0
    held_count: int = 0


@dataclass(frozen=True, slots=True)
class Viewer:
    """Who sent a request. session: None while not signed in. can_sign_in: whether there is a code."""

    session: Session | None = None
    can_sign_in: bool = False


@dataclass(frozen=True, slots=True)
class Refused:
    """Why a sign-in failed: an HTTP status, one line, and how long to wait [s] where that helps."""

    status: int
    text: str
    wait_s: float = 0.0


class Turns:
    """Compares codes one after the other, in a thread: each takes 16 MiB and a second."""

    def __init__(self) -> None:
        self._turn = asyncio.Semaphore(1)
        self._waiting_count = 0

    @property
    def are_full(self) -> bool:
        """Return whether no further one should wait."""
        return self._waiting_count >= MOST_WAITING

    async def matches(self, kept: HashedCode, code: str) -> bool:
        """Return whether a code is the one kept."""
        self._waiting_count += 1
        try:
            async with self._turn:
                return await run_in_threadpool(kept.matches, code)
        finally:
            self._waiting_count -= 1


class Access:
    """The code in force, who is signed in, and how often others tried."""

    def __init__(
        self, data_dir: Path | None = None, clock: Clock | None = None, say: Callable[[str], None] | None = None
    ) -> None:
        """data_dir: None: no code is ever set. say: takes lines for the log; never given a code."""
        used = clock or SystemClock()
        self._store = AccessStore(data_dir)
        self._say = say or (lambda _line: None)
        self._limit = SignInLimit(used)
        self._sessions = Sessions(used)
        self._salt: bytes | None = None
        self._turns = Turns()
        self.counters = AccessCounters()

    @property
    def is_set(self) -> bool:
        """Return whether a code is in force."""
        return self._code() is not None

    @property
    def sessions_count(self) -> int:
        """Return how many are signed in."""
        self._code()
        return self._sessions.count

    def describe(self) -> str:
        """Return the state of the code in words."""
        return "code set" if self.is_set else (self._store.problem or "no code set")

    def lets_in(self, address: str | None) -> bool:
        """Return whether a machine may see the pages: this one always, others once a code is set."""
        return is_loopback(address) or self.is_set

    def viewer_of(self, scope: Scope) -> Viewer:
        """Return who sent a request."""
        return Viewer(self.session_of(scope), self.is_set)

    def session_of(self, scope: Scope) -> Session | None:
        """Return the session a request belongs to."""
        token = cookie_of(scope)
        return self._sessions.find(token) if token and self._code() is not None else None

    async def sign_in(self, address: str, name: str, code: str) -> tuple[str, Session] | Refused:
        """Return a token and its session, or why there is none.

        Args:
            address: of the machine that asks. name: free text of 1 to NAME_LIMIT signs. code: as typed.
        """
        in_force = self._code()
        if in_force is None:
            return Refused(403, self._store.problem or NO_CODE_TEXT)
        try:
            name = check_text(unicodedata.normalize("NFC", name).strip(), "name", NAME_LIMIT)
        except InputError as err:
            return Refused(400, str(err))
        if self._turns.are_full:
            self.counters.held_count += 1
            return Refused(503, TOO_MANY_TEXT, 10.0)
        wait_s = self._limit.wait_s(address)
        if wait_s > 0.0:
            self.counters.held_count += 1
            return Refused(429, f"too many wrong codes; try again in {seconds_text(wait_s)}", wait_s)
        if not await self._is_right(in_force, code):
            self.counters.wrong_count += 1
            self._say(f"sign-in from {address}: wrong code ({self.counters.wrong_count} since the start)")
            return Refused(401, "the access code is wrong; ask whoever set it")
        self._limit.succeeded(address)
        self.counters.signed_in_count += 1
        self._say(f"sign-in from {address}: {name}")
        return self._sessions.open(name)

    def sign_out(self, scope: Scope) -> None:
        """End the session a request belongs to."""
        self._sessions.close(cookie_of(scope))

    async def _is_right(self, in_force: HashedCode, code: str) -> bool:
        right = await self._turns.matches(in_force, code)
        # Changed meanwhile: what was right is no longer.
        return right and self._code() == in_force

    def _code(self) -> HashedCode | None:
        """Return the code in force; when it isn't the one of before, everybody is signed out."""
        code = self._store.current()
        salt = None if code is None else code.salt
        if salt != self._salt:
            if self._salt is not None:
                self._say("the access code was changed or cleared; everybody is signed out")
            self._salt = salt
            self._sessions.close_all()
            self._limit.forget_known()
        return code


def viewer_in(scope: Scope) -> Viewer:
    """Return whom the guard found to have sent a request."""
    found = scope.get(VIEWER_KEY)
    return found if isinstance(found, Viewer) else Viewer()


def is_loopback(address: str | None) -> bool:
    """Return whether an address is this machine's own; an unknown one isn't."""
    try:
        ip = ipaddress.ip_address((address or "").partition("%")[0])
    except ValueError:
        return False
    mapped = ip.ipv4_mapped if isinstance(ip, ipaddress.IPv6Address) else None
    return (mapped or ip).is_loopback


def cookie_of(scope: Scope, names: tuple[str, str] = COOKIES) -> str:
    """Return the token of a request, '' when it has none. Of several with our name the first counts.

    names: of the cookie over plain HTTP and over TLS.
    """
    wanted = names[scope["scheme"] == "https"]
    for line in Headers(scope=scope).getlist("cookie"):
        for pair in line.split(";"):
            name, _, value = pair.partition("=")
            if name.strip() == wanted:
                return value.strip()
    return ""


def make_cookie(token: str, scheme: str, names: tuple[str, str] = COOKIES) -> str:
    """Return the Set-Cookie line that gives a browser its token, or with an empty one takes it away."""
    name, secure = (names[1], "; Secure") if scheme == "https" else (names[0], "")
    age_s = round(LONGEST_S) if token else 0
    return f"{name}={token}; Path=/; Max-Age={age_s}; HttpOnly; SameSite=Strict{secure}"


def seconds_text(wait_s: float) -> str:
    """Return how long to wait in words."""
    return f"{max(1, round(wait_s))} s" if wait_s < 120.0 else f"{round(wait_s / 60.0)} min"
