"""Repairs of trips beside a core that drives on: nothing of what it counts and goes on from is disturbed."""

from __future__ import annotations

import pytest

from daemon.counted import Truck
from daemon.recounting import run, truck
from dutylog.daemon import core as core_module
from dutylog.duty.totals import SUMS, Totals
from dutylog.ledger.client import run_command
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.trip_book import TripBook
from dutylog.units import J_PER_UJ

__all__ = ["truck"]
LEFT = "front_left"


def split_sums(ledger, *keys):
    """The sums of trips, by unit."""
    found = {}
    for key in keys:
        for damper in TripBook(ledger).trip(key).dampers:
            held = found.setdefault(damper.unit_id, [0] * len(SUMS))
            for place, name in enumerate(SUMS):
                held[place] += getattr(damper.totals, name)
    return found


def test_a_trip_over_epochs_has_all_its_minutes(truck: Truck) -> None:
    """A real engine, its sensors gone for 70 s: one trip, whose rows add up to its shares."""
    truck.drive(130, 100)
    truck.drive(130, 300)
    truck.drive(30, 5000)
    with truck.ledger() as ledger:
        first = TripBook(ledger).trip("1")
        assert [span.epoch for span in first.spans] == [1, 2]
        assert [span.after_ns for span in first.spans] == [0, first.spans[1].start_ns - first.spans[0].start_ns]
        assert first.spans[-1].after_ns + first.spans[-1].length_ns == first.duration_ns
        for share in first.dampers:
            total = Totals()
            for minute in ledger.trip_minutes(share.unit_id, "1"):
                total.merge(minute.row.totals)
            assert total.energy_uj == share.totals.energy_uj > 0
            assert total.strokes_count == share.totals.strokes_count
        assert [span.epoch for span in TripBook(ledger).trip("2").spans] == [3]


def test_a_trip_left_out_while_driving_on(truck: Truck, monkeypatch: pytest.MonkeyPatch) -> None:
    """Totals and the live page leave it out at once; core goes on from what it counted, also after a start."""
    truck.drive(130, 100)
    truck.drive(30, 3000)
    shown = []
    monkeypatch.setattr(core_module, "make_snapshot", _kept(core_module.make_snapshot, shown))
    with truck.ledger() as ledger:
        share = {d.unit_id: d.totals for d in TripBook(ledger).trip("1").dampers}
    ask = {20: lambda: truck.ask(command="trip_not_driven", trip="1", why="transport", by="Ann", note=None)}
    truck.drive(60, 5000, ask)
    truck.drive(60, 9000)
    assert not [line for line in truck.lines if "replay" in line or "differ" in line]
    with truck.ledger() as ledger:
        totals = ledger.all_totals()
        counted = ledger.all_counted()
        assert not ledger.entries_of("replay_differs")
        assert {duty.revision for duty in ledger.unit_duties()} == {2}
        for unit_id, gone in share.items():
            assert totals[unit_id].energy_uj == counted[unit_id].energy_uj - gone.energy_uj
            assert totals[unit_id].strokes_count == counted[unit_id].strokes_count - gone.strokes_count
    unit = truck.unit(LEFT)
    last = next(damper for damper in shown[-1]["dampers"] if damper["position"] == LEFT)
    assert last["energy_total_j"] == pytest.approx(totals[unit].energy_uj * J_PER_UJ, rel=1e-9)
    assert last["strokes_total_count"] == totals[unit].strokes_count


def _kept(make, shown):
    def keep(*given):
        shown.append(make(*given))
        return shown[-1]

    return keep


@pytest.mark.slow
def test_repairs_hold_when_the_past_is_counted_again(truck: Truck) -> None:
    """A calibration put right after a split and a part left out: parts add up, revisions rise by each."""
    truck.drive(190, 100)
    truck.drive(30, 5000)
    unit = truck.unit(LEFT)
    run_command(truck.data, {"command": "trip_split", "trip": "1", "at_s": 60.0, "by": "Ann"})
    run_command(truck.data, {"command": "trip_not_driven", "trip": "1.2", "why": "dyno", "by": "Ann", "note": None})
    before = truck.totals()
    truck.calibrate(LEFT, "--corrects")
    assert run(truck) == 0
    with truck.ledger() as ledger:
        assert split_sums(ledger, "1.1", "1.2") == split_sums(ledger, "1")
        part = next(d for d in TripBook(ledger).trip("1.2").dampers if d.unit_id == unit)
        totals, counted = ledger.totals(unit), ledger.counted(unit)
        assert totals.energy_uj == counted.energy_uj - part.totals.energy_uj
        assert totals.energy_uj > before[unit].energy_uj
        revisions = {duty.unit_id: duty.revision for duty in ledger.unit_duties()}
        assert revisions == {one: 3 if one == unit else 2 for one in revisions}
        assert ledger.verify_chain() is None


def test_core_starts_with_a_repair_that_makes_no_sense_and_says_so(truck: Truck) -> None:
    """One odd entry must not end logging for good; what it may have changed counts as a change."""
    truck.drive(30, 100)
    unit = truck.unit(LEFT)
    with Ledger.open(truck.data / LEDGER_NAME) as ledger:
        row = ledger.append_entry("trip_not_driven", None, {"pieces": "all", "units": [unit]}, None).row
        before = {duty.unit_id: duty.revision for duty in ledger.unit_duties()}
    assert before[unit] == 2
    truck.lines.clear()
    truck.drive(30, 3000)
    said = [line for line in truck.lines if "can't be read" in line]
    assert len(said) == 1
    assert f"entry {row};" in said[0]
    with truck.ledger() as ledger:
        assert [trip.key for trip in TripBook(ledger).trips()] == ["2", "1"]
        assert ledger.all_totals() == ledger.all_counted()
        assert {duty.unit_id: duty.revision for duty in ledger.unit_duties()} == before
    run_command(truck.data, {"command": "trip_undo", "entry": row, "by": "Ann"})
    truck.lines.clear()
    truck.drive(10, 6000)
    assert not [line for line in truck.lines if "can't be read" in line]
