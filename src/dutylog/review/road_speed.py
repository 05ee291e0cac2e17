"""Speed of a vehicle without a speed sensor: the rear wheels repeat what the front ones did, one wheelbase later.

The spectrum of the sum of all wheels then has crests at every multiple of speed by wheelbase (wheelbase filtering).
Nobody has to say which damper stands where.
"""

from __future__ import annotations

import numpy as np

from dutylog.review.road import COMB_HZ, RoadRows
from dutylog.review.trip_data import Floats

WHEELBASE_M = 3.0
"""Judgement: off-road vehicles have 2.4 to 3.6 m; a fifth off in speed is a quarter of a road class."""
SPEEDS_MPS = 7.0 * 1.05 ** np.arange(32)
"""7 to 32 m/s; slower, the crests lie closer together than the lines of a second's spectrum."""
HALF_WINDOW_ROWS = 6
"""Rows on either side whose spectra are averaged. Judgement."""
LEAST_CREST = 0.05
"""Height of the crests, of 0 to 1, below which nothing is said. Measured on simulated drives."""


def find_speed_mps(rows: RoadRows) -> Floats:
    """Return the speed of each row by the delay between axles, NaN where it doesn't show itself.

    Source:
        Power of a sum of a signal and its repeat after T: 2 (1 + cos(2 pi f T)) of one (derivation).
    """
    known = np.isfinite(rows.together)
    sums = np.cumsum(np.where(known, rows.together, 0.0), axis=0, dtype=np.float64)
    counts = np.cumsum(known, axis=0, dtype=np.float64)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = _rolled(sums) / _rolled(counts)
    mean = np.where(np.isfinite(mean), mean, 0.0)
    mean -= mean.mean(axis=1, keepdims=True)
    lines_hz = np.arange(COMB_HZ[0], COMB_HZ[1] + 1)
    waves = np.cos(2.0 * np.pi * lines_hz[:, None] * WHEELBASE_M / SPEEDS_MPS)
    waves -= waves.mean(axis=0)
    crest = 2.0 * mean @ waves / len(lines_hz)
    best = crest.argmax(axis=1)
    height = crest[np.arange(len(best)), best]
    return np.where(height >= LEAST_CREST, SPEEDS_MPS[best], np.nan)


def _rolled(sums: Floats) -> Floats:
    """Return sums over HALF_WINDOW_ROWS on either side from running sums."""
    n = len(sums)
    padded = np.concatenate((np.zeros((1, sums.shape[1])), sums))
    rows = np.arange(n)
    upper = np.minimum(rows + HALF_WINDOW_ROWS + 1, n)
    return np.asarray(padded[upper] - padded[np.maximum(rows - HALF_WINDOW_ROWS, 0)])
