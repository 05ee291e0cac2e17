"""Where in tiles a damper met an end of travel, and how fast it came."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from dutylog.engine.engine import EnergyTile
from dutylog.review.contacts import APPROACH_S, ContactFinder, Crossing, Met
from dutylog.review.trip_data import Ints, Singles


class Meeting(NamedTuple):
    """A contact. tile: number among those looked at. offset_s: of its sample since the tile's begin."""

    tile: int
    kind: str
    offset_s: float
    speed_mps: float


def find_meetings(
    tiles: Sequence[EnergyTile],
    before: EnergyTile | None,
    row: int,
    finder: ContactFinder,
    bounds_um: tuple[Ints, Ints],
) -> Iterator[Meeting]:
    """Look for contacts in the tiles that come near an end of travel, and follow what is armed in all of them.

    Args:
        before: the tile before the first. row: of the damper. bounds_um: least and largest travel of each tile.
    """
    lows_um, highs_um = bounds_um
    near = finder.pick(int(lows_um.min()), int(highs_um.max()))
    if not near:
        return
    for number, tile in enumerate(tiles):
        low_um, high_um = int(lows_um[number]), int(highs_um[number])
        if met := [one for one in near if one.reaches(low_um, high_um)]:
            earlier = tiles[number - 1] if number else before
            for contact, place, speed_mps in _meet(tile, earlier, row, finder, met):
                yield Meeting(number, contact.kind, place * tile.prepared.dt_s, speed_mps)


def _meet(
    tile: EnergyTile, before: EnergyTile | None, row: int, finder: ContactFinder, met: Sequence[Crossing]
) -> list[tuple[Met, int, float]]:
    """Return the contacts in a tile, the sample of each, and shaft speed towards the end of travel just before it."""
    travel, counted = tile.prepared.travel_m[row], tile.gains[row].counted
    samples: NDArray[np.intp] | None = None
    if counted is not None:
        samples = np.flatnonzero(counted)
        travel = travel[samples]
    found = []
    for contact in finder.take(np.rint(travel * np.float32(1e6)).astype(np.int32), met):
        place = contact.place if samples is None else int(samples[contact.place])
        found.append((contact, place, _approach_mps(tile, before, row, place, contact.is_inwards)))
    return found


def _approach_mps(tile: EnergyTile, before: EnergyTile | None, row: int, place: int, is_inwards: bool) -> float:
    """Return the largest speed towards an end of travel up to a sample, of the samples that count [m/s]."""
    prepared = tile.prepared
    reach = max(1, round(APPROACH_S / prepared.dt_s))
    speeds = _counted_mps(tile, row, slice(max(0, place - reach), place + 1))
    missing = reach - place
    if missing > 0 and before is not None:
        earlier = before.prepared
        if (earlier.epoch, earlier.start_index + earlier.n) == (prepared.epoch, prepared.start_index):
            speeds = np.concatenate([_counted_mps(before, row, slice(-missing, None)), speeds])
    return max(0.0, float(speeds.max() if is_inwards else -speeds.min()))


def _counted_mps(tile: EnergyTile, row: int, part: slice) -> Singles:
    """Return the speeds of some samples; those that didn't count, as around a sensor that jumps, are left out."""
    speeds: Singles = tile.prepared.speed_mps[row, part]
    counted = tile.gains[row].counted
    return speeds if counted is None else speeds[counted[part]]
