"""Damping force of a profile at shaft speed, travel and body temperature."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Profile

Array = NDArray[np.float64]

# Far points that carry the end slopes, so that one np.interp serves inside and outside the curve.
_FAR_MPS = 1000.0


class ForceTable:
    """A profile's force, ready for whole arrays.

    Source: DESIGN of the contract in shared/CONVENTIONS.md: linear between points, end slopes
    extended; several curves are linear in travel at constant speed and held outside.
    """

    def __init__(self, profile: Profile) -> None:
        self._curves = [_extend(at.curve.speeds_mps, at.curve.forces_n) for at in profile.force]
        self._travels_m = np.array([at.travel_m for at in profile.force])
        self._fade_per_k = profile.fade_per_k
        self._reference_c = profile.reference_c

    def compute_force_n(self, speed_mps: Array, travel_m: Array) -> Array:
        """Return the force [N] without fade, same shape as speed_mps [m/s]; travel_m in metres."""
        forces = [np.interp(speed_mps, speeds, values) for speeds, values in self._curves]
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


def _extend(speeds_mps: tuple[float, ...], forces_n: tuple[float, ...]) -> tuple[Array, Array]:
    speeds, forces = np.array(speeds_mps), np.array(forces_n)
    first = forces[0] - (speeds[0] + _FAR_MPS) * (forces[1] - forces[0]) / (speeds[1] - speeds[0])
    last = forces[-1] + (_FAR_MPS - speeds[-1]) * (forces[-1] - forces[-2]) / (speeds[-1] - speeds[-2])
    return (
        np.concatenate([[-_FAR_MPS], speeds, [_FAR_MPS]]),
        np.concatenate([[first], forces, [last]]),
    )
