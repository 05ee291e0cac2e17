"""Whether the wall clock can be believed: a board without a clock battery starts with any date."""

from __future__ import annotations

from pathlib import Path

SYNCHRONIZED = Path("/run/systemd/timesync/synchronized")
"""Touched by systemd-timesyncd whenever it has set the clock. Source: systemd-timesyncd.service(8)."""


def is_utc_trusted(marker: Path = SYNCHRONIZED) -> bool:
    """Return whether something vouched for the wall clock since this boot."""
    return marker.exists()
