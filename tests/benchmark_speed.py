"""Time for a sample of one damper, in memory: engine, plain way, and one addition."""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
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
from dutylog.engine.heap import keep_freed_memory
from dutylog.engine.report import Integration
from dutylog.recording.frame import Frame
from dutylog.recording.logbook import Logbook

CASE = Path(__file__).parent / "data" / "cases" / "C_desert"
RATE_HZ = 1000
TURNS, CALLS = 5, 5
ZONES = 5
ENGINE, BY_TRAVEL, PLAIN, PLAIN_KEPT, ADDITION = TASKS = (
    "engine", "engine, force by travel", "plain way", "plain way, freed memory kept", "one addition",
)  # fmt: skip


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


def prepare_task(name: str) -> Callable[[], object]:
    """Return what is timed under a name, all it needs in memory."""
    if name != PLAIN:
        # As `dutylog integrate` begins.
        keep_freed_memory()
    recording, vehicle_file = CASE / "recording.parquet", CASE / "truck.toml"
    if name in (PLAIN, PLAIN_KEPT):
        columns, truck = load_columns(recording), load_truck(vehicle_file)
        return lambda: compute_all(columns, truck)
    vehicle = config.load(vehicle_file).vehicle
    frames = frames_of(recording, vehicle)
    if name == ADDITION:
        travel = np.concatenate(
            [f.block.data for f in frames if f.block is not None and f.block.stream.name == "travel"]
        )
        travel = travel.astype(np.float64)
        total = np.empty_like(travel)
        return lambda: np.add(travel, travel, out=total)
    whose = with_zones(vehicle) if name == BY_TRAVEL else vehicle

    def work_off() -> None:
        work = Integration(whose)
        for frame in frames:
            work.feed(frame)
        work.finish()

    return work_off


def time_task(name: str) -> list[int]:
    """Return the times [ns] of CALLS runs of a task."""
    task, taken_ns = prepare_task(name), []
    for _ in range(CALLS):
        began_ns = time.perf_counter_ns()
        task()
        taken_ns.append(time.perf_counter_ns() - began_ns)
    return taken_ns


def speed_lines() -> list[str]:
    """Time all tasks in turns, each time in a process of its own, and return lines for people.

    Not in one: who keeps freed memory keeps it for all, and mapping it anew is half of what the plain way takes.
    """
    truth = json.loads((CASE / "truth.json").read_text(encoding="utf-8"))
    samples = round(truth["duration_s"] * RATE_HZ) * len(truth["dampers"])
    taken_ns: dict[str, list[int]] = {name: [] for name in TASKS}
    for _ in range(TURNS):
        for name, times in taken_ns.items():
            command = [sys.executable, "-m", "tests.benchmark_speed", name]
            done = subprocess.run(command, stdout=subprocess.PIPE, check=True, cwd=Path(__file__).parents[1])
            times += json.loads(done.stdout)
    each_ns = {name: statistics.median(times) / samples for name, times in taken_ns.items()}
    lines = [
        f"{samples} samples of {len(truth['dampers'])} dampers together; ns for each, median of {TURNS * CALLS},"
        f" {TURNS} processes each"
    ]
    for name, value in each_ns.items():
        lowest, highest = min(taken_ns[name]) / samples, max(taken_ns[name]) / samples
        lines.append(f"{name:<30}{value:8.2f} ns   ({lowest:.2f} to {highest:.2f})")
    lines += [
        f"engine / plain way {each_ns[ENGINE] / each_ns[PLAIN]:.2f};"
        f" where that has malloc keep freed memory, as `dutylog integrate` does,"
        f" {each_ns[ENGINE] / each_ns[PLAIN_KEPT]:.2f}",
        f"engine / one addition {each_ns[ENGINE] / each_ns[ADDITION]:.0f}",
        f"force by travel, {ZONES} curves, costs {each_ns[BY_TRAVEL] - each_ns[ENGINE]:.1f} ns more",
    ]
    return lines


if __name__ == "__main__":
    print(json.dumps(time_task(sys.argv[1])))
