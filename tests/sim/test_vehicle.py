"""The simulated vehicle as a whole: determinism, runs, scenarios, sensors, scripted faults."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from dutylog.domain.vehicle import ForceAt, ForceCurve, Profile, Vehicle
from dutylog.errors import InputError
from dutylog.sim.parameters import generic_parameters
from dutylog.sim.roads import Corrugation, RoughRoad
from dutylog.sim.scenario import SCENARIOS, Scenario, Stage, Timeline, build_belt, built_in_scenario
from dutylog.sim.sensors import ScriptedFault, SensorParameters
from dutylog.sim.truth import Truth
from dutylog.sim.vehicle import Samples, SimulatedVehicle

ROUGH = Scenario("rough", (Stage("rough", 30.0, 14.0, (RoughRoad("E", 0.7),)),))
PERFECT = SensorParameters(0.0, (), (0, 4095), 0.0, 0.0, 0.0)


def _drive(vehicle: Vehicle, scenario: Scenario = ROUGH, seed: int = 1, **more: object) -> SimulatedVehicle:
    sensors = more.pop("sensors", None)
    parameters = generic_parameters(vehicle, sensors)  # type: ignore[arg-type]
    return SimulatedVehicle(vehicle, parameters, scenario, seed, **more)  # type: ignore[arg-type]


def _same(left: Truth | Samples, right: Truth | Samples) -> bool:
    return all(
        np.array_equal(getattr(left, f.name), getattr(right, f.name), equal_nan=True)
        for f in fields(left)
        if not f.name.startswith("first_")
    )


def test_same_seed_same_drive_and_lengths_of_asking_change_nothing(demo_vehicle: Vehicle) -> None:
    """Samples and truth are equal to the bit, whether asked for at once or in pieces."""
    whole_samples, whole_truth = _drive(demo_vehicle).advance(3000)
    pieces = _drive(demo_vehicle)
    parts = [pieces.advance(n) for n in (100, 700, 1200, 1000)]
    counts = np.concatenate([samples.travel_counts for samples, _ in parts])
    assert np.array_equal(counts, whole_samples.travel_counts)
    assert np.array_equal(np.concatenate([s.body_c for s, _ in parts]), whole_samples.body_c)
    assert np.array_equal(np.concatenate([s.speed_mps for s, _ in parts]), whole_samples.speed_mps)
    assert np.array_equal(np.concatenate([s.ambient_c for s, _ in parts]), whole_samples.ambient_c)
    assert _same(parts[-1][1], whole_truth)
    assert [s.first_slow for s, _ in parts] == [0, 1, 8, 20]
    other, _ = _drive(demo_vehicle, seed=2).advance(3000)
    assert not np.array_equal(other.travel_counts, whole_samples.travel_counts)


def test_odd_numbers_of_samples_are_refused(demo_vehicle: Vehicle) -> None:
    """Half a tick would make heat depend on how the drive is asked for."""
    drive = _drive(demo_vehicle)
    for bad in (0, -100, 150):
        with pytest.raises(InputError, match="multiple of 100"):
            drive.advance(bad)


def test_runs_side_by_side_have_their_own_roads_and_parameters(demo_vehicle: Vehicle) -> None:
    """Run 0 drives as it would alone; on one road only its parameters make a run differ."""
    alone = _drive(demo_vehicle, sensors=PERFECT).advance(2000)[1]
    parameters = generic_parameters(demo_vehicle, PERFECT)
    masses = np.array([[1.0], [1.0], [1.1]]) * parameters.suspension.sprung_kg
    parameters = replace(parameters, suspension=replace(parameters.suspension, sprung_kg=masses))
    one_road = SimulatedVehicle(demo_vehicle, parameters, ROUGH, 1, runs=3, roads=1).advance(2000)[1]
    np.testing.assert_allclose(one_road.energy_j[0], alone.energy_j[0], rtol=1e-9)
    np.testing.assert_allclose(one_road.energy_j[1], one_road.energy_j[0], rtol=1e-9)
    assert np.all(np.abs(one_road.energy_j[2] / one_road.energy_j[0] - 1.0) > 1e-4)
    own_roads = SimulatedVehicle(demo_vehicle, parameters, ROUGH, 1, runs=3).advance(2000)[1]
    np.testing.assert_allclose(own_roads.energy_j[0], alone.energy_j[0], rtol=1e-9)
    assert np.all(np.abs(own_roads.energy_j[1] / own_roads.energy_j[0] - 1.0) > 1e-3)


def test_truth_never_falls(demo_vehicle: Vehicle) -> None:
    """Duty only grows; a harness that watches totals relies on it."""
    drive = _drive(demo_vehicle, built_in_scenario("washboard"))
    before = drive.truth()
    rising = [f.name for f in fields(Truth) if f.name not in ("oil_c", "body_c", "travel_min_m", "time_s")]
    for _ in range(30):
        _, after = drive.advance(100)
        for name in rising:
            assert np.all(getattr(after, name) >= getattr(before, name)), name
        before = after
    assert np.all(before.strokes > 10)
    assert np.all(before.oil_c > before.body_c)


def test_half_the_step_gives_the_same_truth(demo_vehicle: Vehicle) -> None:
    """Step convergence of the whole vehicle, heat and fade included."""
    coarse = _drive(demo_vehicle).advance(15_000)[1]
    fine = _drive(demo_vehicle, steps_per_sample=8).advance(15_000)[1]
    np.testing.assert_allclose(coarse.energy_j, fine.energy_j, rtol=2.5e-4)
    np.testing.assert_allclose(coarse.oil_c, fine.oil_c, atol=2e-3)
    assert np.all(np.abs(coarse.strokes - fine.strokes) <= 1)


def test_heat_accounts_for_every_joule(demo_vehicle: Vehicle) -> None:
    """With no way out to the air, stored heat equals the damping energy."""
    parameters = generic_parameters(demo_vehicle)
    none = np.zeros(4)
    sealed = replace(parameters, heat=replace(parameters.heat, ha_rest_w_per_k=none, ha_move=none))
    truth = SimulatedVehicle(demo_vehicle, sealed, ROUGH, 1).advance(10_000)[1]
    heat = parameters.heat
    stored = heat.oil_j_per_k * (truth.oil_c - 30.0) + heat.body_j_per_k * (truth.body_c - 30.0)
    np.testing.assert_allclose(stored, truth.energy_j, rtol=1e-9)


def test_fade_by_body_temperature_scales_the_force(demo_vehicle: Vehicle) -> None:
    """100 K over reference at 0.18 % per K drives exactly as curves of 82 % do.

    Energy itself hardly falls: a softer damper moves more.
    """
    hot = replace(ROUGH, ambient_c=140.0, ambient_swing_k=0.0)
    parameters = generic_parameters(demo_vehicle)
    huge = np.full(4, 1e12)  # so that the temperature stays where it is
    parameters = replace(parameters, heat=replace(parameters.heat, oil_j_per_k=huge, body_j_per_k=huge))
    faded = SimulatedVehicle(demo_vehicle, parameters, hot, 1).advance(5000)[1].energy_j
    scaled = replace(demo_vehicle, profiles=tuple(_scaled(profile, 0.82) for profile in demo_vehicle.profiles))
    softer = SimulatedVehicle(scaled, parameters, hot, 1).advance(5000)[1].energy_j
    full = replace(demo_vehicle, profiles=tuple(_scaled(profile, 1.0) for profile in demo_vehicle.profiles))
    unfaded = SimulatedVehicle(full, parameters, hot, 1).advance(5000)[1].energy_j
    np.testing.assert_allclose(faded, softer, rtol=1e-8)
    assert np.all(np.abs(faded / unfaded - 1.0) > 1e-4)


def _scaled(profile: Profile, factor: float) -> Profile:
    """Return a profile without fade and with its forces scaled."""
    force = tuple(
        ForceAt(at.travel_m, ForceCurve(at.curve.speeds_mps, tuple(factor * f for f in at.curve.forces_n)))
        for at in profile.force
    )
    return replace(profile, force=force, fade_per_k=0.0)


def test_parked_vehicle_idles_without_duty(demo_vehicle: Vehicle) -> None:
    """Idling shakes the travel visibly but gives milliwatts, and no stroke."""
    samples, truth = _drive(demo_vehicle, built_in_scenario("parked")).advance(20_000)
    reach_m = truth.travel_max_m - truth.travel_min_m
    assert np.all(truth.strokes == 0)
    assert np.all((reach_m > 5e-6) & (reach_m < 2e-4))
    assert np.all((truth.energy_j > 0.0) & (truth.energy_j < 0.05 * 20.0))
    assert np.all(samples.speed_mps < 1.0)


def test_desert_heats_and_bottoms_out_and_street_does_neither(demo_vehicle: Vehicle) -> None:
    """The scenarios are what their names say, in watts per damper and in bottom-outs."""
    rough = Scenario("rough part", built_in_scenario("desert").stages[2:3])
    desert = _drive(demo_vehicle, rough, runs=4).advance(60_000)[1]
    street = _drive(demo_vehicle, built_in_scenario("street")).advance(30_000)[1]
    assert np.all((desert.energy_j / 60.0 > 500.0) & (desert.energy_j / 60.0 < 2500.0))
    assert desert.bottom_outs.sum() > 0
    assert np.all(street.energy_j / 30.0 < 60.0)
    assert street.bottom_outs.sum() == 0
    # a few millimetres beyond the ends, as on real stops
    strokes_m = np.array([0.254, 0.254, 0.305, 0.305])
    assert np.all(desert.travel_min_m > -0.012)
    assert np.all(desert.travel_max_m < strokes_m + 0.012)


@pytest.mark.parametrize("name", SCENARIOS)
def test_speed_is_the_slope_of_distance_over_two_laps(name: str) -> None:
    """Distance and speed belong together, across stages and the seam between laps."""
    timeline = Timeline(built_in_scenario(name))
    times = np.linspace(0.0, 2.0 * timeline.scenario.lap_s, 200_001)
    distance, speed = timeline.motion(times)
    trapezoid = np.concatenate(([0.0], np.cumsum(0.5 * (speed[1:] + speed[:-1]) * np.diff(times))))
    np.testing.assert_allclose(distance, trapezoid, atol=1e-3 * max(1.0, timeline.lap_m / 1000.0))
    assert np.max(np.abs(np.diff(speed))) <= 2.0 * (times[1] - times[0]) * 1.001
    assert timeline.lap_m == pytest.approx(distance[-1] / 2.0, abs=1e-6)


def test_desert_lap_takes_twenty_minutes() -> None:
    """The demo's stage is about 20 minutes, with every kind of road in it."""
    scenario = built_in_scenario("desert")
    assert scenario.lap_s == 1200.0
    assert {stage.name for stage in scenario.stages} >= {"washboard", "rough", "smooth road", "stop"}


