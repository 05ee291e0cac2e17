"""The drain: whatever the server does, every point is there once, in order, and the same bytes each time."""

from __future__ import annotations

import random
import threading
from collections import Counter

import pytest

from daemon.processes import wait_until
from dutylog.clock import ManualClock, SystemClock
from dutylog.errors import OutputDown, OutputError, OutputRejected
from dutylog.publish.backoff import Backoff
from dutylog.publish.influx import InfluxServer
from dutylog.publish.influx_output import BATCH_LINES, IDLE_S, NAME, PERIOD_S, InfluxOutput
from dutylog.publish.outbox import ALERT, DUTY, LIVE, Draft, Outbox
from publish.influx_servers import ORG, TOKEN, Reply, running_fake

BOOT = "boot-1"
UTC_NS = 1_764_000_000_000_000_000
NO = '{"code":"invalid","message":"bad line"}'


class Recorder:
    """A server in this process: records every call, refuses lines that hold `bad`, raises what it is told."""

    def __init__(self):
        self.calls = []
        self.errors = []
        self.stored = []

    def write(self, lines):
        self.calls.append(tuple(lines))
        if self.errors:
            error = self.errors.pop(0)
            if error is not None:
                raise error
        if any(b"bad" in line for line in lines):
            raise OutputRejected("400: bad line", range(len(lines)))
        self.stored += lines


@pytest.fixture
def outbox(tmp_path):
    box = Outbox(tmp_path / "outbox.sqlite")
    yield box
    box.close()


def fill(outbox, count, first=0, bad=(), dated=True):
    """Put points v=first, v=first+1, ..., those in `bad` not to anybody's taste."""
    outbox.put(
        NAME,
        [
            Draft(LIVE, BOOT, i, UTC_NS + i if dated else None, b"live v=" + (b"bad" if i in bad else b"%d.5" % i))
            for i in range(first, first + count)
        ],
    )


def sent(first, count):
    return [b"live v=%d.5 %d" % (i, UTC_NS + i) for i in range(first, first + count)]


def output_on(server, outbox, clock=None, **options):
    return InfluxOutput(server, outbox, clock or ManualClock(), chance=random.Random(7), **options)


def drain(output, limit=10_000):
    """Take turns until nothing is left; waits are skipped, and counted."""
    for turns in range(limit):
        if output.turn() == IDLE_S and output.health().problem == "":
            return turns
    raise AssertionError("never empty")


# batches


def test_points_go_in_order_in_batches_and_leave_only_then(outbox):
    fill(outbox, 2 * BATCH_LINES + 3)
    server = Recorder()
    output = output_on(server, outbox)
    assert output.turn() == 0.0
    assert outbox.counts(NAME).waiting_count == BATCH_LINES + 3
    assert output.turn() == 0.0
    assert output.turn() == IDLE_S
    assert output.turn() == IDLE_S
    assert [len(call) for call in server.calls] == [BATCH_LINES, BATCH_LINES, 3]
    assert server.stored == sent(0, 2 * BATCH_LINES + 3)
    assert outbox.counts(NAME).acked == 2 * BATCH_LINES + 3


def test_undated_points_wait_and_then_go_with_their_own_time(outbox):
    """Nothing is sent with a guess; the others don't wait for it."""
    fill(outbox, 3, dated=False)
    fill(outbox, 2, first=3)
    server = Recorder()
    output = output_on(server, outbox)
    drain(output)
    assert server.stored == sent(3, 2)
    assert outbox.counts(NAME).waiting == {LIVE: 3}
    outbox.date(BOOT, UTC_NS)
    drain(output)
    assert server.stored == sent(3, 2) + sent(0, 3)


def test_points_sent_again_are_the_same_bytes_also_after_a_restart(outbox, tmp_path):
    """The time is in the outbox before the first attempt; a clock set right meanwhile changes nothing."""
    fill(outbox, 5, dated=False)
    outbox.date(BOOT, UTC_NS)
    server = Recorder()
    server.errors = [OutputDown("no answer in time")]
    output_on(server, outbox).turn()
    outbox.close()
    again = Outbox(tmp_path / "outbox.sqlite")
    again.date(BOOT, UTC_NS + 12345)
    output_on(server, again).turn()
    again.close()
    assert server.calls == [tuple(sent(0, 5))] * 2


def test_an_alert_that_strayed_here_is_set_aside(outbox):
    """A point without a time would get one by the server."""
    outbox.put(NAME, [Draft(ALERT, BOOT, 1, None, b"{}")])
    fill(outbox, 3)
    server = Recorder()
    drain(output_on(server, outbox))
    assert server.stored == sent(0, 3)
    assert outbox.counts(NAME).rejected == 1


