"""What each kind of road took: the trip's rows summed by the segments they lie in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dutylog.review.review import RoadRow
from dutylog.review.trip_data import PARKED, ROAD_KINDS, Floats, Ints, Segment, TripData

NO_SEGMENT = -1
SPEED_KNOWN_RATIO = 0.8
"""Share of the driven time on a kind of road for which speed must be known before a distance is told (judgement)."""


def find_segments_of_rows(data: TripData, segments: Sequence[Segment]) -> Ints:
    """Return for each row the index (n,) of the segment its middle lies in, NO_SEGMENT where there is none."""
    middle_s = data.t_s + data.dt_s / 2.0
    found = np.full(len(middle_s), NO_SEGMENT, dtype=np.int64)
    for index, one in enumerate(segments):
        found[(middle_s >= one.start_s) & (middle_s < one.end_s)] = index
    return found


def compute_row_distance_m(data: TripData) -> Floats:
    """Return what was driven in each row (n,) [m], NaN where speed is unknown."""
    return np.asarray(data.vehicle_mps, dtype=np.float64) * data.dt_s


def make_roads(data: TripData, segments: Sequence[Segment]) -> tuple[RoadRow, ...]:
    """Return a row for each kind of road there was, the one that made the most heat first.

    Energies of all rows together are those of the dampers' rows in the data.
    """
    of_row = find_segments_of_rows(data, segments)
    total_j = sum(float(one.energy_uj.sum()) for one in data.dampers) / 1e6
    rows = []
    for kind in ROAD_KINDS:
        members = [index for index, one in enumerate(segments) if one.kind == kind]
        inside = np.isin(of_row, members)
        if inside.any():
            rows.append(_make_row(data, kind, inside, total_j))
    return tuple(sorted(rows, key=lambda row: -row.energy_ratio))


def _make_row(data: TripData, kind: str, inside: np.typing.NDArray[np.bool_], total_j: float) -> RoadRow:
    energy_j = {one.position: 0.0 for one in data.dampers}
    for one in data.dampers:
        # two units may have sat at one position
        energy_j[one.position] += float(one.energy_uj[inside].sum()) / 1e6
    seconds = float(data.dt_s[inside].sum())
    distance_m, mean_mps = _measure_distance(data, inside)
    together_j = sum(energy_j.values())
    is_driven = distance_m is not None and distance_m >= 1.0 and kind != PARKED
    return RoadRow(
        kind,
        seconds,
        distance_m,
        mean_mps,
        energy_j,
        together_j / total_j if total_j > 0.0 else 0.0,
        together_j / distance_m if is_driven and distance_m else None,
    )


def _measure_distance(data: TripData, inside: np.typing.NDArray[np.bool_]) -> tuple[float | None, float | None]:
    """Return distance and mean speed; what gaps of the receiver hide is taken to be driven at the mean of the rest."""
    driven_m = compute_row_distance_m(data)[inside]
    known = np.isfinite(driven_m)
    seconds, known_s = float(data.dt_s[inside].sum()), float(data.dt_s[inside][known].sum())
    if known_s <= 0.0 or known_s < SPEED_KNOWN_RATIO * seconds:
        return None, None
    mean_mps = float(driven_m[known].sum()) / known_s
    return mean_mps * seconds, mean_mps
