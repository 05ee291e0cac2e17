"""How the supervisor's processes are: asked of itself when somebody looks at /health."""

from __future__ import annotations

import json
import socket
from pathlib import Path
from typing import Any

from dutylog.sockets import unix_address

SOCKET_NAME = "supervisor.sock"
ANSWER_S = 0.5
LINE_LIMIT = 16_384
MOST_PROCESSES = 16


def read_processes(data_dir: Path | None) -> list[dict[str, Any]]:
    """Return for each process its name, state, up_s, restarts_count and restarts by reason; empty without an answer."""
    if data_dir is None:
        return []
    try:
        with socket.socket(socket.AF_UNIX) as end, unix_address(data_dir, SOCKET_NAME) as address:
            end.settimeout(ANSWER_S)
            end.connect(address)
            held = b""
            while b"\n" not in held and len(held) < LINE_LIMIT and (piece := end.recv(4096)):
                held += piece
        return [_parse(entry) for entry in json.loads(held)["processes"][:MOST_PROCESSES]]
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return []


def describe(processes: list[dict[str, Any]]) -> str:
    """Return them in one line for people."""
    return "; ".join(_describe(process) for process in processes) or "unknown"


def _parse(entry: dict[str, Any]) -> dict[str, Any]:
    up_s = entry["up_s"]
    return {
        "name": str(entry["name"])[:64],
        "state": str(entry["state"])[:64],
        "up_s": None if up_s is None else float(up_s),
        "restarts_count": int(entry["restarts_count"]),
        "restarts": {str(reason)[:64]: int(count) for reason, count in entry["restarts"].items()},
    }


def _describe(process: dict[str, Any]) -> str:
    parts = [f"{process['name']} {process['state']}"]
    if process["up_s"] is not None:
        parts.append(f"up {process['up_s']:.0f} s")
    reasons = ", ".join(f"{reason}: {count}" for reason, count in process["restarts"].items())
    parts.append(f"{process['restarts_count']} restarts" + (f" ({reasons})" if reasons else ""))
    return ", ".join(parts)
