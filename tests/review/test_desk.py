"""What is kept of a review: as good as a fresh one, never worse than it was, and written only where it changed."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import replace

import pytest

from dutylog.cli.main import main
from dutylog.duty.totals import Totals
from dutylog.errors import LedgerError
from dutylog.ledger.rows import Commit
from dutylog.ledger.trip_book import TripBook
from dutylog.review import desk, fresh, store
from dutylog.review.heights_book import read_trip_heights, write_heights
from dutylog.review.stamps import make_stamp
from life.lived import START, TODAY, Lived, noon_ns
from review.driven_trips import GRACE_S, RoughSource, review, truck
from review.same import assert_same

__all__ = ["truck"]


@pytest.fixture(autouse=True)
def heights_beside_faults(monkeypatch):
    """The made-up drive jumps into its stop and out of it, which no vehicle does."""
    monkeypatch.setattr("dutylog.review.standing.SPOILING_FAULTS", ())


def ask(truck, key="1", **options):
    """Return review.json of a trip as a command gets it."""
    with truck.ledger() as ledger:
        return desk.review_trip(truck.data, ledger, key, grace_s=GRACE_S, **options)


def files(truck, key="1"):
    """Return (inode, time) of each file of a review: a file that is written anew has another."""
    folder = store.folder_of(truck.data, key)
    return {one.name: (one.stat().st_ino, one.stat().st_mtime_ns) for one in folder.iterdir()}


def empty_log(truck, keep=0):
    """Remove the raw log, the newest segments aside."""
    segments = sorted((truck.data / "log").glob("*.dlg"))
    for file in segments[: len(segments) - keep]:
        file.unlink()


def standing(truck):
    """A drive with a stop in the middle that is long enough for standing heights."""
    truck.drive(200, 1000, source=RoughSource(200, 1000, rest=range(60, 125), sway_counts=30.0))


def content_of(text):
    """Return what a review says, its stamp aside."""
    return {**json.loads(text), "stamp": None}


@pytest.fixture
def read_count(monkeypatch):
    """How often a review was really made."""
    made, real = [], desk._tell

    def tell(*args, **options):
        made.append(1)
        return real(*args, **options)

    monkeypatch.setattr(desk, "_tell", tell)
    return made


@pytest.mark.parametrize("keep", [0, pytest.param(1, marks=pytest.mark.slow)])
def test_what_was_read_before_the_raw_log_was_pruned_stays(truck, keep):
    """Asked to read again, an emptier log must not take rows and standing heights away; they are the only copy."""
    standing(truck)
    ask(truck)
    before, heights = store.load(truck.data, "1"), read_trip_heights(truck.data, "1")
    assert len(heights.heights) > 0
    empty_log(truck, keep)
    for _ in range(2):
        told = json.loads(ask(truck, again=True))
        after = store.load(truck.data, "1")
        assert read_trip_heights(truck.data, "1") == heights
        assert_same(replace(after, notes=before.notes), before)
        assert len(after.notes) == 1
        assert "gone or damaged since it was read" in after.notes[0]
        assert told["notes"][0] == after.notes[0]
        assert told["is_raw_whole"] is after.is_raw_whole is True
        assert len(told["heights"]) == len(heights.heights)


@pytest.mark.slow
def test_kept_rows_of_another_stamp_are_used_too(truck):
    """An upgrade of the program finds the raw log gone."""
    standing(truck)
    ask(truck)
    before = store.load(truck.data, "1")
    with truck.ledger() as ledger:
        stamp = make_stamp(ledger, TripBook(ledger).trip("1"))
    store.save(truck.data, before, replace(stamp, schema=stamp.schema - 1, engine="0"))
    (store.folder_of(truck.data, "1") / store.REVIEW_NAME).unlink()
    empty_log(truck)
    ask(truck)
    assert len(store.load(truck.data, "1", stamp).t_s) == len(before.t_s)


@pytest.mark.slow
def test_kept_rows_of_another_stretch_of_time_are_not_used(truck):
    standing(truck)
    ask(truck)
    with truck.ledger() as ledger:
        stamp = make_stamp(ledger, TripBook(ledger).trip("1"))
    store.save(truck.data, store.load(truck.data, "1"), replace(stamp, spans=((1, 0, 0, 1),)))
    (store.folder_of(truck.data, "1") / store.REVIEW_NAME).unlink()
    heights = read_trip_heights(truck.data, "1")
    empty_log(truck)
    told = json.loads(ask(truck))
    assert "raw log of this trip is gone" in told["notes"][0]
    assert len(store.load(truck.data, "1").t_s) == 0
    assert read_trip_heights(truck.data, "1") == heights


@pytest.mark.slow
def test_kept_rows_whose_sums_are_not_the_ledgers_any_more_say_so(truck):
    """Counted anew since: tables show the ledger's sums, and whoever looks at the plots is told."""
    standing(truck)
    ask(truck)
    with truck.ledger() as ledger:
        stamp = make_stamp(ledger, TripBook(ledger).trip("1"))
    old = store.load(truck.data, "1")
    dampers = (replace(old.dampers[0], strokes_count=old.dampers[0].strokes_count * 2), *old.dampers[1:])
    store.save(truck.data, replace(old, dampers=dampers), replace(stamp, recounted=9))
    (store.folder_of(truck.data, "1") / store.REVIEW_NAME).unlink()
    empty_log(truck)
    told = json.loads(ask(truck))
    assert "front_left, strokes_count: " in told["notes"][1]
    assert told["is_raw_whole"] is False
    with truck.ledger() as ledger:
        assert told["dampers"][0]["strokes_count"] == TripBook(ledger).trip("1").dampers[0].totals.strokes_count


