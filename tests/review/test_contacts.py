"""Contacts: each meeting with an end of travel once, bottom-outs exactly as the accumulators count them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.domain.vehicle import Damper
from dutylog.duty.damper_duty import DamperDuty, PreparedRun
from dutylog.review.contacts import ContactFinder
from dutylog.review.trip_data import BOTTOMED, BUMP_STOP, STRAP, TOPPED_OUT

STROKE_M = 0.1
PLAIN = Damper("front_left", "front_left", "x")
FULL = Damper("front_left", "front_left", "x", bump_stop_m=0.08, strap_m=0.01)


def find(finder, travel_mm):
    """Return (kind, place) of each contact of one stretch, as a tile is looked at."""
    travel_um = np.rint(np.asarray(travel_mm, dtype=float) * 1000).astype(np.int32)
    near = finder.pick(int(travel_um.min()), int(travel_um.max()))
    return sorted((met.place, met.kind) for met in finder.take(travel_um, near))


def test_every_end_has_its_mark():
    """Stroke 100: bump stop 80, bottomed 97; strap 10 + 3, topped out 3."""
    way = [*range(50, 101), *range(100, -1, -1), *range(50)]
    found = find(ContactFinder(FULL, STROKE_M), way)
    assert found == [(30, BUMP_STOP), (47, BOTTOMED), (51 + 87, STRAP), (51 + 97, TOPPED_OUT)]


def test_ends_nobody_told_of_are_not_looked_for():
    assert {kind for _, kind in find(ContactFinder(PLAIN, STROKE_M), [*range(50, 101), *range(100, -1, -1)])} == {
        BOTTOMED,
        TOPPED_OUT,
    }


@pytest.mark.parametrize(
    ("kind", "met", "back_short", "back_enough"),
    [(BUMP_STOP, 80, 74, 73.9), (BOTTOMED, 97, 94, 93.9), (STRAP, 13, 19, 19.1), (TOPPED_OUT, 3, 6, 6.1)],
)
def test_a_contact_counts_anew_only_once_the_shaft_has_come_free(kind, met, back_short, back_enough):
    """Chatter on a stop is one contact. Each mark is met where it is reached, each is free beyond its own."""
    for back, count in ((back_short, 1), (back_enough, 2)):
        found = find(ContactFinder(FULL, STROKE_M), [50, met, back, met, back, met][: 4 if count == 2 else 6])
        assert sum(one == kind for _, one in found) == count


def test_a_stretch_that_meets_nothing_arms_what_it_comes_free_of():
    finder = ContactFinder(PLAIN, STROKE_M)
    assert find(finder, [50, 98]) == [(1, BOTTOMED)]
    assert find(finder, [96, 95, 94.5]) == []
    assert find(finder, [98]) == []
    assert find(finder, [50, 60]) == []
    assert find(finder, [98]) == [(0, BOTTOMED)]


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.sampled_from([50.0, 93.0, 93.9, 94.0, 95.0, 96.9, 97.0, 99.0, 101.0]), min_size=1, max_size=60),
    st.lists(st.integers(1, 20), max_size=8),
    st.lists(st.booleans(), min_size=8, max_size=8),
)
def test_bottom_outs_are_those_of_the_accumulators(travel_mm, lengths, joined):
    """However samples are cut and wherever travel was lost between two stretches."""
    duty, finder = DamperDuty(100_000), ContactFinder(PLAIN, STROKE_M)
    start, count = 0, 0
    for number, length in enumerate([*lengths, len(travel_mm)]):
        part = travel_mm[start : start + length]
        start += length
        if not part:
            continue
        travel_um = np.rint(np.array(part) * 1000).astype(np.int32)
        zeros = np.zeros(len(part))
        is_joined = number > 0 and joined[number % 8]
        duty.update(PreparedRun(travel_um, zeros.astype(np.float32), zeros, start * 10**6, 10**6, is_joined))
        count += sum(kind == BOTTOMED for _, kind in find(finder, part))
    assert count == duty.totals().bottom_outs_count
