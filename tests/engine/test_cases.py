"""Recordings whose truth is known, from the file to the figures; and what must not matter to them."""

from __future__ import annotations

import functools
import shutil
from dataclasses import dataclass, replace

import numpy as np
import pytest

from dutylog.domain.vehicle import ForceAt, ForceCurve
from dutylog.engine.integrate import integrate
from engine.builders import CASES, CORNERS, load_columns, load_truth, load_vehicle, write_recording

NAMES = ("A_sine", "B_washboard", "C_desert", "D_street", "E_idle", "F_faults", "G_clock", "J_bypass")
MOVING = tuple(name for name in NAMES if name != "E_idle")
GRADES = ("adc16", "adc12", "adc12_noisy")


@dataclass(frozen=True)
class Limits:
    """energy: relative, by sensor grade (GRADES); the others relative. peak_speed None: nothing is asked."""

    energy: tuple[float, float, float]
    strokes: float
    peak_speed: float | None
    travel: float


# The limits of the recordings' own acceptance table. E_idle: energy is the error of the mean power [W].
LIMITS = {
    "A_sine": Limits((1e-3, 1e-3, 3e-3), 0.0, 0.010, 0.005),
    "B_washboard": Limits((1e-3, 1e-3, 2e-3), 0.005, 0.015, 0.005),
    "C_desert": Limits((5e-4, 5e-4, 1e-3), 0.005, 0.025, 0.005),
    "D_street": Limits((5e-4, 3e-3, 1.5e-2), 0.020, 0.030, 0.03),
    "E_idle": Limits((0.05, 0.05, 0.05), 0.0, None, 0.0),
    "F_faults": Limits((5e-4, 5e-4, 5e-4), 0.0, 0.020, 0.01),
    "G_clock": Limits((1e-3, 1e-3, 9e-3), 0.005, 0.025, 0.01),
    "J_bypass": Limits((1e-3, 1e-3, 2e-3), 0.010, 0.025, 0.005),
}

FAULT_KINDS = {"pot_open": "travel_open", "pot_stuck": "travel_stuck", "thermocouple_open": "thermocouple_open"}


@functools.cache
def result_of(name):
    return integrate(CASES / name / "recording.parquet", load_vehicle(name)).to_dict()["dampers"]


def pairs(name):
    """Yield position, our figures, the truth and the energy limit of its sensor grade."""
    for position, truth in load_truth(name)["dampers"].items():
        grade = GRADES.index(truth["sensor"]["grade"])
        yield position, result_of(name)[position], truth, LIMITS[name].energy[grade]


def relative(key, ours, truth):
    """Return the relative error; a value inside a range the truth gives is exact, outside it the nearer end counts."""
    low, high = truth.get("ranges", {}).get(key, (truth[key], truth[key]))
    near = min(max(ours[key], low), high)
    return (ours[key] - near) / max(abs(near), 0.01)


@pytest.mark.parametrize("name", MOVING)
@pytest.mark.parametrize("key", ["energy_j", "compression_energy_j", "rebound_energy_j"])
def test_energy_is_the_true_one(name, key):
    """In all and for each direction: a damper may wear by compression alone."""
    for position, ours, truth, limit in pairs(name):
        assert abs(relative(key, ours, truth)) <= limit, (position, ours[key], truth[key])


def test_an_idling_vehicle_earns_nothing():
    """600 s of engine shake, noise and hum: true power is milliwatts, plain differences would give up to 151 W."""
    seconds = load_truth("E_idle")["duration_s"]
    for position, ours, truth, limit_w in pairs("E_idle"):
        assert abs(ours["energy_j"] - truth["energy_j"]) / seconds <= limit_w, position
        assert ours["strokes"] == 0
        assert ours["coverage_ratio"] is None


