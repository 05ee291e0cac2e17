"""A ledger with the life of dampers in it, made row by row: what tests of wear share."""

from __future__ import annotations

import json
import zlib
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import numpy as np

from dutylog.duty.damper_duty import DamperDuty
from dutylog.duty.totals import Totals
from dutylog.engine.output import MinuteRow, TripDamper, TripRow
from dutylog.ledger.command import apply_command
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Commit, Epoch, Stamp
from ledger.builders import POSITIONS, fill

DAY_NS = 86_400_000_000_000
START = date(2026, 1, 5)
TODAY = date(2026, 11, 2)


def noon_ns(day: date) -> int:
    """Return the wall time of a day's noon [ns]."""
    return round(datetime(day.year, day.month, day.day, 12, tzinfo=UTC).timestamp()) * 1_000_000_000


class Lived:
    """Four dampers SN-1..SN-4 of one vehicle; each drive is an epoch of its own with a wall clock that is right."""

    def __init__(self, folder: Path) -> None:
        self.now = TODAY
        self.ledger = Ledger.open(folder / "ledger.sqlite", stamp=self._stamp)
        self.ids = fill(self.ledger)
        self.totals = {unit_id: Totals() for unit_id in self.ids}
        self.sequence = 0
        self.epochs = 0

    def _stamp(self) -> Stamp:
        return Stamp(noon_ns(self.now), True, 5, "boot-a")

    def drive(
        self,
        day: date,
        minutes: int,
        units: Sequence[int] = (0, 1, 2, 3),
        watts: float = 200.0,
        first_speed_mps: float | None = 15.0,
        from_s: int = 0,
        **changes: Any,
    ) -> None:
        """Drive so many minutes on a day: 1.2 m/s of sliding, the same on each of some units.

        first_speed_mps: speed in the first minute, 15 m/s in all others. from_s: on the epoch's clock.
        changes: of each minute's totals.
        """
        self.epochs += 1
        epoch = Epoch(self.epochs, "test", "test", "boot-a", 0, noon_ns(day), True)
        self.ledger.put_epoch(epoch)
        rows = []
        for minute in range(minutes):
            for unit in units:
                gained = replace(self._minute(watts), **changes)
                speed_mps = 15.0 if minute else first_speed_mps
                row = self._row(self.ids[unit], POSITIONS[unit], minute, gained, speed_mps)
                rows.append(replace(row, start_ns=row.start_ns + from_s * 1_000_000_000))
                self.totals[self.ids[unit]].merge(gained)
        self.sequence += 1
        self.ledger.commit(Commit(sequence=self.sequence, engine="test", hot=dict(self.totals), minutes=tuple(rows)))

    def _minute(self, watts: float) -> Totals:
        energy_uj = round(watts * 60e6)
        return Totals(
            energy_compression_uj=energy_uj // 2,
            energy_rebound_uj=energy_uj - energy_uj // 2,
            strokes_count=180,
            compression_strokes_count=90,
            shaft_travel_um=72_000_000,
            stroke_travel_um=60_000_000,
            measured_us=60_000_000,
            moving_us=60_000_000,
            moving_measured_us=60_000_000,
            peak_body_mc=80_000,
        )

    def _row(self, unit_id: str, position: str, minute: int, gained: Totals, speed_mps: float | None) -> MinuteRow:
        start_ns = minute * 60_000_000_000
        return MinuteRow(unit_id, position, self.epochs, minute, start_ns, 60_000_000, gained, 75.0, 25.0, speed_mps)

    def tell(self, command: str, **fields: Any) -> dict[str, Any]:
        """Have a command done; return its reply, which must be a success."""
        reply = apply_command(self.ledger, {"schema": 1, "command": command, "by": "Ada", **fields}).reply
        assert reply["ok"], reply
        return reply

    def tell_plain(self, command: str, **fields: Any) -> None:
        """Have a command done that nobody signs."""
        reply = apply_command(self.ledger, {"schema": 1, "command": command, **fields}).reply
        assert reply["ok"], reply

    def keep_passes(self, unit: int, distance_mm: float, count: int) -> None:
        """Have the accumulators of a unit say that a place of its shaft went through the seal so often."""
        duty = DamperDuty(254_000)
        at_um = round(distance_mm * 1000)
        for _ in range(count):
            duty.histograms.add_path(at_um - 5000, np.array([at_um + 5000]))
        state = zlib.compress(json.dumps(duty.to_dict()).encode())
        self.sequence += 1
        cold = {self.ids[unit]: state}
        self.ledger.commit(Commit(sequence=self.sequence, engine="test", hot={}, cold=cold, checkpoint=b"x"))

    def trip(self, epoch: int, minutes: int, lasts_s: int | None = None) -> None:
        """Make a trip of the first minutes of an epoch's drive, with all dampers on it; lasts_s: with pauses."""
        shares = tuple(TripDamper(unit, place, Totals()) for unit, place in zip(self.ids, POSITIONS, strict=True))
        end_ns = (60 * minutes if lasts_s is None else lasts_s) * 1_000_000_000
        row = TripRow(epoch, 0, 0, end_ns, False, 0, minutes * 900.0, shares)
        self.sequence += 1
        self.ledger.commit(Commit(sequence=self.sequence, engine="test", hot={}, trips=(row,)))

    def close(self) -> None:
        self.ledger.close()
