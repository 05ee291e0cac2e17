"""Made-up vehicles, trips and dampers for the tests of the pages."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

from dutylog.domain.wear import PARTS
from dutylog.engine.state import damper_state
from dutylog.errors import LedgerError
from dutylog.publish.snapshot import DamperNow, Snapshot, SourceNow, TripNow, VehicleName
from dutylog.web.gas_view import FillRow, GasDetail, GasRow, LeakRow, make_plot
from dutylog.web.life_view import LifeBasis
from dutylog.web.view import (
    DamperDetail,
    DamperSummary,
    InstallRow,
    TripAlertRow,
    TripDamperRow,
    TripDetail,
    TripSummary,
)
from web.life_samples import ENTRIES

POSITIONS = ("front_left", "front_right", "rear_left", "rear_right")
BODIES_C = (88.4, 104.6, 113.2, 97.1)
HEATS_W = (612.0, 780.0, 1463.0, 1240.0)
STROKES = (4127, 4098, 5210, 5188)
HOSTILE = "<script>alert(1)</script>\"'><img src=x onerror=alert(2)>{{7*7}}"


def damper_now(position: str, **changes: Any) -> DamperNow:
    """Return one damper of a snapshot; state and text follow from its values unless given."""
    body_c = changes.get("body_c", 80.0)
    faults = changes.get("faults", ())
    limit_c = changes.get("body_limit_c", 120.0)
    state, text = damper_state(body_c, limit_c, faults, has_data=True)
    base = DamperNow(
        position=position,
        wheel=position,
        unit_id=f"00000000-0000-4000-8000-0000000000{POSITIONS.index(position) if position in POSITIONS else 99:02d}",
        serial=f"SN-{position}",
        body_c=body_c,
        body_limit_c=limit_c,
        heat_w=500.0,
        energy_total_j=1.5e8,
        strokes_total_count=812_345,
        trip_energy_j=2.1e6,
        trip_strokes_count=4000,
        trip_peak_body_c=113.2,
        travel_mm=92.5,
        stroke_mm=254.0,
        speed_rms_mps=0.41,
        measured_ratio=1.0,
        faults=faults,
        state=state,
        state_text=text,
    )
    return replace(base, **changes)


def snapshot(seq: int = 1, **changes: Any) -> Snapshot:
    """Return a vehicle of four dampers under way."""
    dampers = tuple(
        damper_now(position, body_c=body_c, heat_w=heat_w, trip_strokes_count=strokes)
        for position, body_c, heat_w, strokes in zip(POSITIONS, BODIES_C, HEATS_W, STROKES, strict=True)
    )
    base = Snapshot(
        schema=1,
        engine="1",
        seq=seq,
        vehicle=VehicleName("demo_truck", "Demo truck"),
        boot_id="boot-1",
        mono_s=1000.0 + seq,
        utc_ns=1_764_000_000_000_000_000,
        utc_trusted=True,
        source=SourceNow("simulated", "desert stage", "running"),
        moving=True,
        speed_mps=18.3,
        ambient_c=31.0,
        trip=TripNow(7, 12.0, 2530.4, 41_250.0),
        dampers=dampers,
        drops={"snapshot": 0},
    )
    return replace(base, **changes)


def trip_damper(position: str, energy_j: float, **changes: Any) -> TripDamperRow:
    """Return one damper's share of a trip."""
    base = TripDamperRow(
        position=position,
        unit_id=f"00000000-0000-4000-8000-0000000000{POSITIONS.index(position):02d}",
        label=f"SN-{position}",
        serial=f"SN-{position}",
        energy_j=energy_j,
        compression_energy_j=energy_j * 0.4,
        rebound_energy_j=energy_j * 0.6,
        strokes_count=4127,
        shaft_travel_m=1312.7,
        stroke_travel_m=1100.2,
        bottom_outs_count=3,
        peak_body_c=113.2,
        peak_compression_mps=4.1,
        peak_rebound_mps=2.2,
        coverage_ratio=1.0,
    )
    return replace(base, **changes)


def trip_alert(**changes: Any) -> TripAlertRow:
    """Return an alert raised in a trip, over since, that Ana has seen."""
    base = TripAlertRow(
        id="3f0c1b52-6d2e-4b7a-9c58-0d6d3f1a2b4c",
        kind="body_over_limit",
        position="front_left",
        subject=None,
        level="act_now",
        state="cleared",
        text="front left: body over its limit of 120 °C",
        remedy="ease off",
        raised_utc_s=1_764_000_100.0,
        utc_trusted=True,
        lasted_s=95.0,
        acknowledged_by="Ana",
        acknowledged_utc_s=1_764_000_130.0,
        acknowledged_utc_trusted=True,
    )
    return replace(base, **changes)


def trip_summary(number: int, **changes: Any) -> TripSummary:
    """Return one row of the list of trips."""
    base = TripSummary(
        number=number,
        name=None,
        started_utc_s=1_764_000_000.0 + 86_400 * number,
        utc_trusted=True,
        duration_s=5025.0,
        moving_s=4680.0,
        distance_m=82_410.0,
        is_open=False,
        energy_j=6.25e6,
        coverage_ratio=1.0,
    )
    return replace(base, **changes)


