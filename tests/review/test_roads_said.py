"""People's words on kinds of road lie over what was found, and cover no more than they say."""

from __future__ import annotations

from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from dutylog.ledger.trip_notes import RoadSaid
from dutylog.review.roads_said import lay_over
from dutylog.review.trip_data import GRADED, PARKED, ROAD_KINDS, ROUGH, WASHBOARD, Segment

FOUND = (Segment(GRADED, 0.0, 100.0), Segment(PARKED, 120.0, 200.0), Segment(ROUGH, 200.0, 300.0))


def said(first_s: float, last_s: float, kind: str = WASHBOARD) -> RoadSaid:
    return RoadSaid(1, first_s, last_s, kind, "Ada")


def test_a_word_takes_its_stretch_and_leaves_the_rest() -> None:
    """What nobody put right stays as it was found, holes included."""
    assert lay_over(FOUND, ()) == FOUND
    assert lay_over(FOUND, [said(40.0, 250.0)]) == (
        Segment(GRADED, 0.0, 40.0),
        Segment(WASHBOARD, 40.0, 100.0, True),
        Segment(WASHBOARD, 120.0, 250.0, True),
        Segment(ROUGH, 250.0, 300.0),
    )


def test_the_later_word_counts_where_two_overlap() -> None:
    """Telling it anew puts it right."""
    laid = lay_over(FOUND, [said(0.0, 80.0), said(60.0, 100.0, ROUGH)])
    assert laid[:2] == (Segment(WASHBOARD, 0.0, 60.0, True), Segment(ROUGH, 60.0, 100.0, True))
    assert lay_over(FOUND, [said(0.0, 80.0), said(0.0, 100.0, GRADED)])[0] == Segment(GRADED, 0.0, 100.0, True)


def test_a_word_beyond_the_trip_or_of_an_unknown_kind_changes_nothing() -> None:
    """A later version may know more kinds; a trip may have been cut since."""
    assert lay_over(FOUND, [said(300.0, 900.0), said(100.0, 120.0), said(0.0, 50.0, "lava")]) == FOUND
    assert lay_over((), [said(0.0, 10.0)]) == ()


MOMENTS = st.integers(0, 40).map(float)


@given(
    st.lists(st.tuples(st.sampled_from(ROAD_KINDS), st.integers(1, 10), st.integers(0, 3)), max_size=6),
    st.lists(st.tuples(MOMENTS, MOMENTS, st.sampled_from(ROAD_KINDS)), max_size=6),
)
def test_every_instant_has_the_last_word_on_it(
    pieces: list[tuple[str, int, int]], words: list[tuple[float, float, str]]
) -> None:
    """Compared instant by instant with the plainest rule there is."""
    segments, at_s = [], 0.0
    for kind, long, hole in pieces:
        segments.append(Segment(kind, at_s, at_s + long))
        at_s += long + hole
    laid = lay_over(segments, [said(*word) for word in words])
    assert all(one.start_s < one.end_s for one in laid)
    assert all(one.end_s <= other.start_s for one, other in pairwise(laid))
    for instant_s in (n + 0.5 for n in range(80)):
        before = [one.kind for one in segments if one.start_s <= instant_s < one.end_s]
        over = [kind for first_s, last_s, kind in words if first_s <= instant_s < last_s]
        now = [(one.kind, one.is_said) for one in laid if one.start_s <= instant_s < one.end_s]
        assert now == [((over or before)[-1], bool(over)) for _ in before]
