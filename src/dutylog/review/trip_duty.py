"""A damper's accumulators for one pass over a trip: they tell each stroke and keep only what a review needs."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from dutylog.duty.damper_duty import DamperDuty
from dutylog.duty.histograms import Histograms
from dutylog.duty.rainflow import Rainflow
from dutylog.duty.strokes import Chain, Ints, StrokeCounts, Strokes

_NONE = np.empty(0, dtype=np.int64)


class StrokeLog(StrokeCounts):
    """Tells finished strokes one by one, in order, instead of counting them by class."""

    __slots__ = ("_told",)

    def __init__(self) -> None:
        super().__init__()
        self._told: list[tuple[Ints, Ints]] = []

    def add(self, pivots_um: Ints, pivots_ns: Ints) -> None:
        """Take the strokes between each two of some turning points in order: travel [um] and time [ns]."""
        if len(pivots_um) < 2:
            return
        lengths_um = np.diff(pivots_um)
        self.strokes_count += len(lengths_um)
        self.compression_count += int(np.count_nonzero(lengths_um > 0))
        self.travel_um += int(np.abs(lengths_um).sum())
        self._told.append((lengths_um, np.diff(pivots_ns)))

    def drain(self) -> tuple[Ints, Ints]:
        """Return lengths [um] and durations [ns] of the strokes since the last call, in order."""
        if not self._told:
            return _NONE, _NONE
        told, self._told = self._told, []
        if len(told) == 1:
            return told[0]
        lengths_um, durations_ns = zip(*told, strict=True)
        return np.concatenate(lengths_um), np.concatenate(durations_ns)


class _NoFlow(Rainflow):
    """Counts nothing."""

    __slots__ = ()

    def update(self, turning_um: Iterable[int] | Ints) -> None:
        """Take turning points."""


class _NoPasses(Histograms):
    """Counts everything but seal passes."""

    def add_path(self, start_um: int, path_um: Ints) -> None:
        """Take a path."""


def make_duty(log: StrokeLog) -> DamperDuty:
    """Return accumulators whose strokes go to a log; the engine gives them their stroke length.

    They begin as behind a break, so that no stroke is kept apart for an earlier stretch.
    """
    duty = DamperDuty(0)
    duty.strokes = Strokes(tail=Chain(), counts=log, flow=_NoFlow())
    duty.histograms = _NoPasses()
    return duty


def describe_state(duty: DamperDuty) -> list[Any]:
    """Return, in JSON types, all that decides what later samples will add."""
    chain = duty.strokes.head if duty.strokes.tail is None else duty.strokes.tail
    points = [chain.low, chain.high, chain.last, chain.extreme]
    state = duty.to_dict()
    return [chain.direction, *(None if p is None else list(p) for p in points), duty.last_um, state["bottom"][1:]]
