"""The database under the store: its URL, how a connection is set, and its errors in words for people."""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError, SQLAlchemyError

from dutylog.bench.store.errors import StoreCorrupt, StoreError, StoreFull
from dutylog.errors import InputError, one_line

BUSY_LIMIT_S = 10
"""How long a writer waits for others (judgement): a page that waits longer is a fault."""
FILE_MODE = 0o600
WRITES = "dutylog_writes"
"""Execution option of a connection that is going to write: SQLite's transaction then takes the lock at once."""
CACHE_KIB = 16_384
"""Of pages each SQLite connection keeps (judgement): the indices a board of 10 000 dampers walks fit into it."""
_FULL_STATES = ("53100", "53200")
_DOWN_CLASSES = ("08", "57", "28", "3D")
_DAMAGED_STATES = ("XX001", "XX002")
"""SQLSTATE: disk full, out of memory; connection, shutdown, credentials, no such database; data and index corrupted.
Source: PostgreSQL manual, appendix A."""

_MISSING_STATES = ("42P01", "42703")
_MISSING = re.compile("^no such (table|column)|has no column named")
"""Every question is one of ours, so a table or column that isn't there was taken out: PostgreSQL's SQLSTATE (as
above), and SQLite's words."""


def parse_url(text: str) -> URL:
    """Return the address of a store: 'sqlite:////absolute/file' or 'postgresql://host:port/name'.

    Raises:
        InputError: another kind of database, or no address at all.
    """
    try:
        url = make_url(text)
    except (ArgumentError, ValueError) as err:
        raise InputError(
            f"store {_shown(text)}: no address; say sqlite:////folder/file or postgresql://host/name"
        ) from err
    kind = url.get_backend_name()
    if kind == "sqlite" and url.database and url.database != ":memory:":
        return url.set(drivername="sqlite+pysqlite")
    if kind == "postgresql" and url.database:
        return url.set(drivername="postgresql+psycopg")
    raise InputError(f"store {_shown(text)}: expected sqlite:////folder/file or postgresql://host/name")


def check_password_kept(text: str, file: Path) -> None:
    """Refuse an address with a password in a file that others may read.

    Raises:
        InputError: it has one and they may; the text names the remedy.
    """
    if parse_url(text).password is not None and file.stat().st_mode & 0o077:
        raise InputError(
            f"{file}: the store's address holds a password and others may read the file; chmod 600 it, or leave the "
            "password to libpq's own file (PGPASSFILE)"
        )


