"""Points for a time-series database, made of snapshots and of what the ledger says (shared/TOPICS.md)."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from dutylog.duty.totals import Totals
from dutylog.ledger.rows import Trip, UnitDuty
from dutylog.publish.duty_fields import life_fields, trip_fields
from dutylog.publish.ledger_now import LedgerNow
from dutylog.publish.line_protocol import FieldValue, encode_line
from dutylog.publish.outbox import DUTY, LIVE, TRIP, Draft
from dutylog.publish.snapshot import DamperNow, Snapshot
from dutylog.units import NS_PER_S

LIVE_NS = 10 * NS_PER_S
DUTY_NS = 60 * NS_PER_S
CURSOR = "influxdb/trips"
"""Name of the note in the outbox that holds `PointMaker.cursor`."""


@dataclass(frozen=True, slots=True)
class Moment:
    """When something arose: this process's CLOCK_MONOTONIC in the kernel's boot; utc_ns: None until trusted."""

    boot_id: str
    mono_ns: int
    utc_ns: int | None


@dataclass(slots=True)
class _Window:
    """Readings of one damper at one position since the last point."""

    bodies_c: list[float] = field(default_factory=list)
    heats_w: list[float] = field(default_factory=list)
    speeds_mps: list[float] = field(default_factory=list)
    measured_ratio: float | None = None
    count: int = 0

    def add(self, damper: DamperNow) -> None:
        for values, value in (
            (self.bodies_c, damper.body_c),
            (self.heats_w, damper.heat_w),
            (self.speeds_mps, damper.speed_rms_mps),
        ):
            if value is not None:
                values.append(value)
        self.measured_ratio = damper.measured_ratio
        self.count += 1

    def fields(self) -> dict[str, FieldValue]:
        """Return the aggregates; empty where nothing was read, since a point of nothing says nothing."""
        if not (self.bodies_c or self.heats_w or self.speeds_mps):
            return {}
        return {
            "body_c": _mean(self.bodies_c),
            "body_max_c": max(self.bodies_c, default=None),
            "heat_w": _mean(self.heats_w),
            "heat_max_w": max(self.heats_w, default=None),
            # Tiles are equally long, so the squares' plain mean is right.
            "speed_rms_mps": None if not self.speeds_mps else math.sqrt(_mean_square(self.speeds_mps)),
            "measured_ratio": self.measured_ratio,
            "samples_count": self.count,
        }


class PointMaker:
    """Decides what becomes a point and when; keeps no file and asks no clock."""

    def __init__(self, cursor: str | None = None, boot_id: str = "", told_to: str = "") -> None:
        """cursor: what `cursor` returned before the last stop, None before the first.

        boot_id: the kernel's, now. told_to: whose points go where; what went elsewhere counts as never told.
        """
        self._told_to = told_to
        self._trips_done, self._duty_put = _parse_cursor(cursor, boot_id, told_to)
        self._windows: dict[tuple[str, str], _Window] = {}
        self._vehicle_id = ""
        self._seen: tuple[str, float] | None = None
        self._first_ns = 0
        self._latest: Moment | None = None
        self._duty_ns: dict[str, int] = {}

    def cursor(self, undated_boot: str = "") -> str:
        """Return which trips and totals have been made into points, to be kept together with those.

        undated_boot: the kernel's boot while its points wait for a time, which they may never get.
        """
        kept = {
            "schema": 1,
            "trips": sorted(self._trips_done),
            "duty": self._duty_put,
            "undated_boot": undated_boot,
            "told_to": self._told_to,
        }
        return json.dumps(kept, separators=(",", ":"))

    def forget(self) -> None:
        """Tell all again with the next ledger: what waited to be sent is gone."""
        self._trips_done, self._duty_put, self._duty_ns = set(), {}, {}

    def take(self, reading: Snapshot, now: Moment) -> list[Draft]:
        """Take one snapshot that arrived now; returns the points of the ten seconds before it, once they are full.

        A snapshot that brings no new reading (same start of core, same time of its source) counts for nothing.
        """
        drafts = self.close_live(now)
        if (reading.boot_id, reading.mono_s) == self._seen:
            return drafts
        self._seen = (reading.boot_id, reading.mono_s)
        self._vehicle_id = reading.vehicle.id
        if not self._windows:
            self._first_ns = now.mono_ns
        for damper in reading.dampers:
            self._windows.setdefault((damper.position, damper.unit_id), _Window()).add(damper)
        self._latest = now
        return drafts

    def close_live(self, now: Moment, is_last: bool = False) -> list[Draft]:
        """Return the live points whose ten seconds are over; is_last: whatever there is, because we stop."""
        latest = self._latest
        if latest is None or not (is_last or now.mono_ns - self._first_ns >= LIVE_NS):
            return []
        drafts = []
        for (position, unit_id), window in self._windows.items():
            tags = {"vehicle": self._vehicle_id, "position": position, "unit": unit_id}
            drafts += _draft(LIVE, tags, window.fields(), latest)
        self._windows, self._latest = {}, None
        return drafts

    def take_ledger(self, ledger: LedgerNow, now: Moment, is_last: bool = False) -> list[Draft]:
        """Return what the ledger brings: trips that ended, and each damper's totals where they are due.

        Totals are due once a minute when they changed, and at once when a trip ended or is_last.
        """
        trips = self._trips(ledger, now)
        drafts = []
        for unit in ledger.units:
            put = _mark(unit)
            is_due = is_last or bool(trips) or now.mono_ns - self._duty_ns.get(unit.unit_id, -DUTY_NS) >= DUTY_NS
            if not is_due or put == self._duty_put.get(unit.unit_id):
                continue
            tags = {"vehicle": ledger.vehicle_id, "position": unit.position, "unit": unit.unit_id}
            fields: dict[str, FieldValue] = {**life_fields(unit.totals)}
            fields |= {"revision": unit.revision, "seq": unit.sequence, "label": unit.label}
            drafts += _draft(DUTY, tags, fields, now)
            self._duty_ns[unit.unit_id] = now.mono_ns
            self._duty_put[unit.unit_id] = put
        return trips + drafts

    def _trips(self, ledger: LedgerNow, now: Moment) -> list[Draft]:
        """Return ended trips with a known date, oldest first, each once."""
        drafts = []
        for trip in sorted(ledger.trips, key=lambda trip: trip.number):
            if trip.row.is_open or not trip.utc_trusted or trip.start_utc_ns is None:
                continue
            if trip.number not in self._trips_done:
                self._trips_done.add(trip.number)
                drafts += _trip_drafts(ledger.vehicle_id, trip, trip.start_utc_ns, now)
        if ledger.trips:
            oldest = min(trip.number for trip in ledger.trips)
            self._trips_done = {number for number in self._trips_done if number >= oldest}
        return drafts


def _trip_drafts(vehicle_id: str, trip: Trip, start_utc_ns: int, now: Moment) -> list[Draft]:
    drafts = []
    for (position, unit_id), totals in _shares(trip).items():
        tags = {"vehicle": vehicle_id, "position": position, "unit": unit_id, "trip": str(trip.number)}
        start = Moment(now.boot_id, now.mono_ns, start_utc_ns)
        drafts += _draft(TRIP, tags, {**trip_fields(totals, trip.row.distance_m)}, start)
    return drafts


def _shares(trip: Trip) -> dict[tuple[str, str], Totals]:
    return {(share.position, share.unit_id): share.totals for share in trip.row.dampers}


def _draft(kind: str, tags: Mapping[str, str | None], fields: Mapping[str, FieldValue], moment: Moment) -> list[Draft]:
    """Return the point in a list of its own, an empty one where there is nothing to say."""
    line = encode_line(kind, tags, fields)
    return [] if line is None else [Draft(kind, moment.boot_id, moment.mono_ns, moment.utc_ns, line)]


def _mark(unit: UnitDuty) -> str:
    """Return what differs when there is something new to tell of a damper; short, since it is kept for each."""
    told = (unit.revision, unit.position, unit.label, unit.totals.as_row())
    return hashlib.blake2b(repr(told).encode(), digest_size=8).hexdigest()


def _parse_cursor(text: str | None, boot_id: str, told_to: str) -> tuple[set[int], dict[str, str]]:
    """Return a kept cursor's trips and its marks of totals; what can't be read or went elsewhere was never told.

    Marks that another boot left without a time don't count either: their points are gone.
    """
    try:
        kept = json.loads(text or "{}")
        if kept.get("told_to", told_to) != told_to:
            return set(), {}
        trips = {int(number) for number in kept.get("trips", ())}
        marks = {str(unit_id): str(mark) for unit_id, mark in kept.get("duty", {}).items()}
        is_gone = kept.get("undated_boot", "") not in ("", boot_id)
    except (ValueError, TypeError, AttributeError, RecursionError):
        return set(), {}
    return trips, {} if is_gone else marks


def _mean(values: Sequence[float]) -> float | None:
    return math.fsum(values) / len(values) if values else None


def _mean_square(values: Sequence[float]) -> float:
    return math.fsum(value * value for value in values) / len(values)
