"""Put the rows of a file in order of time: late rows back in place, doubled ones out, jumps bridged.

Works in a window of a second, so a recording of any length passes in bounded memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.errors import RecordingError
from dutylog.recording.source import SourceEvent

WINDOW_NS = 1_000_000_000
"""A row later than this against one before it can't be put back; 1 s is far above any transport delay."""

LONGEST_GAP_NS = 86_400 * 1_000_000_000
"""A forward jump beyond a day is a clock that was set, not a pause."""

_BRIDGE_NS = 2 * WINDOW_NS
"""Gap put where the clock jumped: its true length is unknown, and rows after it can't fall back before it."""

_MOST_JUMPS = 20
_MOST_DISORDER = 0.05


@dataclass(frozen=True, slots=True)
class Rows:
    """Rows of the file: instants [ns], travel and slow columns side by side."""

    instants_ns: NDArray[np.int64]
    values: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.instants_ns)

    def part(self, start: int, stop: int | None = None) -> Rows:
        """Return rows start..stop."""
        return Rows(self.instants_ns[start:stop], self.values[start:stop])

    def pick(self, which: NDArray[np.bool_] | NDArray[np.intp]) -> Rows:
        """Return rows by mask or by position."""
        return Rows(self.instants_ns[which], self.values[which])

    def then(self, later: Rows) -> Rows:
        """Return these rows and the later ones."""
        if not len(self) or not len(later):
            return later if len(later) else self
        return Rows(np.concatenate((self.instants_ns, later.instants_ns)), np.concatenate((self.values, later.values)))


