"""Appending to the chain: one transaction, its entries and all that is made of them."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from typing import Any

from sqlalchemy import Connection, bindparam, func, insert, select, update

from dutylog.bench.photo import JPEG, MOST_BYTES, PNG
from dutylog.bench.store.chain import FIRST_PREV_HASH, Entry, Who, make_entry
from dutylog.bench.store.errors import StoreCorrupt
from dutylog.bench.store.fields import check_text, encode_data, find_kind
from dutylog.bench.store.projections import project
from dutylog.bench.store.put import check_known, put
from dutylog.bench.store.queries import Reading
from dutylog.bench.store.tables import DAMPER, ENTRY, HEAD, JOB, PHOTO
from dutylog.errors import InputError, one_line

# Made once: to make a statement takes longer than to run it.
_OWNER = select(JOB.c.damper_id).where(JOB.c.job_id == bindparam("job"))
_LAST_JOB = select(func.coalesce(func.max(JOB.c.job_id), 0))
_APPEND = insert(ENTRY)


class Transaction:
    """What one person changes at once. Made by Store.write alone; `read` sees what it appended so far."""

    def __init__(self, connection: Connection, place: str, who: Who, utc: Callable[[], str]) -> None:
        self._connection = connection
        self._who = Who(check_text(who.name, "name of who writes"), check_text(who.role, "role of who writes"))
        self._utc = utc
        # Whoever holds this row appends; the others wait, so rows have no holes and hashes one order.
        head = connection.execute(select(HEAD.c.row, HEAD.c.hash).where(HEAD.c.id == 1).with_for_update()).first()
        if head is None:
            raise StoreCorrupt(f"store {place} is damaged (it has no head of its chain); restore the last backup")
        self._row, self._hash = int(head[0]), bytes(head[1])
        self._start_row = self._row
        self._spoilt = ""
        self.read = Reading(connection)

    def append(
        self, kind: str, data: Mapping[str, Any], damper_id: str | None = None, job_id: int | None = None
    ) -> Entry:
        """Add one entry and all that follows from it.

        Args:
            kind: of entry_kinds.KINDS. data: its fields; those that may be missing are null then.
            damper_id: whose, for kinds of a damper; of `job_opened` too. job_id: whose, for all other kinds of a job;
            the damper is then known. The id of a new job is `Entry.job_id` of its `job_opened`.
        Returns:
            The entry as chained; it is durable when the transaction ends without an error.
        Raises:
            InputError: a field that is wrong, a damper, job, customer, vehicle, part or photo that isn't there.
        """
        self._check_whole()
        text = encode_data(kind, data)
        damper_id, job_id = self._find_owner(kind, damper_id, job_id)
        entry = make_entry(self._row + 1, self._utc(), self._who, kind, damper_id, job_id, text, self._hash)
        # Whatever goes wrong from here on, whoever catches it: half an entry is never kept.
        self._spoilt = kind
        self._connection.execute(_APPEND, to_row(entry))
        project(self._connection, entry)
        self._spoilt = ""
        self._row, self._hash = entry.row, entry.hash
        return entry

    def put_photo(self, body: bytes, media_type: str) -> str:
        """Keep a photo and return its SHA-256 in hex, by which findings name it; the same one twice is one.

        Raises:
            InputError: no JPEG or PNG by its first bytes, or longer than MOST_BYTES.
        """
        if len(body) > MOST_BYTES:
            raise InputError(f"photo: {len(body)} bytes, at most {MOST_BYTES} are kept; make it smaller")
        if media_type != find_media_type(body):
            raise InputError(f"photo: its bytes are no {one_line(media_type, 40)}; JPEG and PNG are kept")
        sha256 = hashlib.sha256(body).hexdigest()
        put(self._connection, PHOTO, {"sha256": sha256, "media_type": media_type, "body": body})
        return sha256

    def finish(self) -> None:
        """Write the head of the chain; called by Store.write at the end of its body.

        Raises:
            InputError: an entry was refused half-way and the body went on all the same; nothing is kept.
        """
        self._check_whole()
        if self._row != self._start_row:
            set_head(self._connection, self._row, self._hash)

    def _check_whole(self) -> None:
        if self._spoilt:
            raise InputError(f"entry {self._spoilt} was refused, so nothing of this change is kept; begin it again")

    def _find_owner(self, kind: str, damper_id: str | None, job_id: int | None) -> tuple[str | None, int | None]:
        """Return damper and job of an entry, as its kind has them."""
        of = find_kind(kind).of
        if of == "job" and kind != "job_opened":
            if job_id is None:
                raise InputError(f"entry {kind}: belongs to a job, none is named")
            owner = self._connection.execute(_OWNER, {"job": job_id}).scalar()
            if owner is None:
                raise InputError(f"job {one_line(job_id, 40)} is not known at this bench")
            if damper_id not in (None, owner):
                raise InputError(f"entry {kind}: job {job_id} is of another damper")
            return owner, job_id
        if job_id is not None:
            raise InputError(f"entry {kind}: belongs to no job, {one_line(job_id, 40)} is named")
        if not of:
            if damper_id is not None:
                raise InputError(f"entry {kind}: belongs to no damper, {one_line(damper_id, 40)} is named")
            return None, None
        if not damper_id:
            raise InputError(f"entry {kind}: belongs to a damper, none is named")
        check_text(damper_id, f"entry {kind}: damper")
        if kind != "damper_put":
            check_known(self._connection, DAMPER, damper_id, "damper")
        return damper_id, self._next_job() if kind == "job_opened" else None

    def _next_job(self) -> int:
        return int(self._connection.execute(_LAST_JOB).scalar_one()) + 1


def to_row(entry: Entry) -> dict[str, Any]:
    """Return an entry as its table has it."""
    return {
        "row": entry.row,
        "utc": entry.utc,
        "who": entry.who,
        "role": entry.role,
        "kind": entry.kind,
        "damper_id": entry.damper_id,
        "job_id": entry.job_id,
        "data": entry.text,
        "prev_hash": entry.prev_hash,
        "hash": entry.hash,
    }


def set_head(connection: Connection, row: int, digest: bytes = FIRST_PREV_HASH) -> None:
    """Write which entry is the newest."""
    connection.execute(update(HEAD).where(HEAD.c.id == 1).values(row=row, hash=digest))


def find_media_type(body: bytes) -> str | None:
    """Return what kind of picture bytes are by their first ones, None for anything else.

    Source: ITU-T T.81 annex B (start of image, then a marker); W3C PNG specification, section 5.2.
    """
    if body.startswith(b"\xff\xd8\xff"):
        return JPEG
    return PNG if body.startswith(b"\x89PNG\r\n\x1a\n") else None
