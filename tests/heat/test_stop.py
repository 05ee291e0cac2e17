"""After a stop: soak-back peak, cooling and what a stop buys, against steps of the simulated truth."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from dutylog.domain.vehicle import ForceAt, ForceCurve, Profile
from dutylog.errors import InputError
from dutylog.heat.forecast import Kind, NodeForecast, forecast
from dutylog.heat.model import Capacities, Surroundings, advance
from dutylog.heat.recent import Duty
from dutylog.heat.state import HeatState, Laws
from dutylog.heat.stop import (
    HANDLE_C,
    Cooling,
    Stop,
    forecast_after_stop,
    forecast_stop,
    say_bought,
    say_handling,
    say_peak,
)
from dutylog.sim.heat_truth import HeatParameters, TwoNodeHeat

FORCE = (ForceAt(0.0, ForceCurve((-1.0, 1.0), (-1000.0, 1000.0))),)
LAWS = Laws(1.2, 0.7, 12.0, 40.0, 0.15, 0.1, 0.2, 0.2)
STATE = HeatState(115.0, 95.0, ((2.0, 0.2), (0.2, 0.05)), 6.0, 0.1, 25.0, 0.2, 2.0, 2.0, 28.0, 1.0, LAWS)
DUTY = Duty(300.0, 600.0, 90_000.0, 0.3, 12.0, 90.0)


def make_profile(oil_j=1200.0, body_j=2600.0, body_limit_c=100.0, oil_limit_c=130.0):
    return Profile(
        "test", 0.25, 0.02, 0.06, oil_j / 1900.0, 3.0, oil_j + body_j, FORCE, 0.0, 40.0, body_limit_c, oil_limit_c
    )


def sure(state):
    """Return a state without doubt."""
    laws = replace(state.laws, ha_rest_log_sd=0.0, ha_move_log_sd=0.0, g_still_log_sd=0.0, g_move_log_sd=0.0)
    return replace(
        state,
        covariance_k2=((0.0, 0.0), (0.0, 0.0)),
        ha_log_sd=0.0,
        g_log_sd=0.0,
        external_sd_w=0.0,
        air_sd_k=0.0,
        laws=laws,
    )


def test_the_peak_is_where_the_model_has_it():
    """Steps of a second of the exact model: peak to 1e-4 K, its time to a second."""
    stop = forecast_stop(make_profile(), STATE)
    times = np.arange(0.0, 4000.0)
    _, body = advance(Capacities(1200.0, 2600.0), Surroundings(0.0, 12.0, 1.2, 28.0, 2.0), 115.0, 95.0, times)
    assert stop.peak_c == pytest.approx(body.max(), abs=1e-4)
    assert stop.peak_s == pytest.approx(float(times[body.argmax()]), abs=1.0)
    assert stop.peak_c > STATE.body_c + 1.0
    assert stop.peak_low_c < stop.peak_c < stop.peak_high_c


def test_cooling_times_are_where_the_model_has_them():
    state = sure(STATE)
    for cooling in forecast_stop(make_profile(), state).cooling:
        around = Surroundings(0.0, 12.0, 1.2, 28.0, 2.0)
        _, body = advance(Capacities(1200.0, 2600.0), around, 115.0, 95.0, cooling.seconds)
        assert float(body) == pytest.approx(cooling.level_c, abs=1e-6)
        assert (cooling.low_s, cooling.high_s) == pytest.approx((cooling.seconds, cooling.seconds), rel=1e-9)


def test_parked_from_120_degrees_it_cools_as_one_node_does():
    """reference/03_*: C 3855.4 J/K with hA 1.1 W/K from 120 to 48 degC at 25 degC: tau ln (95 / 23), 1e-6."""
    laws = replace(LAWS, ha_rest_w_per_k=1.1, g_still_w_per_k=1e7)
    state = replace(sure(replace(STATE, laws=laws)), oil_c=120.0, body_c=120.0, external_w=0.0, air_c=25.0)
    stop = forecast_stop(make_profile(0.3 * 3855.4, 0.7 * 3855.4), state)
    cooling = next(c for c in stop.cooling if c.level_c == HANDLE_C)
    assert cooling.seconds == pytest.approx(3855.4 / 1.1 * math.log(95.0 / 23.0), rel=1e-6)
    assert stop.peak_c == pytest.approx(120.0, abs=1e-6)


def test_a_cold_body_may_be_handled_and_a_hot_place_never_cools_it():
    cold = forecast_stop(make_profile(), replace(STATE, oil_c=30.0, body_c=30.0))
    assert [c.high_s for c in cold.cooling] == [0.0, 0.0]
    oven = forecast_stop(make_profile(), replace(STATE, air_c=60.0))
    assert [(c.seconds, c.high_s) for c in oven.cooling] == [(None, None), (None, None)]


def test_a_body_that_will_still_rise_past_the_level_isnt_handled_yet():
    """47 degC outside, 75 inside: below 48 now, above in a minute. The time counts from after the peak."""
    stop = forecast_stop(make_profile(), replace(STATE, oil_c=75.0, body_c=47.0))
    assert stop.peak_c > 50.0
    assert all(c.seconds > stop.peak_s for c in stop.cooling)
    assert say_handling(stop).startswith("hot: don't touch")


def test_without_laws_nothing_is_said_of_a_stop():
    state = replace(STATE, laws=None)
    assert forecast_stop(make_profile(), state) is None
    assert forecast_after_stop(make_profile(), state, DUTY, 600.0) is None


def test_ranges_of_peak_and_cooling_hold_what_they_state():
    """500 stops whose truth is drawn about the estimate; 80 % ranges hold 74 to 86 % (sd 1.8 %)."""
    runs, rng = 500, np.random.default_rng(31)
    oil_j, body_j = rng.uniform(700.0, 2400.0, runs), rng.uniform(1500.0, 2800.0, runs)
    body_c = rng.uniform(60.0, 110.0, runs)
    laws = [rng.uniform(*ends, runs) for ends in ((0.8, 1.8), (8.0, 25.0))]
    sds = [rng.uniform(0.05, 0.4, runs), rng.uniform(0.1, 0.4, runs)]
    oil_c, air_c, external_w = body_c + rng.uniform(0.0, 30.0, runs), rng.uniform(10.0, 38.0, runs), np.zeros(runs)
    truth = [value * np.exp(sd * rng.standard_normal(runs)) for value, sd in zip(laws, sds, strict=True)]
    none = np.zeros(runs)
    oil_true = oil_c + 1.5 * rng.standard_normal(runs)
    heat = TwoNodeHeat(
        HeatParameters(oil_j, body_j, truth[1], none, truth[0], none, external_w + 3.0 * rng.standard_normal(runs)),
        oil_true,
    )
    heat.body_c = body_c + 0.3 * rng.standard_normal(runs)
    air_true = air_c + 1.0 * rng.standard_normal(runs)
    peak_c, below_s, seconds = heat.body_c.copy(), np.zeros(runs), 0.0
    while seconds < 30_000.0:
        step_s = 2.0 if seconds < 1500.0 else 10.0
        heat.step(none, truth[1], truth[0], air_true, step_s)
        seconds += step_s
        peak_c = np.maximum(peak_c, heat.body_c)
        below_s[heat.body_c >= HANDLE_C] = seconds
    below_s[heat.body_c >= HANDLE_C] = np.inf
    held = []
    for run in range(runs):
        known = Laws(laws[0][run], 0.7, laws[1][run], 40.0, sds[0][run], 0.1, sds[1][run], 0.2)
        covariance = ((2.25, 0.0), (0.0, 0.09))
        state = HeatState(oil_c[run], body_c[run], covariance, 6.0, 0.1, 25.0, 0.2, 0.0, 3.0, air_c[run], 1.0, known)
        stop = forecast_stop(make_profile(oil_j[run], body_j[run]), state)
        cooling = next(c for c in stop.cooling if c.level_c == HANDLE_C)
        late_s = math.inf if cooling.high_s is None else cooling.high_s
        held.append((stop.peak_low_c <= peak_c[run] <= stop.peak_high_c, cooling.low_s <= below_s[run] <= late_s))
    peaks, times = np.mean(held, axis=0)
    assert 0.74 <= peaks <= 0.86
    assert 0.74 <= times <= 0.86


def test_a_stop_buys_what_steps_of_the_model_say():
    """Ten minutes' rest, then the former duty: time to the limit to 1e-6, against the exact model twice over."""
    profile, state, duty = make_profile(), sure(STATE), replace(DUTY, density_w2_s=0.0)
    after = forecast_after_stop(profile, state, duty, 600.0)
    nodes = Capacities(1200.0, 2600.0)
    oil, body = advance(nodes, Surroundings(0.0, 12.0, 1.2, 28.0, 2.0), 115.0, 95.0, 600.0)
    ha, g = LAWS.ha_w_per_k(12.0), LAWS.g_w_per_k(0.3)
    assert after.body.now_c == pytest.approx(float(body), abs=1e-6)
    assert after.body.kind is Kind.REACHES
    _, then = advance(nodes, Surroundings(600.0, g, ha, 28.0, 2.0), float(oil), float(body), after.body.seconds)
    assert float(then) == pytest.approx(profile.body_limit_c, abs=1e-6)


