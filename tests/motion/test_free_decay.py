"""Free decays: against closed forms, both masses of the quarter car, sensors' noise, and what isn't free."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dutylog.errors import InputError
from dutylog.motion.free_decay import (
    Decay,
    NoDecay,
    find_extremes,
    fit_free_decay,
    ratio_of_decrement,
    ratio_of_extremes,
)
from motion.pushed import DEMO, GRADES_MM, LEAD_S, body_mode, linear_vehicle, means, push_travel_m, sense_m

RATE_HZ = 100.0


def release_m(ratio, natural_hz, swing_m, seconds=3.0, rest_m=0.1, rate_hz=RATE_HZ):
    """Return the travel of one mass let go from rest: the closed form of m x'' + c x' + k x = 0."""
    time_s = np.arange(round(seconds * rate_hz)) / rate_hz
    natural = 2 * math.pi * natural_hz
    damped = natural * math.sqrt(1.0 - ratio**2)
    fall = np.exp(-ratio * natural * time_s)
    return rest_m + swing_m * fall * (np.cos(damped * time_s) + ratio * natural / damped * np.sin(damped * time_s))


def decay_of(travel_m, noise_m=0.0, rate_hz=RATE_HZ):
    found = fit_free_decay(travel_m, rate_hz, noise_m)
    assert isinstance(found, Decay), found
    return found


def reason_of(travel_m, noise_m=0.0):
    found = fit_free_decay(travel_m, RATE_HZ, noise_m)
    assert isinstance(found, NoDecay), found
    return found.reason


@pytest.mark.parametrize("ratio", [0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.75])
@pytest.mark.parametrize("natural_hz", [0.8, 1.2, 2.5])
def test_one_mass_let_go_gives_its_own_figures_back(ratio: float, natural_hz: float) -> None:
    """Exact: nothing but rounding may be left where travel is the model itself, however heavily damped."""
    found = decay_of(release_m(ratio, natural_hz, 0.015))
    assert found.ratio == pytest.approx(ratio, abs=1e-6)
    assert found.frequency_hz == pytest.approx(natural_hz, rel=1e-6)
    assert found.rest_m == pytest.approx(0.1, abs=1e-8)
    assert found.left_over_ratio < 1e-6


def test_the_decrement_of_a_published_example() -> None:
    """A mass of 8 kg on 5400 N/m, 40 N at 1 m/s: damping factor 0.096, decrement 0.6, amplitudes 1 : 1.82.

    Source: worked example, sarthaks.com/492092 (rounded as printed there: critical damping 416 N s/m).
    """
    ratio = 40.0 / (2.0 * math.sqrt(5400.0 * 8.0))
    assert ratio == pytest.approx(0.096, abs=5e-4)
    assert ratio_of_decrement(0.6) == pytest.approx(ratio, abs=2e-3)
    assert ratio_of_decrement(math.log(1.82)) == pytest.approx(ratio, abs=2e-3)
    found = decay_of(release_m(ratio, math.sqrt(5400.0 / 8.0) / (2 * math.pi), 0.02))
    assert found.ratio == pytest.approx(0.096, abs=5e-4)


def test_the_decrement_of_a_heavily_damped_handbook_example() -> None:
    """Half a cycle leaves a quarter of the amplitude: decrement 2 ln 4 = 2.7726, damping ratio 0.4037.

    Source: S. S. Rao, Mechanical Vibrations, example of a motorcycle's shock absorber (m 200 kg, damped
    period 2 s, natural 3.4338 rad/s), from memory.
    """
    ratio = ratio_of_decrement(2.0 * math.log(4.0))
    assert ratio == pytest.approx(0.4037, abs=5e-5)
    natural = 2 * math.pi / 2.0 / math.sqrt(1.0 - ratio**2)
    assert natural == pytest.approx(3.4338, abs=5e-4)
    found = decay_of(release_m(ratio, natural / (2 * math.pi), 0.2, seconds=6.0))
    assert found.ratio == pytest.approx(0.4037, abs=5e-5)
    assert 2 * math.pi * found.frequency_hz == pytest.approx(3.4338, abs=5e-4)


