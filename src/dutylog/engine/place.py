"""A damper's place on the vehicle: turns prepared tiles into duty of the unit that sits there."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Damper, Profile
from dutylog.duty.cavitation import CavitationMargin, Places, part_of
from dutylog.duty.damper_duty import DamperDuty, PreparedRun
from dutylog.duty.force import ForceTable
from dutylog.duty.speed_cells import Cells, find_cells
from dutylog.duty.totals import Totals
from dutylog.engine.epoch_run import PreparedSpan, PreparedTile
from dutylog.engine.faults import FaultTracker
from dutylog.engine.lost_time import NO_SENSOR, STUCK, LostTime, add_lost, share_out
from dutylog.engine.output import Fault
from dutylog.engine.stuck import OTHERS_MPS, QUARTERS, QUIET_M, QUIET_NOISE_LEVELS, StuckJudge
from dutylog.motion.validity import IMPOSSIBLE_SPEED, REASONS, find_runs
from dutylog.units import FS_PER_NS

Energies = NDArray[np.float64]
Steps = NDArray[np.int32]
Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]
Codes = NDArray[np.uint8]

JUMP_S = 0.02
"""What a sensor that comes loose smears into prepared travel. Judgement."""
WHOLE_S = 0.9
"""A tile is round(rate) samples long, so a whole one never takes less."""
JUMP_NOISE_LEVELS = 8.0
"""A step between two samples this many times the noise is a jump; noise alone stays below 5. Judgement."""


@dataclass(slots=True)
class TileGain:
    """What one tile brought a damper: duty, (measured, unmeasured) time [us] that became certain, faults.

    counted: (n,) which samples count, None for all. lost_us: the unmeasured time by reason. steady: every
    sample counts and the sensor isn't at rest.
    """

    totals: Totals
    measured_us: int
    unmeasured_us: int
    faults: list[Fault]
    counted: Mask | None = None
    lost_us: LostTime = field(default_factory=dict)
    steady: bool = True


@dataclass(frozen=True, slots=True)
class _Prepared:
    """A damper's row of a span: travel [um], heat [uJ], whole numbers, and cells of speed of all samples.

    beyond: places beyond the cavitation margin, None for none.
    """

    span: PreparedSpan
    row: int
    travel_um: Steps
    heat_uj: Energies
    cells: Cells
    beyond: Places | None

    def part(self, start: int, stop: int) -> slice:
        """Return where the samples of tiles start..stop are; all tiles of a span are equally long."""
        n = self.span.tiles[0].n
        return slice(start * n, stop * n)


@dataclass(frozen=True, slots=True)
class SharedSpan:
    """What all places need of a span, worked out for all dampers in one go.

    cells: (dampers, indices) of shaft speed. travel_um: (dampers, indices) [um]. calmest_m: (dampers, tiles)
    least range of travel in a quarter of each tile [m].
    """

    span: PreparedSpan
    cells: Cells
    travel_um: Steps
    calmest_m: Floats

    @staticmethod
    def of(span: PreparedSpan) -> SharedSpan:
        """Work it out."""
        travel_um = np.rint(span.travel_m * np.float32(1e6)).astype(np.int32)
        n = span.tiles[0].n
        travel = span.travel_m.reshape(len(span.travel_m), len(span.tiles), n)
        quarters = [n * quarter // QUARTERS for quarter in range(QUARTERS + 1)]
        parts = [travel[:, :, start:stop] for start, stop in itertools.pairwise(quarters) if stop > start]
        calmest_m = np.min([part.max(axis=2) - part.min(axis=2) for part in parts], axis=0)
        return SharedSpan(span, find_cells(span.speed_mps), travel_um, calmest_m)


@dataclass(slots=True)
class Place:
    """A place, the unit in it and what that unit accumulates.

    next_index: index after the last one accumulated, None where travel was broken off. margin: None where cavitation
    isn't judged.
    """

    damper: Damper
    profile: Profile
    force: ForceTable
    unit_id: str
    serial: str | None
    duty: DamperDuty
    stuck: StuckJudge = field(default_factory=StuckJudge)
    next_index: int | None = None
    margin: CavitationMargin | None = None

    def take_span(
        self, shared: SharedSpan, row: int, rms_mps: Floats, tracker: FaultTracker, energy_uj: Energies
    ) -> list[TileGain]:
        """Add tiles to the duty; return what each brought.

        rms_mps: (dampers, tiles) shaft speeds. energy_uj: (indices,) takes the heat that counts.
        """
        span, cells = shared.span, shared.cells[row]
        heat_uj, beyond = self._compute_heat_uj(span, row, cells, energy_uj)
        prepared = _Prepared(span, row, shared.travel_um[row], heat_uj, cells, beyond)
        for tile in span.tiles:
            self.duty.add_body_c(tile.body_samples[row])
        gains: list[TileGain] = []
        suspects: Sequence[int] = range(len(span.tiles))
        if span.clean[row]:
            suspects = self._find_suspects(span, row, shared.calmest_m[row], rms_mps)
        while (number := len(gains)) < len(span.tiles):
            if self.stuck.is_calm and number not in suspects:
                stop = next((suspect for suspect in suspects if suspect > number), len(span.tiles))
                gains += self._take_clean(prepared, number, stop)
            else:
                gains.append(self._take_judged(prepared, number, rms_mps[:, number], tracker))
        return gains

    def _take_judged(self, prepared: _Prepared, number: int, rms_mps: Floats, tracker: FaultTracker) -> TileGain:
        """Add what counts of a tile in which something may be wrong."""
        span, row = prepared.span, prepared.row
        tile, part = span.tiles[number], prepared.part(number, number + 1)
        was_calm = self.stuck.is_calm
        gain, valid = self.judge_time(tile, row, is_shaken(tile, row, rms_mps), tracker)
        heat_uj = prepared.heat_uj[part]
        heat_uj[~valid] = 0.0
        gain.totals = self._accumulate(tile, valid, prepared, part)
        gain.counted = valid
        gain.steady = was_calm and self.stuck.is_calm and bool(valid.all())
        return gain

    def _compute_heat_uj(
        self, span: PreparedSpan, row: int, cells: Cells, out: Energies
    ) -> tuple[Energies, Places | None]:
        """Return in `out` the heat [uJ] of each sample, >= 0, whole numbers; and which lie beyond the margin."""
        speed, first = span.speed_mps[row].astype(np.float64), span.tiles[0]
        heat = self.force.compute_force_n(speed, span.travel_m[row], cells)
        fade = self.force.compute_fade_ratio(np.array([tile.body_c[row] for tile in span.tiles]))
        beyond = None if self.margin is None else self.margin.find_beyond(heat, span.travel_m[row], fade)
        heat *= speed
        by_tile = heat.reshape(len(span.tiles), -1)
        by_tile *= (fade * (first.dt_s * 1e6))[:, None]
        np.maximum(heat, 0.0, out=heat)
        return np.rint(heat, out=out), beyond

    @staticmethod
    def _find_suspects(span: PreparedSpan, row: int, calmest_m: Floats, rms_mps: Floats) -> list[int]:
        """Return the tiles in which a quarter is quiet while the other dampers are shaken."""
        limits_m = [max(QUIET_M, QUIET_NOISE_LEVELS * float(tile.noise_m[row])) for tile in span.tiles]
        quiet = np.flatnonzero(calmest_m < limits_m).tolist()
        return [number for number in quiet if is_shaken(span.tiles[number], row, rms_mps[:, number])]

    def _take_clean(self, prepared: _Prepared, start: int, stop: int) -> list[TileGain]:
        """Add tiles start..stop, of which every sample counts."""
        span = prepared.span
        tiles, part = span.tiles[start:stop], prepared.part(start, stop)
        first = tiles[0]
        period_ns = round(first.period_fs / FS_PER_NS)
        run = PreparedRun(
            prepared.travel_um[part],
            span.speed_mps[prepared.row, part],
            prepared.heat_uj[part],
            first.start_index * period_ns,
            period_ns,
            joined=self.next_index == first.start_index,
            pieces=len(tiles),
            cells=prepared.cells[part],
            beyond=part_of(prepared.beyond, part.start, part.stop),
        )
        broken = Totals() if run.joined else self.duty.break_off()
        gains = self.duty.update(run)
        gains[0].merge(broken)
        self.next_index = first.start_index + first.n * len(tiles)
        return [
            TileGain(totals, tile.time_ns(tile.n) // 1000 - tile.start_ns // 1000, 0, [])
            for totals, tile in zip(gains, tiles, strict=True)
        ]

    def _accumulate(self, tile: PreparedTile, valid: Mask, prepared: _Prepared, part: slice) -> Totals:
        """Add a tile's valid samples to the duty; return what they brought."""
        if not valid.any():
            return self.break_off()
        gained = Totals()
        period_ns = round(tile.period_fs / FS_PER_NS)
        travel_um, heat_uj = prepared.travel_um[part], prepared.heat_uj[part]
        speed = prepared.span.speed_mps[prepared.row, part]
        for start, stop in find_runs(valid):
            joined = self.next_index == tile.start_index + start
            if not joined:
                gained.merge(self.duty.break_off())
            run = PreparedRun(
                travel_um[start:stop],
                speed[start:stop],
                heat_uj[start:stop],
                (tile.start_index + start) * period_ns,
                period_ns,
                joined,
                beyond=part_of(prepared.beyond, part.start + start, part.start + stop),
            )
            for totals in self.duty.update(run):
                gained.merge(totals)
            self.next_index = tile.start_index + stop
        return gained

    def break_off(self) -> Totals:
        """Travel was lost: nothing spans what comes next. Returns what that gained."""
        self.next_index = None
        return self.duty.break_off()

    def judge_time(self, tile: PreparedTile, row: int, shaken: bool, tracker: FaultTracker) -> tuple[TileGain, Mask]:
        """Return the times that became certain (totals still to come) and which samples count.

        Notes a stuck sensor; its samples don't count, nor does the jump by which it comes loose.
        """
        gain = TileGain(Totals(), 0, 0, [])
        valid, codes = tile.valid[row].copy(), _codes_of(tile, row)
        quiet_m = max(QUIET_M, QUIET_NOISE_LEVELS * float(tile.noise_m[row]))
        edges = [tile.n * quarter // QUARTERS for quarter in range(QUARTERS + 1)]
        _blame_stuck(valid, codes, 0, self.stuck.blank_count)
        self.stuck.blank_count = 0
        for start, stop in itertools.pairwise(edges):
            if stop == start:
                continue
            part = valid[start:stop]
            quiet = shaken and bool(part.all()) and float(np.ptp(tile.travel_m[row, start:stop])) < quiet_m
            # A cut tile has shorter quarters: four samples are always quiet and prove nothing.
            quiet = quiet and (self.stuck.is_stuck or (stop - start) * QUARTERS * tile.dt_s > WHOLE_S)
            stuck_before, stuck_since_ns = self.stuck.is_stuck, self.stuck.start_ns
            loosened = stuck_before and not quiet
            loose = start
            if loosened or self.stuck.is_loose:
                loose = self._blank_jump(tile, row, (valid, codes), (start, stop), loosened)
            span_us = tile.time_ns(stop) // 1000 - tile.time_ns(start) // 1000
            believed_us = span_us * int(part.sum()) // (stop - start)
            sure = self.stuck.update(quiet, believed_us, tile.time_ns(start))
            gain.measured_us += sure[0]
            gain.unmeasured_us += sure[1] + span_us - believed_us
            add_lost(gain.lost_us, {STUCK: sure[1]})
            if span_us > believed_us:
                add_lost(gain.lost_us, self._share_out(tile, row, span_us - believed_us, codes[start:stop][~part]))
            if self.stuck.is_stuck:
                part[:] = False
            if self.stuck.is_stuck or stuck_before:
                begin_ns = self.stuck.start_ns if self.stuck.is_stuck else stuck_since_ns
                end_ns = tile.time_ns(stop if self.stuck.is_stuck else loose)
                gain.faults += tracker.note(self.damper.position, STUCK, begin_ns, end_ns)
        gain.faults += self._note_impossible(tile, codes, tracker)
        return gain, valid

    def _note_impossible(self, tile: PreparedTile, codes: Codes, tracker: FaultTracker) -> list[Fault]:
        """Note stretches no shaft moves through; return older ones that are over."""
        over = []
        for start, stop in find_runs(codes == IMPOSSIBLE_SPEED):
            times_ns = tile.time_ns(start), tile.time_ns(stop)
            over += tracker.note(self.damper.position, REASONS[IMPOSSIBLE_SPEED], *times_ns)
        return over

    @staticmethod
    def _share_out(tile: PreparedTile, row: int, lost_us: int, codes: Codes) -> LostTime:
        """Return lost time by reason."""
        return share_out(lost_us, codes) if tile.has_sensor[row] else {NO_SENSOR: lost_us}

    def _blank_jump(
        self, tile: PreparedTile, row: int, marks: tuple[Mask, Codes], span: tuple[int, int], loosened: bool
    ) -> int:
        """Take out the jump by which a sensor comes loose; return the index up to which it was stuck.

        Prepared travel shows the jump some ms early: where the quarter in which it `loosened` holds
        none, the sensor was stuck to its end, and the jump is looked for at the beginning of the next.
        """
        after = round(JUMP_S / tile.dt_s)
        start, stop = span if loosened else (span[0], min(span[1], span[0] + 2 * after))
        step_m = np.abs(np.diff(tile.raw_m[row, start:stop]))
        found = len(step_m) > 0 and bool(step_m.max() > JUMP_NOISE_LEVELS * float(tile.noise_m[row]))
        self.stuck.is_loose = loosened and not found
        if not found:
            # Looked for in vain twice: it lies between the two quarters, or there was none.
            _blame_stuck(*marks, start, stop if loosened else start + after)
            return stop
        jump = start + 1 + int(np.argmax(step_m))
        _blame_stuck(*marks, start, jump + after)
        self.stuck.blank_count = max(0, jump + after - tile.n)
        return jump


def _codes_of(tile: PreparedTile, row: int) -> Codes:
    """Return a copy of the reasons why a damper's samples don't count."""
    return np.zeros(tile.n, dtype=np.uint8) if tile.reason is None else tile.reason[row].copy()


def _blame_stuck(valid: Mask, codes: Codes, start: int, stop: int) -> None:
    """Take samples out because of a stuck sensor; its coming loose is no impossible speed."""
    valid[start:stop] = False
    part = codes[start:stop]
    part[part == IMPOSSIBLE_SPEED] = 0


def is_shaken(tile: PreparedTile, row: int, rms_mps: NDArray[np.float64]) -> bool:
    """Return whether the other dampers show that the vehicle is being shaken."""
    others = sorted(float(rms) for i, rms in enumerate(rms_mps) if i != row and tile.valid[i].any())
    return bool(others) and others[len(others) // 2] > OTHERS_MPS
