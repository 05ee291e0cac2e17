"""Which samples of a travel window can be believed, and why not.

Rules are physical, in metres and metres per second, so they don't depend on a sensor's resolution.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

OUTSIDE_M = 0.008
"""Travel may overshoot 0 and the stroke by a few mm (bushings, sensor mount); further is no travel. Judgement."""
SPIKE_MPS = 6.0
"""One sample that leaves and comes back faster than this both ways. A shaft would need more than
10 000 m/s2 for that; hard hits stay under a tenth of it. Judgement."""
BRIDGED_S = 0.010
"""Missing or unbelievable stretches shorter than this are bridged by a straight line."""


@dataclass(frozen=True, slots=True)
class Validity:
    """Masks over a window (channels, length).

    filled_m: the window with every hole filled by a straight line between its neighbours.
    valid: may be integrated (bridged samples included). missing: no sample. outside: beyond the
    sensor's sense. spike: one-sample excursions (bridged).
    """

    filled_m: Array
    valid: Mask
    missing: Mask
    outside: Mask
    spike: Mask


def judge_window(window_m: Array, stroke_m: Array, dt_s: float) -> Validity:
    """Return what can be believed of a window.

    Args:
        window_m: (channels, length) float [m], NaN where a sample is missing.
        stroke_m: (channels,) float [m].
        dt_s: sample spacing [s].
    """
    missing = np.isnan(window_m)
    spike = _find_spikes(window_m, SPIKE_MPS * dt_s)
    limit_m = stroke_m[:, None] + OUTSIDE_M
    with np.errstate(invalid="ignore"):
        outside = ((window_m < -OUTSIDE_M) | (window_m > limit_m)) & ~spike
    hole = missing | outside | spike
    if not hole.any():
        return Validity(window_m, ~hole, missing, outside, spike)
    filled = window_m.copy()
    valid = ~hole
    # The hair keeps a whole number of samples whole: 0.010 / 0.00008 is 124.999... in floats.
    bridged = max(1, int(BRIDGED_S / dt_s + 1e-6))
    index = np.arange(window_m.shape[1])
    for channel in np.flatnonzero(hole.any(axis=1)):
        good = valid[channel].copy()
        if not good.any():
            filled[channel] = 0.0
            continue
        filled[channel] = np.interp(index, index[good], window_m[channel, good])
        for start, stop in find_runs(~good):
            if stop - start < bridged or (stop - start == 1):
                valid[channel, start:stop] = True
    return Validity(filled, valid, missing, outside, spike)


def has_holes(region_m: Array, stroke_m: Array, dt_s: float) -> bool:
    """Return whether any sample of a region can't be believed as it is; arguments as in `judge_window`."""
    low, high = region_m.min(axis=1), region_m.max(axis=1)
    if not ((low >= -OUTSIDE_M) & (high <= stroke_m + OUTSIDE_M)).all():
        return True  # NaN compares false, so missing samples end here too
    step_m = SPIKE_MPS * dt_s
    if np.abs(np.diff(region_m, axis=1)).max() <= step_m:
        return False
    return bool(_find_spikes(region_m, step_m).any())


def find_runs(mask: Mask) -> list[tuple[int, int]]:
    """Return [start, stop) of every run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _find_spikes(window_m: Array, step_m: float) -> Mask:
    """Return samples that differ from both neighbours by more than step_m while those agree."""
    spike = np.zeros(window_m.shape, dtype=bool)
    before = window_m[:, 1:-1] - window_m[:, :-2]
    after = window_m[:, 1:-1] - window_m[:, 2:]
    with np.errstate(invalid="ignore"):
        away = np.minimum(np.abs(before), np.abs(after))
        agree = np.abs(before - after) < 0.5 * away
        spike[:, 1:-1] = (away > step_m) & (before * after > 0) & agree
    return spike
