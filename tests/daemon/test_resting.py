"""While nobody looks core counts some seconds together; whoever begins to look sees the vehicle of now."""

from __future__ import annotations

import http.client
import itertools
import json
import os
import select
import signal
import socket
import time
from dataclasses import replace
from types import SimpleNamespace

import pytest

from daemon.processes import LIMIT_S, make_demo_settings, wait_until
from daemon.test_counting import Books, drive, plain, totals_of  # noqa: F401 - plain is a fixture
from daemon.test_daemon import daemon  # noqa: F401 - a fixture
from dutylog.clock import ManualClock, SystemClock
from dutylog.daemon import counting as counting_module
from dutylog.daemon.core import Core
from dutylog.daemon.counting import REST_NS, SPAN_ROWS, Counting
from dutylog.daemon.disk_trouble import DiskTrouble
from dutylog.daemon.endpoints import CLIENT_LIMIT, LiveEndpoint, look
from dutylog.daemon.life_signs import core_sign
from dutylog.engine.engine import Engine
from dutylog.errors import LedgerError
from dutylog.heat.vehicle_heat import VehicleHeat
from dutylog.ledger.client import send_command
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.reader import LogReader
from dutylog.sockets import LIVE, RESTING, WATCHED, unix_address
from dutylog.web.feed import LINGER_S

from .counted import Truck, make_vehicle

EACH_SECOND = {1, 2}
"""How far readings go on from one snapshot to the next while somebody looks: a busy machine takes two together [s]."""


class Outlet:
    """One line to core: what it said so far, and what came of core."""

    def __init__(self, data_dir, say=b""):
        self.end = socket.socket(socket.AF_UNIX)
        self.end.settimeout(LIMIT_S)
        with unix_address(data_dir, LIVE) as address:
            wait_until(lambda: self._reach(address), "core listens")
        self._lines = self.end.makefile("rb")
        self.say(say)

    def _reach(self, address):
        try:
            self.end.connect(address)
        except OSError:
            return False
        return True

    def say(self, octets):
        self.end.sendall(octets)

    def next(self):
        """Return the next snapshot."""
        return json.loads(self._lines.readline())

    def steps_s(self, count):
        """Return by how much the time of the readings goes on with each of so many snapshots [s]."""
        times = [self.next()["mono_s"] for _ in range(count + 1)]
        return [round(later - sooner) for sooner, later in itertools.pairwise(times)]

    def close(self):
        self._lines.close()
        self.end.close()

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()


# the outlets' word


@pytest.fixture
def endpoint(tmp_path):
    found = LiveEndpoint(tmp_path, poll := select.poll())
    found.settle = lambda: found.serve(look(poll))
    yield found
    found.close()


def test_nobody_connected_is_nobody_who_looks_and_whoever_connects_does(tmp_path, endpoint):
    """Until it says otherwise: an outlet that knows nothing of this gets each second."""
    assert not endpoint.is_watched
    outlet = Outlet(tmp_path)
    endpoint.settle()
    assert endpoint.is_watched
    outlet.say(RESTING)
    endpoint.settle()
    assert not endpoint.is_watched
    outlet.say(WATCHED)
    endpoint.settle()
    assert endpoint.is_watched
    outlet.close()
    endpoint.settle()
    assert not endpoint.is_watched


def test_one_that_looks_is_enough_and_the_last_word_counts(tmp_path, endpoint):
    resting, other = Outlet(tmp_path, RESTING), Outlet(tmp_path, RESTING + WATCHED)
    endpoint.settle()
    assert endpoint.is_watched
    other.say(WATCHED + b"\n" + RESTING)
    endpoint.settle()
    assert not endpoint.is_watched
    third = Outlet(tmp_path)
    endpoint.settle()
    assert endpoint.is_watched
    for outlet in (resting, other, third):
        outlet.close()


@pytest.mark.parametrize("said", [b"\n", b"GET / HTTP/1.0\n", b"\x00\xff" * 5000, b"R", b"\xf7"])
def test_words_of_no_meaning_change_nothing(tmp_path, endpoint, said):
    """Whatever comes in at that door."""
    outlet, resting = Outlet(tmp_path, said), Outlet(tmp_path, RESTING)
    endpoint.settle()
    endpoint.settle()
    assert endpoint.is_watched
    outlet.close()
    endpoint.settle()
    resting.say(said)
    endpoint.settle()
    assert not endpoint.is_watched
    resting.close()


