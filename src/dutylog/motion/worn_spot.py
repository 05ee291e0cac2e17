"""A worn spot of a potentiometer: noise tied to where the shaft is.

What a sample differs from prepared travel is noise of the sensor. Its mean square in classes of
travel is the same everywhere on a sound track; over a worn spot it stands out. Only time in which
the shaft sweeps far counts: noise that comes and goes with time (an engine that starts, a phone that
rings) is then spread over many classes and isn't taken for a place.

Sums are whole um^2 in integers, so any way of cutting a stretch of tiles gives the same bits.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Ints = NDArray[np.int64]

CLASS_MM = 5
CLASSES = 128
LOWEST_CLASS = -4
"""Classes of 5 mm from -20 mm on; the outer two are open."""
EVERY = 16
"""Share of samples looked at: at 1 kHz 60 a second, enough for a verdict after minutes of rough driving."""
SWEEP_M = 0.040
"""Travel within a tile from which it counts: eight classes. Judgement."""
ENOUGH_SAMPLES = 100
"""In a class: its rms is then known to 7 % (1 / sqrt(2 n), independent samples)."""
ENOUGH_CLASSES = 8
RATIO = 4.0
"""Over the median class. Sound sensors on rough roads stay within 1.2 (tests/data/cases). Judgement."""
FLOOR_M_RMS = 0.0003
"""Less costs no energy worth a call: spectral shrinkage removes it. Judgement."""
GATHERED = 60
"""Parts that wait at most: a minute of tiles one by one, 50 kB a damper."""
FORGET_SAMPLES = 400_000
"""Beyond it the past counts half: about two hours of sweeping, so that wear shows on an old sensor too."""


class WornSpotJudge:
    """Squared noise of some dampers by class of travel; found_mm: where a worn spot was found (low, high), by damper.

    Tiles wait and are counted many at a time, or when somebody looks: one costs mostly the calls.
    """

    def __init__(self, dampers: int) -> None:
        self.dampers = dampers
        self.found_mm: list[tuple[int, int] | None] = [None] * dampers
        self._counts = np.zeros((dampers, CLASSES), dtype=np.int64)
        self._sums_um2 = np.zeros((dampers, CLASSES), dtype=np.int64)
        self._waiting: list[tuple[NDArray[np.floating[Any]], Array, NDArray[np.bool_]]] = []

    @property
    def counts(self) -> Ints:
        """Return the samples in each class, (dampers, CLASSES) (live)."""
        self._count()
        return self._counts

    @property
    def sums_um2(self) -> Ints:
        """Return the sum of their squared noise [um^2], (dampers, CLASSES) (live)."""
        self._count()
        return self._sums_um2

    def add(self, travel_m: NDArray[np.floating[Any]], raw_m: Array, steady: NDArray[np.bool_]) -> None:
        """Add tiles.

        Args:
            travel_m, raw_m: (dampers, tiles, n) prepared travel and samples [m].
            steady: (dampers, tiles) whether every sample of the tile is believed.
        """
        travel, raw = travel_m[:, :, ::EVERY].copy(), raw_m[:, :, ::EVERY].copy()
        if self._waiting and self._waiting[0][0].shape[2] != travel.shape[2]:
            self._count()
        self._waiting.append((travel, raw, steady))
        if len(self._waiting) >= GATHERED:
            self._count()

    def _count(self) -> None:
        """Count the tiles that wait."""
        if not self._waiting:
            return
        parts, self._waiting = self._waiting, []
        travel, raw, steady = (np.concatenate(part, axis=1) for part in zip(*parts, strict=True))
        use = steady & (travel.max(axis=2) - travel.min(axis=2) >= SWEEP_M)
        rows = np.nonzero(use)[0]
        if not len(rows):
            return
        travel, raw = travel[use], raw[use]
        square = np.square(np.rint((raw - travel) * 1e6)).ravel()
        place = np.clip(np.floor(travel * (1e3 / CLASS_MM)).astype(np.intp) - LOWEST_CLASS, 0, CLASSES - 1)
        place += rows[:, None] * CLASSES
        place = place.ravel()
        cells = self.dampers * CLASSES
        self._counts += np.bincount(place, minlength=cells).reshape(self.dampers, CLASSES)
        # Exact: whole numbers whose sum stays far below 2**53.
        self._sums_um2 += np.bincount(place, square, cells).astype(np.int64).reshape(self.dampers, CLASSES)

    def merge(self, later: WornSpotJudge) -> None:
        """Add what another one gathered of the same dampers."""
        self._counts += later.counts
        self._sums_um2 += later.sums_um2
        self.found_mm = [mine or theirs for mine, theirs in zip(self.found_mm, later.found_mm, strict=True)]

    def judge(self) -> list[int]:
        """Return the dampers in which a worn spot shows for the first time; the far past fades."""
        new = []
        counts, sums_um2 = self.counts, self.sums_um2
        # Where no class is above the floor nothing is worn, whatever the median: so it is nearly always.
        # The hair: a root is rounded.
        loud_um2 = (FLOOR_M_RMS * 1e6) ** 2 * (1.0 - 1e-9)
        is_loud = np.logical_or.reduce((counts >= ENOUGH_SAMPLES) & (sums_um2 > counts * loud_um2), axis=1)
        is_old = np.add.reduce(counts, axis=1) > FORGET_SAMPLES
        for damper in range(self.dampers):
            if is_loud[damper] and self.found_mm[damper] is None:
                self.found_mm[damper] = find_worn_mm(counts[damper], sums_um2[damper])
                if self.found_mm[damper] is not None:
                    new.append(damper)
            if is_old[damper]:
                counts[damper] >>= 1
                sums_um2[damper] >>= 1
        return new

    def to_list(self) -> list[Any]:
        """Return the state in JSON types: for each damper the first class in use, counts, sums, what was found."""
        return [
            [*_trim(self.counts[damper], self.sums_um2[damper]), self.found_mm[damper]]
            for damper in range(self.dampers)
        ]

    @staticmethod
    def from_list(data: list[Any]) -> WornSpotJudge:
        """Restore what `to_list` gave."""
        judge = WornSpotJudge(len(data))
        for damper, (first, counts, sums_um2, found) in enumerate(data):
            judge.counts[damper, first : first + len(counts)] = counts
            judge.sums_um2[damper, first : first + len(counts)] = sums_um2
            judge.found_mm[damper] = None if found is None else (int(found[0]), int(found[1]))
        return judge


def find_worn_mm(counts: Ints, sums_um2: Ints) -> tuple[int, int] | None:
    """Return the travel [mm] between which a track is worn, None where it is sound or can't be told.

    Args:
        counts, sums_um2: (CLASSES,) samples and sum of their squared noise [um^2].
    """
    known = counts >= ENOUGH_SAMPLES
    if int(known.sum()) < ENOUGH_CLASSES:
        return None
    rms_um = np.zeros(len(counts))
    rms_um[known] = np.sqrt(sums_um2[known] / counts[known])
    limit_um = max(RATIO * float(np.median(rms_um[known])), FLOOR_M_RMS * 1e6)
    worst = int(np.argmax(rms_um))
    if rms_um[worst] <= limit_um:
        return None
    low = high = worst
    while low > 0 and rms_um[low - 1] > limit_um:
        low -= 1
    while high < len(counts) - 1 and rms_um[high + 1] > limit_um:
        high += 1
    return (low + LOWEST_CLASS) * CLASS_MM, (high + 1 + LOWEST_CLASS) * CLASS_MM


def _trim(counts: Ints, sums_um2: Ints) -> tuple[int, list[int], list[int]]:
    used = np.flatnonzero(counts)
    if not len(used):
        return 0, [], []
    part = slice(int(used[0]), int(used[-1]) + 1)
    return part.start, counts[part].tolist(), sums_um2[part].tolist()
