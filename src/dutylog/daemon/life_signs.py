"""Whether a child still does its work: asked of each in the way its users ask.

Core must send snapshots, the page answer a request, the publish process its health socket. One that
is stopped, or runs in circles, answers nothing though its process is there.
"""

from __future__ import annotations

import http.client
import ipaddress
import json
from collections.abc import Callable
from pathlib import Path

from dutylog.sockets import LIVE, PUBLISH, RESTING, ask_line

ANSWER_S = 1.0
"""So long an answer may take; the supervisor does nothing else meanwhile."""
LINE_LIMIT = 262_144
"""The longest snapshot (shared/SNAPSHOT.md)."""

Sign = Callable[[], str | None]
"""Returns what the child showed of itself, None for nothing; core must show something new each time."""


def core_sign(data_dir: Path) -> Sign:
    """Return the question for core: start and number of its newest snapshot."""

    def ask() -> str | None:
        line = ask_line(data_dir, LIVE, ANSWER_S, LINE_LIMIT, say=RESTING)
        if not line:
            return None
        try:
            snapshot = json.loads(line)
            return f"{snapshot['boot_id']} {snapshot['seq']}"
        except (ValueError, KeyError, TypeError):
            return None

    return ask


def publish_sign(data_dir: Path) -> Sign:
    """Return the question for the publish process: whether its health socket answers a line."""
    return lambda: "answered" if ask_line(data_dir, PUBLISH, ANSWER_S, LINE_LIMIT) else None


def page_sign(listen: str, port: int) -> Sign:
    """Return the question for the page: whether it answers on this machine, where it always does.

    With TLS it answers plain HTTP too, with the address to open; that shows as well that it runs.
    """
    host = listen if ipaddress.ip_address(listen).is_loopback else "127.0.0.1"

    def ask() -> str | None:
        connection = http.client.HTTPConnection(host, port, timeout=ANSWER_S)
        try:
            connection.request("GET", "/favicon.ico")
            connection.getresponse().read()
        except (OSError, http.client.HTTPException):
            return None
        finally:
            connection.close()
        return "answered"

    return ask


def cpu_ticks(pid: int) -> int | None:
    """Return the processor time a process has used [clock ticks], None when it can't be told.

    Source: proc(5), /proc/PID/stat, fields 14 (utime) and 15 (stime); field 2 may hold spaces.
    """
    try:
        words = Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()
        return int(words[11]) + int(words[12])
    except (OSError, ValueError, IndexError):
        return None
