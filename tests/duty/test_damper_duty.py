"""Accumulated duty: split and merged anywhere, stored and restored, it is the same to the bit."""

from __future__ import annotations

import itertools
import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.duty.damper_duty import DamperDuty, PreparedRun
from dutylog.duty.histograms import (
    GATHERED,
    PASS_LOWEST_MM,
    POSITION_BIN_UM,
    POSITION_BINS,
    SPEED_BINS,
    SPEED_EDGES_MPS,
    Histograms,
)
from dutylog.duty.pieces import sum_pieces
from dutylog.duty.speed_cells import find_cells

STROKE_UM = 60_000
PERIOD_NS = 1_002_707  # not a whole number of microseconds, as a real clock gives


def make_series(seed, n, breaks):
    rng = np.random.default_rng(seed)
    steps = rng.normal(0, 6_000, n) * (rng.random(n) < 0.5)
    travel = np.abs(np.cumsum(steps)) % (2 * STROKE_UM)
    travel = np.rint(np.where(travel > STROKE_UM, 2 * STROKE_UM - travel, travel)).astype(np.int64)
    speed = np.gradient(travel.astype(float)) / 1e3
    energy = np.rint(np.abs(speed) * 1e4).astype(np.int64)
    joined = np.ones(n, dtype=bool)
    joined[[b % n for b in breaks]] = False
    return travel, speed, energy, joined


