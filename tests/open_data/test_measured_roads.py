"""Measured road surfaces: published roughness, class of the spectrum, and no energy from nowhere.

Data: see open_data/roads.py; the roughness is stated with the data: IRI per 20 m, mean 3.31, min 1.79,
max 5.52 m/km, by an independent program.
"""

from __future__ import annotations

import functools
import itertools
import json
from pathlib import Path

import numpy as np
import pytest

from dutylog.sim.quarter_car import GRAVITY_MPS2
from dutylog.sim.roads import class_psd_m3
from motion.signals import read_table
from open_data.pipeline import integrate_travel, load_vehicle
from open_data.roads import (
    DAMPING_PER_S,
    GOLDEN_CURVE,
    IRI_MPS,
    MASS_RATIO,
    OFFROAD_CURVE,
    SPRING_PER_S2,
    STEP_S,
    TYRE_PER_S2,
    belgian_tracks,
    drive,
    golden_parameters,
    iri_profile,
    offroad_parameters,
    with_lead_in,
)

CLASSES = Path(__file__).parents[1] / "data" / "reference" / "08_iso8608_classes.json"
PIECE_M = 20.0
SAMPLE_M = 0.25
STATED_MEAN, STATED_MIN, STATED_MAX = 3.31, 1.79, 5.52
FIRST_SLOPE_M = 11.0
"""The car starts in motion on the mean slope of the first 11 m. Source: Sayers (1995), from memory."""
STROKE_M = 0.6


def per_piece(values_per_sample):
    """Return the mean over pieces of 20 m, in m/km."""
    per = round(PIECE_M / SAMPLE_M)
    pieces = len(values_per_sample) // per
    return values_per_sample[: pieces * per].reshape(pieces, per).mean(axis=1) * 1e3


def first_slope():
    distance, elevation = iri_profile()
    return float(np.interp(FIRST_SLOPE_M, distance, elevation)) / FIRST_SLOPE_M


@functools.cache
def exact_roughness():
    """Return IRI per 20 m of the linear quarter car, moved on exactly from point to point of the profile.

    The state (sprung, unsprung slopes and their rates) follows a constant road slope between points;
    the matrix exponential by its series. Written here alone: it shares nothing with the simulator.
    """
    k, tyre, c, mu = SPRING_PER_S2, TYRE_PER_S2, DAMPING_PER_S, MASS_RATIO
    rates = np.array(
        [[0, 1, 0, 0], [-k, -c, k, c], [0, 0, 0, 1], [k / mu, c / mu, -(k + tyre) / mu, -c / mu]], dtype=float
    )
    step_s = SAMPLE_M / IRI_MPS
    onward, term = np.eye(4), np.eye(4)
    for order in range(1, 40):
        term = term @ rates * step_s / order
        onward += term
    gain = np.linalg.solve(rates, onward - np.eye(4)) @ np.array([0, 0, 0, tyre / mu])
    state = np.array([first_slope(), 0.0, first_slope(), 0.0])
    moved = []
    for slope in np.diff(iri_profile()[1]) / SAMPLE_M:
        state = onward @ state + gain * slope
        moved.append(abs(state[0] - state[2]))
    return per_piece(np.array(moved))


@functools.cache
def golden_drive():
    """Return our simulator's way over the profile at 80 km/h, and the step at which the profile begins."""
    distance, elevation = iri_profile()
    road, start = with_lead_in(distance, elevation, IRI_MPS, first_slope(), 100.0)
    return drive(road, GOLDEN_CURVE, golden_parameters(), STROKE_M), start


def test_golden_car_gives_the_stated_roughness():
    """Parameters and start are from memory; they are right if an independent program's figures come out."""
    roughness = exact_roughness()
    assert len(roughness) == 27
    stated = (roughness.mean(), roughness.min(), roughness.max())
    assert stated == pytest.approx((STATED_MEAN, STATED_MIN, STATED_MAX), abs=0.005)


