"""What waits to be published, on disk: bounded, live values dropped first, every drop counted (shared/TOPICS.md).

A file of its own beside the ledger: what is on its way to a broker must not wear the ledger's pages,
and damage here must not touch duty.
"""

from __future__ import annotations

import sqlite3
import threading
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar

from dutylog.errors import InputError, OutputError
from dutylog.publish.outbox_file import FileDamaged, move_aside, open_file, translate

LIVE = "live"
DUTY = "duty"
TRIP = "trip"
ALERT = "alert"
KINDS = (LIVE, DUTY, TRIP, ALERT)
DROP_ORDER = (LIVE, ALERT)
"""What goes first when the file is full; duty and trips never go."""
OUTBOX_NAME = "outbox.sqlite"
LIMIT_BYTES = 64 << 20
REJECTED_LIMIT = 1000
"""Rows kept of what a receiver refused (judgement): enough to see why; the count goes on for ever."""
DROP_STEP = 64
BUSY_LIMIT_S = 5.0

_COLUMNS = "id, output, kind, boot_id, mono_ns, utc_ns, payload"
_READY = "(utc_ns IS NOT NULL OR kind = 'alert')"
_ADD = "INSERT INTO meta VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = value + excluded.value"
_NO_NOTES: Mapping[str, str] = MappingProxyType({})

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True)
class Draft:
    """Something to publish. mono_ns: when it arose, CLOCK_MONOTONIC of that boot; utc_ns: None until known."""

    kind: str
    boot_id: str
    mono_ns: int
    utc_ns: int | None
    payload: bytes


@dataclass(frozen=True, slots=True)
class Item:
    """A stored draft; ids rise and are never used twice."""

    id: int
    output: str
    kind: str
    boot_id: str
    mono_ns: int
    utc_ns: int | None
    payload: bytes


@dataclass(frozen=True, slots=True)
class Counts:
    """What became of the items of one output, by kind; all but `waiting` count for ever.

    dropped: went because the file was full. undated: of a boot that never learned the time.
    """

    waiting: dict[str, int] = field(default_factory=dict)
    dropped: dict[str, int] = field(default_factory=dict)
    undated: dict[str, int] = field(default_factory=dict)
    acked: int = 0
    rejected: int = 0

    @property
    def waiting_count(self) -> int:
        return sum(self.waiting.values())

    @property
    def dropped_count(self) -> int:
        """Return all that was lost on the way, for whatever reason of ours."""
        return sum(self.dropped.values()) + sum(self.undated.values())


