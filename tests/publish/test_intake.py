"""From core's lines and the ledger to what is told: zeros never, times once, full disks survived."""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import pytest

from dutylog.clock import ManualClock
from dutylog.errors import OutputError
from dutylog.ledger.rows import AlertRow
from dutylog.publish.board import Board
from dutylog.publish.intake import Intake
from dutylog.publish.outbox import Outbox
from dutylog.publish.outbox_file import FileDamaged
from dutylog.publish.output import OutputHealth
from dutylog.publish.snapshot import encode_snapshot
from dutylog.publish.timekeeper import Timekeeper
from ledger.builders import commit_at, fill, open_ledger
from publish.samples import alert_now
from web.samples import damper_now, snapshot

BOOT = "this-boot"
S = 1_000_000_000


def open_with_units(folder):
    """Return a ledger of four dampers that have counted, and their ids."""
    ledger = open_ledger(folder)
    units = fill(ledger)
    ledger.commit(commit_at(units, 3))
    return ledger, units


class FakeOutput:
    def __init__(self, name):
        self.name = name
        self.is_refused = False
        self.woken = 0

    def run(self, stop):
        raise NotImplementedError

    def wake(self):
        self.woken += 1

    def health(self):
        return OutputHealth(self.name, 30.0, 1.0, True, True, self.is_refused)


class Rig:
    """The intake over a real outbox, with a clock of its own."""

    def __init__(self, folder, names=("mqtt", "influxdb")):
        self.folder = folder
        self.clock = ManualClock(mono_ns=1000 * S)
        self.outbox = Outbox(folder / "outbox.sqlite")
        self.board = Board()
        self.intake = Intake(folder, self.outbox, self.board, self.clock, Timekeeper(BOOT))
        self.outputs = [FakeOutput(name) for name in names]
        self.intake.serve(self.outputs)
        self.seq = 0

    def connect(self):
        self.intake.connected = True
        self.intake.counters.connects_count += 1

    def second(self, **changes):
        """Let a second pass and take a snapshot of it."""
        self.clock.advance(1.0)
        self.seq += 1
        values = {"mono_s": float(self.seq), "utc_ns": 1_700_000_000 * S + self.seq * S} | changes
        return self.intake.accept_line(encode_snapshot(snapshot(self.seq, **values)).rstrip(b"\n"))

    def alerts(self):
        return [json.loads(item.payload) for item in self.outbox.peek("mqtt", 100)]


@pytest.fixture
def rig(tmp_path):
    one = Rig(tmp_path)
    yield one
    one.outbox.close()


def waiting_dampers():
    return tuple(
        replace(damper_now(p, body_c=None), unit_id="", state="waiting", energy_total_j=0.0) for p in ("front_left",)
    )


def test_nothing_is_told_before_core_has_readings(rig):
    """A zero at start would add a whole life once more in some databases."""
    rig.connect()
    for _ in range(30):
        rig.second(dampers=waiting_dampers())
    rig.intake.commit()
    assert rig.outbox.counts("influxdb").waiting == {}
    assert rig.board.look().duties == ()


def test_totals_come_from_the_ledger_once_core_has_spoken(rig, tmp_path):
    (ledger, units) = open_with_units(tmp_path)
    with ledger:
        rig.intake.tick()
        assert rig.board.look().duties == ()  # core hasn't spoken on any connection
        rig.connect()
        rig.intake.tick()
        assert rig.board.look().duties == ()
        rig.second()
        assert {unit.unit_id for unit in rig.board.look().duties} == set(units)
        assert all(unit.totals == ledger.totals(unit.unit_id) for unit in rig.board.look().duties)


def test_a_ledger_that_is_not_there_is_waited_for(rig, tmp_path):
    rig.connect()
    rig.second()
    assert "no ledger" in rig.intake.ledger_problem
    assert rig.board.look().duties == ()
    (ledger, _) = open_with_units(tmp_path)
    ledger.close()
    for _ in range(11):
        rig.second()
    assert rig.intake.ledger_problem == ""
    assert rig.board.look().duties


def test_a_new_connection_must_speak_before_the_ledger_is_believed_again(rig, tmp_path):
    """Core started anew may be putting the ledger together."""
    (ledger, _) = open_with_units(tmp_path)
    ledger.close()
    rig.connect()
    rig.second()
    rig.intake.connected = False
    assert not rig.intake.is_core_ready
    rig.connect()
    assert not rig.intake.is_core_ready
    rig.second()
    assert rig.intake.is_core_ready


