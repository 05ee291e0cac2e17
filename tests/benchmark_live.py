"""What core costs while it logs: a sensor that costs nothing hands over 100 ms at a time, at 1 kHz."""

from __future__ import annotations

import json
import os
import signal
import socket
import statistics
import subprocess
import sys
import threading
import time
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from tests.benchmark_source import write_counts, write_vehicle

from dutylog import config
from dutylog.daemon.core_settings import CoreSettings
from dutylog.daemon.supervisor import HEAP
from dutylog.sockets import LIVE, RESTING, WATCHED, unix_address

SETTLE_S, SPAN_S = 10.0, 60.0
DAMPERS = (4, 8)
TICK_HZ = os.sysconf("SC_CLK_TCK")


@dataclass(frozen=True, slots=True)
class Reading:
    """State of core at one moment. cpu_s: user and system; written: bytes core caused to be sent to the disk."""

    mono_s: float
    cpu_s: float
    written: int
    log_bytes: int
    ledger_bytes: int


def read_process(pid: int, data: Path) -> Reading:
    """Read what the kernel counts for a process, and the sizes of its files. Source: proc(5)."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="utf-8").rsplit(")", 1)[1].split()
    counts = dict(line.split(": ") for line in Path(f"/proc/{pid}/io").read_text(encoding="utf-8").splitlines())
    return Reading(
        time.monotonic(),
        (int(fields[11]) + int(fields[12])) / TICK_HZ,
        int(counts["write_bytes"]),
        sum(path.stat().st_size for path in data.glob("log/*.dlg")),
        sum(path.stat().st_size for path in data.glob("ledger.sqlite*")),
    )


def memory_kib(pid: int, name: str) -> int:
    """Return a line of /proc/PID/status [KiB]."""
    lines = Path(f"/proc/{pid}/status").read_text(encoding="utf-8").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(f"{name}:"))


def live_lines(folder: Path) -> list[str]:
    """Log with each number of dampers, while nobody looks and while somebody does; return lines for people."""
    lines = []
    for dampers in DAMPERS:
        for word, who in ((RESTING, "nobody looks"), (WATCHED, "somebody looks")):
            lines += [f"{dampers} dampers, {who}", *(f"  {line}" for line in _measure(folder, dampers, word))]
    return lines


def _measure(folder: Path, dampers: int, word: bytes) -> list[str]:
    """Log for SPAN_S seconds after settling, to an outlet that says the word; return lines for people."""
    name = f"{dampers}-{word.decode()}"
    data, report = folder / f"live-{name}", folder / f"times-{name}.json"
    vehicle = config.load(write_vehicle(folder, dampers)).vehicle
    settings = CoreSettings(vehicle=vehicle, data_dir=data, source_kind="benchmark")
    command = [sys.executable, "-m", "tests.benchmark_core", str(report), str(write_counts(folder))]
    # As the supervisor starts it.
    environment = HEAP | os.environ
    process = subprocess.Popen(command, stdin=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, env=environment)
    try:
        assert process.stdin is not None
        process.stdin.write(settings.to_json() + "\n")
        process.stdin.close()
        threading.Thread(target=_listen, args=(data, word), daemon=True).start()
        time.sleep(SETTLE_S)
        before = read_process(process.pid, data)
        time.sleep(SPAN_S)
        after = read_process(process.pid, data)
        rss_kib, peak_kib = memory_kib(process.pid, "VmRSS"), memory_kib(process.pid, "VmHWM")
    finally:
        process.send_signal(signal.SIGTERM)
        process.wait(30)
    return _lines(before, after, rss_kib, peak_kib, json.loads(report.read_text(encoding="utf-8")))


def _listen(data: Path, word: bytes) -> None:
    """Be the page: say whether somebody looks, and take what comes until core ends."""
    with socket.socket(socket.AF_UNIX) as end, unix_address(data, LIVE) as address:
        while end.connect_ex(address) != 0:
            time.sleep(0.05)
        end.sendall(word)
        with suppress(OSError):
            while end.recv(65536):
                pass


def _lines(before: Reading, after: Reading, rss_kib: int, peak_kib: int, times_ns: dict[str, list[int]]) -> list[str]:
    span_s = after.mono_s - before.mono_s
    to_mb_hour = 3600 / span_s / 1e6
    sensor_ns = times_ns.pop("sensor")
    sensor = statistics.mean(sensor_ns) * 1e-9 * 10
    own = (after.cpu_s - before.cpu_s) / span_s - sensor
    lines = [
        f"CPU {own:.2%} of one processor over {span_s:.0f} s; the benchmark's own sensor {sensor:.2%} more",
        f"that is {own / sensor:.1f} times what its sensor costs, which wakes up ten times a second and copies 100 ms"
        " of counts: what waking costs here",
        f"memory {rss_kib / 1024:.0f} MiB, peak {peak_kib / 1024:.0f} MiB",
    ]
    for name, values in times_ns.items():
        taken_ms = sorted(value / 1e6 for value in values)
        what = "busy with a block of 100 ms" if name == "block" else f"{name} commit, by a thread of its own"
        lines.append(
            f"{what}: median {statistics.median(taken_ms):.2f} ms, p99 {taken_ms[len(taken_ms) * 99 // 100]:.2f} ms,"
            f" longest {taken_ms[-1]:.2f} ms of {len(taken_ms)}"
        )
    lines += [
        f"raw log {(after.log_bytes - before.log_bytes) * to_mb_hour:.1f} MB an hour (growth of its files)",
        f"ledger and its WAL {(after.ledger_bytes - before.ledger_bytes) * to_mb_hour:.2f} MB an hour"
        " (growth of both files; a WAL is used over and over, so this is not what was written)",
        f"sent to the disk by core {(after.written - before.written) * to_mb_hour:.0f} MB an hour"
        " (write_bytes of /proc/PID/io, whole pages of 4 KiB, log and ledger together)",
    ]
    return lines
