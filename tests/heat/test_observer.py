"""The oil temperature that is told against simulated truth: how far it is off, and whether it knows how far."""

from __future__ import annotations

import functools
import json
import math
from dataclasses import dataclass, replace

import numpy as np
import pytest

from dutylog.domain.heat_input import HeatInput
from dutylog.errors import InputError
from dutylog.heat.identify import BODY, OIL, Noise
from dutylog.heat.model import Capacities, Surroundings, advance
from dutylog.heat.observer import READMIT_TILES, HeatObserver
from dutylog.heat.priors import FACTOR_LOG_SD, make_prior
from dutylog.heat.state import Laws
from dutylog.sim.heat_truth import HeatParameters, TwoNodeHeat
from heat.case_tiles import load_case

NODES = Capacities(2185.0, 1675.0)
PRIOR = Laws(1.25, 0.5, 10.0, 35.5, *(FACTOR_LOG_SD,) * 4)
AIR_C = 25.0


@dataclass(frozen=True)
class Runs:
    """Simulated truth of several dampers on the same drive: (seconds,) and (runs, seconds)."""

    parameters: HeatParameters
    speed_mps: np.ndarray
    rms_mps: np.ndarray
    power_w: np.ndarray
    air_c: np.ndarray
    oil_c: np.ndarray
    body_c: np.ndarray
    measured_c: np.ndarray

    def tile(self, run, second):
        return HeatInput(
            1.0,
            float(self.power_w[second]),
            1.0,
            float(self.rms_mps[second]),
            float(self.measured_c[run, second]),
            float(self.air_c[second]),
            float(self.speed_mps[second]),
        )

    @property
    def seconds(self):
        return len(self.power_w)


def draw_drive(rng, seconds):
    """Return speed and rms of the shaft speed over pieces of 2 to 8 minutes: rough, smooth or a stop."""
    speed, rms = np.zeros(seconds), np.zeros(seconds)
    start = 0
    while start < seconds:
        stop = min(seconds, start + int(rng.integers(120, 480)))
        kind = rng.choice(["rough", "rough", "smooth", "stop"])
        speed[start:stop] = {"rough": rng.uniform(6, 18), "smooth": rng.uniform(8, 25), "stop": 0.0}[kind]
        strength = {"rough": rng.uniform(0.25, 0.5), "smooth": 0.02, "stop": 0.0}[kind]
        rms[start:stop] = strength * np.exp(0.3 * rng.standard_normal(stop - start))
        start = stop
    return speed, rms


def simulate(seed, runs, seconds, *, spread=1.0, disturbance=1.0, wind=None, drive=None):
    """Return runs whose conductances are drawn from PRIOR and whose disturbances are those the filter assumes.

    spread: of the conductances, in parts of the prior's. wind: (seconds,) logarithm of hA's factor instead of
    a drawn one. The truth follows the shaft with sim/heat_truth.py's memory of 5 s, the filter assumes 2.5 to 5.
    """
    n, rng, one = Noise(), np.random.default_rng(seed), np.ones((runs, 1))
    speed, rms = draw_drive(rng, seconds) if drive is None else drive

    def draw(sd):
        return sd * rng.standard_normal((runs, 1))

    def wander(value, sd, time_s):
        keep = math.exp(-1.0 / time_s)
        return keep * value + math.sqrt(1.0 - keep * keep) * draw(disturbance * sd)

    values = (PRIOR.g_still_w_per_k, PRIOR.g_move_w_per_k_per_mps, PRIOR.ha_rest_w_per_k, PRIOR.ha_move)
    drawn = [value * np.exp(draw(spread * FACTOR_LOG_SD)) for value in values]
    parameters = HeatParameters(2185.0 * one, 1675.0 * one, *drawn, draw(disturbance * n.external_w))
    heat = TwoNodeHeat(parameters, AIR_C * one)
    power, keep = 4000.0 * rms**2, math.exp(-1.0 / 5.0)
    scale, gust = draw(disturbance * n.scale), draw(disturbance * n.wind)
    oil, body, measured = (np.empty((runs, seconds)) for _ in range(3))
    for t in range(seconds):
        before = heat.body_c
        if t % 10 == 0:
            off = draw(n.body_k)
        if wind is not None:
            gust = np.full((runs, 1), wind[t])
        heat.mean_square = keep * heat.mean_square + (1.0 - keep) * rms[t] ** 2
        heat.step(power[t] * (1.0 + scale), heat.g_w_per_k(), heat.ha_w_per_k(speed[t]) * np.exp(gust), AIR_C, 1.0)
        oil[:, t], body[:, t] = heat.oil_c[:, 0], heat.body_c[:, 0]
        measured[:, t] = (0.5 * (before + heat.body_c) + off)[:, 0]
        scale, gust = wander(scale, n.scale, n.scale_s), wander(gust, n.wind, n.wind_s)
        heat.parameters = replace(
            heat.parameters, external_w=wander(heat.parameters.external_w, n.external_w, n.external_s)
        )
    air = AIR_C + 0.1 * rng.standard_normal(seconds)
    return Runs(parameters, speed, rms, power, air, oil, body, measured)


