"""Repairs of trips: parts add up, totals are what was counted less what wasn't driven, and nothing is lost."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from dutylog.duty.totals import SUMS, Totals
from dutylog.errors import LedgerError
from dutylog.ledger.command import COMMANDS, apply_command
from dutylog.ledger.rows import Commit
from dutylog.ledger.trip_book import BookTrip, TripBook
from ledger.builders import open_ledger
from ledger.trip_made import Made, make_trips


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Made]:
    with open_ledger(tmp_path) as ledger:
        yield make_trips(ledger)


def ask(made: Made, command: str, **fields: Any) -> dict[str, Any]:
    full = dict.fromkeys(COMMANDS[command]) | {"by": "Ada"} | fields
    if "by" not in COMMANDS[command]:
        del full["by"]
    return apply_command(made.ledger, {"schema": 1, "command": command, **full}).reply


def do(made: Made, command: str, **fields: Any) -> dict[str, Any]:
    reply = ask(made, command, **fields)
    assert reply["ok"], reply
    return reply


def sums_of(trips: list[BookTrip]) -> dict[tuple[str, str], list[int]]:
    found: dict[tuple[str, str], list[int]] = {}
    for trip in trips:
        for damper in trip.dampers:
            held = found.setdefault((damper.unit_id, damper.position), [0] * len(SUMS))
            for place, name in enumerate(SUMS):
                held[place] += getattr(damper.totals, name)
    return found


def stored_sums(made: Made) -> dict[tuple[str, str], list[int]]:
    found: dict[tuple[str, str], list[int]] = {}
    for row in made.trips.values():
        for damper in row.dampers:
            held = found.setdefault((damper.unit_id, damper.position), [0] * len(SUMS))
            for place, name in enumerate(SUMS):
                held[place] += getattr(damper.totals, name)
    return found


def test_a_split_cuts_at_the_nearest_minute_and_its_parts_add_up(made: Made) -> None:
    reply = do(made, "trip_split", trip="1", at_s=130.0)
    book = TripBook(made.ledger)
    assert "split 0:02:00 after its begin" in reply["text"]
    whole, first, second = book.trip("1"), book.trip("1.1"), book.trip("1.2")
    assert whole.parts == ("1.1", "1.2")
    assert sums_of([first, second]) == sums_of([whole])
    assert first.duration_ns + second.duration_ns == whole.duration_ns
    assert first.moving_us + second.moving_us == whole.moving_us
    assert first.distance_m is not None
    assert second.distance_m is not None
    assert whole.distance_m is not None
    assert first.distance_m + second.distance_m == pytest.approx(whole.distance_m)
    assert first.duration_ns == 120_000_000_000
    assert second.spans[0].start_tile == first.spans[0].start_tile + 120
    assert second.spans[0].start_ns == first.spans[0].end_ns
    assert second.start_utc_ns == first.end_utc_ns


def test_a_later_part_is_the_sum_of_its_rows(made: Made) -> None:
    do(made, "trip_split", trip="1", at_s=120.0)
    part = TripBook(made.ledger).trip("1.2")
    rows = made.ledger.trip_minutes(made.units[0], "1.2")
    assert [row.row.minute for row in rows] == [4, 5, 6, 7]
    own = next(damper.totals for damper in part.dampers if damper.unit_id == made.units[0])
    assert own.energy_uj == sum(row.row.totals.energy_uj for row in rows)
    assert own.peak_compression_umps == max(row.row.totals.peak_compression_umps for row in rows)
    # Of the last row the trip has but half, the rest stood still behind its end.
    assert own.measured_us == sum(row.row.totals.measured_us for row in rows) - 30_000_000


def test_rows_that_hold_more_than_the_trip_still_make_parts_that_add_up(made: Made) -> None:
    """As where a card lost the end of the log: the trip's own share is the most there is."""
    row = made.trips[1]
    poor = tuple(replace(damper, totals=Totals(energy_rebound_uj=7, strokes_count=1)) for damper in row.dampers)
    hot = {unit: totals.copy() for unit, totals in made.hot.items()}
    made.ledger.commit(Commit(made.sequence, "1", hot, trips=(replace(row, dampers=poor),)))
    do(made, "trip_split", trip="1", at_s=120.0)
    book = TripBook(made.ledger)
    parts = [book.trip(key) for key in ("1.1", "1.2")]
    assert sums_of(parts) == sums_of([book.trip("1")])
    assert all(min(values) >= 0 for part in parts for values in sums_of([part]).values())


