"""Travel on its index grid: what is there, what is missing, and rows that were stamped off the grid."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.domain.vehicle import Damper
from dutylog.engine.epoch_run import EpochRun
from dutylog.engine.travel_buffer import TravelBuffer
from dutylog.errors import InputError
from dutylog.recording.block import Block, Channel, Stream
from dutylog.recording.frame import Frame, FrameType
from engine.builders import PERIOD_FS, Log, Run, make_vehicle, strokes_mm, travel_stream

PAIR = travel_stream("left", "right")
DAMPERS = (Damper("left", "left", "plain"), Damper("right", "right", "plain"))


def block(first, values, stream=PAIR, period_fs=PERIOD_FS):
    rows = np.asarray(values, dtype=float)
    rows = rows[:, None].repeat(len(stream.channels), axis=1) if rows.ndim == 1 else rows
    return Block(stream, 1, first, first * 10**6, period_fs, rows.astype("<f8"))


def buffer(*blocks, start=0, base=0, stream=PAIR, dampers=DAMPERS):
    made = TravelBuffer(stream, dampers, start, base)
    for one in blocks:
        made.append(one)
    return made


def row_mm(made, start, length, row=0):
    return [None if np.isnan(x) else round(x * 1e3, 6) for x in made.window(start, length)[row]]


def test_a_window_shows_rows_at_their_own_index():
    made = buffer(block(0, [1, 2, 3]), block(3, [4, 5]))
    assert row_mm(made, 1, 3) == [2, 3, 4]
    assert made.end_index == 5


def test_what_never_came_is_unknown():
    made = buffer(block(2, [3, 4]), block(6, [7]))
    assert row_mm(made, 0, 9) == [None, None, 3, 4, None, None, 7, None, None]
    made.append_missing(20)
    assert made.end_index == 20
    made.append_missing(10)
    assert made.end_index == 20


def test_rows_that_are_known_are_not_taken_again():
    made = buffer(block(0, [1, 2, 3]), block(1, [9, 9, 4]), block(0, [8, 8]))
    assert row_mm(made, 0, 4) == [1, 2, 3, 4]
    assert made.end_index == 4


def test_after_a_restart_the_buffer_begins_in_the_middle():
    made = buffer(block(7, [8, 9]), start=0, base=7)
    assert (made.start_index, made.end_index) == (0, 9)
    assert row_mm(made, 5, 4) == [None, None, 8, 9]


def test_a_stretch_is_void_only_when_nothing_at_all_is_known_of_it():
    made = buffer(block(0, [1, 2, 3]), block(10, [4]))
    assert made.is_void(3, 10)
    assert not made.is_void(2, 10)
    assert not made.is_void(3, 11)
    assert made.is_void(11, 99)


def test_what_is_still_needed_stays_when_blocks_follow():
    made = buffer(block(0, [1, 2, 3]))
    # Blocks that come before anybody asks become one piece.
    assert row_mm(made, 0, 3) == [1, 2, 3]
    made.append(block(3, [4, 5]))
    made.drop_before(2)
    assert row_mm(made, 2, 3) == [3, 4, 5]
    made.append(block(7, [8]))
    made.drop_before(5)
    assert row_mm(made, 3, 5) == [None, None, None, None, 8]


def test_a_window_stays_as_it_was_whatever_comes_after():
    made = buffer(block(0, [1, 2, 3]))
    window = made.window(1, 2)
    made.drop_before(1)
    # So many that what is still needed is put before them.
    made.append(block(3, np.arange(4, 24)))
    later = made.window(1, 20)
    assert (later[0] * 1e3).round(9).tolist() == list(range(2, 22))
    assert (window[0] * 1e3).tolist() == [2.0, 3.0]
    for one in (window, later):
        with pytest.raises(ValueError, match="read-only"):
            one[0, 0] = 9.0


@given(st.lists(st.tuples(st.integers(0, 5), st.integers(1, 6)), max_size=12), st.integers(-3, 40), st.integers(1, 30))
def test_any_cutting_into_blocks_gives_the_same_window(steps, start, length):
    whole, at = np.full(200, np.nan), 0
    made = buffer()
    for gap, n in steps:
        at += gap
        whole[at : at + n] = np.arange(at, at + n)
        made.append(block(at, np.arange(at, at + n)))
        at += n
    padded = np.concatenate([np.full(3, np.nan), whole])[start + 3 :][:length] * 1e-3
    np.testing.assert_allclose(made.window(start, len(padded))[0], padded, rtol=1e-15)


def test_each_damper_finds_its_own_sensor_or_its_neighbours():
    dampers = (
        *DAMPERS,
        Damper("bypass", "left", "plain", travel_from="left", travel_map=((0.0, 0.0), (100.0, 150.0))),
        Damper("spare", "rear", "plain"),
    )
    made = buffer(block(0, [[10, 20], [11, 21]]), dampers=dampers)
    assert [row_mm(made, 0, 2, row) for row in range(4)] == [[10, 11], [20, 21], [15, 16.5], [None, None]]
    assert [made.has_sensor(row) for row in range(4)] == [True, True, True, False]


def test_counts_become_travel_by_the_dampers_calibration():
    stream = travel_stream("left", unit="count", dtype="i2")
    place = Damper("left", "left", "plain", calibration=((100.0, 0.0), (1100.0, 100.0)))
    made = TravelBuffer(stream, (place,), 0, 0)
    made.append(Block(stream, 1, 0, 0, PERIOD_FS, np.array([[100], [600]], dtype="<i2")))
    assert row_mm(made, 0, 2) == [0, 50]


def test_calibrating_in_place_leaves_the_blocks_own_samples_alone():
    """A stream of one column has the layout of travel already; its block belongs to somebody else."""
    stream = travel_stream("left")
    one = block(0, [1, 2, 3], stream)
    made = buffer(one, stream=stream, dampers=DAMPERS[:1])
    assert row_mm(made, 0, 3) == [1, 2, 3]
    assert one.data[:, 0].tolist() == [1, 2, 3]


# -- rows stamped off the grid -----------------------------------------------------------------------

STAMPED = Stream(1, "travel", "f8", PERIOD_FS, (Channel("left", "travel", "mm"), Channel("", "stamp", "ns")))
LATE_NS = 150_000


def stamped(values_mm, late_ns):
    made = TravelBuffer(STAMPED, DAMPERS[:1], 0, 0)
    made.append(block(0, np.stack([values_mm, late_ns], axis=1), STAMPED))
    return made


def test_travel_is_moved_to_the_grid_along_its_slope():
    """Read 0.15 ms late on a slope of 2 mm/ms: 0.3 mm too far."""
    late = np.full(50, float(LATE_NS))
    read_mm = 2.0 * (np.arange(50) + 0.15)
    np.testing.assert_allclose(stamped(read_mm, late).window(0, 50)[0], 2e-3 * np.arange(50), atol=1e-12)


def test_a_part_of_a_window_is_moved_like_the_whole():
    """A tile's samples must not depend on where its window happens to end."""
    rng = np.random.default_rng(6)
    made = stamped(np.cumsum(rng.normal(0, 1, 300)), rng.normal(0, 80_000, 300))
    whole = made.window(0, 300)
    for start, length in ((1, 298), (17, 5), (120, 64), (250, 50)):
        np.testing.assert_array_equal(made.window(start, length), whole[:, start : start + length])


