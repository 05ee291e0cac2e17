"""Speed over ground from the pulses that the bridge counts."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.recording.framer import Grid
from dutylog.units import FS_PER_NS

WHEEL_HZ = 10
_ENOUGH_PULSES = 32
"""A window that holds so many tells speed to 3 %, as a count is right to one pulse (derivation)."""
_LONGEST_S, _SHORTEST_S = 1.0, 0.1
_MAX_MPS = 120.0
"""Beyond any vehicle with dampers to log (judgement): a pulse line that rings, or a wrong setting."""


@dataclass(frozen=True, slots=True)
class SpeedRun:
    """Rows of speed in a run: index of the first, grid they lie on, (n, 1) f4 [m/s], NaN beyond any vehicle's speed."""

    index: int
    grid: Grid
    data: NDArray[np.float32]


class WheelSpeed:
    """Ten rows a second, row k at row k * rate / 10 of travel; its time comes from the same ticks.

    Each is the mean over the last 0.1 to 1 s: as many pulses as make it sure to 3 %, if they come within a second.
    So the resolution is 1 / pulses_per_m [m/s] at crawling speed, and no pulse for a second is 0.
    """

    def __init__(self, pulses_per_m: float, rate_hz: int) -> None:
        self._pulses_per_m, self._rate_hz = pulses_per_m, rate_hz
        self._counts: deque[tuple[int, int]] = deque()
        self._next = 0
        self._travel_grid: Grid | None = None
        self._grid: Grid | None = None

    @property
    def resolution_mps(self) -> float:
        """Return what one pulse in the longest window means [m/s]."""
        return 1.0 / (self._pulses_per_m * _LONGEST_S)

    def add(self, row: int, pulses32: int, grid: Grid) -> SpeedRun | None:
        """Take the count as it was at a row of travel; return the rows of speed this makes due, None if none.

        grid: of travel, at that row.
        """
        self._counts.append((row, pulses32))
        while row - self._counts[0][0] > 1.5 * _LONGEST_S * self._rate_hz:
            self._counts.popleft()
        due = row * WHEEL_HZ // self._rate_hz + 1
        speed_mps = self._compute_mps(grid.period_fs)
        if due <= self._next or speed_mps is None:
            return None
        # Instants before what is known, at the start and in a gap, have no speed.
        first = max(self._next, -(-self._counts[0][0] * WHEEL_HZ // self._rate_hz))
        self._next = due
        if first >= due:
            return None
        return SpeedRun(first, self._grid_at(first, grid), np.full((due - first, 1), speed_mps, "<f4"))

    def _compute_mps(self, period_fs: int) -> float | None:
        """Return the mean speed up to the last count, None while too little is known."""
        row, pulses32 = self._counts[-1]
        seen = 0
        rows = 0
        for earlier, before32 in reversed(self._counts):
            rows, seen = row - earlier, (pulses32 - before32) % (1 << 32)
            if rows >= _SHORTEST_S * self._rate_hz and (seen >= _ENOUGH_PULSES or rows >= _LONGEST_S * self._rate_hz):
                break
        if rows < _SHORTEST_S * self._rate_hz:
            return None
        speed_mps = seen / self._pulses_per_m / (rows * period_fs * 1e-15)
        return speed_mps if speed_mps <= _MAX_MPS else float("nan")

    def _grid_at(self, index: int, travel: Grid) -> Grid:
        """Return the grid of speed, new where that of travel is."""
        if self._grid is None or travel != self._travel_grid:
            rows_times_hz = index * self._rate_hz - WHEEL_HZ * travel.index
            t0_ns = travel.t0_ns + rows_times_hz * travel.period_fs // (WHEEL_HZ * FS_PER_NS)
            self._travel_grid = travel
            self._grid = Grid(index, t0_ns, travel.period_fs * self._rate_hz // WHEEL_HZ)
        return self._grid
