"""What of a travel signal can be believed: spikes, rails, missing samples, and how much is bridged."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.motion import validity
from dutylog.motion.validity import (
    BRIDGED_S,
    GAP,
    IMPOSSIBLE_MPS,
    IMPOSSIBLE_SPEED,
    OUTSIDE_M,
    TRAVEL_OPEN,
    find_hole,
    find_runs,
    judge_window,
)

STROKE_M = np.array([0.254])
DT_S = 1e-3
REST_M = 0.100


def window(**samples):
    """Return a still window of 200 samples; sNNN=value puts one sample [m] elsewhere."""
    signal = np.full((1, 200), REST_M)
    for place, value in samples.items():
        signal[0, int(place[1:])] = value
    return signal


def judge(signal, dt_s=DT_S, stroke_m=STROKE_M):
    return judge_window(signal, stroke_m, dt_s)


def test_one_wrong_sample_is_a_spike_and_is_bridged():
    judged = judge(window(s100=0.160))
    assert np.flatnonzero(judged.spike[0]).tolist() == [100]
    assert judged.valid.all()
    assert judged.filled_m.tolist() == window().tolist()


def test_a_spike_on_a_slope_is_filled_by_the_straight_line_between_its_neighbours():
    slope = 0.05 + 0.001 * np.arange(200.0)[None, :]
    hit = slope.copy()
    hit[0, 70] -= 0.08
    judged = judge(hit, stroke_m=np.array([0.300]))
    assert np.flatnonzero(judged.spike[0]).tolist() == [70]
    np.testing.assert_allclose(judged.filled_m, slope, rtol=0, atol=1e-15)


def test_a_spike_beyond_the_rail_is_a_spike_and_no_open_sensor():
    judged = judge(window(s100=0.400))
    assert judged.spike[0, 100]
    assert not judged.outside.any()
    assert judged.valid.all()


@pytest.mark.parametrize(("step_m", "is_spike"), [(0.0059, False), (0.0061, True)])
def test_a_spike_leaves_and_comes_back_faster_than_six_metres_a_second(step_m, is_spike):
    assert judge(window(s100=REST_M + step_m)).spike[0, 100] == is_spike


def test_a_hard_hit_with_square_edges_is_no_spike():
    """2 m/s at once, 20 ms long, and back at once: harder than any stone, and still a stroke to be counted."""
    speed = np.concatenate([np.zeros(50), np.full(20, 2.0), np.full(20, -2.0), np.zeros(110)])
    hit = (REST_M + np.cumsum(speed) * DT_S)[None, :]
    judged = judge(hit)
    assert not judged.spike.any()
    assert judged.valid.all()
    assert judged.filled_m is hit or np.array_equal(judged.filled_m, hit)


def test_the_shortest_hit_there_is_stays_too():
    """One sample in at 2 m/s and the next out: the sharpest edge 1 kHz can show."""
    judged = judge(window(s100=REST_M + 0.002))
    assert not judged.spike.any()
    assert judged.filled_m[0, 100] == REST_M + 0.002


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(-5.9, 5.9), min_size=20, max_size=60), st.sampled_from([200, 500, 1000, 2000]))
def test_no_motion_under_the_spike_speed_is_ever_called_a_spike(speeds_mps, rate_hz):
    travel = (0.127 + np.cumsum(speeds_mps) / rate_hz)[None, :]
    assert not judge(travel, 1 / rate_hz, np.array([10.0])).spike.any()


def step_window(step_m, at=100, n=200):
    """Return a still window that steps once and stays there."""
    return np.where(np.arange(n) < at, REST_M, REST_M + step_m)[None, :]


def test_a_step_that_stays_is_no_spike_but_faster_than_any_shaft():
    """A sensor that was knocked and slipped on its rod: nothing comes back. 5 ms on both sides don't count."""
    judged = judge(step_window(0.05))
    assert not judged.spike.any()
    assert find_runs(judged.impossible[0]) == find_runs(~judged.valid[0]) == [(95, 105)]
    assert set(judged.reason[0, 95:105].tolist()) == {IMPOSSIBLE_SPEED}