def test_stages_join_without_a_step() -> None:
    """Roads fade in and out, so a change of stage is no bump of its own."""
    timeline = Timeline(built_in_scenario("desert"))
    belt = build_belt(timeline, 3)
    bounds = np.round(timeline.stage_bounds_m() / belt.step_m).astype(int)
    points = belt.elevation.shape[2]
    for bound in bounds:
        around = belt.elevation[0, :, np.arange(bound - 2, bound + 2) % points]
        assert np.max(np.abs(around)) < 2e-3


def test_unknown_scenario_names_those_that_exist() -> None:
    """The text is what a person sees who misspelt a scenario."""
    with pytest.raises(InputError, match="desert, street, washboard, parked"):
        built_in_scenario("dessert")


def test_too_short_a_stage_is_refused() -> None:
    """A change of speed that doesn't fit into its stage would be a jump in speed."""
    with pytest.raises(InputError, match="too short"):
        Timeline(Scenario("jerk", (Stage("a", 5.0, 0.0), Stage("b", 5.0, 30.0))))


def test_counts_show_the_true_travel_through_each_calibration(demo_vehicle: Vehicle) -> None:
    """A perfect sensor errs by half a count; a noisy one by its stated noise."""
    calm = Scenario("calm", (Stage("level", 10.0, 5.0),))
    samples, truth = _drive(demo_vehicle, calm, sensors=PERFECT).advance(1000)
    noisy, _ = _drive(demo_vehicle, calm, sensors=replace(PERFECT, travel_noise_mm=0.5)).advance(10_000)
    for wheel, damper in enumerate(demo_vehicle.dampers):
        (raw0, mm0), (raw1, mm1) = damper.calibration
        mm_per_count = (mm1 - mm0) / (raw1 - raw0)
        travel_mm = mm0 + (samples.travel_counts[:, 0, wheel] - raw0) * mm_per_count
        middle_mm = 500.0 * (truth.travel_min_m + truth.travel_max_m)[0, wheel]
        np.testing.assert_allclose(travel_mm, middle_mm, atol=0.51 * abs(mm_per_count) + 0.1)
        noise_mm = np.std(noisy.travel_counts[:, 0, wheel] * mm_per_count)
        # idling adds 0.01 mm, rounding 0.02 mm; 10 000 samples leave 0.7 %
        assert noise_mm == pytest.approx(0.5, rel=0.03)


