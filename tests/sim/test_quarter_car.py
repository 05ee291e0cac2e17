"""The quarter car against closed forms: rest, free decay, harmonic response, gas, energy balance."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from dutylog.domain.vehicle import ForceAt, ForceCurve, Profile
from dutylog.errors import InputError
from dutylog.sim.quarter_car import GRAVITY_MPS2, QuarterCar, Trace
from dutylog.sim.roads import Bumps, RoadBelt, RoughRoad
from dutylog.sim.suspension import SuspensionParameters
from dutylog.units import PA_PER_PSI, STANDARD_ATMOSPHERE_PA

ReadReference = Callable[[str], list[dict[str, str]]]

STEP_S = 0.25e-3
DIGRESSIVE = ForceCurve(
    (-3.0, -1.2, -0.5, -0.15, -0.05, 0.0, 0.05, 0.15, 0.5, 1.2, 3.0),
    (-5750.0, -3090.0, -1950.0, -960.0, -390.0, 0.0, 270.0, 640.0, 1230.0, 1980.0, 3850.0),
)


def _profile(*curves: ForceAt | ForceCurve) -> Profile:
    force = tuple(c if isinstance(c, ForceAt) else ForceAt(0.0, c) for c in curves)
    return Profile("test", 0.254, 0.0222, 0.0508, 0.85, 2.9, 3650.0, force, 0.0, 40.0, 120.0)


def _linear_curve(damping_nspm: float) -> ForceCurve:
    return ForceCurve((-1.0, 0.0, 1.0), (-damping_nspm, 0.0, damping_nspm))


def _parameters(**changes: Any) -> SuspensionParameters:
    values: dict[str, Any] = {
        "sprung_kg": 540.0,
        "unsprung_kg": 62.0,
        "motion_ratio": 0.62,
        "spring_n_per_m": 73e3,
        "spring_preload_n": 390.0,
        "tyre_n_per_m": 290e3,
        "gas_pressure_pa_abs": 1.48e6,
        "gas_volume_m3": 255e-6,
        "gas_exponent": 1.3,
        "gas_reference_c": 20.0,
        "bump_length_m": 0.06,
        "bump_n_per_m": 40e3,
        "bump_n_per_m3": 2e8,
        "top_length_m": 0.03,
        "top_n_per_m": 150e3,
        "metal_n_per_m": 20e6,
    }
    values.update(changes)
    return SuspensionParameters(**{name: np.asarray(value, dtype=np.float64) for name, value in values.items()})


def _linear_parameters(**changes: Any) -> SuspensionParameters:
    """Leave springs only: gas at atmospheric pressure in a huge chamber pushes with nothing."""
    return _parameters(
        gas_pressure_pa_abs=STANDARD_ATMOSPHERE_PA,
        gas_volume_m3=1e3,
        bump_n_per_m=0.0,
        bump_n_per_m3=0.0,
        top_n_per_m=0.0,
        **changes,
    )


def _still(steps: int, wheels: int = 1) -> np.ndarray:
    return np.zeros((steps, 1, wheels))


def _system(damping_nspm: float) -> tuple[np.ndarray, np.ndarray]:
    """Return matrix and road input of the linear car, state (sprung, unsprung, their speeds)."""
    sprung, unsprung, ratio = 540.0, 62.0, 0.62
    k, c, tyre = 73e3 * ratio**2, damping_nspm * ratio**2, 290e3
    matrix = np.array(
        [
            [0.0, 0.0, 1.0, 0.0],
            [0.0, 0.0, 0.0, 1.0],
            [-k / sprung, k / sprung, -c / sprung, c / sprung],
            [k / unsprung, -(k + tyre) / unsprung, c / unsprung, -c / unsprung],
        ]
    )
    return matrix, np.array([0.0, 0.0, 0.0, tyre / unsprung])


def _rest(car: QuarterCar) -> tuple[float, float]:
    """Return the heights at rest, read off one step on level ground."""
    trace = car.run(_still(1), _still(1))
    return float(trace.sprung_m[0, 0, 0]), float(trace.unsprung_m[0, 0, 0])


def test_static_ride_height_balances_every_force() -> None:
    """At rest the car stands where weight, spring and gas agree, and it stays there."""
    car = QuarterCar([_profile(DIGRESSIVE)], _parameters(), 1, STEP_S)
    trace = car.run(_still(8000), _still(8000))
    travel_m = trace.travel_m[0, 0, 0]
    area_m2 = np.pi / 4.0 * 0.0222**2
    gas_n = area_m2 * (1.48e6 * (255e-6 / (255e-6 - area_m2 * travel_m)) ** 1.3 - STANDARD_ATMOSPHERE_PA)
    assert 390.0 + 73e3 * travel_m + gas_n == pytest.approx(540.0 * GRAVITY_MPS2 / 0.62, rel=1e-6)
    assert trace.unsprung_m[0, 0, 0] == pytest.approx(-602.0 * GRAVITY_MPS2 / 290e3, rel=1e-12)
    assert np.ptp(trace.travel_m) < 1e-9


def test_free_decay_has_the_frequency_and_decrement_of_the_eigenvalues() -> None:
    """The body's slow mode, measured from peaks, against the exact eigenvalue of the linear car."""
    damping = 1500.0
    matrix, _ = _system(damping)
    slow = min(np.linalg.eigvals(matrix), key=abs)
    car = QuarterCar([_profile(_linear_curve(damping))], _linear_parameters(), 1, STEP_S)
    sprung, unsprung = _rest(car)
    car.place(np.array([[sprung + 0.03]]), np.array([[unsprung]]))
    steps = 32_000
    height = car.run(_still(steps), _still(steps)).sprung_m[:, 0, 0] - sprung
    # after 2 s the wheel's own mode is down by more than e^-10
    tops = [i for i in range(8000, steps) if height[i] > height[i - 1] and height[i] >= height[i + 1]]
    peaks = [_parabola_top(height, i) for i in tops]
    assert len(peaks) >= 5
    period_s = (peaks[4][0] - peaks[0][0]) * STEP_S / 4.0
    decrement = np.log(peaks[0][1] / peaks[4][1]) / 4.0
    assert 2.0 * np.pi / period_s == pytest.approx(abs(slow.imag), rel=1e-5)
    assert decrement == pytest.approx(-slow.real * period_s, rel=1e-4)


