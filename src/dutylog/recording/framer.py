"""Blocks of any length in, frames' worth of rows out, in an order the block lengths can't change.

Every cut has a place: the instant [ns] that completes it. Batches cover spans of time that follow each
other, so sorting the cuts of each batch by (place, stream id) gives one order for the whole epoch
(shared/RECORDING.md, Framing).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.errors import InputError
from dutylog.recording.block import Block, Stream
from dutylog.units import FS_PER_NS, NS_PER_S

MISSING = "missing"
SOURCE_LOST = "source_lost"
RESTART = "restart"
NOT_STORED = "not_stored"

MAX_GAP_ROWS = 2**32 - 1
"""A frame counts its rows in a u32; a longer gap becomes several."""
OVERDUE_NS = NS_PER_S
"""How long after its last instant an incomplete frame waits for rows that a silent stream still owes."""
NEVER_NS = 2**63 - 1
"""The last instant a frame can state."""
GRID_TOLERANCE_NS = 2
"""Blocks cut from a longer one carry start times rounded down to whole ns; the grid itself is exact."""


@dataclass(frozen=True, slots=True)
class Grid:
    """Where the indices of a stream lie in time: one instant and the spacing, integers throughout."""

    index: int
    t0_ns: int
    period_fs: int

    def time_ns(self, index: int) -> int:
        """Return the instant [ns] of an index, the same whatever block the row came in."""
        return self.t0_ns + (index - self.index) * self.period_fs // FS_PER_NS

    def agrees(self, index: int, t0_ns: int, period_fs: int) -> bool:
        """Return whether a run that begins at `index` lies on this grid."""
        return period_fs == self.period_fs and abs(t0_ns - self.time_ns(index)) <= GRID_TOLERANCE_NS


@dataclass(frozen=True, slots=True)
class Gap:
    """Rows first_index .. first_index + n - 1 of a stream that will never come."""

    stream: Stream
    epoch: int
    first_index: int
    n: int
    t0_ns: int
    period_fs: int
    reason: str


@dataclass(frozen=True, slots=True)
class Cut:
    """A frame's worth of rows, or a gap, and the instant that completed it."""

    place_ns: int
    item: Block | Gap

    @property
    def stream_id(self) -> int:
        """Return the stream the cut belongs to."""
        return self.item.stream.stream_id


