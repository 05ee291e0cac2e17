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
        if not run.joined:
            self.break_off()
        travel, pieces = run.travel_um, run.pieces
        if self.first_um is None:
            self.first_um = int(travel[0])
        step = np.empty_like(travel)
        step[0] = 0 if self.last_um is None else int(travel[0]) - self.last_um
        np.subtract(travel[1:], travel[:-1], out=step[1:])
        places = _turning_places(step, pieces)
        path = travel[places].astype(np.int64)
        shown, lengths_um = self.strokes.update(path, run.start_ns + places * run.period_ns)
        self.histograms.add_path(int(path[0]) if self.last_um is None else self.last_um, path)
        self.last_um = int(travel[-1])
        energy = self._add_classes(run)
        by_piece = np.abs(step, out=step).reshape(pieces, -1)
        sliding = np.add.reduce(by_piece, axis=1, dtype=step.dtype).tolist()
        speeds = run.speed_mps.reshape(pieces, -1)
        peaks_in, peaks_out = speeds.max(axis=1).tolist(), speeds.min(axis=1).tolist()
        columns = [
            [int(inwards) for inwards in energy[0]],
            [int(both - inwards) for inwards, both in zip(*energy, strict=True)],
            sliding,
            [max(0, round(inwards * 1e6)) for inwards in peaks_in],
            [max(0, round(-outwards * 1e6)) for outwards in peaks_out],
        ]
        gains = [_gain(*values) for values in zip(*columns, strict=True)]
        self.sums.merge(_gain(*map(sum, columns[:3]), *map(max, columns[3:])))
        length = len(travel) // pieces
        if len(shown):
            _share_out(gains, places[shown] // length, lengths_um)
        for place in self._add_bottom_outs(travel):
            gains[place // length].bottom_outs_count += 1
        if run.beyond is not None:
            self._add_cavitation(run, run.beyond, gains)
        return gains

    def add_time(self, *, measured_us: int = 0, unmeasured_us: int = 0, moving: bool = False) -> None:
        """Account for time, measured or not, in motion or not."""
        self.sums.measured_us += measured_us
        self.sums.unmeasured_us += unmeasured_us
        if moving:
            self.sums.moving_us += measured_us + unmeasured_us
            self.sums.moving_measured_us += measured_us

    def add_body_c(self, body_c: Sequence[float]) -> None:
        """Take body temperatures [degC] for the peak."""
        if body_c:
            peak_mc = round(max(body_c) * 1000)
            old = self.sums.peak_body_mc
            self.sums.peak_body_mc = peak_mc if old is None else max(old, peak_mc)

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

    def _add_classes(self, run: PreparedRun) -> tuple[list[float], list[float]]:
        """Add to the histograms; return the energy [uJ] of each piece in compression, and all of it."""
        speed, energy = run.speed_mps, run.energy_uj
        cells = find_cells(speed) if run.cells is None else run.cells
        self.histograms.add(cells, energy, run.travel_um, run.period_ns)
        by_piece = energy.reshape(run.pieces, -1)
        inwards = np.einsum("ij,ij->i", by_piece, (speed >= 0).reshape(run.pieces, -1))
        return inwards.tolist(), by_piece.sum(axis=1).tolist()

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

    def _add_bottom_outs(self, travel_um: Steps) -> list[int]:
        """Return the places of new bottom-outs."""
        if int(travel_um.max()) < self.stroke_um - BOTTOM_UM:
            if not (self._armed and self._rearmed) and int(travel_um.min()) < self.stroke_um - REARM_UM:
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


def _gain(inwards_uj: int, outwards_uj: int, slid_um: int, peak_in_umps: int, peak_out_umps: int) -> Totals:
    """Return what a stretch brought, its strokes and bottom-outs still to come."""
    return Totals(
        energy_compression_uj=inwards_uj,
        energy_rebound_uj=outwards_uj,
        shaft_travel_um=slid_um,
        peak_compression_umps=peak_in_umps,
        peak_rebound_umps=peak_out_umps,
    )


def _share_out(gains: list[Totals], pieces: Ints, lengths_um: Ints) -> None:
    """Add strokes (lengths [um], positive for compression) to the gains of the pieces that showed them."""
    counts = np.bincount(pieces, minlength=len(gains)).tolist()
    inwards = np.bincount(pieces[lengths_um > 0], minlength=len(gains)).tolist()
    # Exact: a run's strokes stay far below 2**53 um.
    travel_um = np.bincount(pieces, np.abs(lengths_um), len(gains)).tolist()
    for piece, count, inwards_count, slid_um in zip(gains, counts, inwards, travel_um, strict=True):
        piece.strokes_count = count
        piece.compression_strokes_count = inwards_count
        piece.stroke_travel_um = int(slid_um)


def _turning_places(step: Steps, pieces: int) -> Ints:
    """Return the places of the first sample, of every local extreme and of the last move of each piece.

    step[i]: from the sample before to sample i. An extreme stands where it was first reached, so
    that a flat top cut in two is the same flat top.
    """
    n = len(step)
    sign = (step > 0).view(np.int8) - (step < 0).view(np.int8)
    starts = np.concatenate([[0], np.flatnonzero(sign[1:] != sign[:-1]) + 1])
    ends = np.concatenate([starts[1:], [n]]) - 1
    moving = sign[starts] != 0
    starts, ends, sign = starts[moving], ends[moving], sign[starts[moving]]
    if not len(starts):
        return np.zeros(1, dtype=np.int64)
    turns = ends[:-1][sign[1:] != sign[:-1]]
    if pieces == 1:
        return np.concatenate([[0], turns, ends[-1:]])
    borders = np.arange(1, pieces + 1) * (n // pieces) - 1
    latest = np.maximum(np.searchsorted(starts, borders, side="right") - 1, 0)
    places = np.concatenate([turns, np.minimum(ends[latest], np.maximum(borders, starts[latest]))])
    places.sort()
    return np.concatenate([[0], places])
