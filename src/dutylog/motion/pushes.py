"""Pushes found in the travel of a standing vehicle, and what several of them say of a corner.

A push is a turning point from which the corner swings back freely. All corners move when one is pushed; the push
belongs to the one that moves most. shared/PUSH_TEST.md has procedure and accuracy.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.motion.free_decay import Decay, NoDecay, fit_free_decay

Floats = NDArray[np.float64]

LEAST_PUSH_M = 0.004
"""Shaft travel of a push at least (judgement: stiction takes 1 to 2 mm of it)."""
ALIKE_RATIO = 0.8
"""A corner that moves this much of the one that moves most was pushed too: both ends of a bumper (judgement)."""
TOGETHER_S = 0.6
"""Turning points of several corners closer than this are of one push: less than one swing of a body."""
FREE_S = (3.0, 2.0, 1.4)
"""Lengths tried after a push, the longest first: the next one may come early."""
LEAST_SPREAD_RATIO = 0.04
"""Deviation of one push over the ratio that is believed at least: hand, friction and warm oil differ by it even where
three pushes happen to agree (judgement)."""
LEAST_CHANGE_RATIO = 0.1
"""A smaller change isn't told: a tank of fuel does as much (judgement)."""
# Student's t for 99 % two-sided at 1, 2, ... degrees of freedom, then 2.58. Source: table of Student's
# distribution, from memory; tests/motion/test_pushes.py works them out.
_STUDENT_99 = (63.657, 9.925, 5.841, 4.604, 4.032, 3.707, 3.499, 3.355, 3.250, 3.169)
_NORMAL_99 = 2.576
FELL, ROSE, ALIKE, UNSURE = "fell", "rose", "alike", "unsure"


@dataclass(frozen=True, slots=True)
class Push:
    """One push. corner: row of the travel. time_s: turning point since the travel's begin. push_m: travel from rest
    to it, above 0 in compression. decay: what came after, or why that says nothing."""

    corner: int
    time_s: float
    push_m: float
    decay: Decay | NoDecay


@dataclass(frozen=True, slots=True)
class CornerResult:
    """What the free decays of a corner say together.

    ratio: geometric mean. ratio_sd: standard deviation of it, from how far the pushes differ and what each is worth;
    spread_ratio: largest minus smallest over the mean. frequency_hz, frequency_sd_hz likewise. swing_m: mean.
    log_sd_one: deviation of the logarithm of one push's ratio, as the pushes differ.
    """

    count: int
    frequency_hz: float
    frequency_sd_hz: float
    ratio: float
    ratio_sd: float
    spread_ratio: float
    swing_m: float
    log_sd_one: float


@dataclass(frozen=True, slots=True)
class Change:
    """One result against another. verdict: fell, rose, alike or unsure. change_ratio: damping ratio over the other's,
    minus 1; limit_ratio: the fall that chance and judgement leave room for."""

    verdict: str
    change_ratio: float
    limit_ratio: float
    notes: tuple[str, ...]


def find_pushes(travel_m: Floats, rate_hz: float, noise_m: Floats) -> list[Push]:
    """Return the pushes of all corners, in order of time.

    Args:
        travel_m: (corners, n) float [m], finite, of a vehicle that stands; means of about 10 ms.
        rate_hz: values a second [Hz]. noise_m: (corners,) rms of one value [m].
    """
    if travel_m.shape[1] < rate_hz:
        return []
    away_m = travel_m - np.median(travel_m, axis=1, keepdims=True)
    found = []
    for corner, away in enumerate(away_m):
        taken_until = -1
        for place in _turning_points(away, rate_hz):
            if place <= taken_until:
                continue
            decay = _decay_after(away, place, rate_hz, float(noise_m[corner]))
            if isinstance(decay, Decay):
                taken_until = place + round(FREE_S[-1] * rate_hz)
            found.append(Push(corner, place / rate_hz, float(away[place]), decay))
    return _largest_only(found, away_m, rate_hz)


def _turning_points(away_m: Floats, rate_hz: float) -> list[int]:
    """Return where travel turns back from a compression of LEAST_PUSH_M and a third of the largest."""
    least = max(LEAST_PUSH_M, 0.33 * float(away_m.max(initial=0.0)))
    width = max(1, round(0.05 * rate_hz))
    smooth = np.convolve(away_m, np.full(width, 1.0 / width), mode="same")
    places, best, is_up = [], 0, False
    for place, value in enumerate(smooth.tolist()):
        if not is_up:
            if value >= least:
                is_up, best = True, place
        elif value > smooth[best]:
            best = place
        elif value < 0.6 * smooth[best]:
            places.append(best)
            is_up = False
    return places