def test_those_turned_away_or_gone_leave_nothing_behind(tmp_path, endpoint):
    for _ in range(3):
        outlets = [Outlet(tmp_path, RESTING) for _ in range(CLIENT_LIMIT)]
        endpoint.settle()
        outlets += [Outlet(tmp_path, WATCHED) for _ in range(2)]
        endpoint.settle()
        assert not endpoint.is_watched
        for outlet in outlets:
            outlet.close()
        endpoint.settle()
    assert endpoint._resting == set()
    assert endpoint._clients == {}


# counting


def make_counting(clock):
    """Return it with the books that remember what it has stored."""
    books, trouble = Books(), DiskTrouble(clock, lambda _line: None)
    engine = Engine(make_vehicle())
    counting = Counting(engine, VehicleHeat(), books, trouble, clock, waits=False)
    counting.rests = True
    return counting, books, engine


def gap_frame(sequence):
    return Frame(FrameType.GAP, sequence, 1, 0, stream_id=9)


def event_frame(sequence):
    return Frame(FrameType.EVENT, sequence, 1, 0, data={"kind": "a kind nobody knows"})


def go(counting):
    """Give and take as core does in a round."""
    counting.finish()
    counting.begin(is_due=True)
    counting._errand.wait()
    return counting.finish()


def test_what_waits_is_counted_and_stored_together_once_it_is_time():
    """The first at once: nothing was counted for long."""
    counting, books, engine = make_counting(clock := ManualClock(10**12))
    counting.add([gap_frame(1)])
    assert go(counting)
    assert (engine.sequence, [state.sequence for state in books.stored]) == (1, [1])
    for sequence in range(2, 6):
        clock.advance(1.0)
        counting.add([gap_frame(sequence)])
        assert not go(counting)
        assert not counting.is_open
    assert engine.sequence == 1
    clock.advance(REST_NS / 1e9 - 4.0)
    assert counting.is_open
    assert go(counting)
    assert (engine.sequence, [state.sequence for state in books.stored]) == (5, [1, 5])
    counting.close()


@pytest.mark.parametrize("why", ["somebody looks", "everything is wanted"])
def test_what_waits_is_counted_at_once_when_it_is_asked_for(why):
    counting, books, engine = make_counting(ManualClock(10**12))
    counting.add([gap_frame(1)])
    go(counting)
    counting.add([gap_frame(2)])
    assert not go(counting)
    counting.rests = why != "somebody looks"
    books.wants_all = why == "everything is wanted"
    assert go(counting)
    assert engine.sequence == 2
    counting.close()


def test_nothing_is_counted_twice_or_left_out_while_nobody_looks(tmp_path, monkeypatch, plain):  # noqa: F811
    """Forty seconds of travel in commits of a few milliseconds, counted in bundles."""
    monkeypatch.setattr(counting_module, "REST_NS", 100_000_000)
    core, _source = drive(tmp_path, monkeypatch, 40, gap_s=0.01, pause_s=0.0, is_watched=False)
    assert core.most_waiting > core.most_fed
    assert totals_of(tmp_path) == plain


def test_a_processor_too_slow_for_its_source_holds_it_up_while_nobody_looks_too(tmp_path, monkeypatch, plain):  # noqa: F811
    monkeypatch.setattr(counting_module, "REST_NS", 20_000_000)
    core, _source = drive(tmp_path, monkeypatch, 40, gap_s=0.001, pause_s=0.05, is_watched=False)
    assert 0 < core.most_waiting <= 3 * core.most_fed
    assert totals_of(tmp_path) == plain


def look_once(*, is_watched=False, trouble="", pace=1.0, rests=False, waiting_count=1):
    """Have a core see who looks; return it."""
    core = Core.__new__(Core)
    core._settings, core._live = SimpleNamespace(pace=pace), SimpleNamespace(is_watched=is_watched)
    core._counting = SimpleNamespace(rests=rests, waiting_count=waiting_count)
    core._trouble = DiskTrouble(SystemClock(), lambda _line: None)
    if trouble:
        getattr(core._trouble, trouble).begin(LedgerError("the disk is full"))
    core._is_quiet, core._next_publish_ns = True, 5
    core._look_who_looks()
    return core


