"""The way a trip took, in metres north and east, each stretch with its step of heat; no map is asked for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.review.thinning import Bins, bin_rows, mean_in, sum_in, to_rounded
from dutylog.review.trip_data import CONTACT_KINDS, PARKED, Segment, TripData
from dutylog.units import J_PER_UJ

STEPS = 5
POINTS = 900
"""Of the line at most: finer than a phone shows. Source: judgement."""
M_PER_DEGREE = 6_371_008.8 * math.pi / 180.0
"""Along a meridian of a sphere. Source: mean radius of the earth (IUGG); a plane is right to 1 % within 100 km."""
_GAP_S = 30.0
"""A longer hole in the fixes is a hole in the line. Source: judgement."""
_FEWEST = 10
_MOST_HITS = 40
_HITS_SHOWN = ("bottomed", "topped_out")


def make_track(data: TripData, segments: Sequence[Segment]) -> dict[str, Any] | None:
    """Return the way as points with a step of heat, None where too few fixes are known.

    cuts_w: where one step ends and the next begins, heat of all dampers, fifths of the time in motion. step: of the
    stretch that begins at a point; None: the line ends here.
    """
    known = np.isfinite(data.latitude_deg) & np.isfinite(data.longitude_deg)
    if int(known.sum()) < _FEWEST:
        return None
    origin = (float(data.latitude_deg[known][0]), float(data.longitude_deg[known][0]))
    north_m, east_m = project(data.latitude_deg, data.longitude_deg, *origin)
    bins = bin_rows(data.t_s, data.dt_s, data.end_s, POINTS)
    heat_w = _heat_w(data, bins)
    north, east = mean_in(bins, north_m), mean_in(bins, east_m)
    there = np.isfinite(north) & np.isfinite(east)
    moving = (sum_in(bins, data.moving) > 0) & there
    used = heat_w[moving] if moving.any() else heat_w[there]
    cuts = np.quantile(used, np.arange(1, STEPS) / STEPS)
    steps = np.searchsorted(cuts, heat_w, side="right")
    shown = np.flatnonzero(there)
    gaps = np.diff(bins.start_s[shown], append=np.inf) > max(_GAP_S, 2.0 * bins.width_s)
    return {
        "t_s": to_rounded(bins.start_s[shown], 1),
        "north_m": to_rounded(north[shown], 1),
        "east_m": to_rounded(east[shown], 1),
        "heat_w": to_rounded(heat_w[shown], 0),
        "step": [None if gap else int(step) for step, gap in zip(steps[shown], gaps, strict=True)],
        "cuts_w": to_rounded(cuts, 0),
        "hits": _place_hits(data, origin),
        "stops": _place_stops(segments, bins.start_s[shown], north[shown], east[shown]),
    }


def project(
    latitude_deg: NDArray[np.float64], longitude_deg: NDArray[np.float64], from_latitude: float, from_longitude: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return metres north and east of a place on a plane that touches the earth there.

    Source: equirectangular projection about that place; across the antimeridian by the shorter way.
    """
    turned = (longitude_deg - from_longitude + 180.0) % 360.0 - 180.0
    east_m = turned * M_PER_DEGREE * math.cos(math.radians(from_latitude))
    return (latitude_deg - from_latitude) * M_PER_DEGREE, east_m


def _heat_w(data: TripData, bins: Bins) -> NDArray[np.float64]:
    """Return the mean heat of all dampers together in each bin."""
    total_uj = (
        np.sum([damper.energy_uj for damper in data.dampers], axis=0) if data.dampers else np.zeros(len(data.t_s))
    )
    return sum_in(bins, total_uj) * J_PER_UJ / np.maximum(sum_in(bins, data.dt_s), 1e-9)


def _place_hits(data: TripData, origin: tuple[float, float]) -> list[dict[str, Any]]:
    """Return where the hardest hits were."""
    hits = [
        one for one in data.contacts if one.kind in _HITS_SHOWN and None not in (one.latitude_deg, one.longitude_deg)
    ]
    hits.sort(key=lambda one: (CONTACT_KINDS.index(one.kind), -one.speed_mps))
    found = []
    for one in hits[:_MOST_HITS]:
        north, east = project(np.array([one.latitude_deg]), np.array([one.longitude_deg]), *origin)
        place = {"north_m": round(float(north[0]), 1), "east_m": round(float(east[0]), 1)}
        story = {"kind": one.kind, "position": one.position, "t_s": round(one.t_s, 2)}
        found.append({**place, **story, "speed_mps": round(float(one.speed_mps), 3)})
    return found


def _place_stops(
    segments: Sequence[Segment], t_s: NDArray[np.float64], north_m: NDArray[np.float64], east_m: NDArray[np.float64]
) -> list[dict[str, Any]]:
    stops = []
    for one in segments:
        if one.kind == PARKED and len(t_s):
            at = min(int(np.searchsorted(t_s, one.start_s)), len(t_s) - 1)
            stops.append({"north_m": round(float(north_m[at]), 1), "east_m": round(float(east_m[at]), 1)})
    return stops
