"""Questions about the bench itself: accounts, rules, photos, and the chain for the audit log."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Select, select

from dutylog.bench.store.asking import Asking, columns_of, load, load_object, named
from dutylog.bench.store.chain import Entry
from dutylog.bench.store.errors import StoreCorrupt
from dutylog.bench.store.rows import Account, Bench, Photo, RulesText
from dutylog.bench.store.tables import ACCOUNT, BENCH, ENTRY, HEAD, PHOTO, RULES

ENTRY_COLUMNS = list(ENTRY.c)
PAGE_LIMIT = 200
"""Entries one page of the audit log holds at most (judgement)."""
_ACCOUNT = columns_of(ACCOUNT, Account)
_RULES = columns_of(RULES, RulesText)


class BenchQueries(Asking):
    """The bench itself."""

    def bench(self) -> Bench | None:
        """Return this bench, None before it was set up."""
        row = self._first(select(*columns_of(BENCH, Bench)))
        return None if row is None else Bench(*row)

    def head(self) -> tuple[int, str]:
        """Return row and hash (hex) of the newest entry; row 0 before the first."""
        row = self._first(select(HEAD.c.row, HEAD.c.hash))
        return int(row[0]), bytes(row[1]).hex()

    def entries(self, before: int | None = None, limit: int = PAGE_LIMIT, kind: str | None = None) -> tuple[Entry, ...]:
        """Return a page of the chain, the newest first. before: only rows below it. limit: at most PAGE_LIMIT."""
        statement: Select[Any] = select(*ENTRY_COLUMNS).order_by(ENTRY.c.row.desc())
        if before is not None:
            statement = statement.where(ENTRY.c.row < min(max(before, 0), 2**62))
        if kind is not None:
            statement = statement.where(ENTRY.c.kind == kind)
        limit = min(max(limit, 1), PAGE_LIMIT)
        return tuple(make_read_entry(one) for one in self._page(statement, limit))

    def entry(self, row: int) -> Entry | None:
        """Return one entry, None where there is none of that row."""
        found = self._first(select(*ENTRY_COLUMNS).where(ENTRY.c.row == row)) if abs(row) < 2**62 else None
        return None if found is None else make_read_entry(found)

    def accounts(self) -> tuple[Account, ...]:
        """Return all accounts by name, the closed ones too."""
        return tuple(_make_account(one) for one in self._rows(select(*_ACCOUNT).order_by(ACCOUNT.c.name)))

    def account(self, name: str) -> Account | None:
        """Return an account, None where there is none of that name."""
        row = self._first(select(*_ACCOUNT).where(ACCOUNT.c.name == name))
        return None if row is None else _make_account(row)

    def rules(self) -> RulesText | None:
        """Return the newest triage rules, None where nobody changed those that come with dutylog."""
        row = self._first(select(*_RULES).order_by(RULES.c.version.desc()))
        return None if row is None else RulesText(*row)

    def rules_history(self) -> tuple[RulesText, ...]:
        """Return every version of the triage rules, the newest first."""
        return tuple(RulesText(*one) for one in self._rows(select(*_RULES).order_by(RULES.c.version.desc())))

    def photo(self, sha256: str) -> Photo | None:
        """Return a photo, None where there is none of that hash."""
        row = self._first(select(*columns_of(PHOTO, Photo)).where(PHOTO.c.sha256 == sha256))
        return None if row is None else Photo(row[0], row[1], bytes(row[2]))


def make_read_entry(row: Any) -> Entry:
    """Return an entry of its columns; StoreCorrupt where they hold what no entry has."""
    values = named(ENTRY_COLUMNS, row)
    text = values.pop("data")
    try:
        values["prev_hash"], values["hash"] = bytes(values["prev_hash"]), bytes(values["hash"])
    except TypeError as err:
        raise StoreCorrupt(f"entry {row[0]} is damaged (its hash is none); restore the last backup") from err
    return Entry(**values, text=text, data=load_object(text))


def _make_account(row: Any) -> Account:
    name, role, code, is_closed = row
    return Account(name, role, load(code), bool(is_closed))