def test_points_that_cant_be_acknowledged_are_sent_again(outbox, monkeypatch):
    """The outbox's disk fails after the server has stored: the same points again are no new ones."""
    fill(outbox, 3)
    server = Recorder()
    output = output_on(server, outbox)
    with monkeypatch.context() as patch:

        def fail(_ids):
            raise OutputError("disk full")

        patch.setattr(outbox, "ack", fail)
        with pytest.raises(OutputError, match="disk full"):
            output.turn()
    drain(output)
    assert server.calls == [tuple(sent(0, 3))] * 2


# 400


BAD_PLACES = {
    "first": {0},
    "last": {999},
    "middle": {499, 500},
    "one of many": {321},
    "some": {3, 4, 5, 250, 700, 999},
    "many": set(range(0, 1000, 7)),
    "all": set(range(1000)),
    "none": set(),
}


@pytest.mark.parametrize("where", BAD_PLACES)
def test_bad_points_are_set_aside_while_the_rest_flows(outbox, where):
    """However many and wherever they are; the others in order, each once."""
    bad = BAD_PLACES[where]
    fill(outbox, 1000, bad=bad)
    server = Recorder()
    output = output_on(server, outbox)
    drain(output)
    assert server.stored == [line for i, line in enumerate(sent(0, 1000)) if i not in bad]
    counts = outbox.counts(NAME)
    assert (counts.acked, counts.rejected, counts.waiting_count) == (1000 - len(bad), len(bad), 0)
    assert all(reason == "400: bad line" for _, _, reason in outbox.rejected(NAME, 1000))
    # Halving and growing: about 20 requests a bad line among good ones, one where all are bad.
    assert len(server.calls) <= 4 + 20 * len(bad)


def test_a_thousand_bad_points_cost_a_thousand_requests(outbox):
    """And not ten thousand: the server isn't asked about large batches again and again."""
    fill(outbox, 1000, bad=range(1000))
    server = Recorder()
    drain(output_on(server, outbox))
    assert len(server.calls) <= 1000 + 10


def test_the_first_refused_point_is_said_and_later_ones_are_counted(outbox):
    lines = []
    fill(outbox, 20, bad={3, 9})
    drain(output_on(Recorder(), outbox, say=lines.append))
    assert len(lines) == 1
    assert "400: bad line" in lines[0]


def test_one_bad_point_in_the_real_database(real_influx, database, outbox):
    """With its own reasons: a broken line, a field of another type."""
    fill(outbox, 700, bad={123})
    outbox.put(NAME, [Draft(DUTY, BOOT, 1, UTC_NS, b"live v=3i"), Draft(DUTY, BOOT, 1, UTC_NS, b"live v= ")])
    fill(outbox, 300, first=700)
    with InfluxServer(real_influx.url, ORG, database, TOKEN) as server:
        drain(output_on(server, outbox))
    (series,) = real_influx.query("SELECT v FROM live", database)
    assert series["values"] == [[UTC_NS + i, i + 0.5] for i in range(1000) if i != 123]
    assert outbox.counts(NAME).rejected == 3
    reasons = [reason for _, _, reason in outbox.rejected(NAME)]
    assert any("field type conflict" in reason for reason in reasons)


def test_413_halves_the_batch(fake_influx, outbox):
    """A front door with a small mouth; nothing is lost."""
    fake_influx.judge = lambda request: Reply(413, "<html>") if len(request.lines) > 30 else Reply()
    fill(outbox, 500)
    with InfluxServer(fake_influx.url, ORG, "b", TOKEN) as server:
        drain(output_on(server, outbox))
    stored = [line for request in fake_influx.history if len(request.lines) <= 30 for line in request.lines]
    assert stored == sent(0, 500)
    assert any(len(request.lines) == 500 for request in fake_influx.history)
    assert outbox.counts(NAME).rejected == 0


# refused, down


@pytest.mark.parametrize("reply", [Reply(401, NO), Reply(403, NO), Reply(404, NO), Reply(400, "<html>")])
def test_refused_points_are_kept_told_and_tried_again_each_minute(fake_influx, outbox, reply):
    """A person must act; then it heals by itself."""
    lines = []
    fake_influx.replies = [reply, reply, reply]
    fill(outbox, 10)
    with InfluxServer(fake_influx.url, ORG, "b", TOKEN) as server:
        output = output_on(server, outbox, say=lines.append)
        assert [output.turn() for _ in range(3)] == [60.0, 60.0, 60.0]
        health = output.health()
        assert (health.is_refused, health.is_well) == (True, False)
        assert str(reply.status) in health.problem
        assert outbox.counts(NAME).waiting_count == 10
        drain(output)
    assert [request.lines for request in fake_influx.history] == [tuple(sent(0, 10))] * 4
    assert (output.health().is_refused, output.health().problem) == (False, "")
    assert len(lines) == 2  # what is wrong, and that it is back
    assert TOKEN not in "".join(lines)


