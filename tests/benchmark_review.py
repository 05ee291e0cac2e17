"""The review of a long trip: first and second look, what is sent to a phone, and what logging beside it feels."""

from __future__ import annotations

import json
import shutil
import signal
import statistics
import subprocess
import sys
import time
from pathlib import Path

from tests.benchmark_live import SETTLE_S
from tests.benchmark_log import CHILD
from tests.benchmark_source import CountsSource, write_counts, write_vehicle

from dutylog import ENGINE, config
from dutylog.clock import ManualClock
from dutylog.daemon.core_settings import CoreSettings
from dutylog.domain.vehicle import Vehicle
from dutylog.engine.engine import Engine
from dutylog.ledger.ledger import LEDGER_NAME, Ledger
from dutylog.ledger.rows import Commit, Epoch
from dutylog.recording.ahead import read_frames
from dutylog.recording.frame import FrameType
from dutylog.recording.log import LogWriter
from dutylog.web.jobs import NICENESS
from dutylog.web.vendored import Vendored

HOURS = 10.0
BESIDE_S = 40.0


def review_lines(folder: Path) -> list[str]:
    """Review a trip of ten hours twice, then log for a while alone and with a review beside; lines for people."""
    data = folder / "trip"
    _make_data(folder, data)
    lines = [f"{HOURS:g} h, four dampers at 1 kHz", *(_look(data, what) for what in ("first look", "second look"))]
    files = {path.name: path.stat().st_size for path in (data / "reviews" / "trip-1").iterdir()}
    details = sum(size for name, size in files.items() if name.startswith("detail-"))
    script = Vendored().script()
    sent = files["plots.json.gz"] + details + (len(script.packed) if script else 0)
    kept = ", ".join(f"{name} {size / 1e3:.0f} kB" for name, size in sorted(files.items()) if "detail" not in name)
    lines.append(f"  files: {kept}; details {details / 1e3:.0f} kB")
    lines.append(f"  plots, all details and the script that draws: {sent / 1e6:.2f} MB")
    lines.append("logging four dampers at 1 kHz, blocks of 100 ms")
    lines += [f"  {what}: {_log(folder, beside)}" for what, beside in (("alone", None), ("beside a review", data))]
    return lines


def _make_data(folder: Path, data: Path) -> None:
    """Write a log and a ledger that has counted it: one trip, under way."""
    data.mkdir()
    vehicle = config.load(write_vehicle(folder)).vehicle
    writer = LogWriter(data / "log", vehicle, "benchmark", ManualClock())
    source = CountsSource(vehicle, HOURS * 3600, write_counts(folder))
    with Ledger.open(data / LEDGER_NAME) as ledger:
        ledger.put_vehicle(vehicle)
        writer.start_epoch(source.streams, source.kind, source.text, 1)
        for damper in vehicle.dampers:
            unit = ledger.add_unit(damper.serial, damper.profile)
            ledger.install(unit.unit_id, damper.position)
            place = {"position": damper.position, "unit_id": unit.unit_id, "serial": damper.serial}
            writer.event("install", 0, place)
        source.start(1, {})
        number = 0
        while (batch := source.read_batch()) is not None:
            writer.append(batch)
            number += 1
            if number % 10 == 0:
                writer.commit()
        writer.close("stop")
        ledger.put_epoch(Epoch(1, source.kind, source.text, "benchmark", 0, 1_790_000_000 * 10**9, True))
        _count(ledger, data / "log")


def _count(ledger: Ledger, log: Path) -> None:
    engine: Engine | None = None
    heads, minutes, trips, last = [], [], [], 0
    for frame in read_frames(log):
        last = frame.sequence
        if engine is None:
            heads.append(frame)
            if frame.type is not FrameType.CONFIG or frame.data is None:
                continue
            engine = Engine(Vehicle.from_dict(frame.data))
            steps = [engine.feed(head) for head in heads]
        else:
            steps = [engine.feed(frame, more=True)]
        for step in steps:
            minutes += step.minutes
            trips += step.trips
    assert engine is not None
    step = engine.work_off()
    rows = (*trips, *step.trips, engine.open_trip())
    minutes += step.minutes
    ledger.commit(
        Commit(
            last, ENGINE, engine.totals(), minutes=tuple(minutes), trips=tuple(row for row in rows if row is not None)
        )
    )


def _look(data: Path, what: str) -> str:
    began_s = time.perf_counter()
    command = [sys.executable, "-c", CHILD, "trip", "review", "1", "--format", "json", "--data", str(data)]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE)
    wall_s = time.perf_counter() - began_s
    result = json.loads(done.stdout)
    if result["status"]:
        raise SystemExit(f"review ended with {result['status']}")
    cpu_s, peak_mib = result["cpu_s"], result["peak_kib"] / 1024
    return f"  {what}: {wall_s:.2f} s, {cpu_s:.2f} s of processor in it, peak {peak_mib:.0f} MiB"


def _log(folder: Path, beside: Path | None) -> str:
    """Log for a while, with a review again and again beside it where a data folder is given."""
    data, report = folder / "beside", folder / "beside.json"
    vehicle = config.load(write_vehicle(folder)).vehicle
    settings = CoreSettings(vehicle=vehicle, data_dir=data, source_kind="benchmark")
    core = subprocess.Popen(
        [sys.executable, "-m", "tests.benchmark_core", str(report), str(write_counts(folder))],
        stdin=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
    )  # fmt: skip
    reviews = 0
    review: subprocess.Popen[bytes] | None = None
    try:
        assert core.stdin is not None
        core.stdin.write(settings.to_json() + "\n")
        core.stdin.close()
        time.sleep(SETTLE_S)
        end_s = time.monotonic() + BESIDE_S
        while time.monotonic() < end_s:
            if beside is not None and (review is None or review.poll() is not None):
                reviews += 1
                review = subprocess.Popen(
                    ["nice", "-n", str(NICENESS), sys.executable, "-m", "dutylog.cli.main",
                     "trip", "review", "1", "--again", "--data", str(beside)],
                    stdout=subprocess.DEVNULL,
                )  # fmt: skip
            time.sleep(0.2)
    finally:
        if review is not None:
            review.terminate()
            review.wait()
        core.send_signal(signal.SIGTERM)
        core.wait(30)
    busy_ms = sorted(value / 1e6 for value in json.loads(report.read_text(encoding="utf-8"))["block"])
    shutil.rmtree(data)
    p99_ms, median_ms = busy_ms[len(busy_ms) * 99 // 100], statistics.median(busy_ms)
    return (
        f"busy with a block: median {median_ms:.2f} ms, p99 {p99_ms:.2f} ms, longest {busy_ms[-1]:.2f} ms"
        f" of {len(busy_ms)}" + (f"; {reviews} reviews begun" if beside else "")
    )
