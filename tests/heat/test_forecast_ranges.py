"""Do forecasts hold what they state? Against simulated truth, and against a recording of known truth."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from dutylog.domain.heat_input import HeatInput
from dutylog.heat.forecast import (
    BODY,
    OIL,
    Kind,
    NodeForecast,
    forecast,
)
from dutylog.heat.model import Capacities
from dutylog.heat.observer import HeatObserver
from dutylog.heat.priors import make_prior
from dutylog.heat.recent import Recent
from dutylog.heat.state import HeatState, Laws
from dutylog.sim.heat_truth import HeatParameters, TwoNodeHeat
from heat.case_tiles import load_case
from heat.forecasting import make_profile

# Ranges against simulated truth. Nothing here is shared with the forecast but the state it is given.

SURFACES = {
    "washboard": (0.27, (2.0, 5.0)),
    "desert": (0.38, (3.0, 8.0)),
    "graded": (0.30, (3.0, 15.0)),
    "whoops": (0.50, (10.0, 40.0)),
}
"""Spread of the power over its mean, and the seconds after which it has forgotten itself. Washboard and desert: what
gives the means of 10 s of simulated vehicles in tests/data/cases their spread (0.16 to 0.19 and 0.24 to 0.28) and
likeness (-0.2 to 0.2); graded and whoops: judgement, slower than any of these."""
LONGEST_S = 7200


@dataclass(frozen=True)
class Outcome:
    """One forecast of one node, when it really reached its limit (inf: not in two hours), and what it ended at."""

    node: str
    surface: str
    said: NodeForecast
    really_s: float
    ended_c: float


@dataclass(frozen=True)
class Draw:
    """Estimates and the truth drawn about them, arrays of (runs,)."""

    estimates: dict[str, np.ndarray]
    truth: dict[str, np.ndarray]
    surfaces: np.ndarray
    mean_w: np.ndarray
    spread: np.ndarray
    forget_s: np.ndarray


def draw(runs, seed):
    """Draw dampers, states with the stated uncertainty, limits and surfaces; truth lies about the estimate by it."""
    rng = np.random.default_rng(seed)
    whole_j, oil_part = rng.uniform(2500.0, 4500.0, runs), rng.uniform(0.35, 0.65, runs)
    mean_w = np.exp(rng.uniform(math.log(150.0), math.log(900.0), runs))
    air_c = rng.uniform(5.0, 42.0, runs)
    speed_mps = rng.uniform(5.0, 22.0, runs)
    ha_log = np.log(rng.uniform(0.8, 1.6, runs) + rng.uniform(0.4, 1.0, runs) * speed_mps**0.8)
    g_log = np.log(rng.uniform(12.0, 45.0, runs))
    body_c = rng.uniform(air_c, 75.0)
    oil_c = body_c + rng.uniform(0.0, 1.3, runs) * mean_w / np.exp(g_log)
    estimates = {
        "oil_j": whole_j * oil_part,
        "body_j": whole_j * (1.0 - oil_part),
        "ha_log": ha_log,
        "ha_sd": np.exp(rng.uniform(math.log(0.04), math.log(0.25), runs)),
        "g_log": g_log,
        "g_sd": rng.uniform(0.08, 0.3, runs),
        "external_w": rng.uniform(0.0, 30.0, runs),
        "external_sd": rng.uniform(0.0, 12.0, runs),
        "air_c": air_c,
        "air_sd": rng.uniform(0.0, 2.0, runs),
        "oil_c": oil_c,
        "oil_sd": rng.uniform(0.3, 3.0, runs),
        "body_c": body_c,
        "body_sd": rng.uniform(0.1, 0.5, runs),
        "alike": rng.uniform(0.0, 0.8, runs),
        "body_limit_c": body_c + rng.uniform(8.0, 70.0, runs),
        "oil_limit_c": oil_c + rng.uniform(8.0, 80.0, runs),
    }
    e, z = estimates, rng.standard_normal((6, runs))
    truth = {
        "ha": np.exp(e["ha_log"] + e["ha_sd"] * z[0]),
        "g": np.exp(e["g_log"] + e["g_sd"] * z[1]),
        "external_w": e["external_w"] + e["external_sd"] * z[2],
        "air_c": e["air_c"] + e["air_sd"] * z[3],
        "body_c": e["body_c"] + e["body_sd"] * z[4],
        "oil_c": e["oil_c"] + e["oil_sd"] * (e["alike"] * z[4] + np.sqrt(1.0 - e["alike"] ** 2) * z[5]),
    }
    surfaces = rng.choice(sorted(SURFACES), runs)
    spread = np.array([SURFACES[name][0] for name in surfaces])
    forget_s = np.array([np.exp(rng.uniform(*np.log(SURFACES[name][1]))) for name in surfaces])
    return Draw(estimates, truth, surfaces, mean_w, spread, forget_s)


def powers_of(drawn, seed):
    """Yield the power of every run [W], second by second without end: a log-normal autoregression."""
    rng = np.random.default_rng(seed)
    keep, sd = np.exp(-1.0 / drawn.forget_s), np.sqrt(np.log1p(drawn.spread**2))
    level = rng.standard_normal(len(keep))
    while True:
        level = keep * level + np.sqrt(1.0 - keep * keep) * rng.standard_normal(len(keep))
        yield drawn.mean_w * np.exp(sd * level - 0.5 * sd * sd)


def forecast_of(drawn, run, past_w):
    """Return the forecast of one run from its estimates and the last five minutes of its power."""
    e = {name: float(values[run]) for name, values in drawn.estimates.items()}
    recent = Recent()
    for power_w in past_w:
        recent.add(HeatInput(1.0, float(power_w), 1.0, None, None, None, None))
    across = e["alike"] * e["oil_sd"] * e["body_sd"]
    state = HeatState(
        oil_c=e["oil_c"],
        body_c=e["body_c"],
        covariance_k2=((e["oil_sd"] ** 2, across), (across, e["body_sd"] ** 2)),
        ha_w_per_k=math.exp(e["ha_log"]),
        ha_log_sd=e["ha_sd"],
        g_w_per_k=math.exp(e["g_log"]),
        g_log_sd=e["g_sd"],
        external_w=e["external_w"],
        external_sd_w=e["external_sd"],
        air_c=e["air_c"],
        air_sd_k=e["air_sd"],
    )
    profile = make_profile(e["oil_j"], e["body_j"], e["body_limit_c"], e["oil_limit_c"])
    return forecast(profile, state, recent.duty())


def simulate(runs, seed):
    """Return the outcomes of two forecasts, body and oil, for each of some runs."""
    drawn = draw(runs, seed)
    e, truth, powers = drawn.estimates, drawn.truth, powers_of(drawn, seed + 1)
    past_w = np.array([next(powers) for _ in range(300)])
    said = [forecast_of(drawn, run, past_w[:, run]) for run in range(runs)]
    none = np.zeros(runs)
    rest = (none + 1.0, none, none + 1.0, none)
    heat = TwoNodeHeat(HeatParameters(e["oil_j"], e["body_j"], *rest, truth["external_w"]), truth["oil_c"])
    heat.body_c = truth["body_c"].copy()
    really_s = np.full((2, runs), np.inf)
    for second in range(1, LONGEST_S + 1):
        heat.step(next(powers), truth["g"], truth["ha"], truth["air_c"], 1.0)
        for node, (now_c, limit_c) in enumerate(((heat.oil_c, e["oil_limit_c"]), (heat.body_c, e["body_limit_c"]))):
            really_s[node, (now_c >= limit_c) & np.isinf(really_s[node])] = second
    outcomes = []
    for run in range(runs):
        for node, name, ended_c in ((OIL, "oil", heat.oil_c), (BODY, "body", heat.body_c)):
            one = said[run].oil if node == OIL else said[run].body
            outcomes.append(Outcome(name, str(drawn.surfaces[run]), one, really_s[node, run], float(ended_c[run])))
    return outcomes


def held_ratio(outcomes):
    """Return the part of stated ranges of times that hold the truth, and how many there were."""
    timed = [o for o in outcomes if o.said.kind is Kind.REACHES]
    return np.mean([o.said.low_s <= o.really_s <= o.said.high_s for o in timed]), len(timed)


def table(outcomes):
    """Return lines of the calibration table in shared/FORECAST.md."""
    rows = []
    cuts = ((0, 5), (5, 10), (10, 20), (20, 120))
    for name in ("body", "oil"):
        mine = [o for o in outcomes if o.node == name]
        timed = [o for o in mine if o.said.kind is Kind.REACHES]
        groups = [(name, timed)]
        groups += [
            (f"{name}, {a} to {b} min", [o for o in timed if 60 * a <= o.said.seconds < 60 * b]) for a, b in cuts
        ]
        groups += [(f"{name}, {s}", [o for o in timed if o.surface == s]) for s in SURFACES]
        for label, group in groups:
            if not group:
                continue
            early = np.mean([o.really_s < o.said.low_s for o in group])
            late = np.mean([o.really_s > o.said.high_s for o in group])
            error = np.median([abs(o.said.seconds / o.really_s - 1.0) for o in group])
            wide = np.median([o.said.high_s / max(o.said.low_s, 1.0) for o in group])
            numbers = f"{1 - early - late:.1%} | {early:.1%} | {late:.1%} | {error:.1%} | {wide:.2f}"
            rows.append(f"| {label} | {len(group)} | {numbers} |")
        inside = [o.said.plateau_low_c <= o.ended_c <= o.said.plateau_high_c for o in mine]
        rows.append(f"| {name}, plateau | {len(mine)} | {np.mean(inside):.1%} | | | | |")
        for kind in (Kind.HOLDS, Kind.NEAR_LIMIT):
            those = [math.isfinite(o.really_s) for o in mine if o.said.kind is kind]
            rows.append(f"| {name}, {kind}: reached after all | {len(those)} | {np.mean(those):.1%} | | | | |")
    return rows


def check_calibration(outcomes, part):
    """Assert what shared/FORECAST.md states; part: half width allowed to the parts of the table, by their size."""
    ratio, count = held_ratio(outcomes)
    assert count >= 400
    assert 0.74 <= ratio <= 0.86
    for name in ("body", "oil"):
        mine = [o for o in outcomes if o.node == name]
        assert held_ratio(mine)[0] == pytest.approx(0.80, abs=0.06)
        for low, high in ((0, 300), (300, 600), (600, 1200)):
            timed = [o for o in mine if o.said.kind is Kind.REACHES and low <= o.said.seconds < high]
            assert held_ratio(timed)[0] == pytest.approx(0.80, abs=part)
        inside = [o.said.plateau_low_c <= o.ended_c <= o.said.plateau_high_c for o in mine]
        assert np.mean(inside) == pytest.approx(0.80, abs=0.06)
        holding = [math.isinf(o.really_s) for o in mine if o.said.kind is Kind.HOLDS]
        assert np.mean(holding) > 0.9
    errors = ten_minutes_away(outcomes)
    assert len(errors) >= 40
    assert np.median(errors) < 0.15


def ten_minutes_away(outcomes, surfaces=tuple(SURFACES)):
    """Return the relative errors of times where the limit really was 8 to 12 minutes away."""
    timed = [o for o in outcomes if o.said.kind is Kind.REACHES and 480.0 <= o.really_s < 720.0]
    return [abs(o.said.seconds / o.really_s - 1.0) for o in timed if o.surface in surfaces]


def test_ranges_hold_what_they_state():
    """600 dampers, 1200 forecasts, over 400 of them with times. Parts of the table have few: +-12 % (3 sd of 100)."""
    outcomes = simulate(600, seed=20)
    check_calibration(outcomes, part=0.12)


@pytest.mark.slow
def test_ranges_hold_what_they_state_long_form():
    """4000 dampers; prints the table of shared/FORECAST.md (run with -s)."""
    outcomes = simulate(4000, seed=77)
    print("\n" + "\n".join(table(outcomes)))
    for surfaces in (*((name,) for name in SURFACES), tuple(SURFACES)):
        errors = ten_minutes_away(outcomes, surfaces)
        print(f"| really 8 to 12 min, {', '.join(surfaces)} | {len(errors)} | {np.median(errors):.1%} |")
    # Parts of the table have 200 or more: 3 sd are 8.5 %.
    check_calibration(outcomes, part=0.085)


# With pace, motion and fade.


def drive(stages, seed, fade_per_k=0.0016, reference_c=40.0):
    """Return tiles and the true (oil, body) after each second of stages of (seconds, speed, power, rms).

    True laws: hA = 1.2 + 0.7 speed^0.8, G = 15 + 40 rms; heat fades with the body as the contract says.
    """
    rng = np.random.default_rng(seed)
    one = np.ones(1)
    heat = TwoNodeHeat(
        HeatParameters(2185.0 * one, 1675.0 * one, 15.0 * one, 40.0 * one, 1.2 * one, 0.7 * one, 0.0 * one), 30.0 * one
    )
    tiles, nodes_c = [], []
    for seconds, speed_mps, power_w, rms_mps in stages:
        for _ in range(seconds):
            shaken = power_w * math.exp(0.3 * rng.standard_normal() - 0.045)
            heat_w = shaken * (1.0 - fade_per_k * max(0.0, float(heat.body_c[0]) - reference_c))
            heat.advance(heat_w * one, rms_mps**2 * one, speed_mps, 28.0, 1.0)
            tiles.append(HeatInput(1.0, heat_w, 1.0, rms_mps, float(heat.body_c[0]), 28.0, speed_mps))
            nodes_c.append((float(heat.oil_c[0]), float(heat.body_c[0])))
    return tiles, nodes_c


TRUE_LAWS = Laws(1.2, 0.7, 15.0, 40.0, 0.03, 0.03, 0.05, 0.05)


@pytest.mark.parametrize("stage", [0, 2])
@pytest.mark.parametrize("seen_s", [90, 240])
def test_a_drive_over_changing_surfaces_is_forecast_from_the_surface_it_is_on(stage, seen_s):
    """90 s on a surface are enough, at the start and after a smooth road: median of 7 drives within a tenth."""
    stages = [(900, 10.5, 480.0, 0.25), (480, 18.0, 4.0, 0.01), (1500, 12.0, 680.0, 0.3)]
    start = sum(s[0] for s in stages[:stage])
    errors = []
    for seed in range(7):
        tiles, nodes_c = drive(stages[: stage + 1], seed)
        recent = Recent()
        for tile in tiles[: start + seen_s]:
            recent.add(tile)
        sd = (((0.25, 0.0), (0.0, 0.01)), 3.0, 0.03, 20.0, 0.05, 0.0, 3.0, 28.0, 0.3)
        state = HeatState(*nodes_c[start + seen_s - 1], *sd, TRUE_LAWS)
        said = forecast(make_profile(2185.0, 1675.0, 78.0, 130.0, 0.0016), state, recent.duty()).body
        assert said.kind is Kind.REACHES
        really_s = next(i for i, (_, c) in enumerate(nodes_c[start + seen_s :], 1) if c >= 78.0)
        errors.append(abs(said.seconds / really_s - 1.0))
    assert np.median(errors) < 0.10
    assert max(errors) < 0.25


@pytest.mark.parametrize(("position", "limit_c"), [("front_left", 75.0), ("rear_right", 85.0)])
def test_ten_minutes_from_the_limit_the_time_is_right_within_15_percent_from_what_is_known_live(position, limit_c):
    """A simulation of another program, 40 minutes of washboard in stretches of one pace (recording H).

    What the observer knows after four to eight minutes, from the prior on, against the true damper held at that
    stretch's pace and heat. Asked for: 15 %. Measured: 8 to 12 minutes away at most 12 and 14 %, always early.
    """
    case = load_case("H_heatsoak")
    profile, thermal = case.profile(position), case.thermal(position)
    assert profile.body_limit_c == limit_c
    series = thermal["series_10s"]
    true_c = {round(t): nodes for t, *nodes in zip(series["t"], series["oil_c"], series["body_c"], strict=True)}
    observer, recent, errors = HeatObserver(Capacities.of(profile), make_prior(profile)), Recent(), []
    for number, (end_s, tile) in enumerate(case.tiles[position][:2400], 1):
        state = observer.step(tile)
        recent.add(tile)
        began_s = 480 * ((number - 1) // 480)
        if number % 30 or number - began_s < 90:
            continue
        stretch = [heat for heat_s, heat in case.tiles[position] if began_s < heat_s <= began_s + 480]
        really_s = held_s(profile, thermal, stretch, true_c[round(end_s)])
        if really_s is None or not 480.0 <= really_s <= 720.0:
            continue
        said = forecast(profile, state, recent.duty()).body
        assert said.kind in (Kind.REACHES, Kind.NEAR_LIMIT)
        assert said.low_s < really_s
        if said.kind is Kind.REACHES:
            assert really_s < said.high_s
            errors.append(said.seconds / really_s - 1.0)
    assert len(errors) >= 4
    assert np.abs(errors).max() < 0.15


def held_s(profile, thermal, stretch, now_c):
    """Return when the true damper's body reaches its limit if a stretch's pace and heat go on, None within an hour."""
    sure = [heat for heat in stretch if heat.body_c is not None and heat.speed_mps is not None]

    def left(body_c):
        return 1.0 - profile.fade_per_k * max(0.0, body_c - profile.reference_c)

    power_w = np.mean([heat.power_w / left(heat.body_c) for heat in sure])
    ha = thermal["hA0"] + thermal["hA1"] * np.mean([heat.speed_mps for heat in sure]) ** 0.8
    g = thermal["G_still"] + thermal["G_move"] * np.mean([heat.rms_mps for heat in sure])
    air_c, (oil_c, body_c) = np.mean([heat.air_c for heat in sure]), now_c
    for second in range(3600):
        if body_c >= profile.body_limit_c:
            return float(second)
        across_w = g * (oil_c - body_c)
        oil_c += (power_w * left(body_c) - across_w) / thermal["C_oil"]
        body_c += (across_w - ha * (body_c - air_c)) / thermal["C_body"]
    return None
