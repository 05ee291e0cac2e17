"""Natural frequency and damping ratio of a body that swings freely, from the travel of its damper.

A push or a single bump leaves the body swinging about its rest: x = rest + exp(-s t) (a cos w t + b sin w t),
with s = zeta w_n and w = w_n sqrt(1 - zeta^2). At damping ratios of 0.2 to 0.5 it overshoots once or twice, too
little to read off amplitudes alone; so all samples are fitted at once, and the logarithmic decrement over
the extremes is worked out beside as a check of another kind. shared/PUSH_TEST.md says how good this is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.errors import InputError
from dutylog.motion.damped_cosine import FINE, DampedCosine, find_neighbourhood, fit_damped_cosine

Floats = NDArray[np.float64]

FREQUENCIES_HZ = (0.5, 5.0)
"""Where bodies on springs lie, with room either side (common practice, no published source: 0.9 to 3 Hz)."""
RATIOS = (0.01, 0.85)
"""Above, the overshoot is 0.6 % of the push and below what can be told from creeping back (judgement)."""
LEAST_CYCLES = 0.75
"""Damped cycles a fit needs: from an extreme over the other one and back to rest (judgement)."""
MOST_CYCLES = 2.5
"""What comes later is friction and the ground, not the swing (judgement: at a ratio of 0.2 4 % of it are left)."""
START_CYCLES, START_DOUBT_CYCLES = 0.125, (0.0625, 0.1875)
"""How long after the turning point the fit starts: 0.1 s at 1.2 Hz, by when a hand is off (judgement). Fixed, since
the ratio of a damper that isn't linear depends on the swing; the two others show by how much."""
LEAST_SWING_NOISE = 15.0
"""Swing over the noise of one value; below, the overshoot drowns (judgement: 36 % overshoot is then 5 of it)."""
SEEN_SWING_RATIO = 0.02
SMOOTH_S = 0.05
LEFT_OVER_RATIO = 0.12
"""What a free decay leaves over, rms over the swing. Dampers that are stiffer one way leave 0.02 to 0.06
(shared/PUSH_TEST.md); more is somebody else's push or the road."""
ROUGH_LEFT_OVER_RATIO = 0.3
"""The same on a coarse grid over all that follows the turning point, hand and road included: 0.17 at most on clean
decays of 0.7 to 3.5 Hz, up to 0.2 where a finer look then finds one; with more nothing was ever found, and a finer
look costs ten times as much (measured on 3000 made-up swings and 6 minutes of rough road)."""
LOOK_FACTOR, LOOK_PART = 2.0, 0.8
"""What a fine grid may leave of the part that counts, times what a fit may leave; and how much it looks at: what fits
behind every start, always as many values. Where a fit left 8 % of the swing at most, this grid left 10 % on 331
simulated bumps, and more than 16 % twice in 2175 made-up swings; it spares two thirds of the fits on rough road, and
a fit costs twenty times as much (measured)."""
GROWTH_RATIO, GROWN_SWING_RATIO = 1.15, 0.2
"""A turning point farther out than the one before was somebody's push; back and forth by less than a fifth of the
swing isn't one (judgement: a wheel that hops, a rest that a damper stiffer one way shifts)."""


@dataclass(frozen=True, slots=True)
class Decay:
    """A free decay. frequency_hz: natural, undamped. ratio: damping ratio. *_sd: standard deviations.

    rest_m: where it comes to rest. swing_m: its envelope at the start of the fit, > 0. start_s: of the fit, after
    the first sample given. cycles: damped ones fitted. left_over_ratio: rms of what the fit leaves over the swing.
    decrement_ratio: damping ratio by the logarithmic decrement over the extremes, None with fewer than three.
    """

    frequency_hz: float
    frequency_sd_hz: float
    ratio: float
    ratio_sd: float
    rest_m: float
    swing_m: float
    start_s: float
    cycles: float
    left_over_ratio: float
    decrement_ratio: float | None


@dataclass(frozen=True, slots=True)
class NoDecay:
    """Why nothing can be said of a stretch, in words."""

    reason: str


def ratio_of_decrement(decrement: float) -> float:
    """Return the damping ratio of a logarithmic decrement over a whole cycle.

    Source:
        delta = 2 pi zeta / sqrt(1 - zeta^2), derived from the solution of m x'' + c x' + k x = 0; the worked
        example in tests/motion/test_free_decay.py.
    """
    return decrement / math.hypot(2.0 * math.pi, decrement)


