"""The ledger's schema: numbered SQL files, upgrade only."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from importlib.resources import files
from pathlib import Path

from dutylog.errors import LedgerError, LedgerForeign
from dutylog.ledger.database import Database, corrupt
from dutylog.ledger.seal import is_sealed, write_seal

APPLICATION_ID = 0x44555459
"""'DUTY', the file's mark in SQLite's header. Source: sqlite.org/fileformat2.html, section 1.3.17."""
_MAGIC = b"SQLite format 3\x00"
VERSION_KEY = "schema_version"
SEALED_FROM = 3
"""First version whose cursor holds a seal."""
_OUR_TABLES = {"meta", "unit", "install", "hot", "cursor", "entry"}
_PUT_VERSION = "INSERT INTO meta VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value"


def read_scripts() -> list[tuple[int, str]]:
    """Return the numbered SQL files in order, as (number, text)."""
    folder = files("dutylog.ledger") / "sql"
    found = [(int(f.name[:4]), f.read_text("utf-8")) for f in folder.iterdir() if f.name.endswith(".sql")]
    return sorted(found)


def latest_version() -> int:
    """Return the number of the last SQL file."""
    return read_scripts()[-1][0]


def refuse_foreign(path: Path) -> None:
    """Raise for another program's database before anything of it is changed; whatever else is wrong shows later.

    Raises:
        LedgerForeign: it is one. LedgerCorrupt: it is ours, but its header is damaged.
    """
    try:
        with path.open("rb") as file:
            header = file.read(72)
    except OSError:
        return
    if header[:16] != _MAGIC or header[68:] == APPLICATION_ID.to_bytes(4, "big"):
        return
    # The mark may still stand in the WAL alone.
    with Database.open(path, read_only=True) as database:
        _read_version(database)


def ensure_schema(database: Database) -> None:
    """Bring an open ledger to the latest version, each step in a transaction of its own.

    Raises:
        LedgerForeign: another program's database.
        LedgerError: written by a newer version, or older and open for reading only.
        LedgerCorrupt: the version in its header isn't that of its tables, or the cursor is missing.
    """
    version = _read_version(database)
    _compare_versions(database, version)
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
    if SEALED_FROM <= version < latest and not is_sealed(database):
        # A step seals anew what it finds, so a flipped bit has to be found before.
        raise corrupt(database.path, "the small tables are not as they were sealed")
    for number, text in read_scripts():
        if number > version:
            with database.write() as connection:
                _run(connection, text)
                connection.execute(_PUT_VERSION, (VERSION_KEY, str(number)))
                connection.execute(f"PRAGMA user_version = {number}")
                if number >= SEALED_FROM:
                    write_seal(connection)
    if database.row("SELECT 1 FROM cursor WHERE one = 1") is None:
        raise corrupt(database.path, "its cursor is missing")


def find_changed_tables(database: Database) -> list[str]:
    """Return what isn't laid out as the SQL files do it, in words: a flipped bit can rename a column.

    Only for a ledger of the latest version. Its statements are compared as SQLite keeps them, so layouts changed by
    `ALTER TABLE ... RENAME`, whose text depends on SQLite's version, could not be.
    """
    question = "SELECT name, sql FROM sqlite_schema WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite%'"
    with closing(sqlite3.connect(":memory:")) as made:
        for _, text in read_scripts():
            _run(made, text)
        wanted = set(made.execute(question))
    found = set(database.all_rows(question))
    # What somebody added, a view or an index, is in nobody's way.
    names = sorted({str(name) for name, _ in wanted - found})
    return [f"table or index {name!r} is not laid out as it was made" for name in names]


def _read_version(database: Database) -> int:
    version = _pragma(database, "user_version")
    tables = {str(row[0]) for row in database.rows("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    if not tables and version == 0:
        return version
    if _pragma(database, "application_id") != APPLICATION_ID:
        if tables >= _OUR_TABLES:
            raise corrupt(database.path, "its header lost the mark of a ledger")
        raise LedgerForeign(f"{database.path} is a database of another program; name the data folder of dutylog")
    return version


def _compare_versions(database: Database, version: int) -> None:
    """Raise LedgerCorrupt where the header's version isn't that of the tables: a flipped bit, no newer program."""
    if version == 0 or database.row("SELECT 1 FROM sqlite_schema WHERE name = 'meta'") is None:
        return
    row = database.row("SELECT value FROM meta WHERE key = ?", (VERSION_KEY,))
    # Files of versions 1 and 2 have no second copy of the number.
    if row is not None and row[0] != str(version):
        raise corrupt(database.path, f"its header says version {version}, its tables say {row[0]}")


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