def _parabola_top(values: np.ndarray, index: int) -> tuple[float, float]:
    """Return place and height of the top of the parabola through three points."""
    before, here, after = values[index - 1 : index + 2]
    shift = 0.5 * (before - after) / (before - 2.0 * here + after)
    return index + shift, here - 0.25 * (before - after) * shift


def test_whole_transient_follows_the_exact_solution() -> None:
    """Both modes together, point by point, against the matrix exponential."""
    damping = 3000.0
    matrix, _ = _system(damping)
    values, vectors = np.linalg.eig(matrix)
    start = np.array([0.02, -0.015, 0.0, 0.0])
    weights = np.linalg.solve(vectors, start.astype(complex))
    car = QuarterCar([_profile(_linear_curve(damping))], _linear_parameters(), 1, STEP_S)
    sprung, unsprung = _rest(car)
    car.place(np.array([[sprung + start[0]]]), np.array([[unsprung + start[1]]]))
    trace = car.run(_still(8000), _still(8000))
    times = np.arange(8001) * STEP_S
    exact = (vectors @ (weights[:, None] * np.exp(values[:, None] * times))).real
    # second order: (wheel mode 71 rad/s * h)^2 / 24 of 20 mm is 0.3 um for each radian passed
    np.testing.assert_allclose(trace.sprung_m[:, 0, 0] - sprung, exact[0], atol=1e-6)
    np.testing.assert_allclose(trace.unsprung_m[:, 0, 0] - unsprung, exact[1], atol=3e-6)


def test_harmonic_response_is_that_of_the_transfer_matrix() -> None:
    """Amplitude and phase of shaft travel from 0.5 to 25 Hz, one frequency a run, side by side."""
    damping = 3000.0
    matrix, into = _system(damping)
    hz = np.array([0.5, 1.2, 3.0, 8.0, 11.0, 25.0])
    steps = 72_000
    times = np.arange(steps) * STEP_S
    road = 0.002 * np.sin(2.0 * np.pi * hz[None, :] * times[:, None])[:, :, None]
    car = QuarterCar([_profile(_linear_curve(damping))], _linear_parameters(), len(hz), STEP_S)
    travel = car.run(road, _still(steps)).travel_m[:, :, 0]
    for run, frequency in enumerate(hz):
        angular = 2.0 * np.pi * frequency
        response = np.linalg.solve(1j * angular * np.eye(4) - matrix, into)
        expected = 0.62 * (response[1] - response[0]) * 0.002
        late = times > 14.0
        basis = np.stack([np.sin(angular * times[late]), np.cos(angular * times[late]), np.ones(late.sum())], axis=1)
        sine, cosine, _ = np.linalg.lstsq(basis, travel[late, run], rcond=None)[0]
        # second order: the worst is 25 Hz with (2 pi 25 h)^2 / 12 = 1e-4
        assert abs(sine + 1j * cosine - expected) < 3e-4 * abs(expected), frequency


