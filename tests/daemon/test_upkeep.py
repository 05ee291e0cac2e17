"""Copies of the ledger while core runs and at its stop: when, how many, and that none of it may stop sampling."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from daemon.processes import wait_until
from dutylog.clock import ManualClock
from dutylog.config.settings import LogSettings
from dutylog.daemon.heal import Folder
from dutylog.daemon.upkeep import (
    BACKUP_BYTES_PER_HOUR,
    BACKUP_EVERY_S,
    EVERY_NS,
    FIRST_NS,
    Upkeep,
    has_changed,
    is_backup_due,
    make_rule,
)
from dutylog.errors import LedgerCorrupt
from dutylog.ledger.backup import BACKUP_COUNT, backup_path, find_backups
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.recording.retention import DiskRoom
from dutylog.units import NS_PER_S
from ledger.builders import commit_at, fill, make_stamp, open_ledger, totals_at

HOUR_US = 3_600_000_000


class Rig:
    """An upkeep with a clock moved by hand beside an open ledger."""

    def __init__(self, data_dir: Path) -> None:
        self.said: list[str] = []
        self.clock = ManualClock()
        self.ledger = open_ledger(data_dir)
        self.ids = fill(self.ledger)
        folder = Folder(data_dir, data_dir / "log", make_stamp, self.said.append)
        self.upkeep = Upkeep(folder, self.clock, make_rule(LogSettings()))

    def count(self, sequence: int, running_us: int = 0) -> None:
        totals = {unit: replace(totals_at(sequence, n), measured_us=running_us) for n, unit in enumerate(self.ids)}
        self.ledger.commit(replace(commit_at(self.ids, sequence), hot=totals))

    def round(self, seconds: float) -> None:
        """Let time pass, and what is due be done."""
        self.clock.advance(seconds)
        self.upkeep.poll()
        wait_until(lambda: not self.upkeep._errand.is_busy, "the end of a round")
        self.upkeep.poll()

    def close(self) -> None:
        self.upkeep.close(self.clock.mono_ns() + 5 * NS_PER_S)

    def backups(self) -> list[int]:
        found = []
        for file in find_backups(self.ledger.path):
            with Ledger.open(file, read_only=True) as copy:
                assert copy.find_damage(whole=True) is None
                found.append(copy.cursor().hot_sequence)
        return found


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[Rig]:
    made = Rig(tmp_path)
    yield made
    made.close()
    made.ledger.close()


def test_the_first_copy_comes_soon_and_the_next_after_an_hour_of_running(rig: Rig) -> None:
    """By what was counted, not by any clock: with the key as the off switch no start lasts an hour."""
    rig.count(1)
    rig.round(1.0)
    assert rig.backups() == []
    rig.round(FIRST_NS / NS_PER_S)
    assert rig.backups() == [1]
    rig.count(2, HOUR_US - 1_000_000)
    rig.round(EVERY_NS / NS_PER_S)
    assert rig.backups() == [1]
    rig.count(3, HOUR_US)
    rig.round(EVERY_NS / NS_PER_S - 1.0)
    assert rig.backups() == [1]
    rig.round(1.0)
    assert rig.backups() == [3, 1]
    assert rig.said == []


def test_three_copies_are_kept_and_the_oldest_goes(rig: Rig) -> None:
    for n in range(1, 6):
        rig.count(n, n * HOUR_US)
        rig.round(EVERY_NS / NS_PER_S)
    assert rig.backups() == [5, 4, 3]
    assert len(rig.backups()) == BACKUP_COUNT
    assert {stat.S_IMODE(os.stat(file).st_mode) for file in find_backups(rig.ledger.path)} == {0o640}


def test_a_stop_copies_only_what_has_changed(rig: Rig) -> None:
    rig.count(1)
    rig.close()
    assert rig.backups() == [1]
    assert not has_changed(rig.ledger)
    rig.close()
    assert rig.backups() == [1]
    rig.ledger.rename_trip(1, "Dry lake")
    assert has_changed(rig.ledger)
    rig.close()
    assert rig.backups() == [1, 1]


def test_a_large_ledger_is_copied_less_often(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    """46 MB every hour would wear the card more than the raw log does."""
    rig.count(1)
    rig.round(FIRST_NS / NS_PER_S)
    rig.count(2, 3 * HOUR_US)
    assert is_backup_due(rig.ledger)
    plain = Path.stat

    def large(self: Path, **options: bool) -> os.stat_result:
        found = plain(self, **options)
        size = 4 * BACKUP_BYTES_PER_HOUR
        return os.stat_result([*found[:6], size, *found[7:10]]) if self.name == LEDGER_NAME else found

    monkeypatch.setattr(Path, "stat", large)
    assert not is_backup_due(rig.ledger)
    rig.count(3, 4 * HOUR_US)
    assert is_backup_due(rig.ledger)
    assert BACKUP_EVERY_S == 3600.0


def test_a_copy_that_cannot_be_made_is_said_once_and_tried_again(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    rig.count(1)
    monkeypatch.setattr("dutylog.daemon.upkeep.read_room", lambda _: DiskRoom(1_000, 10**12))
    for _ in range(3):
        rig.round(EVERY_NS / NS_PER_S)
    assert rig.backups() == []
    assert len(rig.said) == 1
    assert "too little for a backup of the ledger; free some space; tried again later, sampling goes on" in rig.said[0]
    monkeypatch.undo()
    rig.round(EVERY_NS / NS_PER_S)
    assert rig.backups() == [1]
    assert len(rig.said) == 1


def test_a_damaged_copy_of_a_sound_ledger_never_replaces_a_good_one(rig: Rig, monkeypatch: pytest.MonkeyPatch) -> None:
    rig.count(1)
    rig.close()
    rig.count(2)
    monkeypatch.setattr("dutylog.ledger.backup.find_damage", lambda *_, **__: "page 3 is rubbish")
    rig.close()
    assert rig.backups() == [1]
    assert not list(rig.ledger.path.parent.glob("*.part"))
    assert ["came out damaged, the ledger itself is sound; look at the card" in line for line in rig.said] == [True]


def test_damage_found_by_a_copy_is_told_to_core(rig: Rig) -> None:
    rig.count(1)
    raw = rig.ledger._database.raw()
    raw.execute("UPDATE hot SET strokes_count = strokes_count + 1")
    with pytest.raises(LedgerCorrupt, match="not as they were written"):
        rig.round(FIRST_NS / NS_PER_S)
    assert find_backups(rig.ledger.path) == []
    raw.execute("UPDATE hot SET strokes_count = strokes_count - 1")


def test_holes_in_the_numbers_are_filled_before_a_copy_goes(rig: Rig) -> None:
    for n in range(1, 4):
        rig.count(n)
        rig.ledger.rotate_backup()
    backup_path(rig.ledger.path, 1).unlink()
    assert rig.backups() == [2, 1]
    rig.count(4)
    rig.ledger.rotate_backup()
    assert rig.backups() == [4, 2, 1]
