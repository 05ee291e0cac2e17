"""The commit: whole or not at all, repeatable, and totals that never fall."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dutylog.duty.totals import TOTALS_COLUMNS, Totals
from dutylog.errors import InputError, LedgerFull
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Commit, EntryDraft, Epoch
from ledger.builders import (
    POSITIONS,
    commit_at,
    fill,
    mature_totals,
    minute_at,
    open_ledger,
    totals_at,
    trip_at,
)


def dump(ledger: Ledger) -> list[str]:
    """Return the whole content as SQL text."""
    with closing(sqlite3.connect(ledger.path)) as connection:
        return list(connection.iterdump())


def hot(sequence: int, unit_id: str, totals: Totals) -> Commit:
    return Commit(sequence=sequence, engine="1", hot={unit_id: totals})


def test_commit_moves_each_group_by_itself(ledger: Ledger, unit_ids: list[str]) -> None:
    """The cold group is the place to restart from; if a hot commit moved it, frames would be skipped."""
    ledger.commit(commit_at(unit_ids, 3))
    ledger.commit(commit_at(unit_ids, 4))
    cursor = ledger.cursor()
    assert (cursor.hot_sequence, cursor.cold_sequence) == (4, 3)
    assert cursor.checkpoint == b"checkpoint 3"
    assert (cursor.engine, cursor.boot_id, cursor.updated_utc_ns) == ("1", "boot-a", 1_700_000_000_000_000_000)
    assert ledger.cold_state(unit_ids[1]) == commit_at(unit_ids, 3).cold[unit_ids[1]]  # type: ignore[index]
    assert [ledger.totals(u) for u in unit_ids] == [totals_at(4, n) for n in range(4)]


@settings(max_examples=15, deadline=None)
@given(st.lists(st.integers(1, 30), min_size=1, max_size=8), st.data())
def test_repeated_commit_changes_nothing(sequences: list[int], data: st.DataObject) -> None:
    """After an error whose outcome is unknown the caller commits again; nothing may double."""
    with TemporaryDirectory() as folder, open_ledger(Path(folder)) as ledger:
        ids = fill(ledger)
        for sequence in sorted(sequences):
            ledger.commit(commit_at(ids, sequence))
            before = dump(ledger)
            for _ in range(data.draw(st.integers(1, 2))):
                ledger.commit(commit_at(ids, sequence))
            assert dump(ledger) == before
        assert len(ledger.minutes(ids[0], 1)) == len(set(sequences))
        assert len(ledger.trips()) == 1


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(TOTALS_COLUMNS), st.integers(-3, 3)), min_size=1, max_size=12))
def test_totals_never_fall_whatever_is_committed(steps: list[tuple[str, int]]) -> None:
    """A total that fell is a lifetime lost: every such commit is refused whole and names what fell."""
    with TemporaryDirectory() as folder, open_ledger(Path(folder)) as ledger:
        unit_id = ledger.add_unit("SN-1", "desert").unit_id
        ledger.commit(hot(1, unit_id, totals_at(5)))
        for number, (column, step) in enumerate(steps, start=2):
            before = ledger.totals(unit_id)
            wanted = replace(before, **{column: getattr(before, column) + step})
            if step < 0:
                old, new = getattr(before, column), getattr(wanted, column)
                with pytest.raises(InputError, match=f"{unit_id}: {column} would fall from {old} to {new} "):
                    ledger.commit(hot(number, unit_id, wanted))
                assert ledger.totals(unit_id) == before
            else:
                ledger.commit(hot(number, unit_id, wanted))
                assert ledger.totals(unit_id) == wanted


def test_temperature_once_seen_is_not_forgotten(ledger: Ledger, unit_ids: list[str]) -> None:
    """The one total that may be unknown can become known, never unknown again."""
    ledger.commit(hot(1, unit_ids[0], replace(totals_at(1), peak_body_mc=None)))
    ledger.commit(hot(2, unit_ids[0], replace(totals_at(1), peak_body_mc=-12_000)))
    assert ledger.totals(unit_ids[0]).peak_body_mc == -12_000
    with pytest.raises(InputError, match="peak_body_mc would fall from -12000 to None"):
        ledger.commit(hot(3, unit_ids[0], replace(totals_at(1), peak_body_mc=None)))


def test_one_bad_unit_refuses_the_whole_commit(ledger: Ledger, unit_ids: list[str]) -> None:
    """Half a commit would leave the units of one vehicle at different places of the log."""
    ledger.commit(commit_at(unit_ids, 6))
    before = dump(ledger)
    bad = commit_at(unit_ids, 10)
    falls = replace(bad, hot={**bad.hot, unit_ids[3]: totals_at(2)})
    unknown = replace(bad, trips=(*bad.trips, trip_at([*unit_ids[:3], "nobody"], 10, start_tile=9)))
    one_group = replace(bad, cold={unit_ids[0]: b"x"})
    bad_entry = replace(bad, entries=(EntryDraft("late", unit_ids[0], {"value": float("nan")}),))
    for change, words in (
        (falls, "would fall"),
        (unknown, "unit nobody is not in the ledger"),
        (one_group, "together, or neither"),
        (bad_entry, "no plain JSON"),
        (commit_at(unit_ids, 5), "goes back behind 6"),
        (replace(bad, hot={unit_ids[0]: replace(totals_at(20), shaft_travel_um=2**63)}), "64 bits"),
    ):
        with pytest.raises(InputError, match=words):
            ledger.commit(change)
        assert dump(ledger) == before


def test_minutes_come_back_as_given_with_wall_time_when_known(ledger: Ledger, unit_ids: list[str]) -> None:
    """A 60-second row outlives the recording: it must hold all the engine said, and find its date later."""
    rows = tuple(minute_at(unit_ids[0], m) for m in range(5))
    ledger.commit(Commit(sequence=1, engine="1", hot={}, minutes=rows))
    assert [m.row for m in ledger.minutes(unit_ids[0], 1)] == list(rows)
    assert [m.utc_ns for m in ledger.minutes(unit_ids[0], 1)] == [None] * 5
    ledger.put_epoch(Epoch(1, "simulated", "demo", "boot-a", mono_ns=10**10, utc_ns=10**18, utc_trusted=True))
    assert [m.utc_ns for m in ledger.minutes(unit_ids[0], 1)] == [10**18 + m * 60 * 10**9 for m in range(5)]
    corrected = replace(rows[2], totals=totals_at(99), body_mean_c=None)
    ledger.commit(Commit(sequence=2, engine="1", hot={}, minutes=(corrected,)))
    assert ledger.minutes(unit_ids[0], 1)[2].row == corrected
    assert len(ledger.minutes(unit_ids[0], 1)) == 5
    assert ledger.minutes(unit_ids[1], 1) == ledger.minutes(unit_ids[0], 2) == []


def test_wall_time_is_latched_only_when_trusted(ledger: Ledger, unit_ids: list[str]) -> None:
    """A board without a clock battery starts years off; a date made from that must stay open to correction."""
    wrong = Epoch(1, "simulated", "demo", "boot-a", mono_ns=0, utc_ns=5, utc_trusted=False)
    ledger.put_epoch(wrong)
    ledger.commit(Commit(sequence=1, engine="1", hot={}, minutes=(minute_at(unit_ids[0], 0),)))
    ledger.put_epoch(replace(wrong, utc_ns=10**18, utc_trusted=True))
    ledger.commit(Commit(sequence=2, engine="1", hot={}, minutes=(minute_at(unit_ids[0], 1),)))
    ledger.put_epoch(replace(wrong, utc_ns=2 * 10**18, utc_trusted=True))
    assert [m.utc_ns for m in ledger.minutes(unit_ids[0], 1)] == [2 * 10**18 + 10**10, 10**18 + 7 * 10**10]


def test_trip_keeps_its_number_and_name_while_it_grows(ledger: Ledger, unit_ids: list[str]) -> None:
    """People write a trip's number down; it may never move."""
    for sequence in (1, 2, 3):
        ledger.commit(replace(commit_at(unit_ids, sequence), trips=(trip_at(unit_ids, sequence),)))
    ledger.rename_trip(1, "Dry lake")
    closed = trip_at(unit_ids, 9, is_open=False)
    ledger.commit(Commit(sequence=9, engine="1", hot={}, trips=(closed, trip_at(unit_ids, 1, start_tile=900))))
    first, second = ledger.trip(1), ledger.trip(2)
    assert (first.row, first.name, first.start_utc_ns) == (closed, "Dry lake", None)
    assert (second.number, second.name, second.row.start_tile) == (2, None, 900)
    assert [t.number for t in ledger.trips(limit=1)] == [2]
    assert [t.number for t in ledger.trips(before=2)] == [1]
    entry = ledger.entries(1)[0]
    assert (entry.kind, entry.data) == ("trip_rename", '{"from":null,"to":"Dry lake","trip":1}')


