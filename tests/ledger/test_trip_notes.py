"""What people tell of a trip is kept as told, checked, and can be withdrawn."""

from __future__ import annotations

import json
from typing import Any

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from dutylog.engine.output import TripRow
from dutylog.errors import InputError, LedgerCorrupt
from dutylog.ledger.command import COMMANDS, apply_command
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.life_entries import WITHDRAWABLE
from dutylog.ledger.rows import Commit, Epoch
from dutylog.ledger.trip_book import TripBook
from dutylog.ledger.trip_notes import CARE_ITEMS, ROADS, Notes, check_key, find_load_note, load_notes, read_notes
from dutylog.review.trip_data import ROAD_KINDS
from ledger.builders import STAMP

CARE = {"trip": "1", "item": "wash", "by": "Ada", "note": "with a sponge"}
LOAD = {"trip": "1", "text": "full tank, two people", "by": "Ada"}
ROAD = {"trip": "1", "from_s": 10.0, "to_s": 70.0, "kind": "washboard", "by": "Ada"}
GOOD = {"care": CARE, "load_note": LOAD, "road_said": ROAD}
MINUTES = 60_000_000_000


@pytest.fixture
def driven(ledger: Ledger, unit_ids: list[str]) -> Ledger:
    """A ledger with two trips, of ten minutes each."""
    ledger.put_epoch(Epoch(1, "test", "test", "boot-a", 0, STAMP.utc_ns, True))
    trips = tuple(
        TripRow(1, tile, tile * 10**9, tile * 10**9 + 10 * MINUTES, False, 0, None, ()) for tile in (0, 10_000)
    )
    ledger.commit(Commit(sequence=1, engine="test", hot={}, trips=trips))
    return ledger


def ask(ledger: Ledger, command: str, **fields: Any) -> dict[str, Any]:
    return apply_command(ledger, {"schema": 1, "command": command, **fields}).reply


def test_everything_told_is_read_back_as_told(driven: Ledger) -> None:
    """Who did what after a trip is asked when a seal leaks."""
    rows = [ask(driven, kind, **fields)["entry"] for kind, fields in GOOD.items()]
    notes = read_notes(driven, "1")
    done, road = notes.care[0], notes.roads[0]
    assert (done.row, done.item, done.by, done.note) == (rows[0], "wash", "Ada", "with a sponge")
    assert done.utc_s == pytest.approx(STAMP.utc_ns / 1e9)
    assert notes.load_note == "full tank, two people"
    assert (road.row, road.from_s, road.to_s, road.kind, road.by) == (rows[2], 10.0, 70.0, "washboard", "Ada")
    assert load_notes(driven) == {"1": "full tank, two people"}
    assert read_notes(driven, "2") == Notes()
    assert driven.verify_chain() is None


def test_the_last_word_counts_and_a_withdrawn_one_gives_way_to_the_one_before(driven: Ledger) -> None:
    """A slip is put right by telling it anew, or taken back."""
    ask(driven, "load_note", **LOAD)
    again = ask(driven, "load_note", **{**LOAD, "text": "empty"})["entry"]
    ask(driven, "care", **CARE)
    later = ask(driven, "care", **{**CARE, "by": "Bo", "note": None})["entry"]
    assert read_notes(driven, "1").load_note == "empty"
    assert [(one.by, one.note) for one in read_notes(driven, "1").care] == [("Bo", None)]
    for row in (again, later):
        assert ask(driven, "withdraw", entry=row, by="Ada", why="wrong trip")["ok"]
    notes = read_notes(driven, "1")
    assert notes.load_note == load_notes(driven)["1"] == "full tank, two people"
    assert [one.by for one in notes.care] == ["Ada"]
    road = ask(driven, "road_said", **ROAD)["entry"]
    assert ask(driven, "withdraw", entry=road, by="Ada", why="was right")["ok"]
    assert read_notes(driven, "1").roads == ()


def test_a_part_hears_what_was_told_of_the_whole_and_its_own_word_wins(driven: Ledger) -> None:
    """A trip that is split keeps its load and its care; a stretch of road has its time from another begin."""
    for kind, fields in GOOD.items():
        ask(driven, kind, **fields)
    own = {"trip": "1.2", "text": "half tank", "by": "Bo"}
    driven.append_entry("load_note", None, own, 1)
    driven.append_entry("load_note", None, {**own, "trip": "1", "text": "told later of the whole"}, 1)
    first, second = read_notes(driven, "1.1"), read_notes(driven, "1.2")
    assert first.load_note == "told later of the whole"
    assert second.load_note == "half tank"
    assert [one.item for one in second.care] == ["wash"]
    assert first.roads == second.roads == ()
    assert read_notes(driven, "12") == Notes()


def test_what_is_told_of_a_merged_trip_is_told_of_all_of_it(driven: Ledger) -> None:
    """Who has the old number in mind must neither be lost nor heard by half."""
    assert ask(driven, "trip_merge", trips=["1", "2"], by="Ada")["ok"]
    for kind, fields in GOOD.items():
        reply = ask(driven, kind, **{**fields, "trip": "2"})
        assert reply["ok"]
        assert "trip 1" in reply["text"]
        assert json.loads(driven.entries(limit=1)[0].data)["trip"] == "1"
    notes = read_notes(driven, "1")
    assert read_notes(driven, "2") == notes
    assert (len(notes.care), notes.load_note, len(notes.roads)) == (1, "full tank, two people", 1)
    assert load_notes(driven) == {"1": "full tank, two people"}


