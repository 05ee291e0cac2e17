"""The fixtures of processes.py, for every test here."""

from __future__ import annotations

from daemon.processes import demo_settings, recording, settings, start_core

__all__ = ["demo_settings", "recording", "settings", "start_core"]
