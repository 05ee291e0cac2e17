"""How hot the dampers' bodies were: at the end of a trip, and at most."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from dutylog.review.review import DamperRow
from dutylog.review.trip_data import TripData

LAST_S = 60.0
"""A body temperature from before the last minute says nothing of how hot the body is now: some kelvin a minute, and up
for a while after a stop. Judgement."""


def last_bodies_c(data: TripData, seconds: float) -> dict[str, float]:
    """Return the last body temperature of each position that has one from the trip's last LAST_S."""
    # A log that lost its end holds no last minute.
    end_s = data.end_s if data.is_raw_whole else max(data.end_s, seconds)
    is_late = data.t_s >= end_s - LAST_S
    found: dict[str, float] = {}
    for one in data.dampers:
        body_c = np.asarray(one.body_c, dtype=np.float64)[is_late]
        known = body_c[np.isfinite(body_c)]
        if len(known):
            found[one.position] = float(known[-1])
    return found


def peak_bodies_c(data: TripData, dampers: Sequence[DamperRow]) -> dict[str, float]:
    """Return the highest body temperature of each position: the ledger's, or that of the rows where it has none."""
    found: dict[str, float] = {}
    known = [(row.position, row.peak_body_c) for row in dampers]
    known += [(one.position, float(np.nanmax(one.body_c))) for one in data.dampers if np.isfinite(one.body_c).any()]
    for place, peak_c in known:
        if peak_c is not None:
            found[place] = max(peak_c, found.get(place, peak_c))
    return found
