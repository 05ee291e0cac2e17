"""Damping force of a profile at shaft speed, travel and body temperature."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import DTypeLike, NDArray

from dutylog.domain.vehicle import Profile
from dutylog.duty.speed_cells import CELLS, CELLS_PER_MPS, STANDING_CELL, Cells, Speeds, find_cells

Array = NDArray[np.float64]
Singles = NDArray[np.float32]
Forces = Singles | Array
Places = NDArray[np.intp]

# Far points that carry the end slopes, so that one np.interp serves inside and outside the curve.
_FAR_MPS = 1000.0
# A point of a curve this close to the end of a cell, in cells, is on it: 0.3 m/s isn't exact in binary.
_ON_GRID = 1e-9
_MIDDLES_MPS = (np.arange(CELLS) - STANDING_CELL + 0.5) / CELLS_PER_MPS


class ForceTable:
    """A profile's force, ready for whole arrays.

    Source: DESIGN of the contract in shared/CONVENTIONS.md: linear between points, end slopes
    extended; several curves are linear in travel at constant speed and held outside.
    """

    def __init__(self, profile: Profile, kind: DTypeLike = np.float64) -> None:
        """kind: of float, in which forces of speeds of that kind are worked out."""
        self._curves = [_Curve(at.curve.speeds_mps, at.curve.forces_n) for at in profile.force]
        # Cells of one curve behind those of the other, so that curve and cell are one index.
        self._slopes_nspm: Forces = np.concatenate([curve.slopes_nspm for curve in self._curves]).astype(kind)
        self._starts_n: Forces = np.concatenate([curve.starts_n for curve in self._curves]).astype(kind)
        crooked = np.any([curve.is_crooked for curve in self._curves], axis=0)
        self._is_crooked = crooked if crooked.any() else None
        self._travels_m: Forces = np.array([at.travel_m for at in profile.force], dtype=kind)
        self._fade_per_k = profile.fade_per_k
        self._reference_c = profile.reference_c

    def compute_force_n(self, speed_mps: Speeds, travel_m: Speeds, cells: Cells | None = None) -> Forces:
        """Return the force [N] without fade, same shape as speed_mps [m/s]; travel_m in metres.

        cells: those of the speeds (`find_cells`), where the caller has them.
        """
        if cells is None:
            cells = find_cells(speed_mps)
        places = cells.astype(np.intp)
        force = self._compute_straight_n(speed_mps, travel_m, places)
        if self._is_crooked is not None:
            here = np.flatnonzero(self._is_crooked.take(places, mode="clip"))
            force[here] = self._search_n(speed_mps[here], travel_m[here])
        return force

    def _compute_straight_n(self, speed_mps: Speeds, travel_m: Speeds, places: Places) -> Forces:
        if len(self._curves) == 1:
            return self._look_up_n(speed_mps, places)
        piece, share = self._find_piece(travel_m)
        piece *= CELLS
        piece += places
        force = self._look_up_n(speed_mps, piece)
        piece += CELLS
        above = self._look_up_n(speed_mps, piece)
        above -= force
        above *= share
        force += above
        return force

    def _look_up_n(self, speed_mps: Speeds, places: Places) -> Forces:
        # All places are within the tables; "clip" merely spares looking for others.
        force: Forces = self._slopes_nspm.take(places, mode="clip")
        force *= speed_mps
        force += self._starts_n.take(places, mode="clip")
        return force

    def _search_n(self, speed_mps: Speeds, travel_m: Speeds) -> Array:
        forces = np.array([curve.search_n(speed_mps) for curve in self._curves])
        if len(forces) == 1:
            return np.asarray(forces[0])
        piece, share = self._find_piece(travel_m)
        sample = np.arange(len(speed_mps))
        below = forces[piece, sample]
        return np.asarray(below + share * (forces[piece + 1, sample] - below))

    def _find_piece(self, travel_m: Speeds) -> tuple[Places, Forces]:
        """Return between which curves each travel lies, and how far on the way from the lower one (0..1)."""
        piece = np.zeros(len(travel_m), dtype=np.intp)
        for inner_m in self._travels_m[1:-1]:
            piece += travel_m >= inner_m
        share = travel_m - self._travels_m.take(piece, mode="clip")
        share /= np.diff(self._travels_m).take(piece, mode="clip")
        return piece, np.clip(share, 0.0, 1.0, out=share)

    def compute_fade_ratio(self, body_c: Array) -> Array:
        """Return the factor by body temperature [degC]; unknown temperature (NaN) doesn't fade."""
        return _compute_fade_ratio(body_c, self._reference_c, self._fade_per_k)


