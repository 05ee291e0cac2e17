"""The second witness of lost damping: the free decays after bumps, lately against the beginning of a unit.

A damper that lost damping leaves the body swinging longer after every bump. The ratios of single bumps scatter by
a tenth and more, so they are compared as two heaps, by ranks. shared/PUSH_TEST.md has what that is worth.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from dutylog.errors import InputError

BASELINE_COUNT, RECENT_COUNT = 24, 12
"""Bumps that make the heap of the beginning and one of lately (judgement: with a scatter of 0.15 a fall by a fifth
is 4 deviations of the difference)."""
FALSE_ALARM_RATIO = 0.01
"""Chance that a sound unit is ever called fallen, over all tests of its life against one baseline (judgement)."""
LEAST_FALL_RATIO = 0.15
"""A smaller fall isn't told, however sure: a rougher road alone makes a tenth (shared/PUSH_TEST.md), load and tyres as
much (judgement)."""
RATIO_LIMITS = (0.005, 2.0)

LEARNING, STEADY, FELL, UNKNOWN = "learning", "steady", "fell", "unknown"


@dataclass(frozen=True, slots=True)
class DecayNow:
    """What free decays say of one unit.

    state: learning, steady, fell. change_ratio: damping ratio lately over that of the beginning, None before both
    are there; log_sd: standard deviation of its natural logarithm. baseline_ratio, recent_ratio: medians.
    """

    state: str
    change_ratio: float | None
    log_sd: float | None
    baseline_ratio: float | None
    recent_ratio: float | None
    bumps_count: int
    text: str


class DecayWitness:
    """The damping ratios of one unit's bumps: those of the beginning, and the latest.

    Every RECENT_COUNT new bumps are tested once against the beginning by ranks. The k-th test takes
    6 / (pi^2 k^2) of FALSE_ALARM_RATIO, so all tests for ever add up to it whatever they have in common.
    What that rests on: bumps of a sound unit are alike in distribution, whenever they came.
    """

    def __init__(self) -> None:
        self._baseline: list[float] = []
        self._recent: list[float] = []
        self._fresh_count = self._tests_count = self._bumps_count = 0
        self._has_fallen = False
        self._said: DecayNow | None = None

    def add(self, ratio: float, fade_ratio: float = 1.0) -> None:
        """Take the damping ratio of a bump.

        Args:
            ratio: as fitted. fade_ratio: force of the warm damper over that of the cold one by its profile; what
                the ratio would be cold is kept.
        Raises:
            InputError: a ratio that no decay has.
        """
        if not (RATIO_LIMITS[0] <= ratio <= RATIO_LIMITS[1] and 0.0 < fade_ratio <= 1.5):
            raise InputError(f"damping ratio {ratio} of a bump at a fade of {fade_ratio}, expected {RATIO_LIMITS}")
        value, self._said = math.log(ratio / fade_ratio), None
        self._bumps_count += 1
        if len(self._baseline) < BASELINE_COUNT:
            self._baseline.append(value)
            return
        self._recent = [*self._recent, value][-RECENT_COUNT:]
        self._fresh_count += 1
        if self._fresh_count == RECENT_COUNT:
            self._fresh_count = 0
            self._test()

    def now(self) -> DecayNow:
        """Return what is known now."""
        if self._said is None:
            self._said = self._find_now()
        return self._said

    def _find_now(self) -> DecayNow:
        if len(self._recent) < RECENT_COUNT:
            missing = BASELINE_COUNT + RECENT_COUNT - self._bumps_count
            baseline = math.exp(median(self._baseline)) if len(self._baseline) == BASELINE_COUNT else None
            text = f"free decays: {missing} more bumps until they say something"
            return DecayNow(LEARNING, None, None, baseline, None, self._bumps_count, text)
        shift = find_shift(self._baseline, self._recent)
        sd = math.sqrt(_spread(self._baseline) ** 2 / BASELINE_COUNT + _spread(self._recent) ** 2 / RECENT_COUNT)
        change = math.exp(shift)
        if self._has_fallen:
            state = FELL
            text = (
                f"free decays: the body swings longer after bumps, damping ratio {1.0 - change:.0%} lower than at first"
            )
        else:
            state = STEADY
            text = f"free decays: damping ratio {change - 1.0:+.0%} against the beginning, which proves no fall"
        ratios = math.exp(median(self._baseline)), math.exp(median(self._recent))
        return DecayNow(state, change, sd, *ratios, self._bumps_count, text)

    def _test(self) -> None:
        self._tests_count += 1
        share = FALSE_ALARM_RATIO * 6.0 / (math.pi * self._tests_count) ** 2
        shift = find_shift(self._baseline, self._recent)
        if shift <= math.log(1.0 - LEAST_FALL_RATIO) and compute_rank_chance(self._baseline, self._recent) <= share:
            self._has_fallen = True
        elif shift > 0.5 * math.log(1.0 - LEAST_FALL_RATIO):
            self._has_fallen = False

    def to_dict(self) -> dict[str, Any]:
        """Return the state in JSON types (schema 1), exact."""
        return {
            "schema": 1,
            "baseline": list(self._baseline),
            "recent": list(self._recent),
            "counts": [self._fresh_count, self._tests_count, self._bumps_count],
            "has_fallen": self._has_fallen,
        }

    @staticmethod
    def from_dict(data: Mapping[str, Any]) -> DecayWitness:
        """Read what `to_dict` wrote; InputError when it isn't that."""
        if data.get("schema") != 1:
            raise InputError(f"decay witness of schema {data.get('schema')!r}, this version reads 1")
        witness = DecayWitness()
        try:
            witness._baseline = [float(value) for value in data["baseline"]][:BASELINE_COUNT]
            witness._recent = [float(value) for value in data["recent"]][-RECENT_COUNT:]
            fresh, tests, bumps = (int(value) for value in data["counts"])
            witness._fresh_count, witness._tests_count, witness._bumps_count = fresh, tests, bumps
            witness._has_fallen = bool(data["has_fallen"])
        except (KeyError, TypeError, ValueError) as err:
            raise InputError(f"decay witness lacks or garbles {err}") from err
        return witness


