"""Two nodes of heat against published-method values and against an integrator that shares nothing with them."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.errors import InputError
from dutylog.heat.model import Capacities, Surroundings, advance, plateau

REFERENCE = Path(__file__).parents[1] / "data" / "reference"


def read_rows(name):
    lines = [line for line in (REFERENCE / name).read_text().splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


@pytest.mark.parametrize("row", read_rows("04_two_node.csv"))
def test_two_nodes_match_the_reference(row):
    """reference/04_two_node.csv: matrix exponential of scipy, cross-checked with DOP853; tolerance 1e-6 degC."""
    value = {key: float(text) for key, text in row.items() if key != "case"}
    nodes = Capacities(value["C_oil_j_per_k"], value["C_body_j_per_k"])
    around = Surroundings(
        value["power_into_oil_w"], value["G_oil_body_w_per_k"], value["hA_body_air_w_per_k"], value["ambient_c"]
    )
    oil, body = advance(nodes, around, value["oil_start_c"], value["body_start_c"], value["time_s"])
    assert oil == pytest.approx(value["oil_c"], abs=1e-6)
    assert body == pytest.approx(value["body_c"], abs=1e-6)
    assert plateau(around)[0] == pytest.approx(value["oil_steady_c"], abs=1e-6)
    assert plateau(around)[1] == pytest.approx(value["body_steady_c"], abs=1e-6)


@pytest.mark.parametrize("row", read_rows("04_one_node.csv"))
def test_with_oil_and_body_as_one_it_is_one_node(row):
    """reference/04_one_node.csv: T = Tss + (T0 - Tss) exp(-t hA / C); a G of 1e9 W/K leaves less than 1e-4 K."""
    value = {key: float(text) for key, text in row.items() if key != "case"}
    nodes = Capacities(0.3 * value["C_j_per_k"], 0.7 * value["C_j_per_k"])
    around = Surroundings(value["power_w"], 1e9, value["hA_w_per_k"], value["ambient_c"])
    oil, body = advance(nodes, around, value["start_c"], value["start_c"], value["time_s"])
    assert oil == pytest.approx(value["temp_c"], abs=1e-4)
    assert body == pytest.approx(value["temp_c"], abs=1e-4)


positive = st.floats(0.5, 500.0)


@given(
    g=positive,
    ha=positive,
    oil_j=st.floats(200.0, 5000.0),
    body_j=st.floats(200.0, 20_000.0),
    first_s=st.floats(0.0, 3000.0),
    second_s=st.floats(0.0, 3000.0),
)
def test_a_way_cut_anywhere_is_the_same_way(g, ha, oil_j, body_j, first_s, second_s):
    """Exact steps: how often one steps doesn't matter."""
    nodes, around = Capacities(oil_j, body_j), Surroundings(300.0, g, ha, 20.0, 15.0)
    once = advance(nodes, around, 40.0, 30.0, first_s + second_s)
    twice = advance(nodes, around, *advance(nodes, around, 40.0, 30.0, first_s), second_s)
    assert twice == (pytest.approx(once[0], abs=1e-6), pytest.approx(once[1], abs=1e-6))


@given(g=positive, ha=positive, power=st.floats(0.0, 2000.0), seconds=st.floats(1.0, 2000.0))
def test_energy_is_kept(g, ha, power, seconds):
    """What goes in is stored or went into the air; trapezoids of a fortieth of the quickest rate, error below 0.1 %."""
    nodes, around = Capacities(900.0, 2600.0), Surroundings(power, g, ha, 25.0)
    rate_per_s = g / 900.0 + (g + ha) / 2600.0
    times = np.linspace(0.0, seconds, 2001 + round(40.0 * rate_per_s * seconds))
    oil, body = advance(nodes, around, 60.0, 40.0, times)
    lost = np.trapezoid(ha * (body - 25.0), times)
    stored = 900.0 * (oil[-1] - 60.0) + 2600.0 * (body[-1] - 40.0)
    assert stored + lost == pytest.approx(power * seconds, abs=1e-3 * max(power * seconds, abs(lost), 1000.0))


def test_soak_back_the_body_goes_on_rising_after_a_stop():
    """Why a stopped damper gets hotter to the touch: the oil inside is hotter than the metal."""
    times = np.linspace(0.0, 900.0, 901)
    oil, body = advance(Capacities(900.0, 2600.0), Surroundings(0.0, 4.0, 1.0, 30.0), 120.0, 95.0, times)
    peak = int(body.argmax())
    assert 60 < peak < 900
    assert body[peak] > 95.5
    # At its peak as much comes from the oil as goes into the air.
    assert 4.0 * (oil[peak] - body[peak]) == pytest.approx(1.0 * (body[peak] - 30.0), rel=0.02)


@pytest.mark.parametrize("bad", [{"g_w_per_k": 0.0}, {"ha_w_per_k": -1.0}])
def test_nonsense_is_refused(bad):
    good = {"power_w": 10.0, "g_w_per_k": 5.0, "ha_w_per_k": 2.0, "air_c": 20.0}
    with pytest.raises(InputError, match="above 0"):
        advance(Capacities(900.0, 2600.0), Surroundings(**{**good, **bad}), 20.0, 20.0, 1.0)
    with pytest.raises(InputError, match="backwards"):
        advance(Capacities(900.0, 2600.0), Surroundings(**good), 20.0, 20.0, -1.0)
