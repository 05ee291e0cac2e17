"""Slow columns of a recording: values at every so many rows, each rate a stream of its own."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.recording.block import AMBIENT_TEMPERATURE, Channel, Stream

_FALLBACK_HZ = {AMBIENT_TEMPERATURE: 1.0}
_FALLBACK_OTHERS_HZ = 10.0
"""Rates where the first minute shows less than two values: what recordings normally have (shared/cases)."""


@dataclass(frozen=True, slots=True)
class SlowPlan:
    """One slow stream: row indices first, first + every, ... of the travel grid; columns it reads."""

    stream: Stream
    every: int
    first: int
    columns: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class SlowRows:
    """Samples of one slow stream: own indices, the travel rows they were found in, values."""

    indices: NDArray[np.int64]
    found_at: NDArray[np.int64]
    data: NDArray[np.float64]


def plan_slow_streams(
    indices: NDArray[np.int64],
    values: NDArray[np.float64],
    channels: Sequence[Channel],
    period_fs: int,
    dtype: str,
) -> tuple[SlowPlan, ...]:
    """Group slow columns by the rows that carry values.

    Args:
        indices: (n,) travel index of each row looked at.
        values: (n, columns), NaN where there is none.
        channels: what each column is.
        period_fs: of the travel grid. dtype: of the slow streams.
    Returns:
        One plan for each distinct spacing (and place) of values, ids from 2 on.
    """
    groups: dict[tuple[int, int], list[int]] = {}
    unseen: list[int] = []
    for column in range(len(channels)):
        place = _find_spacing(indices[np.isfinite(values[:, column])])
        if place is None:
            unseen.append(column)
        else:
            groups.setdefault(place, []).append(column)
    for column in unseen:
        groups.setdefault(_guess_place(column, channels, groups, period_fs), []).append(column)
    plans: list[SlowPlan] = []
    for (every, first), columns in sorted(groups.items()):
        columns.sort()
        slow_fs = every * period_fs
        name = f"slow_{1e15 / slow_fs:.4g}_hz" + (f"_from_row_{first}" if first else "")
        stream = Stream(2 + len(plans), name, dtype, slow_fs, tuple(channels[c] for c in columns))
        plans.append(SlowPlan(stream, every, first, tuple(columns)))
    return tuple(plans)


def _find_spacing(indices: NDArray[np.int64]) -> tuple[int, int] | None:
    """Return (rows between values, index of the first modulo that), or None for less than two values."""
    if len(indices) < 2:
        return None
    steps, counts = np.unique(np.diff(indices), return_counts=True)
    common, shared = int(steps[np.argmax(counts)]), int(np.gcd.reduce(steps))
    # Lost samples lengthen steps to small multiples of the true spacing; one stray sample makes a divisor far below it.
    every = shared if 4 * shared >= common else common
    places, counts = np.unique(indices % every, return_counts=True)
    return every, int(places[np.argmax(counts)])


def _guess_place(
    column: int, channels: Sequence[Channel], groups: dict[tuple[int, int], list[int]], period_fs: int
) -> tuple[int, int]:
    """Return the place of a like column, else the customary rate."""
    quantity = channels[column].quantity
    for place, columns in sorted(groups.items()):
        if any(channels[c].quantity == quantity for c in columns):
            return place
    rate_hz = _FALLBACK_HZ.get(quantity, _FALLBACK_OTHERS_HZ)
    return max(1, round(1e15 / period_fs / rate_hz)), 0


class SlowSampler:
    """Takes the values of one plan out of travel rows, in order."""

    def __init__(self, plan: SlowPlan) -> None:
        self.plan = plan
        self.crowded_count = 0
        """Values dropped because they came closer together than the stream's spacing."""
        self._last = -1

    def take(self, indices: NDArray[np.int64], values: NDArray[np.float64]) -> SlowRows:
        """Return the samples in these rows; a sample off its place goes to the nearest one."""
        own = values[:, list(self.plan.columns)]
        present = np.isfinite(own)
        rows = np.flatnonzero(present.any(axis=1))
        found, own = indices[rows], np.where(present[rows], own[rows], np.nan)
        every = self.plan.every
        slots = np.maximum(0, (found - self.plan.first + every // 2) // every)
        is_new = np.diff(slots, prepend=self._last) > 0
        if not is_new.all():
            self._fill(own, slots, is_new)
        if len(slots):
            self._last = max(self._last, int(slots[-1]))
        return SlowRows(slots[is_new], found[is_new], own[is_new])

    def _fill(self, own: NDArray[np.float64], slots: NDArray[np.int64], is_new: NDArray[np.bool_]) -> None:
        """Put values of further rows of a slot into its first row where that has none."""
        keeper = -1
        for row in range(len(slots)):
            if is_new[row]:
                keeper = row
                continue
            free = np.isnan(own[keeper]) & ~np.isnan(own[row]) if keeper >= 0 else np.zeros(own.shape[1], dtype=bool)
            own[keeper, free] = own[row, free]
            self.crowded_count += int(np.count_nonzero(~np.isnan(own[row]) & ~free))