def test_our_quarter_car_gives_the_stated_roughness():
    """Shaft speed at the profile's points, as the index takes it: the simulator with its tables and its step.

    Measured against the exact car: worst piece 0.0002 m/km. Second order in the step of 0.25 ms.
    """
    done, start = golden_drive()
    per_sample = round(SAMPLE_M / (IRI_MPS * STEP_S))
    assert per_sample * IRI_MPS * STEP_S == pytest.approx(SAMPLE_M, rel=1e-12)
    slope = np.abs(done.trace.speed_mps[start + per_sample :: per_sample, 0, 0]) / IRI_MPS
    roughness = per_piece(slope)
    np.testing.assert_allclose(roughness, exact_roughness(), atol=0.001)
    stated = (roughness.mean(), roughness.min(), roughness.max())
    assert stated == pytest.approx((STATED_MEAN, STATED_MIN, STATED_MAX), abs=0.006)


def test_the_tyre_keeps_to_the_road_that_gave_the_roughness():
    """The index has a tyre that pulls as well; ours doesn't, which is the same car only while it pushes."""
    done, _ = golden_drive()
    assert (done.road_m - done.trace.unsprung_m[:-1, 0, 0]).min() > 0.0


def test_roughness_is_shaft_travel_per_kilometre(tmp_path):
    """The index is the shaft travel of the golden car over the distance: ours, from 1 kHz travel in 5 um steps.

    The engine sees travel only. Against the simulator's own sliding and heat 0.1 % is asked (measured 0.02
    and 0.03 %); against the stated mean 1 %, because the index takes speed at the profile's points only and
    leaves out the last 4 m (3.334 m/km instead of 3.309).
    """
    done, start = golden_drive()
    every = round(1e-3 / STEP_S)
    travel_mm = np.round(done.trace.travel_m[start::every, 0, 0] * 1e3 / 0.005) * 0.005
    curve = [list(point) for point in zip(GOLDEN_CURVE.speeds_mps, GOLDEN_CURVE.forces_n, strict=True)]
    vehicle = load_vehicle(tmp_path, curve, STROKE_M * 1e3)
    ours = integrate_travel(tmp_path, vehicle, np.arange(len(travel_mm)) * 1e-3, travel_mm)
    length_m = iri_profile()[0][-1]
    slide_m = np.abs(done.trace.slide_m[start:, 0, 0]).sum()
    heat_j = (done.trace.force_n * done.trace.speed_mps)[start:, 0, 0].sum() * STEP_S
    assert ours["shaft_travel_m"] == pytest.approx(slide_m, rel=1e-3)
    assert ours["energy_j"] == pytest.approx(heat_j, rel=1e-3)
    assert ours["shaft_travel_m"] / length_m * 1e3 == pytest.approx(STATED_MEAN, rel=0.01)
    assert ours["faults"] == []


def spectrum(tracks_m, step_m):
    """Return spatial frequency [cycles/m] and one-sided density [m3], mean of tracks, trend and ends tapered off."""
    points = tracks_m.shape[1]
    place = np.arange(points)
    level = np.array([track - np.polyval(np.polyfit(place, track, 1), place) for track in tracks_m])
    taper = np.hanning(points)
    power = np.abs(np.fft.rfft(level * taper, axis=1)) ** 2 * 2 * step_m / (taper**2).sum()
    return np.fft.rfftfreq(points, step_m)[1:], power.mean(axis=0)[1:]


def octave_levels(frequency, density, low, high):
    """Return centre and mean density of the octaves from low to high."""
    edges = low * 2.0 ** np.arange(round(np.log2(high / low)) + 1)
    inside = [(frequency >= a) & (frequency < b) for a, b in itertools.pairwise(edges)]
    return np.sqrt(edges[1:] * edges[:-1]), np.array([density[mask].mean() for mask in inside])


