"""Answers the pages' questions from the ledger file, opened read-only for each of them."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from dutylog.alerts.rules import CLEARED, RAISED
from dutylog.duty.totals import Totals
from dutylog.ledger.ledger import LEDGER_NAME, RECOVERED, Ledger
from dutylog.ledger.rows import Entry, Install, StoredAlert, Unit
from dutylog.ledger.trip_book import BookTrip, TripBook
from dutylog.ledger.trip_repairs import Repair
from dutylog.units import J_PER_UJ, NS_PER_S
from dutylog.web.gas_view import GasDetail, read_gas
from dutylog.web.life_told import read_basis, read_dirt, read_version
from dutylog.web.life_view import LifeBasis, LifeEntry
from dutylog.web.view import (
    DamperDetail,
    DamperSummary,
    InstallRow,
    TripAlertRow,
    TripDamperRow,
    TripDetail,
    TripRepairRow,
    TripSummary,
)

QUERY_LIMIT_S = 1.0
"""Time one query of a page may take: totals are stored, so milliseconds are enough. Source: judgement."""
_M_PER_UM = 1e-6
_S_PER_US = 1e-6
_C_PER_MC = 1e-3


class SqliteLedgerView:
    """LedgerView over the ledger of one data folder.

    Each question opens the file anew (about a millisecond), so a ledger that is made, restored or
    upgraded while the pages run needs no restart, and no connection crosses threads.
    """

    def __init__(self, data_dir: Path) -> None:
        self._path = data_dir / LEDGER_NAME

    def trips(self, limit: int, before: str | None) -> list[TripSummary]:
        """Return at most `limit` trips, newest first, those older than the key `before` where given."""
        with self._open() as ledger:
            return [_trip_summary(trip) for trip in TripBook(ledger).trips(limit, before)]

    def trip(self, key: str) -> TripDetail | None:
        """Return one trip, None when there is none of that key; of one that was merged into another, that one."""
        with self._open() as ledger, ledger.reading():
            book = TripBook(ledger)
            found = book.get(key)
            if found is None:
                return None
            units = {unit.unit_id: unit for unit in ledger.units()}
            alerts, dirt = book.alerts(found), read_dirt(ledger, found.numbers)
            repairs = [_repair_row(one) for one in book.repairs_of(found)]
            older = book.trips(1, found.key.partition(".")[0])
        detail = _trip_detail(found, units, alerts, dirt)
        return replace(detail, repairs=tuple(repairs), older=older[0].key.partition(".")[0] if older else None)

    def dampers(self) -> list[DamperSummary]:
        """Return every damper: those on the vehicle first, in the order of its positions."""
        with self._open() as ledger:
            totals = ledger.all_totals()
            vehicle = ledger.vehicle()
            rows = [
                _damper_summary(unit, totals.get(unit.unit_id, Totals()), _stay_now(ledger.installs_of(unit.unit_id)))
                for unit in ledger.units()
            ]
        places = [damper.position for damper in vehicle.dampers] if vehicle else []
        return sorted(rows, key=lambda row: _rank(row.position, places))

    def damper(self, key: str) -> DamperDetail | None:
        """Return the damper of this unit id, serial or tag; None when there is none."""
        with self._open() as ledger:
            unit = _find_unit(ledger, key)
            if unit is None:
                return None
            return _damper_detail(unit, ledger.totals(unit.unit_id), ledger.installs_of(unit.unit_id))

    def gas(self, key: str) -> GasDetail | None:
        """Return the nitrogen of the damper of this unit id, serial or tag; None when there is none."""
        with self._open() as ledger:
            unit = _find_unit(ledger, key)
            return None if unit is None else read_gas(ledger, unit, datetime.now(UTC).date())

    def life(self, key: str) -> LifeBasis | None:
        """Return what the ledger says at once of the life of such a damper; None when there is none."""
        with self._open() as ledger:
            unit = _find_unit(ledger, key)
            return None if unit is None else read_basis(ledger, unit)

    def life_version(self) -> int:
        """Return what changes whenever somebody tells the ledger something."""
        with self._open() as ledger:
            return read_version(ledger)

    def recovered(self) -> str | None:
        """Return one line on when and from what a damaged ledger was put right the last time, None if never."""
        with self._open() as ledger:
            entry = ledger.last_entry(RECOVERED)
        return None if entry is None else _recovery_text(entry)

    def _open(self) -> Ledger:
        return Ledger.open(self._path, read_only=True, query_limit_s=QUERY_LIMIT_S)


def _find_unit(ledger: Ledger, key: str) -> Unit | None:
    unit = ledger.unit(key) or ledger.unit_by_serial(key)
    return unit or next((unit for unit in ledger.units() if unit.tag == key), None)


def _recovery_text(entry: Entry) -> str:
    told = json.loads(entry.data)
    when = datetime.fromtimestamp(entry.utc_ns / NS_PER_S, UTC).strftime("%Y-%m-%d %H:%M UTC")
    lost = told.get("lost_sequences")
    return (
        f"put right {when}{'' if entry.utc_trusted else ' (date not trusted)'}, entry {entry.row}: "
        f"{told.get('reason')}; taken from {told.get('backup') or 'the raw log alone'}; "
        + (f"duty of frames {lost[0]} to {lost[1]} is lost" if lost else "no duty was lost that the log still has")
    )


def _stay_now(stays: Iterable[Install]) -> Install | None:
    return next((stay for stay in stays if stay.to_sequence is None), None)


def _rank(position: str | None, places: list[str]) -> int:
    if position is None:
        return len(places) + 1
    return places.index(position) if position in places else len(places)


def _repair_row(one: Repair) -> TripRepairRow:
    when_s = one.utc_ns / NS_PER_S
    return TripRepairRow(one.row, one.key, one.text, one.by, one.note, when_s, one.utc_trusted, one.undone_by)


def _trip_summary(trip: BookTrip) -> TripSummary:
    covered = [ratio for damper in trip.dampers if (ratio := _coverage(damper.totals)) is not None]
    return TripSummary(
        number=trip.numbers[0],
        name=trip.name,
        started_utc_s=_seconds(trip.start_utc_ns),
        utc_trusted=trip.utc_trusted,
        duration_s=trip.duration_ns / NS_PER_S,
        moving_s=trip.moving_us * _S_PER_US,
        distance_m=trip.distance_m,
        is_open=trip.is_open,
        energy_j=sum(damper.totals.energy_uj for damper in trip.dampers) * J_PER_UJ,
        coverage_ratio=min(covered, default=None),
        key=trip.key,
        trips=trip.numbers,
        parts=trip.parts,
        not_driven=trip.not_driven,
    )


def _trip_detail(
    trip: BookTrip, units: dict[str, Unit], alerts: Iterable[StoredAlert], dirt: LifeEntry | None
) -> TripDetail:
    return TripDetail(
        _trip_summary(trip),
        tuple(_trip_damper(d.position, units[d.unit_id], d.totals) for d in trip.dampers),
        tuple(_trip_alert(alert) for alert in alerts),
        dirt,
    )


def _trip_alert(alert: StoredAlert) -> TripAlertRow:
    row, raised_at, cleared_at = alert.row, alert.raised_at, alert.cleared_at
    lasted_s = None
    if raised_at is not None and cleared_at is not None and raised_at.boot_id == cleared_at.boot_id:
        lasted_s = max(0, cleared_at.mono_ns - raised_at.mono_ns) / NS_PER_S
    told = row.acknowledged
    return TripAlertRow(
        id=row.alert_id,
        kind=row.kind,
        position=row.position,
        subject=row.subject,
        level=row.level,
        state=RAISED if row.cleared is None else CLEARED,
        text=row.text,
        remedy=row.remedy,
        raised_utc_s=None if raised_at is None else _seconds(raised_at.utc_ns),
        utc_trusted=raised_at is not None and raised_at.utc_trusted,
        lasted_s=lasted_s,
        acknowledged_by=None if told is None else told.by,
        acknowledged_utc_s=None if told is None else _seconds(told.stamp.utc_ns),
        acknowledged_utc_trusted=told is not None and told.stamp.utc_trusted,
    )


def _trip_damper(position: str, unit: Unit, totals: Totals) -> TripDamperRow:
    return TripDamperRow(
        position=position,
        unit_id=unit.unit_id,
        label=unit.label,
        serial=unit.serial,
        energy_j=totals.energy_uj * J_PER_UJ,
        compression_energy_j=totals.energy_compression_uj * J_PER_UJ,
        rebound_energy_j=totals.energy_rebound_uj * J_PER_UJ,
        strokes_count=totals.strokes_count,
        shaft_travel_m=totals.shaft_travel_um * _M_PER_UM,
        stroke_travel_m=totals.stroke_travel_um * _M_PER_UM,
        bottom_outs_count=totals.bottom_outs_count,
        peak_body_c=_peak_body_c(totals),
        peak_compression_mps=totals.peak_compression_umps * _M_PER_UM,
        peak_rebound_mps=totals.peak_rebound_umps * _M_PER_UM,
        coverage_ratio=_coverage(totals),
        cavitation_s=totals.cavitation_us * _S_PER_US,
        cavitation_energy_j=totals.cavitation_energy_uj * J_PER_UJ,
    )


def _damper_summary(unit: Unit, totals: Totals, stay: Install | None) -> DamperSummary:
    return DamperSummary(
        unit_id=unit.unit_id,
        label=unit.label,
        serial=unit.serial,
        profile=unit.profile,
        position=stay.position if stay else None,
        energy_total_j=totals.energy_uj * J_PER_UJ,
        strokes_total_count=totals.strokes_count,
        shaft_travel_total_m=totals.shaft_travel_um * _M_PER_UM,
    )


def _damper_detail(unit: Unit, totals: Totals, stays: Iterable[Install]) -> DamperDetail:
    oldest_first = tuple(stays)
    return DamperDetail(
        damper=_damper_summary(unit, totals, _stay_now(oldest_first)),
        compression_energy_total_j=totals.energy_compression_uj * J_PER_UJ,
        rebound_energy_total_j=totals.energy_rebound_uj * J_PER_UJ,
        stroke_travel_total_m=totals.stroke_travel_um * _M_PER_UM,
        bottom_outs_total_count=totals.bottom_outs_count,
        measured_s=totals.measured_us * _S_PER_US,
        moving_s=totals.moving_us * _S_PER_US,
        coverage_ratio=_coverage(totals),
        peak_body_c=_peak_body_c(totals),
        installs=tuple(_install_row(stay) for stay in reversed(oldest_first)),
    )


def _install_row(stay: Install) -> InstallRow:
    return InstallRow(
        position=stay.position,
        from_utc_s=_seconds(stay.from_utc_ns),
        from_utc_trusted=stay.from_utc_trusted,
        until_utc_s=_seconds(stay.to_utc_ns),
        until_utc_trusted=stay.to_utc_trusted,
        is_current=stay.to_sequence is None,
    )


def _coverage(totals: Totals) -> float | None:
    return totals.moving_measured_us / totals.moving_us if totals.moving_us else None


def _peak_body_c(totals: Totals) -> float | None:
    return None if totals.peak_body_mc is None else totals.peak_body_mc * _C_PER_MC


def _seconds(utc_ns: int | None) -> float | None:
    return None if utc_ns is None else utc_ns / NS_PER_S
