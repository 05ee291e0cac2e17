"""What the ledger says at one moment, read without disturbing who writes it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.rows import StoredAlert, Trip, UnitDuty

QUERY_LIMIT_S = 2.0
TRIPS_LIMIT = 50
"""Newest trips looked at: as many as end in a week of hard use (judgement)."""


ALERTS_LIMIT = 200
"""Newer alerts looked at in one go; the rest follows with the next look."""


@dataclass(frozen=True, slots=True)
class LedgerNow:
    """All dampers with their totals and the newest trips, newest first, all of one moment.

    alerts: those asked for, the oldest first. alert_number: up to which newer ones are among them.
    """

    vehicle_id: str
    units: tuple[UnitDuty, ...]
    trips: tuple[Trip, ...]
    alerts: tuple[StoredAlert, ...] = ()
    alert_number: int = 0


def read_ledger(data_dir: Path, alerts_after: int | None = None, alert_ids: Sequence[str] = ()) -> LedgerNow | None:
    """Read the ledger of a data folder, opened anew each time; None while it knows no vehicle.

    Args:
        alerts_after: alerts with larger numbers are wanted; None for those that are open. alert_ids: and these.
    Raises:
        LedgerError: it isn't there (yet), is being restored, damaged, or too slow; ask again later.
    """
    with Ledger.open(data_dir / LEDGER_NAME, read_only=True, query_limit_s=QUERY_LIMIT_S) as ledger, ledger.reading():
        vehicle = ledger.vehicle()
        if vehicle is None:
            return None
        alerts = {alert.number: alert for alert in ledger.alerts_of(alert_ids)}
        newest = max((alert.number for alert in ledger.alerts(1)), default=0)
        if alerts_after is None or alerts_after > newest:
            # None yet; or the ledger was put back from a copy, whose numbers go on from an earlier one.
            newer, number = ledger.open_alerts(), newest
        else:
            newer = ledger.alerts_after(alerts_after, ALERTS_LIMIT)
            number = max((alert.number for alert in newer), default=alerts_after)
        alerts |= {alert.number: alert for alert in newer}
        return LedgerNow(
            vehicle.vehicle_id,
            tuple(ledger.unit_duties()),
            tuple(ledger.trips(TRIPS_LIMIT)),
            tuple(alert for _, alert in sorted(alerts.items())),
            number,
        )
