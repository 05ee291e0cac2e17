"""Roads as elevation over distance: ISO 8608 roughness, washboard, bumps, jumps.

A road gives two tracks, left and right. The wheels of the rear axle meet what the front ones met,
later by the wheelbase; that is done by `RoadBelt`, which holds the whole lap of a scenario.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from dutylog.errors import InputError

Floats = NDArray[np.float64]

REFERENCE_CYCLES_PER_M = 0.1
"""n0 of ISO 8608, the spatial frequency at which a class is stated."""

GRID_STEP_M = 0.05
"""Spacing of stored roads: five points in the shortest wave that a tyre still follows."""

ROAD_CLASSES = "ABCDEFGH"


class Road(Protocol):
    """Something that has an elevation over distance."""

    def elevation_m(self, points: int, step_m: float, rng: np.random.Generator) -> Floats:
        """Return (2, points) elevation [m] of the left and right track on a grid of `step_m`."""
        ...


def class_psd_m3(road_class: str) -> float:
    """Return the geometric mean Gd(n0) [m3] of an ISO 8608 class.

    Args:
        road_class: one letter, A to H.
    Raises:
        InputError: another letter.
    Source:
        ISO 8608:2016 classification, from memory; 16e-6 m3 for A, each class four times the one before.
    """
    if len(road_class) != 1 or road_class not in ROAD_CLASSES:
        raise InputError(f"road class {road_class!r}, expected one letter of A to H")
    return float(16e-6 * 4.0 ** ROAD_CLASSES.index(road_class))


def synthesise_m(
    psd_n0_m3: float,
    points: int,
    step_m: float,
    band_cpm: tuple[float, float],
    phases: NDArray[np.float64],
) -> Floats:
    """Return one track of random road with waviness 2, periodic over its length.

    Args:
        psd_n0_m3: one-sided Gd(n0) [m3] at n0 = 0.1 cycles/m.
        points, step_m: grid; the length is their product.
        band_cpm: lowest and highest spatial frequency [cycles/m], both kept.
        phases: [rad], one for each component of the grid 1/length inside the band, rising.
    Returns:
        (points,) elevation [m]; its rms is sqrt(sum Gd(n_i) dn) whatever the phases.
    Raises:
        InputError: the band has no component below the grid's own limit, or the phases don't match.
    Source:
        Sum of cosines, z = sum sqrt(2 Gd(n_i) dn) cos(2 pi n_i x + phi_i), evaluated by an inverse
        Fourier transform; test_roads.py::test_class_d_profile_is_the_reference_one.
    """
    first, last = band_components(points, step_m, band_cpm)
    if last < first or len(phases) != last - first + 1:
        raise InputError(f"road of {points} points has components {first}..{last}, {len(phases)} phases were given")
    spacing_cpm = 1.0 / (points * step_m)
    cycles_per_m = np.arange(first, last + 1) * spacing_cpm
    amplitude_m = np.sqrt(2.0 * psd_n0_m3 * spacing_cpm) * REFERENCE_CYCLES_PER_M / cycles_per_m
    spectrum = np.zeros(points // 2 + 1, dtype=np.complex128)
    spectrum[first : last + 1] = 0.5 * points * amplitude_m * np.exp(1j * phases)
    return np.fft.irfft(spectrum, points)


def band_components(points: int, step_m: float, band_cpm: tuple[float, float]) -> tuple[int, int]:
    """Return the first and last component number of the grid that lie in a band [cycles/m]."""
    length_m = points * step_m
    first = max(1, int(np.ceil(band_cpm[0] * length_m - 1e-9)))
    last = min((points - 1) // 2, int(np.floor(band_cpm[1] * length_m + 1e-9)))
    return first, last


@dataclass(frozen=True, slots=True)
class RoughRoad:
    """Stationary roughness of an ISO 8608 class.

    scale: factor on the elevation. common_ratio: share of the variance that both tracks have in
    common, the rest is independent (0.55 is a judgement). band_cpm: [cycles/m]; 0.05 is the lower
    end the standard gives for off-road use; above 4 a contact patch of a quarter metre evens the
    road out (judgement).
    """

    road_class: str
    scale: float = 1.0
    common_ratio: float = 0.55
    band_cpm: tuple[float, float] = (0.05, 4.0)

    def elevation_m(self, points: int, step_m: float, rng: np.random.Generator) -> Floats:
        """Return (2, points) elevation [m]; a road shorter than its longest wave is level."""
        first, last = band_components(points, step_m, self.band_cpm)
        if last < first:
            return np.zeros((2, points))
        psd_m3 = class_psd_m3(self.road_class) * self.scale**2
        common, left, right = (
            synthesise_m(psd_m3, points, step_m, self.band_cpm, rng.uniform(0.0, 2.0 * np.pi, last - first + 1))
            for _ in range(3)
        )
        share, rest = np.sqrt(self.common_ratio), np.sqrt(1.0 - self.common_ratio)
        return np.stack((share * common + rest * left, share * common + rest * right))


@dataclass(frozen=True, slots=True)
class Corrugation:
    """Washboard: harmonic across the whole width, the right track shifted by `side_shift_m`."""

    height_m: float
    wavelength_m: float
    side_shift_m: float = 0.0

    def elevation_m(self, points: int, step_m: float, rng: np.random.Generator) -> Floats:
        """Return (2, points) elevation [m], crest to trough `height_m`, starting at a random phase."""
        start = rng.uniform(0.0, 2.0 * np.pi)
        distance_m = np.arange(points) * step_m + np.array([[0.0], [self.side_shift_m]])
        return np.asarray(0.5 * self.height_m * np.cos(2.0 * np.pi * distance_m / self.wavelength_m + start))


@dataclass(frozen=True, slots=True)
class Bumps:
    """Single bumps, h * sin^2 over their length, about `spacing_m` apart, half of them on one track only."""

    spacing_m: float
    height_m: float
    length_m: float

    def elevation_m(self, points: int, step_m: float, rng: np.random.Generator) -> Floats:
        """Return (2, points) elevation [m]; heights are spread between 60 and 100 % of `height_m`."""
        elevation_m = np.zeros((2, points))
        shape = np.sin(np.pi * np.arange(0.0, self.length_m, step_m) / self.length_m) ** 2
        for start in _spread_starts(points, step_m, self.spacing_m, len(shape), rng):
            bump_m = rng.uniform(0.6, 1.0) * self.height_m * shape
            which = int(rng.integers(0, 4))  # 0 left, 1 right, 2 and 3 both
            tracks = slice(which, which + 1) if which < 2 else slice(0, 2)
            elevation_m[tracks, start : start + len(shape)] += bump_m
        return elevation_m


@dataclass(frozen=True, slots=True)
class Jumps:
    """A ramp up over `ramp_m` that ends in a drop over `drop_m`: the wheels leave the ground at speed."""

    spacing_m: float
    height_m: float
    ramp_m: float
    drop_m: float

    def elevation_m(self, points: int, step_m: float, rng: np.random.Generator) -> Floats:
        """Return (2, points) elevation [m], the same on both tracks."""
        up = 0.5 - 0.5 * np.cos(np.pi * np.arange(0.0, self.ramp_m, step_m) / self.ramp_m)
        down = 0.5 + 0.5 * np.cos(np.pi * np.arange(0.0, self.drop_m, step_m) / self.drop_m)
        shape = self.height_m * np.concatenate((up, down))
        elevation_m = np.zeros((2, points))
        for start in _spread_starts(points, step_m, self.spacing_m, len(shape), rng):
            elevation_m[:, start : start + len(shape)] += shape
        return elevation_m


def _spread_starts(
    points: int, step_m: float, spacing_m: float, shape_points: int, rng: np.random.Generator
) -> list[int]:
    """Return grid points at which single obstacles begin: one in each `spacing_m`, never overlapping."""
    cell = max(int(spacing_m / step_m), shape_points + 1)
    return [
        cell * number + int(rng.integers(0, cell - shape_points))
        for number in range(points // cell)
        if cell * (number + 1) <= points
    ]


@dataclass(frozen=True, slots=True)
class RoadBelt:
    """One lap of road, repeated for ever: elevation[realisation, track, point] on a grid of `step_m`."""

    step_m: float
    elevation: Floats

    def heights_m(self, distance_m: Floats, tracks: NDArray[np.intp], lags_m: Floats) -> Floats:
        """Return the road under every wheel.

        Args:
            distance_m: (n,) distance of the front axle [m].
            tracks: (wheels,) 0 left, 1 right. lags_m: (wheels,) distance behind the front axle [m].
        Returns:
            (n, realisations, wheels) elevation [m], linear between grid points; level before the start.
        """
        points = self.elevation.shape[2]
        position = (distance_m[:, None] - lags_m) / self.step_m
        lower = np.floor(position)
        weight = (position - lower)[:, None, :]
        index = lower.astype(np.intp)
        flat = self.elevation.reshape(self.elevation.shape[0], -1)
        base = tracks * points
        low = flat[:, base + index % points].transpose(1, 0, 2)
        high = flat[:, base + (index + 1) % points].transpose(1, 0, 2)
        height_m = low + weight * (high - low)
        height_m *= (position >= 0.0)[:, None, :]
        return height_m
