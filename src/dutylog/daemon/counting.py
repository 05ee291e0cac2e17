"""Engine, heat and the look for bumps in a thread of their own, so that whoever samples doesn't wait for them either.

A second of travel is worked off in one go, some together while nobody looks, and takes some ten milliseconds on a
small board; blocks that come meanwhile are taken as usual. All of it belongs to the thread while that is busy, and to
core otherwise; so what the engine or heat load of a unit must not come through a connection of core's own.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field

from dutylog.clock import Clock
from dutylog.daemon.bookkeeper import WHOLE, Bookkeeper, EngineState, Wanted
from dutylog.daemon.disk_trouble import DiskTrouble
from dutylog.duty.damper_duty import DamperDuty
from dutylog.engine.bumps import BumpFinder
from dutylog.engine.engine import EnergyTile, Engine, is_named
from dutylog.engine.output import MinuteRow, TripRow
from dutylog.heat.vehicle_heat import VehicleHeat
from dutylog.recording.errand import Errand
from dutylog.recording.frame import Frame, FrameType
from dutylog.units import NS_PER_S

HOT_NS = 5 * NS_PER_S
"""Totals go to the ledger this often while the log holds what they are made of: a cut costs nothing more, since the
log is counted anew, and the card a sixth of a whole commit each second."""
STORE_AHEAD_NS = NS_PER_S
"""Without the log they go this often."""
REST_NS = 5 * NS_PER_S
"""While nobody looks, what is in the log is counted this often: several seconds together cost little more than one, and
totals go to the ledger no more often anyway."""
SPAN_ROWS = 24
"""So many seconds of a damper at most are worked off in one go while data comes at its own pace. Measured with eight
dampers: twice as many cost 1.5 MB for good and saved nothing, two thirds of them saved half as much."""


_MEASURED = frozenset({FrameType.SAMPLES, FrameType.GAP})


@dataclass(slots=True)
class Counted:
    """What some frames brought. state: of the engine after them, None where none was wanted."""

    frame_count: int
    minutes: list[MinuteRow] = field(default_factory=list)
    trips: list[TripRow] = field(default_factory=list)
    must_store_all: bool = False
    state: EngineState | None = None


class Counting:
    """Counts frames of the log and has what comes of it stored: totals every HOT_NS, states as the books want them."""

    def __init__(
        self, engine: Engine, heat: VehicleHeat, books: Bookkeeper, trouble: DiskTrouble, clock: Clock, *, waits: bool
    ) -> None:
        """engine: not to be touched by others while `is_busy`, nor are heat and books' rows of them.

        waits: nothing runs beside counting; for a source that runs as fast as it can.
        """
        self._engine, self._heat, self._books, self._trouble, self._clock = engine, heat, books, trouble, clock
        self._waits = waits
        if not waits:
            engine.span_tiles = max(1, SPAN_ROWS // len(engine.vehicle.dampers))
        self._finder, self._finder_vehicle = BumpFinder(engine.vehicle), engine.vehicle
        self._errand: Errand[Counted] = Errand("counting", clock)
        self._frames: list[Frame] = []
        self._must_store = False
        self._next_store_ns = self._next_count_ns = 0
        self.rests = False
        """Whether nobody looks, so that frames may wait for REST_NS."""
        engine.observe(self._look_for_bumps)

    @property
    def is_busy(self) -> bool:
        """Return whether the thread is at work."""
        return self._errand.is_busy

    @property
    def is_open(self) -> bool:
        """Return whether it is, or there is something to be taken from it or given to it now."""
        return self._errand.is_open or self._is_count_due()

    @property
    def waiting_count(self) -> int:
        """Return how many frames haven't been begun."""
        return len(self._frames)

    def add(self, frames: Sequence[Frame]) -> None:
        """Have frames counted when it is time for it and the thread is free; where earlier ones wait for it, wait too.

        Then the processor is too slow for the source, and what comes next is held up as it would be without a thread.
        """
        if frames and self._frames and self.is_busy:
            self.count_all()
        self._frames += frames
        if any(frame.type not in _MEASURED for frame in frames):
            self._next_count_ns = 0  # what somebody did, or the end of something, doesn't wait

    def store_soon(self) -> None:
        """Have a state stored as soon as possible."""
        self._must_store, self._next_store_ns = True, 0

    def finish(self) -> bool:
        """Take what was counted and stored; return whether something was counted. The thread must be at rest.

        Raises:
            LedgerCorrupt: the ledger is damaged. LedgerError: what a unit did so far couldn't be read.
        """
        counted = self._errand.take()
        if counted is not None:
            self._keep(counted)
        self._books.finish()
        return counted is not None and counted.frame_count > 0

    def begin(self, *, is_due: bool) -> None:
        """Begin to count what waits, and to pack a state where one is due. The thread must be at rest.

        is_due: whether the log was to be committed in this round.
        """
        wanted = None
        # A commit whose outcome came after `finish` looked is seen to first.
        if not self._books.is_open and self._is_store_due(is_due):
            wanted, self._must_store = self._books.wanted(), False
        if self._is_count_due() or wanted is not None:
            self._start(wanted)
            if self._waits:
                self._errand.wait()

    def count_all(self) -> None:
        """Count all there is to be counted, however long it takes."""
        self._errand.wait()
        self.finish()
        if self._frames:
            self._start(None)
            self._errand.wait()
            self.finish()

    def close(self) -> None:
        """Let the thread end."""
        self._errand.close()

    def _start(self, wanted: Wanted | None) -> None:
        frames, self._frames = self._frames, []

        def work() -> Counted:
            counted = self._count(frames)
            if wanted is not None:
                # One commit for what came to be certain, not two of the same sequence.
                counted.state = self.pack(WHOLE if counted.must_store_all else wanted)
            return counted

        self._errand.start(work)

    def _keep(self, counted: Counted) -> None:
        self._next_count_ns = self._clock.mono_ns() + REST_NS
        self._books.keep(counted.minutes, counted.trips)
        if counted.state is None:
            if counted.must_store_all:
                self._books.want_all()
            self._must_store |= counted.frame_count > 0
        else:
            self._books.store(counted.state)
            self._next_store_ns = self._clock.mono_ns() + (STORE_AHEAD_NS if self._trouble.is_ahead else HOT_NS)

    def _is_count_due(self) -> bool:
        may_wait = self.rests and not self._books.wants_all and self._clock.mono_ns() < self._next_count_ns
        return bool(self._frames) and not may_wait

    def _is_store_due(self, is_due: bool) -> bool:
        if self._must_store or self._is_count_due():
            return self._books.wants_all or self._clock.mono_ns() >= self._next_store_ns or self._trouble.is_ahead
        return is_due and self._trouble.ledger.lasts

    def pack(self, wanted: Wanted) -> EngineState:
        """Return the engine's state of this moment; for whoever it belongs to now."""
        engine = self._engine
        hot = {unit_id: value for unit_id, value in engine.totals().items() if is_named(unit_id)}
        return EngineState(
            engine.sequence,
            hot,
            engine.open_trip() if wanted.everything else None,
            {u: _pack(duty) for u, duty in engine.duties().items() if u in hot} if wanted.everything else None,
            engine.checkpoint() if wanted.everything else None,
            {key: kept for key, kept in self._heat.kept().items() if key[0] in hot} if wanted.heat else {},
        )

    def _count(self, frames: Sequence[Frame]) -> Counted:
        counted = Counted(len(frames))
        for number, frame in enumerate(frames, 1):
            # What comes before an event belongs to the vehicle as it was.
            more = number < len(frames) and frames[number].type in _MEASURED
            step = self._engine.feed(frame, more=more)
            counted.minutes += step.minutes
            counted.trips += step.trips
            counted.must_store_all |= step.must_store_all
            self._heat.take(self._engine.vehicle, step.heat)
        return counted

    def _look_for_bumps(self, tile: EnergyTile) -> None:
        if self._engine.vehicle is not self._finder_vehicle:
            self._finder, self._finder_vehicle = BumpFinder(self._engine.vehicle), self._engine.vehicle
        self._heat.add_decays(self._finder.take(tile.prepared, tile.units))


def _pack(duty: DamperDuty) -> bytes:
    return zlib.compress(json.dumps(duty.to_dict(), allow_nan=False, separators=(",", ":")).encode(), 6)
