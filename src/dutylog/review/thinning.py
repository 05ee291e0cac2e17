"""Rows a second gathered into as many bins as a picture is wide, so that no peak is lost."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Bins:
    """Bins that have rows. first: (bins,) number of the first row of each. start_s: its begin. width_s: of all."""

    first: NDArray[np.int64]
    start_s: Floats
    width_s: float


def bin_rows(t_s: Floats, dt_s: Floats, end_s: float, most: int) -> Bins:
    """Return bins of one width, whole seconds; where rows are missing there is none.

    Args:
        t_s: (n,) begin of each row, rising. dt_s: (n,) its length. end_s: of the last. most: bins at most.
    """
    width_s = float(max(1, math.ceil(end_s / most)))
    place = np.floor((t_s + dt_s / 2.0) / width_s).astype(np.int64)
    first = np.flatnonzero(np.diff(place, prepend=-1))
    return Bins(first, place[first].astype(np.float64) * width_s, width_s)


def smallest_in(bins: Bins, values: NDArray[Any]) -> Floats:
    """Return the smallest known value of each bin, NaN where none is."""
    return _reduce(np.fmin, bins, values)


def largest_in(bins: Bins, values: NDArray[Any]) -> Floats:
    """Return the largest known value of each bin, NaN where none is."""
    return _reduce(np.fmax, bins, values)


def sum_in(bins: Bins, values: NDArray[Any]) -> Floats:
    """Return the sum of each bin."""
    return _reduce(np.add, bins, values)


def mean_in(bins: Bins, values: NDArray[Any]) -> Floats:
    """Return the mean of what is known in each bin, NaN where nothing is."""
    known = np.isfinite(values)
    count = sum_in(bins, known)
    total = sum_in(bins, np.where(known, values, 0.0))
    return np.where(count > 0, total / np.maximum(count, 1.0), np.nan)


def to_rounded(values: NDArray[Any], digits: int) -> list[float | None]:
    """Return numbers as JSON has them, unknown ones as None; whole ones without a point."""
    rounded = np.round(np.asarray(values, dtype=np.float64), digits)
    whole = digits == 0
    return [None if not math.isfinite(v) else int(v) if whole or v == int(v) else v for v in rounded.tolist()]


def _reduce(how: np.ufunc, bins: Bins, values: NDArray[Any]) -> Floats:
    if len(bins.first) == 0:
        return np.empty(0)
    found: Floats = how.reduceat(np.asarray(values, dtype=np.float64), bins.first)
    return found
