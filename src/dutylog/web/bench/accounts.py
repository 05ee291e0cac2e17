"""Who is signed in at a bench: accounts of the store, sessions of this process (shared/BENCH_ACCESS.md)."""

from __future__ import annotations

import hashlib
import secrets
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.types import Scope

from dutylog.bench.names import person_key
from dutylog.bench.roles import MANAGER, VIEWER, reaches
from dutylog.bench.store.chain import Who
from dutylog.bench.store.rows import Account as AccountRow
from dutylog.bench.store.store import Store
from dutylog.clock import Clock, SystemClock
from dutylog.errors import InputError
from dutylog.ledger.names import check_text
from dutylog.web import access
from dutylog.web.access import NAME_LIMIT, TOO_MANY_TEXT, AccessCounters, Refused, Turns, cookie_of, seconds_text
from dutylog.web.access_code import SCRYPT_N, SCRYPT_P, SCRYPT_R, HashedCode, code_from_dict, code_to_dict
from dutylog.web.access_limit import SignInLimit, address_key
from dutylog.web.access_sessions import Session, Sessions
from dutylog.web.bench.wrong_tries import Tries, WrongTries

COOKIES = ("dutylog_bench", "__Host-dutylog-bench")
"""Other names than the vehicle's pages have: a browser doesn't tell the ports of one machine apart."""
WRONG_TEXT = "name or password is wrong; a manager of this bench can set another password"
NOBODY = Who("nobody", "program")
"""Who writes down that a sign-in was refused."""


@dataclass(frozen=True, slots=True)
class Viewer:
    """Who looks at a page. csrf: what every form of theirs carries as the field `csrf`."""

    name: str
    role: str
    csrf: str

    def may(self, least: str) -> bool:
        """Return whether this role is at least that one."""
        return reaches(self.role, least)

    @property
    def who(self) -> Who:
        """Return who stands in the entries they make."""
        return Who(self.name, self.role)


@dataclass(frozen=True, slots=True)
class Account:
    """An account of the store. code: None where its password can't be used."""

    name: str
    role: str
    code: HashedCode | None
    is_closed: bool

    @property
    def mark(self) -> str:
        """Return what changes with its password."""
        return "" if self.code is None else self.code.salt.hex()


def account_key(name: str) -> str:
    """Return what makes two names one account: tablets write capitals where they like, people dots (bench.names)."""
    return person_key(name)


def check_name(name: str) -> str:
    """Return a name of an account, composed and trimmed; InputError where it can't be one."""
    text = check_text(unicodedata.normalize("NFC", name).strip(), "name", NAME_LIMIT)
    if not person_key(text):
        raise InputError(f"name: {text!r:.40} has no letter or digit; write the name people are called by")
    return text


def read_accounts(store: Store) -> tuple[Account, ...]:
    """Return all accounts, closed ones included."""
    with store.read() as reading:
        return tuple(_account(row) for row in reading.accounts())


def find_account(store: Store, name: str) -> Account | None:
    """Return the account of a name."""
    key = account_key(name)
    return next((one for one in read_accounts(store) if account_key(one.name) == key), None)


def _account(row: AccountRow) -> Account:
    try:
        code = None if row.code is None else code_from_dict(row.code)
    except (ValueError, KeyError, TypeError):
        code = None
    return Account(row.name, row.role, code, row.is_closed)


