"""Tiles of the engine as rows of a trip: what each damper gained, felt and did in each of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Damper
from dutylog.duty.histograms import POSITION_BINS, SPEED_BINS, Histograms
from dutylog.duty.speed_cells import find_cells
from dutylog.duty.strokes import FREQUENCY_EDGES_HZ, LENGTH_BIN_UM, LENGTH_BINS
from dutylog.duty.totals import Totals
from dutylog.engine.engine import EnergyTile
from dutylog.engine.place import TileGain
from dutylog.review.trip_data import COUNTS, Ints, Singles
from dutylog.units import FS_PER_NS

HISTOGRAMS = ("energy_by_speed_uj", "time_by_speed_ns", "time_by_position_ns")
FREQUENCIES = len(FREQUENCY_EDGES_HZ) + 1
NO_TRAVEL_UM = 2**30
"""Lowest travel of a tile in which nothing counts; the highest is its negative: no mark is met, none armed."""

_EDGES = np.array(FREQUENCY_EDGES_HZ)


@dataclass(frozen=True, slots=True)
class Signals:
    """What samples that count say, (tiles, dampers) each; NaN where none does. low_um, high_um: bounds of travel."""

    mean_m: NDArray[np.float64]
    low_m: NDArray[np.float64]
    high_m: NDArray[np.float64]
    rms_mps: NDArray[np.float64]
    low_um: Ints
    high_um: Ints


def measure(tiles: Sequence[EnergyTile]) -> Signals:
    """Work it out for tiles of one vehicle."""
    parts = [_measure_equal(list(some)) for _, some in groupby(tiles, key=lambda tile: tile.prepared.n)]
    mean, low, high, rms = (np.concatenate(column).astype(np.float64) for column in zip(*parts, strict=True))
    # As DamperDuty sees travel: single floats times a million, rounded.
    low_um, high_um = (
        np.where(np.isnan(low), empty, np.rint(np.nan_to_num(bound).astype(np.float32) * np.float32(1e6)))
        for bound, empty in ((low, NO_TRAVEL_UM), (high, -NO_TRAVEL_UM))
    )
    return Signals(mean, low, high, rms, low_um.astype(np.int64), high_um.astype(np.int64))


def _measure_equal(tiles: list[EnergyTile]) -> tuple[Singles, Singles, Singles, Singles]:
    """Return mean, lowest and highest travel and rms speed of tiles of one length."""
    travel = np.stack([tile.prepared.travel_m for tile in tiles])
    speed = np.stack([tile.prepared.speed_mps for tile in tiles])
    mean, low, high = travel.mean(axis=2), travel.min(axis=2), travel.max(axis=2)
    rms = np.sqrt(np.add.reduce(np.square(speed), axis=2) / np.float32(travel.shape[2]))
    for number, tile in enumerate(tiles):
        for row, gain in enumerate(tile.gains):
            if gain.counted is None:
                continue
            some = travel[number, row][gain.counted]
            found = (np.float32(np.nan),) * 4
            if len(some):
                pace = speed[number, row][gain.counted]
                found = (some.mean(), some.min(), some.max(), np.sqrt(np.mean(pace * pace)))
            for column, value in zip((mean, low, high, rms), found, strict=True):
                column[number, row] = value
    return mean, low, high, rms


def count_histograms(tiles: Sequence[EnergyTile], row: int) -> dict[str, Ints]:
    """Return what the samples of some tiles add to a damper's histograms, exactly as the engine counts them."""
    histograms = Histograms()
    for tile in tiles:
        prepared, counted = tile.prepared, tile.gains[row].counted
        part: slice | NDArray[np.bool_] = slice(None) if counted is None else counted
        speed = prepared.speed_mps[row][part]
        if not len(speed):
            continue
        travel_um = np.rint(prepared.travel_m[row][part] * np.float32(1e6)).astype(np.int32)
        period_ns = round(prepared.period_fs / FS_PER_NS)
        histograms.add(find_cells(speed), tile.energy_uj[row][part], travel_um, period_ns)
    return {name: histograms.counts[name] for name in HISTOGRAMS}


