"""Budgets learned from what benches find: Bayes' rule on a grid, from a prior that works with nothing found.

The life of a part in used shares is Weibull; its budget is the share by which 10 % are worn (B10: on the safe side).
Findings move the budget, for each shape of a grid on its own; the shapes keep the weights they had before. Looks at a
few shares say hardly anything of the shape, and if they were let speak, a part worn out very early would count as
proof of wide scatter and raise the budget of all others, and a long-lived one would lower it. With the weights kept,
an earlier failure never raises a budget and a longer life never lowers it, whatever else was found: at each shape the
likelihoods have a monotone ratio, and a mixture with fixed weights keeps the order (test_learning.py). The price is a
range a little wider than it could be where much was found.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.wear import FAILED, GRADES, WORN
from dutylog.errors import InputError
from dutylog.life.budget import PRIOR_BUDGET, RANGE_80, Budget
from dutylog.life.weibull import LifeTimes, compute_log_likelihood, fit_lives, gather_lives

Floats = NDArray[np.float64]

PRIOR_SHAPE = 2.5
PRIOR_SHAPE_LOG_SD = 0.4
"""Median and logarithmic scatter of the shape. Source: judgement; wear has shapes of 1.5 to 4 in most tables."""
WORN_SHARE = 0.1
"""A budget is the used share by which so many are worn. Source: judgement; B10 is common practice."""
LOW, HIGH = 0.1, 0.9
"""Ends of the range that is told: 80 %."""
LEAST_OVER = 3
"""Ended lives from which on it is told what they say alone (judgement)."""
SHARES = (1e-6, 1e6)
"""Shares that say something of wear: what fails within the first 20 metres of hard use had no time to wear."""
_SAME_RATIO = 1e-6
"""Two looks closer than this are one: the life ended there."""
_BUDGET_SDS, _BUDGET_CELLS = 12.0, 481
_SHAPE_SDS, _SHAPE_CELLS = 3.5, 33
"""The grid: budgets from 1/130 to 130, 2 % apart, shapes from 0.6 to 10. What lies outside is ruled out."""


@dataclass(frozen=True, slots=True)
class Finding:
    """What a bench found of one part, at the last look that tells: one finding a part.

    share: used then. grade: one of GRADES; as_new and usable alike mean that it would have gone on, worn and failed
    that its life was over. usable_share: used share when the same part was last seen good before that (0: never).
    """

    share: float
    grade: str
    usable_share: float = 0.0

    def __post_init__(self) -> None:
        if self.grade not in GRADES:
            raise InputError(f"grade {self.grade!r:.40} is none of {', '.join(GRADES)}")
        if not 0.0 <= self.usable_share <= self.share <= SHARES[1]:
            raise InputError(
                f"used share of {self.share}, last seen good at {self.usable_share}: expected 0 to {SHARES[1]:g}, the "
                "first not below the second"
            )

    @property
    def is_over(self) -> bool:
        """Return whether the part's life was over."""
        return self.grade in (WORN, FAILED)

    @property
    def is_exact(self) -> bool:
        """Return whether it was over and seen good at the same share."""
        return self.is_over and self.share - self.usable_share <= _SAME_RATIO * self.share


@dataclass(frozen=True, slots=True)
class Belief:
    """What is believed of a budget. low, high: 80 % range of it. evidence_count: findings that say something."""

    budget: Budget
    low: float
    high: float
    evidence_count: int
    text: str


def learn(findings: Sequence[Finding], prior: Budget = PRIOR_BUDGET) -> Belief:
    """Return the budget after all findings of like parts; which parts are alike is the caller's choice.

    prior: what was believed before these findings. With nothing found it is the answer. Nothing is carried from one
    call to the next: a finding that was withdrawn is simply not among them. The order of findings changes nothing. A
    finding below SHARES says nothing of wear and isn't counted.

    Source:
        Bayes' rule. Good: right-censored; over: interval-censored since last seen good. Prior: PRIOR_BUDGET and
        PRIOR_SHAPE, judgement. Weights of the shapes kept: see the module's text.
    """
    told = [one for one in findings if one.share >= SHARES[0]]
    low, median, high = (math.exp(log) for log in _find_quantiles(_compute_posterior(told, prior)))
    budget = Budget(median, math.log(high / low) / (2.0 * RANGE_80))
    return Belief(budget, low, high, len(told), _say(told, prior, median, low, high))


