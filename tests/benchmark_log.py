"""From a raw log on disk to figures: time for an hour of recording, and memory, which must not grow with length."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from dutylog import config
from dutylog.acquire.recording_file import RecordingFileSource
from dutylog.clock import ManualClock
from dutylog.recording.log import LogWriter

CASE = Path(__file__).parent / "data" / "cases" / "C_desert"
MINUTES = (10, 40)

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


def repeat_recording(recording: Path, minutes: float, target: Path) -> None:
    """Write a recording over and over until it is `minutes` long.

    Travel steps at the seams, so the figures of such a log mean nothing; the work of making them is the same.
    """
    table = pq.read_table(recording)
    t_s = table["t_s"].to_numpy()
    span_s = float(t_s[-1] - t_s[0] + np.median(np.diff(t_s)))
    with pq.ParquetWriter(target, table.schema) as writer:
        for turn in range(round(minutes * 60 / span_s)):
            column = pa.array(t_s + turn * span_s, type=table.schema.field("t_s").type)
            writer.write_table(table.set_column(table.schema.get_field_index("t_s"), table.schema.field("t_s"), column))


def make_log(recording: Path, folder: Path) -> int:
    """Write a raw log of a recording; return its bytes."""
    vehicle = config.load(CASE / "truck.toml").vehicle
    source = RecordingFileSource(recording, [d.position for d in vehicle.dampers], block_rows=10_000)
    writer = LogWriter(folder, vehicle, "benchmark", ManualClock())
    writer.start_epoch(source.streams, source.kind, source.text, 1)
    source.start(1, {})
    while (batch := source.read_batch()) is not None:
        writer.append(batch)
        writer.commit()
    writer.close("stop")
    source.close()
    return sum(path.stat().st_size for path in folder.iterdir())


def log_lines(folder: Path) -> list[str]:
    """Integrate logs of each length in a process of their own; return lines for people."""
    lines = ["length     wall for an hour   CPU for an hour   peak memory   raw log for an hour"]
    for minutes in MINUTES:
        recording, log = folder / f"{minutes}.parquet", folder / f"log{minutes}"
        repeat_recording(CASE / "recording.parquet", minutes, recording)
        log_bytes = make_log(recording, log)
        recording.unlink()
        began_s = time.perf_counter()
        arguments = ["integrate", "--config", str(CASE / "truck.toml"), "--format", "json", str(log)]
        done = subprocess.run([sys.executable, "-c", CHILD, *arguments], check=True, stdout=subprocess.PIPE)
        wall_s = time.perf_counter() - began_s
        result = json.loads(done.stdout)
        if result["status"]:
            raise SystemExit(f"integrate ended with {result['status']}")
        hours = minutes / 60
        lines.append(
            f"{minutes:3d} min {wall_s / hours:17.1f} s {result['cpu_s'] / hours:15.1f} s"
            f" {result['peak_kib'] / 1024:10.0f} MiB {log_bytes / hours / 1e6:18.1f} MB"
        )
    return lines