def level_and_waviness(frequency, density, low, high):
    """Return Gd(n0) [m3] of a fit with waviness 2 (mean of octaves in dB), and the waviness of a free fit."""
    centre, level = octave_levels(frequency, density, low, high)
    at_n0 = np.exp(np.mean(np.log(level * (centre / 0.1) ** 2)))
    return float(at_n0), float(-np.polyfit(np.log(centre), np.log(level), 1)[0])


def class_of(level_m3):
    bounds = json.loads(CLASSES.read_text())["classes_n0"]
    for letter, bound in bounds.items():
        if (bound["lower"] or 0.0) <= level_m3 < (bound["upper"] or np.inf):
            return letter
    raise AssertionError(level_m3)


def test_the_estimate_knows_a_class_d_road():
    """reference/08: a synthetic class D profile of 100 m must come out as D with waviness 2.

    One track, so the lowest octave holds eight waves and scatters. Measured: +16 %, waviness 2.05.
    """
    track = np.array([row["z_mm"] for row in read_table("08_profile_class_d.csv")]) * 1e-3
    level, waviness = level_and_waviness(*spectrum(track[None], 0.05), 0.08, 2.56)
    assert class_of(level) == "D"
    assert level == pytest.approx(class_psd_m3("D"), rel=0.3)
    assert waviness == pytest.approx(2.0, abs=0.15)


def test_belgian_block_is_a_durability_surface_of_class_e_or_f():
    """The source calls it a durability road: rougher than paved public ones (A to C, judgement), no class H field.

    Over 0.2 to 12.8 cycles/m, 11 tracks of 10 m. Measured: Gd(n0) 7.6e-3 m3, waviness 2.1: class E, next to
    its upper bound of 8.2e-3.
    """
    step_m, tracks = belgian_tracks()
    level, waviness = level_and_waviness(*spectrum(tracks, step_m), 0.2, 12.8)
    assert class_of(level) in "EF"
    assert 1.5 < waviness < 2.5


def test_belgian_block_has_stones_of_its_size():
    """Setts are 0.1 to 0.2 m long (common practice, no published source): a hump over waviness 2 at 5 to 10 /m.

    Measured: 2.2 times the octave below and 1.9 times the one above.
    """
    step_m, tracks = belgian_tracks()
    centre, level = octave_levels(*spectrum(tracks, step_m), 1.25, 40.0)
    relative = level * centre**2
    assert relative[2] > 1.5 * relative[1]
    assert relative[2] > 1.5 * relative[3]


def test_public_road_is_smoother_than_the_durability_surface_by_two_classes():
    distance, elevation = iri_profile()
    level, waviness = level_and_waviness(*spectrum(elevation[None], distance[1]), 0.0125, 1.6)
    assert class_of(level) in "AB"
    assert 1.8 < waviness < 2.8


def long_belgian_road():
    """Return the tracks end to end, every other one backwards so that ends come close, ends joined over 0.5 m."""
    step_m, tracks = belgian_tracks()
    parts, level = [], 0.0
    for number, track in enumerate(tracks):
        part = track[:: -1 if number % 2 else 1]
        parts.append(np.linspace(level, part[0], 51)[1:-1] if parts else np.empty(0))
        parts.append(part)
        level = part[-1]
    road = np.concatenate(parts)
    return np.arange(len(road)) * step_m, road


def stored_j(done, stroke_m):
    """Return energy in height, spring, stops and tyre [J] at every step, by integrals done by hand."""
    p = done.parameters
    sprung, unsprung = done.trace.sprung_m[:-1, 0, 0], done.trace.unsprung_m[:-1, 0, 0]
    travel = done.trace.travel_m[:, 0, 0]
    # The spring never pulls: below this travel it is slack.
    spring_m = np.maximum(travel, -p.spring_preload_n / p.spring_n_per_m)
    into_bump = np.maximum(travel - (stroke_m - p.bump_length_m), 0.0)
    into_top = np.maximum(p.top_length_m - travel, 0.0)
    beyond = np.maximum(travel - stroke_m, 0.0) - np.maximum(-travel, 0.0)
    return (
        GRAVITY_MPS2 * (p.sprung_kg * sprung + p.unsprung_kg * unsprung)
        + p.spring_preload_n * spring_m
        + 0.5 * p.spring_n_per_m * spring_m**2
        + 0.5 * p.bump_n_per_m * into_bump**2
        + 0.25 * p.bump_n_per_m3 * into_bump**4
        + 0.5 * p.top_n_per_m * into_top**2
        + 0.5 * p.metal_n_per_m * beyond**2
        + 0.5 * p.tyre_n_per_m * np.maximum(done.road_m - unsprung, 0.0) ** 2
    )


