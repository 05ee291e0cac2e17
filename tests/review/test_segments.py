"""Kinds of road: simulated drives with known truth, and what may be wrong with a recording."""

import itertools
import pickle

import numpy as np
import pytest

from dutylog.engine.engine import Engine
from dutylog.errors import InputError
from dutylog.review.segments import RoadFinder, RoadRows, find_segments
from dutylog.review.trip_data import GRADED, PARKED, ROAD_KINDS, ROUGH, STREET, WASHBOARD
from engine.builders import Log, slow_stream, travel_stream
from review.driven_roads import drive_cars, make_vehicle
from review.mixed_drives import FIRST_LOOK, HELD_OUT, LAST, SHORT, measured_drive

STROKES = (0.254, 0.254, 0.305, 0.305)


def find_rows(tiles, stroke_m=STROKES):
    finder = RoadFinder(stroke_m)
    for tile in tiles:
        finder.take(**tile)
    return finder.rows()


def kind_of_seconds(segments, seconds):
    """Return the kind in each second; '' where no segment lies."""
    kinds = np.full(seconds, "", dtype="U9")
    for segment in segments:
        kinds[round(segment.start_s) : round(segment.end_s)] = segment.kind
    return kinds


def right_ratio(segments, truth):
    return float(np.mean(kind_of_seconds(segments, len(truth)) == np.array(truth)))


def assert_whole(segments, start_s, end_s):
    """Segments follow each other without a hole, and neighbours differ."""
    assert segments[0].start_s == start_s
    assert segments[-1].end_s == end_s
    for first, second in itertools.pairwise(segments):
        assert first.end_s == second.start_s
        assert first.kind != second.kind
    assert all(s.kind in ROAD_KINDS and s.end_s > s.start_s and not s.is_said for s in segments)


