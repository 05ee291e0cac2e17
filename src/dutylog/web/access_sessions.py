"""Who is signed in: a bounded table in memory, which ends with the process."""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from collections import OrderedDict
from dataclasses import dataclass

from dutylog.clock import Clock
from dutylog.units import NS_PER_S

MOST_SESSIONS = 64
IDLE_S, LONGEST_S = 12 * 3600.0, 24 * 3600.0
"""A day at the races: nobody signs in twice for a lunch break, and nobody's phone stays in for the next. Judgement."""
_TOKEN_BYTES = 32
_TOKEN = re.compile(r"[A-Za-z0-9_-]{43}", re.ASCII)


@dataclass(slots=True)
class Session:
    """One person on one screen. name: as typed at sign-in. csrf: what every write of this session carries.

    mark: what it rests on, such as the salt of an account's password; whoever opened it knows.
    """

    name: str
    csrf: str
    made_ns: int
    seen_ns: int
    mark: str = ""

    def has_csrf(self, given: str) -> bool:
        """Return whether `given` is the token of this session."""
        return hmac.compare_digest(self.csrf.encode(), given.encode("utf-8", "surrogatepass"))


class Sessions:
    """Finds a session by its token; only a hash of the token is kept, so its comparison tells nothing."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._held: OrderedDict[bytes, Session] = OrderedDict()

    def open(self, name: str, mark: str = "") -> tuple[str, Session]:
        """Return a new token and its session; where there are too many, the one unused for longest ends."""
        now_ns = self._clock.mono_ns()
        token = secrets.token_urlsafe(_TOKEN_BYTES)
        session = Session(name, secrets.token_urlsafe(_TOKEN_BYTES), now_ns, now_ns, mark)
        self._held[_key(token)] = session
        if len(self._held) > MOST_SESSIONS:
            self._held.popitem(last=False)
        return token, session

    def find(self, token: str) -> Session | None:
        """Return the session of a token, None when it isn't one of ours or is over."""
        if not _TOKEN.fullmatch(token):
            return None
        key, now_ns = _key(token), self._clock.mono_ns()
        session = self._held.get(key)
        if session is None:
            return None
        if now_ns - session.seen_ns > IDLE_S * NS_PER_S or now_ns - session.made_ns > LONGEST_S * NS_PER_S:
            del self._held[key]
            return None
        session.seen_ns = now_ns
        self._held.move_to_end(key)
        return session

    def close(self, token: str) -> None:
        """End the session of a token, if there is one."""
        self._held.pop(_key(token), None)

    def close_all(self) -> None:
        """End every session."""
        self._held.clear()

    @property
    def count(self) -> int:
        """Return how many there are, those that are over but weren't asked for since included."""
        return len(self._held)


def _key(token: str) -> bytes:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).digest()
