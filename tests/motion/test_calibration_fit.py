"""Tape lengths to a travel map: exact cases, an independent reference, stated doubt against truth, every refusal.

No published table of tape calibrations was found to check against; numpy.polyfit is the reference.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from dutylog.errors import InputError
from dutylog.motion.calibration import interpolate_extended
from dutylog.motion.calibration_fit import (
    CURVE,
    FULL_SCALE,
    LINE,
    POINT_LIMIT,
    REFUSE_MM,
    TAPE_MM,
    TAPE_SIGMA_MM,
    TapePoint,
    compare,
    find_raw,
    fit_travel,
)

EXTENDED_MM, STROKE_MM = 700.0, 254.0
SLOPE = 5 / 512
"""mm for a count, exact in binary: the sensor of these tests is 320 mm long."""
ZERO = 1024.0
"""Counts at full extension."""


def at(travel_mm: float, error_mm: float = 0.0, noise: float = 0.0) -> TapePoint:
    """Return a point of the true sensor, its tape read wrong by error_mm."""
    return TapePoint(ZERO + travel_mm / SLOPE, EXTENDED_MM - travel_mm - error_mm, noise)


def linkage(travel_mm: float, arm_mm: float = 170) -> float:
    """Return the counts of a rotary sensor; its arm of 170 mm turns 97 degrees over the stroke, one of 140 mm 130."""
    return 16_000 + 12_000 * math.asin((travel_mm - 127) / arm_mm)


def on_curve(travels_mm: list[float], arm_mm: float = 170) -> list[TapePoint]:
    return [TapePoint(linkage(mm, arm_mm), EXTENDED_MM - mm) for mm in travels_mm]


def refuse(points: list[TapePoint], method: str = LINE, extended_mm: float = EXTENDED_MM) -> str:
    with pytest.raises(InputError) as refused:
        fit_travel(points, extended_mm, STROKE_MM, method)
    text = str(refused.value)
    assert "\n" not in text
    assert len(text) < 300
    return text


# -- exact


def test_points_on_a_line_give_that_line_to_the_last_digit() -> None:
    fit = fit_travel([at(16), at(96), at(208)], EXTENDED_MM, STROKE_MM)
    end_mm = pytest.approx(32_767 * 5 / 512 - 10, abs=1e-9)
    assert fit.calibration == ((0.0, pytest.approx(-10, abs=1e-12)), (32_767.0, end_mm))
    assert fit.mm_per_count == pytest.approx(SLOPE, rel=1e-12)
    assert fit.residuals_mm == pytest.approx((0, 0, 0), abs=1e-9)
    assert fit.travels_mm == (16, 96, 208)
    assert fit.span_mm == (16, 208)
    assert fit.beyond_mm == (16, 46)
    assert fit.places_count == 3
    assert not fit.is_reversed


def test_residuals_as_worked_out_by_hand() -> None:
    """Three equal steps, the middle one 3 mm long: the mean takes 1 mm, so -1, +2, -1 are left."""
    fit = fit_travel([at(40), at(100, 3.0), at(160)], EXTENDED_MM, STROKE_MM)
    assert fit.residuals_mm == pytest.approx((-1, 2, -1), abs=1e-9)
    assert fit.worst == 1
    assert fit.mm_per_count == pytest.approx(SLOPE, rel=1e-12)
    # s^2 = (1 + 4 + 1) / (3 - 2) is more than the tape's 0.75, so it counts: 1.96 sqrt(6) / sqrt(2 * 60^2)
    assert fit.scale_uncertainty_ratio == pytest.approx(1.959964 * math.sqrt(6) / math.sqrt(7200), rel=1e-9)


def test_doubt_of_exact_points_is_the_tapes_alone() -> None:
    """1.5 mm uniform is 0.866 mm deviation; over points 100 mm apart each side of the middle, sqrt(Sxx) = 141.4 mm."""
    fit = fit_travel([at(20), at(120), at(220)], EXTENDED_MM, STROKE_MM)
    assert pytest.approx(1.5 / math.sqrt(3)) == TAPE_SIGMA_MM
    assert fit.scale_uncertainty_ratio == pytest.approx(1.959964 * 0.8660254 / 141.42136, rel=1e-6)
    assert fit.energy_uncertainty_ratio == 2 * fit.scale_uncertainty_ratio
    # at full extension: 0.75 (1/3 + 120^2 / 20000) of the line and 0.75 of the length at full extension
    assert fit.end_uncertainties_mm[0] == pytest.approx(1.959964 * math.sqrt(0.75 * (1 / 3 + 0.72 + 1)), rel=1e-6)


def test_noise_of_the_reading_adds_to_the_doubt() -> None:
    """102.4 counts are 1 mm here: 0.75 becomes 1.75."""
    quiet = fit_travel([at(20), at(120), at(220)], EXTENDED_MM, STROKE_MM)
    noisy = fit_travel([at(20), at(120, noise=102.4), at(220)], EXTENDED_MM, STROKE_MM)
    ratio = noisy.scale_uncertainty_ratio / quiet.scale_uncertainty_ratio
    assert ratio == pytest.approx(math.sqrt(1.75 / 0.75), rel=1e-9)


errors = st.floats(-TAPE_MM, TAPE_MM)
travels = st.lists(st.integers(1, 49), min_size=3, max_size=12, unique=True).filter(
    lambda found: (max(found) - min(found)) * 5 >= 0.4 * STROKE_MM
)


@given(travels, st.lists(errors, min_size=12, max_size=12), st.booleans())
def test_the_line_is_that_of_numpy(steps: list[int], off_mm: list[float], is_reversed: bool) -> None:
    """polyfit solves the same by a QR decomposition of its own."""
    points = [at(5.0 * n, e) for n, e in zip(steps, off_mm, strict=False)]
    if is_reversed:
        points = [TapePoint(FULL_SCALE - p.raw, p.length_mm) for p in points]
    fit = fit_travel(points, EXTENDED_MM, STROKE_MM)
    raw = np.array([p.raw for p in points])
    travel_mm = EXTENDED_MM - np.array([p.length_mm for p in points])
    slope, zero = np.polyfit(raw, travel_mm, 1)
    assert fit.mm_per_count == pytest.approx(slope, rel=1e-9)
    assert fit.calibration[0][1] == pytest.approx(zero, abs=1e-6)
    np.testing.assert_allclose(fit.residuals_mm, travel_mm - (slope * raw + zero), atol=1e-6)
    np.testing.assert_allclose(interpolate_extended(raw, fit.calibration), slope * raw + zero, atol=1e-6)
    assert fit.is_reversed == is_reversed


# -- truth within the stated doubt


def recovered(travels_mm: np.ndarray, tries: int, seed: int, method: str) -> tuple[float, float, float]:
    """Return how often the true scale, and true travel at both ends, lay within what was stated."""
    random = np.random.default_rng(seed)
    held = np.zeros(3)
    for _ in range(tries):
        off_mm = random.uniform(-TAPE_MM, TAPE_MM, len(travels_mm))
        extended_mm = EXTENDED_MM + random.uniform(-TAPE_MM, TAPE_MM)
        fit = fit_travel([at(*pair) for pair in zip(travels_mm, off_mm, strict=True)], extended_mm, STROKE_MM, method)
        ends = interpolate_extended(np.array([ZERO, ZERO + STROKE_MM / SLOPE]), fit.calibration)
        held += [
            abs(fit.mm_per_count / SLOPE - 1) <= fit.scale_uncertainty_ratio,
            abs(ends[0]) <= fit.end_uncertainties_mm[0],
            abs(ends[1] - STROKE_MM) <= fit.end_uncertainties_mm[1],
        ]
    scale, low, high = held / tries
    return float(scale), float(low), float(high)


@settings(max_examples=25, deadline=None)
@given(travels, st.integers(0, 2**32 - 1))
@pytest.mark.slow
def test_truth_lies_within_the_stated_doubt_in_95_of_100(steps: list[int], seed: int) -> None:
    """Whatever the heights, as long as the tape is within its error. 0.92: five deviations of 1000 tries below 0.95."""
    shares = recovered(5.0 * np.array(steps), 1000, seed, LINE)
    assert min(shares) >= 0.95 - 5 * math.sqrt(0.95 * 0.05 / 1000)


def test_truth_lies_within_the_stated_doubt_of_a_curve() -> None:
    """Ends of a curve go on from its last two points, so their doubt is many times the line's."""
    shares = recovered(np.linspace(20, 230, 8), 1500, 7, CURVE)
    assert min(shares) >= 0.95 - 5 * math.sqrt(0.95 * 0.05 / 1500)
    curve = fit_travel([at(mm) for mm in np.linspace(20, 230, 8)], EXTENDED_MM, STROKE_MM, CURVE)
    line = fit_travel([at(mm) for mm in np.linspace(20, 230, 8)], EXTENDED_MM, STROKE_MM, LINE)
    assert curve.end_uncertainties_mm[1] > line.end_uncertainties_mm[1]


