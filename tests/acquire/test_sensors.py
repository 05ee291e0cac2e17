"""Several lines to sensors as one source: who is lost leaves the others alone, and what is owed is said."""

from __future__ import annotations

import queue
import threading
import time

import numpy as np
import pytest

from dutylog.acquire.driver import ChannelState, DriverState, Plan, Rows
from dutylog.acquire.sensors import LOOSE_S, QUEUE_RUNS, SILENT_NS, SensorSource
from dutylog.clock import ManualClock
from dutylog.config.sensors import (
    AdcInput,
    AdcSettings,
    BridgeSettings,
    ChipPlace,
    GpsSettings,
    SensorSettings,
    ThermocoupleSettings,
)
from dutylog.errors import SourceLost, WrongDevice
from dutylog.recording.block import BODY_TEMPERATURE, TRAVEL, Channel
from dutylog.recording.framer import SOURCE_LOST
from dutylog.units import FS_PER_S, NS_PER_S

MS_NS = 1_000_000
TRAVEL_PLAN = Plan("travel", "i2", FS_PER_S // 1000, (Channel("left", TRAVEL, "count"),))
BODY_PLAN = Plan("temperatures", "f4", FS_PER_S // 10, (Channel("left", BODY_TEMPERATURE, "c"),))
LIMIT_S = 20.0


class ScriptedDriver:
    """Hands on what a test puts, raises what a test puts; `is_settled` once all of it was taken."""

    def __init__(self, name, plan, is_clocked):
        self.name, self.plans, self.is_clocked = name, (plan,), is_clocked
        self._script = queue.Queue()
        self.opened_at = []
        self.refusals = []
        self.closed_count = self._handed_count = 0

    def open(self, t0_ns):
        if self.refusals:
            raise self.refusals.pop(0)
        self.opened_at.append(t0_ns)

    def read(self, limit_s):
        # Done only when the line comes back for more: then it has put the rows where core finds them.
        for _ in range(self._handed_count):
            self._script.task_done()
        self._handed_count = 0
        try:
            item = self._script.get(timeout=0.01)
        except queue.Empty:
            return []
        self._handed_count = 1
        if isinstance(item, Exception):
            raise item
        return item

    def close(self):
        self.closed_count += 1

    def state(self):
        channels = (ChannelState("left", TRAVEL, "working"),)
        return DriverState(self.name, "working", "", {"rows": 1}, channels)

    def probe(self):
        return []

    def is_settled(self):
        return self._script.unfinished_tasks == 0

    def put(self, *items):
        for item in items:
            self._script.put(item)


def wait_until(predicate):
    end = time.monotonic() + LIMIT_S
    while not predicate():
        assert time.monotonic() < end
        time.sleep(0.002)


def travel(index, count, t0_ns, period_fs=FS_PER_S // 1000, value=7):
    return [Rows(0, index, t0_ns, period_fs, np.full((count, 1), value, dtype="<i2"))]


def body(index, t0_ns, value=40.0):
    return [Rows(0, index, t0_ns, FS_PER_S // 10, np.full((1, 1), value, dtype="<f4"))]


@pytest.fixture
def clock():
    return ManualClock(mono_ns=100 * NS_PER_S)


@pytest.fixture
def make(clock):
    made = []

    def start(*drivers):
        source = SensorSource(drivers, clock)
        made.append(source)
        source.start(1, {})
        return source

    yield start
    for source in made:
        source.close()


def read_until(source, predicate):
    """Read batches, a tenth of a second of the manual clock each, until one fits; return all of them."""
    batches = []

    def look():
        batches.append(source.read_batch())
        return predicate(batches[-1])

    wait_until(look)
    return batches


def test_streams_are_numbered_in_the_order_of_the_lines(make):
    """The log names a stream by its number; the same vehicle file gives the same numbers."""
    source = make(ScriptedDriver("bridge", TRAVEL_PLAN, True), ScriptedDriver("i2c-1", BODY_PLAN, False))
    assert [(s.stream_id, s.name, s.dtype) for s in source.streams] == [(1, "travel", "i2"), (2, "temperatures", "f4")]
    assert source.text == "bridge, i2c-1"
    assert source.resumable is False


def test_rows_become_blocks_that_begin_at_the_epochs_index_zero(make, clock):
    """A device counts on from one epoch to the next; an epoch's own count begins at 0."""
    bridge = ScriptedDriver("bridge", TRAVEL_PLAN, True)
    source = make(bridge)
    bridge.put(travel(5000, 40, clock.mono_ns()), travel(5040, 40, clock.mono_ns() + 40 * MS_NS))
    blocks = []
    read_until(source, lambda batch: blocks.extend(batch.blocks) or len(blocks) == 2)
    assert [(b.first_index, len(b.data), b.epoch) for b in blocks] == [(0, 40, 1), (40, 40, 1)]
    assert blocks[1].t0_ns - blocks[0].t0_ns == 40 * MS_NS


def test_a_jump_of_the_index_stays_a_jump(make, clock):
    """Rows that the device lost are a gap of the log, not a time that closes up."""
    bridge = ScriptedDriver("bridge", TRAVEL_PLAN, True)
    source = make(bridge)
    bridge.put(travel(0, 40, clock.mono_ns()), travel(100, 40, clock.mono_ns() + 100 * MS_NS))
    blocks = []
    read_until(source, lambda batch: blocks.extend(batch.blocks) or len(blocks) == 2)
    assert blocks[1].first_index == 100


def test_a_silent_travel_line_has_gaps_while_the_other_line_goes_on(make, clock):
    """The bridge is unplugged: temperatures still come, and time without travel is counted as such."""
    bridge = ScriptedDriver("bridge", TRAVEL_PLAN, True)
    chips = ScriptedDriver("i2c-1", BODY_PLAN, False)
    source = make(bridge, chips)
    start_ns = clock.mono_ns()
    bridge.put(travel(0, 100, start_ns), SourceLost("unplugged"))
    bridge.refusals = [SourceLost("not there")] * 10_000
    chips.put(body(0, start_ns), body(1, start_ns + 100 * MS_NS))
    batches = read_until(source, lambda _: clock.mono_ns() - start_ns > 6 * NS_PER_S)
    gaps = [gap for batch in batches for gap in batch.gaps]
    assert [gap.until_index for gap in gaps] == [1000, 2000, 3000, 4000]
    assert {gap.reason for gap in gaps} == {SOURCE_LOST}
    assert all(gap.known_ns - SILENT_NS >= start_ns + gap.until_index * MS_NS for gap in gaps)
    assert [b.stream.name for batch in batches for b in batch.blocks].count("temperatures") == 2
    assert not any(batch.ends_epoch for batch in batches)
    wait_until(lambda: source.devices()[0].text == "not there")
    state = source.devices()[0]
    assert (state.word, state.text, state.counters["lost"]) == ("lost", "not there", 1)


def test_a_line_that_never_came_owes_its_travel_from_the_start(make, clock):
    """Nothing is plugged in when the vehicle starts: the time passes all the same."""
    bridge = ScriptedDriver("bridge", TRAVEL_PLAN, True)
    bridge.refusals = [SourceLost("not there")] * 10_000
    start_ns = clock.mono_ns()
    source = make(bridge)
    batches = read_until(source, lambda _: clock.mono_ns() - start_ns > 4 * NS_PER_S)
    gaps = [gap for batch in batches for gap in batch.gaps]
    assert [(gap.until_index, gap.index, gap.t0_ns) for gap in gaps] == [(1000, 0, start_ns), (2000, 0, start_ns)]


def test_a_clocked_line_that_comes_back_begins_a_new_epoch_after_all_that_was_owed(make, clock):
    """Its ticks began anew, so its rows can't lie on the old grid; the gap ends where they begin."""
    bridge = ScriptedDriver("bridge", TRAVEL_PLAN, True)
    source = make(bridge)
    start_ns = clock.mono_ns()
    bridge.put(travel(0, 100, start_ns), SourceLost("unplugged"))
    wait_until(lambda: bridge.closed_count > 0)
    source.read_batch()
    back_ns = start_ns + 2500 * MS_NS
    bridge.put(travel(7, 40, back_ns))
    wait_until(bridge.is_settled)
    clock.advance((back_ns + 80 * MS_NS - clock.mono_ns()) / 1e9)
    last = source.read_batch()
    assert last.ends_epoch == "bridge began anew"
    assert [gap.until_index for gap in last.gaps] == [2500]
    assert last.blocks == ()
    source.start(2, {})
    found = read_until(source, lambda batch: bool(batch.blocks))[-1]
    assert [(b.epoch, b.first_index, b.t0_ns) for b in found.blocks] == [(2, 0, back_ns)]


def test_a_line_timed_by_us_goes_on_in_the_same_epoch(make, clock):
    """A chip that comes back lies on the same grid: no reason to begin anew for the others."""
    chips = ScriptedDriver("i2c-1", BODY_PLAN, False)
    source = make(chips)
    start_ns = clock.mono_ns()
    chips.put(body(0, start_ns), SourceLost("gone"), body(20, start_ns + 2 * NS_PER_S))
    blocks = []
    batches = read_until(source, lambda batch: blocks.extend(batch.blocks) or len(blocks) == 2)
    assert [b.first_index for b in blocks] == [0, 20]
    assert not any(batch.ends_epoch or batch.gaps for batch in batches)
    assert len(set(chips.opened_at)) == 1


def test_rows_that_come_after_their_gap_was_told_are_left_out(make, clock):
    """The log takes no row twice; one that was given up stays given up."""
    bridge = ScriptedDriver("bridge", TRAVEL_PLAN, True)
    source = make(bridge)
    start_ns = clock.mono_ns()
    bridge.put(travel(0, 100, start_ns))
    read_until(source, lambda batch: any(gap.until_index >= 2000 for gap in batch.gaps))
    bridge.put(travel(100, 40, start_ns + 100 * MS_NS), travel(5000, 40, start_ns + 5 * NS_PER_S))
    blocks = read_until(source, lambda batch: bool(batch.blocks))[-1].blocks
    assert [b.first_index for b in blocks] == [5000]


def test_a_plug_that_rattles_is_asked_less_and_less_often(make, clock, monkeypatch):
    """Each time it comes back an epoch and a file of the log begin: not every second, all day."""
    waits = []
    plain = threading.Event.wait
    monkeypatch.setattr(threading.Event, "wait", lambda self, s=None: waits.append(s) or plain(self, min(s or 0, 0.01)))
    bridge = ScriptedDriver("bridge", TRAVEL_PLAN, True)
    make(bridge)
    bridge.put(*[SourceLost("gone")] * 9)
    wait_until(lambda: len(bridge.opened_at) == 10)
    found = [wait for wait in waits if wait in LOOSE_S]
    assert found[:9] == [0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 10.0, 10.0]


def test_a_fault_of_ours_in_one_line_is_said_and_ends_neither_it_nor_the_others(make, clock, capsys):
    """Nobody looks at a thread that died; its last word would go on saying 'working'."""
    bridge = ScriptedDriver("bridge", TRAVEL_PLAN, True)
    chips = ScriptedDriver("i2c-1", BODY_PLAN, False)
    source = make(bridge, chips)
    bridge.put(ZeroDivisionError("of ours"), travel(0, 40, clock.mono_ns()))
    chips.put(body(0, clock.mono_ns()))
    wait_until(lambda: source.devices()[0].counters["lost"] == 1)
    names = set()
    read_until(source, lambda batch: names.update(b.stream.name for b in batch.blocks) or len(names) == 2)
    assert "ZeroDivisionError: of ours" in capsys.readouterr().err


def test_what_answers_wrongly_is_said_apart_from_what_is_lost(make):
    """'Plug it in' is no remedy where something else sits at the port."""
    bridge = ScriptedDriver("bridge", TRAVEL_PLAN, True)
    bridge.refusals = [WrongDevice("a receiver answers here; set [bridge] device")] * 10_000
    source = make(bridge)
    wait_until(lambda: source.devices()[0].word == "wrong")
    assert source.devices()[0].text == "a receiver answers here; set [bridge] device"


def test_more_rows_than_may_wait_drop_the_oldest_and_count_them(make, clock):
    """Core that doesn't come for a minute costs memory only up to a bound."""
    bridge = ScriptedDriver("bridge", TRAVEL_PLAN, True)
    source = make(bridge)
    for number in range(QUEUE_RUNS + 10):
        bridge.put(travel(number, 1, clock.mono_ns() + number * MS_NS))
    wait_until(lambda: source.devices()[0].counters["dropped_runs"] == 10)
    blocks = read_until(source, lambda batch: bool(batch.blocks))[-1].blocks
    assert len(blocks) == QUEUE_RUNS


def test_raw_counts_are_the_mean_of_the_last_second_with_their_noise(make, clock):
    """Whoever calibrates reads them; noise is that of the sensor, not of the motion."""
    bridge = ScriptedDriver("bridge", TRAVEL_PLAN, True)
    source = make(bridge)
    rng = np.random.default_rng(5)
    rows = np.rint(rng.normal(12_000, 6.0, (1000, 1)) + np.linspace(0, 400, 1000)[:, None]).astype("<i2")
    bridge.put([Rows(0, 0, clock.mono_ns(), FS_PER_S // 1000, rows)])
    read_until(source, lambda batch: bool(batch.blocks))
    raw = source.raw_travel()["left"]
    assert raw.mean == rows.mean()
    # Standard error of a standard deviation from n values is sigma / sqrt(2 n): 2.2 % here, four of them.
    assert raw.noise == pytest.approx(6.0, rel=0.09)
    for _ in range(11):
        source.read_batch()
    assert source.raw_travel() == {}


def test_close_ends_every_line_and_may_be_called_twice(make):
    """A stop leaves no device open."""
    bridge = ScriptedDriver("bridge", TRAVEL_PLAN, True)
    source = make(bridge)
    wait_until(lambda: bool(bridge.opened_at))
    source.close()
    source.close()
    assert bridge.closed_count == 1


def test_settings_survive_the_way_to_core():
    """The supervisor hands them over as one line of JSON."""
    import json

    place = ChipPlace(1, 0x60, 0x70, 3)
    settings = SensorSettings(
        BridgeSettings("/dev/ttyACM0", ("left", "", "right"), 500, 12.5),
        (ThermocoupleSettings("left", place, "T"), ThermocoupleSettings("", ChipPlace(1, 0x61))),
        (AdcSettings(place, "ADS1115", 4.096, (AdcInput(0, "battery_voltage", "", ((0.0, 0.0), (3.0, 15.0))),)),),
        GpsSettings("/dev/serial0", 4800),
    )
    assert SensorSettings.from_dict(json.loads(json.dumps(settings.to_dict()))) == settings
    assert SensorSettings.from_dict(json.loads(json.dumps(SensorSettings().to_dict()))) == SensorSettings()
