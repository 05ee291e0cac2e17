"""Kill at any moment, look at any moment: what was acknowledged is there, whole; nothing is half there."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from dutylog.ledger.ledger import Ledger
from ledger.builders import cold_at, commit_at, fill, open_ledger, totals_at, trip_at

TESTS = Path(__file__).parents[1]
CHILD = Path(__file__).with_name("commit_child.py")
KILLS = 12


@contextmanager
def writing_child(folder: Path) -> Iterator[subprocess.Popen[bytes]]:
    environment = {**os.environ, "PYTHONPATH": str(TESTS)}
    child = subprocess.Popen([sys.executable, CHILD, folder], stdout=subprocess.PIPE, env=environment, bufsize=0)
    assert child.stdout is not None
    try:
        yield child
    finally:
        child.kill()
        child.wait()
        child.stdout.close()


def read_acknowledged(child: subprocess.Popen[bytes], count: int) -> int:
    """Wait for `count` acknowledgements and return the last sequence."""
    assert child.stdout is not None
    lines = [child.stdout.readline() for _ in range(count)]
    assert lines[-1], "the child ended by itself"
    return int(lines[-1])


def read_rest(child: subprocess.Popen[bytes], last: int) -> int:
    """Return the last whole acknowledgement of a dead child."""
    assert child.stdout is not None
    rest = child.stdout.read().split(b"\n")[:-1]
    return int(rest[-1]) if rest else last


def check_whole(ledger: Ledger) -> int:
    """Assert that the ledger is exactly what the commit of its hot_sequence left; return that sequence."""
    with ledger._database.snapshot():
        sequence, cold = ledger.cursor().hot_sequence, ledger.cursor().cold_sequence
        if sequence == 0:
            return 0
        ids = [unit.unit_id for unit in ledger.units()]
        assert cold == sequence - sequence % 3
        assert ledger.all_totals() == {unit_id: totals_at(sequence, n) for n, unit_id in enumerate(ids)}
        assert ledger.trip(1).row == trip_at(ids, sequence)
        if cold:
            assert [ledger.cold_state(u) for u in ids] == [cold_at(cold, n) for n in range(len(ids))]
            assert ledger.cursor().checkpoint == b"checkpoint %d" % cold
        for unit_id in ids:
            assert [m.row.minute for m in ledger.minutes(unit_id, 1)] == list(range(1, sequence + 1))
        marks = [e.sequence for e in ledger.entries(limit=10_000) if e.kind == "test_mark"]
        assert marks == [s for s in range(sequence, 0, -1) if s % 5 == 0]
    return sequence


def test_killed_writer_leaves_its_last_acknowledged_commit_whole(tmp_path: Path) -> None:
    """A power cut is the normal way a vehicle's computer stops; each start goes on with the file the last one left."""
    chance = random.Random(20_240)
    last = 0
    for _ in range(KILLS):
        with writing_child(tmp_path) as child:
            acknowledged = read_acknowledged(child, chance.randrange(1, 15))
            # So that the kill falls anywhere in a commit, not just behind an acknowledgement.
            threading.Event().wait(chance.random() * 0.01)
            child.kill()
            child.wait()
            acknowledged = read_rest(child, acknowledged)
        assert acknowledged > last
        with Ledger.open(tmp_path / "ledger.sqlite", read_only=True) as ledger:
            found = check_whole(ledger)
            assert ledger.check_file() == []
            assert ledger.verify_chain() is None
        # One commit may have become durable without its acknowledgement getting out.
        assert found in (acknowledged, acknowledged + 1)
        last = found


def test_reader_never_sees_half_a_commit(tmp_path: Path) -> None:
    """The page reads while the daemon writes; two dampers from different seconds would be a lie."""
    looks: list[int] = []
    with writing_child(tmp_path) as child:
        read_acknowledged(child, 3)
        with Ledger.open(tmp_path / "ledger.sqlite", read_only=True) as reader:
            # Where the writer is held up, some looks find what the one before found.
            while len(looks) < 40 or len(set(looks)) < 20:
                looks.append(check_whole(reader))
                read_acknowledged(child, 1)
    assert looks == sorted(looks)


def test_check_of_these_tests_notices_half_a_commit(tmp_path: Path) -> None:
    """A harness that can't fail proves nothing."""
    with open_ledger(tmp_path) as ledger:
        ids = fill(ledger)
        for sequence in range(1, 7):
            ledger.commit(commit_at(ids, sequence))
        assert check_whole(ledger) == 6
        raw = ledger._database.raw()
        for spoil in (
            "UPDATE hot SET strokes_count = strokes_count + 1 WHERE unit_key = 2",
            "UPDATE cursor SET hot_sequence = 7",
            "UPDATE cold SET state = zeroblob(9) WHERE unit_key = 3",
            "UPDATE trip SET end_ns = end_ns + 1",
            "DELETE FROM minute WHERE minute = 6 AND unit_key = 4",
            "DELETE FROM entry WHERE kind = 'test_mark'",
        ):
            raw.execute("BEGIN")
            assert raw.execute(spoil).rowcount == 1
            with pytest.raises(AssertionError):
                check_whole(ledger)
            raw.execute("ROLLBACK")
        assert check_whole(ledger) == 6
