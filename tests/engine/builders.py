"""Small vehicles, streams and logs for the engine, and cuts of the recordings with known truth."""

from __future__ import annotations

import functools
import json
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from dutylog import config
from dutylog.acquire.recording_file import RecordingFileSource
from dutylog.clock import ManualClock
from dutylog.domain.vehicle import Damper, ForceAt, ForceCurve, Profile, Vehicle
from dutylog.engine.engine import Engine
from dutylog.engine.integrate import travel_positions
from dutylog.recording.block import Block, Channel, Stream
from dutylog.recording.logbook import Logbook
from dutylog.recording.source import Batch

CASES = Path(__file__).parents[1] / "data" / "cases"
CORNERS = ("front_left", "front_right", "rear_left", "rear_right")
RATE_HZ = 1000
PERIOD_FS = 10**12
S_NS = 10**9
CURVE = ForceCurve((-1.0, 0.0, 1.0), (-2000.0, 0.0, 1000.0))


def make_profile(name="plain", stroke_m=0.254, curve=CURVE, fade_per_k=0.0):
    return Profile(name, stroke_m, 0.022, 0.06, 1.1, 3.5, 4000.0, (ForceAt(0.0, curve),), fade_per_k, 40.0, 120.0)


def make_vehicle(*dampers, profiles=()):
    """Return a vehicle of dampers: positions (names) or whole dampers; two plain corners by default."""
    dampers = dampers or ("left", "right")
    made = tuple(Damper(d, d, "plain") if isinstance(d, str) else d for d in dampers)
    return Vehicle("truck", "Truck", made, profiles or (make_profile(),))


def travel_stream(*positions, unit="mm", dtype="f8"):
    return Stream(1, "travel", dtype, PERIOD_FS, tuple(Channel(p, "travel", unit) for p in positions))


def slow_stream(stream_id, rate_hz, *channels):
    """Return a stream of (name, quantity) channels."""
    units = {"body_temperature": "c", "ambient_temperature": "c", "speed": "mps"}
    columns = tuple(Channel(name, quantity, units[quantity]) for name, quantity in channels)
    return Stream(stream_id, f"slow{stream_id}", "f8", 10**15 // rate_hz, columns)


def strokes_mm(seconds, freq_hz=1.0, amplitude_mm=50.0, middle_mm=120.0, start_s=0.0):
    """Return travel [mm] of steady strokes at 1 kHz."""
    time_s = start_s + np.arange(round(seconds * RATE_HZ)) / RATE_HZ
    return middle_mm + amplitude_mm * np.sin(2 * np.pi * freq_hz * time_s)


def still_mm(seconds, level_mm=120.0):
    return np.full(round(seconds * RATE_HZ), level_mm)


class Log:
    """A log in memory: what is written to it comes out as frames, in order."""

    def __init__(self, vehicle, boot_id="boot-a"):
        self.vehicle = vehicle
        self.book = Logbook(vehicle, boot_id, ManualClock())
        self.frames = []

    def reboot(self, boot_id):
        """Go on after a restart of the machine: the same log, another monotonic clock."""
        self.frames += self.book.close()
        self.book = Logbook(self.vehicle, boot_id, ManualClock(), self.book.state)

    def start(self, *streams, kind="bridge", epoch=None, t0_ns=0):
        """Begin an epoch whose index 0 lies at t0_ns."""
        self.epoch, self.t0_ns = epoch or self.book.state.epoch + 1, t0_ns
        self.next = {}
        self.frames += self.book.start_epoch(streams, kind, "test", self.epoch)

    def write(self, stream, data, at=None, behind_ns=0):
        """Write rows (n,) or (n, channels) from index `at` on, by default where the stream has come to.

        behind_ns: how far the stream's grid lies behind the others'.
        """
        rows = np.asarray(data, dtype=float)
        rows = rows[:, None].repeat(len(stream.channels), axis=1) if rows.ndim == 1 else rows
        first = self.next.get(stream.stream_id, 0) if at is None else at
        t0_ns = self.t0_ns + behind_ns + first * stream.period_fs // 10**6
        block = Block(stream, self.epoch, first, t0_ns, stream.period_fs, rows.astype("<" + stream.dtype))
        self.next[stream.stream_id] = first + len(rows)
        self.frames += self.book.append(Batch((block,)))

    def event(self, kind, t_s=0.0, **data):
        """Write an event behind all rows so far."""
        self.frames += self.book.flush()
        self.frames += self.book.event(kind, self.t0_ns + round(t_s * S_NS), data)

    def clock(self, mono_ns, utc_ns, trusted):
        self.frames += self.book.clock(mono_ns, utc_ns, trusted)

    def end(self, reason="stop"):
        self.frames += self.book.end(reason, self.book.state.time_ns)

    def close(self):
        self.frames += self.book.close()


class Run:
    """Everything an engine said about some frames."""

    def __init__(self, vehicle, **options):
        self.engine = Engine(vehicle, **options)
        self.tiles = 0
        self.minutes, self.trips, self.faults, self.lives = [], [], [], []
        self.stores = []

    def feed(self, frames):
        for frame in frames:
            self.take(self.engine.feed(frame))
        return self

    def finish(self):
        self.take(self.engine.finish())
        return self

    def take(self, step):
        self.tiles += step.tiles
        self.minutes += step.minutes
        self.trips += step.trips
        self.faults += step.faults
        if step.live is not None:
            self.lives.append(step.live)
        if step.must_store_all:
            self.stores.append(step.sequence)

    def totals_at(self, position):
        return self.engine.totals()[self.engine.units()[position]]


@functools.cache
def load_vehicle(case):
    return config.load(CASES / case / "truck.toml").vehicle


@functools.cache
def load_truth(case):
    return json.loads((CASES / case / "truth.json").read_text())


def load_columns(case, start_s=0.0, stop_s=None):
    """Return the columns of a case between two instants."""
    table = pq.read_table(CASES / case / "recording.parquet")
    columns = {name: table[name].to_numpy() for name in table.column_names}
    chosen = (columns["t_s"] >= start_s) & (columns["t_s"] < (np.inf if stop_s is None else stop_s))
    return {name: values[chosen] for name, values in columns.items()}


def write_recording(path, columns):
    pq.write_table(pa.table(columns), path)
    return path


@functools.cache
def frames_of(case, start_s, stop_s, folder):
    """Return the frames of a cut of a case, as a log of it would hold them."""
    path = write_recording(Path(folder) / f"{case}.parquet", load_columns(case, start_s, stop_s))
    vehicle = load_vehicle(case)
    bodies = [d.position for d in vehicle.dampers]
    source = RecordingFileSource(path, travel_positions(vehicle), block_rows=1000, body_positions=bodies)
    book = Logbook(vehicle, "recording", ManualClock())
    frames = book.start_epoch(source.streams, source.kind, source.text, 1)
    for damper in vehicle.dampers:
        frames += book.event("install", 0, {"position": damper.position, "unit_id": f"unit-{damper.position}"})
    source.start(1, {})
    while (batch := source.read_batch()) is not None:
        frames += book.append(batch)
    source.close()
    return tuple(frames)
