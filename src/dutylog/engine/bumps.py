"""Single bumps while driving: a big stroke, then two quiet seconds, in which the body swings freely.

What they say of damping is the second witness of its loss (heat/decay_witness.py). Reads prepared tiles, a mean of ten
milliseconds at a time; keeps some seconds of each damper and nothing over a restart: what swings just then is lost.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterator
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
    """A tile as it is kept. travel_m: (dampers, values), means of about 10 ms. noise_m: of each damper's values."""

    start_ns: int
    travel_m: Floats
    noise_m: list[float]


class BumpFinder:
    """Follows the dampers of a vehicle that have a travel sensor of their own, a tile at a time."""

    def __init__(self, vehicle: Vehicle) -> None:
        self._dampers = vehicle.dampers
        self._least_m = [BUMP_STROKE_RATIO * vehicle.profile_of(damper).stroke_m for damper in vehicle.dampers]
        self._kept: deque[_Second] = deque(maxlen=TILES)
        # Of each damper, how many of the tiles kept last were whole.
        self._whole = [0] * len(vehicle.dampers)
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
        self._kept.append(_reduce(tile))
        # Without a reason all that a sensor gave is valid.
        is_whole = tile.has_sensor if tile.reason is None else tuple(bool(row.all()) for row in tile.valid)
        for row, damper in enumerate(self._dampers):
            is_kept = is_whole[row] and tile.has_sensor[row] and damper.travel_from is None
            self._whole[row] = self._whole[row] + 1 if is_kept else 0
        found = []
        for row, start_ns, bump_m, decay in self._judge():
            body_c = float(tile.body_c[row])
            place = self._dampers[row].position, units[row], start_ns, bump_m
            found.append(BumpDecay(*place, None if math.isnan(body_c) else body_c, decay))
        return found

    def reset(self) -> None:
        """Forget what was kept: what comes next doesn't follow it."""
        self._kept.clear()
        self._whole = [0] * len(self._dampers)

    def _judge(self) -> Iterator[tuple[int, int, float, Decay]]:
        """Yield damper, start [ns], distance from rest [m] and decay of each bump in the second tile kept."""
        rows = [row for row, whole in enumerate(self._whole) if whole >= TILES]
        if not rows:
            return
        seconds = self._kept
        travel_m = np.concatenate([second.travel_m for second in seconds], axis=1)
        first, n = (second.travel_m.shape[1] for second in (seconds[0], seconds[1]))
        rate_hz = float(n)
        # Where it rests after the second tile, roughly.
        rest_m = travel_m[:, first + round(1.5 * rate_hz) :].mean(axis=1, keepdims=True)
        places = np.abs(travel_m[:, first : first + n] - rest_m).argmax(axis=1).tolist()
        for row in rows:
            swing = _find_swing(travel_m[row], first + places[row], rate_hz, self._least_m[row])
            if swing is None:
                continue
            noise_m = max(second.noise_m[row] for second in seconds)
            decay = fit_free_decay(swing.travel_m, rate_hz, noise_m, LEFT_OVER_RATIO)
            if isinstance(decay, Decay):
                start_ns = seconds[1].start_ns + round((swing.start - first) * 1e9 / rate_hz)
                yield row, start_ns, swing.bump_m, decay


@dataclass(frozen=True, slots=True)
class _Swing:
    """What follows a bump. start: of travel_m in what was given. bump_m: how far the shaft was from rest."""

    start: int
    travel_m: Floats
    bump_m: float


def _find_swing(travel_m: Floats, place: int, rate_hz: float, least_m: float) -> _Swing | None:
    """Return the swing after a bump at `place`, None where travel isn't farthest from rest there."""
    quiet = travel_m[place : place + round(QUIET_S * rate_hz)]
    around = travel_m[place - min(place, round(BEFORE_S * rate_hz)) : place + len(quiet)]
    here_m = float(travel_m[place])
    high_m, low_m = float(around[around.argmax()]), float(around[around.argmin()])
    if low_m < here_m < high_m:
        return None  # whatever the rest is
    rest_m = float(np.mean(quiet[-round(REST_S * rate_hz) :]))
    away_m = here_m - rest_m
    if abs(away_m) < max(least_m, high_m - rest_m, rest_m - low_m):
        return None
    low, high = (round(s * rate_hz) for s in TURN_S)
    turns = quiet[low:high]
    turn = int(turns.argmin() if away_m > 0.0 else turns.argmax())
    if turn in (0, high - low - 1):
        return None
    start = low + turn
    # Always as many values: what a fit begins with is made ready once for each length.
    return _Swing(place + start, quiet[start:][: round((QUIET_S - TURN_S[1]) * rate_hz)], abs(away_m))


def _reduce(tile: PreparedTile) -> _Second:
    """Return a tile as means of about 10 ms; slower samples stay as they are."""
    block = max(1, tile.n // FIT_HZ)
    count = tile.n // block
    samples_m = tile.travel_m[:, : count * block].astype(np.float64).reshape(-1, count, block)
    # A product with equal weights: a mean along so short an axis costs three times as much.
    noise_m = (tile.noise_m / math.sqrt(block)).tolist()
    return _Second(tile.start_ns, samples_m @ np.full(block, 1.0 / block), noise_m)
