"""A sequential test for a change: the cumulative sum of how much better a rival assumption foretold what came."""

from __future__ import annotations

from dataclasses import dataclass

MOST_SCORE = 1.5
"""One stride changes a sum by this at most: a lump of mud that falls off is one stride, a loss is hundreds."""


@dataclass(slots=True)
class Cusum:
    """Sum of scores that never falls below 0.

    A score is the logarithm of a likelihood ratio, change over no change. Where that is what it is, a false call
    at a threshold h comes after exp(h) scores in the mean at the soonest.

    Source:
        Page 1954, Biometrika 41; the bound: Lorden 1971, Ann. Math. Stat. 42 (both from memory).
        tests/heat/test_damping_change.py holds it against Siegmund's approximation.
    """

    value: float = 0.0

    def add(self, score: float, most: float = MOST_SCORE) -> float:
        """Take a score in, at most `most` either way, and return the sum."""
        self.value = max(0.0, self.value + min(max(score, -most), most))
        return self.value
