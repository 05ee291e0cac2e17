"""Repairs of trips that would leave a trip counting in part, or would do nothing: each is refused in one line."""

from __future__ import annotations

import json
import random
from pathlib import Path
from typing import Any

import pytest

from dutylog.ledger.trip_book import TripBook
from ledger.builders import open_ledger
from ledger.test_trip_repairs import ask, do, made
from ledger.trip_made import Made, make_trips

__all__ = ["made"]
DYNO = {"why": "dyno"}


def refuse(made: Made, command: str, **fields: Any) -> str:
    """Return what a request was refused with, which left nothing behind."""
    before = len(made.ledger.entries())
    reply = ask(made, command, **fields)
    assert not reply["ok"], reply
    assert len(made.ledger.entries()) == before
    assert "\n" not in reply["error"]
    return str(reply["error"])


def test_the_same_split_twice_is_done_once(made: Made) -> None:
    cut = do(made, "trip_split", trip="1", at_s=130.0)["entry"]
    said = f"trip 1 is split there already (entry {cut}), 0:02:00 after its begin"
    assert refuse(made, "trip_split", trip="1", at_s=130.0) == said
    assert [trip.key for trip in TripBook(made.ledger).trips()] == ["3", "2", "1.2", "1.1"]


@pytest.mark.parametrize(("key", "at_s"), [("1.1", 110.0), ("1.2", 15.0)])
def test_a_part_is_not_cut_at_its_own_end_or_begin(made: Made, key: str, at_s: float) -> None:
    """A double click on the page of a part asks again for what has become its end."""
    cut = do(made, "trip_split", trip="1", at_s=130.0)["entry"]
    assert f"is split there already (entry {cut})" in refuse(made, "trip_split", trip=key, at_s=at_s)


