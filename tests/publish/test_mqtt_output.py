"""What a broker is told and what rests on its word, over a broker that does as a test says."""

from __future__ import annotations

import json
import random
import threading
from dataclasses import replace

import pytest

from daemon.processes import wait_until
from dutylog.clock import SystemClock
from dutylog.duty.totals import Totals
from dutylog.errors import OutputDown, OutputError
from dutylog.ledger.rows import UnitDuty
from dutylog.publish.board import Arrived, Board
from dutylog.publish.broker import Delivered, Lost, Refused
from dutylog.publish.mqtt_output import LIVE_IN_LINE, MqttOutput
from dutylog.publish.outbox import ALERT, Draft, Outbox
from dutylog.publish.points import Moment
from dutylog.publish.topics import encode
from ledger.builders import totals_at
from web.samples import damper_now, snapshot

UNIT = "11111111-2222-4333-8444-555555555555"


def duty(sequence=5, revision=1, unit_id=UNIT, totals=None):
    return UnitDuty(unit_id, "SN-1", "SN-1", "front_left", revision, sequence, totals or totals_at(sequence))


class FakeBroker:
    """Keeps what it is told; acks: whether it acknowledges; refuse: what it answers to a topic instead."""

    def __init__(self):
        self.told = []
        self.wills = []
        self.connections = 0
        self.acks = True
        self.down = None
        self.refuse = {}
        self.acks_each = 1
        self.closed = 0
        self._notify = None
        self._number = 0

    def __call__(self, will, notify):
        self.connections += 1
        self.wills.append(will)
        if self.down is not None:
            raise self.down
        self._notify = notify
        self._number = 0  # numbers begin anew with each connection, as in MQTT
        return self

    def publish(self, message):
        self._number += 1
        self.told.append(message)
        kind = message.topic.split("/")[3]
        if kind in self.refuse:
            self._notify(Refused(self._number, *self.refuse[kind]))
        elif self.acks or message.qos == 0:
            for _ in range(self.acks_each):
                self._notify(Delivered(self._number))
        return self._number

    def close(self):
        self.closed += 1

    def drop(self, text="broker: hung up", is_refused=False):
        self._notify(Lost(text, is_refused))

    def of(self, kind):
        return [json.loads(m.payload) for m in self.told if m.topic.split("/")[3] == kind]


class Rig:
    def __init__(self, folder):
        self.broker = FakeBroker()
        self.board = Board()
        self.outbox = Outbox(folder / "outbox.sqlite")
        self.said = []
        self.stop = threading.Event()
        self.seq = 0
        self.output = self.make()
        self.thread = None

    def make(self):
        return MqttOutput(
            self.broker, "truck", self.board, self.outbox, SystemClock(), chance=random.Random(1), say=self.said.append
        )

    def start(self):
        self.thread = threading.Thread(target=self.output.run, args=(self.stop,))
        self.thread.start()

    def end(self):
        self.stop.set()
        self.output.wake()
        if self.thread is not None:
            self.thread.join(10)
            assert not self.thread.is_alive()
            self.thread = None

    def snapshot(self, **changes):
        self.seq += 1
        shot = replace(snapshot(self.seq), **changes)
        self.board.put(Arrived(self.seq, shot, Moment("boot", self.seq, None), True), "live")
        self.output.wake()

    def duties(self, *duties):
        self.board.put_duties(duties)
        self.output._next_duty_ns = 0
        self.output.wake()

    def alert(self, name):
        self.outbox.put("mqtt", [Draft(ALERT, "boot", 1, None, encode({"id": name}))])
        self.output.wake()


@pytest.fixture
def rig(tmp_path):
    one = Rig(tmp_path)
    yield one
    one.end()
    one.outbox.close()


def until(predicate, what):
    return wait_until(predicate, what, 10)


def test_order_of_life(rig):
    """Online, duty, live, and at the end offline after all is told; the will says offline too."""
    rig.board.put_duties((duty(),))
    rig.snapshot()
    rig.start()
    until(lambda: rig.broker.of("live"), "live values")
    rig.board.put_duties((duty(9),))
    rig.end()
    topics = [m.topic for m in rig.broker.told]
    assert topics[-1] == "dutylog/v1/truck/status"
    assert rig.broker.of("status")[0]["state"] == "online"
    assert rig.broker.of("status")[-1]["state"] == "offline"
    assert [d["seq"] for d in rig.broker.of("duty")] == [5, 9]
    (will,) = rig.broker.wills
    assert (will.topic, will.qos, will.is_retained) == ("dutylog/v1/truck/status", 1, True)
    assert json.loads(will.payload)["state"] == "offline"
    flags = {(m.topic.split("/")[3], m.qos, m.is_retained) for m in rig.broker.told}
    assert flags == {("status", 1, True), ("duty", 1, True), ("live", 0, False), ("vehicle", 0, False)}
    assert rig.broker.closed == 1


