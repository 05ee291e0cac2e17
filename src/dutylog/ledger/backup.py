"""Copies of a ledger that is in use, kept in rotation, and moving a damaged one aside."""

from __future__ import annotations

import os
import shutil
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from itertools import count
from pathlib import Path

from dutylog.errors import LedgerError
from dutylog.ledger.check import find_damage
from dutylog.ledger.database import FILE_MODE, Database, corrupt, sync_folder, translated

# 2048 pages = 1 MB a step: often enough for a progress bar, and for a deadline.
PAGES_A_STEP = 2048
BACKUP_COUNT = 3
"""Copies kept in rotation (judgement): when the newest was made of a file that was going bad, an older one is there."""
SIDE_SUFFIXES = ("-wal", "-shm")
Progress = Callable[[int, int], None]


def write_backup(database: Database, target: Path, progress: Progress | None) -> None:
    """Write a checked copy under a temporary name, then give it its own. See Ledger.backup."""
    part = target.with_name(target.name + ".part")
    if target.exists():
        raise LedgerError(f"{target} exists already; name a new file for the backup")
    try:
        _make_copy(database, part, progress)
        # link, not rename: it refuses a target that has appeared meanwhile
        os.link(part, target)
        sync_folder(target.parent)
    except FileExistsError as err:
        raise LedgerError(f"{target} exists already; name a new file for the backup") from err
    except OSError as err:
        raise _unwritable(target, err) from err
    finally:
        part.unlink(missing_ok=True)


def rotate_backup(database: Database, limit_s: float | None = None) -> Path:
    """Make a checked copy the newest of BACKUP_COUNT; nothing older goes before it is known to be good.

    Killed anywhere, there are as many good copies as before or one more, perhaps with a hole in their
    numbers that the next one fills.

    Raises:
        LedgerCorrupt: the copy isn't sound, so the ledger isn't.
        LedgerError: no room, no rights, or not done within limit_s.
    """
    newest = backup_path(database.path, 1)
    part = newest.with_name(newest.name + ".part")
    try:
        _make_copy(database, part, None if limit_s is None else _deadline(database.path, limit_s))
        hole = next((n for n in range(1, BACKUP_COUNT) if not backup_path(database.path, n).exists()), BACKUP_COUNT)
        for number in range(hole, 1, -1):
            backup_path(database.path, number - 1).replace(backup_path(database.path, number))
        part.replace(newest)
        sync_folder(newest.parent)
    except OSError as err:
        raise _unwritable(newest, err) from err
    finally:
        part.unlink(missing_ok=True)
    return newest


def backup_path(ledger: Path, number: int) -> Path:
    """Return the name of a kept copy, 1 for the newest: `ledger.backup-1.sqlite`."""
    return ledger.with_name(f"{ledger.stem}.backup-{number}{ledger.suffix}")


def find_backups(ledger: Path) -> list[Path]:
    """Return the kept copies there are, newest first."""
    names = (backup_path(ledger, number) for number in range(1, BACKUP_COUNT + 1))
    return [name for name in names if name.exists()]


def move_aside(path: Path) -> Path:
    """Rename a damaged ledger and its side files; returns the file's new name. See Ledger.quarantine."""
    label = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    names = (path.with_name(f"{path.name}.damaged-{label}{'' if n == 0 else f'-{n}'}") for n in count())
    # Without a clock battery the same wall time comes again, so the name may be taken.
    target = next(name for name in names if not any(_with(name, suffix).exists() for suffix in ("", *SIDE_SUFFIXES)))
    try:
        # The file itself first: what is left by a cut after that can't be taken for a sound but older ledger.
        for suffix in ("", *SIDE_SUFFIXES):
            if _with(path, suffix).exists():
                _with(path, suffix).rename(_with(target, suffix))
        sync_folder(path.parent)
    except OSError as err:
        raise LedgerError(
            f"ledger {path} can't be moved aside ({err.strerror}); check the rights of the folder"
        ) from err
    return target


def has_orphans(path: Path) -> bool:
    """Tell whether side files lie beside a missing ledger; SQLite would read them into the next one of that name."""
    return not path.exists() and any(_with(path, suffix).exists() for suffix in SIDE_SUFFIXES)


def copy_file(source: Path, part: Path) -> None:
    """Copy a plain ledger file byte by byte to a fresh temporary name."""
    discard(part)
    try:
        _make_file(part)
        shutil.copyfile(source, part)
    except OSError as err:
        raise _unwritable(part, err) from err


def put_in_place(part: Path, path: Path) -> None:
    """Give a closed, finished ledger its name, durably."""
    try:
        os.chmod(part, FILE_MODE)
        _sync_file(part)
        part.replace(path)
        sync_folder(path.parent)
    except OSError as err:
        raise _unwritable(path, err) from err


def discard(part: Path) -> None:
    """Remove a temporary file of ours with all that SQLite may have laid beside it."""
    for suffix in ("", "-wal", "-shm", "-journal"):
        _with(part, suffix).unlink(missing_ok=True)


def _make_copy(database: Database, part: Path, progress: Progress | None) -> None:
    """Copy the ledger as of one moment to a plain, durable file that passed every check."""
    discard(part)
    try:
        _make_file(part)
    except OSError as err:
        raise _unwritable(part, err) from err

    def report(_status: int, remaining: int, total: int) -> None:
        if progress is not None:
            progress(remaining, total)

    with translated(part), closing(sqlite3.connect(part, isolation_level=None)) as copy:
        # Within a reading transaction the pages stay those of one moment, so a busy writer can't make it start anew.
        with database.snapshot():
            database.row("SELECT 1 FROM meta")
            database.raw().backup(copy, pages=PAGES_A_STEP, progress=report)
        # One file that can be carried away; opening it as a ledger turns WAL on again.
        copy.execute("PRAGMA journal_mode = DELETE")
    with Database.open(part, read_only=True) as copied:
        damage = find_damage(copied, whole=True)
    if damage is not None:
        raise corrupt(database.path, f"its copy fails the check: {damage}")
    os.chmod(part, FILE_MODE)
    _sync_file(part)


def _deadline(path: Path, limit_s: float) -> Progress:
    until_s = time.monotonic() + limit_s

    def check(_remaining: int, _total: int) -> None:
        if time.monotonic() > until_s:
            raise LedgerError(f"backup of {path} takes more than {limit_s:g} s; left for the next time")

    return check


def _make_file(part: Path) -> None:
    os.close(os.open(part, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, FILE_MODE))


def _sync_file(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())


def _with(path: Path, suffix: str) -> Path:
    return path.with_name(path.name + suffix)


def _unwritable(path: Path, err: OSError) -> LedgerError:
    return LedgerError(f"{path} can't be written ({err.strerror}); check folder, rights and room")
