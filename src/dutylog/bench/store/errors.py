"""What the bench's store may refuse, in words for people."""

from __future__ import annotations

from dutylog.errors import DutylogError


class StoreError(DutylogError):
    """The bench's store can't do what was asked: out of reach, locked, of another make or version."""


class StoreCorrupt(StoreError):
    """The bench's store is damaged, or its chain of entries is broken."""


class StoreFull(StoreError):
    """No room for another entry; nothing of it was written."""
