"""Forecasts against closed forms, against exact steps of the model, and their ranges against simulated truth."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.errors import InputError
from dutylog.heat.forecast import (
    BODY,
    OIL,
    Course,
    Kind,
    course_curve,
    forecast,
    forecast_node,
)
from dutylog.heat.model import Capacities, Surroundings, advance
from dutylog.heat.recent import Duty
from dutylog.heat.state import HeatState, Laws
from heat.forecasting import DOUBTFUL, REFERENCE, SURE, make_profile

# Closed forms.


@pytest.mark.parametrize("case", REFERENCE["two_node"])
@pytest.mark.parametrize(("node", "name"), [(OIL, "oil"), (BODY, "body")])
def test_two_nodes_reach_their_limit_when_the_reference_does(case, node, name):
    """reference/04_time_to_limit.json: brentq on a matrix exponential; 1e-6 relative."""
    course = Course(
        case["oil_start_c"],
        case["body_start_c"],
        math.log(case["hA"]),
        math.log(case["G"]),
        0.0,
        case["ambient_c"],
        case["power_w"],
    )
    nodes = (case["C_oil"], case["C_body"])
    said = forecast_node(nodes, course, SURE, node, case["limit_c"])
    assert said.plateau_c == pytest.approx(case[f"{name}_steady_c"], rel=1e-9)
    wanted = case[f"{name}_time_to_limit_s"]
    if wanted is None:
        assert said.kind is Kind.HOLDS
        assert said.seconds is None
    else:
        assert said.kind is Kind.REACHES
        assert said.seconds == pytest.approx(wanted, rel=1e-6)
        assert (said.low_s, said.high_s) == pytest.approx((wanted, wanted), rel=1e-6)
        if name == "oil":
            body_c = course_curve(nodes, course, BODY).at(said.seconds)
            assert body_c == pytest.approx(case["body_c_when_oil_hits_limit"], abs=1e-4)


@pytest.mark.parametrize("case", REFERENCE["one_node"])
def test_oil_and_body_as_one_reach_the_limit_when_one_node_does(case):
    """A G of 1e9 W/K makes one node of two: tau ln ((end - start) / (end - limit)), 1e-6 relative."""
    course = Course(
        case["start_c"], case["start_c"], math.log(case["hA"]), math.log(1e9), 0.0, case["ambient_c"], case["power_w"]
    )
    said = forecast_node((0.3 * case["C"], 0.7 * case["C"]), course, SURE, BODY, case["limit_c"])
    assert said.plateau_c == pytest.approx(case["steady_c"], rel=1e-9)
    if case["time_to_limit_s"] is None:
        assert said.kind is Kind.HOLDS
    else:
        assert said.seconds == pytest.approx(case["time_to_limit_s"], rel=1e-6)


@pytest.mark.parametrize("case", REFERENCE["pulsed"])
def test_pulsed_power_follows_the_reference_from_pulse_to_pulse(case):
    """On and off by turns: each peak and valley to 1e-6 of what it rose."""
    nodes, now_c = (0.3 * case["C"], 0.7 * case["C"]), float(case["start_c"])
    still = Course(0.0, 0.0, math.log(case["hA"]), math.log(1e9), 0.0, case["ambient_c"], 0.0)
    for _, peak_c, valley_c in case["cycles_peak_valley"]:
        on = still._replace(oil_c=now_c, body_c=now_c, power_w=case["power_on_w"])
        now_c = course_curve(nodes, on, BODY).at(case["on_s"])
        assert now_c - case["start_c"] == pytest.approx(peak_c - case["start_c"], rel=1e-6)
        now_c = course_curve(nodes, still._replace(oil_c=now_c, body_c=now_c), BODY).at(case["off_s"])
        assert now_c - case["start_c"] == pytest.approx(valley_c - case["start_c"], rel=1e-6)
    mean = still._replace(oil_c=25.0, body_c=25.0, power_w=case["mean_power_w"])
    assert case["periodic_valley_c"] < course_curve(nodes, mean, BODY).end_c < case["periodic_peak_c"]


def test_radiation_is_not_modelled_and_costs_less_than_a_tenth_when_linearised():
    """reference nonlinear_radiation: hA is one number here; one fitted to the plateau is off by 1 to 10 % before it."""
    case = REFERENCE["nonlinear_radiation"][0]
    ha = case["power_w"] / (case["steady_c"] - case["ambient_c"])
    course = Course(
        case["start_c"], case["start_c"], math.log(ha), math.log(1e9), 0.0, case["ambient_c"], case["power_w"]
    )
    curve = course_curve((0.3 * case["C"], 0.7 * case["C"]), course, BODY)
    rises = [(curve.at(s) - c) / (c - case["start_c"]) for s, c in zip(case["time_s"], case["temp_c"], strict=True)]
    assert max(map(abs, rises)) < 0.10
    assert max(map(abs, rises)) > 0.005


@given(
    g=st.floats(2.0, 100.0),
    ha=st.floats(0.5, 30.0),
    oil_c=st.floats(-20.0, 150.0),
    body_c=st.floats(-20.0, 150.0),
    power_w=st.floats(0.0, 1500.0),
    seconds=st.floats(0.0, 5000.0),
)
def test_the_way_equals_the_exact_steps_of_the_model(g, ha, oil_c, body_c, power_w, seconds):
    """Same equations, other formulas: 1e-7 K."""
    course = Course(oil_c, body_c, math.log(ha), math.log(g), 12.0, 25.0, power_w)
    oil, body = advance(Capacities(900.0, 2600.0), Surroundings(power_w, g, ha, 25.0, 12.0), oil_c, body_c, seconds)
    assert course_curve((900.0, 2600.0), course, OIL).at(seconds) == pytest.approx(float(oil), abs=1e-7)
    assert course_curve((900.0, 2600.0), course, BODY).at(seconds) == pytest.approx(float(body), abs=1e-7)


def test_fade_equals_an_integration_in_small_steps():
    """Power that falls with the body's temperature: Euler's steps of 20 ms with the contract's formula, 0.02 K."""
    per_k, reference_c, unfaded_w, anchor_c = 0.0016, 40.0, 700.0, 55.0
    power_w = unfaded_w * (1.0 - per_k * (anchor_c - reference_c))
    course = Course(70.0, 55.0, math.log(6.0), math.log(25.0), 5.0, 30.0, power_w, per_k * unfaded_w, anchor_c)
    oil_c, body_c = 70.0, 55.0
    for _ in range(50 * 900):
        heat_w = unfaded_w * (1.0 - per_k * (body_c - reference_c))
        across_w = 25.0 * (oil_c - body_c)
        oil_c += 0.02 * (heat_w - across_w) / 2185.0
        body_c += 0.02 * (across_w - 6.0 * (body_c - 30.0) + 5.0) / 1675.0
    nodes = (2185.0, 1675.0)
    assert course_curve(nodes, course, OIL).at(900.0) == pytest.approx(oil_c, abs=0.02)
    assert course_curve(nodes, course, BODY).at(900.0) == pytest.approx(body_c, abs=0.02)


