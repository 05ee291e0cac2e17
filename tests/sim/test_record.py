"""Recordings for exchange with their truth, and the demo vehicle's two copies."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path

import numpy as np
import pytest

from dutylog.domain.vehicle import Vehicle
from dutylog.errors import InputError
from dutylog.sim.record import simulate_recording
from dutylog.sim.scenario import built_in_scenario
from dutylog.sim.sensors import ScriptedFault


def test_packaged_demo_vehicle_is_the_shared_one() -> None:
    """The installed demo must run the vehicle that people read in shared/."""
    shared = Path(__file__).resolve().parents[2] / "shared" / "demo_vehicle.toml"
    packaged = resources.files("dutylog.sim").joinpath("demo_vehicle.toml")
    assert packaged.read_bytes() == shared.read_bytes()


def test_recording_has_the_columns_and_rates_of_exchange(demo_vehicle: Vehicle) -> None:
    """Travel in every row, slow columns only in their own."""
    columns, truth = simulate_recording(demo_vehicle, built_in_scenario("washboard"), 12, 4)
    positions = [damper.position for damper in demo_vehicle.dampers]
    expected = ["t_s"] + [f"{p}_{q}" for p in positions for q in ("travel_mm", "body_c")] + ["ambient_c", "speed_mps"]
    assert sorted(columns) == sorted(expected)
    assert all(len(column) == 12_000 for column in columns.values())
    np.testing.assert_allclose(np.diff(columns["t_s"]), 1e-3, atol=1e-12)
    finite = {name: int(np.isfinite(column).sum()) for name, column in columns.items()}
    assert finite["rear_left_travel_mm"] == 12_000
    assert (finite["rear_left_body_c"], finite["ambient_c"], finite["speed_mps"]) == (120, 120, 120)
    assert np.isfinite(columns["rear_left_body_c"][::100]).all()
    for damper in demo_vehicle.dampers:
        mine = truth["dampers"][damper.position]
        travel_mm = columns[f"{damper.position}_travel_mm"]
        assert travel_mm.min() == pytest.approx(mine["travel_min_mm"], abs=0.5)
        assert travel_mm.max() == pytest.approx(mine["travel_max_mm"], abs=0.5)


def test_truth_adds_up_and_is_json(demo_vehicle: Vehicle) -> None:
    """Windows sum to the totals, compression and rebound to the whole."""
    _, truth = simulate_recording(demo_vehicle, built_in_scenario("washboard"), 25, 4)
    assert json.loads(json.dumps(truth, allow_nan=False)) == truth
    for mine in truth["dampers"].values():
        windows = mine["windows_10s"]
        assert (windows["t0"], windows["t1"]) == ([0.0, 10.0, 20.0], [10.0, 20.0, 25.0])
        assert sum(windows["energy_j"]) == pytest.approx(mine["energy_j"], rel=1e-12)
        assert mine["compression_energy_j"] + mine["rebound_energy_j"] == pytest.approx(mine["energy_j"], rel=1e-12)
        assert mine["valid_rebound_energy_j"] == mine["rebound_energy_j"]
        assert mine["valid_s"] == pytest.approx(25.0)
        assert mine["strokes"] > 100


def test_gap_is_missing_rows(demo_vehicle: Vehicle) -> None:
    """Dropped samples are not NaN rows: they never arrived."""
    fault = ScriptedFault("gap", "", 1.0, 0.4)
    columns, truth = simulate_recording(demo_vehicle, built_in_scenario("street"), 3, 4, faults=(fault,))
    assert len(columns["t_s"]) == 2600
    assert np.max(np.diff(columns["t_s"])) == pytest.approx(0.401)
    assert truth["faults"] == [{"kind": "gap", "position": "", "start_s": 1.0, "seconds": 0.4, "count": 0}]
    assert truth["dampers"]["front_left"]["valid_s"] == pytest.approx(2.6)


def test_no_time_is_refused(demo_vehicle: Vehicle) -> None:
    """An empty recording is made by hand where a test wants one."""
    with pytest.raises(InputError, match="at least 1"):
        simulate_recording(demo_vehicle, built_in_scenario("parked"), 0, 1)
