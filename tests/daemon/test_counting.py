"""Counting goes on beside sampling: blocks don't wait for it, and nothing is counted twice or left out."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from dataclasses import replace

import pytest

from daemon.counted import POSITIONS, CountsSource, Truck, make_vehicle
from dutylog.clock import SystemClock
from dutylog.daemon import core as core_module
from dutylog.daemon import counting as counting_module
from dutylog.daemon.bookkeeper import Bookkeeper, EngineState, Wanted
from dutylog.daemon.core_settings import CoreSettings
from dutylog.daemon.counting import Counting
from dutylog.daemon.disk_trouble import DiskTrouble, Trouble
from dutylog.daemon.kept_states import KeptStates
from dutylog.daemon.supervisor import FINAL_STATUS
from dutylog.duty.totals import Totals
from dutylog.engine.engine import Engine, is_named
from dutylog.errors import LedgerCorrupt, LedgerError
from dutylog.heat.vehicle_heat import VehicleHeat
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.rows import Stamp
from dutylog.recording.frame import Frame, FrameType

SECONDS = 40


class PacedSource(CountsSource):
    """A second of travel every few milliseconds, so that hours of commits take a moment."""

    def __init__(self, seconds, gap_s, core):
        super().__init__(seconds, 0)
        self._gap_s, self._core = gap_s, core
        self.taken_while_counting = 0

    def read_batch(self):
        time.sleep(self._gap_s)
        self.taken_while_counting += self._core().is_counting
        return super().read_batch()


class SlowCore(core_module.Core):
    """Counting takes as long as a test wants; `most_waiting` is the most frames that waited for it."""

    pause_s = 0.0
    is_counting = False
    most_waiting = most_fed = 0
    threads: frozenset[int] = frozenset()

    def _restore(self):
        restored = super()._restore()
        feed = restored.engine.feed

        def feed_slowly(frame, **options):
            self.is_counting = True
            self.threads |= {threading.get_ident()}
            time.sleep(self.pause_s)
            try:
                return feed(frame, **options)
            finally:
                self.is_counting = False

        restored.engine.feed = feed_slowly
        return restored

    def _feed(self, frames):
        super()._feed(frames)
        self.most_fed = max(self.most_fed, len(frames))
        self.most_waiting = max(self.most_waiting, self._counting.waiting_count)


def drive(data, monkeypatch, seconds, *, gap_s, pause_s, pace=1.0, is_watched=True):
    """Run such a core to the source's end; return it and the source."""
    vehicle = make_vehicle()
    settings = CoreSettings(vehicle, data, "sensors", pace=pace, exit_at_end=True)
    core = SlowCore(settings, SystemClock(), lambda _line: None)
    core.pause_s = pause_s
    source = PacedSource(seconds, gap_s, lambda: core)
    monkeypatch.setattr(core_module, "open_source", lambda *_: source)
    monkeypatch.setattr(core_module.LiveEndpoint, "is_watched", is_watched)
    monkeypatch.setattr(core_module, "COMMIT_NS", 20_000_000)
    monkeypatch.setattr(core_module, "SHOW_NS", 20_000_000)
    monkeypatch.setattr(counting_module, "HOT_NS", 60_000_000)
    core.run()
    return core, source


def totals_of(data):
    """Return what the ledger holds, by serial."""
    with Ledger.open(data / LEDGER_NAME, read_only=True) as ledger:
        return {unit.serial: ledger.all_totals()[unit.unit_id].as_row() for unit in ledger.units()}


@pytest.fixture(scope="module")
def plain(tmp_path_factory):
    """The same drive by a core that counts before it reads on."""
    truck = Truck(tmp_path_factory.mktemp("plain"), monkeypatch := pytest.MonkeyPatch())
    truck.drive(SECONDS, 0)
    monkeypatch.undo()
    assert len(totals_of(truck.data)) == len(POSITIONS)
    return totals_of(truck.data)


def test_blocks_are_taken_while_a_second_is_counted(tmp_path, monkeypatch, plain):
    """Counting four times slower than blocks come, in a thread that isn't the one that reads."""
    core, source = drive(tmp_path, monkeypatch, SECONDS, gap_s=0.01, pause_s=0.01)
    assert source.taken_while_counting > SECONDS / 4
    assert core._seq > SECONDS / 8  # what is counted is shown though the next is always under way
    assert threading.get_ident() not in core.threads
    assert totals_of(tmp_path) == plain