def test_stated_doubt_is_not_idle() -> None:
    """A doubt ten times too large would pass the test above: three places must come near 95 in 100."""
    scale, _, _ = recovered(np.array([20.0, 120.0, 220.0]), 4000, 3, LINE)
    assert scale < 0.995


# -- wiring


def test_reversed_wiring_is_handled_and_said() -> None:
    points = [TapePoint(32_000 - mm / SLOPE, EXTENDED_MM - mm) for mm in (16, 96, 208)]
    fit = fit_travel(points, EXTENDED_MM, STROKE_MM)
    assert fit.is_reversed
    raws = np.array([p.raw for p in points])
    assert interpolate_extended(raws, fit.calibration) == pytest.approx([16, 96, 208])
    assert fit.calibration[0][0] < fit.calibration[1][0]
    assert any(note.startswith("the counts fall as the damper is compressed") for note in fit.notes)


@pytest.mark.parametrize(("raw", "noise"), [(0, 0), (32_767, 0), (33, 0), (32_740, 3), (400, 130)])
def test_a_point_at_the_sensors_end_is_refused(raw: float, noise: float) -> None:
    """A loose plug reads 0 or full scale and would bend the whole line."""
    text = refuse([at(16), TapePoint(raw, 620, noise), at(208)])
    assert text.startswith(f"point 2: {raw} counts with noise {noise} is at the sensor's end (0 or 32767); check plug")


