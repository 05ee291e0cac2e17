"""A recording file as a source: its rows cleaned, put on their grid and handed out in windows."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.acquire.grid import GridFit, GridTracker, Run
from dutylog.acquire.ordering import RowOrder, Rows
from dutylog.acquire.recording_probe import Layout, check_rest, plan_layout, read_rows
from dutylog.acquire.slow import SlowPlan, SlowRows, SlowSampler
from dutylog.acquire.table import open_table
from dutylog.clock import Clock, SystemClock
from dutylog.config.columns import ColumnSource
from dutylog.errors import InputError, RecordingError
from dutylog.recording.block import Block, Stream
from dutylog.recording.source import Batch, SourceEvent
from dutylog.units import FS_PER_NS, NS_PER_S

_LONGEST_WAIT_S = 0.2
_MANY_MISSING = 0.02
"""Share of rows lost in short gaps from which it is said: a logger loses few, a changed rate many (judgement)."""


@dataclass(frozen=True, slots=True)
class Progress:
    """Rows of the file read so far and in all (of a CSV blank lines count in the latter)."""

    rows_done: int
    rows_total: int


@dataclass(frozen=True, slots=True)
class _Piece:
    """Rows of one run, ready to hand out, with the slow samples found in them."""

    run: Run
    instants_ns: NDArray[np.int64]
    data: NDArray[Any]
    slow: tuple[SlowRows, ...]


class RecordingFileSource:
    """Plays a Parquet, CSV or MDF4 recording; the samples don't depend on how they are grouped.

    notes: what was odd about the file, for people; grows while it is read.
    """

    kind = "recording"
    resumable = True

    def __init__(
        self,
        path: Path | str,
        positions: Sequence[str],
        block_rows: int | None = 1000,
        pace: float | None = None,
        clock: Clock | None = None,
        body_positions: Sequence[str] | None = None,
        sources: Sequence[ColumnSource] = (),
    ) -> None:
        """Open and check a file; nothing is handed out yet.

        Args:
            path: the file, its format found by content.
            positions: those with a travel column of their own, in channel order.
            block_rows: rows of travel in a batch, None for the whole file in one.
            pace: multiple of real time, None for as fast as possible.
            clock: for pace; the machine's own by default.
            body_positions: those whose body temperature and reservoir pressure are read, by default the same
                positions.
            sources: where the file has our columns under other names or in other units.
        Raises:
            RecordingError: one line with file, place, value seen and remedy.
            InputError: no positions, block_rows < 1 or pace not above 0.
        """
        if not positions or len(set(positions)) < len(positions):
            raise InputError(f"positions must be some, each once: {list(positions)}")
        if (block_rows is not None and block_rows < 1) or (pace is not None and not pace > 0):
            raise InputError(f"block_rows {block_rows} must be at least 1, pace {pace} above 0")
        self._table = open_table(Path(path), sources)
        bodies = positions if body_positions is None else body_positions
        self._layout: Layout = plan_layout(self._table, tuple(positions), tuple(bodies))
        check_rest(self._table)
        self._block_rows, self._pace, self._clock = block_rows, pace, clock or SystemClock()
        self.streams: tuple[Stream, ...] = (self._layout.travel, *(plan.stream for plan in self._layout.slow))
        self.notes: list[str] = [*self._table.notes, *self._layout.notes]
        rate = f"{self._layout.fit.rate_hz:.6g} Hz"
        self.text = f"{self._table.path} ({self._table.format}, {self._table.rows_total} rows, {rate})"
        self.progress = Progress(0, self._table.rows_total)
        self._pieces: Generator[_Piece, None, None] | None = None

    @property
    def grid(self) -> GridFit:
        """Return the grid that was found under the file's instants."""
        return self._layout.fit

    def start(self, epoch: int, next_index: Mapping[int, int]) -> None:
        """Begin anew; samples below `next_index` of their stream id are read over."""
        self.close()
        self._epoch, self._next = epoch, dict(next_index)
        self._piece: _Piece | None = None
        self._used = 0
        self._events: list[SourceEvent] = []
        self._samplers = [SlowSampler(plan) for plan in self._layout.slow]
        self._order = RowOrder(lambda row: f"{self._table.path}: {self._table.place_of(row)}")
        self._end_ns: int | None = None
        self._ready: Batch | None = None
        self._pace_origin: tuple[int, int] | None = None
        self._has_begun = not any(self._next.values())
        self.progress = Progress(0, self._table.rows_total)
        self._pieces = self._read_pieces()

    def read_batch(self) -> Batch | None:
        """Return the next window; an empty Batch while it isn't due, None after the `end` event.

        Raises:
            RecordingError: the file is damaged here, or holds a cell that is no number.
        """
        if self._ready is None:
            self._ready = self._next_batch()
        if self._ready is None:
            return None
        if not self._is_due(self._ready):
            return Batch()
        batch, self._ready = self._ready, None
        return batch

    def close(self) -> None:
        """Let go of the file; safe to call twice."""
        pieces, self._pieces = self._pieces, None
        if pieces is not None:
            pieces.close()  # closes the file too

    def _is_due(self, batch: Batch) -> bool:
        """Wait up to 0.2 s for a batch's time; True when it has come."""
        if self._pace is None or not batch.blocks:
            return True
        if self._pace_origin is None:
            self._pace_origin = (self._clock.mono_ns(), batch.blocks[0].t0_ns)
        host_ns, file_ns = self._pace_origin
        end_ns = max(block.time_ns(block.end_index) for block in batch.blocks if block.stream is self._layout.travel)
        due_ns = host_ns + round((end_ns - file_ns) / self._pace)
        wait_s = (due_ns - self._clock.mono_ns()) / NS_PER_S
        if wait_s > 0:
            self._clock.sleep(min(wait_s, _LONGEST_WAIT_S))
        return self._clock.mono_ns() >= due_ns

    def _next_batch(self) -> Batch | None:
        """Return the next window that holds anything still wanted, then the end."""
        while self._pieces is not None:
            window = self._take_window()
            if not window:
                self.close()
                return self._end_batch()
            batch = self._make_batch(window)
            if batch.blocks or batch.events:
                return batch
        return None

    def _take_window(self) -> list[tuple[_Piece, int, int]]:
        """Return slices of pieces (piece, start, stop) that together hold the rows of one window."""
        window: list[tuple[_Piece, int, int]] = []
        rows = 0
        while self._block_rows is None or rows < self._block_rows:
            piece = self._next_piece()
            if piece is None:
                break
            start = self._used
            stop = piece.run.n if self._block_rows is None else min(piece.run.n, start + self._block_rows - rows)
            window.append((piece, start, stop))
            rows += stop - start
            self._used = stop
        return window

    def _next_piece(self) -> _Piece | None:
        """Return the piece that still has rows from `_used` on."""
        if self._piece is None or self._used == self._piece.run.n:
            self._used = 0
            try:
                self._piece = next(self._pieces, None) if self._pieces is not None else None
            except RecordingError:
                self.close()  # what is damaged has no end: no `end` event may follow
                raise
        return self._piece

    def _make_batch(self, window: list[tuple[_Piece, int, int]]) -> Batch:
        blocks: list[Block] = []
        for piece, start, stop in window:
            blocks += self._travel_block(piece, start, stop)
            for plan, rows in zip(self._layout.slow, piece.slow, strict=True):
                blocks += self._slow_blocks(piece.run, plan, rows, start, stop)
        piece, _, stop = window[-1]
        return Batch(tuple(blocks), self._due_events(blocks, int(piece.instants_ns[stop - 1])))

    def _due_events(self, blocks: list[Block], until_ns: int) -> tuple[SourceEvent, ...]:
        """Return events up to an instant; after a resume only those from its first block on."""
        due = sorted((event for event in self._events if event.t0_ns <= until_ns), key=lambda event: event.t0_ns)
        self._events = [event for event in self._events if event.t0_ns > until_ns]
        if self._has_begun:
            return tuple(due)
        if not blocks:
            return ()
        self._has_begun = True
        return tuple(event for event in due if event.t0_ns >= blocks[0].t0_ns)

    def _travel_block(self, piece: _Piece, start: int, stop: int) -> Iterator[Block]:
        run, stream = piece.run, self._layout.travel
        start = max(start, self._next.get(stream.stream_id, 0) - run.first_index)
        if start < stop:
            t0_ns = run.t0_ns + start * stream.period_fs // FS_PER_NS
            yield Block(stream, self._epoch, run.first_index + start, t0_ns, stream.period_fs, piece.data[start:stop])

    def _slow_blocks(self, run: Run, plan: SlowPlan, rows: SlowRows, start: int, stop: int) -> Iterator[Block]:
        """Yield the slow samples found in rows start..stop, cut at gaps and where a frame may begin."""
        stream = plan.stream
        low, high = np.searchsorted(rows.found_at, (run.first_index + start, run.first_index + stop)).tolist()
        low += int(np.searchsorted(rows.indices[low:high], self._next.get(stream.stream_id, 0)))
        if low >= high:
            return
        own = rows.indices[low:high]
        # A block begins with each frame, so that a frame's instant is never carried on from an earlier one.
        cuts = np.flatnonzero((np.diff(own) > 1) | (own[1:] % stream.samples_per_second == 0)) + 1
        for first, last in zip((0, *cuts.tolist()), (*cuts.tolist(), len(own)), strict=True):
            index = int(own[first])
            rows_on = plan.first + index * plan.every - run.first_index
            t0_ns = run.t0_ns + rows_on * self._layout.travel.period_fs // FS_PER_NS
            data = rows.data[low + first : low + last].astype(f"<{stream.dtype}")
            yield Block(stream, self._epoch, index, t0_ns, stream.period_fs, data)

    def _end_batch(self) -> Batch:
        crowded = sum(sampler.crowded_count for sampler in self._samplers)
        if crowded:
            self.notes.append(f"{crowded} slow values came closer together than their usual spacing and were left out")
        end = SourceEvent("end", self._end_ns or 0, {"reason": "end of recording"})
        events = tuple(sorted(self._events, key=lambda event: event.t0_ns)) if self._has_begun else ()
        self._events = []
        return Batch((), (*events, end))

    def _read_pieces(self) -> Generator[_Piece, None, None]:
        """Yield the whole file as cleaned pieces; cut by sections of the grid, never by block_rows."""
        columns = self._layout.columns
        tracker = GridTracker(self._layout.fit, self._layout.travel.samples_per_second)
        held = Rows(np.zeros(0, dtype=np.int64), np.zeros((0, len(columns.values))))
        for first_row, rows in read_rows(self._table, columns.values):
            settled, events = self._order.push(rows)
            held = held.then(settled)
            self._events += events
            self.progress = Progress(first_row + len(rows), self._table.rows_total)
            held = yield from self._cut(held, tracker.push(settled.instants_ns))
        settled, events = self._order.flush()
        held = held.then(settled)
        self._events += events
        runs = tracker.push(settled.instants_ns) + tracker.flush()
        yield from self._cut(held, runs)
        self.notes += self._order.notes
        missing, there = tracker.missing_short, self.progress.rows_done
        if missing > _MANY_MISSING * (there + missing):
            self.notes.append(
                f"{missing} rows are missing in gaps of less than a second, beside {there} that are there; "
                f"does the file keep its rate of {self._layout.fit.rate_hz:.6g} Hz throughout?"
            )

    def _cut(self, held: Rows, runs: list[Run]) -> Generator[_Piece, None, Rows]:
        """Yield one piece for each run; return the rows after them."""
        done = 0
        for run in runs:
            yield self._make_piece(held.part(done, done + run.n), run)
            done += run.n
        return held.part(done)

    def _make_piece(self, rows: Rows, run: Run) -> _Piece:
        stream, columns = self._layout.travel, self._layout.columns
        data = np.empty((run.n, len(stream.channels)), dtype=f"<{stream.dtype}")
        data[:, : len(columns.travel)] = rows.values[:, : len(columns.travel)]
        if self._layout.fit.needs_stamps:
            grid_ns = run.t0_ns + np.arange(run.n, dtype=np.int64) * stream.period_fs // FS_PER_NS
            data[:, -1] = rows.instants_ns - grid_ns
        last_ns = run.t0_ns + run.n * stream.period_fs // FS_PER_NS
        self._end_ns = last_ns
        indices = np.arange(run.first_index, run.first_index + run.n)
        slow = rows.values[:, len(columns.travel) :]
        if any(factor != 1.0 for factor in columns.slow_factors):
            slow = slow * np.array(columns.slow_factors)
        return _Piece(run, rows.instants_ns, data, tuple(s.take(indices, slow) for s in self._samplers))
