"""Two-node heat against exact solutions and published convection."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest

from dutylog.domain.vehicle import Vehicle
from dutylog.errors import InputError
from dutylog.sim.heat_truth import HeatParameters, TwoNodeHeat
from dutylog.sim.parameters import generic_parameters

ReadReference = Callable[[str], list[dict[str, str]]]


def _parameters(oil: float, body: float, g: float = 10.0, ha: float = 4.0, external: float = 0.0) -> HeatParameters:
    one = np.ones((1, 1))
    return HeatParameters(oil * one, body * one, g * one, 0.0 * one, ha * one, 0.0 * one, external * one)


def test_two_nodes_match_the_reference(read_reference: ReadReference) -> None:
    """Every row of the exact solution, stepped at the vehicle's own 0.1 s or slower."""
    rows = read_reference("04_two_node.csv")
    cases = sorted({row["case"] for row in rows})
    assert len(cases) >= 3
    for case in cases:
        mine = [{k: float(v) for k, v in row.items() if k != "case"} for row in rows if row["case"] == case]
        head = mine[0]
        heat = TwoNodeHeat(
            _parameters(
                head["C_oil_j_per_k"], head["C_body_j_per_k"], head["G_oil_body_w_per_k"], head["hA_body_air_w_per_k"]
            ),
            np.full((1, 1), head["body_start_c"]),
        )
        heat.oil_c[:] = head["oil_start_c"]
        for earlier, later in pairwise(mine):
            for _ in range(round(later["time_s"] - earlier["time_s"])):
                heat.advance(np.full((1, 1), head["power_into_oil_w"]), np.zeros((1, 1)), 0.0, head["ambient_c"], 1.0)
            # the table carries ten digits; fourth order at 1 s leaves 1e-7 K
            assert heat.oil_c[0, 0] == pytest.approx(later["oil_c"], abs=1e-6)
            assert heat.body_c[0, 0] == pytest.approx(later["body_c"], abs=1e-6)


def test_without_air_all_heat_stays() -> None:
    """Power in equals what both nodes store, external heat included."""
    heat = TwoNodeHeat(_parameters(2000.0, 1500.0, ha=0.0, external=20.0), np.full((1, 1), 30.0))
    for _ in range(500):
        heat.advance(np.full((1, 1), 700.0), np.full((1, 1), 0.2), 10.0, 30.0, 0.1)
    stored_j = 2000.0 * (heat.oil_c - 30.0) + 1500.0 * (heat.body_c - 30.0)
    assert stored_j[0, 0] == pytest.approx(720.0 * 50.0, rel=1e-12)
    assert heat.oil_c[0, 0] > heat.body_c[0, 0]


def test_motion_couples_oil_and_body() -> None:
    """G follows the rms of shaft speed of the last seconds and falls back when motion stops."""
    one = np.ones((1, 1))
    heat = TwoNodeHeat(
        HeatParameters(2000 * one, 1500 * one, 14 * one, 45 * one, 4 * one, 0 * one, 0 * one), 30.0 * one
    )
    assert heat.g_w_per_k()[0, 0] == 14.0
    for _ in range(600):
        heat.advance(0 * one, 0.25 * one, 0.0, 30.0, 0.1)
    assert heat.g_w_per_k()[0, 0] == pytest.approx(14.0 + 45.0 * 0.5, rel=1e-5)
    for _ in range(50):
        heat.advance(0 * one, 0 * one, 0.0, 30.0, 0.1)
    assert heat.g_w_per_k()[0, 0] == pytest.approx(14.0 + 45.0 * np.sqrt(0.25 * np.exp(-1.0)), rel=1e-4)


def test_no_time_is_refused() -> None:
    """A step of nothing is a caller's bug."""
    heat = TwoNodeHeat(_parameters(2000.0, 1500.0), np.full((1, 1), 30.0))
    with pytest.raises(InputError, match="heat step"):
        heat.advance(np.zeros((1, 1)), np.zeros((1, 1)), 0.0, 30.0, 0.0)


def test_cooling_of_the_demo_lies_within_a_factor_three_of_published_convection(
    demo_vehicle: Vehicle, read_reference: ReadReference
) -> None:
    """A demo that cools unlike any real cylinder would teach wrong things about pace and stops."""
    heat = TwoNodeHeat(generic_parameters(demo_vehicle).heat, np.full((1, 4), 60.0))
    compared = 0
    for row in read_reference("03_convection_cylinder.csv"):
        if row["dia_mm"] != "70" or float(row["air_speed_mps"]) < 1.0:
            continue
        ratio = heat.ha_w_per_k(float(row["air_speed_mps"])) / float(row["hA_total_w_per_k_e0p9"])
        assert np.all((ratio > 1 / 3) & (ratio < 3)), (row["air_speed_mps"], ratio)
        compared += 1
    assert compared >= 10
