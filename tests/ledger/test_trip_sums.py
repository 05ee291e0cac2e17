"""What totals, peaks and use rows hold beside trips that weren't driven, where trips lie close or rows are missing."""

from __future__ import annotations

import itertools
import random
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from dutylog.daemon import heal
from dutylog.duty.totals import SUMS, Totals
from dutylog.errors import LedgerError
from dutylog.ledger import kept_pieces, trip_peaks
from dutylog.ledger.chain import append_entry
from dutylog.ledger.command import COMMANDS, apply_command
from dutylog.ledger.database import Database
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.row_shares import Within, share_out
from dutylog.ledger.rows import EntryDraft
from dutylog.ledger.trip_book import TripBook
from dutylog.ledger.trip_repairs import NOT_DRIVEN, read_repairs
from ledger.builders import make_stamp, open_ledger
from ledger.tiles_made import Tiled, make_tiled
from ledger.trip_made import Made, make_trips

PEAKS = trip_peaks.PEAKS
USED = ("energy_uj", "strokes_count", "shaft_travel_um", "moving_us", "moving_measured_us")


@pytest.fixture(autouse=True)
def nothing_kept() -> Iterator[None]:
    kept_pieces._kept.clear()
    trip_peaks._kept.clear()
    yield
    kept_pieces._kept.clear()
    trip_peaks._kept.clear()


@pytest.fixture
def made(tmp_path: Path) -> Iterator[Made]:
    with open_ledger(tmp_path) as ledger:
        yield make_trips(ledger)


def ask(ledger: Ledger, command: str, **fields: Any) -> dict[str, Any]:
    full = dict.fromkeys(COMMANDS[command]) | {"by": "Ada"} | fields
    return apply_command(ledger, {"schema": 1, "command": command, **full}).reply


def do(ledger: Ledger, command: str, **fields: Any) -> dict[str, Any]:
    reply = ask(ledger, command, **fields)
    assert reply["ok"], reply
    return reply


# shares of rows


@pytest.mark.parametrize("seed", range(5))
def test_shares_add_up_and_never_exceed_their_rows(seed: int) -> None:
    random_ = random.Random(seed)
    for _ in range(400):
        values = [random_.choice((0, 1, 7, random_.randrange(10**12))) for _ in range(random_.randrange(6))]
        within = [Within(random_.choice((0, 60, random_.randrange(61))), 60) for _ in values]
        total = random_.choice((0, random_.randrange(1 + 2 * sum(values)), sum(values)))
        shares = share_out(total, values, within)
        assert sum(shares) == min(total, sum(values))
        assert all(0 <= share <= value for share, value in zip(shares, values, strict=True))


def test_rows_within_come_before_those_at_the_ends() -> None:
    half, whole = Within(30, 60), Within(60, 60)
    assert share_out(100, [40, 60, 80], [half, whole, half]) == [13, 60, 27]
    assert share_out(160, [40, 60, 80], [half, whole, half]) == [33, 60, 67]
    assert share_out(50, [40, 60, 80], [half, whole, half]) == [0, 50, 0]


# peaks


def test_where_peaks_take_too_long_the_counted_one_is_told(made: Made, monkeypatch: pytest.MonkeyPatch) -> None:
    """A page and the broker hang on the same reading: totals must not wait for years of rows."""
    do(made.ledger, "trip_not_driven", trip="2", why="dyno")
    counted_all, right_all = made.ledger.all_counted(), made.ledger.all_totals()
    unit = next(u for u in made.units if any(getattr(right_all[u], n) < getattr(counted_all[u], n) for n in PEAKS))
    right, counted = right_all[unit], counted_all[unit]
    trip_peaks._kept.clear()
    monkeypatch.setattr(trip_peaks, "PAGE", 7)
    monkeypatch.setattr(trip_peaks, "OVERLAP_ROWS", 3)
    monkeypatch.setattr(trip_peaks, "BUDGET_RATIO", 0.0)
    seen = [made.ledger.totals(unit) for _ in range(40)]
    first = replace(right, **{name: getattr(counted, name) for name in PEAKS})
    assert seen[0] == first
    # Each reading keeps the page it had time for, so that they come to an end.
    assert seen[-1] == right
    assert seen.count(first) >= 5
    assert all(one in (first, right) for one in seen)


def test_a_page_that_takes_too_long_is_no_error(made: Made, monkeypatch: pytest.MonkeyPatch) -> None:
    do(made.ledger, "trip_not_driven", trip="2", why="dyno")
    plain = Database.rows

    def slow(self: Database, sql: str, *rest: Any, **others: Any) -> Any:
        if "FROM minute WHERE minute_key" in sql:
            raise LedgerError("a question took too long and was stopped")
        return plain(self, sql, *rest, **others)

    monkeypatch.setattr(Database, "rows", slow)
    left, counted = made.ledger.all_totals(), made.ledger.all_counted()
    for unit in made.units:
        assert [getattr(left[unit], name) for name in PEAKS] == [getattr(counted[unit], name) for name in PEAKS]
        assert left[unit].energy_uj < counted[unit].energy_uj