def follow(runs, run, *, observer=None, start=0, stop=None, change=lambda tile: tile, frozen=False):
    """Return the observer and its states over some of a run's tiles, each changed before it is given."""
    observer = observer or HeatObserver(NODES, PRIOR)
    tiles = range(start, runs.seconds if stop is None else stop)
    return observer, [observer.step(change(runs.tile(run, t)), frozen=frozen) for t in tiles]


@functools.cache
def one_drive():
    """Return one damper: 15 min rough, 5 min smooth, 10 min at rest; conductances a third off the prior."""
    rng = np.random.default_rng(5)
    speed = np.repeat([12.0, 16.0, 0.0], [900, 300, 600])
    rms = np.repeat([0.35, 0.02, 0.0], [900, 300, 600]) * np.exp(0.2 * rng.standard_normal(1800))
    return simulate(11, 1, 1800, spread=0.5, disturbance=0.5, drive=(speed, rms))


# -- accuracy and honesty -------------------------------------------------------------------------


@functools.cache
def many_runs():
    runs = simulate(21, 24, 1800)
    followed = []
    for run in range(24):
        observer, normalised, states = HeatObserver(NODES, PRIOR), [], []
        for t in range(runs.seconds):
            states.append(observer.step(runs.tile(run, t)))
            if t % 10 == 9:
                off, variance = observer.innovation
                normalised.append(off * off / variance)
        followed.append((states, normalised))
    return runs, followed


@pytest.mark.parametrize("second", [299, 599, 1199, 1799])
def test_errors_of_the_oil_are_as_large_as_stated(second):
    """Normalised squared errors over 24 dampers drawn from the prior: their sum within the inner 99.8 % of
    chi-square with 24 degrees of freedom, 8.1 to 51.2 (from memory). Measured: 25.9, 45.3, 38.8, 29.2."""
    runs, followed = many_runs()
    states = [states[second] for states, _ in followed]
    errors = np.array([state.oil_c for state in states]) - runs.oil_c[:, second]
    sds = np.array([state.oil_sd_k for state in states])
    assert 8.1 < ((errors / sds) ** 2).sum() < 51.2
    # And it knows something: the prior alone leaves 10 K and more.
    assert np.median(sds) < 4.0


def test_the_body_is_known_to_a_fifth_of_a_kelvin():
    """It says 0.09 K; measured 0.11 K rms, up to 0.7 where kilowatts come and go within a second."""
    runs, followed = many_runs()
    told = np.array([[state.body_c for state in states[9::10]] for states, _ in followed])
    errors = told - runs.body_c[:, 9::10]
    assert np.sqrt((errors**2).mean()) < 0.2
    assert np.abs(errors).max() < 1.0