def test_totals_are_those_of_the_ledger_under_their_names(rig):
    rig.start()
    rig.duties(duty(7))
    (told,) = until(lambda: rig.broker.of("duty"), "duty")
    totals = totals_at(7)
    assert (told["revision"], told["seq"], told["unit_id"]) == (1, 7, UNIT)
    assert round(told["energy_compression_total_j"] * 1e6) == totals.energy_compression_uj
    assert round(told["energy_total_j"] * 1e6) == totals.energy_uj
    assert told["strokes_total_count"] == totals.strokes_count
    assert round(told["moving_measured_total_s"] * 1e6) == totals.moving_measured_us
    assert round(told["peak_body_c"] * 1e3) == totals.peak_body_mc


def test_duty_is_told_again_only_when_it_changed(rig):
    """The sequence alone rises every second."""
    rig.start()
    rig.duties(duty(5))
    until(lambda: rig.broker.of("duty"), "duty")
    rig.duties(duty(6, totals=totals_at(5)))
    rig.duties(duty(7, totals=totals_at(7)))
    until(lambda: len(rig.broker.of("duty")) > 1, "changed duty")
    assert [d["seq"] for d in rig.broker.of("duty")] == [5, 7]


def test_a_damper_that_never_counted_is_not_told(rig):
    rig.start()
    rig.duties(duty(8, totals=Totals()), duty(5, unit_id=UNIT.replace("1", "2")))
    until(lambda: rig.broker.of("duty"), "duty")
    rig.end()
    assert [d["unit_id"] for d in rig.broker.of("duty")] == [UNIT.replace("1", "2")]


def test_a_damper_of_which_nothing_is_left_is_told(rig):
    """Its only trip was not driven: what the broker keeps must not stand for ever."""
    rig.start()
    rig.duties(duty(8))
    until(lambda: rig.broker.of("duty"), "duty")
    rig.duties(duty(8, revision=2, totals=Totals()))
    until(lambda: len(rig.broker.of("duty")) == 2, "zeros")
    rig.end()
    assert [(d["revision"], d["energy_total_j"] > 0) for d in rig.broker.of("duty")] == [(1, True), (2, False)]


def test_all_duty_is_told_again_on_a_new_connection(rig):
    """A killed broker forgets what it acknowledged."""
    rig.start()
    rig.duties(duty(5))
    until(lambda: rig.broker.of("duty"), "duty")
    rig.broker.drop()
    until(lambda: len(rig.broker.of("duty")) == 2, "duty again")
    assert rig.broker.connections == 2
    assert [d["seq"] for d in rig.broker.of("duty")] == [5, 5]


def test_duty_behind_what_was_told_waits_until_it_has_caught_up(rig):
    """A ledger put back from a backup must not lower what readers have."""
    rig.start()
    rig.duties(duty(50, revision=2))
    until(lambda: rig.broker.of("duty"), "duty")
    rig.duties(duty(40, revision=2), duty(99, revision=1))
    rig.end()
    rig.stop.clear()
    rig.output = rig.make()  # also after a restart
    rig.start()
    rig.duties(duty(45, revision=2))
    until(lambda: len(rig.broker.of("status")) >= 3, "a status on the new connection")
    rig.duties(duty(51, revision=2))
    until(lambda: len(rig.broker.of("duty")) == 2, "duty that has caught up")
    assert [(d["revision"], d["seq"]) for d in rig.broker.of("duty")] == [(2, 50), (2, 51)]


def test_an_alert_stays_until_the_broker_has_it(rig):
    rig.broker.acks = False
    rig.start()
    rig.alert("a")
    until(lambda: rig.broker.of("alert"), "alert")
    assert rig.outbox.counts("mqtt").waiting == {"alert": 1}
    rig.broker.acks = True
    rig.broker.drop()
    until(lambda: rig.outbox.counts("mqtt").waiting == {}, "acknowledged")
    first, again = [m.payload for m in rig.broker.told if m.topic.endswith("/alert")]  # at least once
    assert first == again  # so that a reader knows the second for what it is, flag DUP or not
    assert rig.outbox.counts("mqtt").acked == 1


