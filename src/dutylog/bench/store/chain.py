"""The bench's entries, chained by hash from row 1. The hashed bytes are defined in shared/BENCH_STORE.md."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

PREFIX = b"dutylog-bench-entry-1\n"
FIRST_PREV_HASH = bytes(32)


@dataclass(frozen=True, slots=True)
class Who:
    """Who writes. role: of web accounts ('viewer', 'technician', 'manager'), or 'program' for what no person did."""

    name: str
    role: str


@dataclass(frozen=True, slots=True)
class Entry:
    """One link. utc: ISO 8601 to the second. text: canonical JSON of `data`, as hashed."""

    row: int
    utc: str
    who: str
    role: str
    kind: str
    damper_id: str | None
    job_id: int | None
    text: str
    prev_hash: bytes
    hash: bytes
    data: Mapping[str, Any]


def make_entry(
    row: int, utc: str, who: Who, kind: str, damper_id: str | None, job_id: int | None, text: str, prev_hash: bytes
) -> Entry:
    """Return an entry with its hash. text: canonical JSON."""
    entry = Entry(row, utc, who.name, who.role, kind, damper_id, job_id, text, prev_hash, b"", json.loads(text))
    return replace(entry, hash=compute_hash(entry))


def compute_hash(entry: Entry) -> bytes:
    """Return SHA-256 over the entry's fields except `hash` itself.

    Source: FIPS 180-4 for SHA-256; the byte string is ours, with a worked example in shared/BENCH_STORE.md.
    """
    fields = (
        entry.row,
        entry.utc,
        entry.who,
        entry.role,
        entry.kind,
        entry.damper_id,
        entry.job_id,
        entry.text,
        entry.prev_hash.hex(),
    )
    return hashlib.sha256(PREFIX + b"".join(_encode_field(one) for one in fields)).digest()


def follows(entry: Entry, row: int, prev_hash: bytes) -> bool:
    """Tell whether an entry is the link of that row behind that hash, as it was written."""
    return entry.row == row and entry.prev_hash == prev_hash and compute_hash(entry) == entry.hash


def _encode_field(value: int | str | None) -> bytes:
    """Return '-,' for no value, else '<length in bytes>:<text>,'."""
    if value is None:
        return b"-,"
    text = str(value).encode("utf-8", "surrogatepass")
    return b"%d:%s," % (len(text), text)
