"""The ledger's schema: numbered SQL files, upgrade only."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from importlib.resources import files

from dutylog.errors import LedgerError
from dutylog.ledger.database import Database, corrupt

APPLICATION_ID = 0x44555459
"""'DUTY', the file's mark in SQLite's header. Source: sqlite.org/fileformat2.html, section 1.3.17."""


def read_scripts() -> list[tuple[int, str]]:
    """Return the numbered SQL files in order, as (number, text)."""
    folder = files("dutylog.ledger") / "sql"
    found = [(int(f.name[:4]), f.read_text("utf-8")) for f in folder.iterdir() if f.name.endswith(".sql")]
    return sorted(found)


def latest_version() -> int:
    """Return the number of the last SQL file."""
    return read_scripts()[-1][0]


def ensure_schema(database: Database) -> None:
    """Bring an open ledger to the latest version, each step in a transaction of its own.

    Raises:
        LedgerError: written by a newer version, no ledger at all, or older and open for reading only.
    """
    version = _read_version(database)
    latest = latest_version()
    if version > latest:
        raise LedgerError(
            f"ledger {database.path} has version {version}, this program knows up to {latest}; install a newer dutylog"
        )
    if version < latest and database.read_only:
        raise LedgerError(
            f"ledger {database.path} has version {version}, {latest} is needed; "
            "start the daemon once, it upgrades the file"
        )
    for number, text in read_scripts():
        if number > version:
            with database.write() as connection:
                _run(connection, text)
                connection.execute(f"PRAGMA user_version = {number}")
    if database.row("SELECT 1 FROM cursor WHERE one = 1") is None:
        raise corrupt(database.path, "its cursor is missing")


def _read_version(database: Database) -> int:
    version = _pragma(database, "user_version")
    tables = database.row("SELECT count(*) FROM sqlite_schema")
    is_empty = tables is not None and tables[0] == 0
    if not (is_empty and version == 0) and _pragma(database, "application_id") != APPLICATION_ID:
        raise LedgerError(f"{database.path} is a database of another program; name the data folder of dutylog")
    return version


def _pragma(database: Database, name: str) -> int:
    row = database.row(f"PRAGMA {name}")
    return 0 if row is None else int(row[0])


def _run(connection: sqlite3.Connection, text: str) -> None:
    for statement in split_statements(text):
        connection.execute(statement)


def split_statements(text: str) -> Iterator[str]:
    """Yield the statements of a SQL file; `executescript` would commit what is under way."""
    statement = ""
    for line in text.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""
    if any(line.strip() and not line.strip().startswith("--") for line in statement.splitlines()):
        raise LedgerError(f"a schema file ends inside a statement: {statement.strip()[:60]!r}")