def test_over_a_thousand_trips_may_be_left_out(tmp_path: Path) -> None:
    """Bound to one question each, SQLite would refuse so many."""
    with open_ledger(tmp_path) as ledger:
        made = make_trips(ledger, (1,) * 1100)
        rows = {unit: ledger.use_rows(unit) for unit in made.units}
        with ledger.database.write() as connection:
            for first in range(1, 1081, 60):
                data = {
                    "trip": str(first),
                    "pieces": [[number, None, None] for number in range(first, first + 60)],
                    "units": made.units,
                    "why": "dyno",
                    "by": "Ada",
                    "note": None,
                }
                append_entry(ledger.database, connection, ledger.stamp(), EntryDraft(NOT_DRIVEN, None, data), None)
        for unit, totals in ledger.all_totals().items():
            left = [made.trips[number].dampers[made.units.index(unit)].totals for number in range(1081, 1101)]
            assert totals.energy_uj == sum(one.energy_uj for one in left)
            assert totals.peak_rebound_umps == max(one.peak_rebound_umps for one in left)
            assert len(ledger.use_rows(unit)) == len(rows[unit])


def test_a_peak_doesnt_fall_to_nothing_where_rows_are_missing(made: Made) -> None:
    """Rows of the other trips never were stored; what these trips had is known all the same."""
    with made.ledger.database.write() as connection:
        connection.execute("DELETE FROM minute")
    do(made.ledger, "trip_not_driven", trip="2", why="dyno")
    for place, unit in enumerate(made.units):
        left = made.ledger.totals(unit)
        shares = [made.trips[number].dampers[place].totals for number in (1, 3)]
        gone, counted = made.trips[2].dampers[place].totals, made.hot[unit]
        for name in PEAKS:
            most = max(getattr(one, name) for one in shares)
            stays = getattr(counted, name) > getattr(gone, name)
            assert getattr(left, name) == (getattr(counted, name) if stays else most)
            assert getattr(left, name) > 0


# trips closer than a row is long


