"""How often a place of the shaft has gone through the seal."""

from __future__ import annotations

import math

from dutylog.duty.histograms import PASS_CELLS, PASS_LOWEST_MM, Ints


def count_passes(seal_passes: Ints, distance_mm: float, size_mm: float) -> int:
    """Return how often a mark went through the seal.

    Args:
        seal_passes: (PASS_CELLS,) as `Histograms.seal_passes` gives them.
        distance_mm: of its middle from the face of the seal head at full extension, which is the travel at which it
            passes. size_mm: along the shaft; the most-passed place within it counts.
    """
    first = math.floor(distance_mm - size_mm / 2.0) - PASS_LOWEST_MM
    last = math.ceil(distance_mm + size_mm / 2.0) - PASS_LOWEST_MM
    cells = seal_passes[max(0, first) : min(PASS_CELLS, last + 1)]
    return int(cells.max()) if len(cells) else 0
