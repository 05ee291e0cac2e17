"""Heat room, the pace that holds, and what is said to co-driver and crew."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.domain.vehicle import ForceAt, ForceCurve, Profile
from dutylog.errors import InputError
from dutylog.heat.forecast import Forecast, Kind, NodeForecast
from dutylog.heat.heat_room import (
    EXPONENT,
    EXPONENT_SD,
    Exponent,
    HeatRoom,
    Pace,
    compute_heat_room,
    find_exponent,
    find_pace,
    most_urgent,
    say_forecast,
    say_heat_room,
    say_minutes,
    say_pace,
    say_range,
)
from dutylog.heat.model import Surroundings, plateau
from dutylog.heat.recent import Duty
from dutylog.heat.state import HeatState, Laws

REFERENCE = json.loads((Path(__file__).parents[1] / "data" / "reference" / "04_time_to_limit.json").read_text())
FORCE = (ForceAt(0.0, ForceCurve((-1.0, 1.0), (-1000.0, 1000.0))),)
LAWS = Laws(1.2, 0.7, 12.0, 40.0, 0.05, 0.05, 0.1, 0.1)
STATE = HeatState(85.0, 70.0, ((2.0, 0.2), (0.2, 0.05)), 5.6, 0.05, 24.0, 0.1, 8.0, 3.0, 28.0, 0.5, LAWS)
DUTY = Duty(300.0, 450.0, 60_000.0, 0.3, 10.0, 68.0)


def make_profile(body_limit_c=100.0, oil_limit_c=130.0, fade_per_k=0.0):
    return Profile("test", 0.25, 0.02, 0.06, 0.6, 3.0, 3800.0, FORCE, fade_per_k, 40.0, body_limit_c, oil_limit_c)


# Heat room.


@pytest.mark.parametrize("case", REFERENCE["one_node"])
def test_heat_shed_at_the_limit_is_the_reference_power(case):
    """reference/04_time_to_limit.json, power_for_limit_at_steady_w: 1e-9."""
    state = replace(STATE, laws=None, ha_w_per_k=case["hA"], air_c=case["ambient_c"], external_w=0.0)
    duty = replace(DUTY, power_w=case["power_w"])
    room = compute_heat_room(make_profile(case["limit_c"], None), state, duty)
    assert room.shed_w == pytest.approx(case["power_for_limit_at_steady_w"], rel=1e-9)
    assert room.room_w == pytest.approx(case["power_for_limit_at_steady_w"] - case["power_w"], rel=1e-9)
    assert room.room_ratio == pytest.approx(room.room_w / room.shed_w)


@given(
    body_limit_c=st.floats(60.0, 150.0),
    oil_limit_c=st.floats(60.0, 160.0),
    external_w=st.floats(0.0, 60.0),
    speed_mps=st.floats(0.0, 30.0),
)
def test_what_can_be_shed_ends_exactly_at_the_nearer_limit(body_limit_c, oil_limit_c, external_w, speed_mps):
    state = replace(STATE, external_w=external_w)
    room = compute_heat_room(make_profile(body_limit_c, oil_limit_c), state, replace(DUTY, speed_mps=speed_mps))
    around = Surroundings(room.shed_w, LAWS.g_w_per_k(0.3), LAWS.ha_w_per_k(speed_mps), 28.0, external_w)
    oil_c, body_c = map(float, plateau(around))
    if room.limit == "body":
        assert body_c == pytest.approx(body_limit_c, abs=1e-6)
        assert oil_c <= oil_limit_c + 1e-6
    else:
        assert oil_c == pytest.approx(oil_limit_c, abs=1e-6)
        assert body_c <= body_limit_c + 1e-6


@pytest.mark.parametrize("oil_limit_c", [None, 112.0])
def test_the_range_of_heat_room_holds_what_it_states(oil_limit_c):
    """4000 draws about the estimate: 80 % inside, within 2.5 %."""
    rng, profile = np.random.default_rng(9), make_profile(100.0, oil_limit_c)
    state = replace(STATE, ha_log_sd=0.15, g_log_sd=0.3, external_sd_w=10.0, air_sd_k=2.0)
    room = compute_heat_room(profile, state, DUTY)
    z = rng.standard_normal((5, 4000))
    ha, g = LAWS.ha_w_per_k(10.0) * np.exp(0.15 * z[0]), LAWS.g_w_per_k(0.3) * np.exp(0.3 * z[1])
    external_w, air_c, made_w = 8.0 + 10.0 * z[2], 28.0 + 2.0 * z[3], 450.0 + math.sqrt(60_000.0 / 300.0) * z[4]
    shed_w = ha * (100.0 - air_c) - external_w
    if oil_limit_c is not None:
        assert room.limit == "oil"
        shed_w = (oil_limit_c - air_c - external_w / ha) / (1.0 / ha + 1.0 / g)
    held = np.mean((room.low_w <= shed_w - made_w) & (shed_w - made_w <= room.high_w))
    assert held == pytest.approx(0.80, abs=0.025)


def test_where_nothing_can_be_shed_there_is_no_percentage():
    room = compute_heat_room(make_profile(60.0, None), replace(STATE, air_c=62.0), DUTY)
    assert room.shed_w < 0.0
    assert room.room_ratio is None


# Pace.


def test_the_pace_found_ends_exactly_at_the_limit():
    """Heat goes with pace^k, hA with its law: at the pace found the plateau is the limit, 1e-6 K."""
    duty = replace(DUTY, power_w=450.0)
    pace = find_pace(make_profile(), STATE, duty)
    heat_w = 450.0 * (pace.speed_mps / 10.0) ** EXPONENT
    around = Surroundings(heat_w, LAWS.g_w_per_k(0.3), LAWS.ha_w_per_k(pace.speed_mps), 28.0, 8.0)
    assert float(plateau(around)[1]) == pytest.approx(100.0, abs=1e-6)
    assert pace.low_mps < pace.speed_mps < pace.high_mps
    assert pace.exponent == Exponent(EXPONENT, EXPONENT_SD, False)


def test_with_fade_the_heat_at_the_limit_counts_not_that_of_now():
    """0.2 % a kelvin from the 68 degC of the last minutes to the 100 of the limit: 6.4 % of the unfaded heat less."""
    plain = find_pace(make_profile(), STATE, replace(DUTY, power_w=450.0))
    faded = find_pace(make_profile(fade_per_k=0.002), STATE, replace(DUTY, power_w=450.0))
    unfaded_w = 450.0 / (1.0 - 0.002 * (68.0 - 40.0))
    heat_w = unfaded_w * (1.0 - 0.002 * (100.0 - 40.0)) * (faded.speed_mps / 10.0) ** EXPONENT
    around = Surroundings(heat_w, LAWS.g_w_per_k(0.3), LAWS.ha_w_per_k(faded.speed_mps), 28.0, 8.0)
    assert float(plateau(around)[1]) == pytest.approx(100.0, abs=1e-6)
    assert faded.speed_mps > plain.speed_mps


def test_the_pace_holds_for_the_oil_too():
    pace = find_pace(make_profile(oil_limit_c=112.0), STATE, DUTY)
    heat_w = 450.0 * (pace.speed_mps / 10.0) ** EXPONENT
    around = Surroundings(heat_w, LAWS.g_w_per_k(0.3), LAWS.ha_w_per_k(pace.speed_mps), 28.0, 8.0)
    assert float(plateau(around)[0]) == pytest.approx(112.0, abs=1e-6)


def test_the_range_of_the_pace_holds_what_it_states():
    """400 draws about the estimate, each solved again: 80 % inside, within 6 %."""
    rng, profile = np.random.default_rng(2), make_profile()
    state, duty = replace(STATE, ha_log_sd=0.06, external_sd_w=5.0), replace(DUTY, power_w=450.0)
    pace = find_pace(profile, state, duty)
    held = []
    for z in rng.standard_normal((400, 5)):
        k = EXPONENT + EXPONENT_SD * z[0]
        power_w = 450.0 + math.sqrt(200.0) * z[1]
        ha_ratio, external_w, air_c = math.exp(0.06 * z[2]), 8.0 + 5.0 * z[3], 28.0 + 0.5 * z[4]
        speeds = np.linspace(3.0, 16.0, 1301)
        made_w = power_w * (speeds / 10.0) ** k
        shed_w = ha_ratio * (1.2 + 0.7 * speeds**0.8) * (100.0 - air_c) - external_w
        really = speeds[np.argmin(np.abs(made_w - shed_w))]
        held.append(pace.low_mps <= really <= pace.high_mps)
    assert np.mean(held) == pytest.approx(0.80, abs=0.06)


@pytest.mark.parametrize(
    "case",
    [
        (STATE, replace(DUTY, speed_mps=None)),
        (replace(STATE, laws=None), DUTY),
        (STATE, replace(DUTY, speed_mps=1.0)),
        (STATE, replace(DUTY, power_w=0.0)),
        (STATE, replace(DUTY, power_w=30.0)),
        (STATE, replace(DUTY, power_w=4000.0)),
        (replace(STATE, ha_log_sd=0.5), DUTY),
        (replace(STATE, air_c=105.0), DUTY),
    ],
    ids=["no speed", "no laws", "crawl", "no heat", "far faster", "far slower", "hA unknown", "hot air"],
)
def test_no_pace_where_none_can_be_given(case):
    state, duty = case
    assert find_pace(make_profile(), state, duty) is None


def test_the_exponent_is_learned_where_the_pace_varies():
    """30 pairs along pace^2 with 5 % scatter: near 2, surer than the judgement; the same pace throughout: judgement."""
    rng = np.random.default_rng(1)
    speeds = rng.uniform(7.0, 13.0, 30)
    pairs = [(v, 4.0 * v * v * math.exp(0.05 * e)) for v, e in zip(speeds, rng.standard_normal(30), strict=True)]
    found = find_exponent(pairs)
    assert found.is_measured
    assert found.value == pytest.approx(2.0, abs=0.12)
    assert found.sd < 0.2
    usual = Exponent(EXPONENT, EXPONENT_SD, False)
    assert find_exponent([(10.0, 300.0 + i) for i in range(30)]) == usual
    assert find_exponent(pairs[:5]) == usual
    # Faster on a smoother road: the surface changed, not the law.
    assert find_exponent([(v, 4000.0 / v) for v, _ in pairs]) == usual


# Words.


def said(kind, seconds=None, low_s=None, high_s=None):
    return NodeForecast(kind, 100.0, 70.0, 112.4, 105.0, 120.0, seconds, low_s, high_s)


def test_forecasts_in_words():
    reaches = said(Kind.REACHES, 734.0, 550.0, 955.0)
    assert say_forecast(reaches) == "about 12 min to the limit at this pace (9 to 16)"
    assert say_forecast(said(Kind.HOLDS)) == "holds at this pace"
    assert say_forecast(said(Kind.NEAR_LIMIT)) == "near its limit: no time can be given"
    assert say_forecast(said(Kind.NEAR_LIMIT, None, 570.0)) == (
        "near its limit: no time can be given, hardly before 9 min"
    )
    assert say_forecast(said(Kind.OVER)) == "over its limit: ease off, stop where it is safe"
    assert say_forecast(said(Kind.NO_LIMIT)) == "no limit set; settles at about 112 °C"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.0, "less than a minute"),
        (29.0, "less than a minute"),
        (31.0, "about 1 min"),
        (89.0, "about 1 min"),
        (91.0, "about 2 min"),
        (1790.0, "about 30 min"),
        (1960.0, "about 35 min"),
        (7100.0, "about 120 min"),
        (7300.0, "more than 120 min"),
    ],
)
def test_minutes_are_rounded_as_far_as_they_are_known(seconds, words):
    assert say_minutes(seconds) == words


def test_a_range_is_rounded_outwards():
    """It states 80 %: rounded inwards it would hold less."""
    assert say_range(599.0, 601.0) == "(9 to 11)"
    assert say_range(20.0, 60.0) == "(0 to 1)"
    assert say_range(600.0, None) == "(10 or more)"
    assert say_range(600.0, 9000.0) == "(10 or more)"


def test_the_node_that_matters_is_spoken_of():
    soon, late = said(Kind.REACHES, 300.0, 200.0, 400.0), said(Kind.REACHES, 900.0, 700.0, 1200.0)
    assert most_urgent(Forecast(body=late, oil=soon)) == ("oil", soon)
    assert most_urgent(Forecast(body=said(Kind.OVER), oil=soon))[0] == "body"
    assert most_urgent(Forecast(body=said(Kind.NEAR_LIMIT), oil=late))[0] == "oil"
    assert most_urgent(Forecast(body=said(Kind.HOLDS), oil=said(Kind.NO_LIMIT)))[0] == "body"


def test_heat_room_in_words():
    room = HeatRoom("body", 395.0, 182.0, 121.0, 243.0, 0.46)
    assert say_heat_room(room) == "heat room 180 W (120 to 250), 46 %, body first"
    short = HeatRoom("oil", 395.0, -61.0, -121.0, -3.0, -0.154)
    assert say_heat_room(short) == "60 W more than oil can shed at its limit (room -130 to 0), -15 %"
    assert "%" not in say_heat_room(HeatRoom("body", -5.0, -61.0, -121.0, -3.0, None))


def test_pace_in_words_and_units():
    pace = Pace(9.0, 8.2, 9.9, Exponent(1.5, 0.5, False))
    assert say_pace(pace, "m/s") == "at this surface, holds at 9 m/s (8 to 10)"
    assert say_pace(pace) == "at this surface, holds at 32 km/h (29 to 36)"
    assert say_pace(pace, "mph") == "at this surface, holds at 20 mph (18 to 23)"
    assert say_pace(None) == "no pace can be given for this surface"
    with pytest.raises(InputError, match="knots"):
        say_pace(pace, "knots")
