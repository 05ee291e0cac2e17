"""Damping force of a profile at shaft speed, travel and body temperature."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Profile
from dutylog.duty.speed_cells import CELLS, CELLS_PER_MPS, STANDING_CELL, Cells, Speeds, find_cells

Array = NDArray[np.float64]

# Far points that carry the end slopes, so that one np.interp serves inside and outside the curve.
_FAR_MPS = 1000.0
# A point of a curve this close to the end of a cell, in cells, is on it: 0.3 m/s isn't exact in binary.
_ON_GRID = 1e-9


class ForceTable:
    """A profile's force, ready for whole arrays.

    Source: DESIGN of the contract in shared/CONVENTIONS.md: linear between points, end slopes
    extended; several curves are linear in travel at constant speed and held outside.
    """

    def __init__(self, profile: Profile) -> None:
        self._curves = [_Curve(at.curve.speeds_mps, at.curve.forces_n) for at in profile.force]
        self._travels_m = np.array([at.travel_m for at in profile.force])
        self._fade_per_k = profile.fade_per_k
        self._reference_c = profile.reference_c

    def compute_force_n(self, speed_mps: Speeds, travel_m: Speeds, cells: Cells | None = None) -> Array:
        """Return the force [N] without fade, same shape as speed_mps [m/s]; travel_m in metres.

        cells: those of the speeds (`find_cells`), where the caller has them.
        """
        if cells is None:
            cells = find_cells(speed_mps)
        forces = [curve.compute_force_n(speed_mps, cells) for curve in self._curves]
        if len(forces) == 1:
            return forces[0]
        travel = np.clip(travel_m, self._travels_m[0], self._travels_m[-1])
        piece = np.clip(np.searchsorted(self._travels_m, travel, side="right") - 1, 0, len(forces) - 2)
        low_m = self._travels_m[piece]
        share: Array = (travel - low_m) / (self._travels_m[piece + 1] - low_m)
        stacked = np.stack(forces)
        sample = np.arange(len(speed_mps))
        below: Array = stacked[piece, sample]
        force: Array = below + share * (stacked[piece + 1, sample] - below)
        return force

    def compute_fade_ratio(self, body_c: Array) -> Array:
        """Return the factor by body temperature [degC]; unknown temperature (NaN) doesn't fade."""
        over_k = np.maximum(0.0, np.nan_to_num(body_c, nan=self._reference_c) - self._reference_c)
        ratio: Array = np.maximum(0.0, 1.0 - self._fade_per_k * over_k)
        return ratio


class _Curve:
    """One force curve as a straight line for each cell of speed.

    Searching the piece of a curve costs a sample three times as much as looking up its cell. Cells that
    hold a point of the curve between their ends aren't straight; the few samples in them are searched.
    """

    def __init__(self, speeds_mps: tuple[float, ...], forces_n: tuple[float, ...]) -> None:
        self._speeds_mps, self._forces_n = _extend(speeds_mps, forces_n)
        slopes = np.diff(self._forces_n) / np.diff(self._speeds_mps)
        middles_mps = (np.arange(CELLS) - STANDING_CELL + 0.5) / CELLS_PER_MPS
        piece = np.searchsorted(self._speeds_mps, middles_mps, side="right") - 1
        self._slope_nspm = slopes[piece]
        self._start_n = self._forces_n[piece] - slopes[piece] * self._speeds_mps[piece]
        place = np.array(speeds_mps) * CELLS_PER_MPS + STANDING_CELL
        off_grid = place[np.abs(place - np.rint(place)) > _ON_GRID]
        beyond = place[(place < 1) | (place > CELLS - 1)]
        crooked = np.clip(np.concatenate([off_grid, beyond]), 0, CELLS - 1).astype(np.intp)
        self._crooked: NDArray[np.bool_] | None = None
        if len(crooked):
            self._crooked = np.zeros(CELLS, dtype=np.bool_)
            self._crooked[crooked] = True

    def compute_force_n(self, speed_mps: Speeds, cells: Cells) -> Array:
        """Return the force [N] at speeds (n,) [m/s] and their cells."""
        force = self._slope_nspm[cells]
        force *= speed_mps
        force += self._start_n[cells]
        if self._crooked is not None:
            here = np.flatnonzero(self._crooked[cells])
            force[here] = np.interp(speed_mps[here], self._speeds_mps, self._forces_n)
        return force


def _extend(speeds_mps: tuple[float, ...], forces_n: tuple[float, ...]) -> tuple[Array, Array]:
    speeds, forces = np.array(speeds_mps), np.array(forces_n)
    first = forces[0] - (speeds[0] + _FAR_MPS) * (forces[1] - forces[0]) / (speeds[1] - speeds[0])
    last = forces[-1] + (_FAR_MPS - speeds[-1]) * (forces[-1] - forces[-2]) / (speeds[-1] - speeds[-2])
    return (
        np.concatenate([[-_FAR_MPS], speeds, [_FAR_MPS]]),
        np.concatenate([[first], forces, [last]]),
    )