def test_core_rests_while_nobody_looks():
    """What it said last isn't said once more at the usual time."""
    core = look_once()
    assert (core._counting.rests, core._is_quiet, core._next_publish_ns) == (True, True, 5 + REST_NS)
    assert look_once(rests=True)._next_publish_ns == 5


@pytest.mark.parametrize(
    "why", [{"is_watched": True}, {"trouble": "log"}, {"trouble": "ledger"}, {"pace": 0.0}, {"pace": 4.0}]
)
def test_core_does_not_rest_otherwise(why):
    """Alerts tell of a disk, and are judged with each snapshot; a source that runs faster brings more in that time."""
    assert not look_once(**why)._counting.rests
    woken = look_once(**why, rests=True)
    assert not woken._counting.rests
    assert not woken._is_quiet


@pytest.mark.parametrize(("waiting_count", "next_publish_ns"), [(0, 0), (3, 5)])
def test_who_begins_to_look_gets_a_snapshot_at_once(waiting_count, next_publish_ns):
    """Of what waits as soon as it is counted; of what there is where nothing waits."""
    assert look_once(is_watched=True, rests=True, waiting_count=waiting_count)._next_publish_ns == next_publish_ns


def test_what_somebody_did_does_not_wait():
    """An install, a calibration or an end of the log's stretch, though it becomes durable after what waited."""
    counting, _books, engine = make_counting(ManualClock(10**12))
    counting.add([event_frame(1)])
    go(counting)
    counting.add([gap_frame(2)])
    assert not go(counting)
    counting.add([event_frame(3)])
    assert go(counting)
    assert engine.sequence == 3
    counting.close()


def test_what_came_before_an_event_is_worked_off_before_it(monkeypatch):
    """It belongs to the dampers as they were."""
    counting, _books, engine = make_counting(ManualClock(10**12))
    told = []
    feed = engine.feed
    monkeypatch.setattr(engine, "feed", lambda frame, *, more: told.append((frame.sequence, more)) or feed(frame))
    counting.add([gap_frame(1), gap_frame(2), event_frame(3), gap_frame(4), gap_frame(5)])
    go(counting)
    assert told == [(1, True), (2, False), (3, True), (4, True), (5, False)]
    counting.close()


def test_fewer_seconds_of_more_dampers_are_worked_off_together():
    counting, _books, engine = make_counting(ManualClock())
    counting.close()
    assert engine.span_tiles * len(engine.vehicle.dampers) == SPAN_ROWS


def test_figures_do_not_depend_on_how_much_is_worked_off_together(tmp_path, monkeypatch):
    """One second at a time, some, or all there are."""
    Truck(tmp_path, monkeypatch).drive(40, 0)
    *frames, last = LogReader(tmp_path / "log").frames()

    def count(span_tiles):
        engine = Engine(make_vehicle())
        engine.span_tiles = span_tiles
        for frame in frames:
            engine.feed(frame, more=True)
        engine.feed(last)
        return {unit: duty.to_dict() for unit, duty in engine.duties().items()}

    each = count(1)
    assert sum(len(duty) for duty in each.values()) > 0
    assert count(3) == count(6) == count(36) == each


# real processes


@pytest.fixture
def core(tmp_path, start_core):
    """A core of the demo vehicle at its own pace."""
    settings = replace(make_demo_settings(tmp_path / "data"), pace=1.0)
    return start_core(settings, tmp_path / "side.jsonl")


@pytest.fixture
def outlet(tmp_path, core):
    """An outlet of it, once the vehicle drives."""
    with Outlet(tmp_path / "data") as found:
        wait_until(lambda: found.next()["moving"], "the vehicle drives")
        yield found
    assert core.process.poll() in (None, 0)


