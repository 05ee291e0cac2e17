"""One pass of the engine over the raw frames of a trip, or of a piece of it."""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Iterator, Mapping

import numpy as np

from dutylog.domain.vehicle import Vehicle
from dutylog.duty.damper_duty import DamperDuty
from dutylog.duty.totals import SUMS, Totals
from dutylog.engine.engine import EnergyTile, Engine, is_named
from dutylog.engine.output import Fault as EngineFault
from dutylog.recording.block import LATITUDE, LONGITUDE
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.reader import LogReader
from dutylog.recording.scan import TORN
from dutylog.review.borders import Borders
from dutylog.review.pass_job import Part, PassJob, Place
from dutylog.review.road import RoadRows
from dutylog.review.row_gather import RowGather
from dutylog.review.trip_data import Fault, Floats
from dutylog.review.trip_duty import StrokeLog, describe_state, make_duty
from dutylog.units import FS_PER_NS, NS_PER_S

NEAR_TILES = 80
"""So far ahead of a cut tiles are worked off one by one; the engine lets 36 wait."""
_SAMPLED = (FrameType.SAMPLES, FrameType.GAP)


class TripPass:
    """Reads frames and gathers rows; `go` may stop before a tile and be called again."""

    def __init__(self, job: PassJob, progress: Callable[[float], None] = lambda _: None) -> None:
        """progress: told how much of the trip is done [s]."""
        self._job, self._progress = job, progress
        self._reader = LogReader(job.log)
        self._frames: Iterator[Frame] = self._reader.frames(after_sequence=job.after_sequence)
        self._borders = Borders(job.spans)
        self._engine: Engine | None = None
        self._heads: list[Frame] = []
        self._tiles: list[EnergyTile] = []
        self._duties: dict[str, tuple[DamperDuty, StrokeLog]] = {}
        self._gather = RowGather(self._duties)
        self._units: dict[str, str] = {}
        self._faults: list[tuple[int, EngineFault]] = []
        self._fixes: list[tuple[int, int, float, float]] = []
        self._is_over = False

    def go(self, until: Place | None = None) -> bytes | None:
        """Read on to the end of the trip, or to just before a tile of it.

        Returns:
            the state there, equal for two passes that will go on alike; None at the trip's end, or where the engine
            passed the tile without stopping.
        Raises:
            RecordingError: the log can't be read.
        """
        if self._is_over:
            return None
        for frame in self._frames:
            if frame.sequence > self._job.until_sequence:
                break
            for one in self._job.corrected.take(frame):
                self._feed(one, is_near=until is not None and self._is_near(until))
            last = self._gather.last
            if self._is_over:
                return None
            if until is not None and last is not None and (last.epoch, last.tile + 1) >= until:
                if (last.epoch, last.tile + 1) == until:
                    if until == self._job.since:
                        self._faults.clear()  # whoever reads up to here has told them
                    return self._describe(frame.sequence)
                until = None
        if self._engine is not None:
            self._faults += [(self._epoch, fault) for fault in self._engine.work_off().faults]
            self._take_tiles(self._engine.vehicle)
        self._is_over = True
        return None

    def finish(self) -> Part:
        """Return what was found, once."""
        gather = self._gather
        gather.close()
        rows = np.array(gather.rows, dtype=np.float64).reshape(-1, 6)
        return Part(
            vehicle=None if self._engine is None else self._engine.vehicle,
            t_s=rows[:, 0],
            dt_s=rows[:, 1],
            moving=rows[:, 2] > 0.0,
            vehicle_mps=rows[:, 3],
            driven_m=rows[:, 4],
            ambient_c=rows[:, 5],
            fixes=self._convert_fixes(),
            seats=tuple(seat.finish() for seat in gather.seats.values()),
            contacts=tuple(gather.contacts),
            faults=tuple(self._convert_faults(float(rows[-1, 0] + rows[-1, 1]) if len(rows) else 0.0)),
            roads=RoadRows.join([sink.rows() for sink in gather.roads]),
            damage=tuple(dict.fromkeys(one.reason for one in self._reader.damage if one.kind != TORN)),
        )

    @property
    def _epoch(self) -> int:
        return 0 if self._gather.last is None else self._gather.last.epoch

    def _is_near(self, until: Place) -> bool:
        """Tell whether the engine, which works off tiles together, might pass a tile."""
        last = self._gather.last
        return last is None or last.epoch != until[0] or last.tile >= until[1] - NEAR_TILES

    # -- frames ---------------------------------------------------------------------------------

    def _feed(self, frame: Frame, *, is_near: bool) -> None:
        engine = self._engine
        if engine is None:
            self._begin(frame)
        elif frame.type in _SAMPLED:
            if not self._is_early(frame):
                self._note_fixes(frame)
                faults = engine.feed(frame, more=not is_near).faults
                self._faults += [(frame.epoch, fault) for fault in faults]
                self._take_tiles(engine.vehicle)
        else:
            vehicle, units, epoch = engine.vehicle, self._units, self._epoch
            self._faults += [(epoch, fault) for fault in engine.feed(frame).faults]
            self._take_tiles(vehicle)
            self._units = engine.units()
            self._settle(engine.totals(), units)

    def _begin(self, frame: Frame) -> None:
        """Keep what comes before the first configuration, then make the engine with it."""
        self._heads.append(frame)
        if frame.type is not FrameType.CONFIG or frame.data is None:
            return
        grace_s = self._job.grace_ns / NS_PER_S
        self._engine = Engine(
            Vehicle.from_dict(frame.data), load_duty=self._load_duty, observer=self._tiles.append, grace_s=grace_s
        )
        for head in self._heads:
            if head.type not in _SAMPLED:
                self._engine.feed(head)
        self._heads = []
        self._units = self._engine.units()

    def _load_duty(self, unit_id: str) -> DamperDuty | None:
        if not is_named(unit_id):
            return None
        log = StrokeLog()
        self._duties[unit_id] = make_duty(log), log
        return self._duties[unit_id][0]

    def _is_early(self, frame: Frame) -> bool:
        end_ns = frame.t0_ns + frame.n * frame.period_fs // FS_PER_NS
        return (frame.epoch, end_ns) < self._job.warm_from

    def _note_fixes(self, frame: Frame) -> None:
        block = frame.block
        if block is None:
            return
        quantities = [channel.quantity for channel in block.stream.channels]
        if LATITUDE in quantities and LONGITUDE in quantities:
            columns = quantities.index(LATITUDE), quantities.index(LONGITUDE)
            behind_ns = block.stream.channels[columns[0]].offset_ns
            for row, values in enumerate(block.data.tolist()):
                instant_ns = block.time_ns(block.first_index + row) + behind_ns
                self._fixes.append((frame.epoch, instant_ns, values[columns[0]], values[columns[1]]))

    def _settle(self, totals: Mapping[str, Totals], units: Mapping[str, str]) -> None:
        """Hand on what units gained beside their tiles: strokes and time that became certain as a run ended."""
        is_late = self._is_late()
        for position, unit_id in units.items():
            if unit_id not in self._duties:
                continue
            gained = totals[unit_id].since(self._gather.counted.get(unit_id, Totals()))
            if any(getattr(gained, name) for name in SUMS):
                gained.peak_compression_umps, gained.peak_rebound_umps, gained.peak_body_mc = 0, 0, None
                self._gather.settle((unit_id, position), gained, is_late=is_late)
            if self._units.get(position) != unit_id:
                self._gather.leave((unit_id, position))

    def _is_late(self) -> bool | None:
        """Tell whether the last motion was over when what ends now did; None where that can't belong to the trip."""
        last, inside = self._gather.last, self._gather.last_inside
        if last is None or inside is None or last.epoch != inside.epoch:
            return None
        if last is inside:
            return False
        is_in_time = last.end_ns - inside.end_ns <= self._job.grace_ns
        return True if self._job.takes_late and is_in_time else None

    # -- tiles ----------------------------------------------------------------------------------

    def _take_tiles(self, vehicle: Vehicle) -> None:
        """Hand on the tiles the engine has worked off. vehicle: in force while they were."""
        if not self._tiles:
            return
        tiles = self._tiles[:]
        self._tiles.clear()
        starts_s = [self._find_start_s(tile) for tile in tiles]
        self._gather.take(tiles, starts_s, self._units, vehicle)
        self._is_over = self._is_behind(tiles[-1])
        if self._gather.rows:
            self._progress(self._gather.rows[-1][0])

    def _find_start_s(self, tile: EnergyTile) -> float | None:
        prepared, since = tile.prepared, self._job.since
        if since is not None and (prepared.epoch, prepared.tile) < since:
            return None
        return self._borders.find_s(prepared)

    def _is_behind(self, tile: EnergyTile) -> bool:
        """Tell whether nothing more can belong to the trip."""
        epoch, end_ns = self._borders.end
        prepared = tile.prepared
        if prepared.epoch != epoch:
            return prepared.epoch > epoch
        grace_ns = self._job.grace_ns if self._job.takes_late else 0
        return prepared.start_ns >= end_ns + grace_ns

    # -- results --------------------------------------------------------------------------------

    def _describe(self, sequence: int) -> bytes | None:
        """Return all that decides what later frames will add, and the last frame taken."""
        if self._engine is None:
            return None
        kept = json.loads(zlib.decompress(self._engine.checkpoint()))
        run = {key: value for key, value in (kept["run"] or {}).items() if key != "start_index"}
        duties = {unit: describe_state(duty) for unit, duty in self._engine.duties().items() if unit in self._now()}
        state = [sequence, kept["places"], kept["strokes_ago"], run, duties, self._gather.state()]
        return json.dumps(state, sort_keys=True).encode()

    def _now(self) -> set[str]:
        return set(self._units.values())

    def _convert_fixes(self) -> Floats:
        found = []
        for epoch, instant_ns, latitude_deg, longitude_deg in self._fixes:
            at_s = self._borders.time_s(epoch, instant_ns)
            if at_s is not None:
                found.append((at_s, latitude_deg, longitude_deg))
        return np.array(sorted(found), dtype=np.float64).reshape(-1, 3)

    def _convert_faults(self, end_s: float) -> list[Fault]:
        """Return the faults that touch the trip."""
        found = []
        for epoch, fault in self._faults:
            start_s = self._borders.time_s(epoch, fault.start_ns)
            until_s = None if fault.end_ns is None else self._borders.time_s(epoch, fault.end_ns)
            if start_s is None or start_s >= end_s or (until_s is not None and until_s < 0.0):
                continue
            found.append(Fault(fault.position, fault.kind, max(0.0, start_s), until_s))
        return found
