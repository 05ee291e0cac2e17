"""Settings: accounts, the keys that are trusted, what everybody did, and how to keep a copy of it all."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fastapi import FastAPI
from fastapi.responses import Response
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException

from dutylog.bench.card_trust import withdraw
from dutylog.bench.roles import MANAGER, ROLES, VIEWER
from dutylog.bench.store.chain import Entry
from dutylog.bench.store.queries_cards import WITHDRAWN
from dutylog.errors import InputError, one_line
from dutylog.web.access_code import MOST_SIGNS, HashedCode, hash_code
from dutylog.web.bench.accounts import (
    account_key,
    check_name,
    find_account,
    read_accounts,
    set_account,
    set_own_password,
)
from dutylog.web.bench.frame import Done, Frame, Seen, Write, number_in
from dutylog.web.bench.log_words import say_entry

LOG_LINES = 100


def add_settings(app: FastAPI, frame: Frame) -> None:  # noqa: ARG001 - all routes are added through the frame
    """Add the pages of settings and what is changed there."""

    @frame.page("/settings", least=VIEWER, here="settings")
    def settings(seen: Seen) -> Response:
        return _settings_page(seen)

    @frame.page("/settings/log", least=MANAGER, here="settings")
    def log(seen: Seen) -> Response:
        before = number_in(seen.query, "before", "entry") if "before" in seen.query else None
        kind = seen.query.get("kind") or None
        with seen.store.read() as reading:
            found: Sequence[Entry] = reading.entries(before, LOG_LINES + 1, kind)
        lines = [say_entry(one) for one in found[:LOG_LINES]]
        older = found[LOG_LINES - 1].row if len(found) > LOG_LINES else None
        return seen.render("bench/log.html", lines=lines, older=older, kind=kind)

    _add_accounts(frame)

    @frame.write("/settings/keys/withdraw", least=MANAGER, here="settings")
    def withdraw_key(write: Write) -> Done | Response:
        try:
            words = withdraw(
                write.store, write.who, write.field("ledger_id"), write.field("key_id"), write.field("why")
            )
        except InputError as err:
            return _settings_page(write, 400, "key", str(err))
        return Done(f"key {words} is not trusted any more", "/settings")


def _add_accounts(frame: Frame) -> None:
    @frame.write("/settings/accounts", least=MANAGER, here="settings")
    def add_account(write: Write) -> Done | Response:
        try:
            name, role = check_name(write.fields.get("name", "")), _role(write)
            if find_account(write.store, name) is not None:
                raise InputError(f"account {name}: is there already; give another name, or open it again below")
            set_account(write.store, write.who, name, role, code=_new_password(frame, write))
        except InputError as err:
            return _settings_page(write, 400, "add", str(err))
        return Done(f"{name} may sign in as {role}", "/settings")

    @frame.write("/settings/accounts/change", least=MANAGER, here="settings")
    def change_account(write: Write) -> Done | Response:
        account = find_account(write.store, write.field("name"))
        if account is None:
            raise HTTPException(404, f"no account {one_line(write.field('name'), 40)!r}; open the settings again")
        is_closed = write.field("is_closed") == "yes"
        try:
            code = _new_password(frame, write) if write.fields.get("password") else None
            set_account(write.store, write.who, account.name, _role(write), code=code, is_closed=is_closed)
        except InputError as err:
            return _settings_page(write, 400, f"account {account.name}", str(err))
        return Done(f"{account.name}: {'closed' if is_closed else _role(write)}", "/settings")

    @frame.write("/settings/password", least=VIEWER, here="settings")
    async def own_password(write: Write) -> Done | Response:
        address = write.request.client.host if write.request.client else ""
        try:
            mark = await frame.access.check_own(write.viewer, address, write.fields.get("old", ""))
            code = await run_in_threadpool(_new_password, frame, write)
            await run_in_threadpool(set_own_password, write.store, write.viewer.name, mark, code)
        except InputError as err:
            return await run_in_threadpool(_settings_page, write, 400, "own", str(err))
        return Done("your password is another one now; sign in with it", "/sign-in")


def _settings_page(seen: Seen, status: int = 200, where: str = "", problem: str = "") -> Response:
    """Return the settings. where: the form in which something is wrong: own, add, key, account NAME."""
    is_manager = seen.viewer.may(MANAGER)
    accounts = read_accounts(seen.store) if is_manager else ()
    with seen.store.read() as reading:
        bench, keys = reading.bench(), reading.vehicle_keys() if is_manager else ()
        names = {one.ledger_id: one.label for one in reading.vehicles() if one.ledger_id}
    values: dict[str, Any] = {"accounts": accounts, "keys": keys, "names": names, "password_limit": MOST_SIGNS}
    told = seen.fields if isinstance(seen, Write) else {}
    values |= {"where": where, "problem": problem, "told": told, "withdrawn": WITHDRAWN}
    return seen.render("bench/settings.html", status, own=bench, **values)


def _role(write: Write) -> str:
    role = write.field("role")
    if role not in ROLES:
        raise InputError(f"role {one_line(role, 20)!r}: give one of {', '.join(ROLES)}")
    return role


def _new_password(frame: Frame, write: Write) -> HashedCode:
    """Return what is kept of a password that was typed twice."""
    password = write.fields.get("password", "")
    if password != write.fields.get("again", ""):
        raise InputError("password: the two differ; type it again")
    if account_key(password) == account_key(write.field("name") or write.viewer.name):
        raise InputError("password: is the name itself; three or four words do")
    return hash_code(password, frame.clock.utc_ns(), False, "password")
