"""Everything one damper has done: sums, strokes, rainflow, histograms, seal passes.

`update` takes prepared travel, speed and energy of unbroken runs; `merge` adds a later stretch. All
sums are whole micro-units in integers, so any way of cutting a stretch gives the same bits
(tests/duty/test_damper_duty.py).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from dutylog.duty.cavitation import Places, compute_times_us, sum_by_piece
from dutylog.duty.histograms import Histograms, Ints, Steps, Wholes
from dutylog.duty.pieces import Figures, PieceSums, sum_pieces
from dutylog.duty.speed_cells import Cells, Speeds, find_cells
from dutylog.duty.strokes import Strokes
from dutylog.duty.totals import SUMS, TOTALS_COLUMNS, Totals

BOTTOM_UM = 3_000
REARM_UM = 6_000
"""A bottom-out is an up-crossing of stroke - 3 mm, re-armed below stroke - 6 mm."""


@dataclass(frozen=True, slots=True)
class PreparedRun:
    """An unbroken stretch of believed samples of one damper.

    travel_um: (n,) whole numbers, of a type that holds the shaft travel of a piece. speed_mps: (n,). energy_uj: (n,)
    whole numbers, heat of each sample's period. start_ns, period_ns: time of the first sample and spacing.
    joined: the first sample directly follows the last one of the run before. pieces: into how many pieces
    of equal length the run is cut to tell what each brought. cells: of the speeds, where known already.
    beyond: places of samples beyond the cavitation margin, rising, None for none.
    """

    travel_um: Steps
    speed_mps: Speeds
    energy_uj: Wholes
    start_ns: int
    period_ns: int
    joined: bool
    pieces: int = 1
    cells: Cells | None = None
    beyond: Places | None = None


class DamperDuty:
    """Accumulated duty of one damper of a given stroke."""

    def __init__(self, stroke_um: int) -> None:
        self.stroke_um = stroke_um
        self.sums = Totals()
        self.strokes = Strokes()
        self.histograms = Histograms()
        self.first_um: int | None = None
        self.last_um: int | None = None
        # Bottom-outs before the first re-arming depend on what came earlier.
        self._bottomed_first = False
        self._rearmed = False
        self._armed = True

    def totals(self) -> Totals:
        """Return the sums with all strokes whose end is certain.

        `sums` holds strokes only where `correct` put them; the others live in `strokes`.
        """
        totals = self.sums.copy()
        done = self.strokes.counts
        head = self.strokes.head
        totals.strokes_count += done.strokes_count
        totals.compression_strokes_count += done.compression_count
        totals.stroke_travel_um += done.travel_um
        if head.first is not None and head.second is not None:
            totals.strokes_count += 1
            totals.compression_strokes_count += head.second[0] > head.first[0]
            totals.stroke_travel_um += abs(head.second[0] - head.first[0])
        totals.bottom_outs_count += self._bottomed_first
        return totals

    def update(self, run: PreparedRun) -> list[Totals]:
        """Add a run; return what each of its pieces brought (times and temperatures aside)."""
        lasts_um = [self.last_um if run.joined else None]
        found = sum_pieces(run.travel_um[None], run.speed_mps[None], run.energy_uj[None], lasts_um, run.pieces)
        return self.add(run, found[0])

    def add(self, run: PreparedRun, found: PieceSums) -> list[Totals]:
        """Add a run as `update`, where `sum_pieces` was already asked what it holds."""
        if not run.joined:
            self.break_off()
        path = found.path_um
        first_um, last_um = int(path[0]), self.last_um
        if self.first_um is None:
            self.first_um = first_um
        shown, lengths_um = self.strokes.update(path, run.start_ns + found.places * run.period_ns)
        self.histograms.add_path(first_um if last_um is None else last_um, path)
        cells = find_cells(run.speed_mps) if run.cells is None else run.cells
        self.histograms.add(cells, run.energy_uj, run.travel_um, run.period_ns)
        self.last_um = int(path[-1])  # it doesn't move after its last move
        self._add_figures(found.figures)
        length = len(run.travel_um) // run.pieces
        strokes = _sum_strokes(found.places.take(shown) // length if shown else None, lengths_um, run.pieces)
        gains = [
            Totals(inwards_uj, outwards_uj, count, in_count, slid_um, stroked_um, 0, 0, 0, 0, 0, peak_in, peak_out)
            for inwards_uj, outwards_uj, slid_um, peak_in, peak_out, count, in_count, stroked_um in zip(
                *found.figures, *strokes, strict=True
            )
        ]
        for place in self._add_bottom_outs(run.travel_um, found):
            gains[place // length].bottom_outs_count += 1
        if run.beyond is not None:
            self._add_cavitation(run, run.beyond, gains)
        return gains

    def _add_figures(self, figures: Figures) -> None:
        """Add what all pieces brought."""
        sums, (inwards_uj, outwards_uj, slid_um, peaks_in_umps, peaks_out_umps) = self.sums, figures
        sums.energy_compression_uj += sum(inwards_uj)
        sums.energy_rebound_uj += sum(outwards_uj)
        sums.shaft_travel_um += sum(slid_um)
        sums.peak_compression_umps = max(sums.peak_compression_umps, *peaks_in_umps)
        sums.peak_rebound_umps = max(sums.peak_rebound_umps, *peaks_out_umps)

    def add_time(self, *, measured_us: int = 0, unmeasured_us: int = 0, moving: bool = False) -> None:
        """Account for time, measured or not, in motion or not."""
        self.sums.measured_us += measured_us
        self.sums.unmeasured_us += unmeasured_us
        if moving:
            self.sums.moving_us += measured_us + unmeasured_us
            self.sums.moving_measured_us += measured_us

    def add_body_c(self, body_c: Sequence[float]) -> int | None:
        """Take body temperatures [degC] for the peak; return theirs [m degC], None without any."""
        if not body_c:
            return None
        peak_mc, old = round(max(body_c) * 1000), self.sums.peak_body_mc
        self.sums.peak_body_mc = peak_mc if old is None else max(old, peak_mc)
        return peak_mc

    def break_off(self) -> Totals:
        """Travel was lost or the run is over: the open stroke ends, nothing spans the gap. Returns what that gained."""
        gained = Totals()
        if self.last_um is not None:
            length_um = self.strokes.break_off()
            self.last_um = None
            if length_um:
                gained.strokes_count = 1
                gained.compression_strokes_count = int(length_um > 0)
                gained.stroke_travel_um = abs(length_um)
        return gained

    def merge(self, later: DamperDuty, *, joined: bool) -> None:
        """Add a later stretch; joined: its first sample directly follows this one's last."""
        if not joined:
            self.break_off()
        elif later.first_um is not None and self.last_um is not None:
            self.sums.shaft_travel_um += abs(later.first_um - self.last_um)
            self.histograms.add_path(self.last_um, np.array([later.first_um], dtype=np.int64))
        self.strokes.merge(later.strokes)
        self.sums.merge(later.sums)
        if self.first_um is None:
            self.first_um = later.first_um
        if later.first_um is not None:
            self.last_um = later.last_um
        self.histograms.merge(later.histograms)
        self._merge_bottom_outs(later)

    def _add_cavitation(self, run: PreparedRun, beyond: Places, gains: list[Totals]) -> None:
        """Count time and energy beyond the cavitation margin."""
        length = len(run.travel_um) // run.pieces
        energies_uj = run.energy_uj[beyond].astype(np.int64)
        columns = [
            sum_by_piece(values, beyond, length, run.pieces)
            for values in (compute_times_us(beyond, run.start_ns, run.period_ns), energies_uj)
        ]
        for gain, time_us, energy_uj in zip(gains, *columns, strict=True):
            gain.cavitation_us, gain.cavitation_energy_uj = time_us, energy_uj
            self.sums.cavitation_us += time_us
            self.sums.cavitation_energy_uj += energy_uj

    def _add_bottom_outs(self, travel_um: Steps, held: PieceSums) -> list[int]:
        """Return the places of new bottom-outs."""
        if held.highest_um < self.stroke_um - BOTTOM_UM:
            if held.lowest_um < self.stroke_um - REARM_UM:
                self._armed = self._rearmed = True
            return []
        hits = np.flatnonzero(travel_um >= self.stroke_um - BOTTOM_UM)
        # Between two hits the damper is armed again where travel fell below the re-arming mark.
        lowest = np.minimum.reduceat(travel_um, np.concatenate([[0], hits]))
        free = (lowest < self.stroke_um - REARM_UM).tolist()
        found = []
        if hits[0] == 0:
            free[0] = False  # nothing lies before the first sample
        for place, was_free in zip(hits.tolist(), free[:-1], strict=True):
            if was_free:
                self._armed = self._rearmed = True
            if self._armed:
                self._armed = False
                found.append(place)
                if self._rearmed:
                    self.sums.bottom_outs_count += 1
                else:
                    self._bottomed_first = True
        if free[-1]:
            self._armed = self._rearmed = True
        return found

    def _merge_bottom_outs(self, later: DamperDuty) -> None:
        if later._bottomed_first and self._armed:
            self._armed = False
            if self._rearmed:
                self.sums.bottom_outs_count += 1
            else:
                self._bottomed_first = True
        if later._rearmed:
            self._rearmed = True
            self._armed = later._armed

    def to_dict(self) -> dict[str, Any]:
        """Return the state in JSON types."""
        return {
            "stroke_um": self.stroke_um,
            "sums": self.sums.as_row(),
            "strokes": self.strokes.to_dict(),
            **self.histograms.to_dict(),
            "ends_um": [self.first_um, self.last_um],
            "bottom": [self._bottomed_first, self._rearmed, self._armed],
        }

    @staticmethod
    def from_dict(data: dict[str, Any]) -> DamperDuty:
        """Restore what `to_dict` gave."""
        duty = DamperDuty(int(data["stroke_um"]))
        duty.sums = Totals(*data["sums"])
        duty.strokes = Strokes.from_dict(data["strokes"])
        duty.histograms = Histograms.from_dict(data)
        duty.first_um, duty.last_um = data["ends_um"]
        duty._bottomed_first, duty._rearmed, duty._armed = data["bottom"]
        return duty

    def correct(self, totals: Totals) -> None:
        """Raise the sums to stored totals that the raw log can no longer prove (truncated card)."""
        now = self.totals()
        for name in TOTALS_COLUMNS:
            stored = getattr(totals, name)
            if name in SUMS:
                setattr(self.sums, name, getattr(self.sums, name) + max(0, stored - getattr(now, name)))
            elif stored is not None:
                setattr(self.sums, name, max(stored, getattr(self.sums, name) or stored))


def _sum_strokes(
    numbers: Ints | None, lengths_um: Ints, pieces: int
) -> tuple[Sequence[int], Sequence[int], Sequence[int]]:
    """Return for each piece its strokes, those of compression, and their travel [um].

    Args:
        numbers: of the pieces that showed the strokes, None for no strokes. lengths_um: of the strokes, positive for
            compression.
    """
    if numbers is None:
        none = (0,) * pieces
        return none, none, none
    if pieces == 1:  # some strokes of a second: operations on arrays would cost thrice as much
        each_um = lengths_um.tolist()
        return (len(each_um),), (sum(one > 0 for one in each_um),), (sum(map(abs, each_um)),)
    counts = np.bincount(numbers, minlength=pieces)
    in_counts = np.bincount(numbers[lengths_um > 0], minlength=pieces)
    travels_um = np.bincount(numbers, np.abs(lengths_um), pieces).astype(np.int64)
    return counts.tolist(), in_counts.tolist(), travels_um.tolist()
