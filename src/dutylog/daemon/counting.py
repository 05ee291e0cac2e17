"""Engine, heat and the look for bumps in a thread of their own, so that whoever samples doesn't wait for them either.

A second of travel is worked off in one go and takes some ten milliseconds on a small board; the blocks that come
meanwhile are taken as usual. All of it belongs to the thread while that is busy, and to core at any other time; so
what the engine or heat load of a unit must not come through a connection of core's own.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence
from dataclasses import dataclass, field

from dutylog.clock import Clock
from dutylog.duty.damper_duty import DamperDuty
from dutylog.duty.totals import Totals
from dutylog.engine.bumps import BumpFinder
from dutylog.engine.engine import EnergyTile, Engine, is_named
from dutylog.engine.output import MinuteRow, TripRow
from dutylog.heat.vehicle_heat import VehicleHeat
from dutylog.recording.errand import Errand
from dutylog.recording.frame import Frame


@dataclass(frozen=True, slots=True)
class Wanted:
    """What of a state is wanted beside its totals. everything: states of units and checkpoint. heat: what is known."""

    everything: bool
    heat: bool


@dataclass(frozen=True, slots=True)
class EngineState:
    """What the ledger keeps of the engine at one moment, by unit_id; named units only.

    sequence: of the last frame counted. trip: the open one. cold, checkpoint, heat: packed; None where not wanted,
    heat empty then.
    """

    sequence: int
    hot: dict[str, Totals]
    trip: TripRow | None
    cold: dict[str, bytes] | None
    checkpoint: bytes | None
    heat: dict[tuple[str, str], bytes]


@dataclass(slots=True)
class Counted:
    """What some frames brought. state: of the engine after them, None where none was wanted."""

    frame_count: int
    minutes: list[MinuteRow] = field(default_factory=list)
    trips: list[TripRow] = field(default_factory=list)
    must_store_all: bool = False
    state: EngineState | None = None


class Counting:
    """Counts frames of the log, some at a time, and packs what came of it for the ledger."""

    def __init__(self, engine: Engine, heat: VehicleHeat, finder: BumpFinder, clock: Clock) -> None:
        """engine: not to be touched by others while `is_busy`, nor is heat. clock: for how long a piece takes."""
        self._engine, self._heat, self._finder = engine, heat, finder
        self._errand: Errand[Counted] = Errand("counting", clock)
        engine.observe(self._look_for_bumps)

    @property
    def is_busy(self) -> bool:
        """Return whether the thread is at work."""
        return self._errand.is_busy

    def start(self, frames: Sequence[Frame], wanted: Wanted | None = None) -> None:
        """Begin to count frames, and then to pack a state where one is wanted."""

        def work() -> Counted:
            counted = self._count(frames)
            if wanted is not None:
                counted.state = self.pack(wanted)
            return counted

        self._errand.start(work)

    def take(self) -> Counted | None:
        """Return, once, what came of the latest start, None while there is nothing."""
        return self._errand.take()

    def wait(self) -> None:
        """Wait until the thread is done."""
        self._errand.wait()

    def close(self) -> None:
        """Let the thread end."""
        self._errand.close()

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
        for left, frame in zip(range(len(frames) - 1, -1, -1), frames, strict=True):
            step = self._engine.feed(frame, more=left > 0)
            counted.minutes += step.minutes
            counted.trips += step.trips
            counted.must_store_all |= step.must_store_all
            self._heat.take(self._engine.vehicle, step.heat)
        return counted

    def _look_for_bumps(self, tile: EnergyTile) -> None:
        self._heat.add_decays(self._finder.take(tile.prepared, tuple(self._engine.units().values())))


def _pack(duty: DamperDuty) -> bytes:
    return zlib.compress(json.dumps(duty.to_dict(), allow_nan=False, separators=(",", ":")).encode(), 6)
