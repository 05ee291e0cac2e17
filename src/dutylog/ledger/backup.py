"""Copies of a ledger that is in use, and moving a damaged one aside."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from itertools import count
from pathlib import Path

from dutylog.errors import LedgerError
from dutylog.ledger.database import FILE_MODE, Database, corrupt, sync_folder, translated

# 2048 pages = 1 MB a step: often enough for a progress bar.
PAGES_A_STEP = 2048


def write_backup(database: Database, target: Path, progress: Callable[[int, int], None] | None) -> None:
    """Write a checked copy under a temporary name, then give it its own. See Ledger.backup."""
    part = target.with_name(target.name + ".part")
    if target.exists():
        raise LedgerError(f"{target} exists already; name a new file for the backup")
    try:
        os.close(os.open(part, os.O_CREAT | os.O_WRONLY | os.O_TRUNC, FILE_MODE))
    except OSError as err:
        raise LedgerError(f"backup {target} can't be written ({err.strerror}); check folder and rights") from err
    try:
        _copy(database, part, progress)
        os.chmod(part, FILE_MODE)
        with part.open("rb") as file:
            os.fsync(file.fileno())
        # link, not rename: it refuses a target that has appeared meanwhile
        os.link(part, target)
        sync_folder(target.parent)
    except FileExistsError as err:
        raise LedgerError(f"{target} exists already; name a new file for the backup") from err
    finally:
        part.unlink(missing_ok=True)


def move_aside(path: Path) -> Path:
    """Rename a damaged ledger and its side files; returns the file's new name. See Ledger.quarantine."""
    label = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    names = (path.with_name(f"{path.name}.damaged-{label}{'' if n == 0 else f'-{n}'}") for n in count())
    # Without a clock battery the same wall time comes again, so the name may be taken.
    target = next(name for name in names if not name.exists())
    try:
        path.rename(target)
        for suffix in ("-wal", "-shm"):
            side = path.with_name(path.name + suffix)
            if side.exists():
                side.rename(target.with_name(target.name + suffix))
        sync_folder(path.parent)
    except OSError as err:
        raise LedgerError(
            f"ledger {path} can't be moved aside ({err.strerror}); check the rights of the folder"
        ) from err
    return target


def _copy(database: Database, part: Path, progress: Callable[[int, int], None] | None) -> None:
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
        verdict = copy.execute("PRAGMA integrity_check(1)").fetchone()
    if verdict is None or verdict[0] != "ok":
        raise corrupt(database.path, f"its copy fails the check: {verdict and verdict[0]}")