@pytest.mark.parametrize(("speed_mps", "is_impossible"), [(6.0, False), (9.9, False), (10.1, True)])
def test_what_a_shaft_can_do_is_never_impossible(speed_mps, is_impossible):
    """Bottom-outs reach 6 m/s; the limit leaves two thirds more for noise and harder hits."""
    judged = judge(step_window(speed_mps * DT_S))
    assert judged.impossible.any() == is_impossible
    assert judged.valid.all() != is_impossible
    assert IMPOSSIBLE_MPS == 10.0


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(-9.9, 9.9), min_size=20, max_size=60), st.sampled_from([200, 1000, 2000, 5000, 20000]))
def test_no_motion_below_ten_metres_a_second_is_ever_impossible(speeds_mps, rate_hz):
    travel = (5.0 + np.cumsum(np.array(speeds_mps)) / rate_hz)[None, :]
    judged = judge(travel, 1 / rate_hz, np.array([10.0]))
    # Speed that changes its sign at full height sample after sample is a burst of noise, whatever its height.
    swings = np.abs(np.array(speeds_mps)) > 6.0
    if not (swings[1:] & swings[:-1]).any():
        assert not judged.impossible.any()


@pytest.mark.parametrize("rate_hz", [1000, 2000, 5000, 20000])
def test_noise_of_a_fast_sampler_is_no_speed(rate_hz):
    """0.2 mm rms from sample to sample would be 8 m/s at 20 kHz; over half a millisecond it is nothing."""
    noise = np.random.default_rng(3).normal(0.0, 0.0002, (1, 5000))
    assert not judge(REST_M + noise, 1 / rate_hz).impossible.any()
    judged = judge(step_window(0.05, 2500, 5000) + noise, 1 / rate_hz)
    (start, stop), = find_runs(judged.impossible[0])  # fmt: skip
    assert start <= 2500 <= stop
    assert stop - start <= 0.011 * rate_hz + 1


def test_a_burst_of_noise_is_one_stretch_and_holds_no_spikes():
    """A connector that shakes loose for 80 ms: its samples are no travel, however many look like single spikes."""
    signal = window()
    signal[0, 60:140] = np.random.default_rng(5).uniform(0.0, 0.25, 80)
    judged = judge(signal)
    assert find_runs(judged.impossible[0]) == [(55, 145)]
    assert not judged.spike.any()
    assert find_runs(~judged.valid[0]) == [(55, 145)]
    np.testing.assert_allclose(judged.filled_m, REST_M, atol=1e-12)
    assert np.ptp(judged.raw_m[0, 60:140]) > 0.2


def test_noise_that_alternates_is_no_row_of_spikes():
    signal = window()
    signal[0, 60:100:2] += 0.008
    judged = judge(signal)
    assert not judged.spike.any()
    assert find_runs(~judged.valid[0]) == [(55, 104)]


def test_two_spikes_with_one_good_sample_between_are_still_mended():
    judged = judge(window(s100=0.160, s102=0.170))
    assert judged.valid.all()
    assert not judged.impossible.any()


def test_the_way_to_the_rail_is_part_of_the_open_sensor():
    """A converter's input filter shows a sample half way when the wire comes off: not a fault of its own."""
    signal = window(s49=0.220, s90=0.230)
    signal[0, 50:90] = 0.290
    judged = judge(signal)
    assert not judged.impossible.any()
    assert find_runs(judged.outside[0]) == [(48, 92)]
    assert set(judged.reason[0, 48:92].tolist()) == {TRAVEL_OPEN}


def test_a_level_that_changed_over_a_short_hole_is_not_bridged():
    """60 mm in 4 ms: too fast for a straight line to be what happened."""
    signal = step_window(0.06)
    signal[0, 98:101] = np.nan
    judged = judge(signal)
    assert not judged.valid[0, 93:106].any()
    assert judged.reason[0, 99] == GAP
    assert judged.reason[0, 95] == IMPOSSIBLE_SPEED


