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
"""One sample that leaves and comes back faster than this both ways, and by 3 mm at least (noise of a
fast sampler). A shaft would need more than 10 000 m/s2 for that; hard hits stay under a tenth of it. Judgement."""
BRIDGED_S = 0.010
"""Missing or unbelievable stretches shorter than this are bridged by a straight line."""
IMPOSSIBLE_MPS = 10.0
"""A step faster than this that isn't one wrong sample is no motion. Raw travel of the roughest
recordings with known truth steps by up to 6.3 m/s, its noise included; bottom-outs reach 6. Judgement."""
IMPOSSIBLE_BASE_S = 0.0005
"""Speed is told over at least this long, so that noise of a fast sampler is no speed: 5 mm. Judgement."""
IMPOSSIBLE_MARGIN_S = 0.005
IMPOSSIBLE_JOIN_S = 0.050
"""What lies between two such steps, and 5 ms on both sides, can't be believed either. Judgement."""
RAIL_EDGE_SAMPLES = 3
"""A fast step this close to a sample beyond the sensor's sense is its way there or back. Judgement."""
_LONGEST_SPIKES = 3
"""Spike, good sample, spike: all three differ from their neighbours. A longer row is a burst of noise."""
_LOOK_SAMPLES = 4096
"""Looked at in one go. Judgement."""

GAP, TRAVEL_OPEN, SPIKE, IMPOSSIBLE_SPEED = 1, 2, 3, 4
REASONS = ("", "gap", "travel_open", "spike", "impossible_speed")
"""Why a sample doesn't count, by its code in `Validity.reason`; 0: it does, or was bridged."""


@dataclass(frozen=True, slots=True)
class Validity:
    """Masks over a window (channels, length).

    raw_m: the window with every hole filled by a straight line between its neighbours. filled_m: the
    same with impossible stretches filled too (a jump as a smooth curve). valid: may be integrated
    (bridged samples included). missing: no sample. outside: beyond the sensor's sense, or on the way
    there. spike: one-sample excursions (bridged). impossible: faster than a shaft, margins included.
    reason: codes of REASONS.
    """

    raw_m: Array
    filled_m: Array
    valid: Mask
    missing: Mask
    outside: Mask
    spike: Mask
    impossible: Mask
    reason: NDArray[np.uint8]


def judge_window(window_m: Array, stroke_m: Array, dt_s: float) -> Validity:
    """Return what can be believed of a window.

    Args:
        window_m: (channels, length) float [m], NaN where a sample is missing.
        stroke_m: (channels,) float [m].
        dt_s: sample spacing [s].
    """
    missing = np.isnan(window_m)
    spike = _find_spikes(window_m, SPIKE_MPS * max(dt_s, IMPOSSIBLE_BASE_S))
    burst = _drop_long_runs(spike)
    with np.errstate(invalid="ignore"):
        outside = is_outside(window_m, stroke_m) & ~spike
    raw_m = _fill(window_m, missing | outside | spike)
    fast = _find_fast(raw_m, dt_s) | burst
    if fast.any():
        edge = fast & _widen(outside, RAIL_EDGE_SAMPLES)
        if edge.any():
            outside |= (edge | _earlier(edge)) & ~missing
            spike &= ~outside
            raw_m = _fill(window_m, missing | outside | spike)
            fast = (_find_fast(raw_m, dt_s) | burst) & ~edge
    impossible = _stretch(fast, dt_s)
    hole = missing | outside | spike | impossible
    filled_m = _ease(_fill(window_m, hole), impossible, dt_s) if impossible.any() else raw_m
    valid = _bridge(hole, dt_s) & ~impossible
    reason = np.zeros(window_m.shape, dtype=np.uint8)
    for mask, code in ((spike, SPIKE), (outside, TRAVEL_OPEN), (impossible, IMPOSSIBLE_SPEED), (missing, GAP)):
        np.copyto(reason, np.uint8(code), where=mask)
    np.copyto(reason, np.uint8(0), where=valid)
    return Validity(raw_m, filled_m, valid, missing, outside, spike & ~impossible, impossible, reason)