@pytest.mark.parametrize("status", [429, 500, 502, 503, 504])
def test_down_points_are_kept_with_growing_jittered_waits(fake_influx, outbox, status):
    fake_influx.replies = [Reply(status)] * 9
    fill(outbox, 10)
    with InfluxServer(fake_influx.url, ORG, "b", TOKEN) as server:
        output = output_on(server, outbox)
        waits_s = [output.turn() for _ in range(9)]
        expected = Backoff(random.Random(7))
        assert waits_s == [expected.next_s() for _ in range(9)]
        assert not output.health().is_refused
        drain(output)
    assert Counter(line for request in fake_influx.history for line in request.lines) == Counter(sent(0, 10) * 10)
    assert outbox.counts(NAME).waiting_count == 0


def test_retry_after_is_honoured(fake_influx, outbox):
    fake_influx.replies = [Reply(429, NO, (("Retry-After", "120"),))]
    fill(outbox, 1)
    with InfluxServer(fake_influx.url, ORG, "b", TOKEN) as server:
        assert 120.0 <= output_on(server, outbox).turn() <= 121.0


def test_backoff_doubles_to_its_limit_and_begins_anew():
    """The largest possible wait of each attempt; the drawn one lies evenly below."""

    class Most(random.Random):
        def uniform(self, a, b):
            return b

    backoff = Backoff(Most())
    assert [backoff.next_s() for _ in range(8)] == [1, 2, 4, 8, 16, 32, 60, 60]
    backoff.reset()
    assert backoff.next_s() == 1
    assert backoff.next_s(retry_after_s=300.0) == 301.0
    drawn = [Backoff(random.Random(seed)).next_s() for seed in range(200)]
    assert 0 <= min(drawn) < 0.05
    assert 0.95 < max(drawn) <= 1.0


def test_the_first_wait_after_a_success_is_short_again(outbox):
    """An outage of days must not make the next hiccup cost a minute."""
    server = Recorder()
    server.errors = [OutputDown("gone")] * 9
    fill(outbox, 1)
    output = output_on(server, outbox)
    drain(output)
    server.errors = [OutputDown("gone")]
    fill(outbox, 1, first=1)
    expected = Backoff(random.Random(7))
    for _ in range(9):
        expected.next_s()
    expected.reset()
    assert output.turn() == expected.next_s() <= 1.0


def test_a_changing_reason_is_said_once(outbox):
    """State changes go to the log, repeats to the counters."""
    lines = []
    server = Recorder()
    server.errors = [OutputDown(f"attempt {i}") for i in range(50)]
    fill(outbox, 1)
    drain(output_on(server, outbox, say=lines.append))
    assert len(lines) == 2
    assert "attempt 0" in lines[0]


# health


def test_health_is_the_age_of_the_last_acknowledgement(outbox):
    """Not whether something is connected."""
    clock, server = ManualClock(), Recorder()
    output = output_on(server, outbox, clock)
    clock.advance(10 * PERIOD_S)
    output.turn()
    assert output.health().is_well  # nothing is due
    fill(outbox, 1)
    output.turn()
    clock.advance(10 * PERIOD_S)
    assert (output.health().is_well, output.health().acked_age_s) == (True, 10 * PERIOD_S)
    server.errors = [OutputDown("gone")] * 3
    fill(outbox, 1, first=1)
    output.turn()
    assert output.health().is_well  # due just now
    clock.advance(PERIOD_S + 1)
    output.turn()
    health = output.health()
    assert (health.is_well, health.is_due, health.problem) == (False, True, "gone")
    output.turn()
    drain(output)
    assert (output.health().is_well, output.health().acked_age_s) == (True, 0.0)


# the thread


def running(output):
    stop = threading.Event()
    thread = threading.Thread(target=output.run, args=(stop,))
    thread.start()
    return stop, thread


def end(output, stop, thread):
    stop.set()
    output.wake()
    thread.join(timeout=60)
    assert not thread.is_alive()


def test_the_thread_sleeps_until_woken_and_sends_the_rest_at_a_stop(outbox):
    server = Recorder()
    output = output_on(server, outbox, SystemClock())
    stop, thread = running(output)
    fill(outbox, 10)
    output.wake()
    wait_until(lambda: len(server.stored) == 10, "sent at once when woken")
    fill(outbox, 2000, first=10)
    end(output, stop, thread)
    assert server.stored == sent(0, 2010)


