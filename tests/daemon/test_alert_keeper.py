"""Core's alerts between the book, the ledger and the snapshot."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dutylog.clock import ManualClock
from dutylog.daemon.alert_keeper import SHOWN_CLEARED_NS, SHOWN_COUNT, AlertKeeper, pick
from dutylog.duty.totals import Totals
from dutylog.engine.output import DamperLive, Live, TripDamper, TripRow
from dutylog.ledger.command import Applied
from dutylog.ledger.rows import AlertRow, Stamp, StoredAlert

S = 1_000_000_000
STAMP = Stamp(1, True, 2, "boot")
REFUSED = Applied({"schema": 1, "ok": False, "error": "no alert"})


class Books:
    """Stores when it is told to."""

    def __init__(self):
        self.waiting, self.stored = {}, []

    def keep_alert(self, row):
        self.waiting[row.alert_id] = row

    def has_alert(self, alert_id):
        return alert_id in self.waiting

    def store(self):
        self.stored += self.waiting.values()
        self.waiting = {}


def live(second, totals=None, trip=None, epoch=3):
    one = DamperLive(
        "front_left", "front_left", "unit", None, totals or Totals(), None, 80.0, 120.0, 1.0, 250.0, 0.1, ()
    )
    return Live(epoch, second, second * S, True, None, None, (one,), trip)


class Rig:
    def __init__(self, stored=()):
        self.clock, self.books = ManualClock(mono_ns=1000 * S), Books()
        self.keeper = AlertKeeper(self.books, stored, self.clock)
        self.seconds = 0

    def second(self, stores=True, totals=None, trip=None, step_s=1, **changes):
        """Let a second pass; return the alerts of the snapshot as (kind, state)."""
        self.clock.advance(1.0)
        self.seconds += step_s
        damper = {
            "position": "front_left", "unit_id": "unit", "state": "ok", "state_text": "", "faults": [],
            "body_c": 80.0, "body_limit_c": 120.0,
        } | {name: value for name, value in changes.items() if name not in ("unsaved_s",)}  # fmt: skip
        self.snapshot = {
            "mono_s": float(self.seconds), "dampers": [damper], "source": {"state_text": ""}, "utc_trusted": True,
            "standing_s": 0.0, "not_storing_s": 0.0, "unsaved_s": changes.get("unsaved_s", 0.0),
        }  # fmt: skip
        self.is_due = self.keeper.take(self.snapshot, live(self.seconds, totals, trip), 3)
        if stores:
            self.books.store()
        return [(alert["kind"], alert["state"]) for alert in self.snapshot["alerts"]]


FAULT = {"faults": ["gap"]}
RAISED, CLEARED = [("damper_fault", "raised")], [("damper_fault", "cleared")]


def test_a_change_is_shown_only_once_it_is_stored():
    """Else a kill in between would raise it once more under another id."""
    rig = Rig()
    assert [rig.second(**FAULT) for _ in range(3)] == [[], [], []]
    assert len(rig.books.stored) == 1
    assert rig.is_due
    assert rig.second(**FAULT) == RAISED
    assert not rig.is_due
    assert [rig.second() for _ in range(3)] == [RAISED, RAISED, RAISED]
    assert rig.second() == CLEARED
    assert rig.snapshot["alerts"][0]["remedy"] == ""
    assert rig.snapshot["alerts"][0]["text"] == "front left: gap is over"


def test_a_disk_that_takes_nothing_is_not_waited_for_for_long():
    rig = Rig()
    seen = [rig.second(stores=False, **FAULT) for _ in range(6)]
    assert seen == [[], [], [], [], RAISED, RAISED]
    over = [rig.second(stores=False) for _ in range(6)]
    assert over == [RAISED, RAISED, RAISED, RAISED, CLEARED, CLEARED]
    assert [row.cleared for row in rig.books.waiting.values()] == [(3, 9 * S)]


def test_what_is_over_is_shown_for_a_minute():
    rig = Rig()
    for _ in range(4):
        rig.second(**FAULT)
    seen = [rig.second() for _ in range(75)]
    assert seen.count(CLEARED) == SHOWN_CLEARED_NS // S
    assert seen[-1] == []


def test_what_the_ledger_has_open_goes_on_under_its_id():
    row = AlertRow("id-1", "damper_fault", "front_left", "gap", "advice", "t", "r", (2, 7 * S), None)
    rig = Rig([StoredAlert(9, row, None, None)])
    for _ in range(5):
        assert rig.second(**FAULT) == RAISED
    assert rig.snapshot["alerts"] == [
        {
            "id": "id-1", "kind": "damper_fault", "position": "front_left", "subject": "gap", "state": "raised",
            "level": "advice", "text": "t", "remedy": "r", "raised_mono_s": 7.0, "acknowledged_by": None,
        }
    ]  # fmt: skip
    assert rig.books.stored == []


def test_rows_say_when_by_the_source_and_in_which_trip():
    rig = Rig()
    trip = TripRow(2, 40, 0, S, True, 0, None, (TripDamper("unit", "front_left", Totals(bottom_outs_count=12)),))
    for _ in range(3):
        rig.second(trip=trip, **FAULT)
    (row,) = rig.books.stored
    assert (row.raised, row.trip) == ((3, 3 * S), (2, 40))


def test_time_goes_with_the_source_where_that_runs_faster():
    """A recording at full speed has its seconds, too."""
    rig = Rig()
    assert [rig.second(step_s=100, **FAULT) for _ in range(3)] == [[], [], RAISED]


def test_time_goes_on_while_readings_stand_still():
    rig = Rig()
    seen = [rig.second(stores=False, step_s=0, unsaved_s=9.0) for _ in range(4)]
    assert seen[2:] == [[("disk", "raised")]] * 2
    assert [rig.second(step_s=0) for _ in range(5)][-1] == [("disk", "cleared")]


def test_bottom_outs_and_lost_coverage_come_from_the_totals():
    rig = Rig()
    trip = TripRow(2, 40, 0, S, True, 0, None, (TripDamper("unit", "front_left", Totals(bottom_outs_count=12)),))
    for n in range(120):
        totals = Totals(moving_us=n * 1_000_000, moving_measured_us=n * 500_000, bottom_outs_count=20 + 4 * (n > 2))
        rig.second(totals=totals, trip=trip)
    texts = {row.kind: row.text for row in rig.books.stored}
    assert texts["bottomed"] == "front left: 4 bottom-outs in 5 minutes, 12 in this trip"
    assert texts["coverage_lost"].startswith("front left: only 50 %")


def acknowledge(rig, alert, by="Ana", applied=REFUSED):
    return rig.keeper.acknowledge({"command": "acknowledge", "alert": alert, "by": by}, applied, STAMP).reply


def test_acknowledged_is_shown_at_once_and_stays_raised():
    rig = Rig()
    for _ in range(4):
        rig.second(**FAULT)
    alert_id = rig.snapshot["alerts"][0]["id"]
    ledger_says = Applied({"schema": 1, "ok": True, "text": "x", "alert": alert_id, "acknowledged_by": "Ana"})
    assert acknowledge(rig, alert_id[:8], applied=ledger_says)["ok"] is True
    assert rig.second(**FAULT) == RAISED
    assert rig.snapshot["alerts"][0]["acknowledged_by"] == "Ana"
    for _ in range(4):
        rig.second()
    assert rig.snapshot["alerts"][0]["acknowledged_by"] == "Ana"
    assert rig.books.stored[-1].acknowledged.by == "Ana"


def test_an_alert_the_ledger_has_no_room_for_can_be_acknowledged_too():
    rig = Rig()
    for _ in range(5):
        rig.second(stores=False, **FAULT)
    alert_id = rig.snapshot["alerts"][0]["id"]
    assert acknowledge(rig, "ffffffff")["ok"] is False
    reply = acknowledge(rig, alert_id[:8])
    assert (reply["ok"], reply["alert"], reply["acknowledged_by"]) == (True, alert_id, "Ana")
    assert acknowledge(rig, alert_id, "Bo")["acknowledged_by"] == "Ana"
    for _ in range(3):
        rig.second(**FAULT)
    assert rig.snapshot["alerts"][0]["acknowledged_by"] == "Ana"
    (row,) = rig.books.stored
    assert row.acknowledged.by == "Ana"


def test_other_commands_pass_untouched():
    applied = Applied({"ok": True})
    assert Rig().keeper.acknowledge({"command": "ping"}, applied, STAMP) is applied


def test_what_matters_least_is_left_out_where_there_are_too_many():
    base = AlertRow("", "damper_fault", None, None, "advice", "", "", (1, 0), None)
    rows = [replace(base, alert_id=f"advice {n}", raised=(1, n)) for n in range(30)]
    rows += [replace(base, alert_id="urgent", level="act_now", raised=(0, 5))]
    rows += [replace(base, alert_id="over", raised=(2, 0), cleared=(2, 1))]
    kept = [row.alert_id for row in pick(rows)]
    assert len(kept) == SHOWN_COUNT
    assert kept[0] == "advice 29"
    assert kept[-1] == "urgent"
    assert "over" not in kept


@pytest.mark.parametrize("name", ["oil_c", "forecast_kind", "damping_state", "gas_leaking"])
def test_fields_that_are_not_there_yet_are_unknown(name):
    """A snapshot before the first tile of heat has none of them."""
    rig = Rig()
    for _ in range(5):
        assert rig.second() == []
    assert name not in rig.snapshot["dampers"][0]
