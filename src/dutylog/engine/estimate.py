"""An estimate of the heat in time that wasn't measured. Shown beside the measured, never added to it.

In order, tile by tile (a second): what the other dampers turned to heat meanwhile, times this one's
ratio to each of them within ten seconds (over the recording where they have no common time there);
where none of them was measured, its own mean power within ten seconds; beyond that its mean power in
motion, if the vehicle moved. The ratio is taken nearby because it goes with the speed: on corrugations
front and rear resonate at different ones. How well that does on recordings
of which the whole truth is known: shared/INTEGRATE.md.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.engine.place import TileGain

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

NEAR_TILES = 10
"""Own mean power is taken from so many tiles before and after. Judgement."""
MOST_LOST = 0.5
"""A tile of which more than this share is lost tells no power. Judgement."""
LEAST_J, LEAST_S = 1.0, 0.001
"""Less heat or time nearby tells nothing: a ratio of rests, or what rounding leaves of running sums. Judgement."""


@dataclass(frozen=True, slots=True)
class Estimate:
    """Heat in unmeasured time. energy_j: None where nothing tells it. basis: None where all was measured."""

    energy_j: float | None
    basis: str | None


class UnmeasuredEnergy:
    """Gathers energy and time of each tile; 12 bytes for each damper and second."""

    def __init__(self, dampers: int) -> None:
        self._dampers = dampers
        self._energy_j, self._measured_us, self._lost_us = array("f"), array("I"), array("I")
        self._moving = bytearray()
        self._units: tuple[str, ...] | None = None
        self._since = [0] * dampers

    def note(self, energy_uj: Sequence[float], gains: Sequence[TileGain], moving: bool, units: tuple[str, ...]) -> None:
        """Take a tile. energy_uj: of each damper. units: who sits in each place; a new one starts anew."""
        if units != self._units:
            known = units if self._units is None else self._units
            for row, (old, new) in enumerate(zip(known, units, strict=True)):
                if old != new:
                    self._since[row] = len(self._moving)
            self._units = units
        self._energy_j.extend([one_uj * 1e-6 for one_uj in energy_uj])
        self._measured_us.extend([gain.measured_us for gain in gains])
        self._lost_us.extend([gain.unmeasured_us for gain in gains])
        self._moving.append(moving)

    def estimate(self) -> list[Estimate]:
        """Return the estimate for each damper."""
        shape = (-1, self._dampers)
        energy_j, measured_s, lost_s = (
            np.array(values, dtype=np.float64).reshape(shape) * unit
            for values, unit in ((self._energy_j, 1.0), (self._measured_us, 1e-6), (self._lost_us, 1e-6))
        )
        moving = np.frombuffer(self._moving, dtype=np.uint8) > 0
        return [self._estimate(row, energy_j, measured_s, lost_s, moving) for row in range(self._dampers)]

    def _estimate(self, row: int, energy_j: Floats, measured_s: Floats, lost_s: Floats, moving: Mask) -> Estimate:
        own = slice(self._since[row], None)
        energy_j, measured_s, lost_s, moving = energy_j[own], measured_s[own], lost_s[own], moving[own]
        need = np.flatnonzero(lost_s[:, row] > 0)
        if not len(need):
            return Estimate(0.0, None)
        if not measured_s[:, row].any():
            return Estimate(None, "nothing of it was measured")
        ways = (
            ("other dampers", _power_of_others_w(row, energy_j, measured_s, lost_s)),
            (f"own mean within {NEAR_TILES} s", _mean_power_near_w(energy_j[:, row], measured_s[:, row])),
            ("own mean in motion", _mean_power_moving_w(energy_j[:, row], measured_s[:, row], moving)),
        )
        sum_j, parts, left_s = 0.0, [], lost_s[need, row]
        for name, power_w in ways:
            use = (left_s > 0) & np.isfinite(power_w[need])
            if use.any():
                sum_j += float(np.sum(power_w[need][use] * left_s[use]))
                parts.append(f"{name} {float(left_s[use].sum()):.1f} s")
                left_s = np.where(use, 0.0, left_s)
        if left_s.any():
            parts.append(f"nothing known of {float(left_s.sum()):.1f} s, taken as standing")
        return Estimate(sum_j, ", ".join(parts))


def _power_of_others_w(row: int, energy_j: Floats, measured_s: Floats, lost_s: Floats) -> Floats:
    """Return for each tile the mean over the other dampers of their power times this one's ratio to each."""
    whole = lost_s == 0
    power_w = np.full(energy_j.shape, np.nan)
    tells = (lost_s < MOST_LOST * (measured_s + lost_s)) & (measured_s > 0)
    for other in range(energy_j.shape[1]):
        if other != row:
            common = whole[:, row] & whole[:, other]
            ratio = _ratio_near(energy_j[:, row] * common, energy_j[:, other] * common)
            told = tells[:, other]
            power_w[told, other] = ratio[told] * energy_j[told, other] / measured_s[told, other]
    number = np.isfinite(power_w).sum(axis=1)
    mean_w: Floats = np.where(number > 0, np.nansum(power_w, axis=1) / np.maximum(number, 1), np.nan)
    return mean_w


def _ratio_near(mine_j: Floats, theirs_j: Floats) -> Floats:
    """Return mine over theirs within NEAR_TILES of each tile, that of the recording where nothing is known there."""
    overall = float(mine_j.sum() / theirs_j.sum()) if theirs_j.sum() > 0 else np.nan
    mine_near_j, theirs_near_j = _sum_near(mine_j), _sum_near(theirs_j)
    known = theirs_near_j > LEAST_J
    ratio: Floats = np.where(known, mine_near_j / np.where(known, theirs_near_j, 1.0), overall)
    return ratio


def _mean_power_near_w(energy_j: Floats, measured_s: Floats) -> Floats:
    """Return the mean power within NEAR_TILES of each tile, NaN where nothing was measured there."""
    near_j, near_s = _sum_near(energy_j), _sum_near(measured_s)
    known = near_s > LEAST_S
    return np.where(known, near_j / np.where(known, near_s, 1.0), np.nan)


def _sum_near(values: Floats) -> Floats:
    """Return the sum within NEAR_TILES of each tile."""
    tiles = np.arange(len(values))
    total = np.concatenate([[0.0], np.cumsum(values)])
    near: Floats = total[np.minimum(tiles + NEAR_TILES + 1, len(tiles))] - total[np.maximum(tiles - NEAR_TILES, 0)]
    return near


def _mean_power_moving_w(energy_j: Floats, measured_s: Floats, moving: Mask) -> Floats:
    """Return the mean power in motion where the vehicle moves, else NaN."""
    time_s = float(measured_s[moving].sum())
    mean_w = float(energy_j[moving].sum()) / time_s if time_s > 0 else np.nan
    return np.where(moving, mean_w, np.nan)
