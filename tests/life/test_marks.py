"""Marks on a shaft: passes in closed form, nothing measured said so, and urgency that only rises with harm."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dutylog.domain.wear import MARK_KINDS
from dutylog.duty.histograms import PASS_CELLS, PASS_LOWEST_MM, Histograms
from dutylog.duty.seal_passes import count_passes
from dutylog.errors import InputError
from dutylog.life.marks import (
    BLUNT_FACTOR,
    CAUTION,
    COUNTED_MM,
    KIND_FACTORS,
    LEAST_SLIDING_M,
    NEXT_SERVICE,
    PASS_M_PER_MM,
    RULES,
    SOON,
    STOP,
    WATCH,
    Mark,
    judge_mark,
)

STROKE_MM = 250.0
NICK = Mark("nick", 100.0, 1.0, is_sharp=True)


def histograms_of(travel_mm):
    """Return the seal passes of a path in straight legs."""
    path_um = np.rint(np.asarray(travel_mm) * 1000.0).astype(np.int64)
    histograms = Histograms()
    histograms.add_path(int(path_um[0]), path_um[1:])
    return histograms


def sine_mm(middle_mm, amplitude_mm, cycles):
    """Return travel from the middle upward; 200 legs a cycle."""
    return middle_mm + amplitude_mm * np.sin(2.0 * math.pi * np.arange(200 * cycles + 1) / 200.0)


def test_passes_of_a_sine_have_a_closed_form():
    """Each cycle takes every place within it through the seal twice, and none outside: 300 cycles of 100 +- 40 mm."""
    passes = histograms_of(sine_mm(100.0, 40.0, 300)).seal_passes
    for place in (62, 80, 99, 120, 138):
        assert count_passes(passes, float(place), 0.01) == 600
    # At the middle itself it starts and ends, which is within one of it.
    assert abs(count_passes(passes, 100.0, 0.01) - 600) <= 1
    for place in (10, 57, 143, 200):
        assert count_passes(passes, float(place), 1.0) == 0
    # A mark that reaches into what passes, passes with that edge.
    assert count_passes(passes, 57.0, 12.0) == 600
    judged = judge_mark(NICK, STROKE_MM, 600, 0, 2.0, 300 * 4 * 0.040 * 10)
    assert (judged.passes_so_far, judged.passes_per_mile) == (600, 300.0)


def test_what_a_mark_costs_is_worked_out_by_hand():
    """12 400 passes x 3 m over 3500 m of sliding: 37.2 km more, 11.6 times the wear."""
    judged = judge_mark(NICK, STROKE_MM, 13_400, 1_000, 400.0, 3500.0)
    assert judged.passes_so_far == 12_400
    assert judged.passes_per_mile == pytest.approx(31.0)
    assert judged.extra_sliding_m == pytest.approx(12_400 * PASS_M_PER_MM)
    assert judged.wear_factor == pytest.approx(1.0 + 37_200 / 3500)
    assert judged.urgency == SOON
    assert judged.text == (
        "sharp nick of 1 mm at 100 mm: 12400 times through the seal since it was seen; as much wear as "
        "37000 m of clean shaft, the seal wears 12 times as fast (judgement)"
    )


@pytest.mark.parametrize("kind", MARK_KINDS)
@pytest.mark.parametrize("is_sharp", [False, True])
def test_kind_and_sharpness_scale_a_pass(kind, is_sharp):
    """The stated coefficients and no others; a mark twice as long costs twice as much."""
    mark, long = (Mark(kind, 100.0, size, is_sharp) for size in (2.0, 4.0))
    assert mark.pass_m == pytest.approx(2.0 * PASS_M_PER_MM * KIND_FACTORS[kind] * (1.0 if is_sharp else BLUNT_FACTOR))
    assert long.pass_m == pytest.approx(2.0 * mark.pass_m)
    assert mark.name.startswith(f"{'sharp' if is_sharp else 'blunt'} {kind} of 2 mm")


def test_a_mark_beyond_the_stroke_never_reaches_the_seal():
    """Explained, not refused: people measure on what they see. One that reaches over the end of the stroke counts."""
    judged = judge_mark(Mark("nick", 300.0, 2.0, is_sharp=True), STROKE_MM, 0, 0, 100.0, 5000.0)
    assert (judged.passes_so_far, judged.extra_sliding_m, judged.wear_factor) == (0, 0.0, 1.0)
    assert judged.urgency == WATCH
    assert "the stroke is 250 mm, so it never reaches the seal" in judged.text
    edge = judge_mark(Mark("nick", 300.0, 101.0, is_sharp=True), STROKE_MM, 0, 0, 100.0, 5000.0)
    assert "never reaches" not in edge.text
    assert edge.urgency == SOON


def test_a_mark_that_has_not_passed_yet_is_judged_by_what_one_pass_can_do():
    """It lies deep in the stroke: the next hard landing takes it through."""
    words = "not once through the seal in 5000 m of sliding"
    sharp = judge_mark(Mark("nick", 240.0, 1.0, is_sharp=True), STROKE_MM, 7, 7, 100.0, 5000.0)
    blunt = judge_mark(Mark("pit", 240.0, 1.0, is_sharp=False), STROKE_MM, 7, 7, 100.0, 5000.0)
    assert words in sharp.text
    assert words in blunt.text
    assert (sharp.passes_so_far, sharp.passes_per_mile, sharp.wear_factor) == (0, 0.0, 1.0)
    assert (sharp.urgency, blunt.urgency) == (NEXT_SERVICE, WATCH)


@pytest.mark.parametrize("sliding_m", [0.0, LEAST_SLIDING_M - 1.0])
def test_where_nobody_measured_it_says_so(sliding_m):
    """No figure is made up; the mark itself is judged, on the safe side."""
    judged = judge_mark(NICK, STROKE_MM, 0, 0, None, sliding_m)
    assert (judged.passes_so_far, judged.passes_per_mile) == (None, None)
    assert (judged.extra_sliding_m, judged.wear_factor) == (None, None)
    assert f"too little was measured since it was seen ({sliding_m:.0f} m of sliding)" in judged.text
    assert judged.urgency == STOP


def test_a_place_beyond_the_counters_says_so():
    """Strokes may be up to 1000 mm; passes are counted up to 639 mm. Nought there is no measurement."""
    passes = histograms_of([0.0, 900.0] * 50).seal_passes
    assert len(passes) == PASS_CELLS
    assert passes[COUNTED_MM - PASS_LOWEST_MM] > 0
    judged = judge_mark(Mark("nick", COUNTED_MM + 20.0, 1.0, is_sharp=True), 1000.0, 0, 0, 10.0, 9e4)
    assert judged.passes_so_far is None
    assert "passes are counted up to 639 mm of shaft only" in judged.text
    assert judge_mark(Mark("nick", COUNTED_MM, 1.0, is_sharp=True), 1000.0, 99, 0, 10.0, 9e4).passes_so_far == 99


def test_miles_nobody_knows_are_left_out():
    """A rate a mile needs miles; the rest stands."""
    for miles in (None, 0.0):
        judged = judge_mark(NICK, STROKE_MM, 500, 0, miles, 5000.0)
        assert judged.passes_per_mile is None
        assert "a mile" not in judged.text
        assert judged.wear_factor == pytest.approx(1.3)


TRAVELS = st.lists(st.integers(-5_000, 250_000), min_size=3, max_size=40)


@given(TRAVELS, st.data())
def test_passes_add_over_any_split(travel_um, data):
    """Trips, services and moves cut a history; a mark's passes must not hang on where."""
    cut = data.draw(st.integers(1, len(travel_um) - 2))
    place, size = data.draw(st.integers(0, 249)), data.draw(st.sampled_from([0.4, 1.0, 6.0]))
    path = np.array(travel_um, dtype=np.int64)
    whole, first, second = Histograms(), Histograms(), Histograms()
    whole.add_path(travel_um[0], path[1:])
    first.add_path(travel_um[0], path[1 : cut + 1])
    second.add_path(travel_um[cut], path[cut + 1 :])
    assert np.array_equal(first.seal_passes + second.seal_passes, whole.seal_passes)
    middle, end = (count_passes(one.seal_passes, place, size) for one in (first, whole))
    mark = Mark("nick", place, size, is_sharp=True)
    parts = [judge_mark(mark, STROKE_MM, now, then, None, 1000.0) for then, now in ((0, middle), (middle, end))]
    total = judge_mark(mark, STROKE_MM, end, 0, None, 2000.0)
    assert sum(part.passes_so_far for part in parts) == total.passes_so_far
    assert sum(part.extra_sliding_m for part in parts) == pytest.approx(total.extra_sliding_m, rel=1e-12)


