"""Noise tied to a place on the track is told from noise tied to a time, and splits and merges exactly."""

from __future__ import annotations

import itertools
import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.motion.worn_spot import (
    CLASS_MM,
    ENOUGH_CLASSES,
    ENOUGH_SAMPLES,
    FLOOR_M_RMS,
    FORGET_SAMPLES,
    LOWEST_CLASS,
    RATIO,
    WornSpotJudge,
    find_worn_mm,
)

N = 1000
NOISE_M = 0.00007


def drive(tiles, worn_mm=None, worn_m=0.001, amplitude_m=0.06, noise_m=NOISE_M, dampers=1):
    """Return (prepared, raw) of strokes around 120 mm; over `worn_mm` the samples are noisier."""
    rng = np.random.default_rng(11)
    time_s = np.arange(tiles * N) / N
    rows = [0.12 + amplitude_m * np.sin(2 * np.pi * (1.7 + 0.1 * d) * time_s) for d in range(dampers)]
    travel = np.array(rows).reshape(dampers, tiles, N)
    noise = rng.normal(0, noise_m, travel.shape)
    if worn_mm is not None:
        at = (travel[0] > worn_mm[0] / 1e3) & (travel[0] < worn_mm[1] / 1e3)
        noise[0, at] += rng.normal(0, worn_m, at.sum())
    return travel, travel + noise


def judge_of(travel, raw, steady=None):
    judge = WornSpotJudge(len(travel))
    judge.add(travel, raw, np.ones(travel.shape[:2], dtype=bool) if steady is None else steady)
    return judge


def test_a_worn_spot_is_found_where_it_is_and_only_once():
    judge = judge_of(*drive(60, (95, 105), dampers=2))
    assert judge.judge() == [0]
    assert judge.found_mm == [(95, 105), None]
    assert judge.judge() == []


@pytest.mark.parametrize("noise_m", [0.00002, 0.00007, 0.00022, 0.001])
def test_a_sound_track_is_never_called_worn(noise_m):
    assert judge_of(*drive(120, noise_m=noise_m)).judge() == []


def test_noise_that_comes_with_time_is_no_place():
    """An alternator that cuts in for 15 of 60 seconds, 2 mm rms: it is as loud in every class."""
    travel, raw = drive(60)
    raw[:, 20:35] += np.random.default_rng(2).normal(0, 0.002, raw[:, 20:35].shape)
    assert judge_of(travel, raw).judge() == []


def test_noise_where_the_vehicle_stands_is_no_place():
    """Parked at ride height with the engine cranking: the shaft doesn't sweep, so it doesn't count."""
    travel, raw = drive(60)
    still = np.full((1, 30, N), 0.12)
    loud = still + np.random.default_rng(2).normal(0, 0.003, still.shape)
    judge = judge_of(np.concatenate([travel, still], axis=1), np.concatenate([raw, loud], axis=1))
    assert judge.counts.sum() == judge_of(travel, raw).counts.sum()
    assert judge.judge() == []


def test_tiles_that_are_not_believed_dont_count():
    travel, raw = drive(4, (95, 105))
    steady = np.array([[True, False, True, False]])
    assert judge_of(travel, raw, steady).counts.sum() == 2 * len(range(0, N, 16))


def table(rms_um, samples):
    """Return counts and sums of classes from 0 mm on with the given rms and samples."""
    counts, sums = np.zeros(128, dtype=np.int64), np.zeros(128, dtype=np.int64)
    part = slice(-LOWEST_CLASS, -LOWEST_CLASS + len(rms_um))
    counts[part] = samples
    sums[part] = np.round(np.square(rms_um)) * samples
    return counts, sums


def test_each_limit_of_the_verdict_holds_by_itself():
    quiet = [100] * ENOUGH_CLASSES
    over = max(RATIO * 100, FLOOR_M_RMS * 1e6) + 1
    assert find_worn_mm(*table([*quiet, over], ENOUGH_SAMPLES)) == (40, 45)
    assert find_worn_mm(*table([*quiet, over - 2], ENOUGH_SAMPLES)) is None
    assert find_worn_mm(*table([*quiet, over], ENOUGH_SAMPLES - 1)) is None
    assert find_worn_mm(*table([*quiet[2:], over], ENOUGH_SAMPLES)) is None
    # Eight times a very quiet sensor is still nothing that costs energy.
    assert find_worn_mm(*table([20] * 8 + [FLOOR_M_RMS * 1e6], ENOUGH_SAMPLES)) is None


@pytest.mark.parametrize("rms_um", [299, 300, 301, 900])
def test_the_judge_says_what_a_look_at_every_class_says(rms_um):
    """It looks only where a class is above the floor."""
    counts, sums_um2 = table([20] * ENOUGH_CLASSES + [rms_um], ENOUGH_SAMPLES)
    judge = WornSpotJudge(2)
    judge.counts[0, : len(counts)], judge.sums_um2[0, : len(counts)] = counts, sums_um2
    expected = find_worn_mm(counts, sums_um2)
    assert judge.judge() == ([] if expected is None else [0])
    assert judge.found_mm == [expected, None]
    assert (expected is None) == (rms_um <= FLOOR_M_RMS * 1e6)


def test_the_range_covers_neighbours_that_stand_out_too():
    assert find_worn_mm(*table([50] * 9 + [400, 900, 301] + [50] * 3, 200)) == (45, 60)
    assert CLASS_MM == 5


@settings(max_examples=30, deadline=None)
@given(st.lists(st.integers(1, 19), max_size=4, unique=True))
def test_split_and_merged_anywhere_gives_the_same_bits(cuts):
    travel, raw = drive(20, (95, 105), dampers=2)
    whole, merged = judge_of(travel, raw), WornSpotJudge(2)
    edges = [0, *sorted(cuts), 20]
    for start, stop in itertools.pairwise(edges):
        part = judge_of(travel[:, start:stop], raw[:, start:stop])
        merged.merge(WornSpotJudge.from_list(json.loads(json.dumps(part.to_list()))))
    assert np.array_equal(merged.counts, whole.counts)
    assert np.array_equal(merged.sums_um2, whole.sums_um2)
    assert merged.to_list() == whole.to_list()


def test_travel_beyond_the_classes_stays_in_the_outer_ones():
    travel = np.linspace(-1.0, 1.0, N).reshape(1, 1, N)
    judge = judge_of(travel, travel + 1e-6)
    assert judge.counts.sum() == len(range(0, N, 16))
    assert judge.counts[0, 0] > 10
    assert judge.counts[0, -1] > 10


def test_the_far_past_fades_so_that_wear_shows_on_an_old_sensor():
    """After years of sound driving three hours of noise must be enough to be told."""
    judge = WornSpotJudge(1)
    quiet, loud = drive(60), drive(60, (95, 105))
    old = judge_of(*quiet)
    for _ in range(FORGET_SAMPLES // int(old.counts.sum()) * 20):
        judge.merge(old)
        assert judge.judge() == []
    assert judge.counts.sum() <= FORGET_SAMPLES
    minutes = 0
    while not judge.judge() and minutes < 300:
        judge.merge(judge_of(*loud))
        minutes += 1
    assert 0 < minutes < 180
