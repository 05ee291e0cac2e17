"""Damping force: the curve as it stands, beyond its ends, by travel and by temperature; energies of reference/06."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.domain.vehicle import ForceAt, ForceCurve, Profile
from dutylog.duty.force import ForceTable, ForceTables
from dutylog.duty.speed_cells import find_cells
from motion.signals import ADC12_STEP_MM, ADC16_STEP_MM, prepare_tiles, read_by_sensor, read_table, tones

CURVE = ForceCurve((-2.0, -0.5, 0.0, 0.5, 2.0), (-4000.0, -1900.0, 0.0, 900.0, 2400.0))
HARD = ForceCurve((-1.0, 0.0, 1.0), (-6000.0, 0.0, 5000.0))
KNEE_MPS = 1e-9
"""Coulomb friction is a jump; a curve needs strictly rising speeds, so it jumps within this."""


def profile(*force, fade_per_k=0.002, reference_c=40.0):
    return Profile("plain", 0.254, 0.022, 0.06, 1.1, 3.5, 4000.0, force, fade_per_k, reference_c, 120.0)


def table(*force, **options):
    return ForceTable(profile(*force, **options))


ONE = table(ForceAt(0.0, CURVE))
ZONES = table(ForceAt(0.050, CURVE), ForceAt(0.150, HARD), ForceAt(0.160, CURVE))


def force_of(forces, speeds, travels=0.1):
    speeds = np.asarray(speeds, dtype=float)
    return forces.compute_force_n(speeds, np.broadcast_to(np.asarray(travels, dtype=float), speeds.shape)).tolist()


def test_points_of_the_curve_are_met():
    assert force_of(ONE, CURVE.speeds_mps) == pytest.approx(list(CURVE.forces_n), abs=1e-9)


def test_between_points_force_is_linear():
    assert force_of(ONE, [-1.25, -0.25, 0.25, 1.25]) == pytest.approx([-2950.0, -950.0, 450.0, 1650.0])


def test_beyond_the_ends_the_end_slopes_go_on():
    """A hit of 6 m/s passes the end of most curves; cutting force off there would hide its heat."""
    assert force_of(ONE, [-5.0, 6.0]) == pytest.approx([-4000 - 3 * 1400, 2400 + 4 * 1000])


@given(st.floats(-50, 50))
def test_arrays_and_the_single_value_of_the_curve_agree(speed):
    assert force_of(ONE, [speed])[0] == pytest.approx(CURVE.compute_force_n(speed), rel=1e-9, abs=1e-6)


def test_one_curve_doesnt_look_at_travel():
    assert force_of(ONE, [0.7, 0.7, 0.7], [-1.0, 0.1, float("nan")]) == force_of(ONE, [0.7, 0.7, 0.7])


@pytest.mark.parametrize("speed", [-1.4, -0.2, 0.3, 0.9, 3.0])
def test_by_travel_force_is_linear_at_constant_speed(speed):
    low, high = CURVE.compute_force_n(speed), HARD.compute_force_n(speed)
    forces = force_of(ZONES, [speed] * 5, [0.050, 0.075, 0.100, 0.125, 0.150])
    assert forces == pytest.approx([low + k / 4 * (high - low) for k in range(5)])
    assert force_of(ZONES, [speed], [0.155]) == pytest.approx([(low + high) / 2])


def test_by_travel_force_is_held_outside_the_first_and_last_entry():
    forces = force_of(ZONES, [1.0, 1.0, 1.0, 1.0], [-0.01, 0.050, 0.160, 0.254])
    assert forces == pytest.approx([CURVE.compute_force_n(1.0)] * 4)


def test_each_sample_gets_the_curve_of_its_own_travel():
    """Samples of a tile lie in different zones; a slip of the index would swap them."""
    rng = np.random.default_rng(5)
    speeds, travels = rng.uniform(-3, 3, 500), rng.uniform(-0.01, 0.26, 500)
    together = force_of(ZONES, speeds, travels)
    assert together == [force_of(ZONES, [v], [x])[0] for v, x in zip(speeds, travels, strict=True)]


@given(st.floats(-5, 5), st.floats(-0.02, 0.3))
def test_power_is_never_negative(speed, travel):
    """A damper only brakes: heat can't be taken back."""
    assert force_of(ZONES, [speed], [travel])[0] * speed >= 0


def test_fade_follows_the_contract():
    """Force x (1 - fade_per_k x max(0, T_body - reference)): nothing below the reference, a fifth at 100 K above."""
    fade = ONE.compute_fade_ratio(np.array([-20.0, 40.0, 41.0, 140.0]))
    assert fade.tolist() == pytest.approx([1.0, 1.0, 0.998, 0.8])


def test_fade_stops_at_no_force_at_all():
    assert table(ForceAt(0.0, CURVE), fade_per_k=0.02).compute_fade_ratio(np.array([400.0])).tolist() == [0.0]


def test_an_unknown_temperature_doesnt_fade():
    assert ONE.compute_fade_ratio(np.array([np.nan, 90.0])).tolist() == pytest.approx([1.0, 0.9])


def law_of(row):
    """Return a row's piecewise law as our curve; the reference counts rebound positive, we compression."""
    coulomb = row["coulomb_n"]
    compression = _branch(row["c_compression_low"], row["c_compression_high"], row["v_knee_compression"], coulomb)
    rebound = _branch(row["c_rebound_low"], row["c_rebound_high"], row["v_knee_rebound"], coulomb)
    points = [(-v, -f) for v, f in reversed(rebound)] + ([] if coulomb else [(0.0, 0.0)]) + compression
    return ForceCurve(*zip(*points, strict=True))


