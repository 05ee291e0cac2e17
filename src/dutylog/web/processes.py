"""How the supervisor's processes are: asked of itself when somebody looks at /health."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from dutylog.sockets import SUPERVISOR, ask_line

ANSWER_S = 0.5
LINE_LIMIT = 16_384
MOST_PROCESSES = 16


def read_processes(data_dir: Path | None) -> list[dict[str, Any]]:
    """Return for each process its name, state, up_s, restarts_count and restarts by reason; empty without an answer."""
    if data_dir is None:
        return []
    line = ask_line(data_dir, SUPERVISOR, ANSWER_S, LINE_LIMIT)
    try:
        return [_parse(entry) for entry in json.loads(line)["processes"][:MOST_PROCESSES]] if line else []
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError):
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