class _Lane:
    """One stream's rows on their way to a frame."""

    def __init__(self, stream: Stream, epoch: int, next_index: int, grid: Grid | None, resumed: bool) -> None:
        self.stream = stream
        self.next_index = next_index
        self._epoch = epoch
        self._whole = stream.samples_per_second
        self._grid: Grid | None = None
        self._due_ns = NEVER_NS
        self._jump_reason = RESTART if resumed else MISSING
        self._parts: list[NDArray[Any]] = []
        self._start = next_index
        self._quality = 0
        self._last_place_ns: int | None = None
        self._begin(grid, next_index)

    def take(self, block: Block, out: list[Cut]) -> None:
        """Add a block's rows; cuts that become complete go to `out` in index order."""
        if block.first_index > self.next_index:
            like = Grid(block.first_index, block.t0_ns, block.period_fs)
            self.skip(block.first_index, block.t0_ns, like, self._jump_reason, out)
        self._jump_reason = MISSING
        if self._grid is None or not self._grid.agrees(block.first_index, block.t0_ns, block.period_fs):
            self.cut(min(block.t0_ns, self._due_ns), out)
            self._begin(Grid(block.first_index, block.t0_ns, block.period_fs), self._start)
        rows, whole = block.data, self._whole
        self._quality |= block.quality
        while self.next_index + len(rows) >= (boundary := (self.next_index // whole + 1) * whole):
            count = boundary - self.next_index
            self._parts.append(rows[:count])
            self.next_index, rows = boundary, rows[count:]
            self.cut(self._due_ns - OVERDUE_NS, out)
            self._quality = block.quality
        if len(rows):
            self._parts.append(rows)
            self.next_index += len(rows)
        else:
            self._quality = 0

    def skip(self, until_index: int, place_ns: int, like: Grid | None, reason: str, out: list[Cut]) -> None:
        """Close what is open and put gaps up to `until_index`, placed where the gap became known.

        like: where rows lie while none has come.
        """
        self.cut(min(place_ns, self._due_ns), out)
        grid = self._grid or like
        if grid is None:
            raise InputError(f"stream {self.stream.name}: a gap before any row has no instant")
        while self.next_index < until_index:
            n = min(until_index - self.next_index, MAX_GAP_ROWS)
            t0_ns = grid.time_ns(self.next_index)
            gap = Gap(self.stream, self._epoch, self.next_index, n, t0_ns, grid.period_fs, reason)
            out.append(Cut(self._place(place_ns), gap))
            self.next_index += n
        self._begin(self._grid, self.next_index)

    def cut(self, place_ns: int, out: list[Cut]) -> None:
        """Put the rows held so far, if any, as one frame's worth."""
        if not self._parts or self._grid is None:
            self._begin(self._grid, self.next_index)
            return
        data = np.concatenate(self._parts) if len(self._parts) > 1 else np.ascontiguousarray(self._parts[0])
        t0_ns = self._grid.time_ns(self._start)
        block = Block(self.stream, self._epoch, self._start, t0_ns, self._grid.period_fs, data, self._quality)
        out.append(Cut(self._place(place_ns), block))
        self._parts = []
        self._quality = 0
        self._begin(self._grid, self.next_index)

    def cut_overdue(self, now_ns: int, out: list[Cut]) -> None:
        """Put what is held if its frame should have been whole OVERDUE_NS before `now_ns`."""
        if self._parts and now_ns >= self._due_ns:
            self.cut(self._due_ns, out)

    def _begin(self, grid: Grid | None, start: int) -> None:
        """Open a frame at an index, and note when it is put even though rows of it are still owed."""
        self._grid, self._start = grid, start
        if grid is not None:
            self._due_ns = grid.time_ns((start // self._whole + 1) * self._whole - 1) + OVERDUE_NS

    def last_row_ns(self) -> int:
        """Return the instant of the last row that came."""
        return self._grid.time_ns(self.next_index - 1) if self._grid is not None else 0

    def _place(self, place_ns: int) -> int:
        """Return the place, never before that of an earlier cut: index order holds within a stream."""
        if self._last_place_ns is not None:
            place_ns = max(place_ns, self._last_place_ns)
        self._last_place_ns = place_ns
        return place_ns


class Framer:
    """Cuts the streams of one epoch into frames.

    epoch: number of the epoch; blocks of another are refused. next_index: per stream id the first
    index that isn't in the log yet (0 where absent). grids: per stream id the grid the epoch began
    with, so that a resumed epoch gets the instants an unbroken one would have.
    """

    def __init__(
        self, epoch: int, next_index: Mapping[int, int] | None = None, grids: Mapping[int, Grid] | None = None
    ) -> None:
        self.epoch = epoch
        self._next_index = dict(next_index or {})
        self._grids = dict(grids or {})
        self._lanes: dict[int, _Lane] = {}

    @property
    def next_index(self) -> dict[int, int]:
        """Return per stream id the index of the row expected next, rows still held included."""
        return {**self._next_index, **{i: lane.next_index for i, lane in self._lanes.items()}}

    def push(self, blocks: Iterable[Block], until_ns: int | None = None) -> list[Cut]:
        """Take all blocks of one span of time and return the cuts they complete, in log order.

        Args:
            blocks: of each stream exactly the rows whose instants lie in the span, in index order.
            until_ns: int [ns], an instant known to have come even if no row tells so (an event's).
        Returns:
            cuts sorted by place, then stream id.
        Raises:
            InputError: a block of another epoch, of a stream that changed, or with rows that came before.
        """
        out: list[Cut] = []
        now_ns = until_ns
        for block in blocks:
            if not len(block.data):
                continue
            lane = self._lane(block)
            lane.take(block, out)
            now_ns = lane.last_row_ns() if now_ns is None else max(now_ns, lane.last_row_ns())
        if now_ns is not None:
            for lane in self._lanes.values():
                lane.cut_overdue(now_ns, out)
        return _in_order(out)

    def skip(self, stream: Stream, until_index: int, place_ns: int, reason: str, like: Grid | None = None) -> list[Cut]:
        """Say that rows before `until_index` which haven't come never will, as known at `place_ns`.

        like: where rows lie, for a stream of which none has come.
        """
        out: list[Cut] = []
        lane = self._lanes.get(stream.stream_id) or self._open_lane(stream)
        lane.skip(until_index, place_ns, like, reason, out)
        return out

    def flush(self) -> list[Cut]:
        """Return what isn't yet a whole frame, at a stop; rows that come later go on from there."""
        out: list[Cut] = []
        for lane in self._lanes.values():
            lane.cut(lane.last_row_ns(), out)
        return _in_order(out)

    def _lane(self, block: Block) -> _Lane:
        """Return the block's lane; InputError when the block doesn't belong or comes twice."""
        stream = block.stream
        if block.epoch != self.epoch:
            raise InputError(f"block of stream {stream.name} is of epoch {block.epoch}, expected {self.epoch}")
        lane = self._lanes.get(stream.stream_id) or self._open_lane(stream)
        if lane.stream is not stream and lane.stream != stream:
            raise InputError(f"stream {stream.stream_id} changed from {lane.stream.name} within epoch {self.epoch}")
        if block.data.dtype != np.dtype("<" + stream.dtype):
            raise InputError(f"stream {stream.name} is {stream.dtype}, its block is {block.data.dtype}")
        if block.first_index < lane.next_index:
            raise InputError(
                f"stream {stream.name}: row {block.first_index} came again, expected {lane.next_index} or later"
            )
        return lane

    def _open_lane(self, stream: Stream) -> _Lane:
        key = stream.stream_id
        lane = _Lane(stream, self.epoch, self._next_index.get(key, 0), self._grids.get(key), key in self._next_index)
        self._lanes[key] = lane
        return lane


def _in_order(cuts: list[Cut]) -> list[Cut]:
    """Return cuts by place, then stream id; the sort is stable, so a stream keeps its own order."""
    return sorted(cuts, key=lambda cut: (cut.place_ns, cut.stream_id))