def _branch(low, high, knee, coulomb):
    start = [(KNEE_MPS, coulomb + low * KNEE_MPS)] if coulomb else []
    return [*start, (knee, coulomb + low * knee), (knee + 1.0, coulomb + low * knee + high)]


PIECEWISE = read_table("06_energy_piecewise.csv")


def energies_of(forces, speed, rate_hz):
    """Return compression and rebound energy [J]."""
    power = np.array(force_of(forces, speed)) * speed
    return float(power[speed > 0].sum()) / rate_hz, float(power[speed < 0].sum()) / rate_hz


def test_piecewise_laws_give_the_forces_and_energies_of_the_reference():
    """reference/06_energy_piecewise: both laws, each energy by direction, to the tolerance the reference states."""
    assert len(PIECEWISE) == 60
    phase = (np.arange(200_000) + 0.5) / 200_000
    for row in PIECEWISE:
        forces, peak = table(ForceAt(0.0, law_of(row))), row["peak_velocity_mps"]
        expected = [-row["F_at_minus_peak_v_n"], -row["F_at_plus_peak_v_n"]]
        assert force_of(forces, [peak, -peak]) == pytest.approx(expected, rel=1e-8), row
        speed = peak * np.cos(2 * np.pi * phase)
        compression, rebound = energies_of(forces, speed, len(phase) * row["freq_hz"])
        assert compression == pytest.approx(row["E_compression_j"], rel=1e-6), row
        assert rebound == pytest.approx(row["E_rebound_j"], rel=1e-6), row


@pytest.mark.parametrize(
    ("sensor", "limit"),
    # What 4 s of noise leave at 5 mm amplitude and the knee of the curve; measured 5.0e-4 and 2.1e-3.
    [((ADC16_STEP_MM, 0.02), 1e-3), ((ADC12_STEP_MM, ADC12_STEP_MM), 3e-3)],
    ids=["adc16", "adc12"],
)
def test_piecewise_energies_come_out_of_a_noisy_sensor(sensor, limit):
    """From counts to joules: the same table through a 12- or 16-bit converter with noise at 1 kHz."""
    for row in PIECEWISE:
        signal = read_by_sensor(tones(1000, 4, (row["amplitude_mm"], row["freq_hz"], 0.3)), *sensor)
        _, speed, _ = prepare_tiles(signal, 1000, 4)
        ours = energies_of(table(ForceAt(0.0, law_of(row))), speed, 1000)
        cycles = 4 * row["freq_hz"]
        assert ours[0] == pytest.approx(cycles * row["E_compression_j"], rel=limit), row
        assert ours[1] == pytest.approx(cycles * row["E_rebound_j"], rel=limit), row


def profiles_of_all_kinds():
    """Return profiles of one curve, of several by travel, and of one whose points lie between cells."""
    crooked = ForceCurve((-2.0, -0.12345, 0.0, 0.33333, 2.0), (-5000.0, -900.0, 0.0, 1200.0, 4000.0))
    profiles = [
        profile(ForceAt(0.0, CURVE)),
        profile(ForceAt(0.0, CURVE), ForceAt(0.2, HARD)),
        profile(ForceAt(0.0, crooked)),
    ]
    return [profiles[kind] for kind in (0, 1, 0, 2, 1)]


def speeds_and_travels():
    """Return single floats as they come from the estimator, (5, 4000) each."""
    rng = np.random.default_rng(4)
    return rng.normal(0, 2, (5, 4000)).astype(np.float32), rng.uniform(-0.05, 0.3, (5, 4000)).astype(np.float32)


def test_tables_of_several_profiles_give_what_each_gives_alone():
    """To the bit, fade and a missing body too."""
    profiles, (speeds, travels) = profiles_of_all_kinds(), speeds_and_travels()
    body_c = np.array([[np.nan, 20.0, 90.0, 200.0]] * 5)
    tables = ForceTables(profiles)
    forces, fades = tables.compute_force_n(speeds, travels, find_cells(speeds)), tables.compute_fade_ratio(body_c)
    assert forces.dtype == np.float32
    for row, one in enumerate(profiles):
        assert np.array_equal(forces[row], ForceTable(one, np.float32).compute_force_n(speeds[row], travels[row]))
        assert np.array_equal(fades[row], ForceTable(one).compute_fade_ratio(body_c[row]))


def test_forces_in_single_precision_are_those_in_double():
    """Within five roundings of the largest number on the way, which is below 50 kN here; each is 2^-24 of it."""
    profiles, (speeds, travels) = profiles_of_all_kinds(), speeds_and_travels()
    forces = ForceTables(profiles).compute_force_n(speeds, travels, find_cells(speeds))
    for row, one in enumerate(profiles):
        exact = ForceTable(one).compute_force_n(speeds[row].astype(np.float64), travels[row].astype(np.float64))
        assert forces[row] == pytest.approx(exact, abs=5 * 2.0**-24 * 50_000)


def test_a_curve_with_points_between_cells_is_met_in_every_cell():
    """Against numpy's own interpolation."""
    profiles, (speeds, travels) = profiles_of_all_kinds(), speeds_and_travels()
    curve, inside = profiles[3].force[0].curve, np.abs(speeds[3]) < 2.0
    forces = ForceTables(profiles).compute_force_n(speeds, travels, find_cells(speeds))[3, inside]
    exact = np.interp(speeds[3, inside].astype(np.float64), curve.speeds_mps, curve.forces_n)
    assert forces == pytest.approx(exact, abs=5 * 2.0**-24 * 50_000)
