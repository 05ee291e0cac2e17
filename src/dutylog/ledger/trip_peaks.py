"""Peaks of what counts: of the minute rows outside of trips that weren't driven, and of the shares of all other trips.

Years of rows are many, so they are read page by page, and what was found stays for the next reading in this process.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from dutylog.errors import LedgerCorrupt, LedgerError
from dutylog.ledger.database import Database
from dutylog.ledger.kept_pieces import FileId, file_of, read_revisions
from dutylog.ledger.trip_spans import Stretch

PEAKS = ("peak_compression_umps", "peak_rebound_umps", "peak_body_mc")
PAGE = 8000
"""Keys looked at in one question: some 20 ms on a desktop computer."""
OVERLAP_ROWS = 500
"""Newest rows that are looked at again: they may have been written anew since. Source: judgement."""
BUDGET_RATIO = 0.5
"""Of the time one question may take, spent here at most in one reading. Source: judgement."""
FILES_LIMIT = 8
_LEAST = (-1, -1, -(10**9))
"""Below every value of PEAKS."""

Peaks = tuple[int | None, ...]


@dataclass(slots=True)
class _Progress:
    """How far minute rows and shares were read, by key of the table, and the peaks so far by unit_key."""

    key: object
    minutes: int = 0
    shares: int = 0
    peaks: dict[int, Peaks] = field(default_factory=dict)

    def is_less(self, unit_key: int, peaks: Sequence[int | None]) -> bool:
        """Return whether any of these is more than is known of a unit."""
        known = self.peaks.get(unit_key)
        return known is None or _join(known, peaks) != known

    def take(self, unit_key: int, peaks: Sequence[int | None]) -> None:
        """Join what a row or a share has."""
        known = self.peaks.get(unit_key)
        self.peaks[unit_key] = tuple(peaks) if known is None else _join(known, peaks)


_kept: dict[FileId, _Progress] = {}
_lock = threading.Lock()


class PeakFinder:
    """Finds peaks of some units. spans: of each unit, where rows don't count. marked: trips that don't count whole."""

    def __init__(self, database: Database, spans: Mapping[str, Sequence[Stretch]], marked: frozenset[int]) -> None:
        self._database, self._marked = database, marked
        keys = dict(database.rows("SELECT unit_id, unit_key FROM unit"))
        self._keys = {unit_id: int(keys[unit_id]) for unit_id in spans if unit_id in keys}
        self._spans: dict[tuple[int, int], list[tuple[int, int]]] = {}
        for unit_id, key in self._keys.items():
            for one in spans[unit_id]:
                self._spans.setdefault((key, one.epoch), []).append((one.start_ns, one.end_ns))

    def find(self) -> dict[str, Peaks] | None:
        """Return the peaks of each unit as PEAKS, None where there is no time to read all rows now.

        Raises:
            LedgerCorrupt: the file is damaged.
        """
        deadline_s = time.monotonic() + BUDGET_RATIO * self._database.query_limit_s
        try:
            with _lock:
                found = self._find(deadline_s)
        except LedgerCorrupt:
            raise
        except LedgerError:
            return None  # a page alone took too long
        return None if found is None else {u: found.get(key, (None,) * len(PEAKS)) for u, key in self._keys.items()}

    def _find(self, deadline_s: float) -> dict[int, Peaks] | None:
        progress = self._progress()
        newest = self._newest("minute", "minute_key"), self._newest("trip_damper", "trip_damper_key")
        while progress.minutes < newest[0] - OVERLAP_ROWS:
            until = min(progress.minutes + PAGE, newest[0] - OVERLAP_ROWS)
            self._take_minutes(progress, progress.minutes, until)
            progress.minutes = until
            if time.monotonic() > deadline_s:
                return None
        while progress.shares < newest[1] - OVERLAP_ROWS:
            until = min(progress.shares + PAGE, newest[1] - OVERLAP_ROWS)
            self._take_shares(progress, progress.shares, until)
            progress.shares = until
            if time.monotonic() > deadline_s:
                return None
        now = _Progress(None, peaks=dict(progress.peaks))
        self._take_minutes(now, progress.minutes, newest[0])
        self._take_shares(now, progress.shares, newest[1])
        return now.peaks

    def _progress(self) -> _Progress:
        """Return what was read of this file before, as long as it still holds."""
        file = file_of(self._database)
        spans = tuple((key, tuple(those)) for key, those in sorted(self._spans.items()))
        key = read_revisions(self._database), tuple(sorted(self._keys.values())), spans, self._marked
        known = _kept.get(file)
        if known is None or known.key != key:
            while len(_kept) >= FILES_LIMIT and file not in _kept:
                _kept.pop(next(iter(_kept)), None)
            known = _kept[file] = _Progress(key)
        return known

    def _newest(self, table: str, column: str) -> int:
        row = self._database.row(f"SELECT coalesce(max({column}), 0) FROM {table}")
        return 0 if row is None else int(row[0])

    def _take_minutes(self, progress: _Progress, after: int, until: int) -> None:
        for unit_key, epoch, start_ns, duration_us, *peaks in self._larger(
            progress, "minute", "minute_key", "epoch, start_ns, duration_us", (after, until)
        ):
            end_ns = start_ns + duration_us * 1000
            # Asked before where it lies: what was found on this page is often more.
            if progress.is_less(unit_key, peaks) and not any(
                start_ns < last and end_ns > first for first, last in self._spans.get((unit_key, epoch), ())
            ):
                progress.take(unit_key, peaks)

    def _take_shares(self, progress: _Progress, after: int, until: int) -> None:
        for unit_key, trip, *peaks in self._larger(progress, "trip_damper", "trip_damper_key", "trip", (after, until)):
            if trip not in self._marked:
                progress.take(unit_key, peaks)

    def _larger(
        self, progress: _Progress, table: str, column: str, others: str, between: tuple[int, int]
    ) -> list[tuple[Any, ...]]:
        """Return the rows between two keys that have a larger peak than is known of their unit."""
        if between[1] <= between[0] or not self._keys:
            return []
        # The sign keeps the index of units out: a page is rows that lie together.
        one = f"(+unit_key = ? AND ({' OR '.join(f'{name} > ?' for name in PEAKS)}))"
        values: list[int] = list(between)
        for key in self._keys.values():
            known = progress.peaks.get(key, (None,) * len(PEAKS))
            least = (low if value is None else value for value, low in zip(known, _LEAST, strict=True))
            values += [key, *least]
        return self._database.rows(
            f"SELECT unit_key, {others}, {', '.join(PEAKS)} FROM {table} WHERE {column} > ? AND {column} <= ? "
            f"AND ({' OR '.join([one] * len(self._keys))})",
            values,
        )


def _join(first: Sequence[int | None], second: Sequence[int | None]) -> Peaks:
    return tuple(_larger(one, other) for one, other in zip(first, second, strict=True))


def _larger(first: int | None, second: int | None) -> int | None:
    if first is None or second is None:
        return second if first is None else first
    return max(first, second)
