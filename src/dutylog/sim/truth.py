"""What every simulated damper has really done, counted from its true motion."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.sim.quarter_car import Trace

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]
Flags = NDArray[np.bool_]

RETRACE_M = 3e-3
"""A reversal counts once travel has come back by this much (shared/CONVENTIONS.md)."""

BOTTOM_OUT_M = 3e-3
REARM_M = 6e-3
"""Bottom-out: up-crossing of stroke - 3 mm, re-armed below stroke - 6 mm (shared/CONVENTIONS.md)."""


@dataclass(frozen=True, slots=True)
class Truth:
    """Duty since the start, every array (runs, wheels).

    energy_*: damping force times shaft speed over time, fade included. valid_*: the same over the
    time in which no scripted fault spoils the travel signal. strokes: the one under way counts as
    soon as it is 3 mm long, as it would if the record ended now. shaft_travel_m: all sliding.
    oil_c, body_c: now; peak_*_c: highest so far.
    """

    time_s: float
    energy_compression_j: Floats
    energy_rebound_j: Floats
    valid_energy_compression_j: Floats
    valid_energy_rebound_j: Floats
    valid_s: Floats
    strokes: Counts
    compression_strokes: Counts
    stroke_travel_m: Floats
    shaft_travel_m: Floats
    bottom_outs: Counts
    peak_compression_mps: Floats
    peak_rebound_mps: Floats
    travel_min_m: Floats
    travel_max_m: Floats
    oil_c: Floats
    body_c: Floats
    peak_oil_c: Floats
    peak_body_c: Floats

    @property
    def energy_j(self) -> Floats:
        """Return compression and rebound energy together [J]."""
        return self.energy_compression_j + self.energy_rebound_j


class StrokeCounter:
    """Strokes of many columns of travel by 3 mm hysteresis; a record may come in pieces."""

    def __init__(self, columns: int) -> None:
        self._last: Floats | None = None
        self._direction = [0] * columns
        self._pivot = [0.0] * columns
        self._extreme = [0.0] * columns
        self._done = [0] * columns
        self._done_compression = [0] * columns
        self._done_m = [0.0] * columns

    def add(self, travel_m: Floats) -> None:
        """Take (n, columns) travel [m] that goes on where the last piece ended."""
        if self._last is None:
            self._last = travel_m[0]
            self._pivot = self._last.tolist()
            self._extreme = self._last.tolist()
        rising = np.diff(travel_m, axis=0, prepend=self._last[None]) > 0.0
        turning = np.empty(travel_m.shape, dtype=np.bool_)
        np.not_equal(rising[:-1], rising[1:], out=turning[:-1])
        turning[-1] = True  # the end of a piece may be an extreme; a point more does no harm
        by_column = np.ascontiguousarray(turning.T)
        columns = np.nonzero(by_column)[0].tolist()
        for column, value in zip(columns, travel_m.T[by_column].tolist(), strict=True):
            self._take(column, value)
        self._last = travel_m[-1].copy()

    def totals(self) -> tuple[Counts, Counts, Floats]:
        """Return strokes, compression strokes and stroke travel [m], the open stroke included."""
        direction = np.array(self._direction)
        open_m = np.abs(np.array(self._extreme) - np.array(self._pivot)) * (direction != 0)
        strokes = np.array(self._done) + (direction != 0)
        compression = np.array(self._done_compression) + (direction > 0)
        return strokes, compression, np.array(self._done_m) + open_m

    def _take(self, column: int, value: float) -> None:
        """Move one column's state on to its next turning point."""
        direction, extreme = self._direction[column], self._extreme[column]
        if direction == 0:
            self._begin(column, value)
        elif (value - extreme) * direction >= 0.0:
            self._extreme[column] = value
        elif (extreme - value) * direction >= RETRACE_M:
            self._done[column] += 1
            self._done_compression[column] += direction > 0
            self._done_m[column] += (extreme - self._pivot[column]) * direction
            self._direction[column] = -direction
            self._pivot[column], self._extreme[column] = extreme, value

    def _begin(self, column: int, value: float) -> None:
        """Look for the first stroke: pivot is the lowest and extreme the highest point so far."""
        low, high = self._pivot[column], self._extreme[column]
        if value - low >= RETRACE_M:
            self._direction[column], self._extreme[column] = 1, value
        elif high - value >= RETRACE_M:
            self._direction[column], self._pivot[column], self._extreme[column] = -1, high, value
        else:
            self._pivot[column], self._extreme[column] = min(low, value), max(high, value)