def test_a_source_too_fast_for_the_processor_waits_for_it(tmp_path, monkeypatch, plain):
    """What isn't counted yet never piles up: not more than one commit of the log waits, beside the one under way."""
    core, _source = drive(tmp_path, monkeypatch, SECONDS, gap_s=0.001, pause_s=0.05)
    assert 0 < core.most_waiting == core.most_fed
    assert totals_of(tmp_path) == plain


def test_what_goes_wrong_while_counting_ends_core_as_before(tmp_path, monkeypatch):
    """A damaged ledger is met by the thread that counts; core must hear of it."""

    def refuse(_self, _unit_id, _position):
        raise LedgerCorrupt("the ledger is damaged")

    monkeypatch.setattr(KeptStates, "heat", refuse)
    with pytest.raises(LedgerCorrupt, match="damaged"):
        drive(tmp_path, monkeypatch, SECONDS, gap_s=0.001, pause_s=0.0)


def wait_for(predicate):
    """Wait until something is so, half a minute at most."""
    deadline_s = time.monotonic() + 30.0
    while not predicate() and time.monotonic() < deadline_s:
        time.sleep(0.002)


class Books:
    """Stands for the books: always ready to store, and remembers what."""

    is_open = wants_all = False

    def __init__(self):
        self.stored = []

    def want_all(self):
        self.wants_all = True

    def wanted(self):
        wanted, self.wants_all = Wanted(everything=self.wants_all, heat=self.wants_all), False
        return wanted

    def store(self, state):
        self.stored.append(state)

    def keep(self, minutes, trips):
        pass

    def finish(self):
        pass


@pytest.mark.parametrize("is_due", [True, False])
def test_a_unit_that_comes_is_in_one_whole_commit(is_due):
    """Whether totals were due just then or not; told twice it would be two points in time."""
    books, clock = Books(), SystemClock()
    engine, trouble = Engine(make_vehicle()), DiskTrouble(clock, lambda _line: None)
    counting = Counting(engine, VehicleHeat(), books, trouble, clock, waits=True)
    if is_due:
        counting.store_soon()
    install = {"kind": "install", "position": "front_left", "unit_id": "unit-1", "serial": "SN-1"}
    counting.add([Frame(FrameType.EVENT, 1, 1, 0, data=install)])
    for _ in range(4):
        counting.begin(is_due=True)
        counting.finish()
    counting.close()
    (state,) = books.stored
    assert state.sequence == 1
    assert state.cold is not None
    assert state.cold.keys() == state.hot.keys() == {"unit-1"}
    assert state.checkpoint is not None


def test_a_commit_whose_outcome_nobody_took_is_not_begun_over():
    """It may have ended since it was looked at; its rows are still held, and its error still to be told."""
    books, clock = Books(), SystemClock()
    trouble = DiskTrouble(clock, lambda _line: None)
    counting = Counting(Engine(make_vehicle()), VehicleHeat(), books, trouble, clock, waits=True)
    books.is_open = True
    counting.store_soon()
    counting.begin(is_due=True)
    counting.finish()
    assert books.stored == []
    books.is_open = False
    counting.begin(is_due=True)
    counting.finish()
    counting.close()
    assert len(books.stored) == 1


class Unreadable(SlowCore):
    """The twelfth second can't be counted just then; by that time another commit waits and somebody says stop."""

    seconds = 0
    has_failed = False

    def _restore(self):
        restored = super()._restore()
        feed = restored.engine.feed

        def feed_or_fail(frame, **options):
            self.seconds += frame.stream_id == 1 and frame.block is not None
            if self.seconds == 12 and not self.has_failed:
                self.has_failed = True
                wait_for(lambda: self._counting.waiting_count)
                self.stop()
                wait_for(lambda: not self.is_running)
                raise LedgerError("the ledger can't be read just now")
            return feed(frame, **options)

        restored.engine.feed = feed_or_fail
        return restored