def test_a_point_near_the_end_but_not_at_it_is_taken() -> None:
    points = [TapePoint(34, EXTENDED_MM), TapePoint(16_418, EXTENDED_MM - 128), at(208)]
    assert fit_travel([*points[:2], TapePoint(26_658, EXTENDED_MM - 208)], EXTENDED_MM, STROKE_MM).worst in (0, 1, 2)


def test_counts_that_stand_still_are_no_sensor() -> None:
    text = refuse([TapePoint(9000, 690), TapePoint(9010, 620), TapePoint(9005, 540)])
    assert text.startswith("the counts hardly change, 9000 to 9010, while the length does; check that this is")


def test_a_slope_too_steep_for_the_stroke_is_refused() -> None:
    points = [TapePoint(2000, 690), TapePoint(16_000, 630), TapePoint(31_000, 570)]
    assert fit_travel(points, 700.0, 150.0).mm_per_count > 0
    assert refuse(points).startswith("by these points the sensor would reach its ends within 135.6 mm, too short for")


def test_a_range_many_strokes_long_is_refused() -> None:
    text = refuse([TapePoint(9000, 690), TapePoint(9900, 620), TapePoint(11_000, 540)])
    assert text.startswith("by these points the whole range of counts would be 2457.5 mm, 10 times the stroke of 254.0")


def test_a_sensor_that_ends_before_the_damper_is_said() -> None:
    """Travel at the rail would read as a standing damper."""
    fit = fit_travel([TapePoint(12_000 + mm / SLOPE, EXTENDED_MM - mm) for mm in (16, 96, 150)], EXTENDED_MM, STROKE_MM)
    lost_mm = STROKE_MM - (32_767 - 12_000) * SLOPE
    assert any(note.startswith(f"the sensor reaches its end {lost_mm:.1f} mm before full bump") for note in fit.notes)
    assert not any("before full extension" in note for note in fit.notes)


# -- what was not measured