def test_an_acknowledgement_that_comes_twice_or_late_does_no_harm(rig):
    """A broker may repeat itself; numbers begin anew on each connection."""
    rig.broker.acks_each = 3
    rig.start()
    for name in "abc":
        rig.alert(name)
    rig.duties(duty(5))
    until(lambda: rig.outbox.counts("mqtt").acked == 3, "acknowledged")
    for number in (0, 1, 1, 7, 10**6):
        rig.output._take_event(Delivered(number))
    rig.broker.acks = False
    rig.alert("d")
    until(lambda: len(rig.broker.of("alert")) == 4, "the last alert")
    assert rig.outbox.counts("mqtt").waiting == {"alert": 1}
    assert rig.thread.is_alive()


def test_live_values_are_never_queued(rig):
    """A stuck line must not fill the memory; old live values are worth nothing."""
    rig.broker._notify = None
    rig.start()
    until(lambda: rig.broker.of("status"), "connected")
    silent = lambda _message: 10**9 + len(rig.broker.told)  # noqa: E731
    told = []
    rig.broker.publish = lambda message: told.append(message) or silent(message) + len(told)
    for _ in range(60):
        rig.snapshot()
        before = rig.seq
        until(lambda n=before: rig.output._shown_number == n, "looked at")
    newest = [m for m in told if "/live/" in m.topic or m.topic.endswith("/vehicle")]
    assert LIVE_IN_LINE < len(newest) <= LIVE_IN_LINE + 5


def test_old_readings_and_places_without_a_damper_are_not_told_as_live(rig):
    rig.start()
    until(lambda: rig.broker.of("status"), "connected")
    dampers = (damper_now("front_left"), damper_now("rear_left", unit_id=""), damper_now("a/+/#"))
    rig.snapshot(dampers=dampers)
    until(lambda: rig.broker.of("live"), "live")
    arrived = rig.board.look().arrived
    rig.board.put(replace(arrived, number=99, is_news=False), "live")
    rig.output.wake()
    until(lambda: rig.output._shown_number == 99, "looked at")
    rig.board.put(replace(arrived, number=100), "stale")
    rig.output.wake()
    until(lambda: rig.output._shown_number == 100, "looked at")
    assert [m.topic for m in rig.broker.told if "/live/" in m.topic] == ["dutylog/v1/truck/live/front_left"]
    # that they stand still, and why, is told each time all the same
    assert [told["positions"] for told in rig.broker.of("vehicle")] == [["front_left"]] * 3


def test_wrong_password_is_said_once_kept_and_healthy_never(rig):
    rig.broker.down = OutputDown("broker x: refused us (not authorized); check mqtt.username", is_refused=True)
    rig.alert("a")
    rig.start()
    until(lambda: rig.broker.connections, "an attempt")
    until(lambda: rig.said, "said")
    health = rig.output.health()
    assert (health.is_refused, health.is_well) == (True, False)
    assert "not authorized" in health.problem
    assert rig.outbox.counts("mqtt").waiting == {"alert": 1}
    rig.snapshot()  # waking must not hurry an attempt at a broker that refuses us
    rig.end()
    assert rig.broker.connections == 1
    assert len(rig.said) == 1


def test_health_goes_by_acknowledgements_not_by_the_connection(rig):
    rig.broker.acks = False
    rig.start()
    until(lambda: rig.broker.of("status"), "connected")
    health = rig.output.health()
    assert not health.was_acked
    assert replace(health, acked_age_s=89.0).is_well
    assert not replace(health, acked_age_s=91.0).is_well
    rig.broker.acks = True
    rig.broker.drop()
    until(lambda: rig.output.health().was_acked, "acknowledged")
    assert rig.output.health().acked_age_s < 10
    assert rig.output.health().problem == ""