@pytest.mark.parametrize("name", MOVING)
def test_energy_lies_in_the_right_ten_seconds(name):
    """A window may be off by 5 limits of the larger of its own and the mean window's energy, and a joule."""
    for position, ours, truth, limit in pairs(name):
        windows = truth.get("windows_10s", {}).get("energy_j")
        if windows is None:
            continue
        assert len(ours["energy_10s_j"]) >= len(windows)
        mean_j = sum(windows) / len(windows)
        for at, (got, want) in enumerate(zip(ours["energy_10s_j"], windows, strict=False)):
            assert abs(got - want) <= 5 * limit * max(want, mean_j) + 1, (position, at)


@pytest.mark.parametrize("name", NAMES)
def test_windows_add_up_to_the_energy(name):
    for _, ours, _, _ in pairs(name):
        assert sum(ours["energy_10s_j"]) == pytest.approx(ours["energy_j"], rel=1e-12)
        parts = ours["compression_energy_j"] + ours["rebound_energy_j"]
        assert parts == pytest.approx(ours["energy_j"], rel=1e-12)


@pytest.mark.parametrize("name", NAMES)
def test_strokes_are_the_true_ones(name):
    for position, ours, truth, _ in pairs(name):
        assert abs(relative("strokes", ours, truth)) <= LIMITS[name].strokes, (position, ours["strokes"])
        assert 0 <= ours["compression_strokes"] <= ours["strokes"]


@pytest.mark.parametrize("name", MOVING)
@pytest.mark.parametrize("key", ["shaft_travel_m", "stroke_travel_m"])
def test_travel_is_the_true_one(name, key):
    for position, ours, truth, _ in pairs(name):
        assert abs(relative(key, ours, truth)) <= LIMITS[name].travel, (position, ours[key], truth[key])


@pytest.mark.parametrize("name", NAMES)
def test_bottom_outs_are_exact(name):
    for position, ours, truth, _ in pairs(name):
        assert ours["bottom_outs"] == truth["bottom_outs"], position


def test_the_recordings_hold_bottom_outs_at_all():
    assert sum(d["bottom_outs"] for name in NAMES for d in load_truth(name)["dampers"].values()) > 10


@pytest.mark.parametrize("name", MOVING)
@pytest.mark.parametrize("key", ["peak_compression_mps", "peak_rebound_mps"])
def test_peak_speed_is_the_true_one(name, key):
    for position, ours, truth, _ in pairs(name):
        error, limit = abs(relative(key, ours, truth)), LIMITS[name].peak_speed
        assert error <= limit, (position, ours[key], truth[key])


@pytest.mark.parametrize("name", NAMES)
def test_peak_temperature_is_the_true_one(name):
    for position, ours, truth, _ in pairs(name):
        assert abs(relative("peak_body_c", ours, truth)) <= 0.01, position


@pytest.mark.parametrize("name", NAMES)
def test_all_time_is_either_measured_or_not(name):
    seconds = load_truth(name)["duration_s"]
    for position, ours, truth, _ in pairs(name):
        assert ours["measured_s"] + ours["unmeasured_s"] == pytest.approx(seconds, abs=0.1), position
        valid = truth.get("valid_intervals", [[0.0, seconds]])
        assert ours["measured_s"] == pytest.approx(sum(b - a for a, b in valid), abs=0.1), position


@pytest.mark.parametrize("name", NAMES)
def test_faults_are_found_once_and_none_is_made_up(name):
    truths = load_truth(name).get("faults", [])
    for position, ours, _, _ in pairs(name):
        found = ours["faults"]
        wanted = [f for f in truths if f["kind"] in FAULT_KINDS and f["position"] == position]
        for fault in wanted:
            kind = FAULT_KINDS[fault["kind"]]
            hits = [f for f in found if f["kind"] == kind and is_near(f, fault, 0.5)]
            assert len(hits) == 1, (position, fault)
        serious = [f for f in found if f["kind"] in FAULT_KINDS.values()]
        assert len(serious) == len(wanted), (position, serious)
        gaps = [f for f in truths if f["kind"] == "gap" and f["length_s"] >= 0.02]
        for gap in gaps:
            assert any(f["kind"] == "gap" and is_near(f, gap, 0.05) for f in found), (position, gap)
        long_gaps = [f for f in found if f["kind"] == "gap" and f["end_s"] - f["start_s"] >= 0.02]
        assert len(long_gaps) == len(gaps), (position, long_gaps)
        spikes = [t for f in truths if f["kind"] == "spikes" for where, t in f["list"] if where == position]
        assert abs(sum(f["kind"] == "spike" for f in found) - len(spikes)) <= 3, position