def find_shift(before: Sequence[float], after: Sequence[float]) -> float:
    """Return by how much `after` lies above `before`: the median of all differences.

    Source: Hodges and Lehmann, Annals of Mathematical Statistics 34 (1963), from memory.
    """
    return float(median(b - a for a in before for b in after))


def compute_rank_chance(before: Sequence[float], after: Sequence[float]) -> float:
    """Return the chance that `after` lies as low among `before` or lower, were both of one distribution.

    Exact, by counting which ranks `after` may hold; equal values count half, which makes the chance no smaller
    than it is for values without equals.

    Source: rank-sum test, F. Wilcoxon, Biometrics Bulletin 1 (1945), and Mann and Whitney (1947), from memory.
    """
    wins = sum(1.0 if b > a else 0.5 if b == a else 0.0 for a in before for b in after)
    counts = _count_wins(len(before), len(after))
    return sum(counts[: math.ceil(wins) + 1]) / sum(counts)


def _count_wins(first: int, second: int) -> list[int]:
    """Return in how many orders of first + second values the second lot wins 0, 1, ... first * second pairs.

    Source: they are the coefficients of prod (1 - q^(first + i)) / (1 - q^i), i = 1..second (the Gaussian binomial).
    """
    counts = [1] + [0] * (first * second)
    for i in range(1, second + 1):
        for wins in range(len(counts) - 1, first + i - 1, -1):
            counts[wins] -= counts[wins - first - i]
        for wins in range(i, len(counts)):
            counts[wins] += counts[wins - i]
    return counts


def _spread(values: Sequence[float]) -> float:
    middle = sum(values) / len(values)
    return math.sqrt(sum((value - middle) ** 2 for value in values) / (len(values) - 1))
