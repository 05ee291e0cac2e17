"""The store: opened by its address, written in transactions, read by questions, checked and made again."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from types import TracebackType

from sqlalchemy import Connection, Engine

from dutylog.bench.store.append import Transaction
from dutylog.bench.store.chain import Who
from dutylog.bench.store.check import Verification, verify
from dutylog.bench.store.connect import make_engine, parse_url, place_of, reading, writing
from dutylog.bench.store.errors import StoreError
from dutylog.bench.store.queries import Reading
from dutylog.bench.store.rebuild import find_altered, rebuild
from dutylog.bench.store.schema import bring_to_date
from dutylog.clock import Clock, SystemClock
from dutylog.units import NS_PER_S


class Store:
    """The bench's memory. May be shared between threads; each process opens its own."""

    def __init__(self, engine: Engine, place: str, clock: Clock) -> None:
        self.place = place
        self._engine: Engine | None = engine
        self._clock = clock

    @classmethod
    def open(cls, url: str | Path, clock: Clock | None = None, is_new_ok: bool = True) -> Store:
        """Open a store, making its tables where there are none and bringing older ones to date.

        Args:
            url: 'sqlite:////folder/file', 'postgresql://host/name', or the path of an SQLite file.
            clock: of the times written into entries; the machine's own by default.
            is_new_ok: whether a missing SQLite file may be made.
        Raises:
            InputError: no such kind of address.
            StoreError: out of reach, made by a newer dutylog, tables of another program. StoreCorrupt: damaged.
        """
        address = parse_url(f"sqlite:///{url.absolute()}" if isinstance(url, Path) else url)
        place = place_of(address)
        engine = make_engine(address, is_new_ok)
        try:
            with writing(engine, place) as connection:
                bring_to_date(connection, place)
        except BaseException:
            engine.dispose()
            raise
        return cls(engine, place, clock or SystemClock())

    @contextmanager
    def write(self, who: Who) -> Iterator[Transaction]:
        """Run the body as one transaction of one person; all of it is durable afterwards, or none of it happened.

        Raises:
            StoreError: locked too long, out of reach. StoreFull: no room. InputError: what the body appends is wrong.
        """
        with self.connect_to_write() as connection:
            transaction = Transaction(connection, self.place, who, self._utc)
            yield transaction
            transaction.finish()

    def read(self) -> Reading:
        """Return questions: `store.read().damper(...)` for one, `with store.read() as reading:` for many.

        Each sees what is committed when it is asked; those within a `with` all see the same state.
        """
        return Reading(None, self._use(), self.place)

    def snapshot(self) -> Reading:
        """Return questions for a `with`, in which all see the same state."""
        return self.read()

    def verify(self) -> Verification:
        """Walk the whole chain and all photos, those that findings name too; changes nothing."""
        with self.connect_to_read() as connection:
            return verify(connection)

    def find_altered(self) -> str | None:
        """Return the first table that isn't what the entries make, None where all are; changes nothing.

        Raises:
            StoreCorrupt: the chain is broken. InputError: a photo that a finding names is missing.
        """
        with self.connect_to_read() as connection:
            return find_altered(connection, self.place)

    def rebuild(self) -> int:
        """Make all tables that are made of the chain again and return how many entries there are.

        Raises:
            StoreCorrupt: the chain is broken; nothing was changed.
        """
        with self.connect_to_write() as connection:
            return rebuild(connection, self.place)

    @contextmanager
    def connect_to_read(self) -> Iterator[Connection]:
        """Give a connection whose every question sees the same state; for this package alone."""
        with reading(self._use(), self.place) as connection:
            yield connection

    @contextmanager
    def connect_to_write(self) -> Iterator[Connection]:
        """Give a connection in a transaction that is durable or undone at its end; for this package alone."""
        with writing(self._use(), self.place) as connection:
            yield connection

    def close(self) -> None:
        """Close all connections; safe to call twice."""
        engine, self._engine = self._engine, None
        if engine is not None:
            engine.dispose()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, err: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def _use(self) -> Engine:
        if self._engine is None:
            raise StoreError(f"store {self.place} is closed")
        return self._engine

    def _utc(self) -> str:
        return f"{datetime.fromtimestamp(self._clock.utc_ns() // NS_PER_S, UTC):%Y-%m-%dT%H:%M:%SZ}"