def test_the_load_of_a_merged_trip_is_what_was_told_of_any_of_it(driven: Ledger) -> None:
    """Heights of earlier trips are compared by load."""
    ask(driven, "load_note", **{**LOAD, "trip": "2", "text": "empty"})
    told = load_notes(driven)
    assert find_load_note(told, TripBook(driven).trip("1")) is None
    assert ask(driven, "trip_merge", trips=["1", "2"], by="Ada")["ok"]
    merged = TripBook(driven).trip("1")
    assert find_load_note(told, merged) == read_notes(driven, "1").load_note == "empty"
    ask(driven, "load_note", **LOAD)
    assert find_load_note(load_notes(driven), merged) == "full tank, two people"


@pytest.mark.parametrize(
    ("command", "change", "said"),
    [
        ("care", {"trip": 1}, "1 is no trip; write 7, or 7.2"),
        ("care", {"trip": "1.0"}, "is no trip"),
        ("care", {"trip": "01"}, "is no trip"),
        ("care", {"trip": "1.2.3"}, "is no trip"),
        ("care", {"trip": "1\n"}, "is no trip"),
        ("care", {"trip": "٣"}, "is no trip"),
        ("care", {"trip": "99"}, "no trip"),
        ("care", {"item": "polish"}, "none of cool, wash"),
        ("care", {"item": ["wash"]}, "none of cool"),
        ("care", {"by": None}, "by is missing"),
        ("care", {"note": "x" * 501}, "at most 500"),
        ("load_note", {"text": ""}, "not empty"),
        ("load_note", {"text": "a\nb"}, "printable"),
        ("load_note", {"text": "x" * 65}, "at most 64"),
        ("road_said", {"from_s": -1.0}, "expected 0 to"),
        ("road_said", {"from_s": True}, "is no number"),
        ("road_said", {"from_s": "0:00:10"}, "is no number"),
        ("road_said", {"to_s": 10.0}, "from 0:00:10 to 0:00:10 is no stretch"),
        ("road_said", {"to_s": 5.0}, "swap them"),
        ("road_said", {"to_s": 661.0}, "trip 1 lasts 0:10:00, 0:11:01 is behind it"),
        ("road_said", {"to_s": 1e300}, "is no number up to"),
        ("road_said", {"kind": "lava"}, "none of street"),
    ],
)
def test_nonsense_is_refused_with_its_remedy(driven: Ledger, command: str, change: dict[str, Any], said: str) -> None:
    """Requests come over a socket: nothing in them is trusted."""
    before = len(driven.entries())
    reply = ask(driven, command, **{**GOOD[command], **change})
    assert not reply["ok"]
    assert said in reply["error"]
    assert len(driven.entries()) == before


def test_a_stretch_up_to_the_end_and_a_little_beyond_is_taken(driven: Ledger) -> None:
    """A trip under way has grown since somebody looked at its length."""
    assert ask(driven, "road_said", **{**ROAD, "from_s": 0, "to_s": 660.0})["ok"]


def test_every_field_of_these_commands_has_a_rule() -> None:
    """An unchecked field would be stored as it came."""
    for kind, good in GOOD.items():
        assert set(COMMANDS[kind]) == set(good) | ({"note"} if kind == "care" else set())
        for name, rule in COMMANDS[kind].items():
            assert rule.check is not None or name in ("by", "note", "text"), (kind, name)
        assert kind in WITHDRAWABLE


def test_roads_are_those_that_the_review_knows() -> None:
    """A kind that a person may say and nobody can show would vanish."""
    assert ROADS == ROAD_KINDS
    assert len(set(CARE_ITEMS)) == len(CARE_ITEMS)


@given(st.text(max_size=12))
@example("7.1000")
@example("1" * 10)
@example("7.\u0661")
def test_a_key_is_whole_numbers_or_refused(text: str) -> None:
    """It becomes the name of a folder."""
    try:
        key = check_key(text, "trip")
    except InputError:
        return
    assert key == text
    assert all(1 <= int(part) < 10**9 and part.isascii() for part in text.split("."))
    assert set(text) <= set("0123456789.")


def test_a_damaged_entry_is_one_line(driven: Ledger) -> None:
    """Whoever edits a ledger by hand is told where it broke."""
    driven.append_entry("road_said", None, {"trip": "1", "from_s": "x", "to_s": 1, "kind": "rough", "by": "A"}, 1)
    with pytest.raises(LedgerCorrupt, match="entry"):
        read_notes(driven, "1")


JUNK = st.one_of(
    st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=12), st.just([]), st.just({}),
    st.sampled_from(["1", "1.1", "2", "wash", "rough", 0, 600, 1e308, 1e-308, 2**53, -1]),
)  # fmt: skip


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_no_request_ends_in_an_exception(driven: Ledger, data: st.DataObject) -> None:
    """Core would end with it, and the vehicle would stop logging because somebody mistyped on a phone."""
    command = data.draw(st.sampled_from(sorted(GOOD)))
    good = GOOD[command]
    fields = {name: data.draw(JUNK | st.just(good.get(name))) for name in COMMANDS[command]}
    reply = ask(driven, command, **fields)
    assert reply["ok"] in (True, False)
    assert "\n" not in json.dumps(reply)
    read_notes(driven, "1")
