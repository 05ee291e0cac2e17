"""The budget of a wear part: the used share by which 10 % of such parts are worn, and how well that is known."""

from __future__ import annotations

import math
from dataclasses import dataclass

from dutylog.errors import InputError


@dataclass(frozen=True, slots=True)
class Budget:
    """Log-normal. median [used shares]. log_sd: standard deviation of its natural logarithm."""

    median: float
    log_sd: float

    def __post_init__(self) -> None:
        if not (0.0 < self.median < math.inf and 0.0 <= self.log_sd < math.inf):
            raise InputError(f"budget of {self.median} used shares, log sd {self.log_sd}; expected above 0, 0 or more")


RANGE_80 = 1.2815515655446004
"""Standard deviations either way that hold 80 % of a normal distribution; its 10 % and 90 % quantiles."""
PRIOR_BUDGET = Budget(1.0, math.log(1.5))
"""Before anything was found on the bench. Source: judgement; two parts in three between 0.67 and 1.5."""
