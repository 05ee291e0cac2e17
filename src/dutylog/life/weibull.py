"""Two-parameter Weibull lives by maximum likelihood, from exact, right-, left- and interval-censored ones.

Survival is exp(-(life / scale)^shape). A life is right-censored where a part was still good when last seen,
left-censored where it was found worn at the first look, between two looks otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.errors import InputError

Floats = NDArray[np.float64]

LEAST_FAILURES = 2
SHAPES = (0.05, 100.0)
"""Shapes a fit may find. Source: judgement; wear has 1.5 to 6, what lies outside here is a matter of the data."""
_STEPS = 200
_HALVINGS = 60
_GAIN = 1e-10
"""A Newton step that promises less, as a ratio of the log-likelihood, is the last one: its own error is the square."""


@dataclass(frozen=True, slots=True)
class LifeTimes:
    """What is known of the lives of like parts, in one unit; each array holds one entry a part.

    exact: the life. beyond: it is longer than that. low, high: it ended after low (0: left-censored) and by high.
    """

    exact: Floats
    beyond: Floats
    low: Floats
    high: Floats

    @property
    def ended_count(self) -> int:
        """Return how many lives have ended."""
        return len(self.exact) + len(self.high)


@dataclass(frozen=True, slots=True)
class Weibull:
    """A law of lives. scale: in the lives' unit, 63.2 % have ended by then. log_likelihood: of the lives it is from."""

    shape: float
    scale: float
    log_likelihood: float

    def quantile(self, share: float) -> float:
        """Return the life by which a share of the parts has ended (0.1: B10)."""
        if not 0.0 <= share < 1.0:
            raise InputError(f"share of {share}, expected 0 to below 1")
        return float(self.scale * (-math.log1p(-share)) ** (1.0 / self.shape))


def gather_lives(
    exact: Sequence[float], beyond: Sequence[float], left: Sequence[float], between: Sequence[tuple[float, float]]
) -> LifeTimes:
    """Return lives of all four kinds, sorted: the order they came in changes nothing, not even the last digit.

    Raises:
        InputError: a life that isn't finite, below 0, or ends at 0; an interval that doesn't end after its start.
    """
    spans = np.array(sorted([*((0.0, high) for high in left), *between]), dtype=np.float64).reshape(-1, 2)
    ended, good = (np.array(sorted(values), dtype=np.float64) for values in (exact, beyond))
    lives = LifeTimes(ended, good, spans[:, 0], spans[:, 1])
    every = np.concatenate([lives.exact, lives.beyond, lives.low, lives.high])
    if not np.all(np.isfinite(every) & (every >= 0.0)):
        raise InputError(f"life of {every[~(np.isfinite(every) & (every >= 0.0))][0]}, expected a number from 0 on")
    if np.any(lives.exact == 0.0) or np.any(lives.high == 0.0):
        raise InputError("a life that ended at 0: it says nothing of wear, leave it out")
    if np.any(lives.high <= lives.low):
        first = int(np.argmax(lives.high <= lives.low))
        raise InputError(f"a life between {lives.low[first]} and {lives.high[first]}: the second look must be later")
    return lives


def compute_log_likelihood(shape: float, scale: Floats, lives: LifeTimes) -> Floats:
    """Return the log-likelihood of one shape and each of many scales (n,).

    Source:
        Density, survival, and the difference of survival at both ends of an interval; textbook.
    """
    with np.errstate(divide="ignore", over="ignore", under="ignore"):
        logs = np.log(scale)[:, None]
        exact, beyond, low, high = (
            np.exp(shape * (np.log(values) - logs)) for values in (lives.exact, lives.beyond, lives.low, lives.high)
        )
        density = math.log(shape) - shape * logs + (shape - 1.0) * np.log(lives.exact) - exact
        ended = np.log(-np.expm1(low - high)) - low
    total: Floats = density.sum(axis=1) - beyond.sum(axis=1) + ended.sum(axis=1)
    return total


def fit(
    failures: Sequence[float],
    censored: Sequence[float],
    left: Sequence[float] = (),
    between: Sequence[tuple[float, float]] = (),
) -> Weibull:
    """Return the law that makes the lives most likely; see `fit_lives`.

    Args:
        failures: lives that ended then.
        censored: parts still good then.
        left: parts worn at the first look, taken then.
        between: good at the first, worn at the second of each pair.
    """
    return fit_lives(gather_lives(failures, censored, left, between))


