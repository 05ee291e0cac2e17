"""From the bridge's program under the real MicroPython, over a serial line, through core into the ledger."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from itertools import pairwise

import numpy as np
import pytest
from tests.benchmark_source import write_counts, write_vehicle

from daemon.oracle import differing_units
from daemon.processes import wait_until
from dutylog import config
from dutylog.config.sensors import BridgeSettings, SensorSettings
from dutylog.daemon.core_settings import CoreSettings
from dutylog.engine.engine import Engine
from dutylog.ledger.client import run_command
from dutylog.ledger.ledger import Ledger
from dutylog.recording.block import Block, Channel, Stream
from dutylog.recording.frame import Frame, FrameType
from dutylog.recording.reader import LogReader
from dutylog.units import FS_PER_S
from firmware.board import running_firmware

RATE_HZ = 1000
FULL_SCALE = 32767
"""Travel at the supply's voltage, after shared/PROTOCOL.md."""


class Core:
    """A core that reads the bridge, in a process of its own."""

    def __init__(self, folder, port, inputs):
        self.data = folder / "data"
        text = write_vehicle(folder).read_text().replace("[4095, 254.0]", f"[{FULL_SCALE}, 254.0]")
        (folder / "truck.toml").write_text(text)
        self.vehicle = config.load(folder / "truck.toml").vehicle
        sensors = SensorSettings(bridge=BridgeSettings(port, inputs))
        settings = CoreSettings(self.vehicle, self.data, "sensors", sensors=sensors)
        self._errors = folder / "errors"
        with self._errors.open("w") as errors:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "dutylog.daemon.core"], stdin=subprocess.PIPE, stderr=errors, text=True
            )
        self.process.stdin.write(settings.to_json() + "\n")
        self.process.stdin.close()

    def stop(self):
        self.process.send_signal(signal.SIGTERM)
        assert self.process.wait(60) == 0, self.said()

    def said(self):
        return self._errors.read_text(encoding="utf-8")

    def rows(self):
        """Return how many rows of travel the log holds so far, by epoch."""
        if not any(segment.stat().st_size for segment in (self.data / "log").glob("*.dlg")):
            return {}  # core makes the file first and puts its head in then
        found = {}
        for frame in LogReader(self.data / "log").frames():
            if frame.type is FrameType.SAMPLES:
                found[frame.epoch] = found.get(frame.epoch, 0) + frame.n
        return found

    def close(self):
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()


@pytest.fixture
def counts(tmp_path):
    """A 12-bit converter's counts of desert travel, (n, 4), and the file the board reads them from."""
    values = np.load(write_counts(tmp_path))
    file = tmp_path / "rows.bin"
    (values.astype("<u2") << 4).astype("<u2").tofile(file)
    return values, file


POSITIONS = ("front_left", "front_right", "rear_left", "rear_right")


def logged(data, epoch=1):
    """Return an epoch's travel in the log, (n, 4), and its first index; asserts that no row after it is missing."""
    frames = [f for f in LogReader(data / "log").frames() if f.epoch == epoch]
    samples = [f.block for f in frames if f.type is FrameType.SAMPLES]
    for before, after in pairwise(samples):
        assert after.first_index == before.end_index
    assert all(f.first_index + f.n <= samples[0].first_index for f in frames if f.type is FrameType.GAP)
    return np.concatenate([block.data for block in samples]), samples[0].first_index


