"""A ledger with trips whose minute rows and shares belong together, as the engine would have written them."""

from __future__ import annotations

import random
from dataclasses import dataclass, replace

from dutylog.duty.totals import TOTALS_COLUMNS, Totals
from dutylog.engine.output import MinuteRow, TripDamper, TripRow
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Commit, Epoch
from dutylog.units import NS_PER_S
from ledger.builders import POSITIONS, fill

MINUTE_NS = 60 * NS_PER_S
START_NS = 100 * NS_PER_S
UTC_NS = 1_790_000_000 * NS_PER_S


@dataclass
class Made:
    """What was written. hot: by unit, all that was counted. trips: as stored, by number."""

    ledger: Ledger
    units: list[str]
    hot: dict[str, Totals]
    trips: dict[int, TripRow]
    sequence: int = 0

    def drive_on(self, seed: int = 0) -> None:
        """Let every unit do a little more, in no trip."""
        self.sequence += 10
        for unit_id in self.units:
            self.hot[unit_id].merge(some_totals(random.Random(seed), 5_000_000))
        self.ledger.commit(Commit(self.sequence, "1", {unit: totals.copy() for unit, totals in self.hot.items()}))

    def count_again(self, number: int) -> None:
        """Write a trip with twice its heat, in rows, shares and totals alike."""
        row = self.trips[number]
        rows = []
        for damper in row.dampers:
            for minute in self.ledger.trip_minutes(damper.unit_id, number):
                totals = minute.row.totals.copy()
                self.hot[damper.unit_id].energy_compression_uj += totals.energy_compression_uj
                self.hot[damper.unit_id].energy_rebound_uj += totals.energy_rebound_uj
                rows.append(replace(minute.row, totals=_with_twice_the_heat(totals)))
        shares = tuple(replace(d, totals=_with_twice_the_heat(d.totals.copy())) for d in row.dampers)
        self.trips[number] = replace(row, dampers=shares)
        self.sequence += 10
        hot = {unit: totals.copy() for unit, totals in self.hot.items()}
        self.ledger.commit(Commit(self.sequence, "1", hot, minutes=tuple(rows), trips=(self.trips[number],)))


def _with_twice_the_heat(totals: Totals) -> Totals:
    totals.energy_compression_uj *= 2
    totals.energy_rebound_uj *= 2
    return totals


def some_totals(random_: random.Random, us: int) -> Totals:
    """Return the duty of a stretch of time in motion."""
    found = Totals(*(random_.randrange(1, 5000) for _ in TOTALS_COLUMNS))
    found.measured_us = found.moving_us = found.moving_measured_us = us
    found.unmeasured_us = 0
    return found


def make_trips(ledger: Ledger, lengths: tuple[int, ...] = (6, 4, 5), seed: int = 1) -> Made:
    """Write trips of so many minutes, in one epoch, 20 minutes apart; each ends half a minute into its last row."""
    made = Made(ledger, fill(ledger), {}, {})
    made.hot = {unit_id: Totals() for unit_id in made.units}
    ledger.put_epoch(Epoch(1, "bridge", "bridge", "boot-a", 0, UTC_NS, True))
    random_, minute = random.Random(seed), 2
    for length in lengths:
        rows: list[MinuteRow] = []
        shares = []
        for unit_id, position in zip(made.units, POSITIONS, strict=True):
            share = Totals()
            for number in range(minute, minute + length):
                is_last = number == minute + length - 1
                totals = some_totals(random_, 30_000_000 if is_last else 60_000_000)
                share.merge(totals)
                stored = totals.copy()
                # After the trip's last motion a row goes on, standing.
                stored.measured_us = 60_000_000
                made.hot[unit_id].merge(stored)
                start_ns = START_NS + number * MINUTE_NS
                rows.append(MinuteRow(unit_id, position, 1, number, start_ns, 60_000_000, stored, 40.0, 20.0, 10.0))
            shares.append(TripDamper(unit_id, position, share))
        start_ns = START_NS + minute * MINUTE_NS
        end_ns = start_ns + length * MINUTE_NS - MINUTE_NS // 2
        distance_m = 10.0 * (end_ns - start_ns) / NS_PER_S
        moving_us = (end_ns - start_ns) // 1000
        trip = TripRow(1, minute * 60, start_ns, end_ns, False, moving_us, distance_m, tuple(shares))
        made.sequence += 100
        hot = {unit: totals.copy() for unit, totals in made.hot.items()}
        ledger.commit(Commit(made.sequence, "1", hot, minutes=tuple(rows), trips=(trip,)))
        made.trips[len(made.trips) + 1] = replace(trip)
        minute += length + 20
    return made
