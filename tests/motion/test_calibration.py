"""Counts to travel: between the points, beyond them, and from a neighbour's sensor."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.domain.vehicle import Damper
from dutylog.errors import InputError
from dutylog.motion.calibration import TravelRows, compute_travel_m, interpolate_extended

COUNTS = ((137.0, 0.0), (2000.0, 140.0), (3604.0, 254.0))


def damper(**fields):
    return Damper("front_left", "front_left", "plain", **fields)


def test_points_of_the_calibration_are_met():
    travel = compute_travel_m(np.array([137.0, 2000.0, 3604.0]), "count", damper(calibration=COUNTS))
    np.testing.assert_allclose(travel, [0.0, 0.140, 0.254], rtol=1e-15, atol=0)


def test_between_points_travel_is_linear():
    travel = compute_travel_m(np.array([(137 + 2000) / 2, (2000 + 3604) / 2]), "count", damper(calibration=COUNTS))
    np.testing.assert_allclose(travel, [0.070, 0.197], rtol=1e-14)


def test_beyond_the_ends_the_end_slopes_go_on():
    """A damper overshoots its calibrated ends by some mm, and an open sensor must show as far outside."""
    travel = compute_travel_m(np.array([0.0, 4095.0]), "count", damper(calibration=COUNTS))
    low, high = -137 * 140 / (2000 - 137), 254 + (4095 - 3604) * (254 - 140) / (3604 - 2000)
    np.testing.assert_allclose(travel * 1e3, [low, high], rtol=1e-14)


def test_a_sensor_mounted_the_other_way_round_falls_with_insertion():
    travel = compute_travel_m(
        np.array([100.0, 600.0, 1100.0]), "count", damper(calibration=((100, 200.0), (1100, 0.0)))
    )
    np.testing.assert_allclose(travel, [0.200, 0.100, 0.0], atol=1e-16)


def test_millimetres_need_no_calibration_and_are_not_bent_by_one():
    raw = np.array([-2.0, 0.0, 100.5])
    for place in (damper(), damper(calibration=COUNTS)):
        assert compute_travel_m(raw, "mm", place).tolist() == [-0.002, 0.0, 0.1005]


def test_missing_samples_stay_missing():
    raw = np.array([137.0, np.nan, 3604.0])
    place = damper(calibration=COUNTS, travel_map=((0.0, 0.0), (254.0, 300.0)))
    assert np.isnan(compute_travel_m(raw, "count", place)).tolist() == [False, True, False]


def test_a_shared_sensor_is_bent_to_the_second_dampers_travel():
    """A bypass damper beside the coil-over moves 1.2 mm for each mm at first, 1.5 mm later."""
    place = damper(travel_from="rear_left", travel_map=((0.0, 5.0), (100.0, 125.0), (200.0, 275.0)))
    travel = compute_travel_m(np.array([-10.0, 0.0, 50.0, 150.0, 210.0]), "mm", place)
    np.testing.assert_allclose(travel * 1e3, [-7.0, 5.0, 65.0, 200.0, 290.0], rtol=1e-14)


def test_calibration_comes_before_the_map():
    place = damper(calibration=((0.0, 0.0), (1000.0, 100.0)), travel_map=((0.0, 0.0), (100.0, 50.0)))
    np.testing.assert_allclose(compute_travel_m(np.array([500.0]), "count", place), [0.025], rtol=1e-15)


def test_counts_without_a_calibration_are_refused():
    with pytest.raises(InputError, match=r"front_left.*counts.*no calibration"):
        compute_travel_m(np.zeros(3), "count", damper())


@pytest.mark.parametrize("unit", ["m", "inch", ""])
def test_an_unknown_unit_is_refused(unit):
    with pytest.raises(InputError, match=r"front_left.*expected mm or count"):
        compute_travel_m(np.zeros(3), unit, damper(calibration=COUNTS))


POINTS = st.lists(
    st.tuples(st.integers(0, 4095), st.integers(-50, 400)), min_size=2, max_size=8, unique_by=lambda p: p[0]
)


@given(POINTS, st.lists(st.floats(0, 4095), min_size=1, max_size=20))
def test_between_the_ends_it_agrees_with_numpy(points, raw):
    points = tuple(sorted((float(x), float(y)) for x, y in points))
    inside = np.clip(np.array(raw), points[0][0], points[-1][0])
    xs, ys = zip(*points, strict=True)
    np.testing.assert_allclose(interpolate_extended(inside, points), np.interp(inside, xs, ys), atol=1e-9)


TWO_POINTS = ((137.0, 0.0), (3604.0, 254.0))


@pytest.mark.parametrize(
    ("dampers", "columns", "units"),
    [
        ([damper(), damper()], [0, 1], ["mm", "mm"]),
        ([damper(calibration=TWO_POINTS), damper(calibration=((3900.0, 0.0), (90.0, 203.2)))], [1, 0], ["count"] * 2),
        ([damper(calibration=TWO_POINTS), damper(calibration=COUNTS)], [0, 1], ["count"] * 2),
        ([damper(), damper(travel_map=((0.0, 0.0), (100.0, 150.0)))], [0, 0], ["mm", "ns"]),
        ([damper(), damper(calibration=TWO_POINTS)], [0, 1], ["mm", "count"]),
        ([damper(calibration=TWO_POINTS), damper()], [1, None], ["count"] * 2),
    ],
)
@pytest.mark.parametrize("n", [1, 1000, 5000])
def test_all_dampers_at_once_get_the_bits_that_each_alone_gets(dampers, columns, units, n):
    samples = np.random.default_rng(n).integers(0, 4096, (n, 2)).astype("<i2")
    rows = np.empty((3, n + 7))[: len(dampers), 7:]
    TravelRows(tuple(dampers), columns, units).compute([samples[: n // 3], samples[n // 3 :]], rows)
    for got, place, column in zip(rows, dampers, columns, strict=True):
        if column is None:
            assert np.isnan(got).all()
        else:
            assert np.array_equal(got, compute_travel_m(samples[:, column].astype(float), units[column], place))
