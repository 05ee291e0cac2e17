"""What unbroken stretches of several dampers bring, worked out for all of them in the same array operations.

A second of a damper is 1000 samples: an operation on so few costs mostly its call.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dutylog.duty.histograms import Ints, Steps, Wholes
from dutylog.duty.speed_cells import Speeds

Figures = tuple[list[int], list[int], list[int], list[int], list[int]]
"""For each piece: heat in compression and in rebound [uJ], travel slid [um], fastest compression and rebound [um/s]."""


@dataclass(frozen=True, slots=True)
class PieceSums:
    """What the pieces of one damper's stretch hold.

    figures: of each piece. places, path_um: (turns,) first sample, every local extreme and the last move of each
    piece, and travel there [um]. highest_um, lowest_um: travel.
    """

    figures: Figures
    places: Ints
    path_um: Ints
    highest_um: int
    lowest_um: int


def sum_pieces(
    travel_um: Steps, speed_mps: Speeds, energy_uj: Wholes, lasts_um: Sequence[int | None], pieces: int
) -> list[PieceSums]:
    """Return what stretches of equal length hold, one for each damper.

    Args:
        travel_um, speed_mps, energy_uj: (dampers, n) as in `PreparedRun`.
        lasts_um: travel just before the first sample, None where nothing goes before it.
        pieces: into how many pieces of equal length n is cut.
    """
    dampers, n = travel_um.shape
    step = np.empty_like(travel_um)
    np.subtract(travel_um[:, 1:], travel_um[:, :-1], out=step[:, 1:])
    for row, last_um in enumerate(lasts_um):
        step[row, 0] = 0 if last_um is None else int(travel_um[row, 0]) - last_um
    places = _turning_places(step, pieces)
    path = travel_um.ravel()[places].astype(np.int64)
    borders = np.searchsorted(places, np.arange(dampers + 1) * n).tolist()

    slid = np.add.reduce(np.abs(step, out=step).reshape(dampers, pieces, -1), axis=2, dtype=step.dtype)
    speeds, energy = speed_mps.reshape(dampers, pieces, -1), energy_uj.reshape(dampers, pieces, -1)
    inwards = np.einsum("dpn,dpn->dp", energy, speeds >= 0)
    both = energy.sum(axis=2)
    fastest = np.array([speeds.max(axis=2), -speeds.min(axis=2)], dtype=np.float64)
    peaks = np.maximum(0.0, np.rint(fastest * 1e6)).astype(np.int64)
    columns = [part.astype(np.int64).tolist() for part in (inwards, both - inwards, slid)] + peaks.tolist()
    highest, lowest = travel_um.max(axis=1).tolist(), travel_um.min(axis=1).tolist()
    ends = zip(zip(*columns, strict=True), itertools.pairwise(borders), highest, lowest, strict=True)
    return [
        PieceSums(figures, places[start:stop] - row * n, path[start:stop], high_um, low_um)
        for row, (figures, (start, stop), high_um, low_um) in enumerate(ends)
    ]


def _turning_places(step: Steps, pieces: int) -> Ints:
    """Return the places of the first sample, of every local extreme and of the last move of each piece, rising.

    step: (dampers, n), from the sample before to each sample; damper d's sample i is at place d * n + i. An extreme
    stands where it was first reached, so that a flat top cut in two is the same flat top.
    """
    dampers, n = step.shape
    sign = (step > 0).view(np.int8) - (step < 0).view(np.int8)
    changes = np.empty(sign.shape, dtype=np.bool_)
    changes[:, 0] = True
    np.not_equal(sign[:, 1:], sign[:, :-1], out=changes[:, 1:])
    starts = np.flatnonzero(changes)
    sign = sign.ravel()[starts]
    ends = np.empty_like(starts)
    ends[-1] = dampers * n - 1
    np.subtract(starts[1:], 1, out=ends[:-1])
    moving = np.flatnonzero(sign)
    first: Ints = np.arange(dampers) * n
    if not len(moving):
        return first
    starts, ends, sign = starts[moving], ends[moving], sign[moving]
    begins = np.searchsorted(starts, first)
    turns = sign[1:] != sign[:-1]
    # Between one damper's last move and the next one's first nothing turns.
    turns[begins[(begins > 0) & (begins < len(starts))] - 1] = False
    borders = (first[:, None] + np.arange(1, pieces + 1) * (n // pieces) - 1).ravel()
    latest = np.searchsorted(starts, borders, side="right") - 1
    # In pieces before its first move a damper's first move stands in; a damper that never moves has none.
    latest = np.maximum(latest.reshape(dampers, -1), begins[:, None])
    moves = np.append(begins[1:], len(starts)) > begins
    latest, borders = latest[moves].ravel(), borders.reshape(dampers, -1)[moves].ravel()
    lasts = np.minimum(ends[latest], np.maximum(borders, starts[latest]))
    places = np.concatenate([first, ends[:-1][turns], lasts])
    places.sort()
    return places
