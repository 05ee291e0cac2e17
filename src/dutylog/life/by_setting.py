"""What a damper did at each setting of its adjusters: its minutes cut where setting or place changed.

Minutes are taken as the ledger has them, so that sums over the stretches are the damper's own to the last unit.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby

from dutylog.domain.vehicle import Setting, Vehicle, setting_on
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.life_entries import CLOCK_SET_YEAR
from dutylog.ledger.rows import Unit
from dutylog.ledger.use_rows import UseRow
from dutylog.life.history import day_of


@dataclass(frozen=True, slots=True)
class Stretch:
    """A damper's minutes in one place at one setting, one after the other.

    first_day, last_day: UTC days of its first and last minute, both None where the date is unknown.
    setting: None where none was told, or where the date is unknown. distance_m: driven in minutes whose speed was
    known; known_us: moving time in those.
    """

    position: str
    setting: Setting | None
    first_day: date | None
    last_day: date | None
    minutes_count: int
    moving_us: int
    moving_measured_us: int
    energy_uj: int
    shaft_travel_um: int
    distance_m: float | None
    known_us: int

    @property
    def known_ratio(self) -> float | None:
        """Return the share of moving time whose speed was known, None where nothing moved."""
        return self.known_us / self.moving_us if self.moving_us else None

    @property
    def heat_w(self) -> float | None:
        """Return mean heat while moving, from the time that was measured; None without any."""
        return self.energy_uj / self.moving_measured_us if self.moving_measured_us else None


def read_stretches(ledger: Ledger, unit: Unit) -> list[Stretch]:
    """Return a damper's stretches by setting and place, oldest first; those of unknown date at the end.

    Minutes of trips that weren't driven are left out. Settings are those of the vehicle the ledger knows, days are UTC.
    Raises:
        LedgerCorrupt: the file is damaged.
    """
    rows = ledger.use_rows(unit.unit_id)
    return cut_by_setting(ledger.vehicle(), [row for row in rows if row.is_driven])


def cut_by_setting(vehicle: Vehicle | None, rows: Sequence[UseRow]) -> list[Stretch]:
    """Return the stretches of rows; see `read_stretches`. Minutes of unknown date are one stretch for each place."""
    dampers = {} if vehicle is None else {damper.position: damper for damper in vehicle.dampers}
    dated: list[tuple[date, UseRow]] = []
    undated: dict[str, list[UseRow]] = {}
    for row in rows:
        if (day := _day_of(row)) is None:
            undated.setdefault(row.position, []).append(row)
        else:
            dated.append((day, row))
    dated.sort(key=lambda one: (one[1].utc_ns, one[1].epoch, one[1].start_ns))
    found: dict[tuple[str, date], Setting | None] = {}

    def place_of(one: tuple[date, UseRow]) -> tuple[str, Setting | None]:
        key = one[1].position, one[0]
        if key not in found:
            damper = dampers.get(key[0])
            found[key] = None if damper is None else setting_on(damper, one[0])
        return key[0], found[key]

    stretches = []
    for (position, setting), members in groupby(dated, place_of):
        days, those = zip(*members, strict=True)
        stretches.append(_gather(position, setting, (days[0], days[-1]), those))
    return stretches + [_gather(position, None, None, those) for position, those in undated.items()]


def _day_of(row: UseRow) -> date | None:
    """Return the day a row began on; None where no clock told, or one that was never set."""
    day = None if row.utc_ns is None else day_of(row.utc_ns)
    return None if day is None or day.year < CLOCK_SET_YEAR else day


def _gather(position: str, setting: Setting | None, days: tuple[date, date] | None, rows: Iterable[UseRow]) -> Stretch:
    those = tuple(rows)
    known = [(row, row.speed_mean_mps) for row in those if row.speed_mean_mps is not None]
    return Stretch(
        position,
        setting,
        first_day=None if days is None else days[0],
        last_day=None if days is None else days[1],
        minutes_count=len(those),
        moving_us=sum(row.moving_us for row in those),
        moving_measured_us=sum(row.moving_measured_us for row in those),
        energy_uj=sum(row.energy_uj for row in those),
        shaft_travel_um=sum(row.shaft_travel_um for row in those),
        distance_m=sum(speed_mps * row.duration_us / 1e6 for row, speed_mps in known) if known else None,
        known_us=sum(row.moving_us for row, _ in known),
    )