def test_extrapolation_is_told_at_each_end() -> None:
    fit = fit_travel([at(30), at(80), at(140)], EXTENDED_MM, STROKE_MM)
    assert fit.beyond_mm == (30, 114)
    assert fit.notes[:2] == (
        "the last 30.0 mm to full extension were not measured: the line goes on straight",
        "the last 114.0 mm to full bump were not measured: the line goes on straight",
    )
    assert fit_travel([at(0), at(80), at(254)], EXTENDED_MM, STROKE_MM).notes == ()


def test_points_beyond_the_ends_extrapolate_nothing() -> None:
    """A point a little past full extension is the tape's error, not minus three millimetres to go."""
    fit = fit_travel([at(-3), at(80), at(256)], EXTENDED_MM, STROKE_MM)
    assert fit.beyond_mm == (0, 0)


def test_too_small_a_span_is_refused() -> None:
    assert refuse([at(50), at(100), at(150)]).startswith("the points span 100.0 mm of 254.0 mm stroke, 39 %; at least")
    fit_travel([at(50), at(100), at(50 + 0.4 * STROKE_MM + 0.001)], EXTENDED_MM, STROKE_MM)


def test_no_and_too_many_points_are_refused() -> None:
    assert refuse([]) == "no points; at least 3 are needed"
    assert refuse([at(n) for n in range(POINT_LIMIT + 1)]) == "61 points, at most 60 are taken"


# -- repeated and wrong points


def test_repeated_points_are_averaged_and_count_once() -> None:
    """A place read three times must not pull three times as hard."""
    repeats = [at(16, -1), at(16, 1), at(16, 0.6), at(96), at(208)]
    fit = fit_travel(repeats, EXTENDED_MM, STROKE_MM)
    single = fit_travel([at(16, 0.2), at(96), at(208)], EXTENDED_MM, STROKE_MM)
    assert fit.places_count == 3
    assert fit.mm_per_count == pytest.approx(single.mm_per_count, rel=1e-12)
    assert len(fit.residuals_mm) == 5
    assert fit.residuals_mm[1] - fit.residuals_mm[0] == pytest.approx(2.0)


def test_two_places_are_no_three() -> None:
    text = refuse([at(16), at(17), at(208)])
    assert text == "2 different places (points 1 and 2 are one place), method line needs 3; measure at 1 more"


def test_a_point_more_than_the_tape_explains_is_named() -> None:
    fit = fit_travel([at(20), at(90, 5.0), at(150), at(220)], EXTENDED_MM, STROKE_MM)
    assert fit.worst == 1
    assert "point 2 is 3.5 mm off the line, more than a tape explains: measure point 2 again" in fit.notes


@given(
    st.permutations([12.0, 60.0, 110.0, 160.0, 240.0]),
    st.integers(0, 4),
    st.sampled_from([-4.5, 4.5]),
)
def test_the_one_wrong_point_of_five_is_found_wherever_it_is(heights: list[float], bad: int, off_mm: float) -> None:
    """An end pulls the line after itself and hides in its residual; what leaving it out would gain gives it away."""
    fit = fit_travel([at(mm, off_mm * (i == bad)) for i, mm in enumerate(heights)], EXTENDED_MM, STROKE_MM)
    assert fit.worst == bad


def test_a_point_far_off_is_refused_with_what_to_do() -> None:
    text = refuse([at(20), at(90, 12.0), at(150), at(220)])
    assert text.startswith(
        "point 2 is 8.5 mm off the line, at most 6.0 mm is taken; measure point 2 again; if it stays"
    )
    assert text.endswith("the sensor isn't linear: 7 points and method curve")
    assert "and add a fourth: with three any of them may be the wrong one" in refuse([at(20), at(120, 12), at(220)])


def test_an_end_that_bends_the_line_is_told_from_the_point_it_leaves_behind() -> None:
    """Five places low and a wrong one high up: the farthest from the line is a good point."""
    text = refuse([*(at(mm) for mm in (15, 20, 45, 80, 95)), at(225, 28)])
    assert text.startswith("point 5 is 6.7 mm off the line and point 6 bends it most, at most 6.0 mm is taken; measure")
    assert "measure point 6 again" in text


def test_a_linkage_taken_for_a_linear_sensor_is_refused() -> None:
    """60 degrees each side of the arm's middle bend the line by more than any tape."""
    assert "off the line" in refuse(on_curve([5, 60, 127, 190, 249], arm_mm=140))


