"""How sure a ratio of two figures is: the doubt that stretches of road differ, and that of sensors and force curves.

All ranges are of 95 %. The same numbers always give the same range: draws are seeded by what is compared.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass

import numpy as np

from dutylog.review.trip_data import Floats

DRAWS_COUNT = 400
"""Draws of a bootstrap. Source: judgement; a standard deviation is then known within 4 %."""
LEAST_STRETCHES = 4
"""Fewer stretches of a road say nothing of how it varies. Source: judgement."""
Z_95 = 1.959964


@dataclass(frozen=True, slots=True)
class Sums:
    """A figure as a ratio of sums over stretches. top, bottom: (n,), NaN where not known. strata: (n,) kind of road."""

    top: Floats
    bottom: Floats
    strata: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Range:
    """Two figures, the second by the first, and between what it lies. count: stretches of both that counted."""

    first: float
    second: float
    ratio: float
    low: float
    high: float
    count: int

    @property
    def is_clear(self) -> bool:
        """Return whether 1 lies outside the range."""
        return self.low > 1.0 or self.high < 1.0


def compare_sums(first: Sums, second: Sums, doubt_ratio: float, is_paired: bool) -> Range | None:
    """Return the ratio of two figures with its range; None where there is too little to say.

    Args:
        doubt_ratio: of sensors and curves, 95 % of the cases, 0.07 for 7 %.
        is_paired: both are of the same stretches of road, which then cancel.
    Source:
        Block bootstrap of a ratio within strata (Efron and Tibshirani, An Introduction to the Bootstrap, chapters 6
        and 8, from memory); the spread of the logarithm times Student's t, which allows for few stretches.
    """
    known = [np.isfinite(one.top) & np.isfinite(one.bottom) for one in (first, second)]
    if is_paired:
        known = [known[0] & known[1]] * 2
    parts = [_take(one, of) for one, of in zip((first, second), known, strict=True)]
    counts = [len(one.top) for one in parts]
    totals = [(float(one.top.sum()), float(one.bottom.sum())) for one in parts]
    if min(counts) < LEAST_STRETCHES or any(top <= 0.0 or bottom <= 0.0 for top, bottom in totals):
        return None
    values = [top / bottom for top, bottom in totals]
    rng = np.random.default_rng(_seed(parts))
    picks = _draw(parts[0].strata, rng)
    logs = _log_figures(parts[1], picks if is_paired else _draw(parts[1].strata, rng)) - _log_figures(parts[0], picks)
    logs = logs[np.isfinite(logs)]
    if len(logs) < DRAWS_COUNT // 2:
        return None
    freedom = (counts[0] if is_paired else min(counts)) - 1
    spread = float(np.std(logs)) * math.sqrt((freedom + 1) / freedom) * student_95(freedom)
    return _widen(values[0], values[1], values[1] / values[0], spread, doubt_ratio, min(counts))


def compare_counts(
    first: Floats, second: Floats, first_exposure: float, second_exposure: float, doubt_ratio: float
) -> Range | None:
    """Return the ratio of two rates of rare events with its range; None below five events in all.

    Args:
        first, second: (n,) events by stretch, whose scatter tells how much they come in clusters; NaN left out.
        first_exposure, second_exposure: what they are counted by, a distance or a time, > 0.
    Source:
        Logarithm of a ratio of Poisson counts, with half an event added to each (Haldane and Anscombe, from memory),
        its variance times the ratio of variance to mean over stretches where that is above 1 (McCullagh and Nelder,
        overdispersion, from memory).
    """
    counts = [one[np.isfinite(one)] for one in (first, second)]
    totals = [float(one.sum()) for one in counts]
    if sum(totals) < LEAST_EVENTS or first_exposure <= 0.0 or second_exposure <= 0.0:
        return None
    dispersion = max(1.0, *(_dispersion(one) for one in counts))
    ratio = (totals[1] + 0.5) / second_exposure / ((totals[0] + 0.5) / first_exposure)
    spread = Z_95 * math.sqrt(dispersion * sum(1.0 / (total + 0.5) for total in totals))
    values = totals[0] / first_exposure, totals[1] / second_exposure
    return _widen(*values, ratio, spread, doubt_ratio, min(len(one) for one in counts))


LEAST_EVENTS = 5.0
"""Fewer events in all say nothing of which side has more of them. Source: judgement."""


def student_95(freedom: int) -> float:
    """Return how many standard deviations hold 95 % of Student's distribution; freedom: degrees of it, >= 1.

    Source: Abramowitz and Stegun, Handbook of Mathematical Functions, 26.7.5 (from memory); within 1 % from 3 on.
    """
    z, v = Z_95, float(freedom)
    terms = (
        (z**3 + z) / 4.0,
        (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0,
        (3.0 * z**7 + 19.0 * z**5 + 17.0 * z**3 - 15.0 * z) / 384.0,
    )
    return z + sum(term / v ** (place + 1) for place, term in enumerate(terms))


def _widen(first: float, second: float, ratio: float, spread: float, doubt_ratio: float, count: int) -> Range:
    both = math.hypot(spread, math.log1p(doubt_ratio))
    return Range(first, second, ratio, ratio * math.exp(-both), ratio * math.exp(both), count)


def _take(one: Sums, known: np.typing.NDArray[np.bool_]) -> Sums:
    strata = tuple(kind for kind, is_known in zip(one.strata, known, strict=True) if is_known)
    return Sums(one.top[known], one.bottom[known], strata)


def _draw(strata: tuple[str, ...], rng: np.random.Generator) -> Floats:
    """Return how often each stretch is taken in each draw (DRAWS_COUNT, n): as many of each kind as there are."""
    kinds = np.array(strata)
    picks = np.zeros((DRAWS_COUNT, len(kinds)))
    for kind in sorted(set(strata)):
        places = np.flatnonzero(kinds == kind)
        picks[:, places] = rng.multinomial(len(places), np.full(len(places), 1.0 / len(places)), DRAWS_COUNT)
    return picks


def _log_figures(one: Sums, picks: Floats) -> Floats:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.log((picks @ one.top) / (picks @ one.bottom)))


def _dispersion(counts: Floats) -> float:
    mean = float(counts.mean()) if len(counts) else 0.0
    return float(counts.var(ddof=1)) / mean if len(counts) > 1 and mean > 0.0 else 1.0


def _seed(parts: list[Sums]) -> int:
    seed = 0
    for one in parts:
        for values in (one.top, one.bottom):
            seed = zlib.crc32(np.ascontiguousarray(values, dtype="<f8").tobytes(), seed)
    return seed