def test_snapshots_come_each_second_or_some_seconds_apart_as_outlets_say(outlet):
    """And the first after somebody began to look is of now, whatever was due."""
    assert set(outlet.steps_s(4)) <= EACH_SECOND
    outlet.say(RESTING)
    outlet.next()
    assert sum(outlet.steps_s(3)) >= 12
    rested = outlet.next()
    time.sleep(1.5)
    outlet.say(WATCHED)
    woken = outlet.next()
    assert 1 <= round(woken["mono_s"] - rested["mono_s"]) <= 4
    assert set(outlet.steps_s(3)) <= EACH_SECOND


def test_whoever_asks_for_signs_of_life_wakes_nobody_and_finds_them(tmp_path, outlet):
    """The supervisor asks every two seconds."""
    outlet.say(RESTING)
    outlet.next()
    sign, shown = core_sign(tmp_path / "data"), set()
    for _ in range(30):
        shown.add(sign())
        time.sleep(0.4)
    assert None not in shown
    assert 2 <= len(shown) <= 8


def test_commands_and_a_stop_are_seen_to_while_core_rests(tmp_path, core, outlet):
    """A command shows with the next beat at the latest; after a stop nothing is left uncounted."""
    data_dir = tmp_path / "data"
    outlet.say(RESTING)
    before = [outlet.next() for _ in range(2)][-1]
    first = before["dampers"][0]
    reply = send_command(data_dir, {"command": "remove", "unit": first["unit_id"]})
    assert reply["ok"], reply
    told = [outlet.next() for _ in range(2)]
    assert told[-1]["dampers"][0]["unit_id"] != first["unit_id"]
    assert told[-1]["mono_s"] - before["mono_s"] < 9.0
    core.process.send_signal(signal.SIGTERM)
    *_, last = (json.loads(line) for line in outlet._lines)
    status, _out, errors = core.finish()
    assert (status, errors) == (0, "")
    with Ledger.open(data_dir / LEDGER_NAME, read_only=True) as ledger:
        counted_us = max(value.measured_us + value.unmeasured_us for value in ledger.all_counted().values())
        assert counted_us / 1e6 == pytest.approx(last["mono_s"] - first_mono_s(data_dir), abs=1e-3)


def first_mono_s(data_dir):
    """Return when the travel in the log begins [s]."""
    frames = LogReader(data_dir / "log").frames()
    return next(frame.t0_ns for frame in frames if frame.type is FrameType.SAMPLES and frame.stream_id == 1) / 1e9


def ask(port, path):
    """Return the page's answer as an object."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=LIMIT_S)
    connection.request("GET", path)
    try:
        return json.loads(connection.getresponse().read())
    finally:
        connection.close()


def assert_open_screen_keeps_it_awake(one):
    """For longer than anything else would; and what it is told first is new."""
    screen = http.client.HTTPConnection("127.0.0.1", one.port, timeout=LIMIT_S)
    screen.request("GET", "/events")
    lines = screen.getresponse()
    with Outlet(one.data_dir, RESTING) as outlet:
        outlet.next()
        assert set(outlet.steps_s(int(LINGER_S) + 3)) <= EACH_SECOND
    first = next(line for line in iter(lines.readline, b"") if line.startswith(b'data: {"schema'))
    assert json.loads(first.removeprefix(b"data: "))["age_s"] < 1.5
    lines.close()
    screen.close()


def test_the_page_lets_core_rest_and_shows_the_vehicle_of_now_to_the_first_who_looks(daemon):  # noqa: F811
    """Not what core said some seconds ago; and the same with a core that was started anew."""
    one = daemon("--pace", "1")
    wait_until(one.strokes, "strokes on the page")
    for _ in range(2):
        with Outlet(one.data_dir, RESTING) as outlet:
            wait_until(lambda outlet=outlet: outlet.steps_s(1)[0] >= 5, "core rests")
            rested = outlet.next()
            time.sleep(3.0)
            live = ask(one.port, "/api/live")
        assert live["link"] == "live"
        assert live["age_s"] < 1.5
        assert round(live["snapshot"]["mono_s"] - rested["mono_s"]) >= 2
        assert ask(one.port, "/health.json")["age_s"] < 1.5
        assert_open_screen_keeps_it_awake(one)
        os.kill(one.child("dutylog.daemon.core"), signal.SIGKILL)
        boot_id = live["snapshot"]["boot_id"]
        wait_until(lambda old=boot_id: (s := one.snapshot()) and s["boot_id"] != old, "a new core")