def test_points_wait_undated_and_get_their_time_once(rig):
    rig.connect()
    for _ in range(25):
        rig.second(utc_trusted=False, utc_ns=5)
    rig.intake.commit()
    assert rig.outbox.peek("influxdb", 100) == []
    undated = rig.outbox.counts("influxdb").waiting["live"]
    assert undated == 8
    rig.second()
    dated = rig.outbox.peek("influxdb", 100)
    # Boot began at 1000 s of the monotonic clock; snapshot 26 arrived at 1026 and says 1700000026.
    assert {item.utc_ns - item.mono_ns for item in dated} == {1_700_000_000 * S - 1000 * S}
    assert len(dated) >= undated
    assert all(item.boot_id == BOOT for item in dated)


def test_a_wall_clock_that_jumps_moves_no_point(rig):
    """Order is that of monotonic time, whatever a person does to the clock."""
    rig.connect()
    rig.second()
    rig.second()
    for n in range(40):
        rig.second(utc_ns=(1_000_000_000 + 3_000_000 * n * (-1) ** n) * S)
    rig.intake.commit()
    items = rig.outbox.peek("influxdb", 1000)
    assert len(items) > 8
    assert len({item.utc_ns - item.mono_ns for item in items}) == 1


def test_the_first_line_of_a_connection_sets_no_time(rig):
    """It may have been lying there since the source stood still."""
    rig.connect()
    rig.second(utc_ns=1)
    assert rig.board.look().arrived.moment.utc_ns is None
    rig.second()
    assert rig.board.look().arrived.moment.utc_ns == 1_700_000_002 * S


def test_readings_that_stand_still_are_no_news(rig):
    rig.connect()
    rig.second()
    assert rig.board.look().arrived.is_news
    rig.second(mono_s=1.0)
    assert not rig.board.look().arrived.is_news


def test_garbage_repeats_and_silence_are_counted_and_shown(rig):
    rig.connect()
    assert rig.intake.link() == "waiting"
    rig.second()
    line = encode_snapshot(snapshot(rig.seq, mono_s=1.0)).rstrip(b"\n")
    assert not rig.intake.accept_line(line)
    assert not rig.intake.accept_line(b"\xff{}")
    assert (rig.intake.counters.repeated_count, rig.intake.counters.garbled_count) == (1, 1)
    assert rig.intake.link() == "live"
    rig.clock.advance(4.0)
    rig.intake.tick()
    assert rig.board.look().link == "stale"


def test_an_alert_is_stored_at_once_and_the_outputs_are_woken(rig):
    rig.connect()
    for _ in range(3):
        rig.second(alerts=(alert_now("a"),))
    (alert,) = rig.alerts()
    assert (alert["kind"], alert["state"]) == ("damper_fault", "raised")
    assert rig.outputs[0].woken >= 3


def test_a_disk_that_stands_still_is_told_though_readings_are_stale(rig):
    rig.connect()
    rig.second()
    rig.second(standing_s=5.0, alerts=(alert_now("a", kind="disk", position=None, subject=None),))
    assert rig.board.look().link == "stale"
    assert [alert["kind"] for alert in rig.alerts()] == ["disk"]


class FullDisk(Outbox):
    is_full = False

    def put(self, output, items, notes):
        if self.is_full:
            raise OutputError("outbox x: no room left on the disk; free some space")
        super().put(output, items, notes)


def test_a_full_disk_holds_what_comes_shows_alerts_and_recovers(tmp_path):
    rig = Rig(tmp_path)
    rig.outbox.close()
    rig.outbox = rig.intake._outbox = FullDisk(tmp_path / "outbox.sqlite")
    rig.connect()
    rig.second()
    rig.outbox.is_full = True
    for _ in range(30):
        rig.second(alerts=(alert_now("a"),))
    (payload,) = rig.board.look().unstored_alerts
    assert json.loads(payload)["kind"] == "damper_fault"
    assert "no room" in rig.intake.last_problem
    rig.outbox.is_full = False
    for _ in range(11):
        rig.second(alerts=(alert_now("a"),))
    assert rig.board.look().unstored_alerts == ()
    assert [alert["kind"] for alert in rig.alerts()] == ["damper_fault"]
    assert rig.outbox.counts("influxdb").waiting["live"] >= 3
    assert rig.intake.dropped_count == 0
    rig.outbox.close()