@pytest.mark.parametrize(
    ("points", "words"),
    [
        (
            [TapePoint(5000, 707), at(96), at(208)],
            "point 1 is 7.0 mm longer than full extension; measure point 1 again",
        ),
        ([at(16), at(96), TapePoint(30_000, 440)], "point 3 is 6.0 mm beyond full bump; measure point 3 again"),
        (
            [at(16), TapePoint(9000, 27.5), at(208)],
            "point 2: a length of 27.5 mm eye to eye, expected 50.0 mm to 3000.0",
        ),
        ([at(16), TapePoint(9000, math.nan), at(208)], "point 2: a length of nan mm"),
        ([at(16), TapePoint(40_000, 600), at(208)], "point 2: 40000 counts with noise 0, both must be 0 to 32767"),
        ([at(16), TapePoint(math.nan, 600), at(208)], "point 2: nan counts"),
        ([at(16), TapePoint(9000, 600, -1), at(208)], "point 2: 9000 counts with noise -1"),
    ],
)
def test_impossible_readings_are_refused_by_number(points: list[TapePoint], words: str) -> None:
    assert refuse(points).startswith(words)


def test_a_damper_shorter_than_its_shaft_needs_is_refused() -> None:
    """Half of the mistakes with full extension: the length at ride height, or the stroke of another profile."""
    text = refuse([at(16), at(96), at(208)], extended_mm=500)
    assert text.startswith("full extension: 500.0 mm is less than twice the stroke of 254.0 mm, which no damper can be")


def test_an_unknown_method_is_refused() -> None:
    assert refuse([at(16)], "spline") == "method 'spline': expected line or curve"


def test_texts_come_in_the_unit_of_the_tape() -> None:
    with pytest.raises(InputError, match=r"the points span 3.94 in of 10.00 in stroke"):
        fit_travel([at(50), at(100), at(150)], EXTENDED_MM, STROKE_MM, text_of=lambda mm: f"{mm / 25.4:.2f} in")


# -- linkages

HEIGHTS = [4.0, 40.0, 75.0, 110.0, 145.0, 180.0, 215.0, 250.0]


def test_a_curve_goes_through_its_points_and_straight_between() -> None:
    fit = fit_travel(on_curve(HEIGHTS), EXTENDED_MM, STROKE_MM, CURVE)
    assert fit.calibration == tuple((linkage(mm), pytest.approx(mm)) for mm in HEIGHTS)
    between = np.array([linkage(mm) for mm in np.linspace(4, 250, 200)])
    # chords of an arm of 170 mm with pieces of at most 36 mm: below 36^2 tan^2 / (8 * 170) for 47 degrees
    np.testing.assert_allclose(interpolate_extended(between, fit.calibration), np.linspace(4, 250, 200), atol=1.2)
    assert max(abs(r) for r in fit.residuals_mm) < 0.6
    assert fit.local_uncertainty_ratio > fit.scale_uncertainty_ratio


def test_a_curve_may_fall_and_may_be_measured_in_any_order() -> None:
    points = [TapePoint(FULL_SCALE - p.raw, p.length_mm) for p in on_curve(HEIGHTS)]
    fit = fit_travel(points, EXTENDED_MM, STROKE_MM, CURVE)
    assert fit.is_reversed
    shuffled = [points[i] for i in (3, 0, 7, 1, 6, 2, 5, 4)]
    assert fit_travel(shuffled, EXTENDED_MM, STROKE_MM, CURVE).calibration == fit.calibration
    raws = [raw for raw, _ in fit.calibration]
    assert raws == sorted(raws)


def test_a_curve_needs_seven_places() -> None:
    assert refuse(on_curve(HEIGHTS[:6]), CURVE) == "6 different places, method curve needs 7; measure at 1 more"
    assert fit_travel(on_curve(HEIGHTS[:7]), EXTENDED_MM, STROKE_MM, CURVE).places_count == 7


def test_a_curve_that_turns_back_is_refused() -> None:
    points = on_curve(HEIGHTS)
    points[4] = TapePoint(points[4].raw, EXTENDED_MM - 105)
    text = refuse(points, CURVE)
    assert text.startswith("points 4 and 5: counts go from 14798 to 17273, lengths are 5.0 mm the wrong way; measure")