def _decay_after(travel_m: Floats, place: int, rate_hz: float, noise_m: float) -> Decay | NoDecay:
    """Return the free decay after a turning point, of the longest stretch that is one."""
    refused: NoDecay | None = None
    for seconds in FREE_S:
        decay = fit_free_decay(travel_m[place : place + round(seconds * rate_hz)], rate_hz, noise_m)
        if isinstance(decay, Decay):
            return decay
        refused = refused or decay
    return refused or NoDecay("no travel after it")


def _largest_only(pushes: Sequence[Push], away_m: Floats, rate_hz: float) -> list[Push]:
    """Return the pushes of the corners that moved most at the time."""
    half = round(TOGETHER_S * rate_hz)
    kept = []
    for push in pushes:
        middle = round(push.time_s * rate_hz)
        around = away_m[:, max(0, middle - half) : middle + half + 1]
        if push.push_m >= ALIKE_RATIO * float(around.max(axis=1).max()):
            kept.append(push)
    return sorted(kept, key=lambda push: (push.time_s, push.corner))


def summarise(decays: Sequence[tuple[float, float, float, float]]) -> CornerResult | None:
    """Return what several decays say together, None without any.

    Args:
        decays: of each frequency [Hz], damping ratio, its standard deviation, swing [m].
    """
    if not decays:
        return None
    hz, ratio, sd, swing = np.array(decays, dtype=np.float64).T
    logs, count = np.log(ratio), len(ratio)
    spread = float(np.std(logs, ddof=1)) if count > 1 else 0.0
    one = max(spread, LEAST_SPREAD_RATIO)
    # What a fit doubts of itself is the damper's bent curve, alike in every push: more pushes don't lessen it.
    doubt = float(np.mean(sd / ratio))
    middle = math.exp(float(np.mean(logs)))
    return CornerResult(
        count=count,
        frequency_hz=float(np.mean(hz)),
        frequency_sd_hz=float(np.std(hz, ddof=1)) / math.sqrt(count) if count > 1 else 0.0,
        ratio=middle,
        ratio_sd=middle * math.hypot(one / math.sqrt(count), doubt),
        spread_ratio=float(np.ptp(ratio)) / middle,
        swing_m=float(np.mean(swing)),
        log_sd_one=one,
    )


def compare(now: CornerResult, before: CornerResult) -> Change:
    """Return how a result stands against another one of the same unit, or of the other side.

    Source:
        Student's test of two means with pooled deviation, on logarithms, 1 % two-sided; where both lots are as
        close as LEAST_SPREAD_RATIO the normal distribution with that deviation.
    """
    change = now.ratio / before.ratio - 1.0
    freedom = now.count + before.count - 2
    student = math.inf if freedom < 1 else _STUDENT_99[freedom - 1] if freedom <= len(_STUDENT_99) else _NORMAL_99
    weights = max(now.count - 1, 0), max(before.count - 1, 0)
    pooled = 0.0
    if freedom > 0:
        pooled = math.sqrt((weights[0] * now.log_sd_one**2 + weights[1] * before.log_sd_one**2) / freedom)
    apart = math.sqrt(1.0 / now.count + 1.0 / before.count)
    by_chance = (student * pooled if pooled > LEAST_SPREAD_RATIO else _NORMAL_99 * LEAST_SPREAD_RATIO) * apart
    limit = max(by_chance, -math.log(1.0 - LEAST_CHANGE_RATIO))
    notes = []
    if not 1 / 1.5 < now.swing_m / before.swing_m < 1.5:
        notes.append("the pushes were of different size, and the ratio depends on that: push alike")
    if abs(now.frequency_hz / before.frequency_hz - 1.0) > 0.06:
        notes.append("the frequency differs too: load, spring or tyre pressure isn't the same")
    shift = math.log1p(change)
    if freedom < 1 or not math.isfinite(by_chance):
        verdict = UNSURE
    elif abs(shift) <= limit:
        verdict = ALIKE
    else:
        verdict = FELL if shift < 0.0 else ROSE
    return Change(verdict, change, -math.expm1(-limit), tuple(notes))