def test_a_part_can_be_split_again_and_named(made: Made) -> None:
    do(made, "trip_split", trip="1", at_s=120.0)
    do(made, "rename_trip", trip="1.2", name="Dunes")
    do(made, "trip_split", trip="1.1", at_s=60.0)
    names = {trip.key: trip.name for trip in TripBook(made.ledger).trips()}
    assert names == {"3": None, "2": None, "1.3": "Dunes", "1.2": None, "1.1": None}
    do(made, "rename_trip", trip=1, name="Whole")
    assert TripBook(made.ledger).trip("1.1").name == "Whole"


def test_merged_trips_are_one_under_the_first_number(made: Made) -> None:
    do(made, "trip_merge", trips=["2", "1"])
    book = TripBook(made.ledger)
    one = book.trip("1")
    assert book.trip("2") == one
    assert one.numbers == (1, 2)
    assert [trip.key for trip in book.trips()] == ["3", "1"]
    pause_ns = made.trips[2].start_ns - made.trips[1].end_ns
    lasts = [row.end_ns - row.start_ns for row in made.trips.values()]
    assert one.duration_ns == lasts[0] + pause_ns + lasts[1]
    assert [span.after_ns for span in one.spans] == [0, lasts[0] + pause_ns]
    do(made, "trip_merge", trips=["1", "3"])
    assert [trip.key for trip in book.trips()] == ["1"]
    assert sums_of(book.trips()) == stored_sums(made)


def test_what_was_not_driven_leaves_totals_with_a_new_revision(made: Made) -> None:
    before = {duty.unit_id: duty for duty in made.ledger.unit_duties()}
    do(made, "trip_not_driven", trip="2", why="dyno")
    after = {duty.unit_id: duty for duty in made.ledger.unit_duties()}
    for damper in made.trips[2].dampers:
        old, new = before[damper.unit_id], after[damper.unit_id]
        assert new.revision == old.revision + 1
        assert new.sequence == old.sequence
        assert new.totals.energy_uj == old.totals.energy_uj - damper.totals.energy_uj
        assert new.totals == made.ledger.totals(damper.unit_id) == made.ledger.all_totals()[damper.unit_id]
        assert made.ledger.counted(damper.unit_id) == old.totals
    assert TripBook(made.ledger).trip("2").not_driven == "dyno"


def test_peaks_come_from_the_minutes_that_are_left(made: Made) -> None:
    unit = made.units[1]
    rows = [row for number in ("1", "3") for row in made.ledger.trip_minutes(unit, number)]
    do(made, "trip_not_driven", trip="2", why="transport")
    left = made.ledger.totals(unit)
    assert left.peak_compression_umps == max(row.row.totals.peak_compression_umps for row in rows)
    assert left.peak_rebound_umps == max(row.row.totals.peak_rebound_umps for row in rows)
    assert left.peak_body_mc == max(row.row.totals.peak_body_mc or 0 for row in rows)


def test_a_larger_peak_since_stands_at_once(made: Made) -> None:
    do(made, "trip_not_driven", trip="2", why="dyno")
    made.hot[made.units[0]].peak_compression_umps = 9_000_000
    made.drive_on()
    assert made.ledger.totals(made.units[0]).peak_compression_umps == 9_000_000


def test_wear_rows_keep_their_time_and_nothing_else(made: Made) -> None:
    unit = made.units[0]
    before = made.ledger.use_rows(unit)
    do(made, "trip_not_driven", trip="2", why="dyno")
    after = made.ledger.use_rows(unit)
    assert [(r.measured_us, r.unmeasured_us) for r in after] == [(r.measured_us, r.unmeasured_us) for r in before]
    gone = [row for row in after if not row.is_driven]
    assert len(gone) == 4
    assert not any(row.energy_uj or row.strokes_count or row.moving_us for row in gone)
    assert sum(row.energy_uj for row in after) == made.ledger.totals(unit).energy_uj