def test_longer_stops_buy_more_and_none_buys_nothing():
    profile = make_profile()
    none = forecast_after_stop(profile, STATE, DUTY, 0.0).body
    assert none.seconds == pytest.approx(forecast(profile, STATE, DUTY).body.seconds, rel=1e-9)
    bought = [forecast_after_stop(profile, STATE, DUTY, 60.0 * minutes).body.seconds for minutes in (15, 30, 60)]
    assert bought == sorted(bought)
    with pytest.raises(InputError, match="0 or more"):
        forecast_after_stop(profile, STATE, DUTY, -1.0)


def test_what_a_stop_buys_holds_its_range():
    """500 stops of 15 minutes with conductances at rest and oil drawn about the estimate, the duty known."""
    profile, runs, rng = make_profile(), 500, np.random.default_rng(5)
    duty = replace(DUTY, density_w2_s=0.0)
    state = replace(sure(STATE), covariance_k2=((4.0, 0.0), (0.0, 0.04)), laws=LAWS)
    said = forecast_after_stop(profile, state, duty, 900.0).body
    rest, still = 1.2 * np.exp(0.15 * rng.standard_normal(runs)), 12.0 * np.exp(0.2 * rng.standard_normal(runs))
    oil, body = advance(
        Capacities(1200.0, 2600.0),
        Surroundings(0.0, still, rest, 28.0, 2.0),
        115.0 + 2.0 * rng.standard_normal(runs),
        95.0 + 0.2 * rng.standard_normal(runs),
        900.0,
    )
    around = Surroundings(600.0, LAWS.g_w_per_k(0.3), LAWS.ha_w_per_k(12.0), 28.0, 2.0)
    times = np.arange(0.0, 3000.0)[:, None]
    _, then = advance(Capacities(1200.0, 2600.0), around, oil, body, times)
    really_s = (then < profile.body_limit_c).sum(axis=0)
    held = np.mean((said.low_s <= really_s) & (really_s <= said.high_s))
    assert 0.74 <= held <= 0.86