def test_thermocouples_are_rounded_to_their_step(demo_vehicle: Vehicle) -> None:
    """Readings lie on the converter's grid around the true temperature."""
    samples, truth = _drive(demo_vehicle).advance(5000)
    steps = samples.body_c / 0.0625
    assert np.array_equal(steps, np.rint(steps))
    assert np.max(np.abs(samples.body_c[-1] - truth.body_c)) < 0.5
    assert samples.body_c.shape == (50, 1, 4)
    assert samples.ambient_c.shape == (50,)
    assert samples.speed_mps.shape == (50,)


def test_hum_appears_at_its_frequency(demo_vehicle: Vehicle) -> None:
    """Hum rides on the wire, not on the truth."""
    calm = Scenario("calm", (Stage("level", 10.0, 0.0, engine_on=False),))
    sensors = replace(PERFECT, hum=((50.0, 0.5),))
    samples, truth = _drive(demo_vehicle, calm, sensors=sensors).advance(5000)
    spectrum = np.abs(np.fft.rfft(samples.travel_counts[:, 0, 0] - samples.travel_counts[:, 0, 0].mean()))
    assert np.argmax(spectrum) == 250
    assert np.all(truth.shaft_travel_m < 1e-6)


def test_scripted_faults_spoil_what_they_say_and_nothing_else(demo_vehicle: Vehicle) -> None:
    """Open reads the rail, stuck holds, spikes are single samples, gaps drop rows, the truth goes on."""
    faults = (
        ScriptedFault("travel_open", "front_left", 1.05, 0.5),
        ScriptedFault("travel_stuck", "front_right", 2.0, 0.75),
        ScriptedFault("spike", "rear_left", 0.0, 4.0, count=20),
        ScriptedFault("thermocouple_open", "rear_right", 1.0, 1.0),
        ScriptedFault("gap", "", 3.25, 0.1),
    )
    clean, clean_truth = _drive(demo_vehicle).advance(4000)
    spoilt_drive = _drive(demo_vehicle, faults=faults)
    parts = [spoilt_drive.advance(n) for n in (1100, 1000, 1900)]
    counts = np.concatenate([s.travel_counts for s, _ in parts])
    truth = parts[-1][1]
    changed = (counts != clean.travel_counts)[:, 0]
    assert np.all(counts[1050:1550, 0, 0] == 4095)
    assert np.flatnonzero(changed[:, 0]).min() >= 1050
    assert np.flatnonzero(changed[:, 0]).max() < 1550
    held = counts[2000:2750, 0, 1]
    assert np.std(held) < 1.5
    assert np.std(clean.travel_counts[2000:2750, 0, 1]) > 20
    assert np.flatnonzero(changed[:, 1]).min() >= 2000
    assert np.count_nonzero(changed[:, 2]) == 20
    assert np.min(np.diff(np.flatnonzero(changed[:, 2]))) >= 10
    assert not changed[:, 3].any()
    kept = np.concatenate([s.kept for s, _ in parts])
    assert np.flatnonzero(~kept).tolist() == list(range(3250, 3350))
    body = np.concatenate([s.body_c for s, _ in parts])
    assert np.array_equal(np.flatnonzero(np.isnan(body[:, 0, 3])), np.arange(10, 20))
    assert not np.isnan(body[:, 0, :3]).any()
    np.testing.assert_array_equal(truth.energy_j, clean_truth.energy_j)
    assert truth.valid_s[0] == pytest.approx([3.4, 3.15, 3.9, 3.9])
    valid_j = truth.valid_energy_compression_j + truth.valid_energy_rebound_j
    assert np.all(valid_j < truth.energy_j)
    assert np.all(clean_truth.valid_energy_rebound_j == clean_truth.energy_rebound_j)