def make_engine(url: URL, is_new_ok: bool) -> Engine:
    """Return the engine of a store; opens nothing yet, but makes SQLite's file (mode 0600) where it is missing."""
    if url.get_backend_name() == "sqlite":
        _check_file(Path(str(url.database)), is_new_ok)
        engine = create_engine(url, connect_args={"timeout": BUSY_LIMIT_S})
        event.listen(engine, "connect", _set_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return engine
    arguments = {
        "application_name": "dutylog-bench",
        "connect_timeout": BUSY_LIMIT_S,
        "options": f"-c lock_timeout={BUSY_LIMIT_S}s -c timezone=UTC -c synchronous_commit=on -c client_encoding=UTF8",
    }
    return create_engine(url, connect_args=arguments, pool_pre_ping=True)


def place_of(url: URL) -> str:
    """Return what people call a store: its file, or its address without a password."""
    if url.get_backend_name() == "sqlite":
        return str(url.database)
    return one_line(url.set(drivername="postgresql").render_as_string(hide_password=True))


@contextmanager
def reading(engine: Engine, place: str) -> Iterator[Connection]:
    """Give a connection whose every query sees the same state."""
    with translated(place):
        options = {} if engine.dialect.name == "sqlite" else {"isolation_level": "REPEATABLE READ"}
        with engine.connect().execution_options(**options) as connection, connection.begin():
            yield connection


@contextmanager
def writing(engine: Engine, place: str) -> Iterator[Connection]:
    """Run the body as one transaction: all of it is durable afterwards, or none of it happened."""
    with translated(place), engine.connect().execution_options(**{WRITES: True}) as connection, connection.begin():
        yield connection


@contextmanager
def translated(place: str) -> Iterator[None]:
    """Turn the database's errors of the body into ours."""
    try:
        yield
    except DBAPIError as err:
        raise _translate(err, place) from err
    except SQLAlchemyError as err:
        raise StoreError(f"store {place}: {one_line(err)}") from err
    except (sqlite3.Error, UnicodeDecodeError) as err:
        raise _damaged(place, err) from err
    except OverflowError as err:
        raise InputError(f"store {place}: a number does not fit 64 bits ({err})") from err


def _translate(err: DBAPIError, place: str) -> Exception:
    cause = err.orig
    if isinstance(cause, sqlite3.Error):
        return _translate_sqlite(cause, place)
    state = str(getattr(cause, "sqlstate", None) or "")
    said = one_line(cause)
    if state in _FULL_STATES:
        return StoreFull(f"store {place}: no room left at the database server; free some space there")
    if state in _DAMAGED_STATES or state in _MISSING_STATES:
        return _damaged(place, said)
    if state == "55P03":
        return StoreError(f"store {place} was locked for {BUSY_LIMIT_S} s by another bench; try again")
    if not state or state[:2] in _DOWN_CLASSES:
        return StoreError(
            f"store {place} can't be reached ({said}); check the server, its address and the password file"
        )
    if state[:2] in ("22", "23"):
        return InputError(f"store {place} refuses a row: {said}")
    return StoreError(f"store {place}: {said}")


def _translate_sqlite(err: sqlite3.Error, place: str) -> Exception:
    code = getattr(err, "sqlite_errorcode", None)
    primary = None if code is None else code & 0xFF
    said = one_line(err)
    if primary == sqlite3.SQLITE_FULL:
        return StoreFull(f"store {place}: no room left on the disk; free some space")
    if primary in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB) or (
        primary is None and isinstance(err, sqlite3.OperationalError)
    ):
        return _damaged(place, said)
    if primary in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return StoreError(f"store {place} was locked for {BUSY_LIMIT_S} s by another program; close that one")
    if primary in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        return StoreError(f"store {place} can't be opened ({said}); check the rights of file and folder")
    if primary == sqlite3.SQLITE_ERROR and _MISSING.search(said):
        return _damaged(place, said)
    if isinstance(err, sqlite3.IntegrityError):
        return InputError(f"store {place} refuses a row: {said}")
    return StoreError(f"store {place}: {said}; check the disk")


def _damaged(place: str, what: object) -> StoreCorrupt:
    return StoreCorrupt(
        f"store {place} is damaged ({one_line(what)}); move it aside and restore the last backup into a new one"
    )


def _shown(text: str) -> str:
    """Return an address that is none, without what may be a password."""
    return repr(one_line(text.split("@")[-1], 60))


def _check_file(path: Path, is_new_ok: bool) -> None:
    if path.is_dir():
        raise StoreError(f"store {path} is a folder, a file was expected")
    if not path.parent.is_dir():
        raise StoreError(f"there is no folder {path.parent} for the store; make it or name another data folder")
    if path.exists():
        return
    if not is_new_ok:
        raise StoreError(f"there is no store {path}; `dutylog bench setup` makes one")
    try:
        os.close(os.open(path, os.O_CREAT | os.O_WRONLY, FILE_MODE))
    except OSError as err:
        raise StoreError(f"store {path} can't be made ({err.strerror}); check the rights of the folder") from err


def _set_sqlite(connection: Any, _record: object) -> None:
    """Set a new connection. Transactions are begun by us: the module's own begin late and without the lock."""
    connection.isolation_level = None
    cursor = connection.cursor()
    try:
        for text in ("foreign_keys = ON", "journal_mode = WAL", "synchronous = FULL", f"cache_size = -{CACHE_KIB}"):
            cursor.execute(f"PRAGMA {text}")
    finally:
        cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    # IMMEDIATE: a transaction that starts by reading and then writes ignores the busy time-out.
    is_writer = connection.get_execution_options().get(WRITES, False)
    connection.exec_driver_sql("BEGIN IMMEDIATE" if is_writer else "BEGIN")
