"""The engine: frames of the raw log in, duty per damper out.

A pure function of the log's prefix: it reads no clock, no file and no queue. After a restart it is
restored from a checkpoint and fed the frames since `Checkpoint.needed_from` again.
"""

from __future__ import annotations

import json
import zlib
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from dutylog import ENGINE
from dutylog.domain.vehicle import Profile, Vehicle
from dutylog.duty.cavitation import CavitationMargin
from dutylog.duty.damper_duty import DamperDuty
from dutylog.duty.force import ForceTables
from dutylog.duty.totals import Totals
from dutylog.engine.epoch_run import EpochRun, PreparedSpan, PreparedTile
from dutylog.engine.lost_time import STUCK, LostTime, add_lost
from dutylog.engine.minutes import MinuteTracker
from dutylog.engine.output import Fault, HeatReset, Live, Step, TripRow
from dutylog.engine.place import Place, TileGain, take_span
from dutylog.engine.shared_span import Energies, SharedSpan
from dutylog.engine.shown import damper_live, tile_heats
from dutylog.engine.stuck import StuckJudge
from dutylog.engine.tallies import MOVING_TILES, add_up, complete, cut_alike, judge_motion, summarize
from dutylog.engine.trips import TripTracker
from dutylog.engine.worn_sensors import WORN_SPOT, WornSensors
from dutylog.errors import InputError
from dutylog.recording.frame import Frame, FrameType

Floats = NDArray[np.float64]

SPAN_TILES = 36
"""Tiles worked off in one go when there are many: enough to hide the cost of each call. Measured."""
HEAT_TILES = 10
"""Heat going in is the mean over the last 10 s."""


class EnergyTile(NamedTuple):
    """A prepared tile with the heat of each sample [uJ], 0 where it doesn't count. For reports.

    gains: of each damper. moving: whether the vehicle was in motion. units: unit_id in each damper's place.
    """

    prepared: PreparedTile
    energy_uj: Energies
    gains: tuple[TileGain, ...]
    moving: bool
    units: tuple[str, ...]


