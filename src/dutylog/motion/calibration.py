"""From raw counts to metres of shaft travel."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Damper
from dutylog.errors import InputError
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