def is_outside(window_m: Array, stroke_m: Array) -> Mask:
    """Return which samples (channels, length) lie beyond what travel can be; NaN doesn't."""
    return np.asarray((window_m < -OUTSIDE_M) | (window_m > stroke_m[:, None] + OUTSIDE_M))


def find_hole(region_m: Array, stroke_m: Array, dt_s: float, start: int = 0) -> int:
    """Return an index where some channel can't be believed as it is, the region's length if there is none.

    Arguments as in `judge_window`. start: index before which there is none, as an earlier look has shown.
    What ends before that index has no hole, however it is cut; above some kHz it may be a few samples off the first.
    """
    length = int(region_m.shape[1])
    # What tells a hole lies this close to it; and so there is always something to look at.
    reach = max(1, round(IMPOSSIBLE_BASE_S / dt_s)) + 1
    start = max(0, min(start, length) - reach)
    if _is_plain(region_m[:, start:], stroke_m, SPIKE_MPS * dt_s):
        return length
    for begin in range(start, length, _LOOK_SAMPLES):
        first = max(0, begin - reach)
        part = region_m[:, first : begin + _LOOK_SAMPLES]
        if _is_plain(part, stroke_m, SPIKE_MPS * dt_s):
            continue
        hole = _find_fast(part, dt_s) | _find_spikes(part, SPIKE_MPS * max(dt_s, IMPOSSIBLE_BASE_S))
        hole |= ~((part >= -OUTSIDE_M) & (part <= stroke_m[:, None] + OUTSIDE_M))
        places = np.flatnonzero(hole.any(axis=0))
        if len(places):
            return first + int(places[0])
    return length


def _is_plain(region_m: Array, stroke_m: Array, step_m: float) -> bool:
    """Return whether all is within what travel can be, without a step beyond step_m.

    Then there is no spike, and nothing faster over several samples either.
    """
    rows, length = region_m.shape
    # A long channel is looked at by itself: all that is worked out of it on the way stays in the cache.
    height = rows if length <= _LOOK_SAMPLES else 1
    step = np.empty((height, length - 1))
    for row in range(0, rows, height):
        part, limits_m = region_m[row : row + height], stroke_m[row : row + height] + OUTSIDE_M
        # NaN compares false, so missing samples aren't within.
        within = bool(np.minimum.reduce(part, axis=None) >= -OUTSIDE_M)
        if not (within and (np.maximum.reduce(part, axis=1) <= limits_m).all()):
            return False
        np.subtract(part[:, 1:], part[:, :-1], out=step)
        if np.maximum.reduce(step, axis=None) > step_m or np.minimum.reduce(step, axis=None) < -step_m:
            return False
    return True


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


def _drop_long_runs(spike: Mask) -> Mask:
    """Take rows of spikes too long for single ones out of the mask; return them with the sample after."""
    burst = np.zeros(spike.shape, dtype=bool)
    for channel in np.flatnonzero(spike.any(axis=1)):
        for start, stop in find_runs(spike[channel]):
            if stop - start > _LONGEST_SPIKES:
                burst[channel, start : stop + 1] = True
                spike[channel, start:stop] = False
    return burst


def _find_fast(raw_m: Array, dt_s: float) -> Mask:
    """Return the samples reached faster than a shaft moves."""
    base = max(1, round(IMPOSSIBLE_BASE_S / dt_s))
    fast: Mask = np.zeros(raw_m.shape, dtype=np.bool_)
    leap = np.abs(raw_m[:, base:] - raw_m[:, :-base]) > IMPOSSIBLE_MPS * base * dt_s
    for back in range(base):
        fast[:, base - back : raw_m.shape[1] - back] |= leap
    return fast


