"""Where a trip lies in the log: one epoch, several of one boot, over a reboot; and its minutes, all of them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from dutylog.duty.totals import Totals
from dutylog.engine.output import MinuteRow, TripDamper, TripRow
from dutylog.ledger.ledger import Ledger
from dutylog.ledger.rows import Commit, Epoch
from dutylog.ledger.trip_book import TripBook
from dutylog.units import NS_PER_S
from ledger.builders import fill, open_ledger

S = NS_PER_S
UTC_NS = 1_790_000_000 * S


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    with open_ledger(tmp_path) as opened:
        yield opened


def put_epoch(ledger: Ledger, number: int, boot: str, boot_utc_ns: int, *, kind: str = "bridge") -> None:
    """Write an epoch of a boot whose clock was 0 at a wall time."""
    ledger.put_epoch(Epoch(number, kind, kind, boot, 0, boot_utc_ns, True))


def rows_of(unit_id: str, epoch: int, start_s: int, end_s: int) -> list[MinuteRow]:
    """Return the rows of an epoch that ran from one second of its clock to another."""
    found = []
    for number, at_s in enumerate(range(start_s, end_s, 60)):
        us = (min(at_s + 60, end_s) - at_s) * 1_000_000
        totals = Totals(energy_rebound_uj=us, strokes_count=us // 1_000_000, measured_us=us, moving_us=us)
        totals.moving_measured_us = us
        found.append(MinuteRow(unit_id, "front_left", epoch, number, at_s * S, us, totals, 50.0, 20.0, 10.0))
    return found


def store(ledger: Ledger, minutes: list[MinuteRow], *trips: TripRow) -> str:
    unit_id = minutes[0].unit_id
    total = Totals()
    for row in minutes:
        total.merge(row.totals)
    ledger.commit(Commit(10, "1", {unit_id: total}, minutes=tuple(minutes), trips=trips))
    return unit_id


def trip_of(unit_id: str, epoch: int, tile: int, start_s: int, end_s: int, *, is_open: bool = False) -> TripRow:
    us = (end_s - start_s) * 1_000_000
    share = TripDamper(unit_id, "front_left", Totals(energy_rebound_uj=us, moving_us=us, measured_us=us))
    return TripRow(epoch, tile, start_s * S, end_s * S, is_open, us, None, (share,))


def spans(ledger: Ledger, key: str = "1") -> list[tuple[int, int, float, float, float]]:
    """Return epoch, first tile, begin and length on its clock, and begin since the trip's [s]."""
    return [
        (one.epoch, one.start_tile, one.start_ns / S, one.length_ns / S, one.after_ns / S)
        for one in TripBook(ledger).trip(key).spans
    ]


def test_a_trip_of_one_epoch_is_one_span(ledger: Ledger) -> None:
    unit = fill(ledger)[0]
    put_epoch(ledger, 1, "boot-a", UTC_NS)
    put_epoch(ledger, 2, "boot-a", UTC_NS)
    minutes = rows_of(unit, 1, 100, 700) + rows_of(unit, 2, 2000, 2300)
    store(ledger, minutes, trip_of(unit, 1, 5, 105, 655), trip_of(unit, 2, 0, 2000, 2280))
    assert spans(ledger) == [(1, 5, 105.0, 550.0, 0.0)]
    assert spans(ledger, "2") == [(2, 0, 2000.0, 280.0, 0.0)]


def test_a_trip_goes_on_over_epochs_of_one_boot(ledger: Ledger) -> None:
    """A device that comes back begins a new epoch on the same clock; minutes of all of them belong to the trip."""
    unit = fill(ledger)[0]
    for number in (1, 2, 3):
        put_epoch(ledger, number, "boot-a", UTC_NS)
    minutes = rows_of(unit, 1, 100, 400) + rows_of(unit, 2, 460, 700) + rows_of(unit, 3, 5000, 5100)
    store(ledger, minutes, trip_of(unit, 1, 5, 105, 690))
    assert spans(ledger) == [(1, 5, 105.0, 295.0, 0.0), (2, 0, 460.0, 230.0, 355.0)]
    trip = TripBook(ledger).trip("1")
    assert trip.duration_ns == 585 * S
    assert (trip.start_utc_ns, trip.end_utc_ns) == (UTC_NS + 105 * S, UTC_NS + 690 * S)
    found = ledger.trip_minutes(unit, 1)
    assert [row.row.epoch for row in found] == [1] * 5 + [2] * 4
    assert sum(row.row.totals.measured_us for row in found) == 540_000_000


