"""What a running daemon says of itself through its sockets, and whether one holds the data folder."""

from __future__ import annotations

import http.client
import ipaddress
import json
import os
import ssl
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from dutylog.cli.checks.within import Job
from dutylog.clock import Clock
from dutylog.config.settings import WebSettings
from dutylog.errors import FrameError
from dutylog.ledger.lock import LOCK_NAME
from dutylog.publish.snapshot import MAX_LINE_BYTES, Snapshot, parse_snapshot
from dutylog.sockets import LIVE, PUBLISH, SUPERVISOR, ask_line
from dutylog.units import NS_PER_S

ANSWER_S = 1.0
SUPERVISOR_S = 3.0
"""While one of its processes hangs it waits a second for a sign of life before it answers."""
ALL_S = 5.0
NEWS_S = 3.0
"""A snapshot comes about once a second, of a core that rests because it is asked; so long a newer one is waited for."""
POLL_S = 0.2
ANSWER_BYTES = 256 * 1024
PROC_LOCKS = Path("/proc/locks")


@dataclass(frozen=True, slots=True)
class Live:
    """Answers of the daemon's processes; None: none came.

    holder: process id of whoever has locked the data folder, None for nobody; holder_up_s: for how long it has
    run [s], None where that can't be told. is_fresh: core sent more than
    one snapshot while it was asked, or has no more to send. page: what /health.json answers.
    """

    holder: int | None = None
    holder_up_s: float | None = None
    processes: dict[str, Any] | None = None
    snapshot: Snapshot | None = None
    snapshot_object: dict[str, Any] | None = None
    is_fresh: bool = False
    publish: dict[str, Any] | None = None
    page: dict[str, Any] | None = None
    page_address: str = ""

    @property
    def is_running(self) -> bool:
        """Return whether there is any sign of a daemon on this folder."""
        return self.holder is not None or self.processes is not None or self.snapshot is not None


def ask_daemon(data_dir: Path, web: WebSettings | None, clock: Clock) -> Live:
    """Return what the daemon of a data folder says; takes at most 6 s, and hardly any where none runs."""
    core = Job(partial(_ask_core, data_dir, clock))
    supervisor = Job(partial(ask_line, data_dir, SUPERVISOR, SUPERVISOR_S, ANSWER_BYTES))
    publish = Job(partial(ask_line, data_dir, PUBLISH, ANSWER_S, ANSWER_BYTES))
    page = None if web is None else _ask_page(web)
    snapshot, is_fresh, raw = core.result(ALL_S)
    holder = find_holder(data_dir / LOCK_NAME)
    return Live(
        holder=holder,
        holder_up_s=None if holder is None else read_up_s(holder),
        processes=_object(supervisor.result(ALL_S)),
        snapshot=snapshot,
        snapshot_object=raw,
        is_fresh=is_fresh,
        publish=_object(publish.result(ALL_S)),
        page=page,
        page_address="" if web is None else f"{web.listen} port {web.port}",
    )


def find_holder(lock: Path, table: Path = PROC_LOCKS) -> int | None:
    """Return the process that holds a lock file, None for nobody.

    Asked of the kernel's table: to try the lock would keep a daemon out that starts at this moment.
    Source: proc(5), /proc/locks: kind, mode, process, MAJOR:MINOR (hex):INODE.
    """
    try:
        status = lock.stat()
        lines = table.read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        return None
    place = f"{os.major(status.st_dev):02x}:{os.minor(status.st_dev):02x}:{status.st_ino}"
    for line in lines:
        words = line.split()
        if len(words) >= 6 and words[1] == "FLOCK" and words[3] == "WRITE" and words[5] == place:
            return int(words[4]) if words[4].isdigit() else 0
    return None


def read_up_s(process: int) -> float | None:
    """Return for how long a process has run [s], None when it can't be told.

    Source: proc(5), /proc/PID/stat field 22 (start, clock ticks since boot; field 2 may hold spaces), /proc/uptime.
    """
    try:
        words = Path(f"/proc/{process}/stat").read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()
        uptime_s = float(Path("/proc/uptime").read_text(encoding="ascii").split()[0])
        return uptime_s - int(words[19]) / os.sysconf("SC_CLK_TCK")
    except (OSError, ValueError, IndexError):
        return None


def _ask_core(data_dir: Path, clock: Clock) -> tuple[Snapshot | None, bool, dict[str, Any] | None]:
    """Return core's newest snapshot, whether another one followed, and the snapshot as it came."""
    until_ns = clock.mono_ns() + round(NEWS_S * NS_PER_S)
    first: Snapshot | None = None
    while True:
        line = ask_line(data_dir, LIVE, ANSWER_S, MAX_LINE_BYTES)
        try:
            now = parse_snapshot(line) if line else None
        except FrameError:
            now = None
        if now is None:
            return first, False, None
        if now.source.state == "ended" or (first is not None and now.seq != first.seq):
            return now, True, _object(line)
        first = now
        if clock.mono_ns() >= until_ns:
            return now, False, _object(line)
        clock.sleep(POLL_S)


def _ask_page(web: WebSettings) -> dict[str, Any] | None:
    """Return /health.json of the page, None where nothing of ours answers."""
    host = web.listen if ipaddress.ip_address(web.listen).is_loopback else "127.0.0.1"
    connection = http.client.HTTPConnection(host, web.port, timeout=ANSWER_S)
    if web.tls:
        # Its certificate is our own, and nothing secret is asked or told: it isn't verified.
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
        connection = http.client.HTTPSConnection(host, web.port, timeout=ANSWER_S, context=context)
    try:
        connection.request("GET", "/health.json")
        answer = _object(connection.getresponse().read(ANSWER_BYTES))
    except (OSError, http.client.HTTPException):
        return None
    finally:
        connection.close()
    return answer if answer is not None and "engine" in answer else None


def _object(line: bytes) -> dict[str, Any] | None:
    try:
        found = json.loads(line)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None
