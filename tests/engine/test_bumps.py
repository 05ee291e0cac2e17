"""Single bumps while driving: found where they are, and what they say of damping against the car's own poles."""

from __future__ import annotations

import itertools
from dataclasses import replace
from statistics import median

import numpy as np
import pytest

from dutylog.domain.vehicle import Vehicle
from dutylog.engine.bumps import BUMP_STROKE_RATIO
from engine.builders import Log, strokes_mm, travel_stream
from engine.bump_drives import ROADS, bumps_in, drive_m, log_of
from motion.pushed import DEMO, body_mode, linear_vehicle, push_travel_m


def uncalibrated(vehicle: Vehicle) -> Vehicle:
    """Return the vehicle for travel that comes in millimetres."""
    return replace(vehicle, dampers=tuple(replace(d, calibration=()) for d in vehicle.dampers))


def ratios_of(nspm: float, road_class: str) -> dict[str, list[float]]:
    """Return the damping ratios of every bump of all drives, by axle."""
    vehicle = uncalibrated(linear_vehicle(nspm))
    travel_m = drive_m(vehicle, road_class)
    ratios: dict[str, list[float]] = {"front": [], "rear": []}
    for road in range(ROADS):
        for bump in bumps_in(vehicle, log_of(vehicle, travel_m[:, road]).frames):
            ratios[bump.position.split("_")[0]].append(bump.decay.ratio)
            assert bump.unit_id == f"unit-{bump.position}"
            assert bump.bump_m >= BUMP_STROKE_RATIO * 0.254
    return ratios


@pytest.mark.parametrize("nspm", [6000.0, pytest.param(4200.0, marks=pytest.mark.slow)])
def test_bumps_on_a_good_road_give_the_body_s_damping(nspm: float) -> None:
    """Class A with a bump of 7 to 12 cm every 8 s at 15 m/s: median within 12 % of the pole of both masses.

    That is the bias measured (3 to 9 % low) and what so few bumps scatter; single ones scatter by a fifth.
    """
    ratios = ratios_of(nspm, "A")
    for axle, wheel in (("front", 0), ("rear", 2)):
        _, truth = body_mode(linear_vehicle(nspm), wheel, nspm)
        assert len(ratios[axle]) >= 30
        assert median(ratios[axle]) == pytest.approx(truth, rel=0.12)
        assert np.std(np.log(ratios[axle])) < 0.35


@pytest.mark.slow
def test_a_third_less_damping_shows_in_the_medians() -> None:
    sound, worn = ratios_of(6000.0, "A"), ratios_of(4200.0, "A")
    for axle in ("front", "rear"):
        assert 0.6 < median(worn[axle]) / median(sound[axle]) < 0.8


def test_bumps_are_found_when_they_come() -> None:
    """Each is told once, near the turning point behind the largest swing of its eight seconds."""
    vehicle = uncalibrated(linear_vehicle(6000.0))
    travel_m = drive_m(vehicle, "A")[:, 0]
    found = [b for b in bumps_in(vehicle, log_of(vehicle, travel_m).frames) if b.position == "front_left"]
    rest_m = np.median(travel_m[:, 0])
    for bump in found:
        at = round(bump.time_ns * 1e-6)
        assert np.abs(travel_m[at - 700 : at, 0] - rest_m).max() == pytest.approx(bump.bump_m, abs=0.01)
    times_s = [bump.time_ns * 1e-9 for bump in found]
    assert len(times_s) >= 2
    assert all(later - earlier > 2.0 for earlier, later in itertools.pairwise(times_s))


def test_what_comes_out_does_not_depend_on_how_rows_arrive() -> None:
    vehicle = uncalibrated(linear_vehicle(6000.0))
    travel_m = drive_m(vehicle, "A")[:30_000, 1]
    whole = bumps_in(vehicle, log_of(vehicle, travel_m).frames)
    assert whole
    assert bumps_in(vehicle, log_of(vehicle, travel_m, rows=250).frames) == whole


def test_a_vehicle_that_stands_has_no_bumps() -> None:
    """People push it then, and a push is another size of swing."""
    vehicle = uncalibrated(DEMO)
    pushed_m = push_travel_m(vehicle, push_n=1500.0)
    assert bumps_in(vehicle, log_of(vehicle, pushed_m, speed_mps=0.0).frames) == []
    assert len(bumps_in(vehicle, log_of(vehicle, pushed_m, speed_mps=None).frames)) >= 4


def test_steady_strokes_are_no_bumps() -> None:
    vehicle = uncalibrated(DEMO)
    travel = travel_stream(*(d.position for d in vehicle.dampers))
    log = Log(vehicle)
    log.start(travel)
    log.write(travel, strokes_mm(20, freq_hz=1.3, amplitude_mm=40.0))
    log.close()
    assert bumps_in(vehicle, log.frames) == []


def test_a_bump_cut_by_missing_samples_is_not_judged() -> None:
    """The same pushes with and without a hole a second behind each: nothing is fitted across it."""
    vehicle = uncalibrated(DEMO)
    travel_m = push_travel_m(vehicle, push_n=1500.0).copy()
    for start in (3400, 6600, 9800):
        travel_m[start : start + 200, 0] = np.nan
    found = bumps_in(vehicle, log_of(vehicle, travel_m, speed_mps=None).frames)
    assert "front_left" not in {bump.position for bump in found}
    assert "rear_left" in {bump.position for bump in found}


def test_what_one_damper_misses_is_nothing_to_the_others() -> None:
    """All dampers are looked at together; holes in one take its own bumps and change no figure of another."""
    vehicle = uncalibrated(DEMO)
    whole_m = push_travel_m(vehicle, push_n=1500.0)
    holed_m = whole_m.copy()
    holed_m[::700, 1] = np.nan  # too short to be a hole: bridged
    for start in range(500, len(holed_m) - 200, 1000):
        holed_m[start : start + 200, 0] = np.nan
    whole, holed = (bumps_in(vehicle, log_of(vehicle, m, speed_mps=None).frames) for m in (whole_m, holed_m))
    others = [bump for bump in whole if bump.position.startswith("rear")]
    assert len(others) >= 4
    assert [bump for bump in holed if bump.position.startswith("rear")] == others
    assert "front_left" not in {bump.position for bump in holed}


def test_a_damper_that_was_changed_takes_nothing_over() -> None:
    """A unit that moves in a second after the bump didn't make it."""
    vehicle = uncalibrated(DEMO)
    frames = log_of(vehicle, push_travel_m(vehicle, push_n=1500.0), speed_mps=None).frames
    # a new unit with every third second: never five tiles of one unit in a row
    assert bumps_in(vehicle, frames, lambda tile: (f"unit-{tile.tile // 3}",) * 4) == []