def test_minutes_of_a_trip_are_those_that_overlap_it(ledger: Ledger, unit_ids: list[str]) -> None:
    rows = tuple(minute_at(unit_ids[0], m) for m in range(5))
    trip = replace(trip_at(unit_ids, 1), start_ns=75 * 10**9, end_ns=190 * 10**9)
    ledger.commit(Commit(sequence=1, engine="1", hot={}, minutes=rows, trips=(trip,)))
    # rows begin at 10, 70, 130, 190, 250 s: the trip from 75 to 190 s touches the second and third
    assert [m.row.minute for m in ledger.trip_minutes(unit_ids[0], 1)] == [1, 2]


def test_loss_of_raw_log_is_entered_once(ledger: Ledger, unit_ids: list[str]) -> None:
    """Each start sees the same short log; the loss is one fact, not one for each start."""
    ledger.commit(commit_at(unit_ids, 6))
    ledger.commit(commit_at(unit_ids, 7))
    assert ledger.record_raw_loss(7) is None
    entry = ledger.record_raw_loss(4)
    assert entry is not None
    assert entry.data == '{"cold_sequence":6,"hot_sequence":7,"log_end_sequence":4}'
    assert ledger.record_raw_loss(4) is None
    assert [e.kind for e in ledger.entries()].count("raw_loss") == 1
    assert ledger.totals(unit_ids[0]) == totals_at(7)