def test_what_is_held_for_a_full_disk_is_bounded_and_counted(tmp_path, monkeypatch):
    monkeypatch.setattr("dutylog.publish.intake.PENDING_LIMIT", 20)
    rig = Rig(tmp_path)
    rig.outbox.close()
    rig.outbox = rig.intake._outbox = FullDisk(tmp_path / "outbox.sqlite")
    rig.outbox.is_full = True
    rig.connect()
    for _ in range(200):
        rig.second()
    assert rig.intake.dropped_count > 20
    rig.outbox.is_full = False
    rig.intake.commit()
    assert rig.outbox.counts("influxdb").waiting["live"] <= 24
    rig.outbox.close()


def test_alerts_of_the_ledger_that_no_snapshot_showed_are_told_once_over_a_restart(rig, tmp_path):
    (ledger, units) = open_with_units(tmp_path)
    row = AlertRow("a", "damper_fault", "front_left", "gap", "advice", "t", "r", (1, 5 * S), None)
    with ledger:
        rig.connect()
        rig.second()
        assert rig.alerts() == []
        rows = (row, replace(row, alert_id="b", cleared=(1, 6 * S)))
        ledger.commit(replace(commit_at(units, 6), alerts=rows))
        for _ in range(11):
            rig.second()
        told = [(alert["id"], alert["state"]) for alert in rig.alerts()]
        assert told == [("a", "raised"), ("b", "raised"), ("b", "cleared")]
        rig.intake = Intake(tmp_path, rig.outbox, rig.board, rig.clock, Timekeeper(BOOT))
        rig.intake.serve(rig.outputs)
        rig.connect()
        ledger.commit(replace(commit_at(units, 9), alerts=(replace(row, cleared=(1, 9 * S)),)))
        for _ in range(11):
            rig.second()
        assert [(alert["id"], alert["state"]) for alert in rig.alerts()] == [*told, ("a", "cleared")]


def publish(rig, boot=BOOT, told_to="a", is_dated=True, seconds=11):
    """Let another publisher work for some seconds, from its start on; return how many totals wait."""
    rig.outbox.drop_undatable(boot)
    rig.intake = Intake(rig.folder, rig.outbox, rig.board, rig.clock, Timekeeper(boot), told_to)
    rig.intake.serve(rig.outputs)
    rig.connect()
    for _ in range(seconds):
        rig.second(utc_trusted=is_dated)
    return rig.outbox.counts("influxdb").waiting.get("duty", 0)


@pytest.mark.parametrize("is_dated", [False, True])
def test_totals_are_not_told_again_by_the_next_publisher_while_nothing_new_was_counted(rig, tmp_path, is_dated):
    """Killed and started again between two commits of core: the same totals under two times would be two points."""
    (ledger, units) = open_with_units(tmp_path)
    with ledger:
        assert publish(rig, is_dated=is_dated) == len(units)
        assert publish(rig, is_dated=is_dated) == len(units)
        # What a boot left without a time is gone with it, so the next one tells it.
        assert publish(rig, "next-boot", is_dated=is_dated) == len(units)
        assert rig.outbox.counts("influxdb").undated.get("duty", 0) == (0 if is_dated else len(units))
        ledger.commit(commit_at(units, 6))
        assert publish(rig, "next-boot", is_dated=is_dated) == 2 * len(units)


@pytest.mark.parametrize("error", [OutputError, KeyboardInterrupt])
def test_totals_whose_dating_is_cut_off_are_told_by_the_next_boot(rig, tmp_path, monkeypatch, error):
    """The disk takes nothing, or power goes, as the time becomes known: undated points go with their boot."""
    (ledger, units) = open_with_units(tmp_path)

    def refuse(*_):
        raise error("no room")

    with ledger:
        assert publish(rig, is_dated=False) == len(units)
        with monkeypatch.context() as patched, suppress(KeyboardInterrupt):
            patched.setattr(Outbox, "date", refuse)
            for _ in range(11):
                rig.second()
        assert publish(rig, "next-boot") == len(units)
        assert rig.outbox.counts("influxdb").undated["duty"] == len(units)