def test_nitrogen_spring_matches_the_reference_columns(read_reference: ReadReference) -> None:
    """Ideal isothermal and adiabatic pressures and shaft forces over the whole stroke."""
    rows = read_reference("02_n2_pressure_vs_shaft.csv")
    fill = np.array([[float(r["fill_psi_gauge"]) * PA_PER_PSI + STANDARD_ATMOSPHERE_PA] for r in rows])
    volume = np.array([[float(r["gas_volume_extended_ml"]) * 1e-6] for r in rows])
    travel = np.array([[float(r["shaft_inserted_mm"]) * 1e-3] for r in rows])
    area_m2 = np.pi / 4.0 * 0.0222**2
    for exponent, column in ((1.0, "p_abs_isothermal_ideal_kpa"), (1.4, "p_abs_adiabatic_ideal_kpa")):
        bare = _parameters(
            spring_n_per_m=0.0,
            spring_preload_n=0.0,
            bump_n_per_m=0.0,
            bump_n_per_m3=0.0,
            top_n_per_m=0.0,
            metal_n_per_m=0.0,
            gas_pressure_pa_abs=fill,
            gas_volume_m3=volume,
            gas_exponent=exponent,
        )
        force_n = QuarterCar([_profile(DIGRESSIVE)], bare, len(rows), STEP_S).static_force_n(travel)[:, 0]
        pressure = np.array([float(r[column]) * 1e3 for r in rows])
        np.testing.assert_allclose(force_n, (pressure - STANDARD_ATMOSPHERE_PA) * area_m2, rtol=1e-6)
        if exponent == 1.0:
            stated = [float(r["shaft_force_isothermal_ideal_n"]) for r in rows]
            np.testing.assert_allclose(force_n, stated, rtol=1e-6)


def test_warm_gas_pushes_harder_by_absolute_temperature() -> None:
    """60 K over 20 degC raise absolute pressure by 60 / 293.15."""
    car = QuarterCar([_profile(DIGRESSIVE)], _parameters(spring_n_per_m=0.0, spring_preload_n=0.0), 1, STEP_S)
    middle = np.full((1, 1), 0.1)
    area_m2 = np.pi / 4.0 * 0.0222**2
    cold_n = car.static_force_n(middle) + STANDARD_ATMOSPHERE_PA * area_m2
    car.set_temperature(np.full((1, 1), 80.0), np.ones((1, 1)))
    warm_n = car.static_force_n(middle) + STANDARD_ATMOSPHERE_PA * area_m2
    assert (warm_n / cold_n)[0, 0] == pytest.approx(353.15 / 293.15, rel=1e-12)


def test_a_wheel_in_the_air_falls_freely() -> None:
    """The tyre never pulls: with the road gone both masses together fall with g."""
    car = QuarterCar([_profile(DIGRESSIVE)], _parameters(), 1, STEP_S)
    road = np.full((1200, 1, 1), -10.0)
    trace = car.run(road, _still(1200))
    centre = (540.0 * trace.sprung_m + 62.0 * trace.unsprung_m)[:, 0, 0] / 602.0
    times = np.arange(1201) * STEP_S
    # from rest, leapfrog is half a step ahead: h t / 2 more
    np.testing.assert_allclose(centre[0] - centre, 0.5 * GRAVITY_MPS2 * times * (times + STEP_S), atol=1e-9)


def _rough_road(steps: int, step_s: float, bump_m: float = 0.16) -> np.ndarray:
    """Return class E with bumps at 15 m/s, the same road whatever the step."""
    rng = np.random.default_rng(11)
    elevation = RoughRoad("E").elevation_m(8000, 0.05, rng) + Bumps(30.0, bump_m, 1.8).elevation_m(8000, 0.05, rng)
    elevation *= np.minimum(np.arange(8000) * 0.05 / 5.0, 1.0)
    distance = 15.0 * np.arange(steps) * step_s
    return RoadBelt(0.05, elevation[None]).heights_m(distance, np.array([0, 1]), np.zeros(2))