def fit_lives(lives: LifeTimes) -> Weibull:
    """Return the law that makes lives most likely.

    Raises:
        InputError: fewer than two lives have ended, or no finite shape fits best.
    Source:
        Newton's method with halved steps. In (shape, shape x ln scale) the log-likelihood is concave, censored or
        not (Burridge 1981, J. R. Stat. Soc. B 43, 41; from memory), so that what it finds is the only maximum.
    """
    if lives.ended_count < LEAST_FAILURES:
        raise InputError(
            f"{lives.ended_count} of {lives.ended_count + len(lives.beyond)} lives ended, {LEAST_FAILURES} are needed "
            "for a fit; use life.learning.learn, which starts from a prior and works with none"
        )
    every = np.concatenate([lives.exact, lives.beyond, lives.low, lives.high])
    middle = math.exp(float(np.mean(np.log(every[every > 0.0]))))
    scaled = LifeTimes(lives.exact / middle, lives.beyond / middle, lives.low / middle, lives.high / middle)
    shape, offset = _climb(scaled)
    scale = middle * math.exp(offset / shape)
    return Weibull(shape, scale, float(compute_log_likelihood(shape, np.array([scale]), lives)[0]))


def _has_one_time(lives: LifeTimes) -> bool:
    """Return whether all lives may have ended at one time: then the steeper a law, the better it fits."""
    latest_start = max(float(values.max(initial=0.0)) for values in (lives.exact, lives.beyond, lives.low))
    first_end = min(float(values.min(initial=math.inf)) for values in (lives.exact, lives.high))
    return latest_start <= first_end


def _climb(lives: LifeTimes) -> tuple[float, float]:
    """Return (shape, shape x ln scale) of the maximum, from an exponential law on."""
    total = float(lives.exact.sum() + lives.beyond.sum() + (lives.low + lives.high).sum() / 2.0)
    place = np.array([1.0, math.log(total / lives.ended_count)])
    value = _value(place, lives)
    for _ in range(0 if _has_one_time(lives) else _STEPS):
        slope, bend = _slopes(place, lives)
        step = np.linalg.solve(-bend, slope) if np.linalg.det(bend) > 0.0 else slope
        gain = float(slope @ step)
        if gain <= _GAIN * (1.0 + abs(value)):
            return float(place[0] + step[0]), float(place[1] + step[1])
        fractions = (0.5**halving for halving in range(_HALVINGS))
        better = (part for part in fractions if _value(place + part * step, lives) > value + 1e-4 * part * gain)
        place = place + next(better, 0.0) * step
        value = _value(place, lives)
        if not SHAPES[0] < place[0] < SHAPES[1]:
            break
    raise InputError(
        "no law fits these lives best: they may all have ended at one time, or late ones before early ones; "
        "add lives that ended at other times, or use life.learning.learn"
    )


def _value(place: Floats, lives: LifeTimes) -> float:
    """Return the log-likelihood; minus infinity outside the shapes and where a number overflows."""
    shape, offset = float(place[0]), float(place[1])
    if not (shape > 0.0 and abs(offset / shape) < 700.0):
        return -math.inf
    value = float(compute_log_likelihood(shape, np.exp(place[1:] / shape), lives)[0])
    return value if math.isfinite(value) else -math.inf


def _slopes(place: Floats, lives: LifeTimes) -> tuple[Floats, Floats]:
    """Return gradient (2,) and Hessian (2, 2) by (shape k, offset m), with z = (life / scale)^k = exp(k ln life - m).

    Source: derivation. Exact: ln k + k ln life - m - ln life - z. Right-censored: -z. Interval: ln(1 - exp(-d)) - z of
    its start, d the difference of z at both ends; q = 1 / (exp(d) - 1) is its derivative, -q (1 + q) the second one.
    """
    shape, count = float(place[0]), len(lives.exact)
    slope = np.array([count / shape + float(np.log(lives.exact).sum()), -float(count)])
    bend = np.array([[-count / shape**2, 0.0], [0.0, 0.0]])
    for times in (lives.exact, lives.beyond, lives.low):
        first, second = _powers(times, place)
        slope -= first.sum(axis=0)
        bend -= second.sum(axis=0)
    low, low_second = _powers(lives.low, place)
    high, high_second = _powers(lives.high, place)
    apart, apart_second = high - low, high_second - low_second
    with np.errstate(over="ignore"):
        gain = 1.0 / np.expm1(-apart[:, 1])
    slope += (gain[:, None] * apart).sum(axis=0)
    bend += (gain[:, None, None] * apart_second).sum(axis=0)
    bend -= ((gain * (1.0 + gain))[:, None, None] * apart[:, :, None] * apart[:, None, :]).sum(axis=0)
    return slope, bend


def _powers(times: Floats, place: Floats) -> tuple[Floats, Floats]:
    """Return z's first (n, 2) and second (n, 2, 2) derivatives by shape and offset; all 0 at time 0."""
    logs = np.log(np.where(times > 0.0, times, 1.0))
    z = np.where(times > 0.0, np.exp(place[0] * logs - place[1]), 0.0)
    first = np.stack([z * logs, -z], axis=1)
    second = np.stack([z * logs**2, -z * logs, -z * logs, z], axis=1).reshape(-1, 2, 2)
    return first, second