class ForceTables:
    """The forces of the profiles of several dampers at once, in single precision.

    Each value is the same to the bit as that of `ForceTable(profile, np.float32)`. Beside double precision a
    drive's energies differ by 3e-8 at most. Measured on ten recordings and 24 simulated drives.
    """

    def __init__(self, profiles: Sequence[Profile]) -> None:
        """profiles: of each damper."""
        tables = {profile: ForceTable(profile, np.float32) for profile in profiles}
        self._tables = [tables[profile] for profile in profiles]
        self._fade_per_k = np.array([[profile.fade_per_k] for profile in profiles])
        self._reference_c = np.array([[profile.reference_c] for profile in profiles])

    def compute_force_n(self, speed_mps: Singles, travel_m: Singles, cells: Cells) -> Singles:
        """Return the force [N] without fade; all (dampers, n), cells those of the speeds (`find_cells`)."""
        force = np.empty_like(speed_mps)
        for row, table in enumerate(self._tables):
            force[row] = table.compute_force_n(speed_mps[row], travel_m[row], cells[row])
        return force

    def compute_fade_ratio(self, body_c: Array) -> Array:
        """Return the factor by body temperature [degC], (dampers, tiles) both, as `ForceTable.compute_fade_ratio`."""
        return _compute_fade_ratio(body_c, self._reference_c, self._fade_per_k)


def _compute_fade_ratio(body_c: Array, reference_c: float | Array, fade_per_k: float | Array) -> Array:
    over_k = np.fmax(0.0, body_c - reference_c)  # of NaN and 0, fmax takes 0
    ratio: Array = np.maximum(0.0, 1.0 - fade_per_k * over_k)
    return ratio


class _Curve:
    """One force curve as a straight line for each cell of speed.

    Searching the piece of a curve costs a sample three times as much as looking up its cell. Cells that
    hold a point of the curve between their ends aren't straight; the few samples in them are searched.
    """

    def __init__(self, speeds_mps: tuple[float, ...], forces_n: tuple[float, ...]) -> None:
        self._speeds_mps, self._forces_n = _extend(speeds_mps, forces_n)
        slopes = np.diff(self._forces_n) / np.diff(self._speeds_mps)
        # How many cells have their middle in each piece.
        cells = np.diff(np.searchsorted(_MIDDLES_MPS, self._speeds_mps))
        self.slopes_nspm = np.repeat(slopes, cells)
        self.starts_n = np.repeat(self._forces_n[:-1] - slopes * self._speeds_mps[:-1], cells)
        place = np.array(speeds_mps) * CELLS_PER_MPS + STANDING_CELL
        off_grid = place[np.abs(place - np.rint(place)) > _ON_GRID]
        beyond = place[(place < 1) | (place > CELLS - 1)]
        self.is_crooked = np.zeros(CELLS, dtype=np.bool_)
        self.is_crooked[np.clip(np.concatenate([off_grid, beyond]), 0, CELLS - 1).astype(np.intp)] = True

    def search_n(self, speed_mps: Speeds) -> Array:
        """Return the force [N] at speeds [m/s], the piece of the curve searched for each."""
        return np.asarray(np.interp(speed_mps, self._speeds_mps, self._forces_n))


def _extend(speeds_mps: tuple[float, ...], forces_n: tuple[float, ...]) -> tuple[Array, Array]:
    speeds, forces = np.array(speeds_mps), np.array(forces_n)
    first = forces[0] - (speeds[0] + _FAR_MPS) * (forces[1] - forces[0]) / (speeds[1] - speeds[0])
    last = forces[-1] + (_FAR_MPS - speeds[-1]) * (forces[-1] - forces[-2]) / (speeds[-1] - speeds[-2])
    return (
        np.concatenate([[-_FAR_MPS], speeds, [_FAR_MPS]]),
        np.concatenate([[first], forces, [last]]),
    )