@dataclass(frozen=True, slots=True)
class SeatRows:
    """One damper in one place, as gathered. rows: (n,) numbers of its rows in the trip.

    counts: (n, COUNTS). signals: (n, SIGNALS). histograms: of the trip. strokes: (LENGTH_BINS, FREQUENCIES).
    late, late_strokes: what ended with a run behind the trip's last motion, in none of the others; None for nothing.
    """

    damper: Damper
    stroke_m: float
    unit_id: str
    rows: Ints
    counts: Ints
    signals: Singles
    totals: Totals
    histograms: dict[str, Ints]
    strokes: Ints
    late: Totals | None = None
    late_strokes: Ints | None = None

    @property
    def seat(self) -> tuple[str, str]:
        """Return the unit and where it sits."""
        return self.unit_id, self.damper.position

    def moved(self, by: int) -> SeatRows:
        """Return it with later row numbers."""
        return replace(self, rows=self.rows + by)

    def with_late(self) -> SeatRows:
        """Return it with what ended late as part of its last row."""
        if self.late is None or self.late_strokes is None:
            return self
        totals, counts = self.totals.copy(), self.counts.copy()
        totals.merge(self.late)
        counts[-1] += [getattr(self.late, name) for name in COUNTS]
        return replace(self, totals=totals, counts=counts, strokes=self.strokes + self.late_strokes, late=None)

    def joined(self, later: SeatRows) -> SeatRows:
        """Return it with what came later added."""
        totals = self.totals.copy()
        totals.merge(later.totals)
        return replace(
            later,
            rows=np.concatenate([self.rows, later.rows]),
            counts=np.concatenate([self.counts, later.counts]),
            signals=np.concatenate([self.signals, later.signals]),
            totals=totals,
            histograms={name: self.histograms[name] + later.histograms[name] for name in HISTOGRAMS},
            strokes=self.strokes + later.strokes,
        )


class SeatGather:
    """Gathers the rows of one damper in one place."""

    def __init__(self, damper: Damper, stroke_m: float, unit_id: str) -> None:
        self.damper, self.stroke_m, self.unit_id = damper, stroke_m, unit_id
        self.totals = Totals()
        self._rows: list[Ints] = []
        self._counts: list[Ints] = []
        self._signals: list[Singles] = []
        sizes = (SPEED_BINS, SPEED_BINS, POSITION_BINS)
        self._histograms = {n: np.zeros(size, dtype=np.int64) for n, size in zip(HISTOGRAMS, sizes, strict=True)}
        self._strokes = np.zeros((LENGTH_BINS, FREQUENCIES), dtype=np.int64)
        self._late: tuple[Totals, Ints] | None = None

    def add(self, first_row: int, gains: Sequence[TileGain], signals: Singles) -> None:
        """Take tiles that follow each other; signals: (tiles, SIGNALS)."""
        for gain in gains:
            self.totals.merge(gain.totals)
        counts = [[getattr(gain.totals, name) for name in COUNTS] for gain in gains]
        self._rows.append(np.arange(first_row, first_row + len(gains)))
        self._counts.append(np.array(counts, dtype=np.int64))
        self._signals.append(signals)

    def add_ended(self, gained: Totals, lengths_um: Ints, durations_ns: Ints) -> None:
        """Take what ended with a run right behind the last row, as part of it."""
        self.totals.merge(gained)
        self._counts[-1][-1] += [getattr(gained, name) for name in COUNTS]
        self._strokes += _classify(lengths_um, durations_ns)

    def add_late(self, gained: Totals, lengths_um: Ints, durations_ns: Ints) -> None:
        """Take what ended with a run behind the trip's last motion: perhaps it belongs, perhaps it doesn't."""
        if self._late is None:
            self._late = Totals(), np.zeros_like(self._strokes)
        self._late[0].merge(gained)
        self._late[1][:] += _classify(lengths_um, durations_ns)

    def add_histograms(self, counts: dict[str, Ints], sign: int) -> None:
        """Add or take away counts, which are copied."""
        for name, mine in self._histograms.items():
            mine += sign * counts[name]

    def add_strokes(self, lengths_um: Ints, durations_ns: Ints) -> None:
        """Count strokes by length and frequency, in the classes of duty/strokes.py."""
        if len(lengths_um):
            self._strokes += _classify(lengths_um, durations_ns)

    def finish(self) -> SeatRows:
        """Return what was gathered."""
        return SeatRows(
            self.damper,
            self.stroke_m,
            self.unit_id,
            np.concatenate(self._rows),
            np.concatenate(self._counts),
            np.concatenate(self._signals),
            self.totals,
            self._histograms,
            self._strokes,
            *(self._late or (None, None)),
        )


def _classify(lengths_um: Ints, durations_ns: Ints) -> Ints:
    """Return strokes as counts of (LENGTH_BINS, FREQUENCIES)."""
    length = np.minimum(np.abs(lengths_um) // LENGTH_BIN_UM, LENGTH_BINS - 1)
    frequency = np.searchsorted(_EDGES, 5e8 / np.maximum(1, durations_ns), side="right")
    cells = np.bincount(length * FREQUENCIES + frequency, minlength=LENGTH_BINS * FREQUENCIES)
    return cells.reshape(LENGTH_BINS, FREQUENCIES)
