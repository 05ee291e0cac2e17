"""Memory that doesn't grow with the time a process has run: what is counted is blocks, not pages of the system."""

from __future__ import annotations

import ctypes
import gc
import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

import numpy as np
import pytest

from benchmark_source import COUNTS, write_vehicle
from daemon.processes import LIMIT_S, wait_until
from dutylog import config
from dutylog.clock import ManualClock, read_kernel_clock
from dutylog.config.settings import LogSettings
from dutylog.daemon import core as core_module
from dutylog.daemon.core import GARBAGE_OBJECTS, Core
from dutylog.daemon.core_settings import CoreSettings
from dutylog.daemon.heal import Folder
from dutylog.daemon.supervisor import HEAP
from dutylog.daemon.upkeep import FIRST_NS, Upkeep, make_rule
from dutylog.memory import give_back, keep_what_is_loaded
from dutylog.recording.block import BODY_TEMPERATURE, SPEED, TRAVEL, Block, Channel, Stream
from dutylog.recording.source import Batch
from dutylog.units import FS_PER_S, NS_PER_S
from ledger.builders import fill, make_stamp, open_ledger

TESTS = Path(__file__).parents[1]
KEPT = 500
"""Blocks that may come and go with a few rounds. Each of these tests leaves thousands where nothing gives back."""
KEPT_BY_CORE = 700
"""Of core: rows on their way, and up to 200 cursors that SQLite's module remembers. Measured over hour and a half:
350; 1100 where only its tuples stay, 6000 where garbage stays, too."""


@pytest.fixture(autouse=True)
def searched_as_in_core() -> Iterator[None]:
    """Search for garbage as seldom as core does."""
    thresholds = gc.get_threshold()
    keep_what_is_loaded()
    gc.set_threshold(GARBAGE_OBJECTS)
    yield
    gc.set_threshold(*thresholds)
    gc.unfreeze()


def leave_tuples() -> None:
    """Free tuples of lengths that weren't known when they were begun: the interpreter keeps those."""
    for length in range(1, 20):
        for _ in range(500):
            tuple(n for n in range(length))


def test_asking_whether_the_clock_is_trusted_leaves_no_garbage() -> None:
    """Core asks twice a second."""
    read_kernel_clock()
    gc.collect()
    for _ in range(50):
        read_kernel_clock()
    assert gc.collect() == 0


def test_giving_back_leaves_no_garbage_of_its_own() -> None:
    give_back()
    for _ in range(10):
        give_back()
    assert gc.collect() == 0


def test_what_the_interpreter_keeps_of_freed_tuples_is_given_back() -> None:
    give_back()
    before = sys.getallocatedblocks()
    leave_tuples()
    give_back()
    assert sys.getallocatedblocks() - before < KEPT


def test_each_round_of_upkeep_gives_back(tmp_path: Path) -> None:
    ledger, clock = open_ledger(tmp_path), ManualClock()
    fill(ledger)
    upkeep = Upkeep(Folder(tmp_path, tmp_path / "log", make_stamp, print), clock, make_rule(LogSettings()))
    blocks = []
    for seconds in (FIRST_NS / NS_PER_S, 300.0, 300.0):
        leave_tuples()
        clock.advance(seconds)
        upkeep.poll()
        wait_until(lambda: not upkeep._errand.is_busy, "the end of a round")
        upkeep.poll()
        blocks.append(sys.getallocatedblocks())
    upkeep.close(clock.mono_ns() + 5 * NS_PER_S)
    ledger.close()
    assert max(blocks[1:]) - blocks[0] < KEPT


HEAP_PROGRAM = """
import ctypes, sys
import dutylog.daemon.core
from dutylog.memory import keep_what_is_loaded

class Info(ctypes.Structure):
    _fields_ = [(name, ctypes.c_size_t) for name in "arena b c d mapped f g used i j".split()]

libc = ctypes.CDLL(None)
libc.mallinfo2.restype = Info
"""
"""Nothing but what core loads. mallinfo2: arena, as far as the heap reaches, mapped beside it, and used [B].
Source: mallinfo2(3), glibc 2.33."""
NAMES_PROGRAM = """
keep_what_is_loaded()
before = libc.mallinfo2()
for number in range(40_000):
    sys.intern(f"/part {number}")
after = libc.mallinfo2()
print(after.mapped + after.used - before.mapped - before.used)
"""
"""Many names in use for a moment, as paths use them."""
BACKLOG_PROGRAM = """
import json
from pathlib import Path
from daemon.test_memory import LENGTHS_S, run_core
from dutylog.memory import give_back

def heap():
    give_back()
    return libc.mallinfo2().arena

keep_what_is_loaded()
print(json.dumps(run_core(Path(sys.argv[1]), 1000, LENGTHS_S, heap).tolist()))
"""
SECONDS = 150
LENGTHS_S = [1] * SECONDS + [36] * 4 + [1] * 10
"""Second by second, then a disk that stalls for 36 s now and then, then on as before."""

