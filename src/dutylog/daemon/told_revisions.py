"""Revisions after a recovery: above whatever was told of any damper before, so that order never goes back.

A copy doesn't know the repairs made since, each of which raised a revision that broker, database and pages have seen.
Where the damaged file can still be believed its own revisions tell; else a step is added that no count of repairs
reaches by hand. The number given last is kept beside the ledger: the same copy may be taken twice.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from dutylog.daemon.salvage import copy_damaged
from dutylog.errors import InputError, LedgerError
from dutylog.ledger.backup import discard
from dutylog.ledger.database import sync_folder
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Stamp

GIVEN_NAME = "ledger.revision"
"""Beside the ledger: the highest revision a recovery gave out, as text."""
STEP = 1000
"""Added where nobody knows what was told: repairs and recounts between two recoveries are fewer. Source: judgement."""


@dataclass(frozen=True, slots=True)
class ToldRevision:
    """The highest revision told of any damper. is_sure: nothing newer can have been told."""

    highest: int
    is_sure: bool


def read_told(damaged: Path | None, part: Path, stamp: Callable[[], Stamp]) -> ToldRevision:
    """Return what a damaged ledger still says, whose file isn't touched; part: a name for a copy, free again after."""
    if damaged is None:
        return ToldRevision(0, is_sure=False)
    try:
        copy_damaged(damaged, part)
        with Ledger.open(part, stamp=stamp) as ledger:
            if not ledger.is_sealed():
                return ToldRevision(0, is_sure=False)
            is_sure = ledger.verify_chain() is None
            return ToldRevision(ledger.highest_revision(with_repairs=is_sure), is_sure)
    except (LedgerError, InputError):
        return ToldRevision(0, is_sure=False)
    finally:
        discard(part)


def choose_revision(data_dir: Path, told: ToldRevision, source: Ledger) -> int:
    """Return the least revision that dampers of a ledger put right may have, and keep it."""
    known = max(told.highest, source.highest_revision(), _read_given(data_dir))
    chosen = known + (1 if told.is_sure else STEP)
    _keep_given(data_dir, chosen)
    return chosen


def _read_given(data_dir: Path) -> int:
    try:
        return max(0, int((data_dir / GIVEN_NAME).read_bytes()[:20]))
    except (OSError, ValueError):
        return 0


def _keep_given(data_dir: Path, revision: int) -> None:
    """Write it durably. Killed before the ledger has its name, the next start gives a higher one: no harm."""
    path = data_dir / GIVEN_NAME
    part = path.with_name(f"{GIVEN_NAME}.part")
    try:
        with part.open("w", encoding="ascii") as file:
            file.write(f"{revision}\n")
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
        sync_folder(data_dir)
    except OSError as err:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
        raise LedgerError(f"{path} can't be written ({err.strerror}); check folder, rights and room") from err