def is_near(found, true, limit_s):
    return abs(found["start_s"] - true["t0"]) <= limit_s and abs(found["end_s"] - true["t1"]) <= limit_s


def test_every_spike_found_is_one_that_was_put_in():
    """To the millisecond: a spike listed elsewhere would be a real hit thrown away."""
    truth = next(f for f in load_truth("F_faults")["faults"] if f["kind"] == "spikes")["list"]
    for position, ours, _, _ in pairs("F_faults"):
        put_in = [t for where, t in truth if where == position]
        for fault in ours["faults"]:
            if fault["kind"] == "spike":
                assert min(abs(fault["start_s"] - t) for t in put_in) < 0.0015, (position, fault)


def test_rows_out_of_order_are_said():
    assert any(f["kind"] == "time_order" for f in result_of("F_faults")["front_left"]["faults"])
    assert not any(f["kind"] == "time_order" for f in result_of("C_desert")["front_left"]["faults"])


# -- what must not matter, and what must ---------------------------------------------------------


@functools.cache
def desert_cut():
    """Return 20 s of the desert."""
    return load_columns("C_desert", 20.0, 40.0)


def run(tmp_path, columns, vehicle, name="recording.parquet"):
    return integrate(write_recording(tmp_path / name, columns), vehicle).to_dict()["dampers"]


@pytest.fixture
def plain(tmp_path):
    return run(tmp_path, desert_cut(), load_vehicle("C_desert"), "plain.parquet")


def with_curves(vehicle, change):
    """Return the vehicle with every force curve's (speeds, forces) changed."""
    profiles = []
    for profile in vehicle.profiles:
        curves = tuple(ForceAt(f.travel_m, ForceCurve(*change(f.curve))) for f in profile.force)
        profiles.append(replace(profile, force=curves))
    return replace(vehicle, profiles=tuple(profiles))


@pytest.mark.parametrize("factor", [2.0, 0.37, 10.0])
def test_scaling_the_force_curve_scales_the_energy_and_nothing_else(tmp_path, plain, factor):
    vehicle = with_curves(load_vehicle("C_desert"), lambda c: (c.speeds_mps, tuple(f * factor for f in c.forces_n)))
    scaled = run(tmp_path, desert_cut(), vehicle)
    # Each sample's heat is rounded to a microjoule: at most half of one for each of 20 000 samples, both times.
    rounding_j = 20_000 * 0.5e-6 * (1 + factor)
    for position in CORNERS:
        ours, before = scaled[position], plain[position]
        for key in ("energy_j", "compression_energy_j", "rebound_energy_j"):
            assert before[key] > 1000
            assert ours[key] == pytest.approx(factor * before[key], rel=1e-12, abs=rounding_j)
        kept = [key for key in before if "energy" not in key]
        assert {key: ours[key] for key in kept} == {key: before[key] for key in kept}


def test_exchanged_positions_exchange_results_to_the_bit(tmp_path, plain):
    other = {"front_left": "rear_right", "rear_right": "front_left"}

    def swapped(position):
        return other.get(position, position)

    columns = {}
    for name, values in desert_cut().items():
        position = next((p for p in CORNERS if name.startswith(p)), "")
        columns[swapped(position) + name[len(position) :]] = values
    vehicle = load_vehicle("C_desert")
    dampers = tuple(replace(d, position=swapped(d.position), wheel=swapped(d.wheel)) for d in vehicle.dampers)
    moved = run(tmp_path, columns, replace(vehicle, dampers=dampers))
    assert plain["front_left"] != plain["rear_right"]
    assert {swapped(position): figures for position, figures in moved.items()} == plain