def damper_summary(position: str, **changes: Any) -> DamperSummary:
    """Return one row of the list of dampers."""
    base = DamperSummary(
        unit_id=f"00000000-0000-4000-8000-0000000000{POSITIONS.index(position):02d}",
        label=f"SN-{position}",
        serial=f"SN-{position}",
        profile="front_254",
        position=position,
        energy_total_j=1.5e8,
        strokes_total_count=812_345,
        shaft_travel_total_m=240_120.0,
    )
    return replace(base, **changes)


def gas_row(row: int, day: str | None, equivalent_pa: float, **changes: Any) -> GasRow:
    """Return one reading of a charge of 200 psi."""
    base = GasRow(
        row,
        day,
        True,
        "Ana",
        None,
        False,
        equivalent_pa,
        equivalent_pa,
        4e4,
        "ok",
        "within 5% of the target is ok",
        None,
    )
    return replace(base, **changes)


def gas_detail(row: DamperSummary, **changes: Any) -> GasDetail:
    """Return a damper's nitrogen: filled, checked three times, once warm, and leaking."""
    readings = (
        gas_row(40, "2026-03-02", 1.28e6, verdict="low", note="after the race"),
        gas_row(31, "2025-11-24", 1.33e6, verdict=None, reason="no verdict, too warm: body or oil is 31 K off the air"),
        gas_row(22, "2025-05-31", 1.36e6, is_day_sure=False),
        gas_row(11, "2025-01-10", 1.379e6, is_fill=True, begins="filled", verdict="ok"),
        gas_row(3, None, 1.5e6, verdict="high"),
    )
    base = GasDetail(
        unit_id=row.unit_id,
        label=row.label,
        profile="front_254",
        target_pa=1.379e6,
        readings=readings,
        leak=LeakRow(8.5e4, 3e4, 0.51, 0.18, "2025-01-10", 4, True, True, "2026-03-02", "2026-04-11", None),
        fill=(FillRow(0.0, 1.27e6, 4e4, 1.49e6, 7e4), FillRow(20.0, 1.379e6, 3e4, 1.62e6, 7e4)),
        ride_mm=101.6,
        plot=make_plot(readings, 1.379e6),
    )
    return replace(base, **changes)


@dataclass
class FakeLedgerView:
    """A ledger in memory; keeps the questions it was asked and can be told to fail."""

    trip_rows: list[TripSummary] = field(default_factory=list)
    trip_details: dict[int, TripDetail] = field(default_factory=dict)
    damper_rows: list[DamperSummary] = field(default_factory=list)
    asked: list[tuple[str, object]] = field(default_factory=list)
    problem: str | None = None
    recovered_text: str | None = None
    gas_changes: dict[str, Any] = field(default_factory=dict)
    life_changes: dict[str, Any] = field(default_factory=dict)

    def _note(self, what: str, value: object) -> None:
        self.asked.append((what, value))
        if self.problem:
            raise LedgerError(self.problem)

    def trips(self, limit: int, before: str | None) -> list[TripSummary]:
        older = None if before is None else int(before.partition(".")[0])
        self._note("trips", (limit, older))
        rows = sorted(self.trip_rows, key=lambda row: -row.number)
        return [row for row in rows if older is None or row.number < older][:limit]

    def trip(self, key: str) -> TripDetail | None:
        number, _, part = key.partition(".")
        self._note("trip", int(number))
        return None if part else self.trip_details.get(int(number))

    def dampers(self) -> list[DamperSummary]:
        self._note("dampers", None)
        return self.damper_rows

    def damper(self, key: str) -> DamperDetail | None:
        self._note("damper", key)
        row = next((row for row in self.damper_rows if key in (row.unit_id, row.serial)), None)
        if row is None:
            return None
        stays = (
            InstallRow(row.position or "front_left", 1_764_000_000.0, True, None, None, True),
            InstallRow("rear_left", 1_730_000_000.0, False, 1_764_000_000.0, True, False),
        )
        return DamperDetail(row, 6e7, 9e7, 201_000.0, 41, 90_000.0, 93_000.0, 0.9677, 121.4, stays)

    def gas(self, key: str) -> GasDetail | None:
        self._note("gas", key)
        row = next((row for row in self.damper_rows if key in (row.unit_id, row.serial)), None)
        return None if row is None else gas_detail(row, **self.gas_changes)

    def life(self, key: str) -> LifeBasis | None:
        self._note("life", key)
        row = next((row for row in self.damper_rows if key in (row.unit_id, row.serial)), None)
        if row is None:
            return None
        basis = LifeBasis(row.unit_id, row.label, row.position, row.profile or "none", 12, ENTRIES, PARTS)
        return replace(basis, **self.life_changes)

    def life_version(self) -> int:
        self._note("life_version", None)
        return 12

    def recovered(self) -> str | None:
        return self.recovered_text


def fake_ledger() -> FakeLedgerView:
    """Return a ledger with three trips and four dampers."""
    energies = (1.21e6, 1.18e6, 2.02e6, 1.84e6)
    rows = tuple(trip_damper(p, e) for p, e in zip(POSITIONS, energies, strict=True))
    partly = (*rows[:3], replace(rows[3], coverage_ratio=0.9431, peak_body_c=None))
    trips = [
        trip_summary(1),
        trip_summary(2, distance_m=None, name="Dry lake", utc_trusted=False),
        trip_summary(3, is_open=True, coverage_ratio=0.9431),
    ]
    details = {
        1: TripDetail(trips[0], rows),
        2: TripDetail(trips[1], rows),
        3: TripDetail(trips[2], partly),
    }
    return FakeLedgerView(trips, details, [damper_summary(p) for p in POSITIONS])