def _stored_j(trace: Trace, parameters: SuspensionParameters, road: np.ndarray) -> np.ndarray:
    """Return gravity, spring, gas, stops and tyre energy [J] at every step, by integrals done by hand."""
    p, area_m2 = parameters, np.pi / 4.0 * 0.0222**2
    sprung, unsprung, travel = trace.sprung_m[:-1, 0], trace.unsprung_m[:-1, 0], trace.travel_m[:, 0]
    gravity = GRAVITY_MPS2 * (p.sprung_kg * sprung + p.unsprung_kg * unsprung)
    pull_free = np.maximum(travel, -p.spring_preload_n / p.spring_n_per_m)
    spring = p.spring_preload_n * pull_free + 0.5 * p.spring_n_per_m * pull_free**2
    left = 1.0 - area_m2 * travel / p.gas_volume_m3
    power = p.gas_exponent - 1.0
    gas = p.gas_pressure_pa_abs * p.gas_volume_m3 * left**-power / power - STANDARD_ATMOSPHERE_PA * area_m2 * travel
    into_bump = np.maximum(travel - (0.254 - p.bump_length_m), 0.0)
    into_top = np.maximum(p.top_length_m - travel, 0.0)
    beyond = np.maximum(travel - 0.254, 0.0) - np.maximum(-travel, 0.0)
    stops = (
        0.5 * p.bump_n_per_m * into_bump**2
        + 0.25 * p.bump_n_per_m3 * into_bump**4
        + 0.5 * p.top_n_per_m * into_top**2
        + 0.5 * p.metal_n_per_m * beyond**2
    )
    tyre = 0.5 * p.tyre_n_per_m * np.maximum(road[:, 0] - unsprung, 0.0) ** 2
    return np.asarray(gravity + spring + gas + stops + tyre)


def test_work_of_the_road_is_heat_plus_stored_energy() -> None:
    """Rough road with bottom-outs and lift-off: nothing appears from nowhere, within a thousandth."""
    steps = 80_000
    parameters = _parameters()
    road = _rough_road(steps, STEP_S, bump_m=0.24)
    car = QuarterCar([_profile(DIGRESSIVE)] * 2, parameters, 1, STEP_S)
    trace = car.run(road, _still(steps, 2))
    assert trace.travel_m.max() > 0.254
    push_n = parameters.tyre_n_per_m * np.maximum(road[:, 0] - trace.unsprung_m[:-1, 0], 0.0)
    assert np.any(push_n == 0.0)
    work_j = (0.5 * (push_n[1:] + push_n[:-1]) * np.diff(road[:, 0], axis=0)).sum(axis=0)
    heat_j = (trace.force_n * trace.speed_mps)[:, 0].sum(axis=0) * STEP_S
    stored = _stored_j(trace, parameters, road)
    gained_j = stored[-1] - stored[0] + car.kinetic_j()[0]
    assert np.all(heat_j > 5e3)
    np.testing.assert_allclose(work_j - gained_j, heat_j, rtol=1e-3)


def _energy_j(step_s: float, seconds: float, bump_m: float, curve: ForceCurve = DIGRESSIVE) -> np.ndarray:
    steps = round(seconds / step_s)
    car = QuarterCar([_profile(curve)] * 2, _parameters(), 1, step_s)
    trace = car.run(_rough_road(steps, step_s, bump_m), _still(steps, 2))
    return np.asarray((trace.force_n * trace.speed_mps).sum(axis=0)[0] * step_s)


def test_half_the_step_hardly_changes_the_energy() -> None:
    """The step is fine enough on the roughest road, bottom-outs included."""
    whole, half = _energy_j(STEP_S, 20.0, 0.24), _energy_j(STEP_S / 2.0, 20.0, 0.24)
    np.testing.assert_allclose(whole, half, rtol=2.5e-4)


def test_error_falls_with_the_square_of_the_step() -> None:
    """Four times less error for half the step: the scheme is second order where the forces are smooth."""
    damping = _linear_curve(3000.0)
    energies = []
    for step_s in (2e-3, 1e-3, 0.5e-3, 0.0625e-3):
        steps = round(4.0 / step_s)
        times = np.arange(steps) * step_s
        # starts and ends at rest, so that the sum over steps adds no error of its own
        road = (0.02 * np.sin(2.0 * np.pi * 3.0 * times) * np.sin(np.pi * times / 4.0) ** 4)[:, None, None]
        car = QuarterCar([_profile(damping)], _linear_parameters(), 1, step_s)
        trace = car.run(road, _still(steps))
        energies.append(float((trace.force_n * trace.speed_mps).sum() * step_s))
    errors = np.abs(np.array(energies[:3]) - energies[3])
    assert np.all(errors[:-1] / errors[1:] > 3.5)