def counted_directly(vehicle, travel, first_index):
    """Return totals by position of the same rows without firmware, line, clock or log: on a perfect grid."""
    stream = Stream(1, "travel", "i2", FS_PER_S // RATE_HZ, tuple(Channel(p, "travel", "count") for p in POSITIONS))
    engine = Engine(vehicle)
    for number, start in enumerate(range(0, len(travel), RATE_HZ), start=1):
        index, rows = first_index + start, travel[start : start + RATE_HZ]
        block = Block(stream, 1, index, index * 1_000_000, stream.period_fs, rows)
        engine.feed(Frame(FrameType.SAMPLES, number, 1, block.t0_ns, 1, index, len(rows), block=block))
    engine.finish()
    names = {unit: position for position, unit in engine.units().items()}
    return {names[unit]: totals for unit, totals in engine.totals().items()}


def drive(tmp_path, counts, seconds):
    """Log for so long; assert that nothing was lost and that every number agrees with the direct path."""
    values, file = counts
    with running_firmware(rows_file=file) as board:
        core = Core(tmp_path, board.port, POSITIONS)
        try:
            wait_until(lambda: core.rows().get(1, 0) >= seconds * RATE_HZ, "enough rows", limit_s=10 * seconds + 60)
            core.stop()
        finally:
            core.close()
    travel, first_index = logged(core.data)
    sent = values[np.arange(len(travel)) % len(values)]
    assert np.array_equal(travel, np.rint(sent.astype(np.float64) * FULL_SCALE / 4095).astype(np.int16))
    assert differing_units(core.data, core.vehicle) == []
    direct = counted_directly(core.vehicle, travel, first_index)
    with Ledger.open(core.data / "ledger.sqlite", read_only=True) as ledger:
        found = {position: ledger.totals(unit.unit_id) for position, unit in ledger.installed().items()}
    assert found.keys() == direct.keys()
    for position, totals in found.items():
        # All the difference is the period: the line's is fitted, and this board's clock is the computer's own.
        assert totals.energy_uj == pytest.approx(direct[position].energy_uj, rel=1e-4)
        assert totals.strokes_count == direct[position].strokes_count
        assert totals.stroke_travel_um == direct[position].stroke_travel_um
    return len(travel)


def test_twenty_seconds_of_the_bridge_are_what_the_direct_path_counts(tmp_path, counts):
    """Firmware, line, host, log and engine lose nothing and change nothing: 1 kHz on 4 inputs."""
    assert drive(tmp_path, counts, 20) >= 20_000


@pytest.mark.slow
def test_ten_minutes_of_the_bridge_are_what_the_direct_path_counts(tmp_path, counts):
    """The long form."""
    print(drive(tmp_path, counts, 600), "rows")


def test_a_bridge_plugged_in_again_goes_on_in_a_new_epoch_of_the_same_trip(tmp_path, counts):
    """The plug shook loose: what is missing is known to be missing, and what comes after counts."""
    _, file = counts
    with running_firmware(rows_file=file) as board:
        core = Core(tmp_path, board.port, POSITIONS)
        try:
            wait_until(lambda: core.rows().get(1, 0) > 4000, "rows of the first epoch")
            board.unplug()
            out_ns = time.monotonic_ns()
            time.sleep(3)
            board.plug_in()
            in_ns = time.monotonic_ns()
            wait_until(lambda: core.rows().get(2, 0) > 4000, "rows of the second epoch")
            core.stop()
        finally:
            core.close()
    frames = list(LogReader(core.data / "log").frames())
    back_ns = next(f.t0_ns for f in frames if f.epoch == 2 and f.type is FrameType.SAMPLES)
    print(f"rows came again {(back_ns - in_ns) / 1e9:.2f} s after the plug was in")
    assert in_ns < back_ns < in_ns + 20e9
    gaps = [f for f in frames if f.epoch == 1 and f.type is FrameType.GAP and f.t0_ns > out_ns - 1e9]
    assert {f.data["reason"] for f in gaps} == {"source_lost"}
    missing_s = sum(f.n for f in gaps) / RATE_HZ
    assert missing_s == pytest.approx((back_ns - out_ns) / 1e9, abs=0.2)
    with Ledger.open(core.data / "ledger.sqlite", read_only=True) as ledger:
        assert len(ledger.trips(9)) == 1
        unmeasured_s = {totals.unmeasured_us / 1e6 for totals in ledger.all_totals().values()}
    assert min(unmeasured_s) >= missing_s - 0.001
    assert "bridge began anew" in core.said()


def test_core_runs_and_says_so_while_no_bridge_is_there(tmp_path):
    """Nothing plugged in at the start: one state with a remedy, no end, and time that passes."""
    import socket

    core = Core(tmp_path, str(tmp_path / "nothing"), POSITIONS)
    try:
        wait_until(lambda: (core.data / "live.sock").exists(), "a socket")

        def look():
            with socket.socket(socket.AF_UNIX) as end:
                end.connect(str(core.data / "live.sock"))
                return json.loads(end.makefile().readline())

        seen = wait_until(lambda: (s := look())["dampers"][0]["faults"] and s, "a fault")
        assert seen["devices"][0]["state"] == "lost"
        assert str(tmp_path / "nothing") in seen["devices"][0]["text"]
        assert seen["dampers"][0]["state"] == "no_data"
        core.stop()
    finally:
        core.close()


@pytest.mark.parametrize("is_remounted", [pytest.param(False, marks=pytest.mark.slow), True])
def test_a_calibration_counts_from_then_on_and_a_sensor_mounted_anew_begins_an_epoch(tmp_path, counts, is_remounted):
    """No restart, nothing of the drive lost; the log itself says by which map it is to be read."""
    _, file = counts
    points = [[3000.0, 580.0], [12000.0, 493.0], [20000.0, 416.0]]
    request = {"command": "calibrate", "position": "front_left", "kind": "travel", "by": "Ann", "method": "line"}
    with running_firmware(rows_file=file) as board:
        core = Core(tmp_path, board.port, POSITIONS)
        try:
            wait_until(lambda: core.rows().get(1, 0) > 4000, "rows of the first epoch")
            run_command(core.data, {**request, "points": points, "extended_mm": 600.0, "is_remounted": is_remounted})
            before = sum(core.rows().values())
            wait_until(lambda: sum(core.rows().values()) > before + 4000, "rows after the calibration")
            core.stop()
        finally:
            core.close()
    frames = list(LogReader(core.data / "log").frames())
    assert max(f.epoch for f in frames) == (2 if is_remounted else 1)
    maps = [f.data["dampers"][0]["calibration_raw_mm"] for f in frames if f.type is FrameType.CONFIG]
    assert maps[0] == [[0.0, 0.0], [FULL_SCALE, 254.0]]
    assert maps[-1] != maps[0]
    assert differing_units(core.data, core.vehicle) == []
    with Ledger.open(core.data / "ledger.sqlite", read_only=True) as ledger:
        assert len(ledger.trips(9)) == 1