@given(
    oil_c=st.floats(0.0, 160.0),
    body_c=st.floats(0.0, 120.0),
    power_w=st.floats(0.0, 1500.0),
    ha=st.floats(0.5, 20.0),
    level_c=st.floats(20.0, 160.0),
)
def test_a_crossing_is_on_the_curve_and_nothing_crosses_before(oil_c, body_c, power_w, ha, level_c):
    course = Course(oil_c, body_c, math.log(ha), math.log(15.0), 5.0, 20.0, power_w)
    for node in (OIL, BODY):
        curve = course_curve((1200.0, 2400.0), course, node)
        above_s, below_s = curve.first_above_s(level_c), curve.last_above_s(level_c)
        seen = [curve.at(s) for s in np.linspace(0.0, 20_000.0, 400)]
        if above_s is None:
            assert max(seen) <= level_c + 1e-6
        elif above_s > 0.0:
            assert curve.at(above_s) == pytest.approx(level_c, abs=1e-6)
            assert all(curve.at(s) <= level_c + 1e-6 for s in np.linspace(0.0, above_s, 50))
        if below_s is not None:
            assert all(curve.at(below_s + s) <= level_c + 1e-6 for s in np.linspace(0.0, 20_000.0, 100))
        else:
            assert curve.end_c >= level_c