def ratio_of_extremes(extremes_m: Floats) -> float | None:
    """Return the damping ratio that follows extremes have, None with fewer than three or when they don't shrink.

    Args:
        extremes_m: turning points in turn, high and low alternating [m]; where it rests need not be known.
    Source:
        Differences of neighbours shrink by exp(-pi zeta / sqrt(1 - zeta^2)) as the extremes do, without the
        rest in them. With more than two the slope of their logarithms, each weighted with its square: noise of
        an extreme is the same for all, so that of its logarithm goes with one over its size.
    """
    spans = np.abs(np.diff(np.asarray(extremes_m, dtype=np.float64)))
    if len(spans) < 2 or np.any(spans <= 0.0):
        return None
    numbers, weights = np.arange(len(spans), dtype=np.float64), spans**2
    middle = np.average(numbers, weights=weights)
    logs = np.log(spans)
    away = numbers - middle
    slope = float(np.sum(weights * away * logs) / np.sum(weights * away**2))
    return None if slope >= 0.0 else ratio_of_decrement(-2.0 * slope)


def fit_free_decay(
    travel_m: Floats, rate_hz: float, noise_m: float, most_left_over_ratio: float = LEFT_OVER_RATIO
) -> Decay | NoDecay:
    """Fit a damped cosine to travel that begins at the turning point of a push or bump.

    The hand that lets go isn't off at once: what counts is fitted from START_CYCLES behind the turning point on.
    How much the ratio changes with that start is part of its deviation.

    Args:
        travel_m: (n,) [m], finite, evenly spaced; a hundred values a second are plenty.
        rate_hz: values a second [Hz], > 0. noise_m: rms of one value [m], >= 0.
        most_left_over_ratio: what may be left over the swing. With less than LEFT_OVER_RATIO nobody waits for the
            reason, and most of what is no decay is given up at a second look.
    Returns:
        Decay, or NoDecay with the reason.
    Raises:
        InputError: a value isn't finite, or rate or noise make no sense.
    """
    travel_m = np.asarray(travel_m, dtype=np.float64)
    if not (rate_hz > 0.0 and noise_m >= 0.0 and np.all(np.isfinite(travel_m))):
        raise InputError(f"free decay of {len(travel_m)} values at {rate_hz} Hz, noise {noise_m} m: not all finite")
    if len(travel_m) < max(rate_hz / FREQUENCIES_HZ[1], 12):
        return NoDecay(f"only {len(travel_m) / rate_hz:.1f} s of travel")
    moved_m = float(np.ptp(travel_m))
    if moved_m <= LEAST_SWING_NOISE * noise_m or moved_m == 0.0:
        return NoDecay(f"it moves {moved_m * 1e3:.1f} mm, too little over a noise of {noise_m * 1e3:.2f} mm")
    near = find_neighbourhood(travel_m, rate_hz)
    if near.left_over_ratio > ROUGH_LEFT_OVER_RATIO:
        return _too_much(near.left_over_ratio, ROUGH_LEFT_OVER_RATIO, " at a first look")
    if most_left_over_ratio < LEFT_OVER_RATIO:
        start = round(START_CYCLES * rate_hz * 2.0 * math.pi / near.w)
        stop = start + round(LOOK_PART * len(travel_m))
        # So short a stretch is fitted at once; parts are always as long, since a grid is made ready for each length.
        part = find_neighbourhood(travel_m[start:stop], rate_hz, FINE) if stop <= len(travel_m) else near
        if part.left_over_ratio > LOOK_FACTOR * most_left_over_ratio:
            return _too_much(part.left_over_ratio, LOOK_FACTOR * most_left_over_ratio, " at a second look")
    rough = fit_damped_cosine(travel_m, rate_hz, noise_m, (near.s, near.w))
    if rough.ratio > RATIOS[1]:
        return NoDecay(f"it creeps back without overshoot: a damping ratio above {RATIOS[1]:g}, or somebody held on")
    if not FREQUENCIES_HZ[0] <= rough.natural_hz <= FREQUENCIES_HZ[1] or rough.damped_hz <= 0.0:
        return NoDecay(f"no swing of {FREQUENCIES_HZ[0]:g} to {FREQUENCIES_HZ[1]:g} Hz in it")
    cycle = rate_hz / rough.damped_hz
    starts = [round(part * cycle) for part in (START_CYCLES, *START_DOUBT_CYCLES)]
    travel_m = travel_m[: starts[0] + round(MOST_CYCLES * cycle)]
    if len(travel_m) - max(starts) < LEAST_CYCLES * cycle:
        return NoDecay(
            f"{(len(travel_m) - max(starts)) / cycle:.2f} cycles of {cycle / rate_hz:.2f} s after letting go, "
            f"at least {LEAST_CYCLES:g} are needed"
        )
    fit = fit_damped_cosine(travel_m[starts[0] :], rate_hz, noise_m, rough.place)
    if (wrong := _find_wrong(travel_m[starts[0] :], rate_hz, noise_m, fit, most_left_over_ratio)) is not None:
        return wrong
    others = [fit_damped_cosine(travel_m[start:], rate_hz, noise_m, rough.place) for start in starts[1:]]
    return _make_decay(travel_m[starts[0] :], rate_hz, noise_m, fit, others, starts[0] / rate_hz)


