"""A damper's place on the vehicle: turns prepared tiles into duty of the unit that sits there."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from dutylog.domain.vehicle import Damper, Profile
from dutylog.duty.cavitation import CavitationMargin, part_of
from dutylog.duty.damper_duty import DamperDuty, PreparedRun
from dutylog.duty.pieces import PieceSums
from dutylog.duty.totals import Totals
from dutylog.engine.epoch_run import PreparedTile
from dutylog.engine.faults import FaultTracker
from dutylog.engine.lost_time import NO_SENSOR, STUCK, LostTime, add_lost, share_out
from dutylog.engine.output import Fault
from dutylog.engine.shared_span import SharedSpan, is_shaken
from dutylog.engine.stuck import QUARTERS, QUIET_M, QUIET_NOISE_LEVELS, StuckJudge
from dutylog.motion.validity import IMPOSSIBLE_SPEED, REASONS, find_runs
from dutylog.units import FS_PER_NS

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

    counted: (n,) which samples count, None for all. lost_us: the unmeasured time by reason, None for none. steady:
    every sample counts and the sensor isn't at rest.
    """

    totals: Totals
    measured_us: int
    unmeasured_us: int = 0
    faults: Sequence[Fault] = ()
    counted: Mask | None = None
    lost_us: LostTime | None = None
    steady: bool = True


@dataclass(slots=True)
class Place:
    """A place, the unit in it and what that unit accumulates.

    next_index: index after the last one accumulated, None where travel was broken off. margin: None where cavitation
    isn't judged.
    """

    damper: Damper
    profile: Profile
    unit_id: str
    serial: str | None
    duty: DamperDuty
    stuck: StuckJudge = field(default_factory=StuckJudge)
    next_index: int | None = None
    margin: CavitationMargin | None = None

    def is_joined(self, tile: PreparedTile) -> bool:
        """Return whether a tile directly follows what was accumulated last."""
        return self.next_index == tile.start_index

    def take_tiles(self, shared: SharedSpan, row: int, rms_mps: Floats, tracker: FaultTracker) -> list[TileGain]:
        """Add tiles, in some of which something may be wrong, to the duty; return what each brought.

        rms_mps: (dampers, tiles) shaft speeds.
        """
        suspects, count = shared.suspects[row], len(shared.span.tiles)
        gains: list[TileGain] = []
        while (number := len(gains)) < count:
            if self.stuck.is_calm and number not in suspects:
                stop = next((suspect for suspect in suspects if suspect > number), count)
                gains += self.take_clean(shared, row, number, stop)
            else:
                gains.append(self._take_judged(shared, row, number, rms_mps[:, number], tracker))
        return gains

    def take_clean(
        self, shared: SharedSpan, row: int, start: int, stop: int, found: PieceSums | None = None
    ) -> list[TileGain]:
        """Add tiles start..stop, of which every sample counts. found: what they hold, where known already."""
        span = shared.span
        tiles, part = span.tiles[start:stop], shared.part(start, stop)
        first = tiles[0]
        period_ns = round(first.period_fs / FS_PER_NS)
        run = PreparedRun(
            shared.travel_um[row, part],
            span.speed_mps[row, part],
            shared.heat_uj[row, part],
            first.start_index * period_ns,
            period_ns,
            joined=self.is_joined(first),
            pieces=len(tiles),
            cells=shared.cells[row, part],
            beyond=part_of(shared.beyond[row], part.start, part.stop),
        )
        broken = None if run.joined else self.duty.break_off()
        gains = self.duty.update(run) if found is None else self.duty.add(run, found)
        if broken is not None:
            gains[0].merge(broken)
        self.next_index = first.start_index + first.n * len(tiles)
        return [TileGain(totals, tile.length_us) for totals, tile in zip(gains, tiles, strict=True)]

    def _take_judged(
        self, shared: SharedSpan, row: int, number: int, rms_mps: Floats, tracker: FaultTracker
    ) -> TileGain:
        """Add what counts of a tile in which something may be wrong."""
        tile, part = shared.span.tiles[number], shared.part(number, number + 1)
        was_calm = self.stuck.is_calm
        gain, valid = self.judge_time(tile, row, is_shaken(tile, row, rms_mps), tracker)
        heat_uj = shared.heat_uj[row, part]
        heat_uj[~valid] = 0.0
        gain.totals = self._accumulate(tile, valid, shared, row, part)
        gain.counted = valid
        gain.steady = was_calm and self.stuck.is_calm and bool(valid.all())
        return gain

    def _accumulate(self, tile: PreparedTile, valid: Mask, shared: SharedSpan, row: int, part: slice) -> Totals:
        """Add a tile's valid samples to the duty; return what they brought."""
        if not valid.any():
            return self.break_off()
        gained = Totals()
        period_ns = round(tile.period_fs / FS_PER_NS)
        travel_um, heat_uj = shared.travel_um[row, part], shared.heat_uj[row, part]
        speed, cells = shared.span.speed_mps[row, part], shared.cells[row, part]
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
                cells=cells[start:stop],
                beyond=part_of(shared.beyond[row], part.start + start, part.start + stop),
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
        faults: list[Fault] = []
        lost_us: LostTime = {}
        gain = TileGain(Totals(), 0, 0, faults, lost_us=lost_us)
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
            add_lost(lost_us, {STUCK: sure[1]})
            if span_us > believed_us:
                add_lost(lost_us, self._share_out(tile, row, span_us - believed_us, codes[start:stop][~part]))
            if self.stuck.is_stuck:
                part[:] = False
            if self.stuck.is_stuck or stuck_before:
                begin_ns = self.stuck.start_ns if self.stuck.is_stuck else stuck_since_ns
                end_ns = tile.time_ns(stop if self.stuck.is_stuck else loose)
                faults += tracker.note(self.damper.position, STUCK, begin_ns, end_ns)
        faults += self._note_impossible(tile, codes, tracker)
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


def take_span(
    places: Sequence[Place], shared: SharedSpan, rms_mps: Floats, tracker: FaultTracker
) -> list[list[TileGain]]:
    """Add tiles to the duty of all places; return what each brought each of them.

    rms_mps: (dampers, tiles) shaft speeds.
    """
    first, count = shared.span.tiles[0], len(shared.span.tiles)
    plain = [row for row, place in enumerate(places) if place.stuck.is_calm and not len(shared.suspects[row])]
    lasts_um = [places[row].duty.last_um if places[row].is_joined(first) else None for row in plain]
    known = dict(zip(plain, shared.sum_pieces(plain, lasts_um), strict=True)) if plain else {}
    return [
        place.take_clean(shared, row, 0, count, known[row])
        if row in known
        else place.take_tiles(shared, row, rms_mps, tracker)
        for row, place in enumerate(places)
    ]


def _codes_of(tile: PreparedTile, row: int) -> Codes:
    """Return a copy of the reasons why a damper's samples don't count."""
    return np.zeros(tile.n, dtype=np.uint8) if tile.reason is None else tile.reason[row].copy()


def _blame_stuck(valid: Mask, codes: Codes, start: int, stop: int) -> None:
    """Take samples out because of a stuck sensor; its coming loose is no impossible speed."""
    valid[start:stop] = False
    part = codes[start:stop]
    part[part == IMPOSSIBLE_SPEED] = 0