@settings(max_examples=200, deadline=None)
@given(st.lists(st.floats(-0.02, 0.3), min_size=40, max_size=80), st.sampled_from([200, 1000, 5000, 20000]))
def test_where_nothing_is_seen_in_a_hurry_nothing_is_there(values, rate_hz):
    """The quick look decides whether the careful one is taken: it must never miss what that would find."""
    signal = np.array(values)[None, :]
    signal = signal[:, : find_hole(signal, STROKE_M, 1 / rate_hz)]
    if signal.shape[1] > 2:
        judged = judge(signal, 1 / rate_hz)
        assert judged.valid.all()
        assert np.array_equal(judged.filled_m, signal)


@pytest.mark.parametrize(("place", "value"), [(40, float("nan")), (90, 0.3), (60, 0.15), (120, -0.2)])
def test_the_first_hole_is_found_where_it_is(place, value):
    signal = window()
    assert find_hole(signal, STROKE_M, 1e-3) == signal.shape[1]
    signal[0, place] = value
    assert place - 1 <= find_hole(signal, STROKE_M, 1e-3) <= place


@pytest.mark.parametrize("rate_hz", [200, 1000, 12_500])
def test_a_look_that_goes_on_where_the_last_ended_finds_the_same_hole(rate_hz, monkeypatch):
    """Long enough for several looks; holes anywhere, at the seams between looks and at the end of the last one too."""
    rng = np.random.default_rng(5)
    n = 9000
    good = REST_M + 0.02 * np.sin(np.arange(n) / rate_hz)[None, :]
    places = [1, 2, 4094, 4095, 4096, 4097, 8191, 8192, 8193, n - 3, n - 2, *rng.integers(3, n - 3, 30).tolist()]
    for place in places:
        spiky, jump, gone = good.copy(), good.copy(), good.copy()
        spiky[0, place] += 0.05
        jump[0, place:] += 0.08
        gone[0, place] = np.nan
        for signal in (spiky, jump, gone):
            found = find_hole(signal, STROKE_M, 1 / rate_hz)
            with monkeypatch.context() as patch:
                patch.setattr(validity, "_LOOK_SAMPLES", n)
                assert find_hole(signal, STROKE_M, 1 / rate_hz) == found <= place
            for known in {max(3, found // 2), max(3, found - 1), max(3, found)}:
                looked = find_hole(signal[:, :known], STROKE_M, 1 / rate_hz)
                assert find_hole(signal, STROKE_M, 1 / rate_hz, looked) == found


@pytest.mark.parametrize("level_m", [-OUTSIDE_M - 1e-4, 0.254 + OUTSIDE_M + 1e-4, 0.290, -0.2])
def test_a_sensor_at_the_rail_is_outside_and_not_valid(level_m):
    signal = window()
    signal[0, 50:90] = level_m
    judged = judge(signal)
    assert find_runs(judged.outside[0]) == [(50, 90)]
    assert find_runs(~judged.valid[0]) == [(50, 90)]
    assert not judged.missing.any()
    np.testing.assert_allclose(judged.filled_m, REST_M)


@pytest.mark.parametrize("level_m", [-OUTSIDE_M + 1e-4, 0.254 + OUTSIDE_M - 1e-4])
def test_bushings_may_let_travel_overshoot_by_some_millimetres(level_m):
    # Reached in 50 ms: a bump stop is no wall.
    way = np.linspace(REST_M, level_m, 50)
    judged = judge(np.concatenate([way, np.full(40, level_m), way[::-1], np.full(60, REST_M)])[None, :])
    assert judged.valid.all()
    assert not judged.outside.any()


def test_the_rail_follows_each_dampers_own_stroke():
    signal = np.full((2, 100), 0.200)
    judged = judge(signal, stroke_m=np.array([0.254, 0.150]))
    assert judged.valid[0].all()
    assert not judged.valid[1].any()


@pytest.mark.parametrize("rate_hz", [200, 250, 500, 800, 1000, 1250, 2000, 5000, 12500, 20000])
def test_holes_are_bridged_up_to_ten_milliseconds_between_good_neighbours(rate_hz):
    """n - 1 samples lost between neighbours exactly 10 ms apart are bridged; one more and time is lost."""
    dt_s = (10**15 // rate_hz) * 1e-15
    most = rate_hz // 100 - 1
    for lost, bridged in ((most, True), (most + 1, False)):
        signal = np.full((1, 3000), REST_M)
        signal[0, 1000 : 1000 + lost] = np.nan
        judged = judge(signal, dt_s)
        assert judged.missing.sum() == lost
        assert judged.valid.all() == bridged
        assert find_runs(~judged.valid[0]) == ([] if bridged else [(1000, 1000 + lost)])
        assert np.isfinite(judged.filled_m).all()
    assert BRIDGED_S == 0.010


@pytest.mark.parametrize("rate_hz", [20, 50, 100])
def test_a_slow_sensor_may_lose_one_sample(rate_hz):
    one, two = window(s100=np.nan), window(s100=np.nan, s101=np.nan)
    assert judge(one, 1 / rate_hz).valid.all()
    assert find_runs(~judge(two, 1 / rate_hz).valid[0]) == [(100, 102)]


def test_neighbouring_faults_of_different_kinds_make_one_hole():
    """5 samples missing and then 5 at the rail are 10 lost in a row, not two short holes."""
    signal = window()
    signal[0, 50:55], signal[0, 55:60] = np.nan, 0.300
    judged = judge(signal)
    assert find_runs(~judged.valid[0]) == [(50, 60)]
    assert find_runs(judged.missing[0]) == [(50, 55)]
    assert find_runs(judged.outside[0]) == [(55, 60)]


def test_holes_at_both_ends_are_filled_level_and_not_valid():
    signal = 0.05 + 0.001 * np.arange(200.0)[None, :]
    signal[0, :20] = signal[0, 180:] = np.nan
    judged = judge(signal, stroke_m=np.array([0.300]))
    assert find_runs(judged.valid[0]) == [(20, 180)]
    assert set(judged.filled_m[0, :20]) == {signal[0, 20]}
    assert set(judged.filled_m[0, 180:]) == {signal[0, 179]}


def test_nothing_but_missing_samples_is_filled_and_nothing_is_valid():
    judged = judge(np.full((1, 100), np.nan))
    assert not judged.valid.any()
    assert np.isfinite(judged.filled_m).all()


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.one_of(st.floats(-1.0, 1.0), st.just(float("nan"))), min_size=3, max_size=80),
    st.lists(st.one_of(st.floats(-1.0, 1.0), st.just(float("nan"))), min_size=3, max_size=80),
)
def test_whatever_comes_the_filled_window_is_finite_and_good_samples_stay_as_they_are(first, second):
    n = min(len(first), len(second))
    signal = np.array([first[:n], second[:n]])
    judged = judge(signal, stroke_m=np.array([0.254, 0.300]))
    good = ~(judged.missing | judged.outside | judged.spike | judged.impossible)
    assert np.isfinite(judged.filled_m).all()
    assert np.isfinite(judged.raw_m).all()
    assert not judged.valid[judged.impossible].any()
    assert np.array_equal(judged.reason == 0, judged.valid)
    assert np.array_equal(judged.filled_m[good], signal[good])
    assert judged.valid[good].all()
    assert np.array_equal(judged.missing, np.isnan(signal))
    # A damper's neighbour on the vehicle has no say in its own judgement.
    alone = judge(signal[:1])
    assert np.array_equal(alone.filled_m, judged.filled_m[:1])
    assert np.array_equal(alone.valid, judged.valid[:1])


@given(st.lists(st.booleans(), max_size=40))
def test_runs_cover_exactly_what_is_true(flags):
    mask = np.array(flags, dtype=bool)
    again = np.zeros(len(mask), dtype=bool)
    runs = find_runs(mask)
    for start, stop in runs:
        assert start < stop
        again[start:stop] = True
    assert np.array_equal(again, mask)
    assert all(stop < start for (_, stop), (start, _) in itertools.pairwise(runs))
