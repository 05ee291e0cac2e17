"""The grid of a stream whose rows the host times: which slot is due, which were missed; rows put together to runs."""

from __future__ import annotations

from typing import Any

import numpy as np

from dutylog.acquire.driver import Plan, Rows

FS_PER_NS = 1_000_000
OVERRAN = 2
"""Quality bit 1: rows were lost at the source right before."""


class Slots:
    """Slot k lies at t0_ns + k periods. A slot not begun within `late_ns` is missed for good, never caught up with."""

    def __init__(self, t0_ns: int, period_fs: int, late_ns: int, now_ns: int) -> None:
        self.missed_count = 0
        self._t0_ns = t0_ns
        self._period_fs = period_fs
        self._late_ns = late_ns
        self._next = max(0, self._index_at(now_ns) + 1)

    def time_ns(self, index: int) -> int:
        """Return the instant of a slot [ns]."""
        return self._t0_ns + index * self._period_fs // FS_PER_NS

    def due_ns(self) -> int:
        """Return the instant of the next slot [ns]."""
        return self.time_ns(self._next)

    def take(self, now_ns: int) -> int | None:
        """Return the slot to be begun now and go on to the next; None when it is too late for it."""
        index = max(self._next, self._index_at(now_ns))
        self.missed_count += index - self._next
        self._next = index + 1
        if now_ns - self.time_ns(index) > self._late_ns:
            self.missed_count += 1
            return None
        return index

    def _index_at(self, now_ns: int) -> int:
        """Return the last slot whose instant isn't after a time."""
        index = (now_ns - self._t0_ns) * FS_PER_NS // self._period_fs
        return index + 1 if self.time_ns(index + 1) <= now_ns else index


class RunBuilder:
    """Puts rows of one plan together to gap-free runs."""

    def __init__(self, number: int, plan: Plan) -> None:
        self._number = number
        self._plan = plan
        self._runs: list[Rows] = []
        self._rows: list[list[Any]] = []
        self._first = self._t0_ns = self._quality = 0

    def add(self, index: int, at_ns: int, row: list[Any], has_overrun: bool) -> None:
        """Add a row; one that doesn't follow the last begins a new run."""
        if self._rows and index != self._first + len(self._rows):
            self._close_run()
        if not self._rows:
            self._first, self._t0_ns, self._quality = index, at_ns, OVERRAN if has_overrun else 0
        self._rows.append(row)

    def flush(self) -> list[Rows]:
        """Return the runs so far."""
        self._close_run()
        runs, self._runs = self._runs, []
        return runs

    def _close_run(self) -> None:
        if self._rows:
            data = np.array(self._rows, dtype="<" + self._plan.dtype)
            self._runs.append(Rows(self._number, self._first, self._t0_ns, self._plan.period_fs, data, self._quality))
            self._rows = []
