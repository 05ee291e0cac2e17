"""What the ledger says at one moment, read without disturbing who writes it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.rows import Trip, UnitDuty

QUERY_LIMIT_S = 2.0
TRIPS_LIMIT = 50
"""Newest trips looked at: as many as end in a week of hard use (judgement)."""


@dataclass(frozen=True, slots=True)
class LedgerNow:
    """All dampers with their totals and the newest trips, newest first, all of one moment."""

    vehicle_id: str
    units: tuple[UnitDuty, ...]
    trips: tuple[Trip, ...]


def read_ledger(data_dir: Path) -> LedgerNow | None:
    """Read the ledger of a data folder, opened anew each time; None while it knows no vehicle.

    Raises:
        LedgerError: it isn't there (yet), is being restored, damaged, or too slow; ask again later.
    """
    with Ledger.open(data_dir / LEDGER_NAME, read_only=True, query_limit_s=QUERY_LIMIT_S) as ledger, ledger.reading():
        vehicle = ledger.vehicle()
        if vehicle is None:
            return None
        return LedgerNow(vehicle.vehicle_id, tuple(ledger.unit_duties()), tuple(ledger.trips(TRIPS_LIMIT)))