def test_a_cached_answer_is_a_fresh_one(truck, read_count, monkeypatch):
    """Given back only while nothing it was told from has changed; after each change it says what a fresh one says."""
    standing(truck)
    truck.drive(100, 4000, source=RoughSource(100, 4000))
    monkeypatch.setattr(fresh, "SETTLED_NS", 0)
    changes = [
        ["load", "1", "full tank", "--by", "Ann"],
        ["road", "1", "--from", "0:00:10", "--to", "0:00:40", "--kind", "rough", "--by", "Ann"],
        ["care", "1", "dry", "--by", "Ann"],
        ["name", "1", "Mesa"],
    ]
    for words in [None, *changes]:
        if words is not None:
            assert main(["trip", *words, "--data", str(truck.data)]) == 0
        first = ask(truck)
        made = len(read_count)
        assert ask(truck) == first
        assert len(read_count) == made
        monkeypatch.setattr(desk, "sum_up", lambda *_: "never")
        assert content_of(ask(truck)) == content_of(first)
        assert len(read_count) == made + 1
        monkeypatch.setattr(desk, "sum_up", fresh.sum_up)
        ask(truck)
    assert json.loads(first)["facts"]["load_note"] == "full tank"
    assert json.loads(first)["facts"]["name"] == "Mesa"


def test_every_change_that_may_matter_makes_it_new(truck, read_count, monkeypatch):
    standing(truck)
    monkeypatch.setattr(fresh, "SETTLED_NS", 0)
    ask(truck)

    def touch_data():
        store.save(truck.data, store.load(truck.data, "1"), store.Stamp(1, "", (), False, (), 0))

    def other_heights():
        write_heights(truck.data, replace(read_trip_heights(truck.data, "1"), key="9"))

    def other_program():
        monkeypatch.setattr(fresh, "REVIEW", fresh.REVIEW + 1)

    def drive():
        truck.drive(100, 4000, source=RoughSource(100, 4000))

    def no_data():
        (store.folder_of(truck.data, "1") / store.DATA_NAME).unlink()

    for change in (touch_data, other_heights, other_program, drive, no_data):
        made = len(read_count)
        change()
        ask(truck)
        assert len(read_count) == made + 1, change.__name__
        ask(truck)
        assert len(read_count) == made + 1, change.__name__


def test_asked_again_nothing_is_written_that_is_equal(truck):
    standing(truck)
    truck.drive(50, 3000, source=RoughSource(50, 3000))
    ask(truck)
    before = files(truck)
    assert {"heights.json", "review.json", "plots.json.gz", "trip.npz"} < set(before)
    ask(truck)
    assert files(truck) == before
    truck.drive(100, 4000, source=RoughSource(100, 4000))
    ask(truck)
    changed = {name for name, told in files(truck).items() if told != before[name]}
    assert changed <= {"review.json"}