def test_a_trip_is_split_until_every_border_is_cut(made: Made) -> None:
    """Trip 2 has four rows, so three borders; no part of it is of no length."""
    for at_s in (60.0, 120.0, 180.0):
        do(made, "trip_split", trip="2", at_s=at_s)
    assert "is split there already" in refuse(made, "trip_split", trip="2", at_s=200.0)
    parts = [trip for trip in TripBook(made.ledger).trips() if trip.key.startswith("2.")]
    assert [part.duration_ns // 10**9 for part in parts] == [30, 60, 60, 60]
    assert all(part.dampers for part in parts)


def test_a_place_that_was_cut_twice_cuts_once(made: Made) -> None:
    """As an entry written before may have it: no part of no length, and the cut stays while one of them stands."""
    cut = do(made, "trip_split", trip="1", at_s=120.0)["entry"]
    entry = next(one for one in made.ledger.entries() if one.row == cut)
    again = made.ledger.append_entry("trip_split", None, json.loads(entry.data), 1).row
    book = TripBook(made.ledger)
    assert book.trip("1").parts == ("1.1", "1.2")
    do(made, "trip_not_driven", trip="1.2", **DYNO)
    do(made, "trip_undo", entry=again)
    assert book.trip("1").parts == ("1.1", "1.2")
    assert "rests on it" in refuse(made, "trip_undo", entry=cut)


def test_the_same_mark_and_the_same_merge_twice_are_done_once(made: Made) -> None:
    joined = do(made, "trip_merge", trips=["1", "2"])["entry"]
    for keys in (["1", "2"], ["2", "1"]):
        assert refuse(made, "trip_merge", trips=keys) == f"that is one trip already (entry {joined}), trip 1"
    mark = do(made, "trip_not_driven", trip="2", **DYNO)["entry"]
    assert refuse(made, "trip_not_driven", trip="2", **DYNO) == (
        f"trip 1 doesn't count already, or a part of it (entry {mark})"
    )


def test_two_parts_are_not_merged(made: Made) -> None:
    do(made, "trip_split", trip="1", at_s=120.0)
    assert "that is one trip already, trip 1" in refuse(made, "trip_merge", trips=["1.1", "1.2"])


def test_a_merged_trip_never_counts_by_half(made: Made) -> None:
    marks = [do(made, "trip_not_driven", trip=key, **DYNO)["entry"] for key in ("1", "2")]
    joined = do(made, "trip_merge", trips=["1", "2"])["entry"]
    for mark in marks:
        assert f"undo the merge first: entry {joined}" in refuse(made, "trip_undo", entry=mark)
    assert TripBook(made.ledger).trip("1").not_driven == "dyno"
    do(made, "trip_undo", entry=joined)
    do(made, "trip_undo", entry=marks[0])
    assert [trip.not_driven for trip in TripBook(made.ledger).trips()] == [None, "dyno", None]


def test_a_mark_of_a_merge_that_was_undone_may_not_halve_the_next(made: Made) -> None:
    first = do(made, "trip_merge", trips=["1", "2"])["entry"]
    mark = do(made, "trip_not_driven", trip="1", **DYNO)["entry"]
    do(made, "trip_undo", entry=first)
    do(made, "trip_not_driven", trip="3", **DYNO)
    second = do(made, "trip_merge", trips=["2", "3"])["entry"]
    assert f"undo the merge first: entry {second}" in refuse(made, "trip_undo", entry=mark)


def test_a_mark_of_all_that_was_merged_is_undone_as_ever(made: Made) -> None:
    do(made, "trip_merge", trips=["1", "2"])
    mark = do(made, "trip_not_driven", trip="1", **DYNO)["entry"]
    do(made, "trip_undo", entry=mark)
    assert TripBook(made.ledger).trip("1").not_driven is None


def test_the_inner_of_two_merges_is_undone_after_the_outer(made: Made) -> None:
    inner = do(made, "trip_merge", trips=["1", "2"])["entry"]
    outer = do(made, "trip_merge", trips=["1", "3"])["entry"]
    assert refuse(made, "trip_undo", entry=inner) == f"trips 1 to 3 would stay one; undo entry {outer} first"
    do(made, "trip_undo", entry=outer)
    assert [trip.key for trip in TripBook(made.ledger).trips()] == ["3", "1"]
    do(made, "trip_undo", entry=inner)
    assert [trip.key for trip in TripBook(made.ledger).trips()] == ["3", "2", "1"]


def test_a_trip_whose_parts_are_all_left_out_was_not_driven(made: Made) -> None:
    do(made, "trip_split", trip="1", at_s=120.0)
    do(made, "trip_not_driven", trip="1.1", **DYNO)
    assert TripBook(made.ledger).trip("1").not_driven is None
    do(made, "trip_not_driven", trip="1.2", **DYNO)
    assert TripBook(made.ledger).trip("1").not_driven == "dyno"


def test_a_mark_is_found_by_its_pieces_and_a_merge_by_its_range(made: Made) -> None:
    """After its merge is undone, a trip that is not driven still has the entry to undo."""
    book = TripBook(made.ledger)
    joined = do(made, "trip_merge", trips=["1", "2"])["entry"]
    mark = do(made, "trip_not_driven", trip="1", **DYNO)["entry"]
    do(made, "trip_undo", entry=joined)
    for key in ("1", "2"):
        assert book.trip(key).not_driven == "dyno"
        assert [one.row for one in book.repairs_of(book.trip(key))] == [mark, joined]
    assert book.repairs_of(book.trip("3")) == []


def at_random(made: Made, random_: random.Random) -> dict[str, Any]:
    """Do what people do who can't make up their minds: mostly merges, marks of one kind, and what undoes them."""
    book = TripBook(made.ledger)
    keys = [trip.key for trip in book.trips()]
    kind = random_.choice(("split", "merge", "merge", "mark", "mark", "undo", "undo", "undo"))
    if kind == "split":
        return ask(made, "trip_split", trip=random_.choice(keys), at_s=random_.uniform(1.0, 400.0))
    if kind == "merge":
        first = random_.randrange(1, 5)
        return ask(made, "trip_merge", trips=[str(first), str(first + 1)])
    if kind == "mark":
        return ask(made, "trip_not_driven", trip=random_.choice(keys), **DYNO)
    rows = [one.row for one in book.repairs() if one.undone_by is None] or [1]
    return ask(made, "trip_undo", entry=random_.choice(rows))


@pytest.mark.parametrize("seed", range(8))
def test_either_both_count_or_neither(tmp_path: Path, seed: int) -> None:
    """Over random series: what trips say of themselves is what totals leave out, and whatever is done shows."""
    random_ = random.Random(seed)
    with open_ledger(tmp_path) as ledger:
        made, book, done = make_trips(ledger, (3, 2, 4, 3, 2), seed), TripBook(ledger), 0
        trips = book.trips()
        for _ in range(60):
            reply, before = at_random(made, random_), trips
            trips = book.trips()
            if reply["ok"]:
                done += 1
                assert trips != before, f"{reply} did nothing"
            left = dict.fromkeys(made.units, 0)
            for trip in trips:
                assert trip.duration_ns > 0
                for damper in trip.dampers:
                    left[damper.unit_id] += damper.totals.energy_uj if trip.not_driven else 0
                if trip.not_driven:
                    assert any(one.kind == "trip_not_driven" for one in book.repairs_of(trip) if one.undone_by is None)
            assert {unit_id: found.energy_uj for unit_id, found in ledger.not_driven().items() if found.energy_uj} == {
                unit_id: uj for unit_id, uj in left.items() if uj
            }
        assert done >= 15
