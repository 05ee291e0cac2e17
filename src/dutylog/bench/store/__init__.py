"""The bench's memory: an append-only chain of entries, and tables made of it (SQLite or PostgreSQL)."""

from dutylog.bench.store.chain import Entry, Who
from dutylog.bench.store.errors import StoreCorrupt, StoreError, StoreFull
from dutylog.bench.store.store import Store

__all__ = ["Entry", "Store", "StoreCorrupt", "StoreError", "StoreFull", "Who"]