class TruthCounter:
    """Adds up traces of the quarter car into duty."""

    def __init__(self, strokes_m: Floats, shape: tuple[int, int], step_s: float) -> None:
        self._shape, self._step_s = shape, step_s
        self._strokes = StrokeCounter(shape[0] * shape[1])
        self._bottom_m = np.broadcast_to(strokes_m - BOTTOM_OUT_M, shape).ravel()
        self._rearm_m = np.broadcast_to(strokes_m - REARM_M, shape).ravel()
        self._armed = np.ones(self._bottom_m.shape, dtype=np.bool_)
        self._bottom_outs = np.zeros(self._bottom_m.shape, dtype=np.int64)
        self._sums = np.zeros((6, *shape))
        self._peaks = np.zeros((2, *shape))
        self._reach = np.stack((np.full(shape, np.inf), np.full(shape, -np.inf)))

    def add(self, trace: Trace, valid: Flags | None) -> tuple[Floats, Floats]:
        """Take a trace; `valid` (steps, wheels) leaves out what a fault spoils, None means all.

        Returns:
            Heat [J] and mean square shaft speed [m2/s2] of this trace, (runs, wheels).
        Source:
            E = sum F(v) v dt at the steps of the integration; second order like the scheme itself.
        """
        heat_j = trace.force_n * trace.speed_mps * self._step_s
        compressing = trace.speed_mps > 0.0
        total_j = heat_j.sum(axis=0)
        compression_j = (heat_j * compressing).sum(axis=0)
        self._sums[0] += compression_j
        self._sums[1] += total_j - compression_j
        if valid is None:
            self._sums[2] += compression_j
            self._sums[3] += total_j - compression_j
            self._sums[4] += len(heat_j) * self._step_s
        else:
            kept_j = heat_j * valid[:, None, :]
            valid_compression_j = (kept_j * compressing).sum(axis=0)
            self._sums[2] += valid_compression_j
            self._sums[3] += kept_j.sum(axis=0) - valid_compression_j
            self._sums[4] += valid.sum(axis=0) * self._step_s
        self._sums[5] += np.abs(trace.slide_m).sum(axis=0)
        np.maximum(self._peaks[0], trace.speed_mps.max(axis=0), out=self._peaks[0])
        np.maximum(self._peaks[1], -trace.speed_mps.min(axis=0), out=self._peaks[1])
        np.minimum(self._reach[0], trace.travel_m.min(axis=0), out=self._reach[0])
        np.maximum(self._reach[1], trace.travel_m.max(axis=0), out=self._reach[1])
        flat_m = trace.travel_m.reshape(len(trace.travel_m), -1)
        self._strokes.add(flat_m)
        self._count_bottom_outs(flat_m)
        return total_j, (trace.speed_mps**2).mean(axis=0)

    def snapshot(self, time_s: float, oil_c: Floats, body_c: Floats, peak_oil_c: Floats, peak_body_c: Floats) -> Truth:
        """Return everything so far; arrays are copies."""
        strokes, compression, stroke_m = self._strokes.totals()
        sums, peaks, reach = self._sums.copy(), self._peaks.copy(), self._reach.copy()
        return Truth(
            time_s=time_s,
            energy_compression_j=sums[0],
            energy_rebound_j=sums[1],
            valid_energy_compression_j=sums[2],
            valid_energy_rebound_j=sums[3],
            valid_s=sums[4],
            strokes=strokes.reshape(self._shape),
            compression_strokes=compression.reshape(self._shape),
            stroke_travel_m=stroke_m.reshape(self._shape),
            shaft_travel_m=sums[5],
            bottom_outs=self._bottom_outs.reshape(self._shape).copy(),
            peak_compression_mps=peaks[0],
            peak_rebound_mps=peaks[1],
            travel_min_m=reach[0],
            travel_max_m=reach[1],
            oil_c=oil_c.copy(),
            body_c=body_c.copy(),
            peak_oil_c=peak_oil_c.copy(),
            peak_body_c=peak_body_c.copy(),
        )

    def _count_bottom_outs(self, travel_m: Floats) -> None:
        """Count up-crossings; only columns that come near their end, or wait to be re-armed, are looked at."""
        busy = np.nonzero((travel_m.max(axis=0) >= self._bottom_m) | ~self._armed)[0]
        for column in busy.tolist():
            value = travel_m[:, column]
            touched = value >= self._bottom_m[column]
            changes = np.nonzero(touched | (value < self._rearm_m[column]))[0]
            hits = np.concatenate(([not self._armed[column]], touched[changes]))
            self._bottom_outs[column] += int(np.count_nonzero(hits[1:] & ~hits[:-1]))
            self._armed[column] = not hits[-1]
