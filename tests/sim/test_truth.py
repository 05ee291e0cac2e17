"""Counting of the truth: strokes, bottom-outs, energy, against hand-made and reference series."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from dutylog.domain.vehicle import Vehicle
from dutylog.sim.force_tables import curve_force_n
from dutylog.sim.parameters import generic_parameters
from dutylog.sim.quarter_car import QuarterCar, Trace
from dutylog.sim.roads import Bumps, RoadBelt, RoughRoad
from dutylog.sim.truth import StrokeCounter, TruthCounter

ReadReference = Callable[[str], list[dict[str, str]]]


def _trace(travel_m: np.ndarray) -> Trace:
    zero = np.zeros_like(travel_m)
    return Trace(travel_m, zero, zero, zero, zero, zero)


@pytest.mark.parametrize("gate", ["1.0", "2.0", "5.0", "10.0", "20.0"])
def test_strokes_match_the_reference_gate(gate: str, read_reference: ReadReference, reference_folder: Path) -> None:
    """Counts and lengths of 12 000 samples under five gates, made by another program."""
    summary = json.loads((reference_folder / "05_rainflow_long_b_summary.json").read_text())["gate"][gate]
    signal_mm = np.array([float(row["x_mm"]) for row in read_reference("05_rainflow_long_b_signal.csv")])
    # our gate is 3 mm, so the signal is stretched; a hair more, as ranges of exactly the gate count
    stretch = 3.0 / float(gate) * (1.0 + 1e-9)
    counter = StrokeCounter(1)
    counter.add(signal_mm[:, None] * stretch * 1e-3)
    strokes, _, travel_m = counter.totals()
    assert strokes[0] == summary["strokes"]
    assert travel_m[0] * 1e3 / stretch == pytest.approx(summary["travel_mm"], rel=1e-9)


def test_pieces_of_any_length_count_as_the_whole(read_reference: ReadReference) -> None:
    """A record that comes in pieces must give the same strokes."""
    signal_m = np.array([float(row["x_mm"]) for row in read_reference("05_rainflow_long_b_signal.csv")])[:, None] * 1e-3
    whole = StrokeCounter(1)
    whole.add(signal_m)
    for length in (1, 7, 100, 997):
        pieces = StrokeCounter(1)
        for start in range(0, len(signal_m), length):
            pieces.add(signal_m[start : start + length])
        for ours, theirs in zip(pieces.totals(), whole.totals(), strict=True):
            np.testing.assert_allclose(ours, theirs, rtol=1e-12)


def test_small_motion_is_no_stroke_and_an_open_stroke_counts() -> None:
    """Vibration of 2.9 mm never counts; one way of 3.1 mm does at once."""
    counter = StrokeCounter(2)
    wobble = 0.1 + 1.45e-3 * np.sin(np.linspace(0.0, 100.0, 5000))
    counter.add(np.stack((wobble, np.linspace(0.1, 0.1031, 5000)), axis=1))
    strokes, compression, travel_m = counter.totals()
    assert strokes.tolist() == [0, 1]
    assert compression.tolist() == [0, 1]
    assert travel_m == pytest.approx([0.0, 3.1e-3], abs=1e-12)


def test_bottom_outs_count_once_until_rearmed() -> None:
    """Up-crossings of stroke - 3 mm; chatter that stays above stroke - 6 mm is one bottom-out."""
    stroke_mm = 254.0
    path = [100, 252, 249, 252, 247.9, 251, 251.5, 248, 250.9, 251, 100, 253]
    expected_after = [0, 1, 1, 1, 1, 2, 2, 2, 2, 2, 2, 3]
    counter = TruthCounter(np.array([stroke_mm / 1e3]), (1, 1), 1e-3)
    zero = np.zeros((1, 1))
    for value, expected in zip(path, expected_after, strict=True):
        counter.add(_trace(np.full((1, 1, 1), value / 1e3)), None)
        assert counter.snapshot(0.0, zero, zero, zero, zero).bottom_outs[0, 0] == expected
    whole = TruthCounter(np.array([stroke_mm / 1e3]), (1, 1), 1e-3)
    whole.add(_trace(np.array(path)[:, None, None] / 1e3), None)
    assert whole.snapshot(0.0, zero, zero, zero, zero).bottom_outs[0, 0] == 3


def test_energy_agrees_with_the_travel_alone(demo_vehicle: Vehicle) -> None:
    """Energy, sliding and peaks, worked out anew from nothing but the true travel."""
    profiles = [demo_vehicle.profile_of(damper) for damper in demo_vehicle.dampers]
    step_s, steps = 0.25e-3, 80_000
    car = QuarterCar(profiles, generic_parameters(demo_vehicle).suspension, 1, step_s)
    rng = np.random.default_rng(6)
    road = RoughRoad("E", 0.7).elevation_m(8000, 0.05, rng) + Bumps(60.0, 0.12, 1.8).elevation_m(8000, 0.05, rng)
    heights = RoadBelt(0.05, road[None]).heights_m(
        16.0 * np.arange(steps) * step_s, np.array([0, 1, 0, 1]), np.array([0.0, 0.0, 3.1, 3.1])
    )
    trace = car.run(heights, np.zeros((steps, 1, 4)))
    counter = TruthCounter(np.array([p.stroke_m for p in profiles]), (1, 4), step_s)
    counter.add(trace, None)
    truth = counter.snapshot(20.0, *(np.zeros((1, 4)) for _ in range(4)))
    travel_m = trace.travel_m[:, 0]
    between_mps = np.diff(travel_m, axis=0) / step_s
    for wheel, profile in enumerate(profiles):
        power_w = curve_force_n(profile.force[0].curve, between_mps[:, wheel]) * between_mps[:, wheel]
        compressing = between_mps[:, wheel] > 0.0
        # two second-order sums on different points
        assert truth.energy_compression_j[0, wheel] == pytest.approx((power_w * compressing).sum() * step_s, rel=2e-4)
        assert truth.energy_rebound_j[0, wheel] == pytest.approx((power_w * ~compressing).sum() * step_s, rel=2e-4)
    np.testing.assert_allclose(truth.shaft_travel_m[0], np.abs(np.diff(travel_m, axis=0)).sum(axis=0), rtol=1e-4)
    np.testing.assert_allclose(truth.peak_compression_mps[0], between_mps.max(axis=0), rtol=5e-3)
    np.testing.assert_allclose(truth.peak_rebound_mps[0], -between_mps.min(axis=0), rtol=5e-3)
