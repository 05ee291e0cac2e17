"""Small true things that the ledger's tests share."""

from __future__ import annotations

from pathlib import Path

from dutylog.domain.vehicle import Damper, ForceAt, ForceCurve, Profile, Vehicle
from dutylog.duty.totals import TOTALS_COLUMNS, Totals
from dutylog.engine.output import MinuteRow, TripDamper, TripRow
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Commit, EntryDraft, Stamp

POSITIONS = ("front_left", "front_right", "rear_left", "rear_right")
STAMP = Stamp(utc_ns=1_700_000_000_000_000_000, utc_trusted=True, mono_ns=5_000_000_000, boot_id="boot-a")


def make_stamp() -> Stamp:
    return STAMP


def make_profile(name: str = "desert") -> Profile:
    return Profile(
        name=name,
        stroke_m=0.254,
        shaft_diameter_m=0.022,
        bore_diameter_m=0.0635,
        oil_mass_kg=1.1,
        body_mass_kg=4.2,
        heat_capacity_j_per_k=4000.0,
        force=(ForceAt(0.0, ForceCurve((-2.0, 0.0, 2.0), (-4000.0, 0.0, 2000.0))),),
        fade_per_k=0.001,
        reference_c=30.0,
        body_limit_c=110.0,
    )


def make_vehicle(vehicle_id: str = "truck") -> Vehicle:
    dampers = tuple(Damper(position=p, wheel=p, profile="desert") for p in POSITIONS)
    return Vehicle(vehicle_id=vehicle_id, name="Truck", dampers=dampers, profiles=(make_profile(),))


def open_ledger(folder: Path) -> Ledger:
    return Ledger.open(folder / "ledger.sqlite", stamp=make_stamp)


def fill(ledger: Ledger) -> list[str]:
    """Store the vehicle and four installed dampers SN-1 .. SN-4; return their unit_ids in the order of POSITIONS."""
    ledger.put_vehicle(make_vehicle())
    ids = []
    for number, position in enumerate(POSITIONS, start=1):
        unit = ledger.add_unit(f"SN-{number}", "desert")
        ledger.install(unit.unit_id, position)
        ids.append(unit.unit_id)
    return ids


def totals_at(sequence: int, salt: int = 0) -> Totals:
    """Return totals that rise with the sequence, each column by its own step, so a mixed-up column shows."""
    row = [sequence * (n + 1) + salt for n in range(len(TOTALS_COLUMNS))]
    return Totals(*row)


def mature_totals(second: int) -> Totals:
    """Return totals as large as a hard life makes them: 200 W over 1000 hours and one more second each time."""
    us = (3_600_000 + second) * 1_000_000
    return Totals(
        energy_compression_uj=120 * us + second * 7,
        energy_rebound_uj=180 * us + second * 5,
        strokes_count=9_000_000 + 3 * second,
        compression_strokes_count=4_500_000 + second,
        shaft_travel_um=900_000 * (us // 1_000_000),
        stroke_travel_um=700_000 * (us // 1_000_000),
        bottom_outs_count=4000,
        measured_us=us,
        unmeasured_us=us // 50,
        moving_us=us,
        moving_measured_us=us,
        peak_compression_umps=5_400_000,
        peak_rebound_umps=3_100_000,
        peak_body_mc=131_250,
    )


def minute_at(unit_id: str, minute: int, position: str = "front_left", epoch: int = 1) -> MinuteRow:
    return MinuteRow(
        unit_id=unit_id,
        position=position,
        epoch=epoch,
        minute=minute,
        start_ns=10_000_000_000 + minute * 60_000_000_000,
        duration_us=60_000_000,
        totals=totals_at(minute + 1),
        body_mean_c=61.25 + minute,
        ambient_mean_c=None,
        speed_mean_mps=12.5,
    )


def trip_at(ids: list[str], sequence: int, start_tile: int = 3, epoch: int = 1, is_open: bool = True) -> TripRow:
    return TripRow(
        epoch=epoch,
        start_tile=start_tile,
        start_ns=10_000_000_000,
        end_ns=10_000_000_000 + sequence * 1_000_000_000,
        is_open=is_open,
        moving_us=sequence * 1_000_000,
        distance_m=sequence * 12.5,
        dampers=tuple(
            TripDamper(unit_id, position, totals_at(sequence, n))
            for n, (unit_id, position) in enumerate(zip(ids, POSITIONS, strict=True))
        ),
    )


def commit_at(ids: list[str], sequence: int) -> Commit:
    """Return the commit that everything at `sequence` follows from: the crash tests recompute it."""
    is_cold = sequence % 3 == 0
    entry = EntryDraft("test_mark", ids[0], {"sequence": sequence})
    return Commit(
        sequence=sequence,
        engine="1",
        hot={unit_id: totals_at(sequence, n) for n, unit_id in enumerate(ids)},
        cold={unit_id: cold_at(sequence, n) for n, unit_id in enumerate(ids)} if is_cold else None,
        checkpoint=b"checkpoint %d" % sequence if is_cold else None,
        minutes=tuple(minute_at(unit_id, sequence) for unit_id in ids),
        trips=(trip_at(ids, sequence),),
        entries=(entry,) if sequence % 5 == 0 else (),
    )


def cold_at(sequence: int, salt: int) -> bytes:
    """Return a state that fills several pages, so a half-written one would show."""
    return (b"%08d-%d|" % (sequence, salt)) * 150
