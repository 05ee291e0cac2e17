"""Reservoir pressure through the heat of a vehicle: followed, bridged, kept, and shown in the snapshot."""

from __future__ import annotations

import json
import zlib

import pytest

from dutylog.daemon.snapshots import Moment, SourceState, make_snapshot
from dutylog.domain.heat_input import HeatInput
from dutylog.domain.vehicle import Damper, Vehicle
from dutylog.duty.totals import Totals
from dutylog.engine.output import DamperLive, Live, TileHeat, TripDamper, TripRow
from dutylog.heat.vehicle_heat import DamperHeat, VehicleHeat
from dutylog.ledger.rows import KeptHeat
from dutylog.publish.snapshot import parse_snapshot
from heat.charge_world import PROFILE

S = 10**9
VEHICLE = Vehicle("truck", "Truck", (Damper("left", "left", "desert"), Damper("right", "right", "desert")), (PROFILE,))


def tile(second, gas_pa, position="left"):
    heat = HeatInput(1.0, 0.0, 1.0, 0.0, 20.0, 20.0, 0.0)
    travel_m = None if gas_pa is None else 0.1
    return TileHeat(position, f"unit-{position}", "boot", second * S, (second + 1) * S, heat, gas_pa, travel_m)


def rest(heat, start, gas_pa, seconds=600):
    heat.take(VEHICLE, [tile(second, gas_pa) for second in range(start, start + seconds)])


def test_a_leak_overnight_is_said_by_the_vehicle():
    heat = VehicleHeat()
    rest(heat, 0, 1.4e6)
    assert heat.now("left").gas_leaking is False
    rest(heat, 50_000, 1.2e6)
    now = heat.now("left")
    assert now.gas_leaking is True
    assert "gas charge fell by" in now.gas_text
    assert now.gas_20c_pa < 1.2e6  # at the shaft's 39 ml and full extension it is less


def test_a_damper_without_a_sender_says_nothing():
    heat = VehicleHeat()
    heat.take(VEHICLE, [tile(second, None, "right") for second in range(60)])
    now = heat.now("right")
    assert (now.gas_20c_pa, now.gas_leaking, now.gas_text) == (None, None, None)
    assert heat.damper("right").charge is None


def test_what_is_kept_goes_on_to_the_bit_and_old_rows_stay_readable():
    heat = VehicleHeat()
    rest(heat, 0, 1.4e6)
    rest(heat, 50_000, 1.39e6, 15)
    kept = heat.damper("left").to_bytes()
    other = VehicleHeat(lambda unit, position: KeptHeat(kept) if position == "left" else None)
    for one in (heat, other):
        rest(one, 50_015, 1.3e6, 300)
    assert other.damper("left").charge.to_dict() == heat.damper("left").charge.to_dict()
    data = json.loads(zlib.decompress(kept))
    del data["charge"]
    old = DamperHeat.from_bytes(PROFILE, zlib.compress(json.dumps(data).encode()))
    assert old.charge is None


def snapshot_of(live):
    heat = VehicleHeat()
    rest(heat, 0, 1.4e6)
    source = SourceState("simulated", "x", "running", "")
    moment = Moment(1, "boot-1", 0, 0, False, source, 1, {}, heat=heat.now)
    return parse_snapshot(json.dumps(make_snapshot(VEHICLE, live, moment), allow_nan=False).encode())


def live_of(cavitation_us, *, is_judged=True, gas_pa=1.4e6):
    totals = Totals(moving_us=10, moving_measured_us=10, cavitation_us=cavitation_us)
    trip = TripRow(1, 0, 0, S, True, 10, None, (TripDamper("unit-left", "left", totals),))
    damper = DamperLive(
        "left", "left", "unit-left", None, totals, None, 20.0, 110.0, 100.0, 250.0, 0.0, (), gas_pa, is_judged
    )
    return Live(1, 0, S, True, None, None, (damper,), trip)


def test_snapshot_has_gas_and_cavitation():
    (damper,) = snapshot_of(live_of(1_250_000)).dampers
    assert (damper.gas_pa, damper.cavitation_s) == (1.4e6, 1.25)
    assert damper.gas_20c_pa == pytest.approx(1.16e6, rel=0.02)
    assert damper.gas_leaking is False
    assert damper.gas_text is None


def test_what_isnt_judged_or_measured_is_null():
    (damper,) = snapshot_of(live_of(0, is_judged=False, gas_pa=None)).dampers
    assert (damper.gas_pa, damper.cavitation_s) == (None, None)
    waiting, _ = snapshot_of(None).dampers
    assert (waiting.gas_pa, waiting.cavitation_s) == (None, None)