def test_innovations_are_as_large_as_foretold():
    """Mean of 24 x 180 normalised squared innovations, which would be 1: chi-square's 99.9 % is 0.93 to 1.07."""
    _, followed = many_runs()
    normalised = np.concatenate([values for _, values in followed])
    assert normalised.size == 24 * 180
    assert 0.93 < normalised.mean() < 1.07


def run_case(name, position, frozen_from_s=math.inf):
    """Return the last state, the truth of heat, and (time, error, stated sd) of the oil every 10 s from 600 s on."""
    case = load_case(name)
    profile, truth = case.profile(position), case.thermal(position)
    true_c = dict(zip(map(round, truth["series_10s"]["t"]), truth["series_10s"]["oil_c"], strict=True))
    observer, rows, state = HeatObserver(Capacities.of(profile), make_prior(profile)), [], None
    for end_s, tile in case.tiles[position]:
        state = observer.step(tile, frozen=end_s > frozen_from_s)
        if end_s >= 600.0 and round(end_s) in true_c:
            rows.append((end_s, state.oil_c - true_c[round(end_s)], state.oil_sd_k))
    assert observer.refused_count == 0
    return state, truth, np.array(rows)


@pytest.mark.parametrize(
    ("case", "position", "limit_k"),
    [
        ("H_heatsoak", "front_left", 1.0),
        ("H_heatsoak", "rear_right", 1.0),
        ("I_fade", "front_left", 1.0),
    ],
)
def test_the_oil_is_known_to_a_kelvin_after_ten_minutes(case, position, limit_k):
    """Against a simulation of another program; 1 K rms is asked for. Measured: 0.59, 0.63 and 0.55 K."""
    _, _, rows = run_case(case, position)
    assert len(rows) > 90
    assert np.sqrt(np.mean(rows[:, 1] ** 2)) < limit_k
    # Nor is it ever further off than three times what it says.
    assert (np.abs(rows[:, 1]) < 3.0 * rows[:, 2]).all()


@pytest.mark.parametrize("position", ["front_left", "rear_right"])
def test_cooling_is_learned_from_forty_minutes_of_driving_and_a_stop(position):
    """Asked for: hA at rest within 15 %, at 16 m/s within 5 %. Measured: 0.2 and 1.5 %, 1.8 and 0.3 %."""
    state, truth, _ = run_case("H_heatsoak", position)
    assert state.laws.ha_w_per_k(0.0) == pytest.approx(truth["hA0"], rel=0.15)
    assert state.laws.ha_w_per_k(16.0) == pytest.approx(truth["hA0"] + truth["hA1"] * 16.0**0.8, rel=0.05)


def test_heat_that_falls_short_of_the_curve_makes_the_oil_look_hotter_never_cooler():
    """A damper that lost 30 % of its force gets 30 % less heat than is computed; five standard deviations of
    what the filter allows for. Not within 1 K then: measured 5.8 K rms, too hot, so a limit is met early."""
    _, _, rows = run_case("I_fade", "rear_right")
    before, after = rows[rows[:, 0] < 736.0], rows[rows[:, 0] > 800.0]
    assert np.sqrt(np.mean(before[:, 1] ** 2)) < 1.0
    assert (after[:, 1] > 0.0).all()
    assert np.abs(after[:, 1]).max() < 12.0


# -- what the filter is made of -------------------------------------------------------------------


def test_between_measurements_it_is_the_two_nodes():
    """The plain floats of a tile against heat/model.py; rounding alone."""
    observer = HeatObserver(NODES, PRIOR)
    tile = HeatInput(1.0, 700.0, 1.0, 0.4, None, 20.0, 14.0)
    before = observer.step(tile)
    for _ in range(5):
        state = observer.step(tile)
        around = Surroundings(700.0, state.g_w_per_k, state.ha_w_per_k, state.air_c, state.external_w)
        oil, body = advance(NODES, around, before.oil_c, before.body_c, 1.0)
        assert state.oil_c == pytest.approx(float(oil), abs=1e-9)
        assert state.body_c == pytest.approx(float(body), abs=1e-9)
        before = state


