"""A damper on a bench: energy from travel alone against the measured loop integral, strokes against the drive.

Data: see open_data/bench.py. What a force-over-speed curve can and can't reproduce of this damper, whose
force is mostly friction, stands with every figure in shared/OPEN_DATA.md.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from open_data.bench import SITTINGS, bench_results, load_sittings

TABLE = Path(__file__).resolve().parents[2] / "shared" / "OPEN_DATA.md"

HELD_OUT_LIMIT = 0.04
"""Worst held-out run measured: 2.9 %. The curve leaves 11 to 15 % of the force (rms) unexplained, because
after a reversal the force lags behind the speed over a fixed piece of travel; that piece weighs more in a
short stroke, so runs err with their stroke. No numerical limit: see FITTED_LIMIT."""
FITTED_LIMIT = 0.001
"""Worst sitting measured: 0.04 %. Over its fitted runs together a least-squares curve keeps the energy
exactly (bench.fit_curve), so this is the error of speed estimation and integration alone."""


def relative_sum(results):
    return sum(r.ours["energy_j"] for r in results) / sum(r.measured_j for r in results) - 1.0


def held_out(results):
    chosen = [r for r in results if not r.was_fitted]
    assert len(chosen) == 15
    return chosen


def test_energy_of_runs_the_curve_never_saw():
    for r in held_out(bench_results()):
        assert abs(r.error) < HELD_OUT_LIMIT, (r.run.name, r.error)


def test_fitted_runs_together_keep_their_energy():
    """What is left is our own doing: speed from 100 Hz travel in steps of 5 um, and the sum of F v."""
    for sitting in SITTINGS:
        results = [r for r in bench_results() if r.sitting == sitting and r.was_fitted]
        assert abs(relative_sum(results)) < FITTED_LIMIT, sitting


def test_a_curve_a_tenth_too_strong_is_found_out():
    """The check above must be able to fail: 10 % of force shows in every run that was held out."""
    stronger = bench_results(1.1)
    assert all(abs(r.error) > HELD_OUT_LIMIT for r in held_out(stronger))
    for r, plain in zip(stronger, bench_results(), strict=True):
        assert r.ours["energy_j"] == pytest.approx(1.1 * plain.ours["energy_j"], rel=1e-4)


def test_a_straight_line_cant_stand_for_friction():
    """F = c v fitted to the same runs takes the short strokes of the stiffest sitting a fifth too low.

    Shows that the points of a curve at low speed carry the energy here.
    """
    stiff = [r for r in held_out(bench_results(1.0, (1.0,))) if r.sitting == "3.21 V"]
    assert stiff[0].error > 0.08
    assert stiff[-1].error < -0.18


def test_strokes_are_twice_the_drives_cycles():
    """Known frequency x 2 x time in motion.

    Within 2: the frequency is stated to half a line of the run's spectrum, 1 / (2 T), which is one
    stroke in T seconds, and the first and last stroke are cut anywhere.
    """
    for r in bench_results():
        assert abs(r.ours["strokes"] - 2.0 * r.run.freq_hz * r.run.moving_s) <= 2.0, r.run.name
        assert abs(2 * r.ours["compression_strokes"] - r.ours["strokes"]) <= 1, r.run.name


def test_every_stroke_crosses_the_middle_once():
    """The same count from the travel itself, sharper: only the two cut strokes may not reach the middle."""
    for r in bench_results():
        crossings = int(np.diff(r.run.travel_m > 0).sum())
        assert 0 <= r.ours["strokes"] - crossings <= 2, r.run.name


def test_sliding_is_the_sum_of_travel_steps():
    """Steps of 5 um at 100 Hz carry next to no noise, so plain addition is the reference. Measured: 0.044 %."""
    for r in bench_results():
        assert r.ours["shaft_travel_m"] == pytest.approx(r.run.sliding_m, rel=0.001), r.run.name


def test_a_healthy_bench_reports_no_fault_and_measures_all_the_time():
    for r in bench_results():
        duration_s = r.run.instants_s[-1] - r.run.instants_s[0]
        assert r.ours["faults"] == [], r.run.name
        assert r.ours["measured_s"] == pytest.approx(duration_s, abs=0.02), r.run.name


def test_speed_as_recorded_is_the_change_of_travel():
    """Units of the file (mm, mm/s) come from its source's own inference; a wrong one would make all of this void."""
    for runs in load_sittings().values():
        for run in runs:
            plain = np.gradient(run.travel_m, run.instants_s)
            # The recorded speed has steps of 0.5 mm/s; measured 0.9967 to 0.9993.
            assert plain @ run.speed_mps == pytest.approx(run.speed_mps @ run.speed_mps, rel=0.005), run.name


def test_the_published_table_holds_these_figures():
    """shared/OPEN_DATA.md prints each run; half a point may pass between versions of the engine."""
    rows = [[cell.strip() for cell in line.strip("|\n ").split("|")] for line in TABLE.read_text().splitlines()]
    printed = {row[0]: row for row in rows if len(row) == 9}
    for r in bench_results():
        row = printed[r.run.name]
        assert row[1:3] == [r.sitting, "curve" if r.was_fitted else "held out"]
        assert float(row[3]) == pytest.approx(r.measured_j, abs=0.06)
        assert float(row[4]) == pytest.approx(r.ours["energy_j"], rel=0.005)
        assert float(row[5]) == pytest.approx(100 * r.error, abs=0.5)
        assert int(row[8]) == r.ours["strokes"]