def test_force_is_that_of_the_profile_times_fade() -> None:
    """The tables must not blur the curve that the engine will use."""
    car = QuarterCar([_profile(DIGRESSIVE)] * 2, _parameters(), 1, STEP_S)
    car.set_temperature(np.full((1, 2), 20.0), np.full((1, 2), 0.9))
    trace = car.run(_rough_road(20_000, STEP_S), _still(20_000, 2))
    speeds, forces = np.array(DIGRESSIVE.speeds_mps), np.array(DIGRESSIVE.forces_n)
    inside = np.abs(trace.speed_mps) <= 3.0
    assert np.mean(inside) > 0.9
    expected = 0.9 * np.interp(trace.speed_mps, speeds, forces)
    np.testing.assert_allclose(trace.force_n[inside], expected[inside], rtol=1e-9, atol=1e-9)
    beyond = trace.speed_mps > 3.0
    assert np.any(beyond)
    slope = (forces[-1] - forces[-2]) / (speeds[-1] - speeds[-2])
    np.testing.assert_allclose(
        trace.force_n[beyond], 0.9 * (forces[-1] + slope * (trace.speed_mps[beyond] - 3.0)), rtol=1e-9
    )


def test_force_by_travel_is_linear_between_entries_and_held_outside() -> None:
    """Bypass zones: three curves over travel on one wheel beside a plain damper on the other."""
    nodes_m, scales = (0.05, 0.1016, 0.1103), (0.6, 1.0, 1.5)
    entries = [
        ForceAt(at, ForceCurve(DIGRESSIVE.speeds_mps, tuple(s * f for f in DIGRESSIVE.forces_n)))
        for at, s in zip(nodes_m, scales, strict=True)
    ]
    car = QuarterCar([_profile(*entries), _profile(DIGRESSIVE)], _parameters(), 1, STEP_S)
    trace = car.run(_rough_road(20_000, STEP_S), _still(20_000, 2))
    inside = np.all(np.abs(trace.speed_mps) <= 3.0, axis=(1, 2))
    travel, speed = trace.travel_m[inside, 0], trace.speed_mps[inside, 0]
    plain = np.interp(speed, DIGRESSIVE.speeds_mps, DIGRESSIVE.forces_n)
    np.testing.assert_allclose(
        trace.force_n[inside, 0, 0], plain[:, 0] * np.interp(travel[:, 0], nodes_m, scales), rtol=1e-7, atol=1e-6
    )
    np.testing.assert_allclose(trace.force_n[inside, 0, 1], plain[:, 1], rtol=1e-9, atol=1e-9)
    assert travel[:, 0].min() < 0.05
    assert travel[:, 0].max() > 0.1103


def test_runs_side_by_side_equal_runs_alone() -> None:
    """The run axis changes nothing, to the last bit, though parameters differ by run."""
    springs, masses = np.array([[60e3], [73e3], [90e3]]), np.array([[480.0], [540.0], [600.0]])
    road = _rough_road(4000, STEP_S)
    together = QuarterCar(
        [_profile(DIGRESSIVE)] * 2, _parameters(spring_n_per_m=springs, sprung_kg=masses), 3, STEP_S
    ).run(road, _still(4000, 2))
    for run in range(3):
        alone = QuarterCar(
            [_profile(DIGRESSIVE)] * 2,
            _parameters(spring_n_per_m=springs[run, 0], sprung_kg=masses[run, 0]),
            1,
            STEP_S,
        ).run(road, _still(4000, 2))
        np.testing.assert_allclose(together.travel_m[:, run], alone.travel_m[:, 0], atol=1e-12)
        np.testing.assert_allclose(together.force_n[:, run], alone.force_n[:, 0], atol=1e-7)
    assert not np.allclose(together.travel_m[:, 0], together.travel_m[:, 1])


def test_parameters_of_a_wrong_shape_are_refused() -> None:
    """Five masses for two wheels can only be a mistake."""
    with pytest.raises(InputError, match="sprung_kg"):
        QuarterCar([_profile(DIGRESSIVE)] * 2, replace(_parameters(), sprung_kg=np.ones(5)), 1, STEP_S)
    with pytest.raises(InputError, match="makes no sense"):
        QuarterCar([], _parameters(), 1, STEP_S)
