"""The seal: a CRC-32 over the small tables, written with every change of the file.

SQLite checks how pages hang together, not what is in them: a flipped bit in a total is a valid number to it.
"""

from __future__ import annotations

import json
import sqlite3
import zlib

from dutylog.ledger.database import Database, translated

_CURSOR = "SELECT hot_sequence, cold_sequence, engine, boot_id, updated_utc_ns FROM cursor"
_SEALED = (
    "SELECT * FROM meta ORDER BY key",
    "SELECT * FROM unit ORDER BY unit_key",
    "SELECT * FROM install ORDER BY install_key",
    "SELECT * FROM hot ORDER BY unit_key",
    _CURSOR,
)
"""What says whose duty is how much. Epochs, minutes and trips grow for ever and stay out: this runs every second."""


def write_seal(connection: sqlite3.Connection) -> None:
    """Seal the small tables as they are, as the last step of a transaction."""
    connection.execute("UPDATE cursor SET seal_crc32 = ?", (_compute(connection),))


def is_sealed(database: Database) -> bool:
    """Tell whether the small tables are as they were sealed; a file that was never sealed passes."""
    with database.snapshot(), translated(database.path):
        row = database.row("SELECT seal_crc32 FROM cursor")
        return row is None or row[0] is None or row[0] == _compute(database.raw())


def _compute(connection: sqlite3.Connection) -> int:
    """Return the CRC-32 (ISO-HDLC) of the rows as JSON; the form is in shared/LEDGER.md."""
    rows = [connection.execute(sql).fetchall() for sql in _SEALED]
    return zlib.crc32(json.dumps(rows, separators=(",", ":")).encode("ascii"))
