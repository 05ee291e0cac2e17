"""What was told of a part of a trip stays with its stretch, by its begin, whatever is cut or merged later."""

from __future__ import annotations

import json
from typing import Any

import pytest

from dutylog.ledger.trip_book import TripBook
from dutylog.ledger.trip_notes import Notes, find_load_note, load_notes, read_notes
from ledger.test_trip_repairs import do, made
from ledger.trip_made import Made

__all__ = ["made"]


def tell(made: Made, key: str) -> tuple[int, ...]:
    """Tell all there is of a trip; return the entries."""
    told: tuple[tuple[str, dict[str, Any]], ...] = (
        ("care", {"item": "wash", "note": None}),
        ("load_note", {"text": f"load of {key}"}),
        ("road_said", {"from_s": 0.0, "to_s": 30.0, "kind": "rough"}),
    )
    return tuple(do(made, command, trip=key, **fields)["entry"] for command, fields in told)


def rows(notes: Notes) -> tuple[int, ...]:
    return (*(one.row for one in notes.care), *(one.row for one in notes.roads))


def test_a_cut_before_it_moves_nothing_to_another_stretch(made: Made) -> None:
    ledger = made.ledger
    later = do(made, "trip_split", trip="1", at_s=180.0)["entry"]
    care, load, road = tell(made, "1.2")
    earlier = do(made, "trip_split", trip="1", at_s=60.0)["entry"]
    assert (rows(read_notes(ledger, "1.3")), read_notes(ledger, "1.3").load_note) == ((care, road), "load of 1.2")
    for key in ("1", "1.1", "1.2"):
        assert read_notes(ledger, key) == Notes()
    assert load_notes(ledger) == {"1.3": "load of 1.2"}
    found = [find_load_note(load_notes(ledger), trip) for trip in TripBook(ledger).trips()]
    assert found == [None, None, "load of 1.2", None, None]
    do(made, "trip_undo", entry=earlier)
    assert rows(read_notes(ledger, "1.2")) == (care, road)
    do(made, "trip_undo", entry=later)
    assert read_notes(ledger, "1") == Notes()
    assert load_notes(ledger) == {}
    assert load in [entry.row for entry in ledger.entries_of("load_note")]


def test_what_is_told_of_the_first_part_is_of_the_trip_again_when_it_is_whole(made: Made) -> None:
    cut = do(made, "trip_split", trip="1", at_s=180.0)["entry"]
    care, _, road = tell(made, "1.1")
    assert read_notes(made.ledger, "1") == Notes()
    other = do(made, "trip_split", trip="1.1", at_s=60.0)["entry"]
    assert rows(read_notes(made.ledger, "1.1")) == (care, road)
    assert read_notes(made.ledger, "1.2") == Notes()
    for entry in (cut, other):
        do(made, "trip_undo", entry=entry)
    assert TripBook(made.ledger).trip("1").parts == ()
    assert rows(read_notes(made.ledger, "1")) == (care, road)


def test_a_merge_that_goes_takes_nothing_along(made: Made) -> None:
    joined = do(made, "trip_merge", trips=["1", "2"])["entry"]
    begin_s = TripBook(made.ledger).trip("1").spans[1].after_ns / 1e9
    do(made, "trip_split", trip="1", at_s=begin_s + 60.0)
    care, _, road = tell(made, "1.2")
    assert rows(read_notes(made.ledger, "1.2")) == (care, road)
    do(made, "trip_undo", entry=joined)
    assert rows(read_notes(made.ledger, "2.2")) == (care, road)
    assert read_notes(made.ledger, "2.1") == read_notes(made.ledger, "1") == Notes()


def test_of_a_whole_trip_the_number_counts(made: Made) -> None:
    care, _, road = tell(made, "1")
    do(made, "trip_split", trip="1", at_s=180.0)
    assert rows(read_notes(made.ledger, "1")) == (care, road)
    for key in ("1.1", "1.2"):
        assert (rows(read_notes(made.ledger, key)), read_notes(made.ledger, key).load_note) == ((care,), "load of 1")


@pytest.mark.parametrize("start", [None, "x", [], [1, 2], [1, 1, "4"], [True], {"number": 1}])
def test_without_a_begin_that_makes_sense_the_key_counts(made: Made, start: object) -> None:
    """As entries have it that were written before."""
    do(made, "trip_split", trip="1", at_s=180.0)
    data = {"trip": "1.2", "text": "two people", "by": "Ada"} | ({} if start is None else {"start": start})
    made.ledger.append_entry("load_note", None, data, 1)
    do(made, "trip_split", trip="1", at_s=60.0)
    assert load_notes(made.ledger) == {"1.2": "two people"}


def test_an_entry_keeps_number_and_begin(made: Made) -> None:
    do(made, "trip_split", trip="1", at_s=180.0)
    for key, start in (("1", [1]), ("1.1", [1]), ("1.2", [1, 1, 5]), ("2", [2])):
        tell(made, key)
        for kind in ("care", "load_note", "road_said"):
            data = json.loads(made.ledger.entries_of(kind)[-1].data)
            assert (data["trip"], data["start"]) == (key, start)