def test_a_stop_while_counting_fails_stores_nothing_past_what_was_counted(tmp_path, monkeypatch):
    """The next start counts what the log has behind the stored totals, so there must be no hole before them."""
    settings = CoreSettings(make_vehicle(), tmp_path, "sensors", pace=1.0, exit_at_end=True)
    core = Unreadable(settings, SystemClock(), lambda _line: None)
    monkeypatch.setattr(core_module, "open_source", lambda *_: PacedSource(25, 0.02, lambda: core))
    monkeypatch.setattr(core_module, "COMMIT_NS", 100_000_000)
    monkeypatch.setattr(counting_module, "HOT_NS", 200_000_000)
    with pytest.raises(LedgerError, match="just now"):
        core.run()
    assert core.has_failed
    monkeypatch.undo()
    truck = Truck(tmp_path, monkeypatch)
    truck.drive(1, 1000)
    engine = truck.fresh(make_vehicle())
    assert truck.totals() == {unit: value for unit, value in engine.totals().items() if is_named(unit)}


FAILS = """
import sys
from dutylog.daemon import core

def run(self):
    self.is_running = sys.argv[1] == "running"
    raise core.LedgerError("ledger: it can't be read just now")

core.Core.run = run
sys.exit(core.main())
"""


@pytest.mark.parametrize(("when", "status"), [("running", core_module.EXIT_AGAIN), ("starting", FINAL_STATUS)])
def test_a_ledger_that_fails_while_core_runs_is_worth_another_start(tmp_path, when, status):
    """A unit came just then; at a start the same is final, so that nobody waits for what can't be."""
    settings = CoreSettings(make_vehicle(), tmp_path, "sensors").to_json() + "\n"
    words = [sys.executable, "-c", FAILS, when]
    ended = subprocess.run(words, input=settings, capture_output=True, text=True, timeout=60, check=False)
    assert ended.returncode == status
    assert core_module.EXIT_AGAIN not in (0, FINAL_STATUS)
    assert ended.stderr == "dutylog: ledger: it can't be read just now\n"


def test_dampers_added_after_a_kill_are_counted(tmp_path, monkeypatch):
    """What was under way is worked off with the dampers of then."""
    killed = os.fork()
    if not killed:
        Truck(tmp_path, pytest.MonkeyPatch()).drive(30, 0, at={25: lambda: os._exit(9)})
    assert os.waitstatus_to_exitcode(os.waitpid(killed, 0)[1]) == 9
    truck = Truck(tmp_path, monkeypatch)
    one = truck.vehicle.dampers[0]
    more = tuple(
        replace(one, position=name, wheel=name, serial=f"SN-{name}", calibration=()) for name in ("lift", "seat")
    )
    truck.vehicle = replace(truck.vehicle, dampers=truck.vehicle.dampers + more)
    truck.drive(10, 100)
    assert len(truck.totals()) == len(POSITIONS) + len(more)


def test_a_state_that_came_too_early_is_asked_for_again(tmp_path):
    """Behind a truncated log totals lie below stored ones for a while; what was asked for is not forgotten."""
    clock = SystemClock()
    stamp = Stamp(0, False, 0, "boot")
    with Ledger.open(tmp_path / LEDGER_NAME) as ledger:
        unit = ledger.add_unit("SN-1", "linear").unit_id
    trouble = Trouble(clock, lambda _line: None, "the ledger", "totals wait")
    before = {unit: Totals(strokes_count=10)}
    books = Bookkeeper(tmp_path / LEDGER_NAME, lambda: stamp, clock, trouble, VehicleHeat(), 5, before)
    books.want_all()
    assert books.wanted() == Wanted(everything=True, heat=True)
    assert not books.wants_all
    books.store(EngineState(6, {unit: Totals(strokes_count=9)}, None, {unit: b"state"}, b"checkpoint", {}))
    assert not books.is_busy
    assert books.wants_all
    books.store(EngineState(7, {unit: Totals(strokes_count=10)}, None, {unit: b"state"}, b"checkpoint", {}))
    assert books.is_busy or books.finish()
    books.close(EngineState(8, before, None, {unit: b"state"}, b"checkpoint", {}), 10.0)
