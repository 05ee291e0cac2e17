"""Shaft speed in cells of 1 mm/s: one look-up serves force curve and histogram."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

CELLS_PER_MPS = 1000
REACH_MPS = 8
"""Cells reach this far either way; faster samples are in the outermost ones."""
STANDING_CELL = CELLS_PER_MPS * REACH_MPS
"""The cell that begins at 0."""
CELLS = 2 * STANDING_CELL

Cells = NDArray[np.int16]
"""Kept small because many wait in memory; an index must be made of them before they look something up."""
Speeds = NDArray[np.float32] | NDArray[np.float64]


def find_cells(speed_mps: Speeds) -> Cells:
    """Return the cell of each speed (n,) [m/s]; cell k begins at (k - STANDING_CELL) mm/s."""
    place = speed_mps * CELLS_PER_MPS
    place += STANDING_CELL
    place.clip(0, CELLS - 1, out=place)
    return place.astype(np.int16)