def test_a_message_refused_for_good_is_set_aside_and_the_rest_flows(rig):
    rig.broker.refuse = {"alert": ("broker: refused a message (topic name invalid)", True)}
    rig.start()
    rig.alert("bad")
    until(lambda: rig.outbox.counts("mqtt").rejected == 1, "set aside")
    assert rig.outbox.rejected("mqtt")[0][2].startswith("broker: refused a message")
    rig.broker.refuse = {}
    rig.alert("good")
    until(lambda: rig.outbox.counts("mqtt").acked == 1, "the rest")
    assert rig.broker.connections == 1


def test_rights_that_are_missing_keep_everything(rig):
    rig.broker.refuse = {"alert": ("broker: refused a message (not authorized)", False)}
    rig.start()
    rig.alert("a")
    until(lambda: rig.output.health().is_refused, "refused")
    assert rig.outbox.counts("mqtt").waiting == {"alert": 1}


class DeadDisk(Outbox):
    is_dead = False

    def _do(self, work):
        if self.is_dead:
            raise OutputError("outbox x: the disk is gone")
        return super()._do(work)


def test_a_dead_disk_of_the_outbox_stops_neither_duty_nor_urgent_alerts(tmp_path):
    rig = Rig(tmp_path)
    rig.outbox.close()
    rig.outbox = DeadDisk(tmp_path / "outbox.sqlite")
    rig.output = rig.make()
    rig.outbox.is_dead = True
    rig.start()
    rig.duties(duty(5))
    rig.board.put_unstored((encode({"id": "urgent"}),))
    rig.snapshot()
    until(lambda: rig.broker.of("duty") and rig.broker.of("alert") and rig.broker.of("live"), "all told")
    rig.snapshot()
    until(lambda: len(rig.broker.of("live")) == 8, "still going")
    assert [a["id"] for a in rig.broker.of("alert")] == ["urgent"]
    assert rig.broker.connections == 1
    rig.end()
    rig.outbox.close()


def test_what_the_disk_does_not_let_go_is_not_sent_again(tmp_path):
    """Acknowledged, but the outbox can't be written: kept in mind for as long as we live."""
    rig = Rig(tmp_path)
    rig.outbox.close()
    rig.outbox = DeadDisk(tmp_path / "outbox.sqlite")
    rig.output = rig.make()
    ack = rig.outbox.ack
    failures = []

    def fail(ids):
        if list(ids):
            failures.append(ids)
            raise OutputError("outbox x: no room left")

    rig.outbox.ack = fail
    rig.start()
    rig.alert("a")
    until(lambda: failures, "the disk refused")
    rig.alert("b")
    until(lambda: len(rig.broker.of("alert")) == 2, "the next alert")
    rig.outbox.ack = ack
    rig.snapshot()
    until(lambda: rig.outbox.counts("mqtt").waiting == {}, "let go")
    assert [a["id"] for a in rig.broker.of("alert")] == ["a", "b"]
    rig.end()
    rig.outbox.close()


def test_a_status_is_told_on_change_and_not_each_second(rig):
    rig.start()
    for _ in range(5):
        rig.snapshot()
        until(lambda n=rig.seq: rig.output._shown_number == n, "looked at")
    count = len(rig.broker.of("status"))
    assert count <= 2
    rig.snapshot(utc_trusted=False)
    until(lambda: len(rig.broker.of("status")) == count + 1, "a change")
    assert rig.broker.of("status")[-1]["utc_trusted"] is False


def test_a_damper_that_never_counted_is_not_told_after_a_recovery_either(rig):
    """Every damper has a high revision then; zeros would look like a loss."""
    rig.start()
    rig.duties(
        replace(duty(8, revision=1001, totals=Totals()), has_counted=False),
        duty(5, revision=1001, unit_id=UNIT.replace("1", "2")),
    )
    until(lambda: rig.broker.of("duty"), "duty")
    rig.end()
    assert [d["unit_id"] for d in rig.broker.of("duty")] == [UNIT.replace("1", "2")]


def test_that_duty_waits_is_said_once(rig):
    rig.start()
    rig.duties(duty(50, revision=2))
    until(lambda: rig.broker.of("duty"), "duty")
    until(lambda: UNIT in rig.output._acked_content, "acknowledged")
    for sequence in (40, 41, 42):
        rig.duties(duty(sequence, revision=2))
        until(lambda: rig.output._next_duty_ns > 0, "a look at it")
    until(lambda: any("is behind what the broker was told" in line for line in rig.said), "the line")
    rig.end()
    assert len([line for line in rig.said if "is behind what the broker was told" in line]) == 1
