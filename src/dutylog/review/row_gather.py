"""Tiles in, rows of a trip out: what belongs to it is gathered for each damper, what lies around it only followed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from dutylog.domain.vehicle import Damper, Vehicle
from dutylog.duty.damper_duty import DamperDuty
from dutylog.duty.totals import Totals
from dutylog.engine.engine import EnergyTile, is_named
from dutylog.engine.epoch_run import PreparedTile
from dutylog.review.contacts import ContactFinder
from dutylog.review.meetings import find_meetings
from dutylog.review.road import RoadFinder
from dutylog.review.tiles import SeatGather, Signals, count_histograms, measure
from dutylog.review.trip_data import SIGNALS, Contact, Ints, Singles
from dutylog.review.trip_duty import StrokeLog
from dutylog.units import NS_PER_S

HELD_NS = 60 * NS_PER_S
"""A body temperature holds so long after its thermocouple last told one: it moves some kelvin a minute. Judgement."""
_NAN = float("nan")
_NONE: Ints = np.empty(0, dtype=np.int64)

Seat = tuple[str, str]
"""A unit and the position it sits at."""
Run = tuple[int, int]
"""Tiles that belong, from and to, of those taken at once."""
Duties = Mapping[str, tuple[DamperDuty, StrokeLog]]


@dataclass(slots=True)
class _Watch:
    """What is followed of a damper in a place. late: strokes [um, ns] that became certain behind its last tile."""

    damper: Damper
    stroke_m: float
    contacts: ContactFinder
    is_inside: bool = False
    late: tuple[Ints, Ints] = (_NONE, _NONE)
    body_seen: tuple[int, int] = (0, 0)

    def renew(self, damper: Damper, stroke_m: float) -> None:
        """Follow a changed configuration; what is armed stays so."""
        ends = (stroke_m, damper.bump_stop_m, damper.strap_m)
        if ends != (self.stroke_m, self.damper.bump_stop_m, self.damper.strap_m):
            armed = {one.kind: one.is_armed for one in self.contacts.crossings}
            self.contacts = ContactFinder(damper, stroke_m)
            for one in self.contacts.crossings:
                one.is_armed = armed.get(one.kind, True)
        self.damper, self.stroke_m = damper, stroke_m


@dataclass(slots=True)
class RowGather:
    """What was gathered so far. duties: accumulators of the units by which the engine counts.

    rows: (begin, length, moving, vehicle_mps, driven_m, ambient_c) of each.
    """

    duties: Duties
    rows: list[tuple[float, float, bool, float, float, float]] = field(default_factory=list)
    contacts: list[Contact] = field(default_factory=list)
    roads: list[RoadFinder] = field(default_factory=list)
    seats: dict[Seat, SeatGather] = field(default_factory=dict)
    counted: dict[str, Totals] = field(default_factory=dict)
    last_inside: PreparedTile | None = None
    _last_tile: EnergyTile | None = None
    _watches: dict[Seat, _Watch] = field(default_factory=dict)
    _road_strokes: tuple[float, ...] = ()

    @property
    def last(self) -> PreparedTile | None:
        """Return the last tile taken."""
        return None if self._last_tile is None else self._last_tile.prepared

    def take(
        self, tiles: Sequence[EnergyTile], starts_s: Sequence[float | None], units: Mapping[str, str], vehicle: Vehicle
    ) -> None:
        """Take tiles in order.

        Args:
            starts_s: when each begins since the trip's begin [s], None where it doesn't belong.
            units: unit in each position while they were counted. vehicle: in force then.
        """
        signals, runs, first_row = measure(tiles), _find_runs(starts_s), len(self.rows)
        for row, damper in enumerate(vehicle.dampers):
            seat = units[damper.position], damper.position
            watch = self._watch(seat, damper, vehicle.profile_of(damper).stroke_m)
            self._find_contacts(tiles, starts_s, signals, row, seat)
            body_c = self._read_body(tiles, row, watch)
            if is_named(seat[0]):
                self._take_seat(tiles, _stack(tiles, signals, row, body_c), row, seat, runs, first_row)
        for tile, start_s in zip(tiles, starts_s, strict=True):
            if start_s is not None:
                self._take_row(tile, start_s, vehicle)
        self._last_tile = tiles[-1]

    def settle(self, seat: Seat, gained: Totals, *, is_late: bool | None) -> None:
        """Take what a unit gained as a run ended, behind its last tile.

        is_late: whether the trip's last motion was over by then; None where it can't belong to the trip.
        """
        watch, (_, log) = self._watches.get(seat), self.duties[seat[0]]
        self.counted.setdefault(seat[0], Totals()).merge(gained)
        strokes = log.drain()
        if watch is not None:
            strokes = np.concatenate([watch.late[0], strokes[0]]), np.concatenate([watch.late[1], strokes[1]])
            watch.late = _NONE, _NONE
        if is_late is None or seat not in self.seats:
            return
        gather = self.seats[seat]
        (gather.add_late if is_late else gather.add_ended)(gained, *strokes)

    def leave(self, seat: Seat) -> None:
        """Note that a unit has left its place."""
        watch = self._watches.pop(seat, None)
        if watch is not None and watch.is_inside:
            self.seats[seat].add_histograms(self.duties[seat[0]][0].histograms.counts, 1)

    def close(self) -> None:
        """Take the histograms of whoever is still inside."""
        for seat in list(self._watches):
            self.leave(seat)

    def state(self) -> list[Any]:
        """Return, in JSON types, all that decides what later tiles will add."""
        return [[*seat, watch.contacts.state(), list(watch.body_seen)] for seat, watch in self._watches.items()]

    def _watch(self, seat: Seat, damper: Damper, stroke_m: float) -> _Watch:
        watch = self._watches.get(seat)
        if watch is None:
            watch = self._watches[seat] = _Watch(damper, stroke_m, ContactFinder(damper, stroke_m))
        elif watch.damper != damper or watch.stroke_m != stroke_m:
            watch.renew(damper, stroke_m)
        return watch

    def _take_row(self, tile: EnergyTile, start_s: float, vehicle: Vehicle) -> None:
        prepared = tile.prepared
        seconds, mps = (prepared.end_ns - prepared.start_ns) * 1e-9, prepared.vehicle_mps
        # The engine adds up way only while it judges the vehicle to be in motion.
        driven_m = _NAN if mps is None else max(0.0, mps) * seconds if tile.moving else 0.0
        speed_mps, ambient_c = (_NAN if value is None else value for value in (mps, prepared.ambient_c))
        self.rows.append((start_s, seconds, tile.moving, speed_mps, driven_m, ambient_c))
        self.last_inside = prepared
        strokes = tuple(vehicle.profile_of(damper).stroke_m for damper in vehicle.dampers)
        if not self.roads or strokes != self._road_strokes:
            self.roads.append(RoadFinder(strokes))
            self._road_strokes = strokes
        counted = np.ones(prepared.travel_m.shape, dtype=bool)
        for row, gain in enumerate(tile.gains):
            if gain.counted is not None:
                counted[row] = gain.counted
        self.roads[-1].take(prepared.travel_m, counted, prepared.rate_hz, seconds, mps, tile.moving, start_s)

    def _take_seat(
        self, tiles: Sequence[EnergyTile], told: Singles, row: int, seat: Seat, runs: Sequence[Run], first_row: int
    ) -> None:
        """Add what tiles brought one damper; told: (tiles, SIGNALS)."""
        watch, (duty, log) = self._watches[seat], self.duties[seat[0]]
        gains, counted = [tile.gains[row] for tile in tiles], self.counted.setdefault(seat[0], Totals())
        for gain in gains:
            counted.merge(gain.totals)
        lengths_um, durations_ns = log.drain()
        ends = np.cumsum([0, *(gain.totals.strokes_count for gain in gains)]).tolist()
        # Behind the tiles' own: what ended with the run.
        watch.late = lengths_um[ends[-1] :], durations_ns[ends[-1] :]
        for start, stop in runs:
            gather = self.seats.get(seat)
            if gather is None:
                gather = self.seats[seat] = SeatGather(watch.damper, watch.stroke_m, seat[0])
            gather.damper = watch.damper
            gather.add(first_row, gains[start:stop], told[start:stop])
            first_row += stop - start
            gather.add_strokes(lengths_um[ends[start] : ends[stop]], durations_ns[ends[start] : ends[stop]])
        self._mark_borders(tiles, row, seat, runs, duty)

    def _mark_borders(
        self, tiles: Sequence[EnergyTile], row: int, seat: Seat, runs: Sequence[Run], duty: DamperDuty
    ) -> None:
        """Take histograms where the trip is entered and left: as they are now, less what tiles from there on added."""
        watch = self._watches[seat]
        belongs = [any(start <= number < stop for start, stop in runs) for number in range(len(tiles))]
        for number, is_inside in enumerate(belongs):
            if is_inside != watch.is_inside:
                sign = -1 if is_inside else 1
                self.seats[seat].add_histograms(duty.histograms.counts, sign)
                self.seats[seat].add_histograms(count_histograms(tiles[number:], row), -sign)
                watch.is_inside = is_inside

    def _find_contacts(
        self,
        tiles: Sequence[EnergyTile],
        starts_s: Sequence[float | None],
        signals: Signals,
        row: int,
        seat: Seat,
    ) -> None:
        """Take the contacts of one damper that belong."""
        bounds_um = signals.low_um[:, row], signals.high_um[:, row]
        unit_id = seat[0] if is_named(seat[0]) else None
        finder = self._watches[seat].contacts
        for one in find_meetings(tiles, self._last_tile, row, finder, bounds_um):
            start_s = starts_s[one.tile]
            if start_s is not None:
                at_s = start_s + one.offset_s
                self.contacts.append(Contact(seat[1], one.kind, at_s, one.speed_mps, unit_id=unit_id))

    @staticmethod
    def _read_body(tiles: Sequence[EnergyTile], row: int, watch: _Watch) -> list[float]:
        """Return the body temperature of each tile, NaN where its thermocouple has been silent for long."""
        found = []
        for tile in tiles:
            prepared = tile.prepared
            if prepared.body_samples[row]:
                watch.body_seen = prepared.epoch, prepared.end_ns
            epoch, seen_ns = watch.body_seen
            is_fresh = epoch == prepared.epoch and prepared.end_ns - seen_ns <= HELD_NS
            found.append(float(prepared.body_c[row]) if is_fresh else _NAN)
        return found


def _find_runs(starts_s: Sequence[float | None]) -> list[Run]:
    """Return the stretches that aren't None."""
    runs: list[Run] = []
    for number, start_s in enumerate(starts_s):
        if start_s is None:
            continue
        if runs and runs[-1][1] == number:
            runs[-1] = runs[-1][0], number + 1
        else:
            runs.append((number, number + 1))
    return runs


def _stack(tiles: Sequence[EnergyTile], signals: Signals, row: int, body_c: Sequence[float]) -> Singles:
    """Return (tiles, SIGNALS) of one damper."""
    gas_pa = [_NAN if (gas := tile.prepared.gas_pa[row]) is None else gas for tile in tiles]
    columns = dict(
        zip(
            SIGNALS,
            (
                body_c,
                signals.rms_mps[:, row],
                signals.mean_m[:, row],
                signals.low_m[:, row],
                signals.high_m[:, row],
                gas_pa,
            ),
            strict=True,
        )
    )
    return np.stack([np.asarray(columns[name], dtype=np.float32) for name in SIGNALS], axis=1)


__all__ = ["RowGather", "Seat"]