class Engine:
    """Accumulates duty for the units in the places of a vehicle.

    load_duty: returns what a unit has done so far, or None for nothing. observer: called with every
    tile, for reports. keep_vehicle: the given vehicle counts, whatever the log's config frames say.
    """

    def __init__(
        self,
        vehicle: Vehicle,
        *,
        load_duty: Callable[[str], DamperDuty | None] = lambda _: None,
        observer: Callable[[EnergyTile], None] | None = None,
        keep_vehicle: bool = False,
        grace_s: float = 600.0,
    ) -> None:
        self._load_duty = load_duty
        self._observer = observer
        self._keep_vehicle = keep_vehicle
        self._trips = TripTracker(round(grace_s * 1e9))
        self._minutes = MinuteTracker()
        self._run: EpochRun | None = None
        self._epoch = 0
        self._source_kind = ""
        self._boot: tuple[str, int | None] = ("", None)
        self._old_offset_ns: int | None = None
        self._foreign_clock = self._fresh_epoch = self._moving = False
        self._strokes_ago = MOVING_TILES
        self._heat: dict[str, deque[tuple[int, int]]] = {}
        self._live: Live | None = None
        self._unshown: tuple[PreparedTile, Floats] | None = None
        self.sequence = 0
        self.span_tiles = SPAN_TILES
        """So many tiles at most are worked off in one go; figures don't depend on it, memory does."""
        self._left: dict[str, DamperDuty] = {}
        self._lost_us: dict[str, LostTime] = {}
        self._set_vehicle(vehicle, {})

    def observe(self, observer: Callable[[EnergyTile], None]) -> None:
        """Have every tile told from now on; a restored engine is given its observer so."""
        self._observer = observer

    def feed(self, frame: Frame, *, more: bool = False) -> Step:
        """Take the next frame of the log; return what became certain with it.

        more: another frame follows at once, so tiles may wait to be worked off together. What comes
        out is the same, only later; the last call before `checkpoint` must not say so.
        """
        step = Step(frame.sequence)
        self.sequence = frame.sequence
        if frame.type in (FrameType.SAMPLES, FrameType.GAP):
            if self._run is None:
                self._run = EpochRun(frame.epoch, self.vehicle)
            self._run.feed(frame)
            if not more or self._run.ready_count() >= self.span_tiles:
                self._work(step, ended=False, shows=not more)
            return step
        self._work(step, ended=False)
        if frame.type is FrameType.SEGMENT_HEAD:
            self._take_head(frame, step)
        elif frame.type is FrameType.CONFIG:
            self._take_config(frame, step)
        elif frame.type is FrameType.EVENT:
            self._take_event(frame, step)
        elif frame.type is FrameType.CLOCK and frame.data is not None:
            self._take_clock(frame.data)
        return step

    def totals(self) -> dict[str, Totals]:
        """Return the totals by unit_id: of each installed unit, and of those that left in this run of the program."""
        return {unit_id: duty.totals() for unit_id, duty in self.duties().items()}

    def duties(self) -> dict[str, DamperDuty]:
        """Return the accumulators of the same units (live objects); a unit that left must still be stored."""
        return {**self._left, **{place.unit_id: place.duty for place in self._places}}

    def lost_us(self, unit_id: str) -> LostTime:
        """Return a unit's unmeasured time [us] by reason, of this run of the program."""
        return dict(self._lost_us.get(unit_id, {}))

    def worn_spots_mm(self) -> dict[str, tuple[int, int]]:
        """Return the positions whose travel sensor is worn, and between which travel [mm]."""
        found = zip(self._places, self._worn.found_mm, strict=True)
        return {place.damper.position: span for place, span in found if span is not None}

    def units(self) -> dict[str, str]:
        """Return the unit_id in each position."""
        return {place.damper.position: place.unit_id for place in self._places}

    def open_trip(self) -> TripRow | None:
        """Return the trip that is going on, up to its last motion."""
        return self._trips.row()

    def correct(self, stored: dict[str, Totals], trip: TripRow | None) -> None:
        """Raise totals to stored ones that the log can no longer prove; trip: the stored open trip."""
        for place in self._places:
            if place.unit_id in stored:
                place.duty.correct(stored[place.unit_id])
        if trip is not None:
            self._trips.correct(trip)

    @property
    def live(self) -> Live | None:
        """Return the vehicle after the latest tile of this run of the program."""
        return self._live

    def work_off(self) -> Step:
        """Work off tiles that were left waiting by `feed(..., more=True)`."""
        step = Step(self.sequence)
        self._work(step, ended=False)
        return step

    def finish(self) -> Step:
        """End the run as if the log said so (a recording's end)."""
        step = Step(self.sequence)
        self._end_epoch(step, close_trip=True)
        return step

    # -- frames ---------------------------------------------------------------------------------

    def _take_head(self, frame: Frame, step: Step) -> None:
        data = frame.data or {}
        self._source_kind = str((data.get("source") or {}).get("kind", ""))
        boot_id = str(data.get("boot_id", ""))
        if frame.epoch != self._epoch:
            self._end_epoch(step, close_trip=False)
            self._epoch = frame.epoch
            self._fresh_epoch = True
            if boot_id != self._boot[0]:
                # Another boot is another monotonic clock: only trusted wall time can carry a trip over.
                self._old_offset_ns = self._boot[1]
                self._foreign_clock = True
                self._boot = (boot_id, None)

    def _take_clock(self, data: dict[str, Any]) -> None:
        if not data["trusted"] or data["boot_id"] != self._boot[0]:
            return
        offset_ns = int(data["utc_ns"]) - int(data["mono_ns"])
        if self._foreign_clock and self._old_offset_ns is not None:
            self._trips.shift_clock(self._old_offset_ns - offset_ns)
            self._foreign_clock = False
        self._boot = (self._boot[0], offset_ns)

    def _take_config(self, frame: Frame, step: Step) -> None:
        if self._keep_vehicle or frame.data is None:
            return
        vehicle = Vehicle.from_dict(frame.data)
        if vehicle == self.vehicle:
            return
        self._end_run(step)
        installed = {p.damper.position: (p.unit_id, p.serial, p.duty) for p in self._places}
        self._set_vehicle(vehicle, installed)

    def _take_event(self, frame: Frame, step: Step) -> None:
        data = frame.data or {}
        kind = data.get("kind")
        if kind == "install":
            self._install(str(data["position"]), str(data["unit_id"]), data.get("serial"), step)
        elif kind == "remove":
            self._install(str(data["position"]), "", None, step)
        elif kind == "heat_reset":
            step.tell_heat([HeatReset(str(data["position"]), str(data["what"]))])
        elif kind == "end":
            self._end_epoch(step, close_trip=self._source_kind == "recording")
        elif kind == "time_order":
            for place in self._places:
                span = int(data["start_ns"]), int(data["end_ns"])
                step.faults.append(Fault(place.damper.position, "time_order", *span))

    def _install(self, position: str, unit_id: str, serial: str | None, step: Step) -> None:
        for place in self._places:
            if place.damper.position != position:
                continue
            if place.unit_id == (unit_id or _nobody(position)):
                place.serial = serial if unit_id else None
                return
            for other in self._places:
                # One place for a unit: an install without a remove before it takes the unit along.
                if unit_id and other.unit_id == unit_id:
                    self._vacate(other)
            self._vacate(place)
            if unit_id:
                place.unit_id, place.serial = unit_id, serial
                place.duty = self._duty_of(unit_id, place.profile)
            step.must_store_all = True

    def _vacate(self, place: Place) -> None:
        """Leave a place to nobody; what its unit did is kept until it is stored or counts elsewhere."""
        gains = [self._settle(place)]
        self._trips.add(gains)
        self._minutes.add(gains)
        if is_named(place.unit_id):
            self._left[place.unit_id] = place.duty
        place.unit_id, place.serial = _nobody(place.damper.position), None
        place.duty = self._duty_of(place.unit_id, place.profile)
        self._heat.pop(place.damper.position, None)

    def _end_epoch(self, step: Step, *, close_trip: bool) -> None:
        """The epoch is over: work off what is left of it."""
        self._end_run(step)
        step.minutes += self._minutes.flush()
        if close_trip:
            step.trips += self._trips.close()

    def _end_run(self, step: Step) -> None:
        """Work off what is left of unbroken travel."""
        if self._run is not None:
            self._work(step, ended=True)
            step.faults += self._run.end_faults()
            self._run = None
            step.must_store_all = True
        gains = [self._settle(place) for place in self._places]
        self._trips.add(gains)
        self._minutes.add(gains)
        self._strokes_ago = MOVING_TILES

    # -- tiles ----------------------------------------------------------------------------------

    def _work(self, step: Step, *, ended: bool, shows: bool = True) -> None:
        """Work off tiles. shows: whether somebody may look at the vehicle before more of them come."""
        if self._run is None:
            return
        for span in self._run.spans(ended=ended, most=self.span_tiles):
            rms_mps = self._take_span(self._run, span, step)
            self._unshown = (span.tiles[-1], rms_mps[:, -1])
            step.tiles += len(span.tiles)
        if shows and self._unshown is not None:
            self._show(self._run, *self._unshown)
            step.live, self._unshown = self._live, None

    def _take_span(self, run: EpochRun, span: PreparedSpan, step: Step) -> Floats:
        """Take tiles; return the (dampers, tiles) rms shaft speeds."""
        first = span.tiles[0]
        if self._fresh_epoch:
            if self._foreign_clock or not self._trips.continues_at(first.start_ns):
                step.trips += self._trips.close()
            self._fresh_epoch = self._foreign_clock = False
        by_tile = span.speed_mps.reshape(len(self._places), len(span.tiles), -1)
        # Not einsum: it adds up across tiles where one damper has long ones.
        rms_mps: Floats = np.sqrt(np.add.reduce(np.square(by_tile), axis=2) / by_tile.shape[2])
        shared = SharedSpan.of(span, self._tables, [place.margin for place in self._places], rms_mps)
        gains = take_span(self._places, shared, rms_mps, run.travel_faults)
        worn = self._worn.take(span, np.array([[gain.steady for gain in of_damper] for of_damper in gains]))
        moving, self._strokes_ago = judge_motion(span.tiles, gains, self._strokes_ago)
        self._moving = moving[-1]
        self._take_gains(span.tiles, gains, moving, step)
        units = tuple(place.unit_id for place in self._places)
        of_tiles = list(zip(*gains, strict=True))
        seats = [(place.damper.position, place.unit_id) for place in self._places]
        step.tell_heat(tile_heats(span.tiles, seats, of_tiles, rms_mps, self._clock_of(first)))
        for number, (tile, of_tile) in enumerate(zip(span.tiles, of_tiles, strict=True)):
            for gain in of_tile:
                step.faults += gain.faults
            for row in worn[number]:
                step.faults.append(Fault(self._places[row].damper.position, WORN_SPOT, tile.end_ns, None))
            if self._observer is not None:
                heat_uj = shared.heat_uj[:, number * first.n : (number + 1) * first.n]
                self._observer(EnergyTile(tile, heat_uj, of_tile, moving[number], units))
        step.faults += run.take_faults(span.tiles[-1].start_ns)
        return rms_mps

    def _take_gains(
        self, tiles: Sequence[PreparedTile], gains: Sequence[Sequence[TileGain]], moving: Sequence[bool], step: Step
    ) -> None:
        """Account for the time of tiles and hand what they gained to life, trip and minute."""
        for row, (place, of_damper) in enumerate(zip(self._places, gains, strict=True)):
            complete(of_damper, row, tiles, moving, self._lost_us.setdefault(place.unit_id, {}))
            place.duty.add_body_c([sample for tile in tiles for sample in tile.body_samples[row]])
            heat = self._heat.setdefault(place.damper.position, deque(maxlen=HEAT_TILES))
            heat.extend((gain.totals.energy_uj, gain.measured_us) for gain in of_damper[-HEAT_TILES:])
        for part in cut_alike(tiles, moving, self._trips.grace_ns):
            named = []
            for place, of_damper in zip(self._places, gains, strict=True):
                totals = add_up(of_damper[part])
                measured_us, unmeasured_us = totals.measured_us, totals.unmeasured_us
                place.duty.add_time(measured_us=measured_us, unmeasured_us=unmeasured_us, moving=moving[part.start])
                named.append((place.unit_id, place.damper.position, totals))
            summaries = summarize(tiles[part], tuple(named), moving=moving[part.start])
            for summary in summaries:
                step.trips += self._trips.update(summary)
            step.minutes += self._minutes.update(
                summaries[0]._replace(end_ns=summaries[-1].end_ns),
                list(zip(*(tile.body_mean_c for tile in tiles[part]), strict=True)),
                [tile.ambient_c for tile in tiles[part]],
                [tile.vehicle_mps for tile in tiles[part]],
            )

    def _clock_of(self, tile: PreparedTile) -> str:
        """Return whose times a tile has: the boot's, or the recording's own."""
        return f"recording {tile.epoch}" if self._source_kind == "recording" else self._boot[0]

    def _show(self, run: EpochRun, tile: PreparedTile, rms_mps: Floats) -> None:
        """Keep what the live page shows after a tile."""
        seen: list[bool] = np.any(tile.valid, axis=1).tolist()
        dampers = tuple(
            damper_live(
                run, tile, row, place, float(rms_mps[row]), self._heat[place.damper.position],
                seen=seen[row], worn=self._worn.found_mm[row] is not None,
            )
            for row, place in enumerate(self._places)
        )  # fmt: skip
        self._live = Live(
            tile.epoch,
            tile.tile,
            tile.end_ns,
            self._moving,
            tile.vehicle_mps,
            tile.ambient_c,
            dampers,
            self._trips.row(),
        )

    # -- vehicle --------------------------------------------------------------------------------

    def _set_vehicle(self, vehicle: Vehicle, installed: dict[str, tuple[str, str | None, DamperDuty]]) -> None:
        self.vehicle = vehicle
        positions = {damper.position for damper in vehicle.dampers}
        for position, (unit, _, done) in installed.items():
            if position not in positions and is_named(unit):
                self._left[unit] = done
        self._places: list[Place] = []
        for damper in vehicle.dampers:
            profile = vehicle.profile_of(damper)
            unit_id, serial, duty = installed.get(damper.position, (_nobody(damper.position), damper.serial, None))
            if duty is None:
                duty = self._duty_of(unit_id, profile)
            duty.stroke_um = round(profile.stroke_m * 1e6)
            margin = CavitationMargin.of(profile)
            self._places.append(Place(damper, profile, unit_id, serial, duty, margin=margin))
        self._tables = ForceTables([place.profile for place in self._places])
        self._worn = WornSensors(len(self._places))

    def _settle(self, place: Place) -> tuple[str, str, Totals]:
        """End what a place still holds open; return what its unit gained by that."""
        before = place.duty.totals()
        measured_us, unmeasured_us = place.stuck.settle()
        place.duty.add_time(measured_us=measured_us, unmeasured_us=unmeasured_us)
        add_lost(self._lost_us.setdefault(place.unit_id, {}), {STUCK: unmeasured_us})
        place.break_off()
        gained = place.duty.totals().since(before)
        gained.peak_compression_umps, gained.peak_rebound_umps, gained.peak_body_mc = 0, 0, None
        return place.unit_id, place.damper.position, gained

    def _duty_of(self, unit_id: str, profile: Profile) -> DamperDuty:
        stroke_um = round(profile.stroke_m * 1e6)
        duty = self._left.pop(unit_id, None) or self._load_duty(unit_id) or DamperDuty(stroke_um)
        duty.stroke_um = stroke_um
        return duty

    # -- checkpoint -----------------------------------------------------------------------------

    def checkpoint(self) -> bytes:
        """Return all state but the duties, to be stored with them in one transaction."""
        state: dict[str, Any] = {
            "engine": ENGINE,
            "sequence": self.sequence,
            "needed_from": self.sequence + 1 if self._run is None else self._run.needed_from() or self.sequence + 1,
            "vehicle": self.vehicle.to_dict(),
            "places": [[p.damper.position, p.unit_id, p.serial, p.stuck.to_list(), p.next_index] for p in self._places],
            "worn": self._worn.to_list(),
            "epoch": self._epoch,
            "source_kind": self._source_kind,
            "boot": self._boot,
            "clock": [self._old_offset_ns, self._foreign_clock, self._fresh_epoch],
            "strokes_ago": self._strokes_ago,
            "run": None if self._run is None else self._run.to_dict(),
            "trips": self._trips.to_dict(),
            "minutes": self._minutes.to_dict(),
        }
        return zlib.compress(json.dumps(state, allow_nan=False, separators=(",", ":")).encode(), 6)

    @staticmethod
    def restore(
        checkpoint: bytes,
        *,
        load_duty: Callable[[str], DamperDuty | None],
        grace_s: float = 600.0,
    ) -> tuple[Engine, int]:
        """Return the engine and the sequence of the first frame it must be `warm`ed with.

        Raises:
            InputError: the checkpoint was written by another engine version.
        """
        state = json.loads(zlib.decompress(checkpoint))
        if state["engine"] != ENGINE:
            raise InputError(f"checkpoint of engine {state['engine']}, this is {ENGINE}")
        engine = Engine(Vehicle.from_dict(state["vehicle"]), load_duty=lambda _: None, grace_s=grace_s)
        engine._load_duty = load_duty
        for place, (position, unit_id, serial, stuck, next_index) in zip(engine._places, state["places"], strict=True):
            if place.damper.position != position:
                raise InputError(f"checkpoint knows {position} where the vehicle has {place.damper.position}")
            place.unit_id, place.serial = unit_id, serial
            place.duty = engine._duty_of(unit_id, place.profile)
            place.stuck = StuckJudge(*stuck)
            place.next_index = next_index
        if "worn" in state:  # checkpoints of earlier versions lack it
            engine._worn.restore(state["worn"])
        engine.sequence = int(state["sequence"])
        engine._epoch, engine._source_kind = state["epoch"], state["source_kind"]
        engine._boot = (state["boot"][0], state["boot"][1])
        engine._old_offset_ns, engine._foreign_clock, engine._fresh_epoch = state["clock"]
        engine._strokes_ago = state["strokes_ago"]
        engine._trips.restore(state["trips"])
        engine._minutes.restore(state["minutes"])
        if state["run"] is not None:
            engine._run = EpochRun(state["run"]["epoch"], engine.vehicle)
            engine._run.restore(state["run"])
        return engine, int(state["needed_from"])

    def warm(self, frame: Frame) -> None:
        """Read a frame again that a restored engine had already taken; nothing is counted."""
        wanted = frame.type in (FrameType.SAMPLES, FrameType.GAP)
        if self._run is not None and wanted and frame.epoch == self._run.epoch:
            self._run.feed(frame)


_NOBODY = "unnamed:"


def is_named(unit_id: str) -> bool:
    """Return whether a unit_id is a damper's own and not the stand-in of a place nobody named."""
    return not unit_id.startswith(_NOBODY)


def _nobody(position: str) -> str:
    """Return the stand-in unit of a place whose damper has not been named."""
    return _NOBODY + position
