"""Is a ledger what was written to it? Asked at a start, of every backup, and by `dutylog ledger verify`."""

from __future__ import annotations

from dutylog.errors import InputError, LedgerCorrupt
from dutylog.ledger.chain import verify_chain
from dutylog.ledger.database import Database
from dutylog.ledger.schema import find_changed_tables
from dutylog.ledger.seal import is_sealed

SMALL_BYTES = 8 << 20
"""Up to here a whole check is quick enough for every start (measured: shared/LEDGER.md)."""
_VITAL = ("meta", "unit", "install", "hot", "cold", "cursor", "checkpoint", "epoch", "entry")


def find_damage(database: Database, *, whole: bool) -> str | None:
    """Return what is wrong in words, or None. What the engine stored of itself is opaque here.

    whole: look at every page; else the rows of minutes and trips are left out, the only ones that grow for ever.
    """
    try:
        problems = find_bad_pages(database, whole=whole)
        if problems:
            return problems[0]
        if not is_sealed(database):
            return "totals, dampers or settings are not as they were written"
        broken_row = verify_chain(database)
        return None if broken_row is None else f"entry {broken_row} is not as it was written"
    except LedgerCorrupt as err:
        return str(err.__cause__ or err)
    except InputError as err:  # a number that can't be one of ours
        return str(err)


def find_bad_pages(database: Database, *, whole: bool) -> list[str]:
    """Return what SQLite's own checks of pages, indices and references find wrong, and tables of another layout."""
    questions = ["(20)"] if whole else [f"({name})" for name in _VITAL]
    found = [
        str(row[0])
        for question in questions
        for row in database.all_rows(f"PRAGMA integrity_check{question}")
        if row[0] != "ok"
    ]
    found += find_changed_tables(database)
    if found or not whole:
        return found
    broken = database.all_rows("PRAGMA foreign_key_check")
    return [f"row {row[1]} of table {row[0]} names a row of {row[2]} that isn't there" for row in broken]