@pytest.mark.parametrize(
    ("command", "fields", "said"),
    [
        ("trip_split", {"trip": "9", "at_s": 60.0}, "there are trips 1 to 3"),
        ("trip_split", {"trip": "1.1", "at_s": 60.0}, "trip 1 isn't split; ask for 1"),
        ("trip_split", {"trip": "1", "at_s": 1e5}, "trip 1 lasts 0:05:30"),
        ("trip_split", {"trip": "1", "at_s": float("nan")}, "no number"),
        ("trip_split", {"trip": "1; --", "at_s": 60.0}, "is no trip; write 7, or 7.2"),
        ("trip_merge", {"trips": ["1", "3"]}, "trip 2 lies between"),
        ("trip_merge", {"trips": ["1", "1"]}, "is there twice"),
        ("trip_merge", {"trips": ["1"]}, "list of two trips"),
        ("trip_not_driven", {"trip": "1", "why": "fun"}, "is none of dyno, transport, other"),
        ("trip_undo", {"entry": 1}, "entry 1 is no repair of a trip"),
    ],
)
def test_nonsense_is_refused_with_its_remedy(made: Made, command: str, fields: dict[str, Any], said: str) -> None:
    before = len(made.ledger.entries())
    reply = ask(made, command, **fields)
    assert not reply["ok"]
    assert said in reply["error"]
    assert len(made.ledger.entries()) == before


def test_what_rests_on_a_repair_is_undone_first(made: Made) -> None:
    cut = do(made, "trip_split", trip="1", at_s=120.0)["entry"]
    assert "is split" in ask(made, "trip_merge", trips=["1", "2"])["error"]
    mark = do(made, "trip_not_driven", trip="1.2", why="transport")["entry"]
    assert f"undo {mark}" in ask(made, "trip_undo", entry=cut)["error"]
    assert "doesn't count already" in ask(made, "trip_not_driven", trip="1", why="dyno")["error"]
    do(made, "trip_undo", entry=mark)
    assert "was undone already by Ada" in ask(made, "trip_undo", entry=mark)["error"]
    do(made, "trip_undo", entry=cut)
    assert TripBook(made.ledger).trip("1").parts == ()
    do(made, "trip_not_driven", trip="1", why="dyno")
    assert "don't count alike" in ask(made, "trip_merge", trips=["1", "2"])["error"]


def test_a_trip_under_way_is_left_alone(tmp_path: Path) -> None:
    from ledger.builders import commit_at, fill

    with open_ledger(tmp_path) as ledger:
        ids = fill(ledger)
        ledger.commit(commit_at(ids, 3))
        reply = apply_command(
            ledger, {"schema": 1, "command": "trip_not_driven", "trip": "1", "why": "dyno", "by": "Ada", "note": None}
        ).reply
    assert "under way; repair it when it has ended" in reply["error"]


def test_nothing_the_engine_wrote_is_touched(made: Made) -> None:
    questions = [f"SELECT * FROM {table}" for table in ("trip", "trip_damper", "minute", "hot", "cold")]

    def contents() -> list[list[tuple[Any, ...]]]:
        return [made.ledger.database.rows(question) for question in questions]

    before = contents()
    do(made, "trip_split", trip="1", at_s=120.0)
    do(made, "trip_merge", trips=["2", "3"])
    row = do(made, "trip_not_driven", trip="2", why="dyno")["entry"]
    do(made, "trip_undo", entry=row)
    assert contents() == before
    assert made.ledger.verify_chain() is None
    assert next((one.row, one.undone_by) for one in TripBook(made.ledger).repairs()) == (row, "Ada")


def at_random(made: Made, random_: random.Random) -> dict[str, Any]:
    keys = [trip.key for trip in TripBook(made.ledger).trips()] + ["1", "2", "3"]
    kind = random_.choice(("trip_split", "trip_merge", "trip_not_driven", "trip_undo", "trip_undo"))
    if kind == "trip_split":
        return ask(made, kind, trip=random_.choice(keys), at_s=random_.uniform(1.0, 400.0))
    if kind == "trip_merge":
        return ask(made, kind, trips=random_.sample(sorted(set(keys)), 2))
    if kind == "trip_not_driven":
        return ask(made, kind, trip=random_.choice(keys), why=random_.choice(("dyno", "transport", "other")))
    rows = [one.row for one in TripBook(made.ledger).repairs() if one.undone_by is None] or [1]
    return ask(made, kind, entry=random_.choice(rows))