@given(
    st.sampled_from(MARK_KINDS),
    st.floats(0.0, 300.0),
    st.floats(0.05, 20.0),
    st.floats(1.0, 10.0),
    st.integers(0, 10**6),
    st.integers(0, 10**6),
    st.floats(0.0, 1e6),
)
def test_urgency_never_falls_with_size_sharpness_or_passes(kind, place, size, larger, passes, more, sliding_m):
    """Two owners with like shafts compare: the worse one must never be told the milder word."""

    levels = [rule.level for rule in reversed(RULES)]

    def level(size_mm, is_sharp, count):
        judged = judge_mark(Mark(kind, place, size_mm, is_sharp), STROKE_MM, count, 0, None, sliding_m)
        return levels.index(judged.urgency)

    for is_sharp in (False, True):
        assert level(size, is_sharp, passes) <= level(size * larger, is_sharp, passes)
        assert level(size, is_sharp, passes) <= level(size, is_sharp, passes + more)
    assert level(size, False, passes) <= level(size, True, passes)


def test_every_level_is_reached_at_its_limit():
    """The table is what people are shown: each limit holds from its value on, and the levels are four."""
    levels = [rule.level for rule in reversed(RULES)]
    assert levels == [WATCH, NEXT_SERVICE, SOON, STOP]
    small = Mark("nick", 100.0, 0.1, is_sharp=True)
    for rule in RULES:
        # So many passes of 0.3 m make the factor.
        passes = round((rule.factor - 1.0) * 3000.0 / small.pass_m)
        judged = judge_mark(small, STROKE_MM, passes + 1, 0, None, 3000.0)
        assert judged.urgency == rule.level
        assert judged.advice.startswith(rule.advice)
        if rule.level != WATCH:
            below = judge_mark(small, STROKE_MM, passes - 1, 0, None, 3000.0)
            assert levels.index(below.urgency) == levels.index(rule.level) - 1


