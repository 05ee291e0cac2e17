"""Travel that can't be travel: impossible speed and worn tracks, through the whole engine."""

from __future__ import annotations

import functools
import re

import numpy as np
import pytest

from dutylog.config import load
from dutylog.engine.integrate import integrate
from dutylog.sim.record import simulate_recording
from dutylog.sim.roads import Bumps, Jumps, RoughRoad
from dutylog.sim.scenario import Scenario, Stage
from dutylog.sim.sensors import ScriptedFault
from engine.builders import (
    CASES,
    Log,
    Run,
    load_columns,
    load_vehicle,
    make_vehicle,
    strokes_mm,
    travel_stream,
    write_recording,
)
from engine.test_checkpoint import Unbroken
from engine.test_faults import drive, frozen, spans

NAMES = ("A_sine", "B_washboard", "C_desert", "D_street", "E_idle", "F_faults", "G_clock", "J_bypass")
NEW_KINDS = {"impossible_speed", "worn_spot"}
SHARED = CASES.parents[2] / "shared"


def kinds_of(run):
    return {f.kind for f in run.faults}


# -- impossible speed -----------------------------------------------------------------------------


def test_a_jump_between_two_levels_earns_nothing():
    """A sensor that slips 60 mm on its rod: 60 m/s for a millisecond would be megawatts."""
    signal = strokes_mm(12)
    signal[5000:] += 60.0
    run, whole = drive(signal), drive(strokes_mm(12))
    assert spans(run.faults, "impossible_speed") == [(4.995, 5.005)]
    ours, plain = run.totals_at("left"), whole.totals_at("left")
    assert (ours.measured_us, ours.unmeasured_us) == (11_990_000, 10_000)
    # Lost are 10 ms at the steepest of a stroke, 1000 N s/m x (0.1 pi m/s)^2. Drawn as a straight line the
    # jump would leak 2 % of all into its neighbours; measured 0.003 %.
    lost_uj = 1000 * (0.1 * np.pi) ** 2 * 10_000
    assert ours.energy_uj == pytest.approx(plain.energy_uj - lost_uj, rel=2e-4)
    assert ours.peak_compression_umps < 1.2 * plain.peak_compression_umps


@pytest.mark.parametrize("start_ms", [4300, 4990, 5000])
def test_a_burst_from_a_loose_connector_is_one_fault(start_ms):
    """300 ms of anything between the rails; spikes in it aren't told one by one."""
    signal = strokes_mm(12)
    signal[start_ms : start_ms + 300] = np.random.default_rng(9).uniform(0, 254, 300)
    run, whole = drive(signal), drive(strokes_mm(12))
    (span,) = spans(run.faults, "impossible_speed")
    assert span == pytest.approx((start_ms / 1e3 - 0.005, start_ms / 1e3 + 0.305), abs=0.003)
    assert kinds_of(run) == {"impossible_speed"}
    ours, plain = run.totals_at("left"), whole.totals_at("left")
    assert ours.unmeasured_us == pytest.approx(310_000, abs=3000)
    assert ours.energy_uj < plain.energy_uj
    assert ours.energy_uj == pytest.approx(plain.energy_uj * 11.7 / 12, rel=0.03)
    assert max(ours.peak_compression_umps, ours.peak_rebound_umps) < 1.2 * plain.peak_compression_umps


def test_hits_with_square_edges_and_hard_bottom_outs_are_travel():
    """2 m/s from one sample to the next, and 6 m/s into the bump stop with a dead stop there."""
    speed = np.zeros(8000)
    for start, peak_mps, n in ((1500, 2.0, 20), (3000, 4.0, 30), (5000, 6.0, 20)):
        speed[start : start + n], speed[start + 200 : start + 200 + n] = peak_mps, -peak_mps
    signal = 125.0 + np.cumsum(speed)
    assert signal.max() > 244.0
    run = drive(signal, signal)
    assert run.faults == []
    assert run.totals_at("left").unmeasured_us == 0
    assert run.totals_at("left").peak_compression_umps > 5_500_000


def test_a_stuck_sensor_that_comes_loose_is_no_second_fault():
    """Its jump is part of being stuck, wherever it falls in a tile."""
    for stop_ms in (8998, 9000, 9003, 9249, 9251, 9300, 9499, 9501):
        run = drive(frozen(4.0, stop_ms / 1000))
        assert kinds_of(run) == {"travel_stuck"}, stop_ms


def test_impossible_speed_is_shown_while_it_lasts():
    signal = strokes_mm(12)
    signal[4000:8000] = np.random.default_rng(9).uniform(0, 254, 4000)
    log = Log(make_vehicle())
    log.start(travel_stream("left", "right"))
    log.write(travel_stream("left", "right"), np.stack([signal, strokes_mm(12)], axis=1))
    shown = {live.tile: live.dampers[0].faults for live in Run(log.vehicle).feed(log.frames).lives}
    assert shown[2] == shown[10] == ()
    assert shown[5] == ("impossible_speed",)


# -- a worn track ------------------------------------------------------------------------------------


def worn_columns(case, position, rms_mm, low_mm=95.0, high_mm=105.0):
    columns = load_columns(case)
    travel = columns[f"{position}_travel_mm"].astype(float)
    at = (travel > low_mm) & (travel < high_mm)
    travel[at] += np.random.default_rng(7).normal(0.0, rms_mm, at.sum())
    return columns | {f"{position}_travel_mm": travel}


