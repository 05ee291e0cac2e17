"""What the engine hands on: plain rows for the ledger, the live page and reports."""

from __future__ import annotations

import itertools
from collections.abc import Iterable
from dataclasses import dataclass, field

from dutylog.domain.heat_input import HeatInput
from dutylog.duty.totals import Totals


@dataclass(frozen=True, slots=True)
class Fault:
    """A stretch of one damper's time in which a sensor didn't tell the truth.

    kind: travel_open, travel_stuck, impossible_speed, worn_spot, spike, gap, thermocouple_open,
    time_order. Times are the recording's monotonic time [ns]; an open-ended fault (worn_spot) has
    end_ns None.
    """

    position: str
    kind: str
    start_ns: int
    end_ns: int | None


@dataclass(frozen=True, slots=True)
class MinuteRow:
    """One damper's duty in one 60-second row; kept for ever, so a pruned recording still reviews.

    minute: running number of the row within the epoch. totals: sums of that minute (maxima too).
    body_mean_c, ambient_mean_c, speed_mean_mps: None when not measured. The last row of an epoch
    may be shorter than a minute.
    """

    unit_id: str
    position: str
    epoch: int
    minute: int
    start_ns: int
    duration_us: int
    totals: Totals
    body_mean_c: float | None
    ambient_mean_c: float | None
    speed_mean_mps: float | None


@dataclass(frozen=True, slots=True)
class TripDamper:
    """One damper's share of a trip; totals hold the trip's own sums and maxima."""

    unit_id: str
    position: str
    totals: Totals


@dataclass(frozen=True, slots=True)
class TripRow:
    """A trip, open or closed. (epoch, start_tile) identifies it; times are monotonic [ns].

    distance_m: None when speed was never known. moving_us: time in motion.
    """

    epoch: int
    start_tile: int
    start_ns: int
    end_ns: int
    is_open: bool
    moving_us: int
    distance_m: float | None
    dampers: tuple[TripDamper, ...]


@dataclass(frozen=True, slots=True)
class DamperLive:
    """What the live page shows of one damper after the latest tile.

    gas_pa: gauge. is_cavitation_judged: whether its profile says what that takes.
    """

    position: str
    wheel: str
    unit_id: str
    serial: str | None
    totals: Totals
    heat_w: float | None
    body_c: float | None
    body_limit_c: float
    travel_mm: float | None
    stroke_mm: float
    speed_rms_mps: float | None
    faults: tuple[str, ...]
    gas_pa: float | None = None
    is_cavitation_judged: bool = False


@dataclass(frozen=True, slots=True)
class Live:
    """The vehicle after the latest tile; end_ns is the tile's end in monotonic time."""

    epoch: int
    tile: int
    end_ns: int
    moving: bool
    speed_mps: float | None
    ambient_c: float | None
    dampers: tuple[DamperLive, ...]
    trip: TripRow | None


@dataclass(frozen=True, slots=True)
class TileHeat:
    """What one tile says about the heat of one damper.

    clock: whose times start_ns and end_ns are (two tiles of one clock can be compared). gas_pa: mean gauge pressure
    of the reservoir, None without a sender. travel_m: mean travel, told beside it where all of the tile counts.
    """

    position: str
    unit_id: str
    clock: str
    start_ns: int
    end_ns: int
    heat: HeatInput
    gas_pa: float | None = None
    travel_m: float | None = None


@dataclass(frozen=True, slots=True)
class HeatReset:
    """Somebody asked to begin anew at a position. what: learning (conductances) or damping (its baseline)."""

    position: str
    what: str


@dataclass(slots=True)
class Step:
    """What one frame brought: everything that became certain with it, in order."""

    sequence: int
    tiles: int = 0
    minutes: list[MinuteRow] = field(default_factory=list)
    trips: list[TripRow] = field(default_factory=list)
    faults: list[Fault] = field(default_factory=list)
    live: Live | None = None
    must_store_all: bool = False
    """True when a unit was installed or removed or an epoch ended: commit every group now."""
    _told: list[Iterable[TileHeat | HeatReset]] = field(default_factory=list)
    _heat: list[TileHeat | HeatReset] = field(default_factory=list)

    def tell_heat(self, told: Iterable[TileHeat | HeatReset]) -> None:
        """Take what is said about heat; an iterator is worked off when somebody asks, for not everybody does."""
        self._told.append(told)

    @property
    def heat(self) -> list[TileHeat | HeatReset]:
        """Return what was said about heat, in order."""
        if self._told:
            told, self._told = self._told, []
            self._heat += itertools.chain.from_iterable(told)
        return self._heat
