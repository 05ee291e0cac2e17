"""A straight line through points of very different worth, its slope near a known one."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

_HUBER_SIGMAS = 3.0
_ROUNDS = 8
"""A point further off than 3 sigma weighs in with its sign rather than its distance (Huber's estimator, by
reweighting; P. J. Huber, Robust Estimation of a Location Parameter, 1964). Eight rounds are a bound for bad days;
without such points there is none (judgement)."""
_WIDEST_BEND = 0.02
"""No slope is off its nominal one by more (judgement), so what lies further from the median point isn't on the line."""


@dataclass(frozen=True, slots=True)
class Line:
    """y = y0 + nominal * (x - x0) + offset + bend * (x - x0 - middle), kept so that large integers stay exact.

    offset_std: of y in the middle. bend_std: of the slope.
    """

    x0: int
    y0: int
    nominal: float
    middle: float
    offset: float
    bend: float
    offset_std: float
    bend_std: float

    @property
    def slope(self) -> float:
        """Return dy/dx."""
        return self.nominal + self.bend

    def y_at(self, x: int) -> int:
        """Return y rounded to an integer."""
        dx = x - self.x0
        return self.y0 + round(self.nominal * dx + self.offset + self.bend * (dx - self.middle))

    def std_at(self, x: int) -> float:
        """Return the standard deviation of y there, given that of the points."""
        return math.hypot(self.offset_std, self.bend_std * (x - self.x0 - self.middle))


class RobustLine:
    """Keeps the last points and fits them; memory and time are bounded.

    The slope is held near `nominal` by a normal prior of relative width `prior_ratio`, so that a few points close
    together don't give a wild one, and long lines are free of it.
    """

    def __init__(self, nominal: float, prior_ratio: float, room: int, span: int) -> None:
        """room: points kept at most; span: how far in x they may lie behind the last."""
        self._nominal = nominal
        self._prior = (nominal * prior_ratio) ** -2
        self._span = span
        self._x = np.zeros(room, np.int64)
        self._y = np.zeros(room, np.int64)
        self._sigma = np.ones(room)
        self._count = 0

    def __len__(self) -> int:
        return min(self._count, len(self._x))

    def add(self, x: int, y: int, sigma: float) -> None:
        """Add a point; sigma: standard deviation of y, > 0."""
        place = self._count % len(self._x)
        self._x[place], self._y[place], self._sigma[place] = x, y, sigma
        self._count += 1

    def fit(self) -> Line:
        """Return the line through the points held.

        Source:
            Weighted least squares with a normal prior on the slope: with x measured from the weighted mean, the
            offset is the weighted mean of y and the slope Sxy / (Sxx + 1 / prior variance).
        """
        n = len(self)
        place = self._place_of_now()
        x0, y0 = int(self._x[place]), int(self._y[place])
        dx = (self._x[:n] - x0).astype(np.float64)
        near = dx >= -self._span
        dx, sigma = dx[near], self._sigma[:n][near]
        dy = (self._y[:n][near] - y0) - self._nominal * dx
        middle_dy = np.partition(dy, len(dy) // 2)[len(dy) // 2]
        sane = np.abs(dy - middle_dy) <= _WIDEST_BEND * self._nominal * self._span + 10.0 * sigma
        dx, dy, sigma = dx[sane], dy[sane], sigma[sane]
        weight = sigma**-2
        middle, offset, bend, spread = self._solve(dx, dy, weight)
        for _ in range(_ROUNDS):
            off = np.abs(dy - offset - bend * (dx - middle)) / sigma
            if not np.any(off > _HUBER_SIGMAS):
                break
            weight = sigma**-2 * np.minimum(1.0, _HUBER_SIGMAS / np.maximum(off, _HUBER_SIGMAS))
            middle, offset, bend, spread = self._solve(dx, dy, weight)
        offset_std, bend_std = float(weight.sum()) ** -0.5, spread**-0.5
        return Line(x0, y0, self._nominal, middle, offset, bend, offset_std, bend_std)

    def _place_of_now(self) -> int:
        """Return where the point of middle x among the last five is kept, so that no single one says what is old."""
        places = [i % len(self._x) for i in range(max(0, self._count - 5), self._count)]
        return sorted(places, key=lambda place: int(self._x[place]))[len(places) // 2]

    def _solve(
        self, dx: NDArray[np.float64], dy: NDArray[np.float64], weight: NDArray[np.float64]
    ) -> tuple[float, float, float, float]:
        """Return middle in x, offset there, bend and the precision of the bend."""
        total = weight.sum()
        middle, offset = weight @ dx / total, weight @ dy / total
        centred = dx - middle
        spread = weight @ centred**2 + self._prior
        return float(middle), float(offset), float(weight @ (centred * dy) / spread), float(spread)