def shaking(seconds, amplitude_m, seed=1, rate_hz=1000, dampers=4, mps=15.0, line_hz=None):
    """Yield tiles of travel whose speed is white between 1 and 20 Hz, or one line."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate_hz)
    hz = np.fft.rfftfreq(n, 1.0 / rate_hz)
    spectrum = np.fft.rfft(rng.standard_normal((dampers, n)), axis=1)
    spectrum *= np.where((hz > 1.0) & (hz < 20.0), 1.0 / np.maximum(hz, 1.0), 0.0)
    travel = np.fft.irfft(spectrum, n, axis=1)
    travel *= amplitude_m / travel.std()
    if line_hz is not None:
        travel = (
            amplitude_m * np.sqrt(2.0) * np.sin(2.0 * np.pi * line_hz * np.arange(n) / rate_hz)[None].repeat(dampers, 0)
        )
    travel = (0.11 + travel).astype(np.float32)
    for second in range(int(seconds)):
        yield {
            "travel_m": travel[:, second * rate_hz : (second + 1) * rate_hz],
            "counted": np.ones((dampers, rate_hz), dtype=bool),
            "rate_hz": float(rate_hz),
            "dt_s": 1.0,
            "vehicle_mps": mps,
            "moving": True,
            "t_s": float(second),
        }


def kinds_of(tiles, stroke_m=STROKES):
    return [s.kind for s in find_segments(find_rows(tiles, stroke_m))]


def test_a_short_mixed_drive_is_told_right():
    (driven,) = drive_cars(SHORT)
    segments = find_segments(find_rows(driven.tiles(), driven.stroke_m))
    assert_whole(segments, 0.0, SHORT.seconds)
    assert right_ratio(segments, driven.truth) > 0.9


def test_a_short_mixed_drive_without_speed_is_told_nearly_as_well():
    (driven,) = drive_cars(SHORT)
    segments = find_segments(find_rows(driven.tiles(with_speed=False), driven.stroke_m))
    assert right_ratio(segments, driven.truth) > 0.85


def test_the_engines_tiles_of_the_short_drive_give_the_same_stretches():
    (driven,) = drive_cars(SHORT)
    vehicle = make_vehicle(SHORT)
    log = Log(vehicle)
    travel = travel_stream(*(d.position for d in vehicle.dampers))
    speed = slow_stream(2, 10, ("", "speed"))
    log.start(travel, speed)
    for second in range(SHORT.seconds):
        log.write(travel, driven.travel_m[:, second * 1000 : (second + 1) * 1000].T.astype(float) * 1e3)
        log.write(speed, np.full((10, 1), driven.speed_mps[second]))
    log.close()
    finder = RoadFinder(driven.stroke_m)

    def observe(tile):
        prepared = tile.prepared
        seconds = (prepared.end_ns - prepared.start_ns) * 1e-9
        finder.take(
            prepared.travel_m,
            prepared.valid,
            prepared.rate_hz,
            seconds,
            prepared.vehicle_mps,
            tile.moving,
            prepared.start_ns * 1e-9,
        )

    engine = Engine(vehicle, observer=observe)
    for frame in log.frames:
        engine.feed(frame)
    engine.finish()
    rows = finder.rows()
    assert rows.count == SHORT.seconds
    segments = find_segments(rows)
    straight = find_segments(find_rows(driven.tiles(), driven.stroke_m))
    assert [s.kind for s in segments] == [s.kind for s in straight]
    assert right_ratio(segments, driven.truth) > 0.9


@pytest.mark.slow
def test_measured_surfaces_are_told_apart():
    """A durability track of class E and a paved road; how rough they are is measured in open_data."""
    for driven in drive_cars(measured_drive()):
        for with_speed in (True, False):
            segments = find_segments(find_rows(driven.tiles(with_speed), driven.stroke_m))
            assert [s.kind for s in segments] == [ROUGH, STREET, ROUGH]
            assert right_ratio(segments, driven.truth) > 0.9


@pytest.mark.slow
@pytest.mark.parametrize("drive", [*FIRST_LOOK, *HELD_OUT, *LAST], ids=lambda drive: drive.name)
def test_held_out_drives_are_told_right(drive):
    for driven in drive_cars(drive):
        segments = find_segments(find_rows(driven.tiles(), driven.stroke_m))
        assert_whole(segments, 0.0, drive.seconds)
        assert right_ratio(segments, driven.truth) > 0.9, driven.name
        segments = find_segments(find_rows(driven.tiles(with_speed=False), driven.stroke_m))
        assert right_ratio(segments, driven.truth) > 0.85, driven.name


def test_rows_of_two_parts_joined_are_those_of_the_whole():
    tiles = list(shaking(75, 0.01))
    whole = find_rows(tiles)
    joined = RoadRows.join([find_rows(tiles[:41]), pickle.loads(pickle.dumps(find_rows(tiles[41:])))])  # noqa: S301
    for name in RoadRows.__slots__:
        np.testing.assert_array_equal(getattr(joined, name), getattr(whole, name), name)
    assert find_segments(joined) == find_segments(whole)


def test_rows_may_be_asked_for_in_between():
    tiles = list(shaking(45, 0.01))
    finder = RoadFinder(STROKES)
    for number, tile in enumerate(tiles):
        finder.take(**tile)
        if number == 20:
            assert finder.rows().count == 21
    np.testing.assert_array_equal(finder.rows().level, find_rows(tiles).level)


def test_nothing_makes_no_segments():
    assert find_segments(RoadFinder(STROKES).rows()) == ()
    assert find_segments(RoadFinder(()).rows()) == ()
    assert find_segments(RoadRows.join([])) == ()


def test_one_road_is_one_stretch_and_louder_ones_are_rougher():
    """Amplitudes of 1 : 4 : 16 lie four classes apart."""
    assert kinds_of(shaking(60, 0.0015)) == [STREET]
    assert kinds_of(shaking(60, 0.0055)) == [GRADED]
    assert kinds_of(shaking(60, 0.02)) == [ROUGH]


def test_the_same_shaking_at_a_fifth_of_the_speed_is_a_rougher_road():
    assert kinds_of(shaking(60, 0.0055, mps=20.0)) == [GRADED]
    assert kinds_of(shaking(60, 0.0055, mps=4.0)) == [ROUGH]


@pytest.mark.parametrize("rate_hz", [100, 200, 333, 500, 1024, 2000])
def test_the_rate_of_sampling_doesnt_matter(rate_hz):
    assert kinds_of(shaking(40, 0.0055, rate_hz=rate_hz)) == [GRADED]
    assert kinds_of(shaking(40, 0.02, rate_hz=rate_hz)) == [ROUGH]


@pytest.mark.parametrize("dampers", [1, 2, 8])
def test_the_number_of_dampers_doesnt_matter(dampers):
    tiles = shaking(40, 0.0055, dampers=dampers)
    assert kinds_of(tiles, (0.254,) * dampers) == [GRADED]


def test_a_line_common_to_the_wheels_is_washboard_and_one_wheels_hum_isnt():
    assert kinds_of(shaking(40, 0.008, line_hz=17.3)) == [WASHBOARD]
    tiles = list(shaking(40, 0.0055))
    humming = np.float32(0.01) * np.sin(2 * np.pi * 17.3 * np.arange(40_000) / 1000.0).astype(np.float32)
    for second, tile in enumerate(tiles):
        tile["travel_m"] = tile["travel_m"].copy()
        tile["travel_m"][2] += humming[second * 1000 : (second + 1) * 1000]
    assert kinds_of(tiles) == [GRADED]


def test_a_faint_line_of_an_engine_is_no_washboard():
    """24 Hz with 0.03 mm, at 2 m/s on a road that moves nothing."""
    assert WASHBOARD not in kinds_of(shaking(40, 0.00003, line_hz=24.0, mps=2.0))


def test_a_line_as_long_as_a_wheels_round_is_no_washboard():
    """10 Hz at 25 m/s: 2.5 m."""
    assert WASHBOARD not in kinds_of(shaking(40, 0.008, line_hz=10.0, mps=25.0))
    assert kinds_of(shaking(40, 0.008, line_hz=10.0, mps=8.0)) == [WASHBOARD]


def test_standing_still_is_parked_with_and_without_speed():
    assert kinds_of(shaking(60, 0.00002, mps=0.1)) == [PARKED]
    assert kinds_of(shaking(60, 0.00002, mps=None)) == [PARKED]


def test_a_smooth_road_of_unknown_speed_isnt_parked():
    assert kinds_of(shaking(60, 0.0012, mps=None)) == [STREET]


def test_a_stop_of_over_20_s_is_a_stretch_and_one_of_15_isnt():
    for seconds, expected in ((25, [GRADED, PARKED, GRADED]), (15, [GRADED])):
        tiles = list(shaking(100, 0.0055))
        still = list(shaking(100, 0.00002, mps=0.0))
        tiles[40 : 40 + seconds] = still[40 : 40 + seconds]
        assert kinds_of(tiles) == expected


def test_people_who_climb_in_while_it_stands_dont_make_a_road():
    tiles = list(shaking(60, 0.00002, mps=0.0))
    tiles[20:35] = list(shaking(60, 0.004, mps=0.0))[20:35]
    assert kinds_of(tiles) == [PARKED]


def test_a_speed_of_zero_on_a_road_that_works_the_dampers_isnt_believed():
    assert PARKED not in kinds_of(shaking(60, 0.01, mps=0.0))


def test_washboard_is_told_though_the_speed_sensor_reads_zero():
    assert kinds_of(shaking(60, 0.008, line_hz=17.3, mps=0.0)) == [WASHBOARD]


def test_a_pothole_doesnt_make_a_rough_road():
    tiles = list(shaking(60, 0.0015))
    tiles[30] = dict(list(shaking(60, 0.04))[30])
    assert kinds_of(tiles) == [STREET]


def test_a_hole_in_the_trip_ends_a_stretch():
    tiles = list(shaking(60, 0.0055))
    for tile in tiles[30:]:
        tile["t_s"] += 100.0
    segments = find_segments(find_rows(tiles))
    assert [(s.kind, s.start_s, s.end_s) for s in segments] == [(GRADED, 0.0, 30.0), (GRADED, 130.0, 160.0)]


def test_a_dead_sensor_is_left_out():
    tiles = list(shaking(60, 0.0055))
    for tile in tiles:
        tile["travel_m"] = tile["travel_m"].copy()
        tile["travel_m"][1] = np.nan
        tile["counted"] = tile["counted"].copy()
        tile["counted"][1] = False
    assert kinds_of(tiles) == [GRADED]


def test_a_stuck_sensor_that_is_still_believed_is_left_out():
    tiles = list(shaking(60, 0.0055))
    for tile in tiles:
        tile["travel_m"] = tile["travel_m"].copy()
        tile["travel_m"][3] = 0.1
    assert kinds_of(tiles) == [GRADED]


def test_nonsense_samples_spoil_one_damper_of_one_row():
    tiles = list(shaking(40, 0.0055))
    plain = find_rows(tiles)
    tiles[20] = dict(tiles[20], travel_m=tiles[20]["travel_m"].copy())
    tiles[20]["travel_m"][0, 500] = np.nan
    rows = find_rows(tiles)
    assert np.isfinite(rows.level[20])
    np.testing.assert_array_equal(np.delete(rows.level, 20), np.delete(plain.level, 20))


@pytest.mark.parametrize("seed", range(20))
def test_whatever_comes_the_rows_are_covered(seed):
    rng = np.random.default_rng(seed)
    dampers = int(rng.integers(1, 6))
    finder, now_s, spans = RoadFinder(rng.uniform(0.1, 0.4, dampers)), float(rng.uniform(0, 50)), []
    rate_hz = 1000.0
    for _ in range(int(rng.integers(1, 120))):
        if rng.random() < 0.1:
            rate_hz = float(rng.choice([10, 50, 200, 1000]))
        n = int(rate_hz) if rng.random() < 0.95 else int(rng.integers(1, rate_hz + 1))
        travel = rng.normal(0.1, 10.0 ** rng.uniform(-6, 0), (dampers, n)).astype(np.float32)
        travel[rng.random((dampers, n)) < 0.0002] = np.nan
        mps = rng.choice([None, np.nan, 0.0, -1.0, 12.0, 1e6], p=[0.3, 0.1, 0.2, 0.1, 0.25, 0.05])
        counted = rng.random((dampers, n)) < rng.choice([1.1, 0.9, 0.0])
        finder.take(travel, counted, rate_hz, n / rate_hz, mps, bool(rng.random() < 0.5), now_s)
        spans.append((now_s, now_s + n / rate_hz))
        now_s += n / rate_hz + (30.0 if rng.random() < 0.03 else 0.0)
    segments = find_segments(finder.rows())
    assert segments[0].start_s == spans[0][0]
    assert segments[-1].end_s == pytest.approx(spans[-1][1])
    assert all(s.kind in ROAD_KINDS and s.end_s > s.start_s for s in segments)
    for first, second in itertools.pairwise(segments):
        assert second.start_s == pytest.approx(first.end_s) or second.start_s > first.end_s + 29.0
    covered = sum(s.end_s - s.start_s for s in segments)
    assert covered == pytest.approx(sum(end - start for start, end in spans))


def test_time_in_which_nothing_was_measured_takes_the_kind_of_what_is_around():
    tiles = list(shaking(90, 0.0055))
    for tile in tiles[30:60]:
        tile["travel_m"] = np.zeros_like(tile["travel_m"])
        tile["counted"] = np.zeros_like(tile["counted"])
    segments = find_segments(find_rows(tiles))
    assert [s.kind for s in segments] == [GRADED]
    assert_whole(segments, 0.0, 90.0)


def test_a_trip_in_which_nothing_was_measured_is_covered_all_the_same():
    tiles = list(shaking(30, 0.0055, mps=None))
    for tile in tiles:
        tile["counted"] = np.zeros_like(tile["counted"])
        tile["moving"] = False
    segments = find_segments(find_rows(tiles))
    assert_whole(segments, 0.0, 30.0)
    assert [s.kind for s in segments] == [PARKED]


def test_a_short_tile_at_an_epochs_end_is_a_row_of_its_own():
    tiles = list(shaking(20, 0.0055))
    tiles[-1] = dict(
        tiles[-1], travel_m=tiles[-1]["travel_m"][:, :300], counted=tiles[-1]["counted"][:, :300], dt_s=0.3
    )
    rows = find_rows(tiles)
    assert rows.count == 20
    assert np.isnan(rows.level[-1])
    assert_whole(find_segments(rows), 0.0, 19.3)


def test_holes_in_the_speed_are_bridged_when_short():
    """At 4 m/s this is rough, at the speed taken where nothing is known it is graded."""
    for hole_s, expected in ((5, ROUGH), (9, GRADED)):
        tiles = list(shaking(60, 0.0055, mps=4.0))
        for number, tile in enumerate(tiles):
            if number % hole_s:
                tile["vehicle_mps"] = None
        assert kinds_of(tiles) == [expected]


def test_other_dampers_than_strokes_are_refused():
    tile = next(shaking(1, 0.01))
    with pytest.raises(InputError, match="2 strokes"):
        RoadFinder((0.2, 0.2)).take(**tile)
    with pytest.raises(InputError, match="expected all above 0"):
        RoadFinder((0.2, 0.0))
