"""Entries chained by hash from row 1: writing and checking. The hashed bytes are defined in shared/LEDGER.md."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Mapping
from typing import Any

from dutylog.errors import InputError
from dutylog.ledger.database import Database
from dutylog.ledger.rows import Entry, EntryDraft, Stamp
from dutylog.recording.codec import encode_json

PREFIX = b"dutylog-entry-1\n"
FIRST_PREV_HASH = bytes(32)
DATA_LIMIT = 16_384
COLUMNS = "row, revision, sequence, utc_ns, utc_trusted, mono_ns, boot_id, kind, unit_id, data, prev_hash, hash"
HEAD_KEY = "entry_head"


def encode_canonical(data: Mapping[str, Any]) -> str:
    """Return canonical JSON: keys sorted, no spaces, no NaN, characters as they are.

    Raises:
        InputError: a value JSON doesn't know, NaN or infinity, or text that is no Unicode.
    """
    try:
        return encode_json(data).decode("utf-8")
    except InputError as err:
        raise InputError(f"data of an entry is no plain JSON: {err.__cause__ or err}") from err


def compute_hash(entry: Entry) -> bytes:
    """Return SHA-256 over the entry's fields except `hash` itself.

    Source: FIPS 180-4 for SHA-256; the byte string is ours, with a worked example in shared/LEDGER.md.
    """
    fields = (
        entry.row,
        entry.revision,
        entry.sequence,
        entry.utc_ns,
        int(entry.utc_trusted),
        entry.mono_ns,
        entry.boot_id,
        entry.kind,
        entry.unit_id,
        entry.data,
        entry.prev_hash.hex(),
    )
    return hashlib.sha256(PREFIX + b"".join(_encode_field(f) for f in fields)).digest()


def append_entry(
    database: Database, connection: sqlite3.Connection, stamp: Stamp, draft: EntryDraft, sequence: int | None
) -> Entry:
    """Add one link inside a transaction that is under way.

    Raises:
        InputError: empty kind, data that is no plain JSON or longer than DATA_LIMIT bytes.
    """
    data = encode_canonical(draft.data)
    if not draft.kind or len(data.encode()) > DATA_LIMIT:
        raise InputError(f"entry {draft.kind!r}: needs a kind, and data of at most {DATA_LIMIT} bytes")
    last = database.row("SELECT row, hash FROM entry ORDER BY row DESC LIMIT 1") or (0, FIRST_PREV_HASH)
    unsigned = Entry(
        row=last[0] + 1,
        revision=_read_revision(database, draft.unit_id),
        sequence=sequence,
        utc_ns=stamp.utc_ns,
        utc_trusted=stamp.utc_trusted,
        mono_ns=stamp.mono_ns,
        boot_id=stamp.boot_id,
        kind=draft.kind,
        unit_id=draft.unit_id,
        data=data,
        prev_hash=last[1],
        hash=b"",
    )
    entry = _with_hash(unsigned)
    connection.execute(f"INSERT INTO entry ({COLUMNS}) VALUES ({', '.join('?' * 12)})", _to_row(entry))
    connection.execute(
        "INSERT INTO meta VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        (HEAD_KEY, _head(entry.row, entry.hash)),
    )
    return entry


def has_entry(database: Database, draft: EntryDraft, sequence: int) -> bool:
    """Tell whether the commit of `sequence` has already written this entry."""
    for row in database.rows(f"SELECT {COLUMNS} FROM entry WHERE sequence >= ? ORDER BY row DESC", (sequence,)):
        entry = read_entry(row)
        if (entry.sequence, entry.kind, entry.unit_id) == (sequence, draft.kind, draft.unit_id) and (
            entry.data == encode_canonical(draft.data)
        ):
            return True
    return False


def verify_chain(database: Database) -> int | None:
    """Return the number of the first row that is not as it was written, or None when all are.

    A row missing at the end counts as well: `meta` keeps the number and hash of the last one.
    """
    expected_row, prev_hash = 1, FIRST_PREV_HASH
    for row in database.all_rows(f"SELECT {COLUMNS} FROM entry ORDER BY row"):
        entry = read_entry(row)
        is_good = entry.row == expected_row and entry.prev_hash == prev_hash and compute_hash(entry) == entry.hash
        if not is_good:
            return expected_row
        expected_row, prev_hash = expected_row + 1, entry.hash
    last_row = expected_row - 1
    head = database.row("SELECT value FROM meta WHERE key = ?", (HEAD_KEY,))
    if head is None:
        return None if last_row == 0 else last_row
    if head[0] == _head(last_row, prev_hash):
        return None
    head_row = str(head[0]).split(" ")[0]
    return expected_row if head_row.isdecimal() and int(head_row) > last_row else max(1, last_row)


def read_entry(row: tuple[Any, ...]) -> Entry:
    """Return an entry from a database row in the order of COLUMNS."""
    return Entry(row[0], row[1], row[2], row[3], bool(row[4]), *row[5:])


def _to_row(entry: Entry) -> tuple[Any, ...]:
    return (
        entry.row,
        entry.revision,
        entry.sequence,
        entry.utc_ns,
        int(entry.utc_trusted),
        entry.mono_ns,
        entry.boot_id,
        entry.kind,
        entry.unit_id,
        entry.data,
        entry.prev_hash,
        entry.hash,
    )


def _with_hash(entry: Entry) -> Entry:
    row = _to_row(entry)
    return read_entry((*row[:-1], compute_hash(entry)))


def _encode_field(value: int | str | None) -> bytes:
    """Return '-,' for no value, else '<length in bytes>:<text>,'."""
    if value is None:
        return b"-,"
    text = str(value).encode("utf-8")
    return b"%d:%s," % (len(text), text)


def _head(row: int, digest: bytes) -> str:
    return f"{row} {digest.hex()}"


def _read_revision(database: Database, unit_id: str | None) -> int:
    if unit_id is None:
        return 0
    found = database.row("SELECT revision FROM hot JOIN unit USING (unit_key) WHERE unit_id = ?", (unit_id,))
    if found is None:
        raise InputError(f"entry names unit {unit_id}, which is not in the ledger")
    return int(found[0])