def test_faults_that_make_no_sense_are_refused(demo_vehicle: Vehicle) -> None:
    """A scripted fault that silently does nothing would make a test of faults pass."""
    with pytest.raises(InputError, match="makes no sense"):
        ScriptedFault("broken", "front_left", 0.0, 1.0)
    with pytest.raises(InputError, match="makes no sense"):
        ScriptedFault("spike", "front_left", 0.0, 1.0)
    with pytest.raises(InputError, match="position 'front'"):
        _drive(demo_vehicle, faults=(ScriptedFault("travel_open", "front", 0.0, 1.0),))


def test_vehicles_the_simulation_cannot_take_are_refused(demo_vehicle: Vehicle) -> None:
    """Two dampers on a wheel or a damper without calibration: said, not simulated wrongly."""
    doubled = replace(
        demo_vehicle, dampers=(*demo_vehicle.dampers, replace(demo_vehicle.dampers[0], position="front_left_bypass"))
    )
    with pytest.raises(InputError, match="one damper"):
        generic_parameters(doubled)
    bare = replace(demo_vehicle, dampers=(replace(demo_vehicle.dampers[0], calibration=()),))
    with pytest.raises(InputError, match="front_left has no calibration"):
        _drive(bare)


def test_vehicle_stands_level_at_its_ride_height(demo_vehicle: Vehicle) -> None:
    """40 % of each stroke at rest, whatever the profile."""
    calm = Scenario("calm", (Stage("level", 10.0, 0.0, engine_on=False),), ambient_c=20.0, ambient_swing_k=0.0)
    truth = _drive(demo_vehicle, calm).advance(1000)[1]
    np.testing.assert_allclose(truth.travel_max_m[0], 0.4 * np.array([0.254, 0.254, 0.305, 0.305]), atol=1e-4)
    assert np.all(truth.shaft_travel_m < 1e-6)


def test_washboard_shakes_at_speed_over_wavelength(demo_vehicle: Vehicle) -> None:
    """13 m/s over 0.8 m is 16.25 Hz: 32.5 strokes a second."""
    board = Scenario("board", (Stage("board", 60.0, 13.0, (Corrugation(0.025, 0.8),)),))
    drive = _drive(demo_vehicle, board)
    first = drive.advance(4000)[1].strokes
    last = drive.advance(10_000)[1].strokes
    np.testing.assert_allclose(last - first, 2 * 16.25 * 10.0, atol=2)