def test_waking_does_not_press_a_server_that_is_down(outbox):
    """A backed-off server is left alone, whatever else comes."""
    server = Recorder()
    server.errors = [OutputDown("token refused", is_refused=True)]
    fill(outbox, 1)
    output = output_on(server, outbox, SystemClock())
    stop, thread = running(output)
    wait_until(lambda: output.health().is_refused, "refused")
    for _ in range(20):
        output.wake()
    wait_until(lambda: not output._woken.is_set(), "all wakes taken")
    assert len(server.calls) == 1
    end(output, stop, thread)
    assert len(server.calls) == 1  # nor at the stop
    assert outbox.counts(NAME).waiting_count == 1


# the server killed in the middle


class KilledNowAndThen:
    """Passes lines on; at chosen calls it kills a part of the real server while the request is under way."""

    def __init__(self, server, real, kills):
        self._server, self._real, self._kills = server, real, kills
        self.lines, self.acked, self.failed = [], [], 0

    def write(self, lines):
        self.lines += lines
        kill = self._kills.pop(0) if self._kills and len(self.lines) > 400 * (9 - len(self._kills)) else None
        thread = threading.Thread(target=kill) if kill else None
        try:
            if thread:
                thread.start()
            self._server.write(lines)
            self.acked += lines
        except OutputDown:
            self.failed += 1
            raise
        finally:
            if thread:
                thread.join(timeout=60)


@pytest.mark.parametrize("seed", [1, 2])
def test_a_server_killed_again_and_again_has_every_point_once_and_in_order(real_influx, database, outbox, seed):
    """Database killed, front door closed, between requests and within them."""
    fill(outbox, 4000)
    chance = random.Random(seed)
    kills = [chance.choice([real_influx.kill_database, real_influx.stop_front]) for _ in range(8)]
    down = 0
    with InfluxServer(real_influx.url, ORG, database, TOKEN) as inner:
        server = KilledNowAndThen(inner, real_influx, list(kills))
        output = output_on(server, outbox, batch_lines=100)
        while outbox.counts(NAME).waiting_count:
            output.turn()
            if output.health().problem:
                down += 1
                real_influx.kill_database()
                output.turn()  # and once more into nothing
                real_influx.stop_front()
                output.turn()
                real_influx.start()
    assert len(kills) == 8
    assert server._kills == []  # every one was fired
    assert down >= 1
    assert server.failed >= 3 * down
    (series,) = real_influx.query("SELECT v FROM live", database)
    assert series["values"] == [[UTC_NS + i, i + 0.5] for i in range(4000)]
    assert sorted(set(server.lines)) == sorted(sent(0, 4000))  # no line was ever sent in two forms
    assert server.acked == sent(0, 4000)  # in order, none acknowledged twice
    assert outbox.counts(NAME).acked == 4000


def test_an_answer_that_is_lost_doubles_nothing(real_influx, database, outbox):
    """Stored, but the 204 never came: the worst moment for a cut."""
    fill(outbox, 300)
    with InfluxServer(real_influx.url, ORG, database, TOKEN) as inner:

        class Deaf:
            lost = 0

            def write(self, lines):
                inner.write(lines)
                if self.lost < 4:
                    self.lost += 1
                    raise OutputDown("no answer in time")

        server = Deaf()
        drain(output_on(server, outbox, batch_lines=100))
        assert server.lost == 4
    (series,) = real_influx.query("SELECT v FROM live", database)
    assert series["values"] == [[UTC_NS + i, i + 0.5] for i in range(300)]


def test_a_server_that_comes_up_late_and_hangs_loses_nothing(outbox):
    """Refused connection, then time-outs, then all is well."""
    with running_fake() as first:
        url = first.url
    fill(outbox, 50)
    with InfluxServer(url, ORG, "b", TOKEN, timeout_s=0.3) as server:
        output = output_on(server, outbox)
        output.turn()
        assert "out of reach" in output.health().problem
    with running_fake() as fake, InfluxServer(fake.url, ORG, "b", TOKEN, timeout_s=0.3) as server:
        fake.replies = [Reply(hang=True), Reply(hang=True)]
        output = output_on(server, outbox)
        output.turn()
        assert "no answer in time" in output.health().problem
        output.turn()
        drain(output)
        assert [request.lines for request in fake.history] == [tuple(sent(0, 50))] * 3
    assert outbox.counts(NAME).acked == 50


def test_the_fake_takes_what_the_real_one_takes(real_influx, database, fake_influx):
    """A fake that is kinder than the server proves nothing: both see the same lines the same way."""
    lines = sent(0, 20)
    for url in (real_influx.url, fake_influx.url):
        with InfluxServer(url, ORG, database, TOKEN) as server:
            server.write(lines)
    (series,) = real_influx.query("SELECT v FROM live", database)
    assert [b"live v=%s %d" % (str(v).encode(), t) for t, v in series["values"]] == fake_influx.stored() == lines
