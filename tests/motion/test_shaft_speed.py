"""Shaft speed: energies with a closed form, read through real converters, against reference/06."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.errors import InputError
from dutylog.motion.shaft_speed import ShaftSpeedEstimator, TileShape
from motion.signals import (
    ADC12_STEP_MM,
    ADC16_STEP_MM,
    C_NSPM,
    central_difference,
    energies_j,
    prepare_tiles,
    read_by_sensor,
    read_json,
    read_table,
    tones,
)

RATE_HZ = 1000
SECONDS = 4
EXACT = (1e-9, 0.0)
ADC16 = (ADC16_STEP_MM, 0.02)
ADC12 = (ADC12_STEP_MM, ADC12_STEP_MM)
ADC12_NOISY = (ADC12_STEP_MM, 3 * ADC12_STEP_MM)
"""Converter step and noise [mm rms]: the sensor grades of the recordings in tests/data/cases."""
SINES = read_table("06_energy_sine.csv")


def errors_of_sine(row, sensor):
    """Return the relative energy errors (linear, quadratic, Coulomb) and the prepared speed of one table row."""
    signal = read_by_sensor(tones(RATE_HZ, SECONDS, (row["amplitude_mm"], row["freq_hz"], 0.3)), *sensor)
    _, speed, _ = prepare_tiles(signal, RATE_HZ, SECONDS)
    cycles = row["freq_hz"] * SECONDS
    true = [row[f"E_{law}_j_per_cycle"] * cycles for law in ("linear", "quadratic", "coulomb")]
    return [ours / truth - 1 for ours, truth in zip(energies_j(speed, RATE_HZ), true, strict=True)], speed


@pytest.mark.parametrize(
    ("sensor", "limits"),
    [
        # Noise-free: the reference's own tolerance. Coulomb: its kink at v = 0 is hit by whole samples only.
        pytest.param(EXACT, (1e-6, 1e-6, 1e-4), id="exact"),
        # What 4 s of noise leave at 5 mm amplitude: measured at most 3.7e-4 and 1.4e-3 over all rows.
        pytest.param(ADC16, (5e-4, 5e-4, 5e-4), id="adc16"),
        pytest.param(ADC12, (2e-3, 2e-3, 2e-3), id="adc12"),
    ],
)
def test_sine_closed_form(sensor, limits):
    """reference/06_energy_sine: three damping laws, 5..100 mm, 0.5..15 Hz, any phase against the tiles."""
    assert len(SINES) == 63
    for row in SINES:
        errors, _ = errors_of_sine(row, sensor)
        for error, limit in zip(errors, limits, strict=True):
            assert abs(error) < limit, (row["amplitude_mm"], row["freq_hz"], errors)


@pytest.mark.parametrize("row", SINES, ids=lambda row: f"{row['amplitude_mm']:g}mm-{row['freq_hz']:g}Hz")
def test_noise_free_peak_and_rms_of_speed_are_those_of_the_sine(row):
    _, speed = errors_of_sine(row, EXACT)
    assert np.sqrt(np.mean(speed**2)) == pytest.approx(row["rms_velocity_mps"], rel=1e-6)
    # A window of 2 s holds one wave of 0.5 Hz: its crest is 1.22e-6 too high even in double precision throughout.
    limit = 1.5e-6 if row["freq_hz"] == 0.5 else 1e-6
    # The crest falls between two samples: at most 1 - cos(pi f / rate), 0.11 % at 15 Hz.
    assert row["peak_velocity_mps"] * (1 - 0.0012) < np.abs(speed).max() < row["peak_velocity_mps"] * (1 + limit)


def test_what_a_window_keeps_of_a_quiet_band_does_not_depend_on_how_strong_the_rest_is():
    """Sums of power that take one running total from another leave 1e-16 of the strongest bin everywhere.

    A slow wave read without noise then loses bins that lie 150 dB below it, others when it is twenty times as strong:
    the two differ by 1.4e-5. What is left here is single precision, measured 4.7e-7.
    """
    weak, strong = (prepare_tiles(tones(RATE_HZ, 1, (a, 0.5, 0.3)), RATE_HZ, 1)[1] for a in (5.0, 100.0))
    assert np.abs(strong / 20 - weak).max() < 2e-6 * np.abs(weak).max()


@pytest.mark.parametrize("case", read_json("06_energy_two_tone.json")["cases"], ids=lambda case: f"{case['A1_mm']}mm")
@pytest.mark.parametrize(("sensor", "limit"), [(EXACT, 1e-6), (ADC16, 3e-4), (ADC12, 6e-4)], ids=["exact", "16", "12"])
def test_two_tones_cost_what_their_integral_says(case, sensor, limit):
    """A slow large and a fast small tone together, where F(v) v mixes them; measured 1.7e-4 and 4.3e-4."""
    seconds = int(case["duration_s"])
    slow, fast = (case["A1_mm"], case["f1_hz"], 0.0), (case["A2_mm"], case["f2_hz"], case["phase2_rad"])
    signal = tones(RATE_HZ, seconds, slow, fast)
    _, speed, _ = prepare_tiles(read_by_sensor(signal, *sensor), RATE_HZ, seconds)
    linear, quadratic, _ = energies_j(speed, RATE_HZ)
    assert linear == pytest.approx(case["E_linear_j"], rel=limit)
    assert quadratic == pytest.approx(case["E_quadratic_j"], rel=limit)
    # Plain differences of noise-free samples lose more than this from the best of our sensors.
    plain, _, _ = energies_j(central_difference(signal, RATE_HZ, seconds), RATE_HZ)
    assert plain == pytest.approx(case["sampled_central_difference"]["1000"]["E_linear_j"], rel=1e-9)
    assert 1 - plain / case["E_linear_j"] > limit


def test_nothing_is_lost_to_sampling():
    """reference/06_sampling_energy_loss: where plain differences lose up to 95 %, less than a 50th of that is lost."""
    rows = read_table("06_sampling_energy_loss.csv")
    assert len(rows) == 49
    for row in rows:
        rate_hz, freq_hz = int(row["sample_rate_hz"]), row["signal_freq_hz"]
        signal = read_by_sensor(tones(rate_hz, SECONDS, (10.0, freq_hz, 0.3)), *EXACT)
        true_j = C_NSPM / 2 * (0.010 * 2 * np.pi * freq_hz) ** 2 * SECONDS
        plain = energies_j(central_difference(signal, rate_hz, SECONDS), rate_hz)[0] / true_j
        assert plain == pytest.approx(row["energy_ratio_central_difference"], abs=1e-6), row
        ours = energies_j(prepare_tiles(signal, rate_hz, SECONDS)[1], rate_hz)[0] / true_j
        # Where plain differences lose next to nothing, single precision (spacing 2**-23) sets the limit.
        limit = max(min(1e-4, (1 - row["energy_ratio_central_difference"]) / 50), 2.0**-23)
        assert abs(ours - 1) < limit, row


@pytest.mark.parametrize(
    "case", read_json("06_noise_power_bias.json")["cases"], ids=lambda c: str(list(c.values())[3:5])
)
def test_a_standing_shaft_earns_nothing(case):
    """reference/06_noise_power_bias: 0.15..31 W that never happened; measured 0.1..2 mW for all three laws together."""
    rate_hz, noise_mm, seconds = case["fs_hz"], case["noise_rms_mm"], 30
    signal = read_by_sensor(np.full((seconds + 8) * rate_hz, 0.12), ADC16_STEP_MM, noise_mm)
    plain_w = [e / seconds for e in energies_j(central_difference(signal, rate_hz, seconds), rate_hz)]
    told = case["central"]
    assert plain_w[0] == pytest.approx(told["P_linear_w"], rel=0.05)
    assert plain_w[2] == pytest.approx(told["P_coulomb_w"], rel=0.05)
    _, speed, noise = prepare_tiles(signal, rate_hz, seconds)
    assert sum(energies_j(speed, rate_hz)) / seconds < 0.004
    assert noise.mean() == pytest.approx(noise_mm * 1e-3, rel=0.03)


@pytest.mark.parametrize("hum_hz", [49.8, 50.0, 60.0, 60.2])
@pytest.mark.parametrize("amplitude_mm", [0.1, 0.7])
def test_mains_hum_is_taken_out(hum_hz, amplitude_mm):
    """A wire beside an inverter: 50 to 155 W of hum and noise on a standing shaft become about 1 mW."""
    seconds = 8
    time_s = np.arange(-4 * RATE_HZ, (seconds + 4) * RATE_HZ) / RATE_HZ
    hum_m = amplitude_mm * 1e-3 * np.sin(2 * np.pi * hum_hz * time_s + 0.5)
    hum_m += 0.3 * amplitude_mm * 1e-3 * np.sin(6 * np.pi * hum_hz * time_s + 1.0)
    still = read_by_sensor(np.full(len(time_s), 0.12) + hum_m, *ADC12_NOISY)
    assert sum(energies_j(central_difference(still, RATE_HZ, seconds), RATE_HZ)) / seconds > 40
    assert sum(energies_j(prepare_tiles(still, RATE_HZ, seconds)[1], RATE_HZ)) / seconds < 0.003
    # Beside a real stroke: what is left is the error of the noise alone, measured 0.26 % at most.
    moving = tones(RATE_HZ, seconds, (20.0, 1.5, 0.0), (4.0, 11.0, 1.0))
    _, speed, _ = prepare_tiles(read_by_sensor(moving + hum_m, *ADC12_NOISY), RATE_HZ, seconds)
    _, true, _ = prepare_tiles(moving, RATE_HZ, seconds)
    for ours_j, true_j in zip(energies_j(speed, RATE_HZ), energies_j(true, RATE_HZ), strict=True):
        assert ours_j == pytest.approx(true_j, rel=5e-3)


def test_a_real_stroke_at_mains_frequency_stays_when_it_is_no_narrow_line():
    """Hum is a line; a wheel that hits something has power around 50 Hz on both sides and keeps it."""
    seconds = 2
    time_s = np.arange(-4 * RATE_HZ, (seconds + 4) * RATE_HZ) / RATE_HZ

    def burst(instants_s):
        return 0.003 * np.exp(-(((instants_s - 1.0) / 0.03) ** 2)) * np.sin(2 * np.pi * 50 * instants_s)

    _, speed, _ = prepare_tiles(read_by_sensor(0.12 + burst(time_s), *ADC16), RATE_HZ, seconds)
    true = np.gradient(burst(np.arange(0, seconds, 1e-5)), 1e-5)
    # Measured 6e-5; cut out as if it were a line, 42 % of it would be gone.
    assert energies_j(speed, RATE_HZ)[0] == pytest.approx(C_NSPM * float(np.sum(true**2)) * 1e-5, rel=5e-4)


def test_motion_little_above_the_noise_keeps_its_energy():
    """Travel of 0.3 mm under noise of 0.22 mm: the gain must leave the power, not the best guess of the wave.

    Ten times the noise at each frequency up to 20 Hz. Measured -1.8 to +2.4 % by draw; a gain of
    1 - N / P, not its root, would lose 7 to 11 %.
    """
    seconds, noise_m = 60, 0.22e-3
    n = (seconds + 8) * RATE_HZ
    freq_hz = np.fft.rfftfreq(n, 1 / RATE_HZ)
    errors = []
    for seed in range(4):
        spectrum = np.fft.rfft(np.random.default_rng(seed).normal(0, noise_m * np.sqrt(10), n))
        spectrum[(freq_hz < 0.5) | (freq_hz > 20)] = 0
        motion = 0.12 + np.fft.irfft(spectrum, n)
        seen = motion + np.random.default_rng(seed + 99).normal(0, noise_m, n)
        ours, true = (energies_j(prepare_tiles(s, RATE_HZ, seconds)[1], RATE_HZ)[0] for s in (seen, motion))
        errors.append(ours / true - 1)
    assert max(abs(e) for e in errors) < 0.04
    assert abs(sum(errors)) / len(errors) < 0.02


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 3), st.integers(0, 2**32 - 1))
def test_a_tile_depends_on_its_window_alone(tiles_before, seed):
    """Whole tiles of something else in front, and rows of another damper beside, change no bit."""
    rng = np.random.default_rng(seed)
    shape = TileShape.for_rate(RATE_HZ)
    estimator = ShaftSpeedEstimator(shape, 1e-3)
    signal = np.cumsum(rng.normal(0, 1e-4, (1, 6 * RATE_HZ)), axis=1)
    shifted = np.concatenate([rng.normal(0, 0.1, (1, tiles_before * RATE_HZ)), signal], axis=1)
    alone = estimator.prepare(signal[:, 2000 - shape.past :][:, : shape.length], 1e-3)
    start = (2 + tiles_before) * RATE_HZ - shape.past
    moved = shifted[:, start : start + shape.length]
    other = rng.normal(0.1, 0.05, (2, shape.length))
    for got in (estimator.prepare(moved, 1e-3), estimator.prepare(np.concatenate([moved, other]), 1e-3)):
        assert all(np.array_equal(ours[:1], want) for ours, want in zip(got, alone, strict=True))


def test_tiles_in_one_go_are_those_of_one_by_one_to_the_bit():
    """More tiles than are worked through at once, with hum to be taken out of some windows and a row without motion."""
    rng = np.random.default_rng(5)
    shape, tiles = TileShape.for_rate(RATE_HZ), 29
    samples = (tiles - 1) * shape.n + shape.length
    time_s = np.arange(samples) / RATE_HZ
    signal = np.cumsum(rng.normal(0, 2e-4, (3, samples)), axis=1) + rng.normal(0, 7e-5, (3, samples))
    signal[1] = 0.12 + 2e-4 * np.sin(2 * np.pi * 50 * time_s) * (time_s > 11) + rng.normal(0, 7e-5, samples)
    signal[2, samples // 2 :] = 0.0
    windows = np.lib.stride_tricks.sliding_window_view(signal, shape.length, axis=1)[:, :: shape.n]
    whole = ShaftSpeedEstimator(shape, 1e-3).prepare(windows, 1e-3)
    for rows, step in ((slice(None), 1), (slice(1, 2), 7), (slice(0, 2), 13), (slice(1, 3), tiles)):
        estimator = ShaftSpeedEstimator(shape, 1e-3)
        parts = [estimator.prepare(windows[rows, start : start + step], 1e-3) for start in range(0, tiles, step)]
        for want, got in zip(whole, zip(*parts, strict=True), strict=True):
            assert np.array_equal(want[rows], np.concatenate(got, axis=1))


def test_a_channel_of_nothing_stays_nothing_beside_the_largest_there_is():
    """No power at all, none but rounding, and all of a metre at half the rate: single precision holds each of them."""
    shape = TileShape.for_rate(RATE_HZ)
    window = np.zeros((3, shape.length))
    window[1] = 0.12
    window[2, ::2] = 1.0
    travel, speed, noise = ShaftSpeedEstimator(shape, 1e-3).prepare(window, 1e-3)
    assert not travel[0].any()
    assert not speed[0].any()
    assert noise[0] == 0.0
    assert np.abs(travel[1] - np.float32(0.12)).max() <= 2.0**-27
    assert np.abs(speed[1]).max() < 1e-12
    # Half a metre either side; single precision of what is half a metre after it was a sum of 2048.
    assert np.abs(travel[2] - window[2, shape.past : shape.past + shape.n]).max() < 1e-6


@pytest.mark.parametrize("rate_hz", [50, 60, 100, 125, 200, 333, 500, 860, 997, 1000, 1024, 1025, 2000, 5000, 20000])
def test_window_is_a_power_of_two_of_at_least_two_tiles(rate_hz):
    shape = TileShape.for_rate(rate_hz)
    assert shape.n == rate_hz
    assert shape.past + shape.n + shape.future == shape.length
    assert shape.length & (shape.length - 1) == 0
    assert 2 * shape.n <= shape.length < 4 * shape.n
    # More is known of the past than of the future; a tile waits at most 1.3 s for its end.
    assert shape.past >= shape.future
    assert shape.future / rate_hz < 1.3


def test_lag_at_one_kilohertz_is_what_the_module_says():
    assert TileShape.for_rate(1000) == TileShape(n=1000, length=2048, past=598, future=450)


@pytest.mark.parametrize("rate_hz", [1, 2, 7, 20])
def test_a_slow_sensor_still_has_a_window_to_look_at(rate_hz):
    assert TileShape.for_rate(rate_hz).length == 64


@pytest.mark.parametrize("rate_hz", [0, -1])
def test_a_rate_below_one_sample_a_second_is_refused(rate_hz):
    with pytest.raises(InputError, match="samples_per_second"):
        TileShape.for_rate(rate_hz)


@pytest.mark.parametrize("dt_s", [0.0, -1e-3, float("nan")])
def test_a_spacing_that_is_no_time_is_refused(dt_s):
    with pytest.raises(InputError, match="dt_s"):
        ShaftSpeedEstimator(TileShape.for_rate(1000), dt_s)


@pytest.mark.parametrize("length", [0, 2047, 2049])
def test_a_window_of_another_length_is_refused(length):
    estimator = ShaftSpeedEstimator(TileShape.for_rate(1000), 1e-3)
    with pytest.raises(InputError, match=f"window of {length} samples, expected 2048"):
        estimator.prepare(np.zeros((1, length)), 1e-3)