# What is said.


def said_of(limit_c, doubt=DOUBTFUL, body_c=50.0, power_w=500.0, node=BODY, oil_c=None):
    course = Course(oil_c or body_c + 10.0, body_c, math.log(5.0), math.log(20.0), 10.0, 25.0, power_w)
    return forecast_node((2185.0, 1675.0), course, doubt, node, limit_c)


def test_the_four_things_that_can_be_said():
    """Plateau 127 degC, its range about 112 to 144: a limit below is reached, within can't be said, above holds."""
    assert said_of(90.0).kind is Kind.REACHES
    assert said_of(127.0).kind is Kind.NEAR_LIMIT
    assert said_of(160.0).kind is Kind.HOLDS
    assert said_of(49.0).kind is Kind.OVER
    assert said_of(None).kind is Kind.NO_LIMIT


@given(limit_c=st.floats(51.0, 200.0), ha_log_sd=st.floats(0.01, 0.6), power_sd_w=st.floats(0.0, 200.0))
def test_kind_and_numbers_agree(limit_c, ha_log_sd, power_sd_w):
    """No time where none can be given; ranges lie about their middle; the plateau's range decides."""
    said = said_of(limit_c, DOUBTFUL._replace(ha_log_sd=ha_log_sd, power_sd_w=power_sd_w))
    assert said.plateau_low_c <= said.plateau_c <= said.plateau_high_c
    if said.kind is Kind.REACHES:
        assert 0.0 < said.low_s <= said.seconds <= said.high_s < math.inf
        assert said.plateau_low_c >= limit_c
    elif said.kind is Kind.NEAR_LIMIT:
        assert said.seconds is None
        assert said.high_s is None
        assert said.plateau_low_c < limit_c <= said.plateau_high_c + 0.5
    else:
        assert said.kind is Kind.HOLDS
        assert (said.seconds, said.low_s, said.high_s) == (None, None, None)
        assert said.plateau_high_c < limit_c


def test_a_body_heated_by_its_hot_oil_passes_the_limit_though_its_plateau_is_below():
    """After a hard stretch the body goes on rising at an easier pace: that it ends lower doesn't help."""
    said = said_of(75.0, DOUBTFUL._replace(density_w2_s=0.0), body_c=74.0, oil_c=110.0, power_w=150.0)
    assert said.plateau_high_c < 75.0
    assert said.kind is Kind.REACHES
    assert said.seconds < 60.0


def test_more_doubt_widens_the_range():
    sure, doubtful = said_of(90.0), said_of(90.0, DOUBTFUL._replace(power_sd_w=90.0))
    assert doubtful.low_s < sure.low_s < sure.high_s < doubtful.high_s


def test_same_input_gives_same_bits():
    """No random numbers in the result."""
    assert said_of(90.0) == said_of(90.0)


def test_pace_and_motion_of_the_last_minutes_decide_not_those_of_this_second():
    """A standstill of a second has a tenth of the cooling: the forecast must not jump with it."""
    laws = Laws(1.0, 0.7, 15.0, 40.0, 0.1, 0.1, 0.2, 0.2)
    state = HeatState(70.0, 60.0, ((1.0, 0.0), (0.0, 0.1)), 8.0, 0.1, 30.0, 0.2, 0.0, 5.0, 25.0, 1.0, laws)
    duty = Duty(300.0, 500.0, 90_000.0, 0.3, 12.0, 60.0)
    moving = forecast(make_profile(), state, duty)
    halted = forecast(make_profile(), replace(state, ha_w_per_k=1.0, g_w_per_k=15.0), duty)
    assert moving == halted
    slower = forecast(make_profile(), state, replace(duty, speed_mps=5.0))
    assert slower.body.plateau_c > moving.body.plateau_c
    assert forecast(make_profile(), replace(state, laws=None), duty) != moving


def test_nonsense_is_refused():
    course = Course(50.0, 50.0, math.log(5.0), math.log(20.0), 0.0, 25.0, 100.0)
    with pytest.raises(InputError, match="above 0"):
        course_curve((0.0, 100.0), course, OIL)
    with pytest.raises(InputError, match="fade"):
        course_curve((900.0, 900.0), course._replace(fade_w_per_k=25.0), OIL)
