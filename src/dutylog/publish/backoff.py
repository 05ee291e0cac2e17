"""How long to wait before the next attempt: doubling, with jitter, capped."""

from __future__ import annotations

import random

FIRST_S = 1.0
LIMIT_S = 60.0
REFUSED_S = 60.0
"""Between attempts where the receiver refuses us: only a person changes that, and this is how soon it is noticed."""


class Backoff:
    """Waits between failed attempts; full jitter, so that vehicles that lost a server together don't return together.

    Source: exponential backoff with full jitter, M. Brooker, "Exponential Backoff And Jitter", 2015:
    each wait is drawn from 0 to the limit of that attempt.
    """

    def __init__(self, chance: random.Random, first_s: float = FIRST_S, limit_s: float = LIMIT_S) -> None:
        self._chance = chance
        self._first_s = first_s
        self._limit_s = limit_s
        self._ceiling_s = first_s

    def next_s(self, retry_after_s: float | None = None) -> float:
        """Return how long to wait after one more failure [s]; never shorter than what the receiver asked for."""
        ceiling_s, self._ceiling_s = self._ceiling_s, min(self._ceiling_s * 2, self._limit_s)
        if retry_after_s is not None:
            return retry_after_s + self._chance.uniform(0.0, self._first_s)
        return self._chance.uniform(0.0, ceiling_s)

    def reset(self) -> None:
        """Begin anew: it worked."""
        self._ceiling_s = self._first_s