def accumulate(series, start, stop, cuts=()):
    """Feed rows start..stop in runs cut at every break and at `cuts`."""
    travel, speed, energy, joined = series
    duty = DamperDuty(STROKE_UM)
    edges = sorted(
        {start, stop, *(i for i in range(start, stop) if not joined[i]), *(c for c in cuts if start < c < stop)}
    )
    for a, b in itertools.pairwise(edges):
        run = PreparedRun(travel[a:b], speed[a:b], energy[a:b], a * PERIOD_NS, PERIOD_NS, bool(joined[a]) and a > start)
        duty.update(run)
        duty.add_time(measured_us=b * PERIOD_NS // 1000 - a * PERIOD_NS // 1000, moving=True)
    return duty


def state(duty):
    duty.break_off()
    data = duty.to_dict()
    data["strokes"] = None
    return data, duty.totals(), duty.strokes.finished(), duty.strokes.rainflow().count_half_cycles()


CASE = st.tuples(st.integers(0, 10_000), st.integers(2, 80), st.lists(st.integers(0, 79), max_size=3))


@settings(max_examples=300)
@given(CASE, st.lists(st.integers(0, 79), max_size=4))
def test_length_of_runs_changes_nothing(case, cuts):
    series = make_series(*case)
    n = case[1]
    assert state(accumulate(series, 0, n, cuts)) == state(accumulate(series, 0, n))


@settings(max_examples=300)
@given(CASE, st.integers(1, 79), st.integers(1, 79))
def test_split_anywhere_and_merged_equals_whole(case, first, second):
    series = make_series(*case)
    n = case[1]
    places = sorted({0, first % n, second % n, n})
    parts = [accumulate(series, a, b) for a, b in itertools.pairwise(places)]
    merged = parts[0]
    for place, part in zip(places[1:], parts[1:], strict=False):
        merged.merge(part, joined=bool(series[3][place]))
    assert state(merged) == state(accumulate(series, 0, n))


@given(CASE, st.integers(1, 79))
def test_stored_and_restored_goes_on_as_if_never_stopped(case, place):
    series = make_series(*case)
    n = case[1]
    cut = place % n
    if not 0 < cut < n:
        return
    stopped = accumulate(series, 0, cut)
    restored = DamperDuty.from_dict(json.loads(json.dumps(stopped.to_dict())))
    travel, speed, energy, joined = series
    for duty in (stopped, restored):
        run = PreparedRun(travel[cut:], speed[cut:], energy[cut:], cut * PERIOD_NS, PERIOD_NS, bool(joined[cut]))
        duty.update(run)
    assert state(stopped) == state(restored)


def test_seal_passes_count_each_mark_once_per_crossing():
    """0 -> 10.5 -> 2.2 mm: marks 1..10 pass once going in, 3..10 again coming out."""
    duty = DamperDuty(STROKE_UM)
    travel = np.array([0, 10_500, 2_200], dtype=np.int64)
    duty.update(PreparedRun(travel, np.zeros(3), np.zeros(3, dtype=np.int64), 0, 1_000_000, False))
    passes = duty.histograms.seal_passes[-PASS_LOWEST_MM:]
    assert passes[:12].tolist() == [0, 1, 1, 2, 2, 2, 2, 2, 2, 2, 2, 0]


def test_bottom_out_needs_rearming():
    """Chatter between stroke - 3 and stroke - 6 mm is one bottom-out."""
    duty = DamperDuty(STROKE_UM)
    travel = np.array([0, 58_000, 55_000, 58_000, 53_000, 59_000], dtype=np.int64)
    duty.update(PreparedRun(travel, np.zeros(6), np.zeros(6, dtype=np.int64), 0, 1_000_000, False))
    assert duty.totals().bottom_outs_count == 2


def test_correction_never_lowers_and_survives_more_duty():
    """After a truncated card the stored totals stand and new strokes come on top."""
    series = make_series(3, 60, [])
    full, short = accumulate(series, 0, 60), accumulate(series, 0, 30)
    stored = full.totals()
    short.correct(stored)
    assert short.totals() == stored
    short.update(PreparedRun(*(part[:30] for part in series[:3]), 0, PERIOD_NS, False))
    gained = short.totals().since(stored)
    assert gained.strokes_count > 0
    assert gained.energy_uj == int(series[2][:30].sum())


@settings(max_examples=200)
@given(CASE, st.integers(1, 12))
def test_gains_of_pieces_are_those_of_separate_runs(case, pieces):
    """What a second of data brought must not depend on how many seconds were worked off at once."""
    n = case[1] * pieces
    travel, speed, energy, _ = make_series(case[0], n, [])
    whole = DamperDuty(STROKE_UM)
    at_once = whole.update(PreparedRun(travel, speed, energy, 0, PERIOD_NS, False, pieces))
    apart, one_by_one = DamperDuty(STROKE_UM), []
    for a in range(0, n, case[1]):
        b = a + case[1]
        run = PreparedRun(travel[a:b], speed[a:b], energy[a:b], a * PERIOD_NS, PERIOD_NS, a > 0)
        one_by_one += apart.update(run)
    assert at_once == one_by_one
    assert whole.to_dict() == apart.to_dict()
    end = whole.break_off()
    total = sum((piece.strokes_count for piece in at_once), end.strokes_count)
    assert total == whole.totals().strokes_count


@pytest.mark.parametrize("length", [1, 100, GATHERED - 1, GATHERED, GATHERED + 1])
def test_what_is_gathered_is_counted_whenever_somebody_looks(length):
    """However many samples wait to be counted, the counts are those of counting each run at once."""
    n = 3 * GATHERED
    travel, speed, energy, _ = make_series(7, n, [])
    gathered, looked_at = DamperDuty(STROKE_UM), DamperDuty(STROKE_UM)
    for start in range(0, n, length if length > 1 else n):
        part = slice(start, start + (length if length > 1 else n))
        period_ns = PERIOD_NS + (start > GATHERED // 2)
        run = PreparedRun(travel[part], speed[part], energy[part], start * period_ns, period_ns, start > 0)
        gathered.update(run)
        looked_at.update(run)
        looked_at.to_dict()
    assert gathered.to_dict() == looked_at.to_dict()
    edges = np.array(SPEED_EDGES_MPS)
    place = np.where(speed >= 0, np.searchsorted(edges, speed, "right"), -np.searchsorted(edges, -speed, "left"))
    by_speed = np.bincount(place + SPEED_BINS // 2, energy, SPEED_BINS)
    assert gathered.histograms.counts["energy_by_speed_uj"].tolist() == by_speed.tolist()


def test_a_few_samples_that_wait_dont_hold_all_they_were_a_part_of():
    """Twelve good samples a second of a worn sensor would hold whole seconds of all dampers."""
    histograms, all_of_it = Histograms(), np.zeros((4, 1000))
    cells, travel_um = find_cells(all_of_it), all_of_it.astype(np.int32)
    histograms.add(cells[1, 5:17], all_of_it[1, 5:17], travel_um[1, 5:17], PERIOD_NS)
    histograms.add(cells[1], all_of_it[1], travel_um[1], PERIOD_NS)
    few, whole = histograms._samples
    assert [part.base is None for part in (*few, *whole)] == [True] * 3 + [False] * 3


def test_time_by_travel_has_its_classes_at_whole_5_mm():
    """Every whole micrometre near an edge, and far outside: class k begins at 5 k - 20 mm, the outer two are open."""
    edges_um = np.arange(-4, POSITION_BINS) * POSITION_BIN_UM
    travel_um = np.concatenate([edges_um + by for by in range(-3, 4)] + [[-2_000_000, -20_001, 700_000, 2_000_000]])
    histograms, none = Histograms(), np.zeros(len(travel_um))
    histograms.add(find_cells(none), none, travel_um.astype(np.int32), PERIOD_NS)
    expected = np.bincount(np.clip(travel_um // POSITION_BIN_UM + 4, 0, POSITION_BINS - 1), minlength=POSITION_BINS)
    assert (histograms.counts["time_by_position_ns"] == expected * PERIOD_NS).all()


@settings(max_examples=200)
@given(st.integers(1, 5), st.integers(1, 6), st.integers(1, 12), st.integers(0, 10_000))
def test_dampers_side_by_side_hold_what_each_holds_alone(dampers, pieces, length, seed):
    """Turning points of one never reach into the next one's, whether they move, stand still or only begin to move."""
    rng = np.random.default_rng(seed)
    n = pieces * length
    step = (
        rng.integers(-2, 3, (dampers, n))
        * 1_000
        * (rng.random((dampers, n)) < rng.choice([0.0, 0.1, 0.9], (dampers, 1)))
    )
    travel_um = np.cumsum(step, axis=1) + 30_000
    speed_mps, energy_uj = step / 1e3, np.abs(step).astype(np.float64)
    lasts_um = [None if rng.random() < 0.3 else int(row[0] + rng.integers(-1, 2)) for row in travel_um]
    together = sum_pieces(travel_um, speed_mps, energy_uj, lasts_um, pieces)
    for row, found in enumerate(together):
        one = slice(row, row + 1)
        alone = sum_pieces(travel_um[one], speed_mps[one], energy_uj[one], lasts_um[one], pieces)[0]
        assert (found.figures, found.highest_um, found.lowest_um) == (alone.figures, alone.highest_um, alone.lowest_um)
        assert found.places.tolist() == alone.places.tolist()
        assert found.path_um.tolist() == travel_um[row, found.places].tolist()
        assert set(plain_turns(travel_um[row], lasts_um[row])) <= set(found.places.tolist())


def plain_turns(travel_um, last_um):
    """Return where travel first stood at each local extreme, sample by sample."""
    turns, place, way, before = [], 0, 0, travel_um[0] if last_um is None else last_um
    for number, here in enumerate(travel_um.tolist()):
        if here != before:
            if way and (here > before) != (way > 0):
                turns.append(place)
            way, place, before = (1 if here > before else -1), number, here
    return turns