needs_mallinfo2 = pytest.mark.skipif(
    not hasattr(ctypes.CDLL(None), "mallinfo2"), reason="the C library doesn't tell what it holds"
)


def run_alone(program: str, folder: Path) -> str:
    """Run a program in the environment that the supervisor gives; return what it says."""
    env = os.environ | HEAP | {"PYTHONPATH": os.pathsep.join([*sys.path, str(TESTS), str(TESTS.parent)])}
    command = [sys.executable, "-c", HEAP_PROGRAM + program, str(folder)]
    return subprocess.run(command, capture_output=True, text=True, check=True, env=env).stdout


@needs_mallinfo2
def test_names_of_files_that_come_and_go_take_nothing_more_once_core_is_loaded(tmp_path: Path) -> None:
    assert int(run_alone(NAMES_PROGRAM, tmp_path)) < 100_000


class Sine:
    """A source of motion in batches of given lengths [s] that moves the clock on by them.

    note: asked before each batch, once nothing is under way any more; its answers are in `noted`.
    """

    kind, text, resumable = "benchmark", "a sine", False

    def __init__(self, positions, rate_hz, lengths_s, clock, note) -> None:
        self._rate_hz, self._lengths_s, self._clock, self._note = rate_hz, lengths_s, clock, note
        self._batch = self._epoch = self._t0_ns = self._second = 0
        self.noted = np.zeros(len(lengths_s), dtype=np.int64)
        self.wait = lambda: None
        travel = tuple(Channel(position, TRAVEL, "count") for position in positions)
        slow = (*(Channel(position, BODY_TEMPERATURE, "c") for position in positions), Channel("", SPEED, "mps"))
        self.streams = (
            Stream(1, "travel", "i2", FS_PER_S // rate_hz, travel),
            Stream(2, "slow", "f4", FS_PER_S, slow),
        )

    def start(self, epoch: int, next_index: Mapping[int, int]) -> None:
        self._epoch, self._t0_ns = epoch, self._clock.mono_ns()

    def read_batch(self) -> Batch | None:
        self.wait()
        if self._batch == len(self._lengths_s):
            return None
        self.noted[self._batch] = self._note()
        length_s, self._batch = self._lengths_s[self._batch], self._batch + 1
        self._clock.advance(float(length_s))
        first, self._second = self._second, self._second + length_s
        time_s = first + np.arange(length_s * self._rate_hz) / self._rate_hz
        wave = np.sin(2 * np.pi * 1.3 * time_s) * np.sin(2 * np.pi * 0.11 * time_s)
        travel = np.rint(COUNTS * (0.5 + 0.4 * wave)).astype("<i2")[:, None].repeat(len(self.streams[0].channels), 1)
        slow = np.full((length_s, len(self.streams[1].channels)), 40.0, dtype="<f4")
        return Batch((self._block(0, first * self._rate_hz, travel), self._block(1, first, slow)))

    def close(self) -> None:
        """Nothing to let go of."""

    def _block(self, number: int, first_index: int, data: np.ndarray) -> Block:
        stream = self.streams[number]
        t0_ns = self._t0_ns + first_index * stream.period_fs // 1_000_000
        return Block(stream, self._epoch, first_index, t0_ns, stream.period_fs, np.ascontiguousarray(data))


def run_core(folder: Path, rate_hz: int, lengths_s: list[int], note: Callable[[], int]) -> np.ndarray:
    """Let core take batches of these lengths; return what was noted before each. Its folder is `data` in folder."""
    clock, vehicle = ManualClock(), config.load(write_vehicle(folder)).vehicle
    source = Sine([damper.position for damper in vehicle.dampers], rate_hz, lengths_s, clock, note)
    core = Core(CoreSettings(vehicle, folder / "data", "benchmark", exit_at_end=True), clock, lambda line: None)

    def wait() -> None:
        for errand in (core._writer._errand, core._counting._errand, core._books._errand, core._upkeep._errand):
            assert errand.wait(LIMIT_S)

    source.wait = wait
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(core_module, "open_source", lambda settings, clock: source)
        core.run()
    return source.noted


@pytest.mark.slow  # three minutes on a slow machine; the parts it is made of are tested above and below
def test_core_holds_as_much_after_hours_as_after_one(tmp_path: Path) -> None:
    """Copies of the ledger, new segments, minutes and garbage included; the least of half an hour against another's."""
    blocks = run_core(tmp_path, 100, [60] * 180, sys.getallocatedblocks)
    halves = blocks.reshape(-1, 30).min(axis=1)
    assert len(list((tmp_path / "data").glob("*.backup-*"))) == 3
    assert max(halves[3:]) - halves[2] < KEPT_BY_CORE


@needs_mallinfo2
def test_seconds_worked_off_together_leave_the_heap_as_it_was(tmp_path: Path) -> None:
    heap = np.array(json.loads(run_alone(BACKLOG_PROGRAM, tmp_path)))
    assert len(heap) == len(LENGTHS_S)
    assert max(heap[-10:]) - max(heap[SECONDS // 2 : SECONDS]) < 800_000
