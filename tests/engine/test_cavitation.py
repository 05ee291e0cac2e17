"""Cavitation and reservoir pressure through the engine: closed form, live and at once, stopped and gone on."""

from __future__ import annotations

import functools
import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from dutylog.domain.vehicle import Vehicle
from dutylog.duty.cavitation import CavitationMargin
from dutylog.duty.totals import Totals
from dutylog.engine.report import Integration
from dutylog.recording.block import Channel, Stream
from engine.builders import Log, Run, make_profile, make_vehicle, strokes_mm, travel_stream
from engine.test_checkpoint import Unbroken

FREQ_HZ, AMPLITUDE_MM, SECONDS = 3.0, 50.0, 90
OPEN = replace(make_profile(), has_base_valve=False, charge_pa=2e5)
"""Its margin is 737 N; the curve makes 1000 N at 1 m/s of compression."""
GAS = Stream(3, "gas", "f4", 10**14, (Channel("left", "reservoir_pressure", "pa"),))


def vehicle_of(profile):
    return make_vehicle(profiles=(profile,))


@functools.cache
def frames_of(vehicle: Vehicle):
    """Return the frames of 90 s of strokes, with a hole in them, and the pressure of the left damper's reservoir."""
    log = Log(vehicle)
    travel = travel_stream("left", "right")
    log.start(travel, GAS)
    for damper in vehicle.dampers:
        log.event("install", position=damper.position, unit_id=f"unit-{damper.position}")
    for second in range(SECONDS):
        data = np.repeat(strokes_mm(1, FREQ_HZ, AMPLITUDE_MM, start_s=second)[:, None], 2, axis=1)
        if second == 70:
            data[300:600, 1] = np.nan
        log.write(travel, data)
        log.write(GAS, 1.2e6 + 1000.0 * second + np.arange(10.0))
    log.close()
    return tuple(log.frames)


def batch(vehicle):
    work = Integration(vehicle, keep_vehicle=False)
    for frame in frames_of(vehicle):
        work.feed(frame)
    work.finish()
    return work


def test_time_beyond_the_margin_is_the_closed_form():
    """1000 N s/m x V cos(phase) over the margin: acos(margin / peak force) / pi of the time."""
    peak_n = 1000.0 * 2 * math.pi * FREQ_HZ * AMPLITUDE_MM / 1e3
    margin = CavitationMargin.of(OPEN)
    assert margin.force_n == pytest.approx((2e5 + 101325) * math.pi / 4 * (0.06**2 - 0.022**2))
    angle = math.acos(margin.force_n / peak_n)
    left = batch(vehicle_of(OPEN)).to_dict()["dampers"]["left"]
    # 1 %: a crossing is placed to a sample, of which a stroke beyond the margin has 71.
    assert left["cavitation_s"] == pytest.approx(angle / math.pi * SECONDS, rel=0.01)
    power_j = (peak_n**2 / 1000.0) * (angle + math.sin(angle) * math.cos(angle)) / (2 * math.pi) * SECONDS
    assert left["cavitation_energy_j"] == pytest.approx(power_j, rel=0.01)
    assert left["cavitation_energy_j"] < left["compression_energy_j"]


@pytest.mark.parametrize(
    "changes", [{"has_base_valve": None}, {"has_base_valve": True}, {"charge_pa": None}], ids=["unknown", "has", "none"]
)
def test_what_isnt_said_isnt_judged(changes):
    """Unknown is null, not zero, and nothing else of the result changes."""
    plain = batch(vehicle_of(replace(OPEN, **changes))).to_dict()["dampers"]["left"]
    judged = batch(vehicle_of(OPEN)).to_dict()["dampers"]["left"]
    own = ("cavitation_s", "cavitation_energy_j")
    assert [plain[key] for key in own] == [None, None]
    assert {k: v for k, v in plain.items() if k not in own} == {k: v for k, v in judged.items() if k not in own}