def _stretch(fast: Mask, dt_s: float) -> Mask:
    """Return the stretches of fast samples, those close to each other joined, with their margins."""
    impossible = np.zeros(fast.shape, dtype=bool)
    margin, join = max(1, round(IMPOSSIBLE_MARGIN_S / dt_s)), max(1, round(IMPOSSIBLE_JOIN_S / dt_s))
    for channel in np.flatnonzero(fast.any(axis=1)):
        places = np.flatnonzero(fast[channel])
        breaks = np.flatnonzero(np.diff(places) > join)
        firsts = places[np.concatenate([[0], breaks + 1])]
        lasts = places[np.concatenate([breaks, [len(places) - 1]])]
        for first, last in zip(firsts.tolist(), lasts.tolist(), strict=True):
            impossible[channel, max(0, first - margin) : last + margin] = True
    return impossible


def _fill(window_m: Array, hole: Mask) -> Array:
    """Return the window with straight lines over its holes, 0 where a channel has nothing else."""
    if not hole.any():
        return window_m
    filled = window_m.copy()
    for channel in np.flatnonzero(hole.any(axis=1)):
        bad = hole[channel]
        # Only the good samples beside a hole tell what goes into it.
        beside = np.zeros(len(bad), dtype=bool)
        beside[1:] = bad[:-1]
        beside[:-1] |= bad[1:]
        ends = np.flatnonzero(beside & ~bad)
        filled[channel, bad] = np.interp(np.flatnonzero(bad), ends, window_m[channel, ends]) if len(ends) else 0.0
    return filled


def _ease(filled_m: Array, impossible: Mask, dt_s: float) -> Array:
    """Turn the straight lines over short impossible stretches into curves that leave and arrive smoothly.

    A jump of 60 mm drawn as a ramp of 10 ms has corners, and what a filter makes of corners reaches into
    the believed samples beside it: 2 % of 12 s of driving. Motion goes on as a cubic between the slopes
    on both sides; what then is missing to the new level is added along a curve with no bend at its ends.
    """
    reach, longest = max(2, round(IMPOSSIBLE_MARGIN_S / dt_s)), round(IMPOSSIBLE_JOIN_S / dt_s)
    n = filled_m.shape[1]
    for channel in np.flatnonzero(impossible.any(axis=1)):
        signal = filled_m[channel]
        for start, stop in find_runs(impossible[channel]):
            if stop - start > longest or start - 1 - reach < 0 or stop + reach >= n:
                continue
            left, right, span = signal[start - 1], signal[stop], stop - start + 1
            slope_in = (left - signal[start - 1 - reach]) / reach * span
            slope_out = (signal[stop + reach] - right) / reach * span
            u = np.arange(1, span) / span
            moved = (slope_in + slope_out) / 2
            motion = slope_in * u * (1 - u) ** 2 - slope_out * (1 - u) * u**2 + moved * (3 - 2 * u) * u**2
            jump = (right - left - moved) * (10 - 15 * u + 6 * u**2) * u**3
            signal[start:stop] = left + motion + jump
    return filled_m


def _bridge(hole: Mask, dt_s: float) -> Mask:
    """Return which samples count: those without a hole, and holes short enough to be bridged."""
    valid = ~hole
    # The hair keeps a whole number of samples whole: 0.010 / 0.00008 is 124.999... in floats.
    bridged = max(1, int(BRIDGED_S / dt_s + 1e-6))
    for channel in np.flatnonzero(hole.any(axis=1)):
        if not valid[channel].any():
            continue
        for start, stop in find_runs(hole[channel]):
            if stop - start < bridged or (stop - start == 1):
                valid[channel, start:stop] = True
    return valid


def _widen(mask: Mask, samples: int) -> Mask:
    """Return the mask with so many samples more on both sides of each run."""
    wide = mask.copy()
    for by in range(1, samples + 1):
        wide[:, by:] |= mask[:, :-by]
        wide[:, :-by] |= mask[:, by:]
    return wide


def _earlier(mask: Mask) -> Mask:
    """Return the mask moved one sample to the front."""
    moved = np.zeros(mask.shape, dtype=bool)
    moved[:, :-1] = mask[:, 1:]
    return moved
