"""The SQLite file: opening, the one way to write, limited reading, and errors in words for people."""

from __future__ import annotations

import os
import re
import sqlite3
import time
import zlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any
from urllib.parse import quote

from dutylog.errors import DutylogError, InputError, LedgerCorrupt, LedgerError, LedgerFull, one_line

PAGE_SIZE = 512
FILE_MODE = 0o640
ROW_LIMIT = 20_000
"""Rows one reading may return (judgement): two weeks of 60-second rows of one damper."""
QUERY_LIMIT_S = 2.0
"""Time one reading may take on a read-only connection (judgement): a page that waits longer is a fault."""
PROGRESS_STEPS = 1000
# 2000 pages = 1 MB of WAL: at two pages a second the file itself is written about every quarter of an hour.
AUTOCHECKPOINT_PAGES = 2000
WAL_KEEP_BYTES = 8 << 20
CACHE_KIB = 128
"""Of pages each connection keeps. Ours read and write a few rows at a time; with SQLite's own 2 MB memory grew with
the file, connection by connection."""
BUSY_LIMIT_S = 5.0
OLDEST_SQLITE = (3, 37, 0)
"""STRICT tables. Source: sqlite.org/stricttables.html, 'added in version 3.37.0'."""
_MISSING = re.compile("^no such (table|column|index)|has no column named")


class Database:
    """A connection to a ledger file. Not shared between threads.

    before_commit: the last step of every transaction that writes.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, read_only: bool, query_limit_s: float) -> None:
        self.path = path
        self.read_only = read_only
        self._connection: sqlite3.Connection | None = connection
        self._query_limit_s = query_limit_s
        self._deadline_s: float | None = None
        self.before_commit: Callable[[sqlite3.Connection], None] | None = None
        if read_only:
            connection.set_progress_handler(self._is_late, PROGRESS_STEPS)

    @classmethod
    def open(cls, path: Path, read_only: bool, query_limit_s: float = QUERY_LIMIT_S) -> Database:
        """Open a ledger file, making an empty one when it is missing and not `read_only`.

        Raises:
            LedgerError: no such file or folder, no permission, SQLite too old.
            LedgerCorrupt: the file is no SQLite file.
        """
        if sqlite3.sqlite_version_info < OLDEST_SQLITE:
            raise LedgerError(f"SQLite {sqlite3.sqlite_version} is too old, 3.37 or newer is needed; update Python")
        _check_path(path, read_only)
        if not read_only:
            _create_file(path)
        with translated(path):
            connection = sqlite3.connect(
                f"file:{quote(str(path.absolute()))}?mode={'ro' if read_only else 'rw'}",
                uri=True,
                isolation_level=None,
                timeout=BUSY_LIMIT_S,
            )
            try:
                _configure(connection, read_only)
            except BaseException:
                connection.close()
                raise
        return cls(path, connection, read_only, query_limit_s)

    @contextmanager
    def write(self) -> Iterator[sqlite3.Connection]:
        """Run the body as one transaction: all of it is durable afterwards, or none of it happened."""
        connection = self._use()
        if self.read_only:
            raise LedgerError(f"ledger {self.path} is open for reading only")
        with translated(self.path):
            # IMMEDIATE: a transaction that starts by reading and then writes ignores the busy time-out.
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
                if self.before_commit is not None:
                    self.before_commit(connection)
                connection.execute("COMMIT")
            except BaseException:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                raise

    @contextmanager
    def snapshot(self) -> Iterator[None]:
        """Let every reading of the body see the same state, whatever is committed meanwhile."""
        connection = self._use()
        if connection.in_transaction:
            yield
            return
        with translated(self.path):
            connection.execute("BEGIN")
            try:
                yield
            finally:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")

    def rows(self, sql: str, values: Sequence[Any] = (), limit: int = ROW_LIMIT) -> list[tuple[Any, ...]]:
        """Return the rows of a query; LedgerError when there are more than `limit` or it takes too long."""
        connection = self._use()
        with translated(self.path), self._timed(), closing(connection.execute(sql, values)) as cursor:
            found: list[tuple[Any, ...]] = cursor.fetchmany(limit + 1)
        if len(found) > limit:
            raise LedgerError(f"ledger {self.path}: more than {limit} rows asked for at once; ask for a shorter span")
        return found

    def row(self, sql: str, values: Sequence[Any] = ()) -> tuple[Any, ...] | None:
        """Return the first row of a query or None."""
        connection = self._use()
        with translated(self.path), self._timed(), closing(connection.execute(sql, values)) as cursor:
            found: tuple[Any, ...] | None = cursor.fetchone()
        return found

    def all_rows(self, sql: str) -> Iterator[tuple[Any, ...]]:
        """Yield every row of a query without limit of time or number; for checks of the whole file only."""
        connection = self._use()
        with translated(self.path), closing(connection.execute(sql)) as cursor:
            yield from cursor

    def raw(self) -> sqlite3.Connection:
        """Return the connection itself, for the backup call alone."""
        return self._use()

    @property
    def query_limit_s(self) -> float:
        """Return how long one reading may take [s]."""
        return self._query_limit_s

    def close(self) -> None:
        """Close the file; safe to call twice."""
        if self._connection is not None:
            connection, self._connection = self._connection, None
            with translated(self.path):
                connection.close()

    def __enter__(self) -> Database:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _use(self) -> sqlite3.Connection:
        if self._connection is None:
            raise LedgerError(f"ledger {self.path} is closed")
        return self._connection

    @contextmanager
    def _timed(self) -> Iterator[None]:
        self._deadline_s = time.monotonic() + self._query_limit_s
        try:
            yield
        finally:
            self._deadline_s = None

    def _is_late(self) -> bool:
        return self._deadline_s is not None and time.monotonic() > self._deadline_s


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Turn SQLite's errors of the body into ours."""
    try:
        yield
    except sqlite3.Error as err:
        raise _translate(err, path) from err
    except UnicodeDecodeError as err:
        # The module decodes even SQLite's own messages, which may quote what a damaged schema holds.
        raise corrupt(path, f"text in it is no UTF-8: {err.reason}") from err
    except OverflowError as err:
        raise InputError(f"ledger {path}: a number does not fit 64 bits ({err})") from err


