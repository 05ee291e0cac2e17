"""Forces over travel and speed as tables on even grids, so that a lookup is an index and no search.

Cells are small enough that a table differs from its law only inside single cells: forces agree to
better than 1e-6 of their value (test_force_tables.py).
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import ForceCurve, Profile

Floats = NDArray[np.float64]
Law = Callable[[Floats], Floats]


@dataclass(frozen=True, slots=True)
class EvenTable:
    """Many laws in one flat table, each linear between points of an even grid and beyond its ends.

    A value x of law k lies at cell coordinate y = x * per_unit + offsets[k]; with i = floor(y), held
    inside lowest[k]..highest[k], the law is intercepts[i] + slopes[i] * y.
    """

    per_unit: float
    offsets: Floats
    lowest: NDArray[np.intp]
    highest: NDArray[np.intp]
    intercepts: Floats
    slopes: Floats


def tabulate(laws: Sequence[Law], start: float, end: float, cell: float) -> EvenTable:
    """Return the table of several laws over start..end in steps of `cell` (a cell edge lies at 0)."""
    first, last = int(np.floor(start / cell)), int(np.ceil(end / cell))
    cells = last - first
    edges = np.arange(first, last + 1, dtype=np.float64) * cell
    offsets = np.arange(len(laws), dtype=np.float64) * cells - first
    values = np.array([law(edges) for law in laws])
    slopes = np.diff(values, axis=1)
    coordinates = np.arange(cells) + (np.arange(len(laws)) * cells)[:, None]
    lowest = np.arange(len(laws), dtype=np.intp) * cells
    return EvenTable(
        per_unit=1.0 / cell,
        offsets=offsets,
        lowest=lowest,
        highest=lowest + cells - 1,
        intercepts=np.ascontiguousarray((values[:, :-1] - slopes * coordinates).ravel()),
        slopes=np.ascontiguousarray(slopes.ravel()),
    )


def unique_numbers(keys: Sequence[Hashable]) -> tuple[list[int], list[int]]:
    """Return for each key the number of its kind, and for each kind the place where it first stands."""
    numbers: dict[Hashable, int] = {}
    firsts: list[int] = []
    places = []
    for place, key in enumerate(keys):
        if key not in numbers:
            numbers[key] = len(numbers)
            firsts.append(place)
        places.append(numbers[key])
    return places, firsts


def curve_force_n(curve: ForceCurve, speed_mps: Floats) -> Floats:
    """Return the force [N] of a curve: linear between its points, end slopes extended.

    Source:
        Definition of a profile's force curve, `dutylog.domain.vehicle.ForceCurve`.
    """
    speeds, forces = np.asarray(curve.speeds_mps), np.asarray(curve.forces_n)
    segment = np.clip(np.searchsorted(speeds, speed_mps, side="right") - 1, 0, len(speeds) - 2)
    slope = np.diff(forces) / np.diff(speeds)
    return np.asarray(forces[segment] + slope[segment] * (speed_mps - speeds[segment]))


def node_coordinate(profile: Profile, travel_m: Floats) -> Floats:
    """Return where a travel lies between the entries of the profile's force, 0 at the first."""
    nodes_m = [at.travel_m for at in profile.force]
    return np.interp(travel_m, nodes_m, np.arange(len(nodes_m), dtype=np.float64))