def test_three_extremes_are_enough_and_the_rest_need_not_be_known() -> None:
    shrink = math.exp(-math.pi * 0.3 / math.sqrt(1.0 - 0.3**2))
    extremes = 0.12 + 0.02 * np.array([1.0, -shrink, shrink**2])
    assert ratio_of_extremes(extremes) == pytest.approx(0.3, abs=1e-9)
    assert ratio_of_extremes(extremes[:2]) is None
    assert ratio_of_extremes(np.array([1.0, -1.0, 1.5])) is None


def test_extremes_are_turning_points_that_are_retraced() -> None:
    zigzag = np.concatenate(
        [np.linspace(a, b, 40) for a, b in ((0, 10), (10, -4), (-4, -3), (-3, -6), (-6, 2), (2, 0.5))]
    )
    found = find_extremes(zigzag, 20.0, 2.0)
    assert found == pytest.approx([10.0, -6.0], abs=0.3)


@pytest.mark.parametrize("grade", sorted(GRADES_MM))
@pytest.mark.parametrize("ratio", [0.2, 0.35, 0.5])
def test_noise_of_every_grade_is_within_what_is_stated(grade: str, ratio: float) -> None:
    """Swings of 10 to 20 mm: bias below 0.002, scatter below 0.006, truth within two deviations 9 times in 10."""
    rng = np.random.default_rng(11)
    off, stated = [], []
    for _ in range(30):
        natural_hz, swing_m = rng.uniform(1.0, 1.8), rng.uniform(0.01, 0.02)
        raw_m = sense_m(release_m(ratio, natural_hz, swing_m, rate_hz=1000.0), grade, rng)
        noise_m = float(np.std(np.diff(raw_m))) / math.sqrt(20.0)
        found = decay_of(means(raw_m), noise_m)
        off.append(found.ratio - ratio)
        stated.append(found.ratio_sd)
        assert found.frequency_hz == pytest.approx(natural_hz, rel=0.02)
    assert abs(np.mean(off)) < 0.002
    assert np.std(off) < 0.006
    assert np.mean(np.abs(off) < 2.0 * np.array(stated)) >= 0.9


def after_push_m(travel_m, wheel, number=0):
    """Return travel from the turning point of one of the pushes on, as means of 10 ms."""
    start = round((LEAD_S + number * 3.2) * 1000)
    part = travel_m[start : start + 3200, wheel]
    return means(part[int(np.argmax(part)) :])


@pytest.mark.parametrize("nspm", [3000.0, 4200.0, 6000.0, 8000.0])
@pytest.mark.parametrize("wheel", [0, 2])
def test_both_masses_of_a_linear_quarter_car_give_the_body_s_mode(nspm: float, wheel: int) -> None:
    """The tyre is a spring in series and the wheel a second mass: what comes out is the body's pole of both.

    Tolerance 0.006 in the ratio and 1.5 % in frequency: nitrogen and spring aren't quite straight over the swing.
    """
    vehicle = linear_vehicle(nspm)
    natural_hz, ratio = body_mode(vehicle, wheel, nspm)
    assert 0.12 < ratio < 0.55
    found = decay_of(after_push_m(push_travel_m(vehicle), wheel))
    assert found.ratio == pytest.approx(ratio, abs=0.006)
    assert found.frequency_hz == pytest.approx(natural_hz, rel=0.015)


@pytest.mark.parametrize("wheel", [0, 2])
def test_dampers_stiffer_in_rebound_are_seen_to_lose_a_third(wheel: int) -> None:
    """No damper is linear: the ratio is then one of this swing, and falls at least as much as the force does."""
    sound, worn = (decay_of(after_push_m(push_travel_m(DEMO, factor=factor), wheel)) for factor in (1.0, 0.7))
    assert 0.25 < sound.ratio < 0.55
    assert 0.55 < worn.ratio / sound.ratio < 0.72
    assert sound.left_over_ratio < 0.03
    assert sound.ratio_sd > 0.01  # the start matters, and that is told


def test_a_hand_that_lets_go_slowly_changes_little() -> None:
    quick, slow = (decay_of(after_push_m(push_travel_m(DEMO, letgo_s=letgo_s), 0)).ratio for letgo_s in (0.05, 0.2))
    assert slow == pytest.approx(quick, rel=0.03)


def test_a_second_push_is_no_free_decay() -> None:
    travel_m = release_m(0.25, 1.2, 0.015)
    travel_m[90:] += release_m(0.25, 1.2, 0.02, rest_m=0.0)[: len(travel_m) - 90]
    assert "pushed again" in reason_of(travel_m)


