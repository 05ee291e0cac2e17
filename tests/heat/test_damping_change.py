"""The sequential test against closed forms and a published table."""

from __future__ import annotations

import math

import numpy as np
import pytest

from dutylog.heat.damping_change import MOST_SCORE, Cusum


def run_lengths(mean: float, threshold: float, runs: int, seed: int) -> np.ndarray:
    """Return after how many scores each run calls: scores of N(mean, 1), none cut."""
    rng, lengths = np.random.default_rng(seed), []
    for _ in range(runs):
        test, count = Cusum(), 0
        while True:
            block = rng.normal(mean, 1.0, 256).tolist()
            for score in block:
                count += 1
                if test.add(score, math.inf) >= threshold:
                    break
            else:
                continue
            break
        lengths.append(count)
    return np.array(lengths)


def siegmund(mean: float, threshold: float) -> float:
    """Siegmund 1985, Sequential Analysis: (exp(-2 m b) + 2 m b - 1) / (2 m^2), b = h + 1.166 (from memory)."""
    b = threshold + 1.166
    return (math.exp(-2.0 * mean * b) + 2.0 * mean * b - 1.0) / (2.0 * mean * mean)


@pytest.mark.parametrize(
    ("mean", "threshold", "published"),
    [(-0.5, 3.0, 117.6), (-0.5, 4.0, 336.0), (0.5, 4.0, 8.38), (0.5, 5.0, 10.4), (1.5, 4.0, 3.34)],
)
def test_run_lengths_are_the_published_ones(mean, threshold, published):
    """A normal mean that shifts by one standard deviation is this test with scores of N(-1/2, 1) before and N(1/2, 1)
    after. Published for reference value 1/2: one-sided run lengths of 336 at 4 (168 on both sides), 8.38 and 10.4
    after the shift, 3.34 after twice of it (tables of statistical process control, from memory)."""
    lengths = run_lengths(mean, threshold, 1500, 3)
    error = lengths.std() / math.sqrt(len(lengths))
    assert abs(lengths.mean() - published) < 3.5 * error + 0.01 * published
    assert siegmund(mean, threshold) == pytest.approx(published, rel=0.06)


def test_false_calls_are_rarer_than_the_bound():
    """Lorden's bound: at least exp(h) scores to a false call, for scores that are logarithms of likelihood ratios."""
    assert run_lengths(-0.5, 4.0, 1500, 5).mean() > math.exp(4.0)


def test_one_score_moves_a_sum_by_so_much_and_no_more():
    test = Cusum()
    assert test.add(50.0) == MOST_SCORE
    assert test.add(50.0) == 2.0 * MOST_SCORE
    assert test.add(-50.0) == MOST_SCORE
    assert test.add(-50.0) == 0.0
    assert test.add(-50.0) == 0.0