def test_full_disk_is_told_and_later_commits_succeed(ledger: Ledger, unit_ids: list[str]) -> None:
    """A full card stops storing; it may neither break the ledger nor stay broken once there is room."""
    ledger.commit(commit_at(unit_ids, 3))
    before = dump(ledger)
    raw = ledger._database.raw()
    pages = raw.execute("PRAGMA page_count").fetchone()[0]
    raw.execute(f"PRAGMA max_page_count = {pages}")
    rows = tuple(minute_at(unit_ids[0], m) for m in range(100, 200))
    big = Commit(sequence=6, engine="1", hot={unit_ids[0]: totals_at(6)}, minutes=rows)
    with pytest.raises(LedgerFull, match="no room left"):
        ledger.commit(big)
    assert dump(ledger) == before
    # totals alone need no new page: they go on while the disk is full
    ledger.commit(hot(7, unit_ids[0], totals_at(7)))
    assert ledger.totals(unit_ids[0]) == totals_at(7)
    raw.execute("PRAGMA max_page_count = 1000000")
    ledger.commit(replace(big, sequence=8, hot={}))
    assert len(ledger.minutes(unit_ids[0], 1, 100 * 60 * 10**9)) == 100
    assert ledger.check_file() == []


def test_second_of_totals_costs_little_of_the_card(ledger: Ledger, unit_ids: list[str]) -> None:
    """Cards wear out by writing: at most 300 bytes a damper each second at the end of a hard life.

    Two pages of 512 bytes and their headers of 24 are written: 1072 bytes for four dampers, 268 each.
    """
    wal = Path(f"{ledger.path}-wal")
    ledger.commit(Commit(sequence=1, engine="1", hot={u: mature_totals(0) for u in unit_ids}))
    before = wal.stat().st_size
    for second in range(1, 101):
        totals = mature_totals(second)
        ledger.commit(Commit(sequence=1 + second, engine="1", hot=dict.fromkeys(unit_ids, totals)))
    written = wal.stat().st_size - before
    assert written == 100 * 2 * (512 + 24)
    assert written / 100 / len(POSITIONS) <= 300