@pytest.mark.parametrize("length", [2, 5])
def test_how_long_tiles_are_hardly_matters(length):
    """The same seconds in longer tiles: within 0.3 K, whose stated uncertainty is above 1 K."""
    runs = one_drive()
    _, states = follow(runs, 0, stop=900)
    observer = HeatObserver(NODES, PRIOR)
    for start in range(0, 900, length):
        part = slice(start, start + length)
        tile = replace(
            runs.tile(0, start),
            seconds=float(length),
            power_w=float(runs.power_w[part].mean()),
            rms_mps=float(np.sqrt((runs.rms_mps[part] ** 2).mean())),
            body_c=float(runs.measured_c[0, part].mean()),
            air_c=float(runs.air_c[part].mean()),
        )
        state = observer.step(tile)
    assert state.oil_c == pytest.approx(states[-1].oil_c, abs=0.3)
    assert states[-1].oil_sd_k > 0.5


@pytest.mark.parametrize("cut", [3, 137, 950])
def test_a_restart_changes_nothing_to_the_bit(cut):
    runs = one_drive()
    through, _ = follow(runs, 0, stop=cut)
    stored = json.loads(json.dumps(through.to_dict()))
    restored = HeatObserver.from_dict(NODES, stored)
    assert restored.state() == through.state()
    _, ours = follow(runs, 0, observer=restored, start=cut, stop=cut + 200)
    _, theirs = follow(runs, 0, observer=through, start=cut, stop=cut + 200)
    assert ours == theirs
    assert restored.to_dict() == through.to_dict()
    assert restored.learning.evidence == through.learning.evidence


