"""Everything one damper has done: sums, strokes, rainflow, histograms, seal passes.

`update` takes prepared travel, speed and energy of unbroken runs; `merge` adds a later stretch. All
sums are whole micro-units in integers, so any way of cutting a stretch gives the same bits
(tests/duty/test_damper_duty.py).
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.duty.strokes import Strokes
from dutylog.duty.totals import SUMS, TOTALS_COLUMNS, Totals

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

SPEED_EDGES_MPS = (0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
"""Edges of the classes of shaft speed, to the nearest 5 mm/s; the outer classes are open."""
SPEED_BINS = 2 * len(SPEED_EDGES_MPS) + 1
"""From fastest rebound over standing (the middle class, below 0.02 m/s either way) to fastest compression."""
POSITION_BIN_UM = 5_000
POSITION_BINS = 128
"""Time by travel in classes of 5 mm from -20 mm on; the outer two are open."""
PASS_LOWEST_MM = -20
PASS_CELLS = 660
"""Seal passes for each mm of shaft: how often the mark at k mm went through the seal, -20 <= k < 640."""
BOTTOM_UM = 3_000
REARM_UM = 6_000
"""A bottom-out is an up-crossing of stroke - 3 mm, re-armed below stroke - 6 mm."""

# Speeds are counted in fine classes of 10 mm/s first: one multiplication instead of a search.
_FINE_PER_MPS = 100
_FINE = 601
_FINE_EDGES = [round(edge * _FINE_PER_MPS) for edge in SPEED_EDGES_MPS]
_FINE_STARTS = np.array(
    [0, *(_FINE + 1 - edge for edge in reversed(_FINE_EDGES)), *(_FINE + edge for edge in _FINE_EDGES)]
)
_POSITION_OFFSET = 4


@dataclass(frozen=True, slots=True)
class PreparedRun:
    """An unbroken stretch of believed samples of one damper.

    travel_um: (n,) int64. speed_mps: (n,). energy_uj: (n,) int64, heat of each sample's period.
    start_ns, period_ns: time of the first sample and spacing. joined: the first sample directly
    follows the last one of the run before. edges: where pieces end whose gains are wanted apart,
    rising, the last one n; empty means the whole run is one piece.
    """

    travel_um: Ints
    speed_mps: Floats
    energy_uj: Ints
    start_ns: int
    period_ns: int
    joined: bool
    edges: tuple[int, ...] = ()


class DamperDuty:
    """Accumulated duty of one damper of a given stroke."""

    def __init__(self, stroke_um: int) -> None:
        self.stroke_um = stroke_um
        self.sums = Totals()
        self.strokes = Strokes()
        self.energy_by_speed_uj = np.zeros(SPEED_BINS, dtype=np.int64)
        self.time_by_speed_ns = np.zeros(SPEED_BINS, dtype=np.int64)
        self.time_by_position_ns = np.zeros(POSITION_BINS, dtype=np.int64)
        self._pass_steps = np.zeros(PASS_CELLS + 1, dtype=np.int64)
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
        travel = run.travel_um
        edges = run.edges or (len(travel),)
        starts = np.array((0, *edges[:-1]))
        if self.first_um is None:
            self.first_um = int(travel[0])
        step = np.empty_like(travel)
        step[0] = 0 if self.last_um is None else travel[0] - self.last_um
        np.subtract(travel[1:], travel[:-1], out=step[1:])
        places = _turning_places(step, edges)
        path = travel[places]
        points = list(zip(path.tolist(), (run.start_ns + places * run.period_ns).tolist(), strict=True))
        strokes = self.strokes.update(points)
        self._add_passes(path)
        self.last_um = int(travel[-1])
        energy = self._add_classes(run, starts)
        sliding = np.add.reduceat(np.abs(step), starts).tolist()
        peaks_in = np.maximum.reduceat(run.speed_mps, starts).tolist()
        peaks_out = np.minimum.reduceat(run.speed_mps, starts).tolist()
        gains = [
            Totals(
                energy_compression_uj=compression,
                energy_rebound_uj=rebound,
                shaft_travel_um=slid,
                peak_compression_umps=max(0, round(inwards * 1e6)),
                peak_rebound_umps=max(0, round(-outwards * 1e6)),
            )
            for compression, rebound, slid, inwards, outwards in zip(*energy, sliding, peaks_in, peaks_out, strict=True)
        ]
        for piece in gains:
            self.sums.merge(piece)
        for number, length_um in strokes:
            piece = gains[bisect_right(edges, int(places[number]))]
            piece.strokes_count += 1
            piece.compression_strokes_count += length_um > 0
            piece.stroke_travel_um += abs(length_um)
        for place in self._add_bottom_outs(travel):
            gains[bisect_right(edges, place)].bottom_outs_count += 1
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
            self._add_passes(np.array([later.first_um], dtype=np.int64))
        self.strokes.merge(later.strokes)
        self.sums.merge(later.sums)
        if self.first_um is None:
            self.first_um = later.first_um
        if later.first_um is not None:
            self.last_um = later.last_um
        self.energy_by_speed_uj += later.energy_by_speed_uj
        self.time_by_speed_ns += later.time_by_speed_ns
        self.time_by_position_ns += later.time_by_position_ns
        self._pass_steps += later._pass_steps
        self._merge_bottom_outs(later)

    def _add_passes(self, path_um: Ints) -> None:
        """Add seal passes along straight legs from where travel last was through the given places."""
        cell = np.empty(len(path_um) + 1, dtype=np.int64)
        cell[0] = path_um[0] if self.last_um is None else self.last_um
        cell[1:] = path_um
        cell = np.clip(cell // 1000 - PASS_LOWEST_MM, 0, PASS_CELLS - 1)
        low, high = np.minimum(cell[:-1], cell[1:]), np.maximum(cell[:-1], cell[1:])
        # Marks low+1 .. high are passed: +1 behind low, -1 behind high, summed up when asked for.
        self._pass_steps += np.bincount(low + 1, minlength=PASS_CELLS + 1)
        self._pass_steps -= np.bincount(high + 1, minlength=PASS_CELLS + 1)

    @property
    def seal_passes(self) -> Ints:
        """Return how often each mark went through the seal: (PASS_CELLS,), the first at PASS_LOWEST_MM."""
        return np.cumsum(self._pass_steps[:PASS_CELLS])

    def _add_classes(self, run: PreparedRun, starts: Ints) -> tuple[list[int], list[int]]:
        """Add to the histograms; return (compression, rebound) energy [uJ] of each piece."""
        fine = run.speed_mps * _FINE_PER_MPS
        fine += _FINE + 0.5
        key = np.clip(fine, 0, 2 * _FINE, out=fine).astype(np.intp)
        # Exact: a run's energy in uJ stays far below 2**53.
        fine_energy = np.bincount(key, run.energy_uj, 2 * _FINE + 1)
        fine_count = np.bincount(key, minlength=2 * _FINE + 1)
        self.energy_by_speed_uj += np.add.reduceat(fine_energy, _FINE_STARTS).astype(np.int64)
        self.time_by_speed_ns += np.add.reduceat(fine_count, _FINE_STARTS) * run.period_ns
        # Half a micrometre keeps the class edges on whole micrometres whatever the rounding of 1/5000.
        coarse = run.travel_um * (1.0 / POSITION_BIN_UM)
        coarse += _POSITION_OFFSET + 0.5 / POSITION_BIN_UM
        place = np.clip(coarse, 0, POSITION_BINS - 1, out=coarse).astype(np.intp)
        self.time_by_position_ns += np.bincount(place, minlength=POSITION_BINS) * run.period_ns
        inwards = np.add.reduceat(np.where(run.speed_mps >= 0, run.energy_uj, 0), starts)
        both = np.add.reduceat(run.energy_uj, starts)
        return inwards.tolist(), (both - inwards).tolist()

    def _add_bottom_outs(self, travel_um: Ints) -> list[int]:
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
            "energy_by_speed_uj": self.energy_by_speed_uj.tolist(),
            "time_by_speed_ns": self.time_by_speed_ns.tolist(),
            "time_by_position_ns": self.time_by_position_ns.tolist(),
            "pass_steps": self._pass_steps.tolist(),
            "ends_um": [self.first_um, self.last_um],
            "bottom": [self._bottomed_first, self._rearmed, self._armed],
        }

    @staticmethod
    def from_dict(data: dict[str, Any]) -> DamperDuty:
        """Restore what `to_dict` gave."""
        duty = DamperDuty(int(data["stroke_um"]))
        duty.sums = Totals(*data["sums"])
        duty.strokes = Strokes.from_dict(data["strokes"])
        for name in ("energy_by_speed_uj", "time_by_speed_ns", "time_by_position_ns"):
            setattr(duty, name, np.array(data[name], dtype=np.int64))
        duty._pass_steps = np.array(data["pass_steps"], dtype=np.int64)
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


def _turning_places(step: Ints, edges: tuple[int, ...]) -> Ints:
    """Return the places of the first sample, of every local extreme and of where each piece ends.

    step[i]: from the sample before to sample i. An extreme stands where it was first reached, so
    that a flat top cut in two is the same flat top.
    """
    moves = np.flatnonzero(step)
    if not len(moves):
        return np.zeros(1, dtype=np.int64)
    rising = step[moves] > 0
    turns = moves[:-1][rising[1:] != rising[:-1]]
    ends = np.searchsorted(moves, edges) - 1
    places = np.concatenate([turns, moves[np.maximum(ends, 0)]])
    places.sort()
    return np.concatenate([[0], places])
