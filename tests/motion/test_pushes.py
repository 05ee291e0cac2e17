"""Pushes found in travel, put together for each corner, and compared with what is stated about chance."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dutylog.motion import pushes
from dutylog.motion.free_decay import Decay, NoDecay, fit_free_decay
from dutylog.motion.pushes import ALIKE, FELL, ROSE, UNSURE, compare, find_pushes, summarise
from motion.pushed import DEMO, GAP_S, LEAD_S, in_turn_m, linear_vehicle, means, push_travel_m, sense_m
from motion.whole_body import corner_travel_m

NOISE_M = np.full(4, 3e-5)


def found_in(travel_m):
    """Return the pushes in travel (n, wheels) at 1 kHz."""
    rng = np.random.default_rng(4)
    return find_pushes(means(sense_m(travel_m, "adc12", rng)).T, 100.0, NOISE_M[: travel_m.shape[1]])


def result(ratio, count=3, spread=0.0, swing_m=0.01, hz=1.2):
    """Return what `count` pushes about a ratio say; spread: deviation of its logarithm."""
    steps = np.linspace(-1.0, 1.0, count)
    logs = spread * steps / np.std(steps, ddof=1) if count > 1 else np.zeros(1)
    made = summarise([(hz, ratio * math.exp(log), 0.001, swing_m) for log in logs])
    assert made is not None
    return made


def test_three_pushes_of_each_corner_are_found_where_they_were_made() -> None:
    travel_m = push_travel_m(DEMO)
    found = found_in(in_turn_m(travel_m))
    assert [push.corner for push in found] == [0, 0, 0, 1, 1, 1, 2, 2, 2, 3, 3, 3]
    assert all(isinstance(push.decay, Decay) for push in found)
    seconds = len(travel_m) / 1000
    for number, push in enumerate(found):
        # let go 0.4 s after the hand went down; the lowest point comes then or soon after
        went_down_s = push.corner * seconds + LEAD_S + number % 3 * GAP_S
        assert 0.3 < push.time_s - went_down_s < 0.7
        assert 0.006 < push.push_m < 0.03


def test_a_corner_that_only_moves_along_is_not_pushed() -> None:
    """One corner is pushed, its neighbour follows by half."""
    alone = push_travel_m(DEMO)[:, :1]
    rest = alone[:1]
    found = found_in(np.hstack([alone, rest + 0.5 * (alone - rest)]))
    assert {push.corner for push in found} == {0}
    both = found_in(np.hstack([alone, rest + 0.95 * (alone - rest)]))
    assert [push.corner for push in both].count(1) == 3


def test_pumping_counts_once_when_it_is_let_go() -> None:
    """Who rocks the body up gives it several turning points; only behind the last one is it free."""
    travel_m = push_travel_m(DEMO, gap_s=0.85)[:, :1]
    found = found_in(travel_m)
    assert [isinstance(push.decay, Decay) for push in found].count(True) == 1
    assert isinstance(found[-1].decay, Decay)
    assert found[-1].time_s > LEAD_S + 2 * 0.85
    assert all(isinstance(push.decay, NoDecay) for push in found[:-1])


def test_nobody_pushes_and_nothing_is_found() -> None:
    assert found_in(np.full((8000, 4), 0.1)) == []
    assert found_in(np.full((500, 4), 0.1)) == []


def test_pushes_are_put_together_by_their_geometric_mean() -> None:
    made = summarise([(1.1, 0.2, 0.0, 0.010), (1.2, 0.4, 0.0, 0.014)])
    assert made is not None
    assert made.ratio == pytest.approx(math.sqrt(0.08))
    assert made.frequency_hz == pytest.approx(1.15)
    assert made.spread_ratio == pytest.approx(0.2 / math.sqrt(0.08))
    assert made.swing_m == pytest.approx(0.012)
    one = math.log(2.0) / math.sqrt(2.0)  # deviation of two values a factor of two apart
    assert made.log_sd_one == pytest.approx(one)
    assert made.ratio_sd == pytest.approx(made.ratio * one / math.sqrt(2.0))
    assert summarise([]) is None


def test_three_pushes_that_agree_by_chance_are_not_believed_to_be_exact() -> None:
    assert result(0.3).log_sd_one == pushes.LEAST_SPREAD_RATIO


@pytest.mark.parametrize(
    ("now", "before", "verdict"),
    [(0.21, 0.3, FELL), (0.3, 0.21, ROSE), (0.29, 0.3, ALIKE), (0.275, 0.3, ALIKE)],
)
def test_a_change_is_told_where_pushes_differ_by_less(now: float, before: float, verdict: str) -> None:
    made = compare(result(now), result(before))
    assert made.verdict == verdict
    assert made.change_ratio == pytest.approx(now / before - 1.0)
    assert made.limit_ratio == pytest.approx(0.1)
    assert made.notes == ()


def test_pushes_that_differ_much_prove_nothing() -> None:
    """The same fall by 30 %, with pushes 0.2 apart: Student's factor for 4 degrees of freedom decides."""
    made = compare(result(0.21, spread=0.2), result(0.3, spread=0.2))
    assert made.verdict == ALIKE
    assert made.limit_ratio == pytest.approx(-math.expm1(-4.604 * 0.2 * math.sqrt(2 / 3)), rel=1e-6)


