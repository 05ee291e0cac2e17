"""Time for a sample of one damper, in memory: engine, plain way, and one addition."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
from tests.benchmark_baseline import compute_all, load_columns, load_truck

from dutylog import config
from dutylog.acquire.recording_file import RecordingFileSource
from dutylog.clock import ManualClock
from dutylog.domain.vehicle import Vehicle
from dutylog.engine.report import Integration
from dutylog.recording.frame import Frame
from dutylog.recording.logbook import Logbook

CASE = Path(__file__).parent / "data" / "cases" / "C_desert"
RUNS = 5


def frames_of(recording: Path, vehicle: Vehicle) -> list[Frame]:
    """Return a recording as the frames the engine takes, all in memory."""
    positions = [d.position for d in vehicle.dampers]
    source = RecordingFileSource(recording, positions, block_rows=10_000)
    book = Logbook(vehicle, "benchmark", ManualClock())
    frames = list(book.start_epoch(source.streams, source.kind, source.text, 1))
    source.start(1, {})
    while (batch := source.read_batch()) is not None:
        frames += book.append(batch)
    source.close()
    return frames


def speed_lines() -> list[str]:
    """Measure RUNS interleaved runs of each and return the medians as lines for people."""
    vehicle = config.load(CASE / "truck.toml").vehicle
    recording = CASE / "recording.parquet"
    frames, columns = frames_of(recording, vehicle), load_columns(recording)
    travels = np.stack([columns[f"{d.position}_travel_mm"] for d in vehicle.dampers])
    total = np.empty_like(travels)
    truck = load_truck(CASE / "truck.toml")

    def engine() -> None:
        work = Integration(vehicle)
        for frame in frames:
            work.feed(frame)
        work.finish()

    tasks: dict[str, Callable[[], object]] = {
        "engine": engine,
        "plain way": lambda: compute_all(columns, truck),
        "one addition": lambda: np.add(travels, travels, out=total),
    }
    taken_ns: dict[str, list[int]] = {name: [] for name in tasks}
    for _ in range(RUNS):
        for name, task in tasks.items():
            began_ns = time.perf_counter_ns()
            task()
            taken_ns[name].append(time.perf_counter_ns() - began_ns)
    each_ns = {name: statistics.median(values) / travels.size for name, values in taken_ns.items()}
    lines = [f"{travels.shape[1]} rows of {len(travels)} dampers; ns for each sample of each damper, median of {RUNS}"]
    for name, value in each_ns.items():
        lowest, highest = min(taken_ns[name]) / travels.size, max(taken_ns[name]) / travels.size
        lines.append(f"{name:<14}{value:10.2f} ns   ({lowest:.2f} to {highest:.2f})")
    lines.append(f"engine / plain way {each_ns['engine'] / each_ns['plain way']:.1f}")
    lines.append(f"engine / one addition {each_ns['engine'] / each_ns['one addition']:.0f}")
    return lines