def test_live_and_at_once_are_equal_to_the_bit():
    vehicle = vehicle_of(replace(OPEN, gas_volume_m3=250e-6))
    live = Run(vehicle).feed(frames_of(vehicle)).finish()
    at_once = batch(vehicle).engine.totals()
    assert live.engine.totals() == at_once
    assert all(totals.cavitation_us > 0 for totals in at_once.values())
    assert at_once["unit-right"].cavitation_us < at_once["unit-left"].cavitation_us


def test_minutes_and_the_trip_add_up_to_the_whole():
    vehicle = vehicle_of(OPEN)
    run = Run(vehicle).feed(frames_of(vehicle)).finish()
    for unit_id, totals in run.engine.totals().items():
        minutes = Totals()
        for row in run.minutes:
            if row.unit_id == unit_id:
                minutes.merge(row.totals)
        trip = next(d.totals for d in run.trips[-1].dampers if d.unit_id == unit_id)
        for one in (minutes, trip):
            assert (one.cavitation_us, one.cavitation_energy_uj) == (totals.cavitation_us, totals.cavitation_energy_uj)


def test_gas_that_is_compressed_leaves_less_time_beyond_the_margin():
    """At the middle of these strokes the margin is 22 % higher than at full extension."""
    bare, with_room = vehicle_of(OPEN), vehicle_of(replace(OPEN, gas_volume_m3=250e-6))
    seconds = [batch(vehicle).to_dict()["dampers"]["left"]["cavitation_s"] for vehicle in (bare, with_room)]
    phase = 2 * np.pi * (np.arange(100_000) + 0.5) / 100_000
    speed = 2 * np.pi * FREQ_HZ * AMPLITUDE_MM / 1e3 * np.cos(phase)
    travel = (120.0 + AMPLITUDE_MM * np.sin(phase)) / 1e3
    room = 1.0 - travel * OPEN.shaft_area_m2 / 250e-6
    beyond = 1000.0 * speed * room > CavitationMargin.of(OPEN).force_n
    assert seconds[1] == pytest.approx(beyond.mean() * SECONDS, rel=0.02)
    assert seconds[1] < 0.8 * seconds[0]


def test_a_stop_after_any_frame_changes_no_bit_of_it():
    """Totals, minutes, trips and the last checkpoint's bytes, pressure of the reservoir included."""
    vehicle = vehicle_of(OPEN)
    whole = Unbroken(frames_of(vehicle), vehicle)
    for at in range(5, len(whole.stops), 17):
        whole.check_stop(at)


def test_reservoir_pressure_reaches_live_values_and_heat_tiles():
    vehicle = vehicle_of(OPEN)
    run = Run(vehicle)
    steps = [run.engine.feed(frame) for frame in frames_of(vehicle)]
    lives = [step.live for step in steps if step.live is not None]
    left, right = lives[-1].dampers
    assert left.gas_pa == pytest.approx(1.2e6 + 1000.0 * (SECONDS - 3) + 9, abs=2100)
    assert right.gas_pa is None
    assert left.is_cavitation_judged
    tiles = [tile for tile in itertools.chain.from_iterable(step.heat for step in steps) if tile.position == "left"]
    assert len(tiles) > SECONDS - 5
    for second, tile in enumerate(tiles[:60]):
        assert tile.gas_pa == pytest.approx(1.2e6 + 1000.0 * second + 4.5, abs=0.1)
        assert tile.travel_m == pytest.approx(0.120, abs=1e-4)
    others = [tile for step in steps for tile in step.heat if tile.position == "right"]
    assert all(tile.gas_pa is None and tile.travel_m is None for tile in others)


def test_a_sender_that_fails_is_unknown_not_zero():
    vehicle = vehicle_of(OPEN)
    log = Log(vehicle)
    travel = travel_stream("left", "right")
    log.start(travel, GAS)
    for second in range(12):
        log.write(travel, strokes_mm(1, start_s=second))
        log.write(GAS, np.full(10, 1.2e6 if second < 5 else math.nan if second < 8 else 9e9))
    run = Run(vehicle).feed(log.frames)
    assert [None if live.dampers[0].gas_pa is None else 1.2e6 for live in run.lives[:4]] == [1.2e6] * 4
    assert run.lives[-1].dampers[0].gas_pa is None
