"""Push tests in the ledger: what is stored, whom it is compared with, and what is refused."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from dutylog.domain.vehicle import Damper
from dutylog.ledger import push_tests
from dutylog.ledger.command import apply_command
from dutylog.ledger.ledger import Ledger
from ledger.builders import fill, make_vehicle, open_ledger

PUSH = {"frequency_hz": 1.15, "ratio": 0.28, "ratio_sd": 0.02, "swing_mm": 8.3, "left_over_ratio": 0.01}
CORNER = {"position": "front_left", "body_c": 21.5, "pushes": [PUSH, {**PUSH, "ratio": 0.29}]}
REQUEST = {"schema": 1, "command": "push_test", "by": "Ann", "when": "before", "corners": [CORNER]}


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with open_ledger(tmp_path) as opened:
        yield opened


def apply(ledger: Ledger, **changes: object) -> dict[str, Any]:
    return apply_command(ledger, {**copy.deepcopy(REQUEST), **changes}, 7).reply


def refuse(ledger: Ledger, **changes: object) -> str:
    reply = apply(ledger, **changes)
    assert reply["ok"] is False
    assert push_tests.history(ledger) == []
    return str(reply["error"])


def test_a_push_test_is_an_entry_of_the_chain_with_the_units_that_sat_there(ledger: Ledger) -> None:
    ids = fill(ledger)
    reply = apply(ledger, note="new oil")
    assert reply["text"] == f"push test of 1 corner stored by Ann as entry {reply['entry']}"
    (test,) = push_tests.history(ledger)
    assert (test.row, test.by, test.when, test.note) == (reply["entry"], "Ann", "before", "new oil")
    (corner,) = test.corners
    assert (corner.position, corner.units, corner.body_c) == ("front_left", (ids[0],), 21.5)
    assert [push.ratio for push in corner.pushes] == [0.28, 0.29]
    assert corner.pushes[0] == push_tests.StoredPush(**PUSH)
    assert ledger.verify_chain() is None
    assert ledger.entries(limit=1)[0].sequence == 7


def test_the_log_learns_nothing_of_a_push_test(ledger: Ledger) -> None:
    fill(ledger)
    assert apply_command(ledger, REQUEST, 7).effects == ()


def test_a_unit_is_compared_with_its_own_last_test_wherever_it_sat(ledger: Ledger) -> None:
    ids = fill(ledger)
    apply(ledger)
    apply(ledger, corners=[{**CORNER, "position": "rear_left"}])
    for unit in (ids[0], ids[2]):
        ledger.remove(unit)
    ledger.install(ids[0], "rear_left")
    tests = push_tests.history(ledger)
    found = push_tests.find_before(tests, [ids[0]])
    assert found is not None
    assert (found[0].row, found[1].position) == (tests[0].row, "front_left")
    apply(ledger, corners=[{**CORNER, "position": "rear_left"}])
    newest = push_tests.find_before(push_tests.history(ledger), [ids[0]])
    assert newest is not None
    assert newest[1].position == "rear_left"
    assert push_tests.find_before(tests, [ids[1]]) is None
    assert push_tests.find_before(tests, []) is None


def test_two_dampers_on_a_wheel_are_pushed_as_one(ledger: Ledger) -> None:
    twins = (Damper("inner", "left", "desert"), Damper("outer", "left", "desert", travel_from="inner"))
    ledger.put_vehicle(replace(make_vehicle(), dampers=twins))
    ids = [ledger.add_unit(f"SN-{name}", "desert").unit_id for name in ("inner", "outer")]
    for unit, name in zip(ids, ("inner", "outer"), strict=True):
        ledger.install(unit, name)
    apply(ledger, corners=[{**CORNER, "position": "inner"}])
    (test,) = push_tests.history(ledger)
    assert test.corners[0].units == tuple(sorted(ids))
    error = str(apply(ledger, corners=[{**CORNER, "position": "outer"}])["error"])
    assert error == "outer has no travel sensor of its own; calibrate inner"


def test_a_corner_nobody_named_a_damper_for_is_stored_without_one(ledger: Ledger) -> None:
    ledger.put_vehicle(make_vehicle())
    apply(ledger)
    assert push_tests.history(ledger)[0].corners[0].units == ()


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"by": None}, "command push_test: by is missing"),
        ({"when": "later"}, "when: 'later' is none of before, after, check"),
        ({"when": 3}, "when: 3 is none of"),
        ({"corners": []}, "corners: expected a list of 1 to 64 corners"),
        ({"corners": "all"}, "corners: expected a list"),
        ({"corners": [{"position": "front_left"}]}, "a corner has position, body_c and pushes and nothing else"),
        ({"corners": [CORNER, CORNER]}, "'front_left' is no position, or there twice"),
        ({"corners": [{**CORNER, "position": ["x"]}]}, "['x'] is no position"),
        ({"corners": [{**CORNER, "position": "front_lift"}]}, "has no position front_lift"),
        ({"corners": [{**CORNER, "body_c": "hot"}]}, "front_left: body_c: 'hot' is no number"),
        ({"corners": [{**CORNER, "pushes": []}]}, "front_left: expected 1 to 20 pushes"),
        ({"corners": [{**CORNER, "pushes": [PUSH] * 21}]}, "front_left: expected 1 to 20 pushes"),
        ({"corners": [{**CORNER, "pushes": [{**PUSH, "ratio": 1.5}]}]}, "ratio 1.5, expected 0.01 to 0.85"),
        ({"corners": [{**CORNER, "pushes": [{**PUSH, "swing_mm": True}]}]}, "swing_mm: True is no number"),
        ({"corners": [{**CORNER, "pushes": [{"ratio": 0.3}]}]}, "a push has frequency_hz, ratio, ratio_sd, swing_mm"),
        ({"extra": 1}, "unknown field 'extra'"),
    ],
)
def test_what_is_unfit_is_refused_in_one_line(ledger: Ledger, changes: dict[str, object], words: str) -> None:
    fill(ledger)
    error = refuse(ledger, **changes)
    assert words in error
    assert "\n" not in error


def test_an_entry_holds_what_the_page_says(ledger: Ledger) -> None:
    """shared/PUSH_TEST.md names these keys; a program of others may read them."""
    fill(ledger)
    apply(ledger)
    (entry,) = ledger.entries_of(push_tests.ENTRY_KIND)
    data = json.loads(entry.data)
    assert set(data) == {"vehicle_id", "by", "when", "note", "corners"}
    assert set(data["corners"][0]) == {"position", "units", "body_c", "pushes"}
    assert set(data["corners"][0]["pushes"][0]) == set(PUSH)
    page = (Path(__file__).parents[2] / "shared" / "PUSH_TEST.md").read_text(encoding="utf-8")
    for key in (*data, *data["corners"][0], *PUSH):
        assert f"`{key}`" in page