def test_neighbours_of_a_curve_must_be_apart() -> None:
    text = refuse(on_curve([*HEIGHTS, 149.0]), CURVE)
    assert text.startswith("points 5 and 9: counts go from")
    assert "lengths are only 4.0 mm apart; measure points 5 and 9 again, at least 6.0 mm apart" in text


def test_the_one_wrong_point_of_a_curve_is_named_against_a_cubic() -> None:
    """Straight pieces pass through every mistake, so they can't be asked."""
    points = on_curve(HEIGHTS)
    points[3] = TapePoint(points[3].raw, points[3].length_mm + 8)
    fit = fit_travel(points, EXTENDED_MM, STROKE_MM, CURVE)
    assert fit.worst == 3
    assert any(note.startswith("point 4 is ") and "off the curve, more than" in note for note in fit.notes)
    points[3] = TapePoint(points[3].raw, points[3].length_mm + 8)
    assert refuse(points, CURVE).startswith("point 4 is ")


def test_the_cubic_is_that_of_numpy() -> None:
    off_mm = np.random.default_rng(5).uniform(-TAPE_MM, TAPE_MM, len(HEIGHTS))
    points = [TapePoint(p.raw, p.length_mm + e) for p, e in zip(on_curve(HEIGHTS), off_mm, strict=True)]
    fit = fit_travel(points, EXTENDED_MM, STROKE_MM, CURVE)
    raw = (np.array([p.raw for p in points]) - 16_000) / 12_000
    travel_mm = EXTENDED_MM - np.array([p.length_mm for p in points])
    reference = travel_mm - np.polyval(np.polyfit(raw, travel_mm, 3), raw)
    np.testing.assert_allclose(fit.residuals_mm, reference, atol=1e-8)


anything = st.lists(st.tuples(st.floats(-10, 40_000), st.floats(0, 3100), st.floats(0, 500)), max_size=12)
nearly_right = st.lists(
    st.builds(
        lambda travel_mm, off_mm, noise: (ZERO + travel_mm / SLOPE, EXTENDED_MM - travel_mm - off_mm, noise),
        st.floats(-4, 258),
        st.floats(-4, 4),
        st.floats(0, 200),
    ),
    min_size=3,
    max_size=12,
)


@given(st.one_of(anything, nearly_right), st.floats(500, 720), st.floats(50, 400), st.sampled_from([LINE, CURVE]))
@example([(2000.0, 690.0, 0.0), (12_000.0, 600.0, 50.0), (22_000.0, 500.0, 0.0)], 700.0, 254.0, LINE)
def test_whatever_is_typed_gives_a_sound_map_or_one_line(
    rows: list[tuple[float, float, float]], extended_mm: float, stroke_mm: float, method: str
) -> None:
    """Numbers typed with cold fingers may be anything."""
    points, refusal = [TapePoint(*row) for row in rows], ""
    try:
        fit = fit_travel(points, extended_mm, stroke_mm, method)
    except InputError as err:
        refusal = str(err)
    if refusal:
        assert refusal.isprintable()
        return
    raws, mms = zip(*fit.calibration, strict=True)
    assert all(np.diff(raws) > 0)
    assert all(np.diff(mms) > 0) or all(np.diff(mms) < 0)
    assert max(abs(r) for r in fit.residuals_mm) <= REFUSE_MM
    assert TAPE_SIGMA_MM / stroke_mm < fit.scale_uncertainty_ratio < 1


# -- comparing


@pytest.mark.parametrize("turn", [1, -1])
def test_comparing_maps(turn: int) -> None:
    """5 % larger scale, and what the old one calls full extension lies 10 mm into the travel of the new one."""
    old = tuple(sorted((1000.0 + turn * mm * 100, mm) for mm in (0.0, 254.0)))
    new = tuple(sorted((1000.0 + turn * (mm - 10) * 100 / 1.05, mm) for mm in (0.0, 254.0)))
    scale, shift_mm = compare(new, old, 254.0)
    assert scale == pytest.approx(0.05)
    assert shift_mm == pytest.approx(10.0)
    assert find_raw(old, 50.0) == pytest.approx(1000 + turn * 5000)
