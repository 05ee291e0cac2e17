"""The live snapshot as core makes it (shared/SNAPSHOT.md)."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from dutylog import ENGINE
from dutylog.acquire.driver import DriverState
from dutylog.acquire.sensors import RawTravel
from dutylog.domain.vehicle import Damper, Vehicle
from dutylog.duty.totals import Totals
from dutylog.engine.output import DamperLive, Live, TripRow
from dutylog.engine.state import damper_state
from dutylog.errors import one_line
from dutylog.heat.outlook import HeatNow
from dutylog.units import J_PER_UJ, NS_PER_S


@dataclass(frozen=True, slots=True)
class SourceState:
    """How the source is doing. state: running, ended or lost."""

    kind: str
    text: str
    state: str
    state_text: str


@dataclass(frozen=True, slots=True)
class DiskState:
    """What the disk doesn't do [s]: how long readings have stood still for it, or gone on without storing.

    not_stored_s: time of samples that were counted and never stored, since the start of core. unsaved_s:
    how long totals have been in memory only.
    """

    standing_s: float = 0.0
    not_storing_s: float = 0.0
    not_stored_s: float = 0.0
    unsaved_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Moment:
    """What a snapshot says beside the engine's view. mono_ns: when the source began, shown before the first tile.

    not_driven: what was counted of each unit in trips whose duty doesn't count.
    """

    seq: int
    start_id: str
    mono_ns: int
    utc_ns: int
    utc_trusted: bool
    source: SourceState
    trip_number: int | None
    drops: dict[str, int]
    disk: DiskState = DiskState()
    devices: tuple[DriverState, ...] = ()
    raw_travel: Mapping[str, RawTravel] = field(default_factory=dict)
    heat: Callable[[str], HeatNow | None] = lambda _position: None
    not_driven: Mapping[str, Totals] = field(default_factory=dict)


def make_snapshot(vehicle: Vehicle, live: Live | None, moment: Moment) -> dict[str, Any]:
    """Return the snapshot of one moment; before the first tile every damper is waiting."""
    trip = None if live is None else live.trip
    places = {damper.position: damper for damper in vehicle.dampers}
    return {
        "schema": 1,
        "engine": ENGINE,
        "seq": moment.seq,
        "vehicle": {"id": vehicle.vehicle_id, "name": vehicle.name},
        "boot_id": moment.start_id,
        "mono_s": (moment.mono_ns if live is None else live.end_ns) / NS_PER_S,
        "utc_ns": moment.utc_ns,
        "utc_trusted": moment.utc_trusted,
        "source": {
            "kind": moment.source.kind,
            "text": moment.source.text[:300],
            "state": moment.source.state,
            "state_text": moment.source.state_text[:300],
        },
        "moving": live is not None and live.moving,
        "speed_mps": None if live is None else live.speed_mps,
        "ambient_c": None if live is None else live.ambient_c,
        "trip": None if live is None or trip is None else _trip(trip, live, moment.trip_number),
        "drops": moment.drops,
        "standing_s": moment.disk.standing_s,
        "not_storing_s": moment.disk.not_storing_s,
        "not_stored_s": moment.disk.not_stored_s,
        "unsaved_s": moment.disk.unsaved_s,
        "devices": [_device(device) for device in moment.devices],
        "dampers": [
            _complete(one, vehicle, places.get(one["position"]), moment)
            for one in _dampers(vehicle, live, moment.not_driven)
        ],
    }


def _dampers(vehicle: Vehicle, live: Live | None, not_driven: Mapping[str, Totals]) -> list[dict[str, Any]]:
    if live is None:
        return [_waiting(vehicle, i) for i in range(len(vehicle.dampers))]
    shares = {} if live.trip is None else {(part.unit_id, part.position): part.totals for part in live.trip.dampers}
    return [
        _damper(damper, shares.get((damper.unit_id, damper.position)), not_driven.get(damper.unit_id))
        for damper in live.dampers
    ]


def _complete(one: dict[str, Any], vehicle: Vehicle, damper: Damper | None, moment: Moment) -> dict[str, Any]:
    """Put into a damper what isn't the engine's; return it.

    Readings before any calibration are what calibrating needs; no counts where the source gives none.
    """
    position, body_c = one["position"], one["body_c"]
    offset_k = 0.0 if damper is None else damper.body_offset_k
    one["body_raw_c"] = None if body_c is None else body_c - offset_k
    if (raw := moment.raw_travel.get(position)) is not None:
        one["travel_raw"], one["travel_raw_noise"] = round(raw.mean, 2), round(raw.noise, 3)
    one["oil_limit_c"] = None if damper is None else vehicle.profile_of(damper).oil_limit_c
    if (heat := moment.heat(position)) is not None:
        one.update(heat.shown())
    return one


def _device(device: DriverState) -> dict[str, Any]:
    return {
        "name": device.name,
        "state": device.word,
        "text": one_line(device.text, 300),
        "counters": dict(device.counters),
        "channels": [
            {"position": c.position, "quantity": c.quantity, "state": c.word, "text": one_line(c.text, 300)}
            for c in device.channels
        ],
    }


def _trip(trip: TripRow, live: Live, number: int | None) -> dict[str, Any]:
    return {
        "number": number,
        "started_mono_s": trip.start_ns / NS_PER_S,
        "duration_s": max(0, live.end_ns - trip.start_ns) / NS_PER_S,
        "distance_m": trip.distance_m,
    }


def _damper(damper: DamperLive, share: Totals | None, not_driven: Totals | None) -> dict[str, Any]:
    """Return what the engine has of a damper. share: its part of the open trip."""
    energy_uj, strokes_count = damper.totals.energy_uj, damper.totals.strokes_count
    if not_driven is not None:
        energy_uj, strokes_count = energy_uj - not_driven.energy_uj, strokes_count - not_driven.strokes_count
    has_data = damper.travel_mm is not None or damper.body_c is not None
    state, text = damper_state(damper.body_c, damper.body_limit_c, damper.faults, has_data)
    peak_mc = None if share is None else share.peak_body_mc
    moving_us = 0 if share is None else share.moving_us
    cavitation_us = None if share is None or not damper.is_cavitation_judged else share.cavitation_us
    return {
        "position": damper.position,
        "wheel": damper.wheel,
        "unit_id": damper.unit_id,
        "serial": damper.serial,
        "body_c": damper.body_c,
        "body_limit_c": damper.body_limit_c,
        "heat_w": damper.heat_w,
        "energy_total_j": max(0, energy_uj) * J_PER_UJ,
        "strokes_total_count": max(0, strokes_count),
        "trip_energy_j": None if share is None else share.energy_uj * J_PER_UJ,
        "trip_strokes_count": None if share is None else share.strokes_count,
        "trip_peak_body_c": None if peak_mc is None else peak_mc / 1000,
        "travel_mm": damper.travel_mm,
        "stroke_mm": damper.stroke_mm,
        "speed_rms_mps": damper.speed_rms_mps,
        "measured_ratio": share.moving_measured_us / moving_us if share is not None and moving_us else None,
        "gas_pa": damper.gas_pa,
        "cavitation_s": None if cavitation_us is None else cavitation_us / 1e6,
        "faults": list(damper.faults),
        "state": state,
        "state_text": text,
    }


def _waiting(vehicle: Vehicle, row: int) -> dict[str, Any]:
    damper = vehicle.dampers[row]
    profile = vehicle.profile_of(damper)
    live = DamperLive(
        position=damper.position,
        wheel=damper.wheel,
        unit_id="",
        serial=damper.serial,
        totals=Totals(),
        heat_w=None,
        body_c=None,
        body_limit_c=profile.body_limit_c,
        travel_mm=None,
        stroke_mm=profile.stroke_m * 1e3,
        speed_rms_mps=None,
        faults=(),
    )
    return _damper(live, None, None)
