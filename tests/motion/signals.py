"""Travel with a closed form, the sensors that read it, and the laws that reference/06 integrates."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np

from dutylog.motion.shaft_speed import ShaftSpeedEstimator, TileShape

REFERENCE = Path(__file__).parents[1] / "data" / "reference"

C_NSPM, K_NS2PM2, COULOMB_N = 1500.0, 900.0, 60.0
"""Constants of reference/06: linear, quadratic and Coulomb damping."""
ADC12_STEP_MM = 300.0 / 4095
ADC16_STEP_MM = 300.0 / 65535
"""Steps of converters that read a 300 mm sensor with 12 and 16 bits."""


def read_table(name):
    """Return the rows of a reference table as dictionaries of floats, texts where they are none."""
    with (REFERENCE / name).open() as file:
        return [
            {key: _number(value) for key, value in row.items()}
            for row in csv.DictReader(line for line in file if not line.startswith("#"))
        ]


def read_json(name):
    return json.loads((REFERENCE / name).read_text())


def _number(text):
    try:
        return float(text)
    except ValueError:
        return text


def tones(rate_hz, seconds, *parts, middle_mm=120.0):
    """Return travel [m] of a sum of sines (amplitude mm, Hz, phase), with a halo of 4 s before and after."""
    time_s = np.arange(-4 * rate_hz, (seconds + 4) * rate_hz) / rate_hz
    travel_mm = middle_mm + sum(a * np.sin(2 * np.pi * f * time_s + phase) for a, f, phase in parts)
    return travel_mm * 1e-3


def read_by_sensor(travel_m, step_mm, noise_mm, seed=1):
    """Return what a converter of that step and noise (rms) makes of travel."""
    noisy_mm = travel_m * 1e3 + np.random.default_rng(seed).normal(0.0, noise_mm, len(travel_m))
    return np.rint(noisy_mm / step_mm) * step_mm * 1e-3


def prepare_tiles(signal_m, rate_hz, seconds):
    """Return prepared travel, speed and noise of `seconds` tiles, the first 4 s after the signal's start."""
    shape = TileShape.for_rate(rate_hz)
    estimator = ShaftSpeedEstimator(shape, 1.0 / rate_hz)
    parts = []
    for tile in range(4, 4 + seconds):
        start = tile * shape.n - shape.past
        parts.append(estimator.prepare(signal_m[None, start : start + shape.length], 1.0 / rate_hz))
    travel, speed, noise = zip(*parts, strict=True)
    # In double precision from here on, so that sums over a minute of samples are as good as the samples.
    travel, speed = (np.concatenate(part, axis=1)[0].astype(np.float64) for part in (travel, speed))
    return travel, speed, np.concatenate(noise)


def energies_j(speed_mps, rate_hz):
    """Return the energy [J] that linear, quadratic and Coulomb damping turn to heat."""
    size = np.abs(speed_mps)
    sums = (C_NSPM * size**2).sum(), (K_NS2PM2 * size**3).sum(), (COULOMB_N * size).sum()
    return tuple(float(s) / rate_hz for s in sums)


def central_difference(signal_m, rate_hz, seconds):
    """Return the plain differentiated speed of the same tiles."""
    speed = (np.roll(signal_m, -1) - np.roll(signal_m, 1)) * rate_hz / 2
    return speed[4 * rate_hz : (4 + seconds) * rate_hz]
