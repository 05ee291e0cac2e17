"""From a raw log on disk to figures: time for an hour of recording, and memory, which must not grow with length."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path

from tests.benchmark_source import CountsSource, write_counts, write_vehicle

from dutylog import config
from dutylog.clock import ManualClock
from dutylog.domain.vehicle import Vehicle
from dutylog.recording.log import LogWriter

HOURS = (0.25, 1.0)
LONG_HOURS = (1.0, 10.0, 100.0)

# VmHWM is counted from exec on; ru_maxrss would start with the size of the process that forked (getrusage(2), exec).
CHILD = """
import json, os, sys
from dutylog.cli.main import main
out = os.dup(1)
os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
status = main(sys.argv[1:])
peak_kib = next(int(line.split()[1]) for line in open("/proc/self/status") if line.startswith("VmHWM"))
times = os.times()
os.write(out, json.dumps({"status": status, "peak_kib": peak_kib, "cpu_s": times.user + times.system}).encode())
"""


def make_log(vehicle: Vehicle, folder: Path, hours: float) -> int:
    """Write a raw log of 12-bit counts; return its bytes."""
    source = CountsSource(vehicle, hours * 3600, write_counts(folder.parent))
    writer = LogWriter(folder, vehicle, "benchmark", ManualClock())
    writer.start_epoch(source.streams, source.kind, source.text, 1)
    source.start(1, {})
    number = 0
    while (batch := source.read_batch()) is not None:
        writer.append(batch)
        number += 1
        if number % 10 == 0:
            writer.commit()
    writer.close("stop")
    return sum(path.stat().st_size for path in folder.iterdir())


def log_lines(folder: Path, hours: Sequence[float] = HOURS) -> list[str]:
    """Integrate logs of each length in a process of their own; return lines for people."""
    lines = ["length       wall      for an hour    CPU for an hour   peak memory   raw log for an hour"]
    vehicle_file = write_vehicle(folder)
    vehicle = config.load(vehicle_file).vehicle
    for length in hours:
        log = folder / f"log{length:g}"
        log_bytes = make_log(vehicle, log, length)
        began_s = time.perf_counter()
        arguments = ["integrate", "--config", str(vehicle_file), "--format", "json", str(log)]
        done = subprocess.run([sys.executable, "-c", CHILD, *arguments], check=True, stdout=subprocess.PIPE)
        wall_s = time.perf_counter() - began_s
        shutil.rmtree(log)
        result = json.loads(done.stdout)
        if result["status"]:
            raise SystemExit(f"integrate ended with {result['status']}")
        lines.append(
            f"{length:5g} h {wall_s:9.2f} s {wall_s / length:12.2f} s {result['cpu_s'] / length:15.2f} s"
            f" {result['peak_kib'] / 1024:10.0f} MiB {log_bytes / length / 1e6:16.1f} MB"
        )
    lines.append(
        "wall includes the start of the program; CPU is of the process that counts, not of the one that decodes"
    )
    return lines