def test_a_trip_goes_on_over_a_reboot_where_wall_time_carried_it(ledger: Ledger) -> None:
    """Its row is told on the second boot's clock, where the begin lies before that boot's own."""
    unit = fill(ledger)[0]
    put_epoch(ledger, 1, "boot-a", UTC_NS)
    put_epoch(ledger, 2, "boot-b", UTC_NS + 500 * S)
    minutes = rows_of(unit, 1, 100, 400) + rows_of(unit, 2, 30, 300)
    # 105 s after the first boot is 395 s before the second.
    store(ledger, minutes, trip_of(unit, 1, 5, -395, 290))
    assert spans(ledger) == [(1, 5, 105.0, 295.0, 0.0), (2, 0, 30.0, 260.0, 425.0)]
    trip = TripBook(ledger).trip("1")
    assert trip.duration_ns == 685 * S
    assert (trip.start_utc_ns, trip.end_utc_ns) == (UTC_NS + 105 * S, UTC_NS + 790 * S)
    assert [row.row.epoch for row in ledger.trip_minutes(unit, 1)] == [1] * 5 + [2] * 5


def test_a_trip_that_ended_in_the_boot_before_is_found_there(ledger: Ledger) -> None:
    """The next boot's clock moved its row before the engine saw that it was over."""
    unit = fill(ledger)[0]
    put_epoch(ledger, 1, "boot-a", UTC_NS)
    put_epoch(ledger, 2, "boot-b", UTC_NS + 90_000 * S)
    minutes = rows_of(unit, 1, 100, 400) + rows_of(unit, 2, 30, 300)
    store(ledger, minutes, trip_of(unit, 1, 5, 105 - 90_000, 380 - 90_000), trip_of(unit, 2, 0, 30, 290))
    assert spans(ledger) == [(1, 5, 105.0, 275.0, 0.0)]
    assert TripBook(ledger).trip("1").start_utc_ns == UTC_NS + 105 * S
    assert spans(ledger, "2") == [(2, 0, 30.0, 260.0, 0.0)]


def test_recordings_have_clocks_of_their_own(ledger: Ledger) -> None:
    unit = fill(ledger)[0]
    put_epoch(ledger, 1, "boot-a", UTC_NS, kind="recording")
    put_epoch(ledger, 2, "boot-a", UTC_NS, kind="recording")
    minutes = rows_of(unit, 1, 0, 300) + rows_of(unit, 2, 60, 360)
    store(ledger, minutes, trip_of(unit, 1, 0, 0, 295), trip_of(unit, 2, 0, 60, 355))
    assert spans(ledger) == [(1, 0, 0.0, 295.0, 0.0)]


def test_a_trip_over_epochs_is_split_in_either(ledger: Ledger) -> None:
    from dutylog.ledger.command import apply_command

    unit = fill(ledger)[0]
    put_epoch(ledger, 1, "boot-a", UTC_NS)
    put_epoch(ledger, 2, "boot-b", UTC_NS + 500 * S)
    minutes = rows_of(unit, 1, 100, 400) + rows_of(unit, 2, 30, 300)
    store(ledger, minutes, trip_of(unit, 1, 5, -395, 290))
    whole = TripBook(ledger).trip("1")
    for at_s, after_s in ((100.0, 115.0), (430.0, 425.0), (500.0, 485.0)):
        request = {"schema": 1, "command": "trip_split", "trip": "1", "at_s": at_s, "by": "Ada"}
        reply = apply_command(ledger, request).reply
        assert reply["ok"], reply
        parts = [TripBook(ledger).trip(key) for key in ("1.1", "1.2")]
        assert [part.duration_ns / S for part in parts] == [after_s, 685.0 - after_s]
        energies = [part.dampers[0].totals.energy_uj for part in parts]
        assert sum(energies) == whole.dampers[0].totals.energy_uj
        assert parts[1].spans[0].after_ns == 0
        undo = {"schema": 1, "command": "trip_undo", "entry": reply["entry"], "by": "Ada"}
        assert apply_command(ledger, undo).reply["ok"]


def test_an_open_trip_reaches_to_its_last_motion(ledger: Ledger) -> None:
    """The minute under way isn't stored yet."""
    unit = fill(ledger)[0]
    put_epoch(ledger, 1, "boot-a", UTC_NS)
    put_epoch(ledger, 2, "boot-a", UTC_NS)
    minutes = rows_of(unit, 1, 100, 400) + rows_of(unit, 2, 460, 520)
    store(ledger, minutes, trip_of(unit, 1, 5, 105, 550, is_open=True))
    assert spans(ledger) == [(1, 5, 105.0, 295.0, 0.0), (2, 0, 460.0, 90.0, 355.0)]
