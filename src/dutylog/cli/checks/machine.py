"""What dutylog runs on: versions of everything, and the machine."""

from __future__ import annotations

import importlib.metadata
import os
import platform
import sqlite3
import sys
from pathlib import Path
from typing import Any

from dutylog import ENGINE, __version__

MODEL = Path("/proc/device-tree/model")
MOST_PACKAGES = 500


def describe_machine() -> dict[str, Any]:
    """Return versions and machine, ready for JSON; what can't be told is null. The machine's name isn't in it."""
    system = platform.uname()
    return {
        "dutylog": __version__,
        "engine": ENGINE,
        "python": sys.version.replace("\n", " "),
        "sqlite": sqlite3.sqlite_version,
        "packages": _packages(),
        "system": system.system,
        "kernel": f"{system.release} {system.version}",
        "machine": system.machine,
        "model": _read(MODEL),
        "os_release": _os_release(),
        "processors": os.cpu_count(),
        "load": list(os.getloadavg()),
        "memory": _lines("/proc/meminfo", ("MemTotal", "MemAvailable", "SwapTotal", "SwapFree")),
        "uptime_s": _uptime_s(),
    }


def _packages() -> dict[str, str]:
    found: dict[str, str] = {}
    for distribution in importlib.metadata.distributions():
        name = distribution.metadata["Name"] if distribution.metadata is not None else None
        if name and len(found) < MOST_PACKAGES:
            found[str(name)] = str(distribution.version)
    return dict(sorted(found.items()))


def _os_release() -> dict[str, str] | None:
    try:
        release = platform.freedesktop_os_release()
    except OSError:
        return None
    return {key: release[key] for key in ("ID", "VERSION_ID", "PRETTY_NAME") if key in release}


def _uptime_s() -> float | None:
    words = (_read(Path("/proc/uptime")) or "").split()
    try:
        return float(words[0])
    except (ValueError, IndexError):
        return None


def _lines(path: str, names: tuple[str, ...]) -> dict[str, str]:
    """Return the lines `NAME: VALUE` of a file of the kernel's that have one of the names."""
    pairs = [line.partition(":") for line in (_read(Path(path)) or "").splitlines()]
    return {name: value.strip() for name, _, value in pairs if name in names}


def _read(path: Path) -> str | None:
    try:
        return path.read_text(encoding="utf-8", errors="replace").strip("\0\n ")
    except OSError:
        return None