class RowOrder:
    """Sorts rows as they come, in a window of a second; says what it moved or dropped.

    text_of: names the place of a row for an error. notes: one line for each jump that was bridged.
    """

    def __init__(self, text_of: Callable[[int], str]) -> None:
        self.notes: list[str] = []
        self._text_of = text_of
        self._row = 0
        self._offset_ns = 0
        self._jumps = 0
        self._newest_ns: int | None = None
        self._previous_ns: int | None = None
        self._last: Rows | None = None
        self._held: Rows | None = None
        self._events: list[SourceEvent] = []

    def push(self, rows: Rows) -> tuple[Rows, list[SourceEvent]]:
        """Take rows as the file has them; return those whose order is settled, and what there is to say."""
        rows = rows if self._last is None else self._last.then(rows)
        # The last row waits for the next one: only both neighbours show that its instant is astray.
        self._last = rows.part(-1)
        return self._advance(rows.part(0, -1), int(rows.instants_ns[-1]))

    def flush(self) -> tuple[Rows, list[SourceEvent]]:
        """Return what is left."""
        if self._last is None:
            raise RecordingError(self._text_of(0) + ": no row")
        out, events = self._advance(self._last, None)
        self._last = None
        rest = self._release(None)
        return out.then(rest), events

    def _advance(self, rows: Rows, next_ns: int | None) -> tuple[Rows, list[SourceEvent]]:
        first_row = self._row
        self._row += len(rows)
        place = first_row + np.arange(len(rows))
        previous = np.concatenate(
            (rows.instants_ns[:1] if self._previous_ns is None else [self._previous_ns], rows.instants_ns[:-1])
        )
        astray = self._find_astray(rows.instants_ns, previous, next_ns)
        out = rows.part(0, 0)
        self._check_share(rows.instants_ns, first_row)
        if len(rows):
            self._previous_ns = int(rows.instants_ns[-1])
        if astray.any():
            for before_ns in previous[astray].tolist():  # its own instant says nothing: the row before it does
                self._say(before_ns + self._offset_ns, before_ns + self._offset_ns, 1)
            rows, place = rows.pick(~astray), place[~astray]
        while len(rows):
            shifted = Rows(rows.instants_ns + self._offset_ns, rows.values)
            jump = self._find_jump(shifted.instants_ns)
            out = out.then(self._order(shifted.part(0, jump)))
            if jump is None:
                break
            out = out.then(self._release(None))
            rows, place = rows.part(jump), place[jump:]
            self._bridge(int(rows.instants_ns[0]), int(place[0]))
        events, self._events = self._events, []
        return out, events

    def _say(self, start_ns: int, end_ns: int, rows: int) -> None:
        self._events.append(SourceEvent("time_order", start_ns, {"start_ns": start_ns, "end_ns": end_ns, "rows": rows}))

    @staticmethod
    def _find_astray(
        instants_ns: NDArray[np.int64], previous: NDArray[np.int64], next_ns: int | None
    ) -> NDArray[np.bool_]:
        """Return which rows lie over a window off both neighbours, on the same side."""
        following = np.concatenate((instants_ns[1:], instants_ns[-1:] if next_ns is None else [next_ns]))
        ahead = (instants_ns - previous > WINDOW_NS) & (instants_ns - following > WINDOW_NS)
        behind = (previous - instants_ns > WINDOW_NS) & (following - instants_ns > WINDOW_NS)
        return np.asarray(ahead | behind)

    def _find_jump(self, instants_ns: NDArray[np.int64]) -> int | None:
        """Return the first row that falls back over the window or leaps on over a day."""
        start = int(instants_ns[0]) if self._newest_ns is None else self._newest_ns
        step = instants_ns - np.maximum.accumulate(np.concatenate(([start], instants_ns[:-1])))
        is_jump = (step < -WINDOW_NS) | (step > LONGEST_GAP_NS)
        return int(np.argmax(is_jump)) if is_jump.any() else None

    def _bridge(self, raw_ns: int, row: int) -> None:
        """Carry on shortly after the newest row, whatever the file's clock says now."""
        newest_ns = self._newest_ns or 0
        was_s = (newest_ns - self._offset_ns) * 1e-9
        self._offset_ns = newest_ns + _BRIDGE_NS - raw_ns
        self._jumps += 1
        verb = "falls back" if raw_ns * 1e-9 < was_s else "leaps"
        text = (
            f"{self._text_of(row)}: t_s {verb} from {was_s:.6g} to {raw_ns * 1e-9:.6g}; carried on as if 2 s had passed"
        )
        if self._jumps > _MOST_JUMPS:
            raise RecordingError(f"{text}; that was the {self._jumps}th time, split the file into single recordings")
        self.notes.append(text)
        self._events.append(SourceEvent("mark", newest_ns, {"text": text, "by": "recording"}))

    def _order(self, rows: Rows) -> Rows:
        """Merge rows (no jump among them) into the window; return those that are settled."""
        if not len(rows):
            return rows
        instants = rows.instants_ns
        start = int(instants[0]) if self._newest_ns is None else self._newest_ns
        newest = np.maximum.accumulate(np.concatenate(([start], instants[:-1])))
        is_late = instants < newest
        self._newest_ns = max(start, int(instants.max()))
        if is_late.any():
            self._say_late(instants, newest, is_late)
        merged = rows if self._held is None else self._held.then(rows)
        late_of = np.concatenate((np.zeros(len(merged) - len(rows), dtype=bool), is_late))
        if is_late.any():
            order = np.argsort(merged.instants_ns, kind="stable")
            merged, late_of = merged.pick(order), late_of[order]
        is_doubled = np.concatenate(([False], merged.instants_ns[1:] == merged.instants_ns[:-1]))
        if is_doubled.any():
            for instant_ns in merged.instants_ns[is_doubled & ~late_of].tolist():
                self._say(instant_ns, instant_ns, 1)
            merged = merged.pick(~is_doubled)
        self._held = merged
        return self._release(self._newest_ns - WINDOW_NS)

    def _say_late(self, instants: NDArray[np.int64], newest: NDArray[np.int64], is_late: NDArray[np.bool_]) -> None:
        """Report each run of late rows once: from the earliest of them to the row they came after."""
        edges = np.flatnonzero(np.diff(np.concatenate(([False], is_late, [False])).astype(np.int8)))
        for start, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
            self._say(int(instants[start:stop].min()), int(newest[stop - 1]), stop - start)

    def _release(self, before_ns: int | None) -> Rows:
        """Return held rows earlier than an instant (all for None)."""
        if self._held is None:
            return Rows(np.zeros(0, dtype=np.int64), np.zeros((0, 0)))
        n = len(self._held) if before_ns is None else int(np.searchsorted(self._held.instants_ns, before_ns))
        out, self._held = self._held.part(0, n), (None if before_ns is None else self._held.part(n))
        return out

    def _check_share(self, instants_ns: NDArray[np.int64], first_row: int) -> None:
        """Refuse rows whose order is disturbed so often that it isn't one."""
        bad, rows = int(np.count_nonzero(np.diff(instants_ns) <= 0)), len(instants_ns)
        if bad > 20 and bad > _MOST_DISORDER * rows:
            raise RecordingError(
                f"{self._text_of(first_row)} onwards: t_s repeats or falls back {bad} times in {rows} rows; "
                "write each row's own instant, rising, in steps finer than the sampling"
            )
