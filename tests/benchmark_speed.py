"""Time for a sample of one damper, in memory: engine, plain way, and one addition."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
from tests.benchmark_baseline import compute_all, load_columns, load_truck

from dutylog import config
from dutylog.acquire.recording_file import RecordingFileSource
from dutylog.clock import ManualClock
from dutylog.domain.vehicle import ForceAt, Vehicle
from dutylog.engine.report import Integration
from dutylog.recording.frame import Frame
from dutylog.recording.logbook import Logbook

CASE = Path(__file__).parent / "data" / "cases" / "C_desert"
RUNS = 9
ZONES = 5


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


def with_zones(vehicle: Vehicle) -> Vehicle:
    """Return the vehicle with its curves, stronger towards full bump, at ZONES places of travel."""
    profiles = []
    for profile in vehicle.profiles:
        curve, places = profile.force[0].curve, np.linspace(0.0, profile.stroke_m, ZONES)
        force = tuple(
            ForceAt(float(place), replace(curve, forces_n=tuple(n * (1 + k / ZONES) for n in curve.forces_n)))
            for k, place in enumerate(places)
        )
        profiles.append(replace(profile, force=force))
    return replace(vehicle, profiles=tuple(profiles))


def speed_lines() -> list[str]:
    """Measure RUNS interleaved runs of each and return the medians as lines for people."""
    vehicle = config.load(CASE / "truck.toml").vehicle
    recording = CASE / "recording.parquet"
    frames, columns = frames_of(recording, vehicle), load_columns(recording)
    travels = np.stack([columns[f"{d.position}_travel_mm"] for d in vehicle.dampers])
    total = np.empty_like(travels)
    truck = load_truck(CASE / "truck.toml")

    by_travel = with_zones(vehicle)

    def engine(whose: Vehicle) -> None:
        work = Integration(whose)
        for frame in frames:
            work.feed(frame)
        work.finish()

    tasks: dict[str, Callable[[], object]] = {
        "engine": lambda: engine(vehicle),
        "with force_at": lambda: engine(by_travel),
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
    lines.append(f"force by travel, {ZONES} curves, costs {each_ns['with force_at'] - each_ns['engine']:.1f} ns more")
    return lines
