"""Washboard: a line in the spectrum that all wheels have in common, where the vehicle itself has none.

Every vehicle has crests of its own, where the wheels hop. What its spectrum looks like without washboard is learned
from the trip, so that a lightly damped wheel isn't taken for a road.
"""

from __future__ import annotations

import numpy as np

from dutylog.review.road import LINES_HZ, RoadRows
from dutylog.review.trip_data import Floats, Ints, Mask

OWN_SHARE = 0.3
"""The spectrum that so many of the rows stay below is the vehicle's own. Judgement: less washboard than the rest."""
OWN_LINES = 7
"""Crests narrower than half of that many lines aren't the vehicle's own, even if washboard is all there is."""
OWN_DEPTH = 5.0
"""The vehicle's own spectrum is taken to lie at most so far below its crest, in log2: above it there is only noise."""
OWN_ROWS = 4000
"""Rows that are looked at for it."""
ROLLS_LEVEL = -19.0
"""Rows below that level tell nothing of a road: class A at 0.5 m/s."""
STILL_MPS = 1.0
"""At most so fast there is no wavelength; a failed sensor reads zero."""
LINE_REACH = 2
"""Neighbours on either side that belong to a line: crests of a real washboard come sooner or later by a tenth."""
BESIDE_HZ = (4, 6)
"""From that far to that far on either side a line is compared."""
LEAST_RATIO, LEAST_CREST, SHARE_NATS = 0.6, 3.0, 10.0
"""A line speaks for washboard by its share above the first, times the last, and its crest above the second.

Measured on simulated drives: one row in twenty elsewhere has more than 0.60 and 2.5; three quarters of the rows on
irregular washboard have more than 0.80 and 4.5, on regular one more than 0.93 and 8.
"""
LEAST_MPS = 0.1
"""Weaker lines are an engine's. Judgement: its shaking makes 0.005 m/s, washboard of 5 mm 0.2 m/s."""
WAVE_M = (0.3, 1.6)
"""Wavelengths of washboard, from memory: published ones are 0.3 to 1.2 m. A wheel's round is 2.1 to 3.0 m."""


def score_washboard(rows: RoadRows, most: float) -> Floats:
    """Return how much each row tells for washboard, -most to most [nats], NaN where nothing is known.

    Args:
        rows: of the whole trip; what the vehicle's own spectrum is depends on all of them.
    """
    common = rows.common.astype(np.float64)
    relative = common - rows.level[:, None]
    share, crest, peak = find_lines(np.exp2(relative - own_spectrum(rows)))
    score = SHARE_NATS * (share - LEAST_RATIO) + crest - LEAST_CREST
    places = np.clip(peak[:, None] + np.arange(-LINE_REACH, LINE_REACH + 1), 0, common.shape[1] - 1)
    line_mps = np.sqrt(np.nansum(np.exp2(np.take_along_axis(common, places, axis=1)), axis=1))
    # lines are a hertz apart: a wavelength is that uncertain; where speed isn't known, or zero, it isn't compared
    line_hz, mps = peak + float(LINES_HZ[0]), np.where(rows.vehicle_mps > STILL_MPS, rows.vehicle_mps, np.nan)
    is_other = (mps > WAVE_M[1] * (line_hz + 0.5)) | (mps < WAVE_M[0] * (line_hz - 0.5)) | (line_mps < LEAST_MPS)
    score = np.where(is_other, -most, np.clip(score, -most, most))
    return np.where(np.isfinite(rows.level), score, np.nan)


def own_spectrum(rows: RoadRows) -> Floats:
    """Return log2 of the vehicle's own spectrum by the level of its row, one value a line of LINES_HZ."""
    rolling = np.nonzero(rows.level > ROLLS_LEVEL)[0]
    count = rows.common.shape[1]
    if not len(rolling):
        return np.zeros(count)
    chosen = rolling[:: len(rolling) // OWN_ROWS + 1]
    relative = rows.common[chosen].astype(np.float64) - rows.level[chosen, None]
    usable = np.isfinite(relative).any(axis=0)
    own = np.zeros(count)
    own[usable] = np.nanquantile(relative[:, usable], OWN_SHARE, axis=0)
    own[~usable] = own[usable].min(initial=0.0)
    half = OWN_LINES // 2
    own = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(own, half, "edge"), OWN_LINES), axis=1)
    own = np.convolve(np.pad(own, 1, "edge"), np.full(3, 1.0 / 3.0), "valid")
    return np.asarray(np.maximum(own, own.max() - OWN_DEPTH))


def find_lines(power: Floats) -> tuple[Floats, Floats, Ints]:
    """Return of the strongest line of each row of spectra (rows, lines): share, crest, place.

    share: of the power of the whole row. crest: log2 of the line by what stands BESIDE_HZ away. Lines that are NaN
    aren't there.
    """
    is_known = np.isfinite(power)
    power = np.where(is_known, power, 0.0)
    peak = power.argmax(axis=1)
    beside = np.arange(BESIDE_HZ[0], BESIDE_HZ[1] + 1)
    line, lines_count = _sums_at(power, is_known, peak, np.arange(-LINE_REACH, LINE_REACH + 1))
    around, around_count = _sums_at(power, is_known, peak, np.concatenate((-beside, beside)))
    with np.errstate(invalid="ignore", divide="ignore"):
        share, crest = line / power.sum(axis=1), np.log2(line / lines_count / (around / around_count))
    return np.asarray(share), np.asarray(crest), peak


def _sums_at(power: Floats, is_known: Mask, peak: Ints, away: Ints) -> tuple[Floats, Ints]:
    """Return the sum over places so far away from each row's peak, and how many there are."""
    places = peak[:, None] + away
    clipped = np.clip(places, 0, power.shape[1] - 1)
    row = np.arange(len(power))[:, None]
    inside = (places == clipped) & is_known[row, clipped]
    return np.asarray((power[row, clipped] * inside).sum(axis=1)), np.asarray(inside.sum(axis=1))
