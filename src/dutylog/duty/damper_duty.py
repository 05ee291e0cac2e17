"""Everything one damper has done: sums, strokes, rainflow, histograms, seal passes.

`update` takes prepared travel, speed and energy of unbroken runs; `merge` adds a later stretch. All
sums are whole micro-units in integers, so any way of cutting a stretch gives the same bits
(tests/duty/test_damper_duty.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from dutylog.duty.strokes import Point, Strokes
from dutylog.duty.totals import SUMS, TOTALS_COLUMNS, Totals

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

SPEED_EDGES_MPS = (0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0)
"""Classes of shaft speed; class 0 lies below the first edge, the last above the last."""
POSITION_BIN_UM = 5_000
POSITION_BINS = 128
"""Time by travel in classes of 5 mm from -20 mm on; the outer two are open."""
PASS_LOWEST_MM = -20
PASS_CELLS = 660
"""Seal passes for each mm of shaft: how often the mark at k mm went through the seal, -20 <= k < 640."""
BOTTOM_UM = 3_000
REARM_UM = 6_000
"""A bottom-out is an up-crossing of stroke - 3 mm, re-armed below stroke - 6 mm."""

_SPEED_EDGES = np.array(SPEED_EDGES_MPS)
_SPEED_BINS = len(SPEED_EDGES_MPS) + 1
_POSITION_OFFSET = 4


@dataclass(frozen=True, slots=True)
class PreparedRun:
    """An unbroken stretch of believed samples of one damper.

    travel_um: (n,) int64. speed_mps: (n,). energy_uj: (n,) int64, heat of each sample's period.
    start_ns, period_ns: time of the first sample and spacing. joined: the first sample directly
    follows the last one of the run before.
    """

    travel_um: Ints
    speed_mps: Floats
    energy_uj: Ints
    start_ns: int
    period_ns: int
    joined: bool


class DamperDuty:
    """Accumulated duty of one damper of a given stroke."""

    def __init__(self, stroke_um: int) -> None:
        self.stroke_um = stroke_um
        self.sums = Totals()
        self.strokes = Strokes()
        self.energy_by_speed_uj = np.zeros(2 * _SPEED_BINS, dtype=np.int64)
        self.time_by_speed_ns = np.zeros(2 * _SPEED_BINS, dtype=np.int64)
        self.time_by_position_ns = np.zeros(POSITION_BINS, dtype=np.int64)
        self.seal_passes = np.zeros(PASS_CELLS, dtype=np.int64)
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

    def update(self, run: PreparedRun) -> None:
        """Add a run; see PreparedRun."""
        if not run.joined:
            self.break_off()
        travel = run.travel_um
        if self.first_um is None:
            self.first_um = int(travel[0])
        points = _turning_points(travel, run.start_ns, run.period_ns)
        self.strokes.update(points)
        path = [p[0] for p in points] if self.last_um is None else [self.last_um, *(p[0] for p in points)]
        self._add_path(np.array(path, dtype=np.int64))
        self.last_um = int(travel[-1])
        self._add_classes(run)
        self._add_bottom_outs(travel)

    def add_time(self, *, measured_us: int = 0, unmeasured_us: int = 0, moving: bool = False) -> None:
        """Account for time, measured or not, in motion or not."""
        self.sums.measured_us += measured_us
        self.sums.unmeasured_us += unmeasured_us
        if moving:
            self.sums.moving_us += measured_us + unmeasured_us
            self.sums.moving_measured_us += measured_us

    def add_body_c(self, body_c: Floats) -> None:
        """Take body temperatures [degC] for the peak."""
        if len(body_c):
            peak_mc = round(float(body_c.max()) * 1000)
            old = self.sums.peak_body_mc
            self.sums.peak_body_mc = peak_mc if old is None else max(old, peak_mc)

    def break_off(self) -> None:
        """Travel was lost or the run is over: the open stroke ends, nothing spans the gap."""
        if self.last_um is not None:
            self.strokes.break_off()
            self.last_um = None

    def merge(self, later: DamperDuty, *, joined: bool) -> None:
        """Add a later stretch; joined: its first sample directly follows this one's last."""
        if not joined:
            self.break_off()
        elif later.first_um is not None and self.last_um is not None:
            self._add_path(np.array([self.last_um, later.first_um], dtype=np.int64))
        self.strokes.merge(later.strokes)
        self.sums.merge(later.sums)
        if self.first_um is None:
            self.first_um = later.first_um
        if later.first_um is not None:
            self.last_um = later.last_um
        self.energy_by_speed_uj += later.energy_by_speed_uj
        self.time_by_speed_ns += later.time_by_speed_ns
        self.time_by_position_ns += later.time_by_position_ns
        self.seal_passes += later.seal_passes
        self._merge_bottom_outs(later)

    def _add_path(self, path_um: Ints) -> None:
        """Add sliding and seal passes along straight legs between the given places."""
        self.sums.shaft_travel_um += int(np.abs(np.diff(path_um)).sum())
        cell = np.clip(path_um // 1000 - PASS_LOWEST_MM, 0, PASS_CELLS - 1)
        low, high = np.minimum(cell[:-1], cell[1:]), np.maximum(cell[:-1], cell[1:])
        # Marks low+1 .. high are passed: +1 behind low, -1 behind high, summed up.
        steps = np.bincount(low + 1, minlength=PASS_CELLS + 1) - np.bincount(high + 1, minlength=PASS_CELLS + 1)
        self.seal_passes += np.cumsum(steps[:PASS_CELLS])

    def _add_classes(self, run: PreparedRun) -> None:
        speed = np.abs(run.speed_mps)
        rebound = run.speed_mps < 0
        group = np.searchsorted(_SPEED_EDGES, speed, side="right") + _SPEED_BINS * rebound
        # Exact: a tile's energy in uJ stays far below 2**53.
        energy = np.bincount(group, run.energy_uj, 2 * _SPEED_BINS).astype(np.int64)
        self.energy_by_speed_uj += energy
        self.time_by_speed_ns += np.bincount(group, minlength=2 * _SPEED_BINS) * run.period_ns
        place = np.clip(run.travel_um // POSITION_BIN_UM + _POSITION_OFFSET, 0, POSITION_BINS - 1)
        self.time_by_position_ns += np.bincount(place, minlength=POSITION_BINS) * run.period_ns
        self.sums.energy_compression_uj += int(energy[:_SPEED_BINS].sum())
        self.sums.energy_rebound_uj += int(energy[_SPEED_BINS:].sum())
        peak = round(float(run.speed_mps.max()) * 1e6), round(-float(run.speed_mps.min()) * 1e6)
        self.sums.peak_compression_umps = max(self.sums.peak_compression_umps, peak[0])
        self.sums.peak_rebound_umps = max(self.sums.peak_rebound_umps, peak[1])

    def _add_bottom_outs(self, travel_um: Ints) -> None:
        hit = travel_um >= self.stroke_um - BOTTOM_UM
        free = travel_um < self.stroke_um - REARM_UM
        if not hit.any():
            if free.any():
                self._armed = self._rearmed = True
            return
        for place in np.flatnonzero(hit | free):
            if free[place]:
                self._armed = self._rearmed = True
            elif self._armed:
                self._armed = False
                if self._rearmed:
                    self.sums.bottom_outs_count += 1
                else:
                    self._bottomed_first = True

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
            "seal_passes": self.seal_passes.tolist(),
            "ends_um": [self.first_um, self.last_um],
            "bottom": [self._bottomed_first, self._rearmed, self._armed],
        }

    @staticmethod
    def from_dict(data: dict[str, Any]) -> DamperDuty:
        """Restore what `to_dict` gave."""
        duty = DamperDuty(int(data["stroke_um"]))
        duty.sums = Totals(*data["sums"])
        duty.strokes = Strokes.from_dict(data["strokes"])
        for name in ("energy_by_speed_uj", "time_by_speed_ns", "time_by_position_ns", "seal_passes"):
            setattr(duty, name, np.array(data[name], dtype=np.int64))
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


def _turning_points(travel_um: Ints, start_ns: int, period_ns: int) -> list[Point]:
    """Return first, last and every local extreme as (travel, time it was first reached)."""
    step = np.diff(travel_um)
    moves = np.flatnonzero(step)
    rising = step[moves] > 0
    turn = moves[:-1][rising[1:] != rising[:-1]] + 1
    places = np.concatenate([[0], turn, moves[-1:] + 1])
    times = start_ns + places * period_ns
    return list(zip(travel_um[places].tolist(), times.tolist(), strict=True))