@contextmanager
def decoding(path: Path, what: str) -> Iterator[None]:
    """Turn the errors of the body, which decodes what the ledger stored, into LedgerCorrupt; ours pass."""
    try:
        yield
    except DutylogError:
        raise
    except (zlib.error, ValueError, KeyError, TypeError, IndexError, AttributeError, OverflowError) as err:
        raise corrupt(path, f"{what} can't be read: {err}") from err


def corrupt(path: Path, what: str) -> LedgerCorrupt:
    """Return the error for a damaged ledger, with its remedy."""
    # SQLite quotes what it finds, which in a damaged file may be anything and of any length.
    shown = one_line(what)
    return LedgerCorrupt(
        f"ledger {path} is damaged ({shown}); the daemon puts it right when it starts: "
        "it moves the file aside and takes the last good backup and the raw log"
    )


def _translate(err: sqlite3.Error, path: Path) -> Exception:
    code = getattr(err, "sqlite_errorcode", None)
    primary = None if code is None else code & 0xFF
    if primary == sqlite3.SQLITE_FULL:
        return LedgerFull(f"ledger {path}: no room left on the disk; free some space")
    if primary in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return corrupt(path, str(err))
    if primary == sqlite3.SQLITE_ERROR and _MISSING.search(str(err)):
        return corrupt(path, str(err))  # every question is one of ours, so the names in the file must be wrong
    if primary == sqlite3.SQLITE_INTERRUPT:
        return LedgerError(f"ledger {path}: a question took too long and was stopped; ask for a shorter span")
    if primary in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
        return LedgerError(f"ledger {path} was locked for {BUSY_LIMIT_S:g} s by another program; close that one")
    if primary in (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM):
        return LedgerError(f"ledger {path} can't be opened ({err}); check the rights of file and folder")
    if primary is None and isinstance(err, sqlite3.OperationalError):
        return corrupt(path, str(err))  # a column's text is no UTF-8: found by the module, so without a code
    if isinstance(err, sqlite3.IntegrityError) or primary is None:
        return InputError(f"ledger {path} refuses a row: {err}")
    return LedgerError(f"ledger {path}: {err}; check the disk")


def _check_path(path: Path, read_only: bool) -> None:
    if path.is_dir():
        raise LedgerError(f"ledger {path} is a folder, a file was expected")
    if not path.parent.is_dir():
        raise LedgerError(f"there is no folder {path.parent} for the ledger; make it or name another data folder")
    if read_only and not path.exists():
        raise LedgerError(f"there is no ledger {path} yet; start the daemon or add a damper first")


def _create_file(path: Path) -> None:
    """Make an empty file of our mode, so that SQLite gives its side files the same; an existing one is kept."""
    try:
        descriptor = os.open(path, os.O_CREAT | os.O_EXCL | os.O_WRONLY, FILE_MODE)
    except FileExistsError:
        return
    except OSError as err:
        raise LedgerError(f"ledger {path} can't be made ({err.strerror}); check the rights of the folder") from err
    try:
        os.fchmod(descriptor, FILE_MODE)
    finally:
        os.close(descriptor)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make names in a folder durable."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _configure(connection: sqlite3.Connection, read_only: bool) -> None:
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
    if read_only:
        connection.execute("PRAGMA query_only = ON")
        return
    connection.execute(f"PRAGMA page_size = {PAGE_SIZE}")
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = FULL")
    connection.execute(f"PRAGMA wal_autocheckpoint = {AUTOCHECKPOINT_PAGES}")
    connection.execute(f"PRAGMA journal_size_limit = {WAL_KEEP_BYTES}")
