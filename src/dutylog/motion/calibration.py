"""From raw counts to metres of shaft travel."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Damper
from dutylog.errors import InputError
from dutylog.motion.short_rows import short_rows_context
from dutylog.units import M_PER_MM


def compute_travel_m(raw: NDArray[np.float64], unit: str, damper: Damper) -> NDArray[np.float64]:
    """Return travel [m] of one damper from its sensor's samples.

    Args:
        raw: (n,) float, samples as the source gave them; NaN stays NaN.
        unit: 'mm', or 'count', which needs the damper's calibration.
        damper: its calibration ((raw, mm), ...), linear between points and beyond the ends, and,
            where the sensor is shared, its travel_map ((mm of the sensor, mm here), ...).
    Raises:
        InputError: counts without a calibration, or an unknown unit.
    """
    if unit == "count":
        if not damper.calibration:
            raise InputError(f"{damper.position}: the sensor gives counts but has no calibration")
        travel_mm = interpolate_extended(raw, damper.calibration)
    elif unit == "mm":
        travel_mm = raw
    else:
        raise InputError(f"{damper.position}: travel in unit {unit!r}, expected mm or count")
    if damper.travel_map:
        travel_mm = interpolate_extended(travel_mm, damper.travel_map)
    return travel_mm * M_PER_MM


class TravelRows:
    """Turns samples of one stream into travel of all its dampers, where it can those of all dampers at once."""

    def __init__(self, dampers: tuple[Damper, ...], columns: Sequence[int | None], units: Sequence[str]) -> None:
        """columns: where each damper's samples are, None where it has none; units: of each column.

        Raises:
            InputError: travel in a unit that isn't mm or count.
        """
        for damper, column in zip(dampers, columns, strict=True):
            if column is not None:
                compute_travel_m(np.empty(0), units[column], damper)
        self._dampers, self._columns, self._units = dampers, columns, units
        used = [(d, c) for d, c in zip(dampers, columns, strict=True) if c is not None]
        plain = len(used) == len(dampers) and not any(d.travel_map for d, _ in used)
        self._all_mm = plain and all(units[c] == "mm" for _, c in used)
        self._lines: NDArray[np.float64] | None = None
        if plain and all(units[c] == "count" and len(d.calibration) == 2 for d, c in used):
            ends = [(x0, y0, (y1 - y0) / (x1 - x0)) for d, _ in used for ((x0, y0), (x1, y1)) in [d.calibration]]
            self._lines = np.array(ends).T[:, :, None]
        self._used = [column for _, column in used]
        self._whole = self._used == list(range(len(units)))
        self._context = short_rows_context()

    def compute(self, parts: Sequence[NDArray[Any]], out: NDArray[np.float64]) -> None:
        """Write travel [m] into out (dampers, n), NaN where a damper has no sensor; the same as by `compute_travel_m`.

        Args:
            parts: samples that follow each other, (some, columns) each and n together, of any number type.
        """
        if self._all_mm or self._lines is not None:
            begin = 0
            for part in parts:
                chosen = part if self._whole else part[:, self._used]
                out[:, begin : begin + len(part)] = chosen.T
                begin += len(part)
            self._context.run(self._scale, out)
            return
        raw = np.concatenate(parts).T.astype(np.float64)
        for row, (damper, column) in enumerate(zip(self._dampers, self._columns, strict=True)):
            out[row] = np.nan if column is None else compute_travel_m(raw[column], self._units[column], damper)

    def _scale(self, rows: NDArray[np.float64]) -> None:
        """Turn what the sensors gave into metres, in place."""
        if self._lines is not None:
            x0, y0, slope = self._lines
            rows -= x0
            rows *= slope
            rows += y0
        rows *= M_PER_MM


def interpolate_extended(x: NDArray[np.float64], points: tuple[tuple[float, float], ...]) -> NDArray[np.float64]:
    """Return piecewise-linear values through `points` (x rising), end slopes extended; NaN stays NaN."""
    if len(points) == 2:
        (x0, y0), (x1, y1) = points
        return y0 + (x - x0) * ((y1 - y0) / (x1 - x0))
    xs = np.array([p[0] for p in points])
    ys = np.array([p[1] for p in points])
    piece = np.clip(np.searchsorted(xs, x, side="right") - 1, 0, len(xs) - 2)
    slope = np.diff(ys) / np.diff(xs)
    y: NDArray[np.float64] = ys[piece] + (x - xs[piece]) * slope[piece]
    return y
