"""Single bumps while driving: a big stroke, then two quiet seconds, in which the body swings freely.

What they say of damping is the second witness of its loss (heat/decay_witness.py). Reads prepared tiles, a mean of ten
milliseconds at a time; keeps some seconds of each damper and nothing over a restart: what swings just then is lost.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Vehicle
from dutylog.engine.epoch_run import PreparedTile
from dutylog.motion.free_decay import Decay, fit_free_decay

Floats = NDArray[np.float64]

FIT_HZ = 100
BUMP_STROKE_RATIO = 0.08
"""How far a bump moves the shaft from where it rests after it, of the stroke (judgement: 20 mm of 250)."""
TILES = 5
"""Tiles kept. The bump is looked for in the second, so that more than 2 s follow it and a moment comes before."""
QUIET_S, BEFORE_S = 2.5, 0.5
REST_S = 1.5
"""The end of the quiet seconds whose mean is the rest."""
TURN_S = (0.05, 0.6)
"""When the body's next turning point comes after the bump's; the fit starts there, with the wheel on level road again
(judgement: half a swing of 0.9 Hz)."""
LEFT_OVER_RATIO = 0.08
"""What of the swing the road may add. On rough roads the wheel never rests, and a damper whose force isn't straight
damps a slow swing less then: on class C by a quarter (shared/PUSH_TEST.md). Such bumps would pass for a loss."""
STANDS_MPS = 1.0
"""A vehicle slower than this is pushed by people and not by the road."""


@dataclass(frozen=True, slots=True)
class BumpDecay:
    """The free decay after one bump. time_ns: where it starts. bump_m: how far the shaft was from rest. body_c: body
    of the damper, None: unknown."""

    position: str
    unit_id: str
    time_ns: int
    bump_m: float
    body_c: float | None
    decay: Decay


@dataclass(frozen=True, slots=True)
class _Second:
    """A tile of one damper as it is kept. travel_m: (values,) means of about 10 ms."""

    start_ns: int
    travel_m: Floats
    noise_m: float


class BumpFinder:
    """Follows the dampers of a vehicle that have a travel sensor of their own, a tile at a time."""

    def __init__(self, vehicle: Vehicle) -> None:
        self._dampers = vehicle.dampers
        self._least_m = [BUMP_STROKE_RATIO * vehicle.profile_of(damper).stroke_m for damper in vehicle.dampers]
        self._kept: list[deque[_Second]] = [deque(maxlen=TILES) for _ in vehicle.dampers]
        self._after: tuple[int, int] | None = None
        self._units: tuple[str, ...] = ()

    def take(self, tile: PreparedTile, units: tuple[str, ...]) -> list[BumpDecay]:
        """Take the next tile; return the bumps that are over with it.

        units: unit_id in each damper's place.
        """
        stands = tile.vehicle_mps is not None and tile.vehicle_mps < STANDS_MPS
        if self._after != (tile.epoch, tile.start_index) or units != self._units or stands:
            self.reset()
        self._after, self._units = (tile.epoch, tile.start_index + tile.n), units
        if stands:
            return []
        found = []
        for row, damper in enumerate(self._dampers):
            kept = self._kept[row]
            if damper.travel_from is not None or not tile.has_sensor[row] or not tile.valid[row].all():
                kept.clear()
                continue
            kept.append(_reduce(tile, row))
            if len(kept) < TILES:
                continue
            decay = self._judge(row)
            if decay is not None:
                body_c = float(tile.body_c[row])
                place = damper.position, units[row]
                found.append(BumpDecay(*place, *decay[:2], None if math.isnan(body_c) else body_c, decay[2]))
        return found

    def reset(self) -> None:
        """Forget what was kept: what comes next doesn't follow it."""
        for kept in self._kept:
            kept.clear()

    def _judge(self, row: int) -> tuple[int, float, Decay] | None:
        """Return start [ns], distance from rest [m] and decay of a bump in the second tile kept, None without one."""
        seconds = self._kept[row]
        travel_m, n = np.concatenate([second.travel_m for second in seconds]), len(seconds[1].travel_m)
        rate_hz = float(n)
        first = len(seconds[0].travel_m)
        place = first + int(np.argmax(np.abs(travel_m[first : first + n] - _rest(travel_m, first, rate_hz))))
        quiet = travel_m[place : place + round(QUIET_S * rate_hz)]
        rest_m = float(np.mean(quiet[-round(REST_S * rate_hz) :]))
        away = travel_m - rest_m
        around = np.abs(away[place - min(place, round(BEFORE_S * rate_hz)) : place + len(quiet)])
        if abs(away[place]) < self._least_m[row] or abs(away[place]) < float(around.max()):
            return None
        low, high = (round(s * rate_hz) for s in TURN_S)
        turn = int(np.argmax(quiet[low:high] * -math.copysign(1.0, away[place])))
        if turn in (0, high - low - 1):
            return None
        # Always as many values: what a fit begins with is made ready once for each length.
        swing = quiet[low + turn :][: round((QUIET_S - TURN_S[1]) * rate_hz)]
        decay = fit_free_decay(swing, rate_hz, max(second.noise_m for second in seconds))
        if not isinstance(decay, Decay) or decay.left_over_ratio > LEFT_OVER_RATIO:
            return None
        start = place + low + turn - first
        return seconds[1].start_ns + round(start * 1e9 / rate_hz), abs(float(away[place])), decay


def _rest(travel_m: Floats, first: int, rate_hz: float) -> float:
    """Return where travel rests after the tile that begins at `first`, roughly."""
    return float(np.mean(travel_m[first + round(1.5 * rate_hz) :]))


def _reduce(tile: PreparedTile, row: int) -> _Second:
    """Return a damper's tile as means of about 10 ms; slower samples stay as they are."""
    block = max(1, tile.n // FIT_HZ)
    count = tile.n // block
    travel_m = tile.travel_m[row, : count * block].astype(np.float64).reshape(count, block).mean(axis=1)
    return _Second(tile.start_ns, travel_m, float(tile.noise_m[row]) / math.sqrt(block))
