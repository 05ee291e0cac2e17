"""Time that wasn't measured, by reason, in whole microseconds that add up."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dutylog.motion.validity import REASONS

NO_SENSOR = "no_travel_sensor"
NOT_CALIBRATED = "not_calibrated"
"""A fault to show: the sensor gives counts that nobody has calibrated; its time counts as NO_SENSOR."""
BANDWIDTH_LIMITED = "bandwidth_limited"
"""A fault to show: travel is sampled too seldom for all of its motion; its time counts as measured."""
STUCK = "travel_stuck"

LostTime = dict[str, int]
"""Unmeasured time [us] by reason: gap, travel_open, travel_stuck, spike, impossible_speed, no_travel_sensor."""


def share_out(lost_us: int, codes: NDArray[np.uint8]) -> LostTime:
    """Return lost time by reason, in proportion to its samples.

    Args:
        lost_us: time to share out [us].
        codes: (n,) codes of `validity.REASONS` of the samples that don't count, at least one; 0 for
            those a stuck sensor took.
    """
    counts = np.bincount(codes, minlength=len(REASONS)).tolist()
    shares = {code: lost_us * count // len(codes) for code, count in enumerate(counts) if count}
    # What rounding leaves goes to the most frequent reason, so that the sum stays exact.
    shares[max(shares, key=lambda code: counts[code])] += lost_us - sum(shares.values())
    return {REASONS[code] or STUCK: us for code, us in shares.items()}


def add_lost(total: LostTime, more: LostTime) -> None:
    """Add lost time to a total, in place."""
    for reason, us in more.items():
        if us:
            total[reason] = total.get(reason, 0) + us