@pytest.mark.parametrize("rms_mm", [0.5, 2.0])
@pytest.mark.parametrize("case", ["C_desert", "J_bypass"])
def test_a_worn_track_is_told_once_with_its_place(tmp_path, case, rms_mm):
    path = write_recording(tmp_path / "worn.parquet", worn_columns(case, "front_left", rms_mm))
    result = integrate(path, load_vehicle(case)).to_dict()["dampers"]
    worn = [f for f in result["front_left"]["faults"] if f["kind"] == "worn_spot"]
    assert worn == [{"kind": "worn_spot", "start_s": 60.0, "end_s": None}]
    (note,) = result["front_left"]["notes"]
    low_mm, high_mm = (int(mm) for mm in re.search(r"noise between (\d+) and (\d+) mm", note).groups())
    assert 90 <= low_mm <= 100 <= high_mm <= 110
    for other in ("front_right", "rear_left", "rear_right"):
        assert not NEW_KINDS & {f["kind"] for f in result[other]["faults"]}


def test_a_worn_track_is_the_same_however_the_frames_are_cut(tmp_path):
    path = write_recording(tmp_path / "worn.parquet", worn_columns("J_bypass", "front_left", 1.0))
    whole = integrate(path, load_vehicle("J_bypass"))
    pieces = integrate(path, load_vehicle("J_bypass"), block_rows=997)
    assert whole.to_dict() == pieces.to_dict()
    assert whole.engine.checkpoint() == pieces.engine.checkpoint()


def test_a_worn_sensor_is_shown_live_from_then_on():
    run = Run(make_vehicle()).feed(worn_log().frames)
    assert [(f.position, f.start_ns, f.end_ns) for f in run.faults] == [("left", 60 * 10**9, None)]
    shown = {live.tile: live.dampers[0].faults for live in run.lives}
    assert shown[58] == ()
    assert shown[60] == ("worn_spot",)
    assert run.engine.worn_spots_mm() == {"left": (95, 105)}


@pytest.mark.parametrize("second", [5, 30, 59, 61, 66])
def test_a_restart_neither_forgets_nor_repeats_it(second):
    whole = unbroken_worn()
    at = next(i for i, frame in enumerate(whole.frames) if frame.n and frame.first_index >= second * 1000)
    whole.check_stop(at)


@functools.cache
def unbroken_worn():
    return Unbroken(tuple(worn_log().frames), make_vehicle())


def worn_log():
    """Return 70 s of strokes with a worn track under the left damper's sensor."""
    rng = np.random.default_rng(4)
    signal = strokes_mm(70, 1.7, 60.0) + rng.normal(0, 0.05, 70_000)
    at = (signal > 95) & (signal < 105)
    signal[at] += rng.normal(0, 1.0, at.sum())
    log = Log(make_vehicle())
    stream = travel_stream("left", "right")
    log.start(stream)
    for second in range(70):
        part = slice(second * 1000, second * 1000 + 1000)
        log.write(stream, np.stack([signal[part], strokes_mm(1, 1.3, start_s=second)], axis=1))
    return log


# -- what is healthy -------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", NAMES)
def test_no_recording_with_a_sound_sensor_has_either_fault(case):
    result = integrate(CASES / case / "recording.parquet", load_vehicle(case)).to_dict()["dampers"]
    assert not NEW_KINDS & {f["kind"] for damper in result.values() for f in damper["faults"]}


@functools.cache
def rough_drive(faults=()):
    vehicle = load(SHARED / "demo_vehicle.toml").vehicle
    road = (RoughRoad("E", scale=0.8), Bumps(60.0, 0.10, 1.8), Jumps(300.0, 0.35, 7.0, 1.2))
    scenario = Scenario("rough", (Stage("rough", 70.0, 20.0, road),))
    return vehicle, *simulate_recording(vehicle, scenario, 64, 5, faults=faults)


def test_simulated_rough_driving_reports_no_fault_at_all(tmp_path):
    vehicle, columns, truth = rough_drive()
    result = integrate(write_recording(tmp_path / "rough.parquet", columns), vehicle).to_dict()["dampers"]
    assert [damper["faults"] for damper in result.values()] == [[]] * 4
    assert {damper["unmeasured_s"] for damper in result.values()} == {0.0}
    assert sum(damper["bottom_outs"] for damper in truth["dampers"].values()) > 5
    assert max(damper["peak_compression_mps"] for damper in truth["dampers"].values()) > 4.0


def test_scripted_faults_of_a_rough_drive_keep_their_own_names(tmp_path):
    faults = (
        ScriptedFault("travel_open", "front_left", 8.0, 4.0),
        ScriptedFault("travel_stuck", "rear_right", 20.0, 5.0),
        ScriptedFault("spike", "front_right", 10.0, 40.0, count=25),
        ScriptedFault("gap", "", 30.3, 0.8),
    )
    vehicle, columns, _ = rough_drive(faults)
    result = integrate(write_recording(tmp_path / "faults.parquet", columns), vehicle).to_dict()["dampers"]
    found = {position: {f["kind"] for f in damper["faults"]} for position, damper in result.items()}
    assert found == {
        "front_left": {"travel_open", "gap"},
        "front_right": {"spike", "gap"},
        "rear_left": {"gap"},
        "rear_right": {"travel_stuck", "gap"},
    }
