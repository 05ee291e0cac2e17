"""Walking the chain from its first entry, and the photos: whether all is as it was written and nothing is missing."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Select, select

from dutylog.bench.store.chain import FIRST_PREV_HASH, Entry, follows
from dutylog.bench.store.errors import StoreCorrupt
from dutylog.bench.store.queries_bench import ENTRY_COLUMNS, make_read_entry
from dutylog.bench.store.tables import ENTRY, HEAD, PHOTO

AT_ONCE = 50
"""Entries in memory at a time (judgement): a card may take 4 MB."""


@dataclass(frozen=True, slots=True)
class Verification:
    """What a walk found. bad_row: first entry that is not as it was written, or missing; None: all are.

    bad_photo: SHA-256 of the first photo whose bytes are others now. lost_photo: of the first that a finding names and
    that isn't here.
    """

    entries_count: int
    photos_count: int
    bad_row: int | None
    bad_photo: str | None
    lost_photo: str | None = None

    @property
    def is_good(self) -> bool:
        """Return whether all is as it was written."""
        return self.bad_row is None and self.bad_photo is None and self.lost_photo is None

    @property
    def text(self) -> str:
        """Return it as one line."""
        if self.bad_row is not None:
            return f"the chain is broken at entry {self.bad_row}: it was changed, taken out or lost; restore a backup"
        if self.bad_photo is not None:
            return f"photo {self.bad_photo} is not as it was taken in; restore a backup"
        if self.lost_photo is not None:
            return f"photo {self.lost_photo}, which a finding names, is missing; restore a backup"
        return f"{self.entries_count} entries and {self.photos_count} photos, all as they were written"


def verify(connection: Connection) -> Verification:
    """Walk chain and photos of a transaction that is under way."""
    wanted: set[str] = set()
    count, bad_row = _walk(connection, wanted)
    photos_count, bad_photo = 0, None
    for sha256, body in stream(connection, select(PHOTO.c.sha256, PHOTO.c.body).order_by(PHOTO.c.sha256), 1):
        photos_count += 1
        wanted.discard(sha256)
        if bad_photo is None and hashlib.sha256(body).hexdigest() != sha256:
            bad_photo = sha256
    return Verification(count, photos_count, bad_row, bad_photo, min(wanted, default=None))


def walk_entries(connection: Connection) -> Iterator[Entry]:
    """Yield all entries in order, a few in memory at a time."""
    for row in stream(connection, select(*ENTRY_COLUMNS).order_by(ENTRY.c.row), AT_ONCE):
        yield make_read_entry(row)


def photos_of(entry: Entry) -> frozenset[str]:
    """Return the SHA-256 of the photos that an entry names, in hex."""
    named = entry.data.get("photos") if entry.kind == "finding" else None
    return frozenset(named or ())


def _walk(connection: Connection, photos: set[str]) -> tuple[int, int | None]:
    """Return how many entries are good from the first on, and the row of the first that isn't.

    photos: takes those that good entries name.
    """
    row, prev_hash = 0, FIRST_PREV_HASH
    try:
        for entry in walk_entries(connection):
            if not follows(entry, row + 1, prev_hash):
                return row, row + 1
            row, prev_hash = entry.row, entry.hash
            photos |= photos_of(entry)
    except StoreCorrupt:  # an entry that can't even be read
        return row, row + 1
    head = connection.execute(select(HEAD.c.row, HEAD.c.hash).where(HEAD.c.id == 1)).first()
    if head is not None and (int(head[0]), bytes(head[1])) == (row, prev_hash):
        return row, None
    return row, row + 1 if head is None or int(head[0]) > row else max(1, row)


def stream(connection: Connection, statement: Select[Any], at_once: int) -> Iterator[Any]:
    """Yield rows without having all of them in memory."""
    with connection.execute(statement, execution_options={"yield_per": at_once}) as result:
        yield from result