def road_work_j(done):
    push_n = done.parameters.tyre_n_per_m * np.maximum(done.road_m - done.trace.unsprung_m[:-1, 0, 0], 0.0)
    return float((0.5 * (push_n[1:] + push_n[:-1]) * np.diff(done.road_m)).sum())


def heat_j(done):
    return float((done.trace.force_n * done.trace.speed_mps)[:, 0, 0].sum() * STEP_S)


def balance(done, stroke_m):
    """Return work of the road less stored gain, over heat."""
    stored = stored_j(done, stroke_m)
    gained_j = stored[-1] - stored[0] + float(done.car.kinetic_j()[0, 0])
    return (road_work_j(done) - gained_j) / heat_j(done)


@pytest.mark.parametrize("speed_mps", [pytest.param(2.0, marks=pytest.mark.slow), 6.0, 15.0])
def test_belgian_block_work_is_heat_plus_stored_energy(speed_mps):
    """Nothing comes from nowhere on a surface of stone edges. Measured: at most 0.025 % missing.

    The wheel is in the air for 4 % of the time at 2 m/s and 37 % at 15 m/s.
    """
    distance, elevation = long_belgian_road()
    road, _ = with_lead_in(distance, elevation - elevation[0], speed_mps, 0.0, 1.0)
    done = drive(road, OFFROAD_CURVE, offroad_parameters(), 0.254)
    assert balance(done, 0.254) == pytest.approx(1.0, abs=1e-3)
    assert heat_j(done) > 1e4


def test_public_road_work_is_heat_plus_stored_energy():
    """Measured: 4e-6 missing."""
    distance, elevation = iri_profile()
    road, _ = with_lead_in(distance, elevation, IRI_MPS, 0.0, 20.0)
    done = drive(road, OFFROAD_CURVE, offroad_parameters(), 0.254)
    assert balance(done, 0.254) == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("speed_mps", [pytest.param(2.0, marks=pytest.mark.slow), 6.0, 15.0])
def test_heat_over_the_belgian_block_comes_out_of_travel_alone(speed_mps, tmp_path):
    """The simulator knows the heat; the engine gets 1 kHz travel read in steps of a 16-bit converter.

    Measured: heat 0.014 to 0.018 %, sliding 0.018 to 0.021 % low.
    """
    distance, elevation = long_belgian_road()
    road, _ = with_lead_in(distance, elevation - elevation[0], speed_mps, 0.0, 1.0)
    done = drive(road, OFFROAD_CURVE, offroad_parameters(), 0.254)
    step_mm = 300.0 / 65535
    every = round(1e-3 / STEP_S)
    travel_mm = np.round(done.trace.travel_m[::every, 0, 0] * 1e3 / step_mm) * step_mm
    curve = [list(point) for point in zip(OFFROAD_CURVE.speeds_mps, OFFROAD_CURVE.forces_n, strict=True)]
    vehicle = load_vehicle(tmp_path, curve, 254.0)
    ours = integrate_travel(tmp_path, vehicle, np.arange(len(travel_mm)) * 1e-3, travel_mm)
    assert ours["energy_j"] == pytest.approx(heat_j(done), rel=1e-3)
    assert ours["shaft_travel_m"] == pytest.approx(np.abs(done.trace.slide_m).sum(), rel=1e-3)
    assert ours["faults"] == []
