"""Revisions after a ledger was put right: above all that was told before, with totals that never fall within one."""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Any

import pytest

from dutylog.daemon import heal
from dutylog.daemon.told_revisions import GIVEN_NAME, STEP
from dutylog.duty.totals import Totals
from dutylog.errors import InputError
from dutylog.ledger.backup import find_backups
from dutylog.ledger.command import COMMANDS, apply_command
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.rows import Commit, UnitDuty
from ledger.builders import make_stamp
from ledger.test_trip_sums import damage
from ledger.trip_made import Made, make_trips

Order = tuple[int, int]


class Desk:
    """A data folder with a ledger of three trips, a copy of it made before any repair."""

    def __init__(self, data_dir: Path) -> None:
        self.lines: list[str] = []
        self.folder = heal.Folder(data_dir, data_dir / "log", make_stamp, self.lines.append)
        self.ledger = Ledger.open(self.folder.ledger, stamp=make_stamp)
        self.made: Made = make_trips(self.ledger)
        self.ledger.rotate_backup()

    def mark(self, number: int) -> None:
        fields = dict.fromkeys(COMMANDS["trip_not_driven"]) | {"trip": str(number), "why": "dyno", "by": "Ada"}
        reply = apply_command(self.ledger, {"schema": 1, "command": "trip_not_driven", **fields}).reply
        assert reply["ok"], reply

    def told(self) -> dict[str, UnitDuty]:
        return {duty.unit_id: duty for duty in self.ledger.unit_duties()}

    def orders(self) -> dict[str, Order]:
        return {unit: (duty.revision, duty.sequence) for unit, duty in self.told().items()}

    def put_right(self, *, is_readable: bool) -> None:
        self.ledger.close()
        damage(self.folder.ledger, is_readable=is_readable)
        self.ledger = heal.open_ledger(self.folder)

    def count(self, totals: dict[str, Totals] | None = None) -> None:
        """Commit as a daemon that has followed its log."""
        hot = totals or {unit: one.copy() for unit, one in self.made.hot.items()}
        self.ledger.commit(Commit(self.made.sequence, "1", hot))


@pytest.fixture
def desk(tmp_path: Path) -> Any:
    made = Desk(tmp_path)
    yield made
    made.ledger.close()


def test_a_damaged_ledger_that_can_be_read_tells_its_revisions(desk: Desk) -> None:
    desk.mark(1)
    desk.mark(2)
    before = desk.told()
    assert {duty.revision for duty in before.values()} == {3}
    desk.put_right(is_readable=True)
    assert {duty.revision for duty in desk.told().values()} == {1}, "totals of a copy go under an old revision"
    desk.count()
    after = desk.told()
    assert {duty.revision for duty in after.values()} == {4}
    # The repairs are gone with the ledger; their totals must not stand under the numbers those had.
    assert all(after[unit].totals.energy_uj > duty.totals.energy_uj for unit, duty in before.items())
    assert desk.ledger.last_entry("recovered") is not None
    assert '"revision":4' in desk.ledger.last_entry("recovered").data  # type: ignore[union-attr]


def test_one_that_cannot_be_read_costs_a_step(desk: Desk) -> None:
    desk.mark(1)
    before = desk.orders()
    desk.put_right(is_readable=False)
    desk.count()
    assert {order[0] for order in desk.orders().values()} == {1 + STEP}
    assert all(order > before[unit] for unit, order in desk.orders().items())


def test_the_same_copy_taken_twice_never_gives_a_number_twice(desk: Desk) -> None:
    copies = {file: file.read_bytes() for file in find_backups(desk.folder.ledger)}
    told: list[dict[str, UnitDuty]] = []
    for time, is_readable in enumerate((False, False, True, False)):
        for file, octets in copies.items():
            file.write_bytes(octets)
        desk.put_right(is_readable=is_readable)
        desk.count()
        told.append(desk.told())
        desk.mark(1 + time % 3)
        told.append(desk.told())
    for earlier, later in itertools.pairwise(told):
        assert all(later[unit].revision > duty.revision for unit, duty in earlier.items())


@pytest.mark.parametrize("content", [b"", b"x" * 4000, b"-5\n", b"\xff\n"])
def test_a_damaged_note_of_the_last_number_does_no_harm(desk: Desk, content: bytes) -> None:
    (desk.folder.data_dir / GIVEN_NAME).write_bytes(content)
    desk.put_right(is_readable=False)
    desk.count()
    assert {order[0] for order in desk.orders().values()} == {1 + STEP}
    assert (desk.folder.data_dir / GIVEN_NAME).read_text() == f"{1 + STEP}\n"


def test_totals_dont_fall_within_the_new_revision(desk: Desk) -> None:
    """Raised with the first commit alone, in its own transaction; later commits are checked as ever."""
    desk.put_right(is_readable=False)
    desk.count()
    first = desk.told()
    unit = desk.made.units[0]
    less = {one: totals.copy() for one, totals in desk.made.hot.items()}
    less[unit].strokes_count -= 1
    with pytest.raises(InputError, match=f"would fall from .* within revision {1 + STEP}"):
        desk.count(less)
    desk.made.ledger = desk.ledger
    desk.made.drive_on(3)
    after = desk.told()
    assert {duty.revision for duty in after.values()} == {1 + STEP}
    assert all(after[one].totals.reaches(duty.totals) for one, duty in first.items())
    assert desk.ledger.find_damage(whole=True) is None


def test_a_kill_before_the_first_commit_forgets_nothing(desk: Desk) -> None:
    desk.put_right(is_readable=False)
    desk.ledger.close()
    desk.ledger = heal.open_ledger(desk.folder)
    assert {order[0] for order in desk.orders().values()} == {1}
    desk.count()
    assert {order[0] for order in desk.orders().values()} == {1 + STEP}


def test_a_damper_that_comes_from_the_log_has_it_too(desk: Desk) -> None:
    """The copy lacks it, the log has it; under which numbers it was told nobody knows."""
    desk.put_right(is_readable=False)
    new = desk.ledger.add_unit("SN-9", "desert").unit_id
    desk.made.hot[new] = Totals(strokes_count=1)
    desk.count()
    assert desk.orders()[new][0] == 1 + STEP
    # One that came after all of it begins as any other.
    fresh = desk.ledger.add_unit("SN-10", "desert").unit_id
    assert desk.orders()[fresh] == (1, 0)
    assert not desk.told()[fresh].has_counted


def test_the_next_copy_has_the_new_numbers(desk: Desk) -> None:
    desk.put_right(is_readable=False)
    desk.count()
    desk.ledger.rotate_backup()
    with Ledger.open(find_backups(desk.folder.ledger)[0], read_only=True) as copy:
        assert copy.highest_revision() == 1 + STEP
    assert not list(desk.folder.data_dir.glob("*.part*"))
    assert (desk.folder.data_dir / LEDGER_NAME).exists()


def test_the_line_says_what_no_frame_has(desk: Desk) -> None:
    desk.put_right(is_readable=False)
    (line,) = [one for one in desk.lines if "was put right" in one]
    for what in ("repairs and names of trips", "services", "readings", "notes"):
        assert what in line
    assert "\n" not in line


def test_zeros_of_one_that_counted_are_told_apart(desk: Desk) -> None:
    """Of a damper whose every trip was not driven hardly anything is left, but it counted."""
    for number in (1, 2, 3):
        desk.mark(number)
    told = desk.told()
    assert all(duty.totals.energy_uj == 0 for duty in told.values())
    assert all(duty.has_counted for duty in told.values())