def test_growing_swings_are_no_free_decay() -> None:
    time_s = np.arange(300) / RATE_HZ
    reason = reason_of(0.1 + 0.005 * np.exp(0.3 * time_s) * np.cos(2 * np.pi * 1.2 * time_s))
    assert "no free swing fits" in reason or "pushed again" in reason


def test_creeping_back_has_no_ratio() -> None:
    """Somebody leans on, or the damper is far over critical: there is no overshoot to measure by."""
    time_s = np.arange(300) / RATE_HZ
    assert "creeps back" in reason_of(0.1 + 0.015 * np.exp(-1.5 * time_s))


def test_a_stretch_cut_short_says_so() -> None:
    assert reason_of(release_m(0.3, 1.2, 0.015, seconds=0.1)) == "only 0.1 s of travel"
    assert "at least 0.75 are needed" in reason_of(release_m(0.3, 1.2, 0.015, seconds=0.7))


def test_a_swing_that_drowns_in_noise_says_so() -> None:
    rng = np.random.default_rng(2)
    travel_m = release_m(0.3, 1.2, 0.001) + 2e-4 * rng.standard_normal(300)
    assert "too little over a noise of 0.20 mm" in reason_of(travel_m, 2e-4)
    assert "it moves 0.0 mm" in reason_of(np.full(300, 0.1))


def test_noise_alone_never_has_a_damping_ratio() -> None:
    """Nobody pushed: 60 stretches of noise and of a wandering rest, no figure from any."""
    rng = np.random.default_rng(3)
    for _ in range(30):
        assert isinstance(fit_free_decay(0.1 + 1e-4 * rng.standard_normal(300), RATE_HZ, 1e-4), NoDecay)
        wander = 0.1 + 2e-4 * np.cumsum(rng.standard_normal(300))
        found = fit_free_decay(wander, RATE_HZ, 1e-4)
        assert isinstance(found, NoDecay) or found.left_over_ratio > 0.04 or found.swing_m < 0.004


def rough_m(rng, road_ratio):
    """Return a swing of 20 mm with so much of a road's wandering in it."""
    road = np.convolve(rng.standard_normal(290), np.exp(-np.arange(101) / 8.0), mode="valid")
    return release_m(rng.uniform(0.15, 0.5), rng.uniform(0.9, 1.8), 0.02, seconds=1.9) + 0.02 * road_ratio * (
        road / np.std(road)
    )


def test_a_lower_limit_gives_up_earlier_and_changes_no_figure() -> None:
    """What leaves 8 % at most is found alike with either limit, and nothing else with the lower one."""
    rng = np.random.default_rng(5)
    found, reasons = 0, []
    for _ in range(60):
        travel_m = rough_m(rng, rng.uniform(0.0, 0.2))
        plain, strict = fit_free_decay(travel_m, RATE_HZ, 1e-5), fit_free_decay(travel_m, RATE_HZ, 1e-5, 0.08)
        if isinstance(plain, Decay) and plain.left_over_ratio <= 0.08:
            found += 1
            assert strict == plain
        else:
            assert isinstance(strict, NoDecay)
            reasons.append(strict.reason)
    assert found >= 15
    assert sum("at a second look (at most 16%)" in reason for reason in reasons) >= 5


def test_what_is_not_finite_is_the_callers_fault() -> None:
    travel_m = release_m(0.3, 1.2, 0.015)
    travel_m[7] = np.nan
    with pytest.raises(InputError, match="not all finite"):
        fit_free_decay(travel_m, RATE_HZ, 0.0)
    with pytest.raises(InputError, match="free decay of"):
        fit_free_decay(travel_m[:5], 0.0, 0.0)


@pytest.mark.parametrize(("rate_hz", "count"), [(50.0, 12), (100.0, 20), (100.0, 40), (150.0, 40)])
def test_a_swing_too_short_for_a_second_look_is_judged_without(rate_hz: float, count: int) -> None:
    """Of a slow beginning so little is there that nothing lies behind the start of a fit."""
    time_s = np.arange(count) / rate_hz
    for hertz in (0.5, 0.8, 1.2, 2.0):
        for shape in (np.exp(-3.0 * time_s) * np.cos(2.0 * np.pi * hertz * time_s), time_s):
            assert isinstance(fit_free_decay(0.1 + 0.02 * shape, rate_hz, 1e-5, 0.08), NoDecay)