def close_trips(ledger: Ledger) -> Tiled:
    """Return trips of which at least two share a row."""
    made = make_tiled(ledger, seed=3, stretches=8)
    starts = [change.start_tile for change in made.commits[0].trips]
    ends = [(trip.end_ns - made.commits[0].minutes[0].start_ns) // 10**9 for trip in made.commits[0].trips]
    assert any(start // 60 == (end - 1) // 60 for start, end in zip(starts[1:], ends, strict=False))
    return made


def rows_shared(made: Tiled, number: int) -> int:
    """Return how many of a trip's first and last rows hold another trip, too."""
    trips, start_ns = made.commits[0].trips, min(at for _, at in made.seconds)
    rows = [{(at - start_ns) // (60 * 10**9) for at in (one.start_ns, one.end_ns - 1)} for one in trips]
    others = set().union(*(those for place, those in enumerate(rows, 1) if place != number))
    return len(rows[number - 1] & others)


def test_a_part_is_what_its_own_seconds_made(tmp_path: Path) -> None:
    """Exactly, where one of the trip's end rows is its own; else the doubt is where in the two its rest was done."""
    with open_ledger(tmp_path) as ledger:
        made = close_trips(ledger)
        book, exact, near = TripBook(ledger), 0, 0
        for number, trip in enumerate(made.commits[0].trips, 1):
            at_s = (trip.end_ns - trip.start_ns) / 1e9 - 30.0
            if at_s < 61.0 or not ask(ledger, "trip_split", trip=str(number), at_s=at_s)["ok"]:
                continue
            parts, whole = [book.trip(f"{number}.{n}") for n in (1, 2)], book.trip(str(number))
            for place, damper in enumerate(whole.dampers):
                shares = [part.dampers[place].totals for part in parts]
                for name in SUMS:
                    assert sum(getattr(one, name) for one in shares) == getattr(damper.totals, name)
                for part, totals in zip(parts, shares, strict=True):
                    (span,) = part.spans
                    true_uj = sum(
                        values[place] for (_, at), values in made.seconds.items() if span.start_ns <= at < span.end_ns
                    )
                    assert totals.measured_us == pytest.approx(part.duration_ns // 1000, abs=2)
                    if rows_shared(made, number) < 2:
                        assert totals.energy_uj == true_uj
                        exact += 1
                    else:
                        assert totals.energy_uj == pytest.approx(true_uj, rel=0.5)
                        near += 1
        assert exact
        assert near


def test_a_shared_row_keeps_what_the_other_trip_did_and_where(tmp_path: Path) -> None:
    with open_ledger(tmp_path) as ledger:
        made = close_trips(ledger)
        before = {unit: ledger.use_rows(unit) for unit in made.units}
        trips = made.commits[0].trips
        number = next(
            n for n, (one, other) in enumerate(itertools.pairwise(trips), 2)
            if other.start_tile // 60 == (one.end_ns // 10**9 - made.now_s) // 60 or other.start_ns - one.end_ns < 30e9
        )  # fmt: skip
        trip = trips[number - 1]
        do(ledger, "trip_not_driven", trip=str(number), why="dyno")
        for place, unit in enumerate(made.units):
            after, gone = ledger.use_rows(unit), trip.dampers[place].totals
            assert [(r.epoch, r.start_ns, r.measured_us) for r in after] == [
                (r.epoch, r.start_ns, r.measured_us) for r in before[unit]
            ]
            for name in USED:
                taken = [getattr(b, name) - getattr(a, name) for a, b in zip(after, before[unit], strict=True)]
                assert sum(taken) == getattr(gone, name), "rows hold what totals hold"
                assert min(taken) >= 0
            for old, new in zip(before[unit], after, strict=True):
                end_ns = old.start_ns + old.duration_us * 1000
                if end_ns <= trip.start_ns or old.start_ns >= trip.end_ns:
                    assert new == old
            shared = [new for new in after if new.is_driven and new.start_ns < trip.end_ns <= new.start_ns + 60 * 10**9]
            assert shared, "the row with the next trip's begin was left out whole"
            assert all(row.speed_mean_mps is not None and row.energy_uj > 0 for row in shared)


def test_a_last_row_not_stored_yet_belongs_to_the_last_part(made: Made) -> None:
    """With a short grace time a trip ends before its row: a total must not fall when that is stored."""
    with made.ledger.database.write() as connection:
        gone = connection.execute("SELECT max(minute) FROM minute").fetchone()[0]
        connection.execute("CREATE TEMP TABLE later AS SELECT * FROM minute WHERE minute = ?", (gone,))
        connection.execute("DELETE FROM minute WHERE minute = ?", (gone,))
    do(made.ledger, "trip_split", trip="3", at_s=120.0)
    do(made.ledger, "trip_not_driven", trip="3.2", why="transport")
    before = made.ledger.all_totals()
    assert not kept_pieces._kept
    with made.ledger.database.write() as connection:
        connection.execute("INSERT INTO minute SELECT * FROM later")
    after = made.ledger.all_totals()
    for unit in made.units:
        assert [getattr(after[unit], name) for name in SUMS] == [getattr(before[unit], name) for name in SUMS]
        assert after[unit].reaches(before[unit])


# what it costs


def test_marks_read_before_cost_no_question_each(tmp_path: Path) -> None:
    """Measured in questions to the file, for time depends on the computer."""
    asked: list[str] = []
    with open_ledger(tmp_path) as ledger:
        make_trips(ledger, (2,) * 60)
        counts = []
        for number in range(1, 41):
            do(ledger, "trip_not_driven", trip=str(number), why="dyno")
            if number in (10, 40):
                first = ledger.unit_duties()
                ledger.database.raw().set_trace_callback(asked.append)
                assert ledger.unit_duties() == first
                ledger.not_driven()
                ledger.database.raw().set_trace_callback(None)
                counts.append(len(asked))
                asked.clear()
    assert max(counts) < 30


# all of it, at random


class Oracle:
    """What a ledger must say, worked out plainly from its tables and the list of its trips."""

    def __init__(self, ledger: Ledger, made: Tiled) -> None:
        self._ledger, self._made = ledger, made
        self._trips = [trip for trip in TripBook(ledger).trips(10_000) if trip.not_driven]
        self._marked = {piece.number for mark in read_repairs(ledger.database).marks for piece in mark.pieces}

    def check(self) -> None:
        for unit in self._made.units:
            left, counted = self._ledger.totals(unit), self._made.hot[unit]
            for name in SUMS:
                assert getattr(left, name) == getattr(counted, name) - self._gone(unit, name), name
            rows = self._ledger.use_rows(unit)
            for name in USED:
                assert sum(getattr(row, name) for row in rows) == getattr(left, name), name
            assert sum(row.measured_us for row in rows) == counted.measured_us
            for name in PEAKS:
                assert (getattr(left, name) or 0) == self._peak(unit, name), name

    def _gone(self, unit: str, name: str) -> int:
        return sum(
            getattr(damper.totals, name) for trip in self._trips for damper in trip.dampers if damper.unit_id == unit
        )

    def _peak(self, unit: str, name: str) -> int:
        counted = getattr(self._made.hot[unit], name)
        gone = [
            value
            for trip in self._trips
            for damper in trip.dampers
            if damper.unit_id == unit and (value := getattr(damper.totals, name)) is not None
        ]
        if not gone or counted > max(gone):
            return int(counted)
        spans = [span for trip in self._trips for span in trip.spans]
        seen = [0]
        for epoch in self._made.epochs:
            for minute in self._ledger.minutes(unit, epoch.epoch):
                row, end_ns = minute.row, minute.row.start_ns + minute.row.duration_us * 1000
                if not any(s.epoch == row.epoch and row.start_ns < s.end_ns and end_ns > s.start_ns for s in spans):
                    seen.append(getattr(row.totals, name) or 0)
        numbers = [number for (number,) in self._ledger.database.rows("SELECT trip FROM trip")]
        for number in set(numbers) - self._marked:
            seen += [getattr(d.totals, name) for d in self._ledger.trip(number).row.dampers if d.unit_id == unit]
        return min(int(counted), max(seen))


class Reader:
    """Keeps what a broker's reader would: the highest (revision, seq) of each damper."""

    def __init__(self) -> None:
        self.best: dict[str, tuple[tuple[int, int], Totals]] = {}

    def take(self, ledger: Ledger, *, is_certain: bool = True) -> None:
        for duty in ledger.unit_duties():
            order = duty.revision, duty.sequence
            best, known = self.best.get(duty.unit_id, ((0, 0), Totals()))
            assert order >= best or not is_certain, "nobody would hear of it"
            if order < best:
                continue
            if order[0] == best[0]:
                assert duty.totals.reaches(known), "a total fell within its revision"
            self.best[duty.unit_id] = order, duty.totals


def repair_at_random(ledger: Ledger, random_: random.Random) -> bool:
    keys = [trip.key for trip in TripBook(ledger).trips()]
    kind = random_.choice(("trip_split", "trip_split", "trip_merge", "trip_not_driven", "trip_not_driven", "trip_undo"))
    if kind == "trip_split":
        fields: dict[str, Any] = {"trip": random_.choice(keys), "at_s": random_.uniform(1.0, 200.0)}
    elif kind == "trip_merge":
        at = random_.randrange(len(keys) - 1)
        fields = {"trips": [keys[at + 1], keys[at]]}
    elif kind == "trip_not_driven":
        fields = {"trip": random_.choice(keys), "why": "dyno"}
    else:
        rows = [one.row for one in TripBook(ledger).repairs() if one.undone_by is None] or [1]
        fields = {"entry": random_.choice(rows)}
    return bool(ask(ledger, kind, **fields)["ok"])


def damage(file: Path, *, is_readable: bool) -> None:
    """Make a ledger one that has to be put right."""
    for suffix in ("-wal", "-shm"):
        file.with_name(file.name + suffix).unlink(missing_ok=True)
    if not is_readable:
        file.write_bytes(b"no database " * 100)
        return
    with closing(sqlite3.connect(file)) as connection:
        page = connection.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'heat'").fetchone()[0]
    with file.open("r+b") as stream:
        stream.seek((page - 1) * 512)
        stream.write(b"\xa5" * 512)


@pytest.mark.parametrize("seed", range(4))
def test_repairs_commits_and_recoveries_in_any_order(tmp_path: Path, seed: int) -> None:
    """Everything against the oracle; readers of (revision, seq) always end with the newest."""
    random_, reader = random.Random(seed), Reader()
    lines: list[str] = []
    folder = heal.Folder(tmp_path, tmp_path / "log", make_stamp, lines.append)
    ledger = heal.open_ledger(folder)
    try:
        made = make_tiled(ledger, seed, stretches=5)
        ledger.rotate_backup()
        done = recovered = 0
        for step in range(36):
            done += repair_at_random(ledger, random_)
            if random_.random() < 0.15:
                made.drive(ledger, 2)
            if random_.random() < 0.1:
                ledger.rotate_backup()
            reader.take(ledger)
            Oracle(ledger, made).check()
            if step % 12 == 11:
                ledger.close()
                damage(folder.ledger, is_readable=recovered == 1)
                ledger = heal.open_ledger(folder)
                recovered += 1
                reader.take(ledger, is_certain=False)
                before = dict(reader.best)
                made.write(ledger)
                reader.take(ledger)
                assert all(reader.best[unit][0][0] > order[0] for unit, (order, _) in before.items())
                Oracle(ledger, made).check()
                ledger.end_recovery()
        assert done >= 8
        assert recovered == 3
        assert ledger.verify_chain() is None
        assert ledger.find_damage(whole=True) is None
    finally:
        ledger.close()
    assert (tmp_path / LEDGER_NAME).exists()