def test_on_a_sine_the_slope_leaves_a_hundredth_of_the_jitter():
    rng = np.random.default_rng(3)
    late = rng.normal(0, 80_000, 2000)
    grid_s = np.arange(2000) / 1000

    def travel_mm(instants_s):
        return 50 * np.sin(2 * np.pi * 5 * instants_s)

    read_mm = travel_mm(grid_s + late * 1e-9)
    before = np.abs(read_mm - travel_mm(grid_s))[5:-5].max()
    after = np.abs(stamped(read_mm, late).window(0, 2000)[0] * 1e3 - travel_mm(grid_s))[5:-5].max()
    assert before > 0.3
    # The slope is taken from jittered rows itself: what is left is of second order.
    assert after < before / 5


def test_beside_a_hole_the_slope_is_that_of_the_neighbour_that_is_there():
    read_mm = 2.0 * (np.arange(20.0) + 0.15)
    read_mm[[10, 13, 15]] = np.nan
    window = stamped(read_mm, np.full(20, float(LATE_NS))).window(0, 20)[0]
    there = [*range(10), 11, 12, *range(16, 20)]
    np.testing.assert_allclose(window[there], 2e-3 * np.array(there), atol=1e-12)
    assert np.isnan(window[[10, 13, 15]]).all()
    # Alone between two holes nothing tells a slope: it stays as it was read.
    assert window[14] == pytest.approx(2e-3 * 14.15)


