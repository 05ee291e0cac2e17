"""The outbox's SQLite file: made, opened, checked, moved aside; errors in words for people."""

from __future__ import annotations

import os
import sqlite3
import time
from pathlib import Path
from urllib.parse import quote

from dutylog.errors import ConfigError, OutputError, one_line
from dutylog.ledger.database import CACHE_KIB

APPLICATION_ID = 0x44554F42
"""'DUOB': an outbox; the ledger has another one."""
VERSION = 1
PAGE_SIZE = 512
"""Measured, four dampers under way, committed every 10 s: 4.2 MB an hour to the card, 11.9 with pages of 4096."""
FILE_MODE = 0o600
WAL_KEEP_BYTES = 4 << 20
SIDE_FILES = ("-wal", "-shm")

_SCHEMA = f"""
PRAGMA application_id = {APPLICATION_ID};
CREATE TABLE item (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    output TEXT NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('live', 'duty', 'trip', 'alert')),
    boot_id TEXT NOT NULL,
    mono_ns INTEGER NOT NULL,
    utc_ns INTEGER,
    payload BLOB NOT NULL
) STRICT;
CREATE INDEX item_ready ON item (output, id) WHERE (utc_ns IS NOT NULL OR kind = 'alert');
CREATE INDEX item_undated ON item (boot_id) WHERE utc_ns IS NULL;
CREATE INDEX item_of_kind ON item (kind, id);
CREATE TABLE rejected (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    output TEXT NOT NULL,
    kind TEXT NOT NULL,
    utc_ns INTEGER,
    payload BLOB NOT NULL,
    reason TEXT NOT NULL
) STRICT;
CREATE TABLE meta (key TEXT PRIMARY KEY, value ANY NOT NULL) STRICT;
PRAGMA user_version = {VERSION};
"""


class FileDamaged(Exception):
    """The file is no sound outbox; never leaves the outbox, which begins a new one."""


def open_file(path: Path, busy_limit_s: float) -> tuple[sqlite3.Connection, dict[tuple[str, str], int]]:
    """Open an outbox, making it where there is none.

    Returns:
        The connection, for any thread under a lock; and how many items wait by (output, kind).
    Raises:
        FileDamaged: the file is no SQLite file, another program's, or its checks find something.
        ConfigError: it was made by a newer version. OutputError: it can't be opened.
    """
    _create(path)
    try:
        connection = sqlite3.connect(
            f"file:{quote(str(path.absolute()))}?mode=rw",
            uri=True,
            isolation_level=None,
            timeout=busy_limit_s,
            check_same_thread=False,
        )
    except sqlite3.Error as err:
        raise translate(err, path) from err
    try:
        _prepare(connection, path)
        rows = connection.execute("SELECT output, kind, count(*) FROM item GROUP BY output, kind").fetchall()
    except sqlite3.Error as err:
        connection.close()
        raise translate(err, path) from err
    except BaseException:
        connection.close()
        raise
    return connection, {(str(output), str(kind)): int(number) for output, kind, number in rows}


def move_aside(path: Path) -> Path:
    """Rename a damaged file and what belongs to it; return the new name."""
    stamp = time.strftime("%Y%m%dT%H%M%S", time.gmtime())
    kept = path.with_name(f"{path.name}.damaged-{stamp}-{os.getpid()}")
    number = 0
    while kept.exists():
        number += 1
        kept = path.with_name(f"{path.name}.damaged-{stamp}-{os.getpid()}-{number}")
    try:
        for side in SIDE_FILES:
            side_file = path.with_name(path.name + side)
            if side_file.exists():
                side_file.rename(kept.with_name(kept.name + side))
        path.rename(kept)
    except OSError as err:
        raise OutputError(
            f"outbox {path} can't be moved aside ({err.strerror}); check the rights of the folder"
        ) from err
    return kept


def translate(err: sqlite3.Error, path: Path) -> Exception:
    """Return our error for SQLite's."""
    code = getattr(err, "sqlite_errorcode", None)
    primary = None if code is None else code & 0xFF
    if primary in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB) or isinstance(err, sqlite3.IntegrityError):
        return FileDamaged(one_line(err))
    if primary == sqlite3.SQLITE_FULL:
        return OutputError(f"outbox {path}: no room left on the disk; free some space")
    if primary is None or primary == sqlite3.SQLITE_ERROR:
        return FileDamaged(one_line(err))  # our own SQL is sound, so the schema in the file isn't ours
    return OutputError(f"outbox {path}: {one_line(err)}; check the disk and the rights of file and folder")


def _create(path: Path) -> None:
    try:
        os.close(os.open(path, os.O_CREAT | os.O_WRONLY, FILE_MODE))
        os.chmod(path, FILE_MODE)
    except OSError as err:
        raise OutputError(f"outbox {path} can't be made ({err.strerror}); check the rights of the folder") from err


def _prepare(connection: sqlite3.Connection, path: Path) -> None:
    is_new = path.stat().st_size == 0
    if is_new:
        connection.execute(f"PRAGMA page_size = {PAGE_SIZE}")
    connection.execute(f"PRAGMA cache_size = -{CACHE_KIB}")
    connection.execute("PRAGMA journal_mode = WAL")
    # NORMAL: a power cut may take the last seconds, which are sent again or not at all, never another way.
    connection.execute("PRAGMA synchronous = NORMAL")
    connection.execute(f"PRAGMA journal_size_limit = {WAL_KEEP_BYTES}")
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    tables = int(connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()[0])
    if version == 0 and tables == 0:
        connection.executescript("BEGIN IMMEDIATE;" + _SCHEMA + "COMMIT;")
        return
    if int(connection.execute("PRAGMA application_id").fetchone()[0]) != APPLICATION_ID:
        raise FileDamaged("it is another program's file")
    if version > VERSION:
        raise ConfigError(
            [f"outbox {path}: version {version}, this program knows {VERSION}; update it, or move the file"]
        )
    found = connection.execute("PRAGMA quick_check(1)").fetchone()
    if found[0] != "ok":
        raise FileDamaged(one_line(found[0]))