class BenchAccess:
    """The accounts in force, who is signed in, and how often others tried."""

    def __init__(self, store: Store, clock: Clock | None = None, say: Callable[[str], None] | None = None) -> None:
        """say: takes lines for the log; never given a password."""
        used = clock or SystemClock()
        self._store = store
        self._clock = used
        self._say = say or (lambda _line: None)
        self._limit = SignInLimit(used)
        self._sessions = Sessions(used)
        self._turns = Turns()
        self._tries = WrongTries(used)
        self._nobody = HashedCode(
            SCRYPT_N, SCRYPT_R, SCRYPT_P, secrets.token_bytes(16), secrets.token_bytes(32), 0, False
        )
        self.counters = AccessCounters()

    def lets_in(self, address: str | None) -> bool:  # noqa: ARG002
        """Return True: nothing is seen without signing in, from this machine neither."""
        return True

    def viewer_of(self, scope: Scope) -> access.Viewer:
        """Return the session a request belongs to; whether its account is still open `viewer` says."""
        return access.Viewer(self._sessions.find(cookie_of(scope, COOKIES)), True)

    def viewer(self, session: Session) -> Viewer | None:
        """Return who a session is now; None where the account was closed or has another password. Reads the store."""
        account = find_account(self._store, session.name)
        if account is None or account.is_closed or account.code is None or account.mark != session.mark:
            return None
        return Viewer(account.name, account.role, session.csrf)

    async def sign_in(self, address: str, name: str, password: str) -> tuple[str, Session] | Refused:
        """Return a token and its session, or why there is none; both are kept in the store.

        Args:
            address: of the machine that asks. name, password: as typed.
        """
        try:
            name = check_name(name)
        except InputError as err:
            return Refused(400, str(err))
        if self._turns.are_full:
            self.counters.held_count += 1
            return Refused(503, TOO_MANY_TEXT, 10.0)
        account = await run_in_threadpool(find_account, self._store, name)
        key = _limit_key(address, None if account is None else account.name)
        wait_s = self._limit.wait_s(key)
        if wait_s > 0.0:
            self.counters.held_count += 1
            return Refused(429, f"too many wrong passwords; try again in {seconds_text(wait_s)}", wait_s)
        is_right = await self._is_right(account, password)
        if account is None or not is_right:
            self.counters.wrong_count += 1
            self._say(f"sign-in from {address}: wrong name or password ({self.counters.wrong_count} since the start)")
            known = None if account is None else account.name
            await run_in_threadpool(self._keep_refused, self._tries.add(address, known))
            return Refused(401, WRONG_TEXT)
        self._limit.succeeded(key)
        self.counters.signed_in_count += 1
        self._say(f"sign-in from {address}: {account.name}")
        await run_in_threadpool(self._keep_refused, self._tries.over())
        await run_in_threadpool(self._keep, Who(account.name, account.role), "signed_in", {"address": address})
        return self._sessions.open(account.name, account.mark)

    def sign_out(self, scope: Scope) -> None:
        """End the session a request belongs to."""
        self._sessions.close(cookie_of(scope, COOKIES))

    def session_of(self, scope: Scope) -> Session | None:
        """Return the session a request belongs to."""
        return self._sessions.find(cookie_of(scope, COOKIES))

    async def check_own(self, viewer: Viewer, address: str, password: str) -> str:
        """Return the mark of the account that is signed in; InputError where it has another one."""
        key = _limit_key(address, viewer.name)
        wait_s = self._limit.wait_s(key)
        if wait_s > 0.0:
            raise InputError(f"too many wrong passwords; try again in {seconds_text(wait_s)}")
        account = await run_in_threadpool(find_account, self._store, viewer.name)
        if account is None or not await self._is_right(account, password):
            raise InputError("your password of now is wrong; type it again")
        self._limit.succeeded(key)
        return account.mark

    async def _is_right(self, account: Account | None, password: str) -> bool:
        """Compare; for nobody's account as well, so that the time tells no names."""
        code = None if account is None or account.is_closed else account.code
        right = await self._turns.matches(code or self._nobody, password)
        return right and code is not None

    def _keep_refused(self, tries: Sequence[Tries]) -> None:
        for one in tries:
            self._keep(NOBODY, "sign_in_refused", {"address": one.address, "name": one.name, "count": one.count})

    def _keep(self, who: Who, kind: str, data: dict[str, Any]) -> None:
        with self._store.write(who) as tx:
            tx.append(kind, data)


def set_account(
    store: Store, who: Who, name: str, role: str, *, code: HashedCode | None = None, is_closed: bool = False
) -> None:
    """Write down an account: a new one, another role or password, or its end.

    code: None: the password stays.

    Raises:
        InputError: no such role, a new account without a password, or the last open manager would be gone.
    """
    with store.write(who) as tx:
        rows = {account_key(one.name): one for one in map(_account, tx.read.accounts())}
        before = rows.get(account_key(name))
        kept = code or (None if before is None else before.code)
        if kept is None:
            raise InputError(f"account {name:.40}: has no password yet; give one")
        spelled = name if before is None else before.name
        after = rows | {account_key(name): Account(spelled, role, kept, is_closed)}
        if not any(one.role == MANAGER and not one.is_closed for one in after.values()):
            raise InputError(f"account {spelled:.40}: is the last manager; make another one first")
        tx.append("account_put", {"name": spelled, "role": role, "code": code_to_dict(kept), "is_closed": is_closed})


def set_own_password(store: Store, name: str, mark: str, code: HashedCode) -> None:
    """Write down another password of one's own; role and all else are as they stand when it is written.

    mark: of the account when its password was checked.

    Raises:
        InputError: meanwhile somebody closed the account or gave it another password.
    """
    with store.read() as reading:
        asked = _account_in(reading.accounts(), name)
    with store.write(Who(name, VIEWER if asked is None else asked.role)) as tx:
        now = _account_in(tx.read.accounts(), name)
        if now is None or now.is_closed or now.mark != mark:
            raise InputError("your account was changed while you typed; your password stays as it is now there")
        data = {"name": now.name, "role": now.role, "code": code_to_dict(code), "is_closed": False}
        tx.append("account_put", data)


def _account_in(rows: Iterable[AccountRow], name: str) -> Account | None:
    key = account_key(name)
    return next((one for one in map(_account, rows) if account_key(one.name) == key), None)


def _limit_key(address: str, name: str | None) -> str:
    """Return what counts as one who tries: a machine with an account, so that a password of one's own opens no tries
    at another's. All names that are nobody's count as one.
    """
    text = f"{address_key(address)}\n{'' if name is None else account_key(name)}"
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()