def test_a_spike_doesnt_move_its_neighbours():
    """110 mm at 80 us of jitter would be 4 mm on each side: kilojoules on a long run of a bad plug."""
    rng = np.random.default_rng(1)
    late = rng.normal(0, 80_000, 10_000)
    instants_s = np.arange(10_000) / 1000 + late * 1e-9
    good = 120 + 50 * np.sin(2 * np.pi * 1.3 * instants_s) + 5 * np.sin(2 * np.pi * 11 * instants_s)
    good += rng.normal(0, 0.073, 10_000)
    spiky = good.copy()
    spiky[500::997] += 110.0

    def run(travel_mm):
        log = Log(make_vehicle("left"))
        log.start(STAMPED, kind="recording")
        log.write(STAMPED, np.stack([travel_mm, late], axis=1))
        log.end()
        return Run(log.vehicle).feed(log.frames)

    clean, with_spikes = run(good), run(spiky)
    assert len(with_spikes.faults) == 10
    ours, wanted = with_spikes.totals_at("left").energy_uj, clean.totals_at("left").energy_uj
    # Bridging itself costs less than a hundredth of a percent; moved neighbours would add two percent.
    assert ours == pytest.approx(wanted, rel=2e-4)


# -- through the engine -----------------------------------------------------------------------------


@pytest.mark.parametrize("tiles_later", [1, 7, 3600])
def test_whole_tiles_later_the_same_travel_gives_the_same_bits(tiles_later):
    """A stream that was joined late starts at a high index; its tiles see the same windows."""

    def run(first):
        log = Log(make_vehicle())
        log.start(PAIR)
        rng = np.random.default_rng(4)
        log.write(PAIR, strokes_mm(6.4, 1.3) + rng.normal(0, 0.1, 6400), at=first)
        log.end()
        frames = [f for f in log.frames if f.type.name != "GAP"]
        return Run(log.vehicle).feed(frames)

    here, later = run(0), run(1000 * tiles_later)
    assert later.engine.totals() == here.engine.totals()
    assert here.totals_at("left").energy_uj > 10**8
    assert [row.totals for row in later.minutes if row.unit_id == "left"] == [
        row.totals for row in here.minutes if row.unit_id == "left"
    ]


@pytest.mark.parametrize("rows", [1, 7, 100, 997, 20_000])
def test_length_of_blocks_changes_no_bit(rows):
    signal = strokes_mm(5.3, 1.3) + np.random.default_rng(4).normal(0, 0.1, 5300)

    def run(step):
        log = Log(make_vehicle())
        log.start(PAIR, kind="recording")
        for start in range(0, len(signal), step):
            log.write(PAIR, signal[start : start + step])
        log.end()
        done = Run(log.vehicle).feed(log.frames)
        return done.engine.totals(), done.minutes, done.trips, {u: d.to_dict() for u, d in done.engine.duties().items()}

    assert run(rows) == run(1000)


def test_travel_in_a_unit_nobody_knows_is_refused_at_the_first_rows():
    with pytest.raises(InputError, match="inch"):
        buffer(stream=travel_stream("left", "right", unit="inch"))


def test_rows_that_come_again_leave_instants_as_they_were():
    """A frame of known rows with another instant says nothing of rows that are there already."""
    run = EpochRun(1, make_vehicle("left", "right"))
    for sequence, (first, late_ns) in enumerate(((0, 0), (1000, 0), (500, 7), (2000, 0)), start=1):
        one = block(first, np.ones(1000))
        one = replace(one, t0_ns=one.t0_ns + late_ns)
        run.feed(Frame(FrameType.SAMPLES, sequence, 1, one.t0_ns, 1, first, 1000, PERIOD_FS, block=one))
    starts = {tile.start_index: tile.start_ns for span in run.spans(ended=True) for tile in span.tiles}
    assert starts == {index: index * 10**6 for index in (0, 1000, 2000)}
