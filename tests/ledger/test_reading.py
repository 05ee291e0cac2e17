"""Reading for pages and commands: never writes, never takes for ever, never returns without bound."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from dutylog.errors import InputError, LedgerError
from dutylog.ledger.ledger import Ledger
from ledger.builders import commit_at, totals_at


def test_reader_refuses_every_change(ledger: Ledger, unit_ids: list[str]) -> None:
    with Ledger.open(ledger.path, read_only=True) as reader:
        for change in (
            lambda: reader.add_unit("SN-9", "desert"),
            lambda: reader.commit(commit_at(unit_ids, 1)),
            lambda: reader.remove(unit_ids[0]),
            lambda: reader.append_entry("mark", None, {}),
            lambda: reader.begin_recovery({}),
        ):
            with pytest.raises(LedgerError, match="open for reading only"):
                change()
        with pytest.raises(LedgerError, match="can't be opened"):
            reader._database.rows("DELETE FROM hot")


def test_long_question_is_stopped(ledger: Ledger) -> None:
    """A page that asks too much must fail by itself, not hold its process."""
    endless = "WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT max(i) FROM n"
    with Ledger.open(ledger.path, read_only=True, query_limit_s=0.05) as reader:
        with pytest.raises(LedgerError, match="took too long and was stopped"):
            reader._database.row(endless)
        assert reader.units() == []


def test_too_many_rows_are_an_error_not_a_cut(ledger: Ledger, unit_ids: list[str]) -> None:
    """A cut list looks whole; whoever asks must learn that it isn't."""
    with pytest.raises(LedgerError, match="more than 3 rows asked for at once"):
        ledger._database.rows("SELECT * FROM unit", limit=3)
    assert len(ledger._database.rows("SELECT * FROM unit", limit=4)) == 4
    with pytest.raises(InputError, match="limit 0"):
        ledger.trips(limit=0)


def test_reader_follows_the_writer(ledger: Ledger, unit_ids: list[str]) -> None:
    with Ledger.open(ledger.path, read_only=True) as reader:
        for sequence in (1, 2):
            ledger.commit(commit_at(unit_ids, sequence))
            assert reader.totals(unit_ids[2]) == totals_at(sequence, 2)


def test_failed_body_rolls_back_and_frees_the_writer(ledger: Ledger, tmp_path: Path) -> None:
    """The one helper: an error of any kind inside leaves nothing behind, seen by a second connection."""
    with Ledger.open(ledger.path, read_only=True) as reader:

        def fail_inside() -> None:
            with ledger._database.write() as connection:
                connection.execute("INSERT INTO meta VALUES ('half', 'done')")
                assert reader._database.row("SELECT 1 FROM meta WHERE key = 'half'") is None
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            fail_inside()
        assert reader._database.row("SELECT 1 FROM meta WHERE key = 'half'") is None
    with ledger._database.write() as connection:
        connection.execute("INSERT INTO meta VALUES ('whole', 'done')")
    with pytest.raises(LedgerError, match="within a transaction"), ledger._database.write(), ledger._database.write():
        pass
    assert not ledger._database.raw().in_transaction


def test_writing_takes_its_turn_before_it_reads(ledger: Ledger) -> None:
    """A transaction that reads first and then wants to write fails at once when another got in between."""
    with closing(sqlite3.connect(ledger.path, timeout=0, isolation_level=None)) as other:
        with ledger._database.write(), pytest.raises(sqlite3.OperationalError, match="locked"):
            other.execute("BEGIN IMMEDIATE")
        other.execute("BEGIN IMMEDIATE")