# Words.


def stop_of(peak=(83.4, 81.7, 85.2), peak_s=240.0, high_s=3725.0):
    cooling = (Cooling(50.0, 3000.0, 2500.0, 3500.0), Cooling(48.0, 3200.0, 2700.0, high_s))
    return Stop(*peak, peak_s, cooling)


def test_peak_and_handling_in_words():
    """Ends of a range go outwards, and the late end is what counts for a hand."""
    assert say_peak(stop_of()) == "body rises to 83 °C (81 to 86) about 4 min after the stop"
    assert say_peak(stop_of(peak_s=0.0)) == "body at its hottest now, 83 °C (81 to 86)"
    assert say_handling(stop_of()) == "hot: don't touch for 63 min (until below 48 °C), never water"
    assert say_handling(stop_of(high_s=0.0)) == "body below 48 °C: may be handled"
    never = "hot: no time can be given for 48 °C; measure before touching, never water"
    assert say_handling(stop_of(high_s=None)) == never


def test_what_a_stop_buys_in_words():
    said = forecast_after_stop(make_profile(), STATE, DUTY, 900.0)
    body = NodeForecast(Kind.REACHES, 100.0, 70.0, 120.0, 110.0, 130.0, 734.0, 550.0, 955.0)
    holds = replace(body, kind=Kind.HOLDS, seconds=None, low_s=None, high_s=None)
    words = "a stop of 15 min gives about 12 min (9 to 16) at the former pace, body first"
    assert say_bought(900.0, replace(said, body=body, oil=holds)) == words
    assert (
        say_bought(600.0, replace(said, body=holds, oil=holds)) == "a stop of 10 min: then it holds at the former pace"
    )
    over = replace(holds, kind=Kind.OVER)
    assert (
        say_bought(60.0, replace(said, body=holds, oil=over))
        == "a stop of 1 min isn't enough: oil still over its limit"
    )
    near = replace(holds, kind=Kind.NEAR_LIMIT)
    assert say_bought(60.0, replace(said, body=near, oil=holds)) == (
        "a stop of 1 min: no time can be given at the former pace"
    )
