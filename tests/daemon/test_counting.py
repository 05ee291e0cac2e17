"""Counting goes on beside sampling: blocks don't wait for it, and nothing is counted twice or left out."""

from __future__ import annotations

import threading
import time

import pytest

from daemon.counted import POSITIONS, CountsSource, Truck, make_vehicle
from dutylog.clock import SystemClock
from dutylog.daemon import core as core_module
from dutylog.daemon.bookkeeper import Bookkeeper
from dutylog.daemon.core_settings import CoreSettings
from dutylog.daemon.counting import EngineState, Wanted
from dutylog.daemon.disk_trouble import Trouble
from dutylog.duty.totals import Totals
from dutylog.errors import LedgerCorrupt
from dutylog.heat.vehicle_heat import VehicleHeat
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.rows import Stamp

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
    most_waiting = 0
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

    def _go_on_counting(self, *, is_due):
        self.most_waiting = max(self.most_waiting, len(self._uncounted))
        super()._go_on_counting(is_due=is_due)


def drive(data, monkeypatch, seconds, *, gap_s, pause_s, pace=1.0):
    """Run such a core to the source's end; return it and the source."""
    vehicle = make_vehicle()
    settings = CoreSettings(vehicle, data, "sensors", pace=pace, exit_at_end=True)
    core = SlowCore(settings, SystemClock(), lambda _line: None)
    core.pause_s = pause_s
    source = PacedSource(seconds, gap_s, lambda: core)
    monkeypatch.setattr(core_module, "open_source", lambda *_: source)
    monkeypatch.setattr(core_module, "COMMIT_NS", 20_000_000)
    monkeypatch.setattr(core_module, "HOT_NS", 60_000_000)
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
    """What isn't counted yet never piles up: not more than one commit of the log waits."""
    core, _source = drive(tmp_path, monkeypatch, SECONDS, gap_s=0.001, pause_s=0.05)
    assert 0 < core.most_waiting < SECONDS
    assert totals_of(tmp_path) == plain


def test_what_goes_wrong_while_counting_ends_core_as_before(tmp_path, monkeypatch):
    """A damaged ledger is met by the thread that counts; core must hear of it."""

    def refuse(_self, _unit_id, _position):
        raise LedgerCorrupt("the ledger is damaged")

    monkeypatch.setattr(core_module.Core, "_load_heat", refuse)
    with pytest.raises(LedgerCorrupt, match="damaged"):
        drive(tmp_path, monkeypatch, SECONDS, gap_s=0.001, pause_s=0.0)


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
