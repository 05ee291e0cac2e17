"""How the store's queries reach the database: through one transaction, or each through one of its own."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from contextlib import AbstractContextManager
from dataclasses import fields
from types import TracebackType
from typing import Any, Self

from sqlalchemy import Column, Connection, Engine, Select, Table

from dutylog.bench.store.connect import reading, translated
from dutylog.bench.store.errors import StoreCorrupt, StoreError
from dutylog.errors import InputError, one_line

ROW_LIMIT = 100_000
"""Rows one question may return (judgement): every part of 10 000 dampers."""


class Asking:
    """Parent of all queries. connection: of a transaction that is under way; without it each question has its own.

    Within `with` all questions see the same state, whatever is committed meanwhile.
    """

    def __init__(self, connection: Connection | None, engine: Engine | None = None, place: str = "") -> None:
        self._connection = connection
        self._engine = engine
        self._place = place
        self._held: AbstractContextManager[Connection] | None = None

    def __enter__(self) -> Self:
        if self._engine is not None and self._held is None:
            self._held = reading(self._engine, self._place)
            self._connection = self._held.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None
    ) -> None:
        held, self._held = self._held, None
        if held is not None:
            self._connection = None
            held.__exit__(kind, err, trace)

    def _rows(self, statement: Select[Any], limit: int = ROW_LIMIT) -> Sequence[Any]:
        """Return the rows of a question; StoreError when there are more than `limit`."""
        found = self._page(statement, limit + 1)
        if len(found) > limit:
            raise StoreError(f"store {self._place}: more than {limit} rows asked for at once; ask for less")
        return found

    def _page(self, statement: Select[Any], limit: int) -> Sequence[Any]:
        """Return the first rows of a question, at most `limit`."""
        statement = statement.limit(limit)
        if self._connection is not None:
            with translated(self._place):
                return self._connection.execute(statement).all()
        if self._engine is None:
            raise StoreError("the reading is over; ask the store for another one")
        with reading(self._engine, self._place) as connection:
            return connection.execute(statement).all()

    def _first(self, statement: Select[Any]) -> Any:
        """Return the first row of a question or None."""
        found = self._page(statement, 1)
        return found[0] if found else None


def columns_of(table: Table, row: type) -> list[Column[Any]]:
    """Return the columns of a table that a row of `rows` holds, in its order."""
    return [table.c[one.name] for one in fields(row)]


def named(columns: Sequence[Column[Any]], row: Sequence[Any]) -> dict[str, Any]:
    """Return the values of a row by the names of its columns."""
    return dict(zip((column.name for column in columns), row, strict=True))


def load(text: str | None) -> Any:
    """Return what a column of JSON holds; StoreCorrupt where it is none."""
    try:
        return None if text is None else json.loads(text)
    except (ValueError, TypeError, RecursionError) as err:
        raise StoreCorrupt(f"the store is damaged ({one_line(err, 80)}); restore the last backup") from err


def load_object(text: str | None) -> Mapping[str, Any]:
    """Return the object that a column of JSON holds; StoreCorrupt where it is none."""
    found = load(text)
    if not isinstance(found, dict):
        raise StoreCorrupt(f"the store is damaged ({one_line(repr(text), 40)} is no object); restore the last backup")
    return found


def pattern(text: str) -> str:
    """Return what LIKE finds text anywhere by, with '\\' before its signs; InputError for an empty one."""
    folded = text.strip().casefold()
    if not folded:
        raise InputError("search: say what for")
    for sign in ("\\", "%", "_"):
        folded = folded.replace(sign, f"\\{sign}")
    return f"%{folded}%"