@pytest.mark.parametrize("rule", RULES, ids=lambda rule: rule.level)
def test_every_advice_carries_the_cautions(rule):
    """A shaft is worked on under a lifted vehicle, beside charged gas and hot oil."""
    passes = math.ceil((rule.factor - 1.0) * 1e5)
    advice = judge_mark(Mark("nick", 100.0, 0.01 / 3.0 * 100, is_sharp=True), STROKE_MM, passes, 0, None, 1e5).advice
    assert advice.endswith(CAUTION)
    for words in ("on stands", "damper cold", "maker's procedure", "under pressure", "brakes", "qualified technician"):
        assert words in CAUTION


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"kind": "dent"}, "mark of kind 'dent', which is none of nick, pit, scratch, rust"),
        ({"distance_mm": -1.0}, "expected 0 or more, measured on the bare shaft"),
        ({"distance_mm": math.nan}, "mark at nan mm"),
        ({"size_mm": 0.0}, "mark of 0.0 mm, expected above 0"),
        ({"size_mm": math.inf}, "mark of inf mm"),
    ],
)
def test_a_mark_that_can_not_be_is_refused(change, words):
    """What nobody can have seen; the message says how it is measured."""
    with pytest.raises(InputError, match=words):
        Mark(**{"kind": "nick", "distance_mm": 100.0, "size_mm": 1.0, "is_sharp": True, **change})


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"passes_now": 5}, "5 seal passes, but 10 when the mark was seen: they never fall"),
        ({"stroke_mm": 0.0}, "stroke 0.0 mm"),
        ({"sliding_m": -1.0}, "-1.0 m of sliding"),
        ({"sliding_m": math.nan}, "nan m of sliding"),
        ({"miles_since": -1.0}, "-1.0 miles"),
    ],
)
def test_numbers_that_can_not_be_are_refused(change, words):
    """Totals never fall; a caller that mixes up two units' totals is found here."""
    usual = {"stroke_mm": STROKE_MM, "passes_now": 20, "passes_at_record": 10, "miles_since": 5.0, "sliding_m": 900.0}
    with pytest.raises(InputError, match=words):
        judge_mark(NICK, **{**usual, **change})
