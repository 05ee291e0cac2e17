"""Travel of every damper on the index grid of one stream, as far as tiles still need it."""

from __future__ import annotations

from collections import deque
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Damper
from dutylog.motion.calibration import TravelRows
from dutylog.motion.validity import SPIKE_MPS
from dutylog.recording.block import STAMP, TRAVEL, Block, Stream

Array = NDArray[np.float64]


class TravelBuffer:
    """Rows are dampers in the vehicle's order, columns indices of the stream; NaN where nothing came.

    start_index: first index that exists in this epoch. end_index: index after the last known row,
    gaps included. Gaps take no memory. A damper without a travel sensor has NaN only. Samples wait as they came
    until somebody asks, so that blocks that follow each other are calibrated together.
    """

    def __init__(self, stream: Stream, dampers: tuple[Damper, ...], start_index: int, base_index: int) -> None:
        """base_index: first index that will be appended; later than start_index after a restart."""
        self.stream = stream
        self.start_index = start_index
        self.end_index = base_index
        self._dampers = dampers
        found = [_find_column(stream, damper) for damper in dampers]
        self._uncalibrated = [
            column is not None and stream.channels[column].unit == "count" and not damper.calibration
            for column, damper in zip(found, dampers, strict=True)
        ]
        self._columns = [None if bad else column for column, bad in zip(found, self._uncalibrated, strict=True)]
        self._stamp = next((i for i, c in enumerate(stream.channels) if c.quantity == STAMP), None)
        self._calibrated = TravelRows(dampers, self._columns, [channel.unit for channel in stream.channels])
        self._pieces: deque[tuple[int, Array]] = deque()
        self._waiting: list[tuple[int, NDArray[Any]]] = []
        self._oldest = start_index

    def append(self, block: Block) -> bool:
        """Add a block at its own index; what lies between is missing, what is known is skipped.

        Returns:
            whether there was anything in it.
        """
        skip = max(0, self.end_index - block.first_index)
        if skip >= len(block.data):
            return False
        self._waiting.append((block.first_index + skip, block.data[skip:]))
        self.end_index = block.end_index
        return True

    def _calibrate(self) -> None:
        """Turn the samples that wait into pieces, those that follow each other into one, with what is still needed."""
        while self._waiting:
            first, count, end = self._waiting[0][0], 0, self._waiting[0][0]
            for at, data in self._waiting:
                if at != end:
                    break
                count, end = count + 1, end + len(data)
            parts = [data for _, data in self._waiting[:count]]
            del self._waiting[:count]
            begin, kept = self._take_latest(first, end - first)
            rows = np.empty((len(self._dampers) + (self._stamp is not None), end - begin))
            rows[:, : first - begin] = kept
            self._calibrated.compute(parts, rows[: len(self._dampers), first - begin :])
            if self._stamp is not None:
                rows[-1, first - begin :] = np.concatenate([data[:, self._stamp] for data in parts])
            self._pieces.append((begin, rows))

    def _take_latest(self, end: int, fresh: int) -> tuple[int, Array]:
        """Return first index and rows of what is needed of the latest piece, taking it out, if it goes to `end`.

        So what many tiles need lies in one piece, and nothing has to be put together for them. Where little is `fresh`,
        as for single tiles, putting it together is cheaper: rows that don't lie apart are worked through faster.
        """
        if self._pieces:
            first, rows = self._pieces[-1]
            begin = min(max(first, self._oldest), end)
            if first + rows.shape[1] == end and 4 * (end - begin) <= fresh:
                self._pieces.pop()
                return begin, rows[:, begin - first :]
        return end, np.empty((len(self._dampers) + (self._stamp is not None), 0))

    def append_missing(self, end_index: int) -> None:
        """Note that everything before end_index that hasn't come never will."""
        self.end_index = max(self.end_index, end_index)

    def has_sensor(self, row: int) -> bool:
        """Return whether a damper's travel is in this stream and can be told in millimetres."""
        return self._columns[row] is not None

    def is_uncalibrated(self, row: int) -> bool:
        """Return whether a damper's sensor gives counts that nobody has calibrated."""
        return self._uncalibrated[row]

    def is_void(self, start: int, stop: int) -> bool:
        """Return whether nothing at all is known of [start, stop)."""
        self._calibrate()
        return not any(first < stop and first + rows.shape[1] > start for first, rows in self._pieces)

    def window(self, start: int, length: int) -> Array:
        """Return travel [m] (dampers, length) from index `start`, NaN where nothing is known; not to be written to.

        Where rows were stamped off the grid, travel is moved to the grid instant along its slope.
        """
        if self._stamp is None:
            return self._collect(start, length)
        # A neighbour more on each side, so that the slope at the ends doesn't depend on where the window ends.
        wide = self._collect(start - 1, length + 2)
        step = np.diff(wide[:-1], axis=1)
        # The edges of a spike are no slope: its good neighbours would be moved by a share of its height.
        step[np.abs(step) > SPIKE_MPS * self.stream.period_fs * 1e-15] = np.nan
        before, after = step[:, :-1], step[:, 1:]
        slope = np.where(np.isnan(before), after, np.where(np.isnan(after), before, (before + after) / 2))
        shift = slope * (wide[-1, 1:-1] * 1e6 / self.stream.period_fs)
        return wide[:-1, 1:-1] - np.where(np.isfinite(shift), shift, 0.0)

    def _collect(self, start: int, length: int) -> Array:
        """Return the rows as they came, stamps last where there are any."""
        self._calibrate()
        found = []
        for first, rows in self._pieces:
            if first <= start and start + length <= first + rows.shape[1]:
                whole: Array = rows[:, start - first : start - first + length]
                whole.flags.writeable = False  # it is the piece itself
                return whole
            low, high = max(start, first), min(start + length, first + rows.shape[1])
            if high > low:
                found.append((low - start, high - start, rows[:, low - first : high - first]))
        window = np.empty((len(self._dampers) + (self._stamp is not None), length))
        if sum(high - low for low, high, _ in found) < length:
            window.fill(np.nan)
        for low, high, rows in found:
            window[:, low:high] = rows
        return window

    def drop_before(self, index: int) -> None:
        """Forget what no later tile needs."""
        self._oldest = index
        while self._pieces and self._pieces[0][0] + self._pieces[0][1].shape[1] <= index:
            self._pieces.popleft()


def _find_column(stream: Stream, damper: Damper) -> int | None:
    wanted = damper.travel_from or damper.position
    for column, channel in enumerate(stream.channels):
        if channel.quantity == TRAVEL and channel.name == wanted:
            return column
    return None