def test_data_is_that_of_the_trip_as_it_is_now(truck):
    """A split that was undone and made elsewhere: what lies there under the same key is another stretch of time."""
    truck.drive(300, 1000, source=RoughSource(300, 1000))
    truck.drive(30, 3000, source=RoughSource(30, 3000))

    def tell(*words):
        assert main(["trip", *words, "--data", str(truck.data)]) == 0

    def current(key):
        with truck.ledger() as ledger:
            return store.load_current(truck.data, ledger, key)

    tell("split", "1", "0:02:00", "--by", "Ann")
    ask(truck, "1.1")
    assert len(current("1.1").t_s) == 120
    with truck.ledger() as ledger:
        row = TripBook(ledger).repairs()[0].row
    tell("undo", str(row), "--by", "Ann")
    tell("split", "1", "0:03:00", "--by", "Ann")
    assert current("1.1") is None
    assert current("1") is None
    ask(truck, "1.1")
    assert len(current("1.1").t_s) == 180
    with pytest.raises(LedgerError):
        current("77")


def test_an_earlier_version_of_the_program_made_data_of_the_same_trip(truck):
    """Comparisons must not lose every earlier trip by an upgrade."""
    truck.drive(100, 1000, source=RoughSource(100, 1000))
    data, trip = review(truck, "1")
    with truck.ledger() as ledger:
        stamp = make_stamp(ledger, trip)
        store.save(truck.data, data, replace(stamp, schema=1, engine="0"))
        assert_same(store.load_current(truck.data, ledger, "1"), data)
        shares = ((*stamp.shares[0][:2], 1, *stamp.shares[0][3:]), *stamp.shares[1:])
        store.save(truck.data, data, replace(stamp, shares=shares))
        assert store.load_current(truck.data, ledger, "1") is None


def test_a_vehicle_that_stands_with_all_switched_on_keeps_its_reviews(tmp_path):
    """Totals grow with each second that is measured; only driving tells more of parts, and that by the hour."""
    lived = Lived(tmp_path)
    lived.drive(START, 20)
    lived.trip(1, 20)
    trip = TripBook(lived.ledger).trip("1")

    def grow(**more):
        for totals in lived.totals.values():
            totals.merge(Totals(**more))
        lived.sequence += 1
        lived.ledger.commit(Commit(sequence=lived.sequence, engine="test", hot=dict(lived.totals)))
        return fresh.sum_up(tmp_path, lived.ledger, trip)

    first = fresh.sum_up(tmp_path, lived.ledger, trip)
    assert grow(measured_us=3_600_000_000) == first
    assert grow(measured_us=3_600_000_000, moving_us=3_600_000_000, moving_measured_us=3_600_000_000) != first
    lived.close()


def test_just_after_a_trip_a_review_is_ten_minutes_old_at_most(tmp_path, monkeypatch):
    """The pause behind it still adds wear."""
    lived = Lived(tmp_path)
    lived.drive(TODAY, 20)
    lived.trip(1, 20)
    trip = TripBook(lived.ledger).trip("1")
    end_ns = noon_ns(TODAY) + 20 * 60 * 10**9
    found = []
    for minute in (0, 1, 11, 21, 8 * 60, 9 * 60):
        stamp = replace(lived.ledger.stamp(), utc_ns=end_ns + minute * 60 * 10**9)
        monkeypatch.setattr(type(lived.ledger), "stamp", lambda _, stamp=stamp: stamp)
        found.append(fresh.sum_up(tmp_path, lived.ledger, trip))
    assert found[0] == found[1]
    assert len(set(found)) == 4
    assert found[-1] == found[-2]
    lived.close()


def test_a_kept_review_is_given_back_without_loading_what_makes_one():
    code = "import sys, dutylog.review.desk; print(sorted(m for m in sys.modules if m.startswith('dutylog.')))"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    for name in ("make", "told", "plots", "trip_data", "packing", "analysis"):
        assert f"'dutylog.review.{name}'" not in said
    assert "dutylog.life" not in said