def test_order_of_dampers_and_columns_changes_nothing(tmp_path, plain):
    vehicle = load_vehicle("C_desert")
    columns = dict(reversed(list(desert_cut().items())))
    assert run(tmp_path, columns, replace(vehicle, dampers=vehicle.dampers[::-1])) == plain


@pytest.mark.parametrize("name", ["E_idle.parquet", "0.parquet", "front_left travel_mm .parquet"])
def test_the_name_of_the_file_changes_nothing(tmp_path, plain, name):
    shutil.copy(tmp_path / "plain.parquet", tmp_path / name)
    assert integrate(tmp_path / name, load_vehicle("C_desert")).to_dict()["dampers"] == plain


def test_a_recording_that_begins_later_says_the_same(tmp_path, plain):
    """Whole seconds later on its own clock: same tiles, same bits, only the faults' and windows' times move."""
    columns = desert_cut() | {"t_s": desert_cut()["t_s"] + 4000.0}
    later = run(tmp_path, columns, load_vehicle("C_desert"))
    assert later == plain


def test_mirrored_travel_exchanges_compression_and_rebound(tmp_path):
    """x -> stroke - x with a curve that is the same both ways: everything but the names of the directions stays."""

    def symmetric(curve):
        pairs = [(v, f) for v, f in zip(curve.speeds_mps, curve.forces_n, strict=True) if v > 0]
        full = [(-v, -f) for v, f in reversed(pairs)] + [(0.0, 0.0)] + pairs
        return tuple(zip(*full, strict=True))

    vehicle = with_curves(load_vehicle("C_desert"), symmetric)
    stroke_mm = {d.position: vehicle.profile_of(d).stroke_m * 1e3 for d in vehicle.dampers}
    # Whole 1/64 mm, so that the mirror image is exact and the last rounding is the same.
    columns = {k: np.rint(v * 64) / 64 if k.endswith("_travel_mm") else v for k, v in desert_cut().items()}
    mirrored = dict(columns)
    for position in CORNERS:
        mirrored[f"{position}_travel_mm"] = stroke_mm[position] - columns[f"{position}_travel_mm"].astype(float)
    before, after = run(tmp_path, columns, vehicle, "a.parquet"), run(tmp_path, mirrored, vehicle, "b.parquet")
    for position in CORNERS:
        ours, was = after[position], before[position]
        assert was["compression_energy_j"] != pytest.approx(was["rebound_energy_j"], rel=1e-3)
        assert ours["energy_j"] == pytest.approx(was["energy_j"], rel=1e-9)
        assert ours["compression_energy_j"] == pytest.approx(was["rebound_energy_j"], rel=1e-9)
        assert ours["strokes"] == was["strokes"]
        assert ours["compression_strokes"] == was["strokes"] - was["compression_strokes"]
        assert ours["peak_compression_mps"] == pytest.approx(was["peak_rebound_mps"], abs=2e-6)
        assert ours["stroke_travel_m"] == pytest.approx(was["stroke_travel_m"], abs=1e-3)


def test_a_sensor_of_the_wrong_sign_is_said_and_earns_nothing(tmp_path):
    """-x lies beyond full extension for good: an open sensor, not a life of bottom-outs."""
    columns = dict(load_columns("B_washboard", 0.0, 20.0))
    columns["front_left_travel_mm"] = -columns["front_left_travel_mm"]
    result = run(tmp_path, columns, load_vehicle("B_washboard"))
    wrong = result["front_left"]
    assert (wrong["measured_s"], wrong["energy_j"], wrong["strokes"], wrong["bottom_outs"]) == (0.0, 0.0, 0, 0)
    assert wrong["unmeasured_s"] == pytest.approx(20.0, abs=0.01)
    assert wrong["coverage_ratio"] == 0.0
    faults = [(f["kind"], f["start_s"]) for f in wrong["faults"]]
    assert faults == [("travel_open", 0.0)]
    assert wrong["faults"][0]["end_s"] == pytest.approx(20.0, abs=0.01)
    assert result["rear_right"]["energy_j"] > 1000
    assert result["rear_right"]["faults"] == []
