"""Entries of repairs that make no sense: passed over, listed, taken back; core starts, and totals are as they were."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from dutylog.cli.main import main
from dutylog.ledger.trip_book import TripBook
from ledger.test_trip_repairs import ask, do, made, sums_of
from ledger.trip_made import Made

__all__ = ["made"]

PIECES = [[1, None, None]]
MARK = {"trip": "1", "pieces": PIECES, "units": [], "why": "dyno", "by": "Ada", "note": None}
CUT = {"trip": "1", "number": 1, "epoch": 1, "minute": 4, "at_s": 120.0, "by": "Ada"}
BROKEN: list[tuple[str, dict[str, Any]]] = [
    ("trip_split", {}),
    ("trip_split", {**CUT, "minute": "four"}),
    ("trip_split", {**CUT, "minute": -1}),
    ("trip_split", {**CUT, "epoch": 10**30}),
    ("trip_split", {**CUT, "number": True}),
    ("trip_split", {**CUT, "by": 7}),
    ("trip_split", {**CUT, "by": "a\nb"}),
    ("trip_split", {**CUT, "at_s": "soon"}),
    ("trip_merge", {"by": "Ada"}),
    ("trip_merge", {"trips": "12", "by": "Ada"}),
    ("trip_merge", {"trips": [1], "by": "Ada"}),
    ("trip_merge", {"trips": [2, 1], "by": "Ada"}),
    ("trip_merge", {"trips": [1, 10**18], "by": "Ada"}),
    ("trip_merge", {"trips": [1, 2]}),
    ("trip_not_driven", {}),
    ("trip_not_driven", {**MARK, "pieces": 3}),
    ("trip_not_driven", {**MARK, "pieces": [[1, None]]}),
    ("trip_not_driven", {**MARK, "pieces": [[1, [1, 5], [1, 4]]]}),
    ("trip_not_driven", {**MARK, "pieces": [[1, [1], None]]}),
    ("trip_not_driven", {**MARK, "units": None}),
    ("trip_not_driven", {**MARK, "why": None}),
    ("trip_not_driven", {**MARK, "note": ["x"]}),
    ("trip_repair_undone", {}),
    ("trip_repair_undone", {"entry": "all", "by": "Ada", "units": []}),
    ("trip_repair_undone", {"entry": 10**40, "by": "Ada", "units": []}),
    ("trip_repair_undone", {"entry": 1, "by": "Ada", "units": "all"}),
    ("trip_rename", {"trip": "1.2", "start": [1], "to": "x"}),
    ("trip_rename", {"trip": "1.2", "start": "begin", "to": "x"}),
    ("trip_rename", {"trip": "1.2", "start": [1, 1, 4], "to": 7}),
    ("trip_rename", {"trip": "1.2", "start": [1, 1, 4]}),
]


def listed(made: Made) -> list[tuple[int, str, bool]]:
    return [(one.row, one.text, one.undone_by is not None) for one in TripBook(made.ledger).repairs() if one.is_unread]


@pytest.mark.parametrize(("kind", "data"), BROKEN)
def test_an_entry_that_makes_no_sense_does_nothing_and_can_be_undone(
    made: Made, kind: str, data: dict[str, Any]
) -> None:
    book, before = TripBook(made.ledger), made.ledger.unit_duties()
    trips = book.trips()
    row = made.ledger.append_entry(kind, None, data, 1).row
    assert book.trips() == trips
    assert made.ledger.unit_duties() == before
    assert listed(made) == [(row, "can't be read", False)]
    assert book.unread_lines() == [
        f"repairs of trips that can't be read do nothing: entry {row}; "
        "see `dutylog trip repairs`, and take them back with `dutylog trip undo`"
    ]
    reply = do(made, "trip_undo", entry=row)
    assert f"entry {row}, which can't be read" in reply["text"]
    assert listed(made) == [(row, "can't be read", True)]
    assert book.unread_lines() == []
    assert "was undone already by Ada" in ask(made, "trip_undo", entry=row)["error"]
    assert book.trips() == trips


@pytest.mark.parametrize("text", ["", "{", "[]", "7", "null", '"x"', "[" * 20_000, '{"entry": ' + "9" * 5000 + "}"])
@pytest.mark.parametrize("kind", ["trip_split", "trip_merge", "trip_not_driven", "trip_repair_undone", "trip_rename"])
def test_an_entry_that_is_no_object_is_passed_over(made: Made, kind: str, text: str) -> None:
    row = made.ledger.append_entry(kind, None, {}, 1).row
    with made.ledger.database.write() as connection:
        connection.execute("UPDATE entry SET data = ? WHERE row = ?", (text, row))
    assert listed(made) == [(row, "can't be read", False)]
    assert [trip.key for trip in TripBook(made.ledger).trips()] == ["3", "2", "1"]
    assert do(made, "trip_undo", entry=row)["ok"]


def test_units_of_what_can_not_be_read_count_as_changes(made: Made) -> None:
    """A newer version may have left it out of totals: a reader must take ours as newer than those."""
    unit, other = made.units[:2]
    before = {duty.unit_id: duty for duty in made.ledger.unit_duties()}
    mark = {**MARK, "pieces": {"of": "a later form"}, "units": [unit, 7, None]}
    row = made.ledger.append_entry("trip_not_driven", None, mark, 1).row
    after = {duty.unit_id: duty for duty in made.ledger.unit_duties()}
    assert after[unit].revision == before[unit].revision + 1
    assert after[unit].totals == before[unit].totals
    assert after[other] == before[other]
    do(made, "trip_undo", entry=row)
    assert {duty.unit_id: duty.revision for duty in made.ledger.unit_duties()}[unit] == before[unit].revision + 2


def test_what_can_be_read_stands_beside_it(made: Made) -> None:
    made.ledger.append_entry("trip_split", None, {"trip": "1"}, 1)
    do(made, "trip_split", trip="1", at_s=120.0)
    do(made, "trip_not_driven", trip="1.2", why="dyno")
    book = TripBook(made.ledger)
    assert [trip.not_driven for trip in book.trips()] == [None, None, "dyno", None]
    assert sums_of([book.trip("1.1"), book.trip("1.2")]) == sums_of([book.trip("1")])


def test_the_command_lists_it_by_its_number(made: Made, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    row = made.ledger.append_entry("trip_merge", None, {"trips": []}, 1).row
    assert main(["trip", "repairs", "--data", str(tmp_path)]) == 0
    line = next(one for one in capsys.readouterr().out.splitlines() if one.startswith(str(row)))
    assert "can't be read" in line
    assert main(["trip", "repairs", "--format", "json", "--data", str(tmp_path)]) == 0
    told = json.loads(capsys.readouterr().out)["repairs"]
    assert [(one["entry"], one["can_be_read"], one["trip"]) for one in told] == [(row, False, "-")]
    made.ledger.close()
    assert main(["trip", "undo", str(row), "--by", "Ada", "--data", str(tmp_path)]) == 0
    assert "which can't be read" in capsys.readouterr().out