def _gather(findings: Sequence[Finding]) -> LifeTimes:
    """Return the lives that findings tell of."""
    return gather_lives(
        [one.share for one in findings if one.is_exact],
        [one.share for one in findings if not one.is_over],
        [],
        [(one.usable_share, one.share) for one in findings if one.is_over and not one.is_exact],
    )


def _log_budgets() -> Floats:
    """Return the grid of ln B10 (cells,)."""
    return math.log(PRIOR_BUDGET.median) + PRIOR_BUDGET.log_sd * np.linspace(-_BUDGET_SDS, _BUDGET_SDS, _BUDGET_CELLS)


def _compute_posterior(told: Sequence[Finding], prior: Budget) -> Floats:
    """Return the weights (cells,) of the budgets of `_log_budgets`; they add up to 1."""
    log_prior = -0.5 * ((_log_budgets() - math.log(prior.median)) / prior.log_sd) ** 2
    shape_weights = np.exp(-0.5 * np.linspace(-_SHAPE_SDS, _SHAPE_SDS, _SHAPE_CELLS) ** 2)
    total = np.zeros(_BUDGET_CELLS)
    weights_of_shapes = shape_weights / shape_weights.sum()
    for logs_of_lives, weight in zip(_log_likelihoods(_ordered(told)), weights_of_shapes, strict=True):
        logs = log_prior + logs_of_lives
        weights = np.exp(logs - logs.max())
        total += weight * weights / weights.sum()
    return total


def _ordered(told: Sequence[Finding]) -> tuple[Finding, ...]:
    return tuple(sorted(told, key=lambda one: (one.share, one.grade, one.usable_share)))


@lru_cache(maxsize=32)
def _log_likelihoods(told: tuple[Finding, ...]) -> Floats:
    """Return the log-likelihood (shapes, cells) of findings; kept, since a bench asks again for each like unit."""
    log_budgets, lives = _log_budgets(), _gather(told)
    found = np.empty((_SHAPE_CELLS, _BUDGET_CELLS))
    for row, place in enumerate(np.linspace(-_SHAPE_SDS, _SHAPE_SDS, _SHAPE_CELLS)):
        shape = PRIOR_SHAPE * math.exp(PRIOR_SHAPE_LOG_SD * place)
        # B10 = scale x (-ln 0.9)^(1 / shape)
        scales = np.exp(log_budgets - math.log(-math.log1p(-WORN_SHARE)) / shape)
        found[row] = compute_log_likelihood(shape, scales, lives)
    found.flags.writeable = False
    return found


def _find_quantiles(weights: Floats) -> tuple[float, float, float]:
    """Return ln B10 at LOW, the middle and HIGH; the weight of a cell is spread evenly over it."""
    log_budgets = _log_budgets()
    half = (log_budgets[1] - log_budgets[0]) / 2.0
    edges = np.append(log_budgets - half, log_budgets[-1] + half)
    below = np.concatenate([[0.0], np.cumsum(weights)])
    low, median, high = np.interp((LOW, 0.5, HIGH), below, edges)
    return float(low), float(median), float(high)


def _say(findings: Sequence[Finding], before: Budget, median: float, low: float, high: float) -> str:
    """Return a belief in words."""
    now = f"10 % are worn by {_digits(median)} ({_digits(low)} to {_digits(high)}) of the budget"
    if not findings:
        return f"nothing learned yet: {now}"
    prior, factor = before.median, math.exp(RANGE_80 * before.log_sd)
    over_count = sum(one.is_over for one in findings)
    alone = _say_alone(_ordered(findings)) if over_count >= LEAST_OVER else ""
    return (
        f"from {len(findings)} part{'s' * (len(findings) > 1)} looked at ({over_count} worn or failed): {now}; "
        f"before: {_digits(prior)} ({_digits(prior / factor)} to {_digits(prior * factor)}){alone}"
    )


@lru_cache(maxsize=32)
def _say_alone(findings: tuple[Finding, ...]) -> str:
    """Return what the findings say by themselves, by maximum likelihood; empty where they say nothing definite."""
    lives = _gather(findings)
    try:
        found = fit_lives(lives)
    except InputError:
        return ""
    return f"; the findings alone: {_digits(found.quantile(WORN_SHARE))}, shape {found.shape:.1f}"


def _digits(share: float) -> str:
    """Return about two digits."""
    return f"{share:.2f}" if share < 0.995 else f"{share:.1f}" if share < 9.95 else f"{share:.0f}"