def test_totals_that_went_with_a_damaged_outbox_are_told_again(tmp_path):
    rig = Rig(tmp_path)
    rig.outbox.close()
    rig.outbox = BreaksOnce(tmp_path / "outbox.sqlite")
    (ledger, units) = open_with_units(tmp_path)
    with ledger:
        assert publish(rig) == len(units)
        rig.outbox.is_broken = True
        ledger.commit(replace(commit_at(units, 6), hot={units[0]: commit_at(units, 6).hot[units[0]]}))
        for _ in range(70):
            rig.second()
        assert rig.outbox.damaged_count == 1
        told = {item.payload.split(b" ")[0] for item in rig.outbox.peek("influxdb", 100) if item.kind == "duty"}
        assert len(told) == len(units)
    rig.outbox.close()


class BreaksOnce(Outbox):
    is_broken = False

    def _try(self, work):
        if self.is_broken:
            self.is_broken = False
            raise FileDamaged("flipped")
        return super()._try(work)


def test_another_database_is_told_all_and_the_first_one_not_again(rig, tmp_path):
    (ledger, units) = open_with_units(tmp_path)
    with ledger:
        assert publish(rig, told_to="a") == len(units)
        assert publish(rig, told_to="b") == 2 * len(units)
        assert publish(rig, told_to="b") == 2 * len(units)


def test_a_vehicle_with_years_of_alerts_is_not_told_them_all(rig, tmp_path):
    (ledger, units) = open_with_units(tmp_path)
    row = AlertRow("a", "damper_fault", "front_left", "gap", "advice", "t", "r", (1, 5 * S), None)
    old = [replace(row, alert_id=f"{n}", cleared=(1, 6 * S)) for n in range(300)]
    with ledger:
        ledger.commit(replace(commit_at(units, 6), alerts=(*old, row)))
        rig.connect()
        rig.second()
        assert [(alert["id"], alert["state"]) for alert in rig.alerts()] == [("a", "raised")]


def test_a_ledger_put_back_from_a_copy_is_looked_at_from_its_own_end(rig, tmp_path):
    (ledger, units) = open_with_units(tmp_path)
    row = AlertRow("a", "damper_fault", "front_left", "gap", "advice", "t", "r", (1, 5 * S), None)
    with ledger:
        rig.intake._teller.core.number = 900
        rig.connect()
        rig.second()
        ledger.commit(replace(commit_at(units, 6), alerts=(row,)))
        for _ in range(11):
            rig.second()
        assert [(alert["id"], alert["state"]) for alert in rig.alerts()] == [("a", "raised")]


def test_more_alerts_than_one_look_takes_are_told_with_the_next(rig, tmp_path):
    (ledger, units) = open_with_units(tmp_path)
    row = AlertRow("a", "damper_fault", "front_left", "gap", "advice", "t", "r", (1, 5 * S), None)
    with ledger:
        rig.connect()
        rig.second()
        rows = [replace(row, alert_id=f"{n}") for n in range(450)]
        ledger.commit(replace(commit_at(units, 6), alerts=tuple(rows)))
        for _ in range(45):
            rig.second()
        told = [json.loads(item.payload)["id"] for item in rig.outbox.peek("mqtt", 1000)]
        assert told == [one.alert_id for one in rows]


def test_the_last_of_everything_is_stored_at_stop(rig, tmp_path):
    (ledger, units) = open_with_units(tmp_path)
    ledger.close()
    rig.connect()
    rig.second()
    rig.second()
    rig.intake.finish()
    waiting = rig.outbox.counts("influxdb").waiting
    assert waiting["live"] == 4
    assert waiting["duty"] == len(units)


def test_without_a_database_no_point_is_made(tmp_path):
    rig = Rig(tmp_path, names=("mqtt",))
    rig.connect()
    for _ in range(30):
        rig.second()
    rig.intake.finish()
    assert rig.outbox.counts("influxdb").waiting == {}
    assert Path(tmp_path / "outbox.sqlite").exists()
    rig.outbox.close()


def test_without_a_broker_no_alert_is_kept(tmp_path):
    rig = Rig(tmp_path, names=("influxdb",))
    rig.connect()
    for _ in range(5):
        rig.second(alerts=(alert_now("a"),))
    assert rig.outbox.counts("mqtt").waiting == {}
    rig.outbox.close()