@pytest.mark.parametrize("seed", range(6))
def test_whatever_people_do_the_sums_hold(tmp_path: Path, seed: int) -> None:
    """Parts add up, totals are counted less what wasn't driven, the best (revision, sequence) is the right one."""
    random_ = random.Random(seed)
    with open_ledger(tmp_path) as ledger:
        made = make_trips(ledger, seed=seed)
        expected = stored_sums(made)
        read: dict[str, tuple[tuple[int, int], Totals]] = {}
        done = 0
        for step in range(40):
            done += bool(at_random(made, random_)["ok"])
            if random_.random() < 0.3:
                made.drive_on(step)
            trips = TripBook(ledger).trips()
            assert sums_of(trips) == expected
            for duty in ledger.unit_duties():
                left = sum(
                    damper.totals.energy_uj
                    for trip in trips
                    if trip.not_driven
                    for damper in trip.dampers
                    if damper.unit_id == duty.unit_id
                )
                assert duty.totals.energy_uj == made.hot[duty.unit_id].energy_uj - left
                order = duty.revision, duty.sequence
                best, known = read.get(duty.unit_id, ((0, 0), Totals()))
                assert order >= best
                if order[0] == best[0]:
                    assert duty.totals.reaches(known), "a total fell within its revision"
                read[duty.unit_id] = order, duty.totals
            assert [trip.key for trip in TripBook(ledger).trips(1000)] == [trip.key for trip in trips]
            for trip in trips:
                assert TripBook(ledger).trip(trip.key) == trip
        assert done >= 10
        assert ledger.verify_chain() is None


def test_the_list_goes_on_where_it_was_cut(made: Made) -> None:
    do(made, "trip_split", trip="2", at_s=60.0)
    book = TripBook(made.ledger)
    keys = [trip.key for trip in book.trips(50)]
    for place in range(1, len(keys)):
        assert [trip.key for trip in book.trips(50, keys[place - 1])] == keys[place:]
        assert [trip.key for trip in book.trips(place)] == keys[:place]
    assert [trip.key for trip in book.trips(50, 3)] == keys[1:]


def test_unknown_keys_name_what_there_is(made: Made) -> None:
    do(made, "trip_split", trip="2", at_s=60.0)
    book = TripBook(made.ledger)
    for key, said in (("4", "there are trips 1 to 3"), ("2.3", "parts 2.1 to 2.2"), ("x", "write 7, or 7.2")):
        with pytest.raises(LedgerError, match=said):
            book.trip(key)
    assert book.get("4") is None
    assert book.get("2.3") is None
    assert book.get("1.1") is None


def test_a_kill_between_entry_and_answer_leaves_the_repair_whole(tmp_path: Path) -> None:
    with open_ledger(tmp_path) as ledger:
        made = make_trips(ledger)
        before = ledger.all_totals()
        shares = {damper.unit_id: damper.totals.energy_uj for damper in TripBook(ledger).trip("1").dampers}
    child = Path(__file__).with_name("repair_child.py")
    done = subprocess.run([sys.executable, str(child), str(tmp_path / "ledger.sqlite"), "1"], check=False, timeout=60)
    assert done.returncode == -signal.SIGKILL
    with open_ledger(tmp_path) as again:
        made.ledger = again
        after = again.all_totals()
        assert {u: before[u].energy_uj - after[u].energy_uj for u in after} == shares
        assert "doesn't count already" in ask(made, "trip_not_driven", trip="1", why="dyno")["error"]
        assert again.verify_chain() is None
        assert again.check_file() == []


def test_parts_add_up_after_the_past_was_counted_again(made: Made) -> None:
    """Shares and rows change together, as in a recount; the cut stays where it was."""
    do(made, "trip_split", trip="1", at_s=180.0)
    do(made, "trip_not_driven", trip="1.2", why="transport")
    old = TripBook(made.ledger).trip("1.2")
    made.count_again(1)
    book = TripBook(made.ledger)
    assert sums_of([book.trip("1.1"), book.trip("1.2")]) == sums_of([book.trip("1")])
    part = book.trip("1.2")
    assert [damper.totals.energy_uj for damper in part.dampers] == [2 * d.totals.energy_uj for d in old.dampers]
    for damper in part.dampers:
        counted = made.ledger.counted(damper.unit_id)
        assert made.ledger.totals(damper.unit_id).energy_uj == counted.energy_uj - damper.totals.energy_uj