def test_one_push_against_one_push_can_not_be_judged() -> None:
    assert compare(result(0.21, count=1), result(0.3, count=1)).verdict == UNSURE
    assert compare(result(0.15, count=1), result(0.3, count=3)).verdict == FELL


def test_other_pushes_and_another_load_are_noted() -> None:
    made = compare(result(0.21, swing_m=0.02, hz=1.3), result(0.3))
    assert "push alike" in made.notes[0]
    assert "load, spring or tyre pressure" in made.notes[1]


def test_the_table_of_student_s_distribution_is_right() -> None:
    """Its density integrated numerically to the tabled quantile leaves one in two hundred on either side."""
    for freedom, quantile in enumerate(pushes._STUDENT_99, start=1):
        scale = math.gamma((freedom + 1) / 2) / (math.sqrt(freedom * math.pi) * math.gamma(freedom / 2))
        x = np.linspace(0.0, quantile, 200_001)
        density = scale * (1.0 + x * x / freedom) ** (-(freedom + 1) / 2)
        # tabled to three digits: half of the last one is worth up to 5e-6
        assert 0.5 - np.trapezoid(density, x) == pytest.approx(0.005, abs=5e-6)


@pytest.mark.parametrize("spread", [0.02, 0.06, 0.12])
def test_a_sound_corner_is_called_changed_once_in_a_hundred_at_most(spread: float) -> None:
    """2000 pairs of tests of three pushes each, nothing changed: 1 % and three deviations of that count, no more."""
    rng = np.random.default_rng(6)
    false = 0
    for _ in range(2000):
        now, before = (
            summarise([(1.2, 0.3 * math.exp(spread * rng.standard_normal()), 0.0, 0.01) for _ in range(3)])
            for _ in range(2)
        )
        assert now is not None
        assert before is not None
        false += compare(now, before).verdict in (FELL, ROSE)
    assert false <= 2000 * 0.01 + 3 * math.sqrt(2000 * 0.01)


def test_a_third_less_damping_is_told_of_every_corner() -> None:
    """Simulated: linear dampers of which 30 % are gone, three pushes each with a 12-bit sensor."""
    before, after = (
        [
            summarise([(p.decay.frequency_hz, p.decay.ratio, p.decay.ratio_sd, p.decay.swing_m) for p in found
                       if p.corner == corner and isinstance(p.decay, Decay)])
            for corner in range(4)
        ]
        for found in (
            found_in(in_turn_m(push_travel_m(linear_vehicle(6000.0), factor=factor))) for factor in (1.0, 0.7)
        )
    )  # fmt: skip
    for now, then in zip(after, before, strict=True):
        assert now is not None
        assert then is not None
        made = compare(now, then)
        assert made.verdict == FELL
        assert made.change_ratio == pytest.approx(-0.3, abs=0.015)


def corner_results(weak: float, pushed: int) -> list[float]:
    """Return the damping ratios of both ends of the pushed axle, each pushed; weak: of the first one's damping."""
    nspm = np.array([2300.0, 2300.0, 2600.0, 2600.0])
    nspm[pushed] *= weak
    ratios = []
    for corner in (pushed, pushed + 1):
        travel_m = corner_travel_m(nspm, corner)[:, corner]
        decay = fit_free_decay(means(travel_m[int(np.argmax(travel_m)) :]), 100.0, 1e-5)
        assert isinstance(decay, Decay)
        ratios.append(decay.ratio)
    return ratios


@pytest.mark.parametrize("pushed", [0, 2])
def test_on_a_whole_body_the_neighbours_share_what_one_damper_loses(pushed: int) -> None:
    """Heave, roll and pitch together: 30 % less of one damper is 20 % less at its corner and 9 % at the other side.

    So a fall told is one, and smaller than the damper's own; shared/PUSH_TEST.md says so. Springs and dampers are
    linear, the figures are those of one generic vehicle, the tolerance 3 points.
    """
    sound, weak = corner_results(1.0, pushed), corner_results(0.7, pushed)
    assert sound[0] == pytest.approx(sound[1], rel=1e-6)
    assert weak[0] / sound[0] == pytest.approx(0.80, abs=0.03)
    assert weak[1] / sound[1] == pytest.approx(0.91, abs=0.03)
    assert corner_results(0.4, pushed)[0] / sound[0] == pytest.approx(0.59, abs=0.03)
