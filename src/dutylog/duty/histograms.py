"""Time and heat by class of shaft speed and travel, and seal passes, of one damper.

Samples are gathered and counted some seconds at a time: counting a second costs mostly the calls. Nobody sees the
difference, because whatever reads or merges counts first what was gathered. Sums are whole numbers.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.duty.speed_cells import CELLS, CELLS_PER_MPS, STANDING_CELL, Cells

Ints = NDArray[np.int64]
Steps = NDArray[np.int32] | NDArray[np.int64]
Wholes = NDArray[np.float64] | NDArray[np.int64]

SPEED_EDGES_MPS = (0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
"""Edges of the classes of shaft speed; the outer classes are open."""
SPEED_BINS = 2 * len(SPEED_EDGES_MPS) + 1
"""From fastest rebound over standing (the middle class, below 0.02 m/s either way) to fastest compression."""
POSITION_BIN_UM = 5_000
POSITION_BINS = 128
"""Time by travel in classes of 5 mm from -20 mm on; the outer two are open."""
PASS_LOWEST_MM = -20
PASS_CELLS = 660
"""Seal passes for each mm of shaft: how often the mark at k mm went through the seal, -20 <= k < 640."""
GATHERED = 8_192
"""Samples that wait at most: eight seconds at 1 kHz, 115 kB."""

_EDGE_CELLS = [round(edge * CELLS_PER_MPS) for edge in SPEED_EDGES_MPS]
_CLASS_STARTS = np.array(
    [0, *(STANDING_CELL - edge for edge in reversed(_EDGE_CELLS)), *(STANDING_CELL + edge for edge in _EDGE_CELLS)]
)
_POSITION_PARTS = 25
"""Cells to a class of travel while it is counted: one cell again and again waits for the count before. Measured."""
_POSITION_OFFSET = 4
_GATHERED_POINTS = 2_048
_SHARES = 8
"""Dampers whose samples lie in one array, usually; all of them wait then."""
_NAMES = ("energy_by_speed_uj", "time_by_speed_ns", "time_by_position_ns", "pass_steps")


class Histograms:
    """Counts of one damper; `counts` gives them by name, `seal_passes` by mark."""

    def __init__(self) -> None:
        sizes = (SPEED_BINS, SPEED_BINS, POSITION_BINS, PASS_CELLS + 1)
        self._counts: dict[str, Ints] = {
            name: np.zeros(size, dtype=np.int64) for name, size in zip(_NAMES, sizes, strict=True)
        }
        self._samples: list[tuple[Cells, Wholes, Steps]] = []
        self._waiting = self._period_ns = 0
        self._paths: list[Ints] = []
        self._path_points = 0
        self._path_starts_um: list[int] = []

    def add(self, cells: Cells, energy_uj: Wholes, travel_um: Steps, period_ns: int) -> None:
        """Add samples (n,): cells of speed, heat [uJ] in whole numbers, travel [um]; nobody may change them after."""
        if period_ns != self._period_ns:
            self._count()
            self._period_ns = period_ns
        if len(cells) >= GATHERED:
            self._count_samples(cells, energy_uj, travel_um)
            return
        if cells.base is not None and cells.base.size > _SHARES * len(cells):
            # What waits must not hold all that it is a little part of.
            cells, energy_uj, travel_um = cells.copy(), energy_uj.copy(), travel_um.copy()
        self._samples.append((cells, energy_uj, travel_um))
        self._waiting += len(cells)
        if self._waiting >= GATHERED:
            self._count()

    def add_path(self, start_um: int, path_um: Ints) -> None:
        """Add seal passes along straight legs from a place through the given ones."""
        self._path_starts_um.append(start_um)
        self._paths.append(path_um)
        self._path_points += len(path_um)
        if self._path_points >= _GATHERED_POINTS:
            self._count_passes()

    def merge(self, later: Histograms) -> None:
        """Add the counts of another stretch."""
        others = later.counts
        for name, mine in self.counts.items():
            mine += others[name]

    @property
    def counts(self) -> dict[str, Ints]:
        """Return all counts by name (live arrays)."""
        self._count()
        return self._counts

    @property
    def seal_passes(self) -> Ints:
        """Return how often each mark went through the seal: (PASS_CELLS,), the first at PASS_LOWEST_MM."""
        return np.cumsum(self.counts["pass_steps"][:PASS_CELLS])

    def to_dict(self) -> dict[str, Any]:
        """Return the state in JSON types."""
        return {name: values.tolist() for name, values in self.counts.items()}

    @staticmethod
    def from_dict(data: dict[str, Any]) -> Histograms:
        """Restore what `to_dict` gave."""
        histograms = Histograms()
        histograms._counts = {name: np.array(data[name], dtype=np.int64) for name in _NAMES}
        return histograms

    def _count(self) -> None:
        """Count what was gathered."""
        if self._samples:
            cells, energy_uj, travel_um = (np.concatenate(part) for part in zip(*self._samples, strict=True))
            self._samples, self._waiting = [], 0
            self._count_samples(cells, energy_uj, travel_um)
        if self._paths:
            self._count_passes()

    def _count_samples(self, cells: Cells, energy_uj: Wholes, travel_um: Steps) -> None:
        places = cells.astype(np.intp)
        # Exact: what comes at once stays far below 2**53 uJ.
        heat = np.add.reduceat(np.bincount(places, energy_uj, CELLS), _CLASS_STARTS)
        self._counts["energy_by_speed_uj"] += heat.astype(np.int64)
        times = np.add.reduceat(np.bincount(places, minlength=CELLS), _CLASS_STARTS)
        self._counts["time_by_speed_ns"] += times * self._period_ns
        self._count_positions(travel_um)

    def _count_positions(self, travel_um: Steps) -> None:
        # Half a micrometre keeps the class edges on whole micrometres whatever the rounding of 1/200.
        fine = travel_um.astype(np.float32)
        fine *= _POSITION_PARTS / POSITION_BIN_UM
        fine += _POSITION_PARTS * (_POSITION_OFFSET + 0.5 / POSITION_BIN_UM)
        fine.clip(0, _POSITION_PARTS * POSITION_BINS - 1, out=fine)
        counts = np.bincount(fine.astype(np.intp), minlength=_POSITION_PARTS * POSITION_BINS)
        self._counts["time_by_position_ns"] += counts.reshape(POSITION_BINS, -1).sum(axis=1) * self._period_ns

    def _count_passes(self) -> None:
        begins = np.cumsum([0] + [len(path) for path in self._paths[:-1]])
        cells = _find_marks(np.concatenate(self._paths))
        before = np.empty_like(cells)
        before[1:] = cells[:-1]
        before[begins] = _find_marks(np.array(self._path_starts_um, dtype=np.int64))
        self._paths, self._path_starts_um, self._path_points = [], [], 0
        # Marks low+1 .. high are passed: +1 behind low, -1 behind high, summed up when asked for.
        steps = self._counts["pass_steps"]
        steps += np.bincount(np.minimum(before, cells) + 1, minlength=PASS_CELLS + 1)
        steps -= np.bincount(np.maximum(before, cells) + 1, minlength=PASS_CELLS + 1)


def _find_marks(path_um: Ints) -> Ints:
    """Return the cell of `pass_steps` of each travel [um]."""
    return np.minimum(np.maximum(path_um // 1000 - PASS_LOWEST_MM, 0), PASS_CELLS - 1)