class Outbox:
    """The file and its lock: any thread may call any method; each call is one short transaction.

    Raises:
        OutputError: from every method where the disk takes or gives nothing; the call had no effect.
    """

    def __init__(
        self, path: Path, *, limit_bytes: int = LIMIT_BYTES, say: Callable[[str], None] = lambda _line: None
    ) -> None:
        """path: made when missing, moved aside when damaged. say: takes a line for people."""
        self._path = path
        self._limit_bytes = limit_bytes
        self._say = say
        self._lock = threading.RLock()
        self._waiting: Counter[tuple[str, str]] = Counter()
        self._connection: sqlite3.Connection | None = None
        self.damaged_count = 0
        with self._lock:
            try:
                self._open()
            except FileDamaged as err:
                self._begin_anew(str(err))

    # putting in

    def put(self, output: str, items: Iterable[Draft], notes: Mapping[str, str] = _NO_NOTES) -> None:
        """Store items in one transaction; at the limit the oldest live ones go, then the oldest alerts, counted.

        notes: for `cursor`, of what these items bring to an end or without any; all are there or nothing. Where the
        file is found damaged they are left out: what they tell of went with it.
        """
        drafts = list(items)
        for draft in drafts:
            if draft.kind not in KINDS:
                raise InputError(f"outbox: kind {draft.kind!r} is none of {', '.join(KINDS)}")
        if not drafts and not notes:
            return
        rows = [(output, d.kind, d.boot_id, d.mono_ns, d.utc_ns, d.payload) for d in drafts]

        damaged_count = self.damaged_count

        def work(connection: sqlite3.Connection) -> Counter[tuple[str, str]]:
            connection.executemany(
                "INSERT INTO item (output, kind, boot_id, mono_ns, utc_ns, payload) VALUES (?, ?, ?, ?, ?, ?)", rows
            )
            if damaged_count == self.damaged_count:
                _keep(connection, notes)
            change = Counter((output, d.kind) for d in drafts)
            change.subtract(self._make_room(connection))
            return change

        self._write(work)

    def date(self, boot_id: str, offset_ns: int) -> int:
        """Give undated items of a boot their time and return how many; a date once given never changes.

        Items of other boots that never learned the time go, counted; alerts stay, they need no date.

        Args:
            offset_ns: wall time minus CLOCK_MONOTONIC of that boot [ns].
        """
        dated = 0

        def work(connection: sqlite3.Connection) -> Counter[tuple[str, str]]:
            nonlocal dated
            dated = connection.execute(
                "UPDATE item SET utc_ns = mono_ns + ? WHERE utc_ns IS NULL AND boot_id = ?", (offset_ns, boot_id)
            ).rowcount
            return self._drop_undatable(connection, boot_id)

        self._write(work)
        return dated

    def drop_undatable(self, boot_id: str) -> None:
        """Drop and count what other boots than this one left without a time; at the start of a process."""
        self._write(lambda connection: self._drop_undatable(connection, boot_id))

    # taking out

    def peek(self, output: str, limit: int) -> list[Item]:
        """Return the oldest items that can be sent, leaving them in place: dated ones, and alerts."""
        rows = self._read(
            f"SELECT {_COLUMNS} FROM item WHERE output = ? AND {_READY} ORDER BY id LIMIT ?", (output, max(0, limit))
        )
        return [Item(*row) for row in rows]

    def ack(self, ids: Iterable[int]) -> None:
        """Take away what was delivered; ids that are gone do no harm."""
        wanted = [(item_id,) for item_id in ids]

        def work(connection: sqlite3.Connection) -> Counter[tuple[str, str]]:
            gone = _take(connection, wanted)
            for output, count in Counter(output for output, _, _, _ in gone).items():
                connection.execute(_ADD, (f"acked:{output}", count))
            return _minus(gone)

        if wanted:
            self._write(work)

    def set_aside(self, ids: Iterable[int], reason: str) -> None:
        """Take away what the receiver refuses for good, count it and keep the newest of it with the reason."""
        wanted = [(item_id,) for item_id in ids]

        def work(connection: sqlite3.Connection) -> Counter[tuple[str, str]]:
            gone = _take(connection, wanted)
            for output, kind, utc_ns, payload in gone:
                connection.execute(_ADD, (f"rejected:{output}", 1))
                connection.execute(
                    "INSERT INTO rejected (output, kind, utc_ns, payload, reason) VALUES (?, ?, ?, ?, ?)",
                    (output, kind, utc_ns, payload, reason[:300]),
                )
            connection.execute(
                "DELETE FROM rejected WHERE id <= (SELECT id FROM rejected ORDER BY id DESC LIMIT 1 OFFSET ?)",
                (REJECTED_LIMIT,),
            )
            return _minus(gone)

        if wanted:
            self._write(work)

    def rejected(self, output: str, limit: int = 10) -> list[tuple[str, bytes, str]]:
        """Return (kind, payload, reason) of what was set aside last, newest first."""
        sql = "SELECT kind, payload, reason FROM rejected WHERE output = ? ORDER BY id DESC LIMIT ?"
        return [(str(row[0]), bytes(row[1]), str(row[2])) for row in self._read(sql, (output, limit))]

    # counters and cursors

    def counts(self, output: str) -> Counts:
        """Return what became of the items of an output; cheap enough to ask every second."""
        with self._lock:
            waiting = {kind: n for (name, kind), n in self._waiting.items() if name == output and n > 0}
            rows = self._read("SELECT key, value FROM meta WHERE key GLOB ?", (f"*:{output}*",))
        found: dict[str, Any] = {"dropped": {}, "undated": {}}
        for key, value in rows:
            what, _, rest = str(key).partition(":")
            name, _, kind = rest.partition(":")
            if name == output and what in ("dropped", "undated"):
                found[what][kind] = int(value)
            elif name == output and what in ("acked", "rejected"):
                found[what] = int(value)
        return Counts(waiting=waiting, **found)

    def cursor(self, name: str) -> str | None:
        """Return a note an output keeps for itself, None before the first."""
        rows = self._read("SELECT value FROM meta WHERE key = ?", (f"cursor/{name}",))
        return str(rows[0][0]) if rows else None

    def close(self) -> None:
        """Close the file; safe to call twice."""
        with self._lock:
            if self._connection is not None:
                self._connection.close()
                self._connection = None

    # within

    def _make_room(self, connection: sqlite3.Connection) -> Counter[tuple[str, str]]:
        """Drop by the rule until the file is within its limit; what was dropped, by output and kind."""
        dropped: Counter[tuple[str, str]] = Counter()
        for kind in DROP_ORDER:
            while _used_bytes(connection) > self._limit_bytes:
                gone = connection.execute(
                    "DELETE FROM item WHERE id IN (SELECT id FROM item WHERE kind = ? ORDER BY id LIMIT ?) "
                    "RETURNING output, kind",
                    (kind, DROP_STEP),
                ).fetchall()
                if not gone:
                    break
                dropped.update((output, kind) for output, kind in gone)
        _count(connection, "dropped", dropped)
        return dropped

    @staticmethod
    def _drop_undatable(connection: sqlite3.Connection, boot_id: str) -> Counter[tuple[str, str]]:
        gone = connection.execute(
            "DELETE FROM item WHERE utc_ns IS NULL AND boot_id <> ? AND kind <> 'alert' RETURNING output, kind",
            (boot_id,),
        ).fetchall()
        dropped = Counter((str(output), str(kind)) for output, kind in gone)
        _count(connection, "undated", dropped)
        return Counter({key: -n for key, n in dropped.items()})

    def _write(self, work: Callable[[sqlite3.Connection], Counter[tuple[str, str]]]) -> None:
        """Run `work` as one transaction and add what it returns to the numbers of waiting items."""

        def transaction(connection: sqlite3.Connection) -> None:
            connection.execute("BEGIN IMMEDIATE")
            try:
                change = work(connection)
                connection.execute("COMMIT")
            except BaseException:
                if connection.in_transaction:
                    connection.execute("ROLLBACK")
                raise
            for key, number in change.items():
                self._waiting[key] += number

        self._do(transaction)

    def _read(self, sql: str, values: Sequence[Any]) -> list[tuple[Any, ...]]:
        def reading(connection: sqlite3.Connection) -> list[tuple[Any, ...]]:
            with closing(connection.execute(sql, values)) as cursor:
                return cursor.fetchall()

        return self._do(reading)

    def _do(self, work: Callable[[sqlite3.Connection], Result]) -> Result:
        """Run `work`; a file found damaged is moved aside and the work done on a new one."""
        with self._lock:
            try:
                return self._try(work)
            except FileDamaged as err:
                self._begin_anew(str(err))
                return self._try(work)

    def _try(self, work: Callable[[sqlite3.Connection], Result]) -> Result:
        if self._connection is None:
            raise OutputError(f"outbox {self._path} is closed")
        try:
            return work(self._connection)
        except sqlite3.Error as err:
            raise translate(err, self._path) from err

    def _open(self) -> None:
        connection, waiting = open_file(self._path, BUSY_LIMIT_S)
        self._connection = connection
        self._waiting = Counter(waiting)

    def _begin_anew(self, problem: str) -> None:
        self.close()
        kept = move_aside(self._path)
        self.damaged_count += 1
        self._open()
        self._say(f"outbox {self._path} was damaged ({problem}) and is kept as {kept.name}; a new one was begun")