def test_whatever_is_missing_the_covariance_stays_one():
    """Inputs come and go at random: symmetric, no negative eigenvalue beyond rounding, estimates sane."""
    rng = np.random.default_rng(3)
    runs, observer = one_drive(), HeatObserver(NODES, PRIOR)
    names = ("power_w", "rms_mps", "body_c", "air_c", "speed_mps")
    missing = np.zeros(len(names), bool)
    for t in range(runs.seconds):
        missing ^= rng.random(len(names)) < 0.01
        lost = {name: None for name, is_lost in zip(names, missing, strict=True) if is_lost}
        state = observer.step(replace(runs.tile(0, t), **lost), frozen=bool(t // 100 % 2))
        if t % 50 == 0:
            for p in observer.to_dict()["covariances"]:
                full = np.zeros((11, 11))
                full[np.triu_indices(11)] = p
                full = full + np.triu(full, 1).T
                scale = np.sqrt(np.diag(full))
                assert np.linalg.eigvalsh(full / np.outer(scale, scale)).min() > -1e-9
        assert abs(state.oil_c - runs.oil_c[0, t]) < 5.0 * state.oil_sd_k + 1.0
    assert observer.learning.evidence.refused_s > 100.0


# -- without an input -----------------------------------------------------------------------------


def test_without_a_thermocouple_uncertainty_grows_and_the_oil_stays_within_it():
    runs = one_drive()
    observer, before = follow(runs, 0, stop=600)
    observer, blind = follow(
        runs, 0, observer=observer, start=600, stop=1200, change=lambda tile: replace(tile, body_c=None)
    )
    assert blind[-1].body_sd_k > 10.0 * before[-1].body_sd_k
    errors = np.array([s.oil_c for s in blind]) - runs.oil_c[0, 600:1200]
    assert (np.abs(errors) < 3.0 * np.array([s.oil_sd_k for s in blind]) + 0.5).all()
    assert blind[-1].laws.ha_w_per_k(10.0) == pytest.approx(blind[0].laws.ha_w_per_k(10.0), rel=1e-9)
    _, after = follow(runs, 0, observer=observer, start=1200, stop=1260)
    assert after[-1].body_sd_k < 0.3
    assert observer.readmitted_count == 0


def test_without_travel_the_body_tells_the_heat():
    """Ten minutes without travel: the heat that the filter infers is nearer than what it assumed would be."""
    runs = one_drive()

    def lose(tile):
        return replace(tile, power_w=None, measured_ratio=0.0, rms_mps=None)

    observer, with_travel = follow(runs, 0, stop=300)
    _, seen = follow(runs, 0, observer=observer, start=300, stop=900, change=lose)
    errors = np.array([s.oil_c for s in seen]) - runs.oil_c[0, 300:900]
    assert seen[-1].oil_sd_k > 1.3 * with_travel[-1].oil_sd_k
    assert (np.abs(errors) < 3.0 * np.array([s.oil_sd_k for s in seen])).all()
    blind, _ = follow(runs, 0, stop=300)
    _, unseen = follow(
        runs, 0, observer=blind, start=300, stop=900, change=lambda tile: replace(lose(tile), body_c=None)
    )
    assert unseen[-1].oil_sd_k > 1.5 * seen[-1].oil_sd_k


def test_a_stop_without_travel_is_taken_as_little_heat():
    """A vehicle at rest: what its dampers did minutes ago isn't what they do now."""
    runs = one_drive()
    observer, _ = follow(runs, 0, stop=900)

    def lose(tile):
        return replace(tile, power_w=None, measured_ratio=0.0, rms_mps=0.0, speed_mps=0.0, body_c=None)

    before = observer.state()
    _, states = follow(runs, 0, observer=observer, start=1200, stop=1500, change=lose)
    assert states[-1].oil_c < before.oil_c - 3.0


def test_unknown_speed_widens_cooling_and_is_never_taken_as_rest():
    runs = one_drive()
    observer, before = follow(runs, 0, stop=600)
    _, states = follow(
        runs, 0, observer=observer, start=600, stop=630, change=lambda tile: replace(tile, speed_mps=None)
    )
    laws = states[0].laws
    assert states[0].ha_log_sd > 0.7 > 3.0 * before[-1].ha_log_sd
    assert laws.ha_w_per_k(1.0) < states[0].ha_w_per_k < laws.ha_w_per_k(40.0)
    # With the body measured, cooling is found out.
    assert states[-1].ha_log_sd < 0.5 * states[0].ha_log_sd
    _, later = follow(
        runs, 0, observer=observer, start=630, stop=900, change=lambda tile: replace(tile, speed_mps=None)
    )
    assert later[-1].ha_log_sd < 0.5 * states[0].ha_log_sd
    assert abs(later[-1].oil_c - runs.oil_c[0, 899]) < 3.0 * later[-1].oil_sd_k


def test_without_the_airs_temperature_the_last_one_holds_and_widens():
    runs = one_drive()
    observer, before = follow(runs, 0, stop=300)
    # Body missing too: nothing else tells of the air.
    _, states = follow(
        runs, 0, observer=observer, start=300, stop=1500, change=lambda tile: replace(tile, air_c=None, body_c=None)
    )
    assert states[0].air_c == pytest.approx(before[-1].air_c, abs=0.05)
    assert states[-1].air_c == pytest.approx(AIR_C, abs=0.5)
    # A random walk of 0.05 K in a second: 1.7 K after 1200 s.
    assert states[-1].air_sd_k == pytest.approx(math.sqrt(0.05**2 * 1200 + before[-1].air_sd_k ** 2), rel=0.05)


def test_nothing_measured_at_all_is_said_by_a_wide_uncertainty():
    state = HeatObserver(NODES, PRIOR).step(HeatInput(1.0, None, 0.0, None, None, None, None))
    assert state.air_sd_k >= 14.0
    assert state.oil_sd_k >= 20.0
    assert state.ha_log_sd > 0.0


# -- gaps and jumps -------------------------------------------------------------------------------


def test_a_gap_widens_what_is_known_by_its_length_up_to_a_limit():
    runs = one_drive()
    observer, _ = follow(runs, 0, stop=900)
    stored = observer.to_dict()
    known = observer.state()
    widths, temperatures = [], []
    for gap_s in (0.0, 60.0, 600.0, 3600.0, 86_400.0, 3e7):
        restored = HeatObserver.from_dict(NODES, stored)
        restored.skip(gap_s)
        widths.append(restored.state().oil_sd_k)
        temperatures.append(restored.state().oil_c)
    assert widths[0] == known.oil_sd_k
    # What the hypotheses don't agree on comes on top and shrinks: a hundredth of it.
    assert (np.diff(widths) > -0.02 * np.array(widths[1:])).all()
    assert widths[1] > 3.0
    assert widths[-1] < 26.5
    assert temperatures == sorted(temperatures, reverse=True)
    assert temperatures[-1] == pytest.approx(AIR_C, abs=1.0)
    # Whatever happened meanwhile, the first body temperature is believed.
    state = restored.step(replace(runs.tile(0, 0), body_c=AIR_C + 45.0))
    for _ in range(20):
        state = restored.step(replace(runs.tile(0, 0), body_c=AIR_C + 45.0))
    assert restored.refused_count == 0
    assert state.body_c == pytest.approx(AIR_C + 45.0, abs=0.5)


def test_a_sensor_that_jumps_is_refused_counted_and_in_the_end_believed():
    runs = one_drive()
    observer, _ = follow(runs, 0, stop=600)
    _, during = follow(
        runs, 0, observer=observer, start=600, stop=610, change=lambda t: replace(t, body_c=t.body_c + 40.0)
    )
    assert observer.refused_count == 10
    assert abs(during[-1].body_c - runs.body_c[0, 609]) < 1.0
    _, after = follow(runs, 0, observer=observer, start=610, stop=640)
    assert observer.refused_count == 10
    assert observer.readmitted_count == 0
    assert abs(after[-1].body_c - runs.body_c[0, 639]) < 0.5
    steps = READMIT_TILES + 20
    _, moved = follow(
        runs, 0, observer=observer, start=640, stop=640 + steps, change=lambda t: replace(t, body_c=t.body_c + 40.0)
    )
    assert observer.readmitted_count == 1
    assert observer.refused_count == 10 + READMIT_TILES
    assert abs(moved[-1].body_c - runs.body_c[0, 639 + steps] - 40.0) < 2.0


# -- nonsense -------------------------------------------------------------------------------------


def test_nonsense_is_refused():
    with pytest.raises(InputError, match="before the first tile"):
        HeatObserver(NODES, PRIOR).state()
    observer = HeatObserver(NODES, PRIOR)
    with pytest.raises(InputError, match="gap of -1"):
        observer.skip(-1.0)
    stored = observer.to_dict()
    with pytest.raises(InputError, match="schema 7"):
        HeatObserver.from_dict(NODES, stored | {"schema": 7})
    with pytest.raises(InputError, match="lacks or garbles"):
        HeatObserver.from_dict(NODES, {key: value for key, value in stored.items() if key != "weights"})
    with pytest.raises(InputError, match="finite"):
        HeatObserver.from_dict(NODES, stored | {"means": [[math.nan] * 11] * len(stored["weights"])})
    with pytest.raises(InputError, match="expected more than 0"):
        HeatInput(0.0, None, 0.0, None, None, None, None)
    with pytest.raises(InputError, match="given as None"):
        HeatInput(1.0, math.nan, 1.0, None, None, None, None)
    with pytest.raises(InputError, match="expected 0 to 1"):
        HeatInput(1.0, 5.0, 1.2, None, None, None, None)


def test_capacities_that_are_none_are_refused_at_once():
    with pytest.raises(InputError, match="above 0"):
        HeatObserver(Capacities(0.0, 100.0), PRIOR)


def test_the_state_tells_its_standard_deviations():
    state = HeatObserver(NODES, PRIOR).step(HeatInput(1.0, 0.0, 1.0, 0.0, 25.0, 25.0, 0.0))
    assert state.oil_sd_k**2 == pytest.approx(state.covariance_k2[OIL][OIL])
    assert state.body_sd_k**2 == pytest.approx(state.covariance_k2[BODY][BODY])