def _too_much(left_over_ratio: float, most_ratio: float, when: str = "") -> NoDecay:
    """Return that too much is left over."""
    most = f"(at most {most_ratio:.0%})"
    return NoDecay(f"{left_over_ratio:.0%} of the swing is no free decay{when} {most}: pushed again, or the road")


def _find_wrong(
    travel_m: Floats, rate_hz: float, noise_m: float, fit: DampedCosine, most_left_over_ratio: float
) -> NoDecay | None:
    """Return why a fit says nothing, None when it is a free decay."""
    if not RATIOS[0] <= fit.ratio <= RATIOS[1] or not FREQUENCIES_HZ[0] <= fit.natural_hz <= FREQUENCIES_HZ[1]:
        return NoDecay(f"no free swing fits: {fit.natural_hz:.2f} Hz with a damping ratio of {fit.ratio:.2f}")
    if fit.swing < LEAST_SWING_NOISE * noise_m:
        return NoDecay(f"a swing of {fit.swing * 1e3:.1f} mm is too little over a noise of {noise_m * 1e3:.2f} mm")
    left_over, seen_m = _left_over(fit, noise_m), _seen_m(fit, noise_m)
    away = np.abs(find_extremes(travel_m, rate_hz, max(seen_m, GROWN_SWING_RATIO * fit.swing)) - fit.rest)
    if len(away) > 1 and np.any(away[1:] > GROWTH_RATIO * away[:-1] + 3.0 * fit.rms):
        return NoDecay("a later swing is larger than one before it: something pushed again")
    return _too_much(left_over, most_left_over_ratio) if left_over > most_left_over_ratio else None


def _make_decay(
    travel_m: Floats, rate_hz: float, noise_m: float, fit: DampedCosine, others: list[DampedCosine], start_s: float
) -> Decay:
    """Return what a fit says; others: fits that start elsewhere, which show how much that matters."""
    doubt = 0.5 * (max(f.ratio for f in (fit, *others)) - min(f.ratio for f in (fit, *others)))
    doubt_hz = 0.5 * (max(f.natural_hz for f in (fit, *others)) - min(f.natural_hz for f in (fit, *others)))
    natural_sd_hz, ratio_sd = fit.deviations()
    return Decay(
        frequency_hz=fit.natural_hz,
        frequency_sd_hz=math.hypot(natural_sd_hz, doubt_hz),
        ratio=fit.ratio,
        ratio_sd=math.hypot(ratio_sd, doubt),
        rest_m=fit.rest,
        swing_m=fit.swing,
        start_s=start_s,
        cycles=len(travel_m) / rate_hz * fit.damped_hz,
        left_over_ratio=_left_over(fit, noise_m),
        decrement_ratio=ratio_of_extremes(find_extremes(travel_m, rate_hz, _seen_m(fit, noise_m))),
    )


def _left_over(fit: DampedCosine, noise_m: float) -> float:
    """Return what a fit leaves over beyond the noise, rms over the swing."""
    return math.sqrt(max(fit.rms**2 - noise_m**2, 0.0)) / fit.swing


def _seen_m(fit: DampedCosine, noise_m: float) -> float:
    """Return what a turning point must be retraced by to be seen [m]."""
    return max(5.0 * noise_m, 3.0 * fit.rms, SEEN_SWING_RATIO * fit.swing)


def find_extremes(travel_m: Floats, rate_hz: float, least_m: float) -> Floats:
    """Return the turning points that are retraced by least_m at least, in turn; first and last value are none.

    Values are means over SMOOTH_S, which takes as much off every extreme of one frequency.
    """
    width = max(1, round(SMOOTH_S * rate_hz))
    smooth = np.convolve(travel_m, np.full(width, 1.0 / width), mode="valid") if width < len(travel_m) else travel_m
    found: list[float] = []
    low = high = float(smooth[0])
    direction = 0
    for value in smooth.tolist():
        if direction == 0:
            low, high = min(low, value), max(high, value)
            direction = 1 if value - low >= least_m else -1 if high - value >= least_m else 0
        elif direction > 0:
            high = max(high, value)
            if high - value >= least_m:
                found.append(high)
                direction, low = -1, value
        else:
            low = min(low, value)
            if value - low >= least_m:
                found.append(low)
                direction, high = 1, value
    return np.array(found)