def _keep(connection: sqlite3.Connection, notes: Mapping[str, str]) -> None:
    connection.executemany(
        "INSERT INTO meta VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value",
        [(f"cursor/{name}", text) for name, text in notes.items()],
    )


def _take(connection: sqlite3.Connection, ids: list[tuple[int]]) -> list[tuple[str, str, int | None, bytes]]:
    """Delete items and return (output, kind, utc_ns, payload) of those that were there."""
    sql = "DELETE FROM item WHERE id = ? RETURNING output, kind, utc_ns, payload"
    return [row for item_id in ids for row in connection.execute(sql, item_id).fetchall()]


def _minus(gone: list[tuple[str, str, int | None, bytes]]) -> Counter[tuple[str, str]]:
    return Counter({key: -n for key, n in Counter((output, kind) for output, kind, _, _ in gone).items()})


def _count(connection: sqlite3.Connection, what: str, dropped: Counter[tuple[str, str]]) -> None:
    for (output, kind), number in dropped.items():
        connection.execute(_ADD, (f"{what}:{output}:{kind}", number))


def _used_bytes(connection: sqlite3.Connection) -> int:
    """Return the bytes of the file that hold something [B]; both figures stand in the file's header."""
    pages, free, size = (
        int(connection.execute(f"PRAGMA {name}").fetchone()[0])
        for name in ("page_count", "freelist_count", "page_size")
    )
    return (pages - free) * size
